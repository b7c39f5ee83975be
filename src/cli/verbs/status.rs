//! status.

use super::{accuracy, carried, desk, exposed, fixity_told};
use crate::cli::args::Status as StatusArgs;
use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::ledger::Promise;
use crate::ops::desk::Desk;
use crate::ops::release::left_behind;
use crate::ops::status::status;
use crate::ops::{batch, foretold, schedule};
use crate::plan::Plan;
use crate::report::model::{BatchRow, Flag, Progress, ReportModel};
use crate::report::words::{Align, percent, share, status_sentences, table};
use crate::trouble::Trouble;
use crate::units::grouped;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// With `look`, also what other means have brought, which takes a search of the destination.
pub(super) fn once(args: &StatusArgs, context: &Context, look: bool) -> Result<Code, Trouble> {
    let (object, code) = told(args, context, &desk(context)?, look)?;
    context.out.object("status", object);
    Ok(code)
}

/// Says all of it, and answers the object of `--json` and whether something needs the user.
pub(super) fn told(
    args: &StatusArgs,
    context: &Context,
    desk: &Desk<'_>,
    look: bool,
) -> Result<(Value, Code), Trouble> {
    let stand = status(desk, look)?;
    let zone = desk.settings.windows.zone;
    for line in status_sentences(&stand.model) {
        context.out.say(&line);
    }
    context.out.say("");
    let plan = batch::plan(desk)?;
    let homes = homes(&plan);
    context.out.say(&rows(&stand.model, &homes));
    accuracy::tell(context, &stand.model);
    if let Some(words) = schedule::narrowed(desk, &plan)? {
        context.out.say(&words);
    }
    for (name, amount) in &stand.arrived {
        context.out.say(&format!("Batch {name}: {amount} arrived by other means, not proven; `poolward adopt {name}` hashes both ends."));
    }
    let promises = desk.ledger.promises()?;
    for line in promise_lines(&promises) {
        context.out.say(&line);
    }
    fixity_told::tell_on_record(context, &stand.model);
    let carried = carried::tell(desk, context)?;
    let left = if args.left_behind {
        left(desk, context)?
    } else {
        Vec::new()
    };
    let told = foretold::all(desk)?;
    let mut object = json!({
        "batches": stand.model.batches.iter().map(|b| {
            let mut object = batch_object(b, &homes, failed(desk, b.name.as_str())?, zone)?;
            accuracy::add(&mut object, b, told.get(b.name.as_str()), zone);
            object["carried"] = carried::object(carried.get(b.name.as_str()), zone);
            Ok(object)
        }).collect::<Result<Vec<_>, Trouble>>()?,
        "totals": amounts(&stand.model.totals), "finish": pieces::times(&stand.forecast.finish, zone),
        "durability": stand.model.durability,
        "durability_of": promises.iter().map(|p| json!({"dataset": p.dataset, "class": p.class, "publish": p.publish,
            "sync_reaches": p.sync_reaches})).collect::<Vec<_>>(),
        "arrived": stand.arrived.iter().map(|(n, a)| json!({"name": n, "files": a.files, "bytes": a.bytes.0})).collect::<Vec<_>>(),
    });
    object["fixity"] = fixity_told::on_record(&stand.model);
    if args.exposed {
        let found = crate::ops::exposed::exposed(desk, &stand.model)?;
        exposed::tell(context, &found, zone);
        exposed::add(&mut object, &found, zone);
    }
    if args.left_behind {
        object["left_behind"] = Value::Array(left);
    }
    let mut open = true;
    if args.cutover {
        (object["cutover"], open) = super::cutover::run(desk, &args.confirm, context)?;
    }
    let needs = stand
        .model
        .batches
        .iter()
        .any(|b| b.flags.iter().any(|f| *f != Flag::Held));
    Ok((object, Code::clean_if(!needs && open)))
}

/// One line for all datasets that promise the same.
fn promise_lines(promises: &[Promise]) -> Vec<String> {
    let mut alike: BTreeMap<(&str, &str), Vec<&str>> = BTreeMap::new();
    for promise in promises {
        let same = (promise.class.as_str(), promise.publish.as_str());
        alike.entry(same).or_default().push(&promise.dataset);
    }
    let line = |((class, publish), datasets): (&(&str, &str), &Vec<&str>)| {
        let durable = match *class {
            "local" => "a sync reaches the disks (local)",
            "server-said" => "durable as far as the server says so (server-said)",
            _ => "the mount promises nothing about power cuts (unproven)",
        };
        let names = match *publish {
            "rename" => "by a rename that replaces nothing",
            "link" => "by a link, since the mount cannot rename without replacing",
            _ => "by a look and a rename: keep other programs away from the destination",
        };
        format!(
            "Durability in {}: {durable}; files get their names {names}.",
            datasets.join(", ")
        )
    };
    alike.iter().map(line).collect()
}

/// The destination of each dataset.
fn homes(plan: &Plan) -> BTreeMap<String, String> {
    let datasets = plan.datasets.iter();
    datasets
        .map(|d| (d.name.clone(), d.destination.clone()))
        .collect()
}

fn rows(model: &ReportModel, homes: &BTreeMap<String, String>) -> String {
    let several = model.destinations.len() > 1;
    let row = |b: &BatchRow| {
        let flags: Vec<String> = b
            .flags
            .iter()
            .map(|f| format!("{} {}", f.glyph(), f.word()))
            .collect();
        let end = b.forecast_end.map_or(String::new(), |m| m.local(model.zone));
        let part = |amount| percent(share(amount, b.progress.planned));
        vec![
            b.name.to_string(),
            match homes.get(&b.dataset).filter(|_| several) {
                Some(to) => format!("{} to {to}", b.source),
                None => b.source.to_string(),
            },
            format!("{} {}", b.state.glyph(), b.state.word()),
            grouped(b.progress.planned.files),
            b.progress.planned.bytes.to_string(),
            part(b.progress.copied),
            part(b.progress.verified),
            end,
            flags.join(", "),
        ]
    };
    let rows: Vec<Vec<String>> = model.batches.iter().map(row).collect();
    let (l, r) = (Align::Left, Align::Right);
    let heads = [
        "batch",
        if several { "from and to" } else { "source" },
        "state",
        "files",
        "size",
        "copied",
        "verified",
        "done by",
        "",
    ];
    table(&heads, &rows, &[l, l, l, r, r, r, r, l, l])
}

fn amounts(p: &Progress) -> Value {
    json!({"files": {"total": p.planned.files, "copied": p.copied.files, "verified": p.verified.files, "released": p.released.files},
           "bytes": {"total": p.planned.bytes.0, "copied": p.copied.bytes.0, "verified": p.verified.bytes.0, "released": p.released.bytes.0}})
}

fn batch_object(
    b: &BatchRow,
    homes: &BTreeMap<String, String>,
    failed: usize,
    zone: chrono_tz::Tz,
) -> Result<Value, Trouble> {
    let mut object = json!({
        "name": b.name.as_str(), "dataset": b.dataset, "destination": homes.get(&b.dataset), "state": b.state.word(),
        "flags": b.flags.iter().map(|f| f.word()).collect::<Vec<_>>(),
        "read_how": b.proof.as_ref().map(|p| p.read_how.word()),
        "planned_end": pieces::time(b.planned.map(|p| p.end), zone),
        "forecast_end": pieces::time(b.forecast_end, zone),
    });
    let amounts = amounts(&b.progress);
    object["files"] = amounts["files"].clone();
    object["files"]["failed"] = json!(failed);
    object["bytes"] = amounts["bytes"].clone();
    Ok(object)
}

/// How many files of a batch could not be copied.
fn failed(desk: &Desk<'_>, name: &str) -> Result<usize, Trouble> {
    match desk.ledger.batch(name)? {
        Some(row) => Ok(desk.ledger.failures(row.id)?.len()),
        None => Ok(0),
    }
}

/// What no batch takes, and what batches that have begun left behind.
fn left(desk: &Desk<'_>, context: &Context) -> Result<Vec<Value>, Trouble> {
    let mut found = Vec::new();
    let plan = batch::plan(desk)?;
    for one in &plan.unplanned {
        found.push((one.path.clone(), one.reason.to_string(), one.amount.bytes));
    }
    for batch in &plan.batches {
        let at_hand = match desk.ledger.batch(batch.name.as_str())? {
            Some(row) => batch::open(desk, row)?,
            None => batch::preview(desk, &plan, batch)?,
        };
        found.extend(left_behind(desk, &at_hand)?);
    }
    found.sort();
    found.dedup();
    context
        .out
        .say(&format!("Left behind: {}", grouped(found.len() as u64)));
    for (path, code, bytes) in &found {
        context.out.say(&format!("  {path}  ({code}, {bytes})"));
    }
    Ok(found
        .iter()
        .map(|(path, code, bytes)| pieces::with_path(path, json!({"code": code, "bytes": bytes.0})))
        .collect())
}
