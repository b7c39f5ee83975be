//! How a plan is shown: its table, its JSON, its datasets' commands.

use crate::cli::{Context, json as pieces};
use crate::forecast::Range;
use crate::forecast::simulate::{BatchForecast, Never};
use crate::lifecycle::State;
use crate::ops::batch::state_of;
use crate::ops::desk::Desk;
use crate::ops::plan::Planned;
use crate::plan::difference::Difference;
use crate::report::words::{Align, table};
use crate::trouble::Trouble;
use crate::units::grouped;
use chrono_tz::Tz;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// States of begun batches by name.
pub(super) fn states(desk: &Desk<'_>) -> Result<BTreeMap<String, State>, Trouble> {
    Ok(desk
        .ledger
        .batches()?
        .into_iter()
        .map(|row| (row.name.clone(), state_of(Some(&row))))
        .collect())
}

pub(super) fn tell(context: &Context, planned: &Planned, zone: Tz) {
    let of = |name: &str| planned.forecast.batches.iter().find(|f| f.name.as_str() == name);
    let when = |moment: Option<crate::moment::Moment>| moment.map_or("never".to_string(), |m| m.local(zone));
    let several = planned.rooms.told.len() > 1;
    let rows: Vec<Vec<String>> = planned
        .plan
        .batches
        .iter()
        .map(|b| {
            let f = of(b.name.as_str());
            let (start, end) = match f {
                Some(f) => (when(f.copy_start), when(f.end.likely)),
                None => ("done".into(), "done".into()),
            };
            let projects = grouped(b.projects.len() as u64);
            let to = destination(planned, b);
            vec![
                named(b),
                match several {
                    true => format!("{} to {to}", b.source),
                    false => b.source.to_string(),
                },
                projects,
                grouped(b.amount.files),
                b.amount.bytes.to_string(),
                start,
                end,
            ]
        })
        .collect();
    let r = Align::Right;
    let l = Align::Left;
    context.out.say(&table(
        &[
            "batch",
            if several { "from and to" } else { "source" },
            "projects",
            "files",
            "size",
            "start",
            "verified",
        ],
        &rows,
        &[l, l, r, r, r, l, l],
    ));
    context.out.say(&finish(planned, zone));
    for line in super::rooms::lines(&planned.rooms) {
        context.out.say(&line);
    }
    for line in notes(planned) {
        context.out.say(&line);
    }
    if let Some(change) = planned.difference.as_ref().filter(|d| !d.is_empty()) {
        for line in difference_lines(change) {
            context.out.say(&line);
        }
    }
    for one in &planned.renamed {
        context.out.say(&one.words(planned.accepted));
    }
    for line in planned.moved.sentences(planned.accepted) {
        context.out.say(&line);
    }
    if !planned.written {
        context
            .out
            .say("Nothing was written: something has begun already. Add --accept to take this plan.");
    }
}

/// A batch's name, and what is special about it.
fn named(batch: &crate::plan::Batch) -> String {
    match (batch.pilot, batch.delta) {
        (true, _) => format!("{} (pilot)", batch.name),
        (_, true) => format!("{} (later files)", batch.name),
        _ => batch.name.to_string(),
    }
}

fn finish(planned: &Planned, zone: Tz) -> String {
    let finish = &planned.forecast.finish;
    let (Some(low), Some(likely), Some(high)) = (finish.low, finish.likely, finish.high) else {
        return format!(
            "No end can be seen: {}.",
            planned
                .forecast
                .never
                .map_or("nothing is planned".into(), Never::words)
        );
    };
    let basis = planned.forecast.basis;
    let binding = planned.forecast.binding.map_or("nothing", |stage| stage.words());
    let binding = binding.trim_end_matches(" is").trim_end_matches(" are");
    format!(
        "Finish: {} (between {} and {}, 9 in 10). What limits it: {binding} (rates: {}).",
        likely.local(zone),
        low.local(zone),
        high.local(zone),
        basis.name()
    )
}

fn notes(planned: &Planned) -> Vec<String> {
    let notes = &planned.notes;
    let mut lines: Vec<String> = notes.verdicts.iter().map(|v| v.words()).collect();
    lines.extend(notes.idle_tags.iter().map(|tag| tag.words()));
    lines.extend(notes.remarks.iter().map(|remark| remark.text.clone()));
    for question in &notes.questions {
        lines.push(format!("Question: {}", question.text));
    }
    let left: u64 = planned.plan.unplanned.iter().map(|u| u.amount.files.max(1)).sum();
    if left > 0 {
        lines.push(format!(
            "In no batch: {}; see `status --left-behind`.",
            match left {
                1 => "1 entry".to_string(),
                n => format!("{} entries", grouped(n)),
            }
        ));
    }
    lines
}

fn difference_lines(change: &Difference) -> Vec<String> {
    let names = |list: &[crate::names::BatchName]| {
        list.iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(", ")
    };
    let mut lines = Vec::new();
    if !change.added.is_empty() {
        lines.push(format!("New batches: {}.", names(&change.added)));
    }
    if !change.removed.is_empty() {
        lines.push(format!("Batches that are no more: {}.", names(&change.removed)));
    }
    for one in &change.changed {
        lines.push(format!(
            "Batch {}: {} before, {} now.",
            one.name, one.before, one.after
        ));
    }
    for one in change.moved.iter().take(20) {
        let at = |name: &Option<crate::names::BatchName>| {
            name.as_ref().map_or("none".to_string(), ToString::to_string)
        };
        lines.push(format!(
            "Project {} moves from {} to {}.",
            one.key.name(),
            at(&one.from),
            at(&one.to)
        ));
    }
    lines
}

pub(super) fn object(planned: &Planned, states: &BTreeMap<String, State>, zone: Tz) -> Value {
    let datasets: Vec<Value> = planned
        .plan
        .datasets
        .iter()
        .map(|d| json!({"name": d.name, "full_name": d.full_name, "files": d.amount.files, "bytes": d.amount.bytes.0}))
        .collect();
    let unplanned: Vec<Value> = planned
        .plan
        .unplanned
        .iter()
        .map(|u| {
            pieces::with_path(
                &u.path,
                json!({"reason": u.reason, "files": u.amount.files, "bytes": u.amount.bytes.0}),
            )
        })
        .collect();
    let batches: Vec<Value> = planned
        .plan
        .batches
        .iter()
        .map(|b| batch(planned, b, states, zone))
        .collect();
    let (pool, pools) = super::rooms::objects(&planned.rooms);
    let difference = planned
        .difference
        .as_ref()
        .filter(|d| !d.is_empty())
        .map_or(Value::Null, |d| {
            let names = |list: &[crate::names::BatchName]| {
                list.iter().map(|n| n.as_str().to_string()).collect::<Vec<_>>()
            };
            json!({"added": names(&d.added), "removed": names(&d.removed),
               "changed": d.changed.iter().map(|c| c.name.as_str()).collect::<Vec<_>>(),
               "moved": d.moved.iter().map(|m| m.key.name()).collect::<Vec<_>>()})
        });
    json!({"datasets": datasets, "batches": batches, "unplanned": unplanned,
           "start": pieces::time(planned.forecast.start, zone), "finish": pieces::times(&planned.forecast.finish, zone),
           "pool": pool, "pools": pools, "difference": difference,
           "renamed": renamed(planned), "moves": pieces::moved(&planned.moved, planned.accepted),
           "written": planned.written})
}

/// Begun projects with another name at the source: whether the destination has followed, or why it
/// does not.
fn renamed(planned: &Planned) -> Vec<Value> {
    let one = |one: &crate::ops::follow::Renamed| {
        json!({"source": one.source.0, "from": one.from.lossy(), "to": one.to.lossy(),
               "files": one.amount.files, "bytes": one.amount.bytes.0,
               "followed": planned.accepted && one.verdict.is_ok(),
               "why": one.verdict.as_ref().err().map(crate::lifecycle::follow::Refusal::words)})
    };
    planned.renamed.iter().map(one).collect()
}

/// Where a batch goes.
fn destination<'a>(planned: &'a Planned, b: &crate::plan::Batch) -> &'a str {
    let home = planned.plan.datasets.iter().find(|d| d.name == b.dataset);
    home.map_or("", |d| d.destination.as_str())
}

fn batch(planned: &Planned, b: &crate::plan::Batch, states: &BTreeMap<String, State>, zone: Tz) -> Value {
    let f: Option<&BatchForecast> = planned.forecast.batches.iter().find(|f| f.name == b.name);
    let state = states.get(b.name.as_str()).copied().unwrap_or(State::Waiting);
    let projects: Vec<String> = b.projects.iter().map(|p| p.key.name()).collect();
    let mut flags: Vec<&str> = Vec::new();
    if planned.notes.held.contains(&b.name) {
        flags.push("held");
    }
    let none = Range {
        low: crate::units::Span(0),
        likely: crate::units::Span(0),
        high: crate::units::Span(0),
    };
    json!({"name": b.name.as_str(), "dataset": b.dataset, "destination": destination(planned, b),
           "source": b.source.0, "state": state.word(),
           "flags": flags, "projects": projects, "files": b.amount.files, "bytes": b.amount.bytes.0,
           "start": pieces::time(f.and_then(|f| f.copy_start), zone),
           "end": pieces::time(f.and_then(|f| f.end.likely), zone),
           "seconds": pieces::spans(f.map_or(&none, |f| &f.seconds)),
           "binding_stage": f.and_then(|f| f.binding).map(|s| s.name())})
}
