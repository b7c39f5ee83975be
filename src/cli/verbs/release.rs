//! release.

use super::desk;
use crate::cli::args::Release;
use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::lifecycle::READS_DISAGREE;
use crate::ops::release::{Released, release};
use crate::ops::restored::restored;
use crate::report::words::CAUTIONS;
use crate::trouble::Trouble;
use chrono_tz::Tz;
use serde_json::{Value, json};

pub(super) fn run(args: &Release, context: &Context) -> Result<Code, Trouble> {
    if args.remove || args.undo {
        return super::remove::run(args, context);
    }
    let mut desk = desk(context)?;
    if let Some(path) = &args.restored {
        let found = restored(&mut desk, path)?;
        context.out.say(&format!(
            "Restore test recorded: {found} compared equal with what was moved."
        ));
    }
    let (mut done, mut clean) = (Vec::new(), true);
    for name in &args.batches {
        let released = release(&mut desk, name, &args.accept)?;
        tell(context, &released);
        clean &= released.reasons.is_empty();
        done.push(object(&released, desk.settings.windows.zone));
    }
    context.out.object("release", json!({"batches": done}));
    Ok(Code::clean_if(clean))
}

fn tell(context: &Context, released: &Released) {
    let name = &released.name;
    if released.reasons.is_empty() {
        context.out.say(&format!(
            "Batch {name} is released: {} proven. Its sheet is {}.",
            released.proven,
            released.sheet.display()
        ));
        for caution in CAUTIONS {
            context.out.say(&format!("  {caution}"));
        }
        return;
    }
    context
        .out
        .say(&format!("Batch {name} is not released. What stands against it:"));
    for reason in &released.reasons {
        context
            .out
            .say(&format!("  {} ({}; {})", reason.text, reason.code, reason.count));
    }
    if released.reasons.iter().any(|r| r.code == READS_DISAGREE) {
        tell_disagreements(context, released);
    }
    context.out.say(&format!(
        "The sheet {} has the details. Nothing was removed.",
        released.sheet.display()
    ));
}

/// The newest ones: errors of a bad cable cluster in place and time.
fn tell_disagreements(context: &Context, released: &Released) {
    for one in released.disagreements.iter().rev().take(20) {
        let ranges: Vec<String> = one.ranges.iter().map(|(a, b)| format!("{a} to {b}")).collect();
        let at = match ranges.is_empty() {
            true => String::new(),
            false => format!(", bytes {}", ranges.join(", ")),
        };
        context
            .out
            .say(&format!("    {}{at}: right was {}", one.path, one.settled_by));
    }
    if released.disagreements.len() > 20 {
        context.out.say("    and earlier ones; `--json` lists all.");
    }
}

fn object(released: &Released, zone: Tz) -> Value {
    let reasons: Vec<Value> = released
        .reasons
        .iter()
        .map(|r| json!({"code": r.code, "text": r.text, "count": r.count}))
        .collect();
    let disagreements: Vec<Value> = released
        .disagreements
        .iter()
        .map(|d| {
            let facts = json!({"bytes": d.identity.size.0, "ranges": d.ranges, "settled_by": d.settled_by,
                               "at": pieces::time(Some(d.at), zone)});
            pieces::with_path(&d.path, facts)
        })
        .collect();
    json!({"name": released.name, "releasable": released.reasons.is_empty(), "reasons": reasons,
           "disagreements": disagreements, "files": released.proven.files, "bytes": released.proven.bytes.0, "sheet": released.sheet,
           "removed": false, "aside": null})
}
