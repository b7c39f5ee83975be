//! copy.

use super::desk;
use crate::cli::args::Copy;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces};
use crate::copy::Outcome;
use crate::copy::Progress;
use crate::ledger::Failure;
use crate::lifecycle::State;
use crate::names::RelPath;
use crate::ops::copy::{Copied, copy, copy_in_windows};
use crate::ops::desk::Desk;
use crate::ops::view::View;
use crate::ops::{self, away, batch, hours, rooms};
use crate::plan::Plan;
use crate::trouble::Trouble;
use crate::units::{Amount, Span, counted, grouped};
use serde_json::{Value, json};
use std::collections::BTreeMap;

pub(super) fn run(args: &Copy, context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let plan = batch::plan(&desk)?;
    let names = chosen(&desk, &plan, args, context)?;
    if names.is_empty() {
        context.out.say(nothing(&desk, &plan)?);
    }
    let beside = hours::beside(&desk).filter(|_| !args.in_windows && !names.is_empty());
    if let Some(line) = beside {
        context.out.note(&line);
    }
    let (mut done, mut clean) = (Vec::new(), true);
    for name in names {
        let total = plan
            .batches
            .iter()
            .find(|b| b.name.as_str() == name)
            .map_or_else(Default::default, |b| b.amount);
        let meter = Meter::new(&context.out, &format!("copying {name}"), total.bytes);
        let progress = |p: Progress| meter.at(p.bytes, p.files, "files", beside_of(p));
        let copied = match args.in_windows {
            true => copy_in_windows(&mut desk, &name, &|line| context.out.note(line), &progress),
            false => copy(&mut desk, &name, None, &progress),
        };
        meter.done();
        let copied = copied?;
        tell(context, &copied, "copied", ALL);
        clean &= copied.failures.is_empty() && copied.outcome.disagreed == 0;
        done.push(object(&copied));
    }
    context.out.object("copy", json!({"batches": done}));
    Ok(Code::clean_if(clean))
}

fn beside_of(progress: Progress) -> &'static str {
    match progress.slowed {
        true => "slowed: the source is busy",
        false => "",
    }
}

/// The batches named; else all that are not copied, or the first of these.
fn chosen(desk: &Desk<'_>, plan: &Plan, args: &Copy, context: &Context) -> Result<Vec<String>, Trouble> {
    if !args.batches.is_empty() {
        let named = batch::named(plan, &args.batches)?;
        return Ok(named.into_iter().map(|b| b.name.as_str().to_string()).collect());
    }
    let states = super::planned::states(desk)?;
    let open = |name: &str| states.get(name).copied().unwrap_or(State::Waiting) < State::Copied;
    let holds = desk.ledger.holds_until(desk.now())?;
    let (mut names, mut held) = (Vec::new(), BTreeMap::<_, Vec<&str>>::new());
    for batch in &plan.batches {
        let name = batch.name.as_str();
        if !(open(name) || args.all && wants_repair(desk, name)?) {
            continue;
        }
        if let Some(why) = ops::copy::held(desk, &holds, name) {
            held.entry(why).or_default().push(name);
            continue;
        }
        if let Some(carried) = away::words(desk, name)? {
            context.out.note(&format!("Passed over: {carried}."));
            continue;
        }
        match rooms::too_early(desk, plan, batch)? {
            Some(wait) => context.out.note(&format!("Not yet: {wait}.")),
            None => names.push(batch.name.as_str().to_string()),
        }
    }
    for ((text, mend), names) in held {
        let passed = names.join(", ");
        context
            .out
            .note(&format!("Passed over: {passed}, since {text}. {mend}"));
    }
    if !args.all {
        names.truncate(1);
    }
    Ok(names)
}

/// What to say where no batch can be copied.
fn nothing(desk: &Desk<'_>, plan: &Plan) -> Result<&'static str, Trouble> {
    let states = super::planned::states(desk)?;
    let state = |name: &str| states.get(name).copied().unwrap_or(State::Waiting);
    let least = plan.batches.iter().map(|batch| state(batch.name.as_str())).min();
    Ok(match least {
        Some(state) if state < State::Copied => "No batch can be copied now.",
        Some(state) if state < State::Verified => "Nothing waits to be copied. Next: `poolward verify`.",
        _ => "Nothing waits to be copied: every batch is verified.",
    })
}

/// Where all failures of a batch stand.
pub(super) const ALL: &str = "`status --left-behind` lists all";

/// Whether a batch that is copied has files that failed, or that differ by the last verification.
fn wants_repair(desk: &Desk<'_>, name: &str) -> Result<bool, Trouble> {
    let Some(row) = desk.ledger.batch(name)? else {
        return Ok(false);
    };
    if batch::state_of(Some(&row)) == State::Released {
        return Ok(false);
    }
    let differs = desk.ledger.differences(row.id)?.iter().any(|one| one.blocking);
    Ok(differs || !desk.ledger.failures(row.id)?.is_empty())
}

/// What a person reads of one batch.
pub(super) fn tell(context: &Context, copied: &Copied, verb: &str, where_all: &str) {
    let outcome = &copied.outcome;
    let rate = crate::units::Rate::from_work(outcome.copied.bytes, copied.elapsed);
    context.out.say(&format!(
        "Batch {}: {verb} {} in {}, {rate}.",
        copied.name, outcome.copied, copied.elapsed
    ));
    for line in also(copied)
        .into_iter()
        .chain(copied.view.iter().flat_map(view_told))
    {
        context.out.say(&format!("  {line}."));
    }
    tell_failures(context, &copied.failures, where_all);
}

/// The first failures, and where the others stand.
pub(super) fn tell_failures(context: &Context, failures: &[Failure], where_all: &str) {
    for failure in failures.iter().take(20) {
        context.out.say(&format!(
            "  {}: {} ({})",
            failure.place, failure.text, failure.code
        ));
    }
    if failures.len() > 20 {
        let more = failures.len() - 20;
        context.out.say(&format!("  and {more} more; {where_all}."));
    }
}

/// What else is worth a line.
fn also(copied: &Copied) -> Vec<String> {
    let outcome = &copied.outcome;
    let mut also = Vec::new();
    if copied.already > 0 {
        also.push(format!("{} lay there already", grouped(copied.already)));
    }
    if outcome.adopted.files > 0 {
        also.push(format!(
            "{} were found there with the same content and taken over",
            outcome.adopted
        ));
    }
    also.extend(reads_told(outcome));
    if outcome.resumed.0 > 0 {
        also.push(format!("{} were written by an earlier run", outcome.resumed));
    }
    if outcome.slowed.times > 0 {
        also.push(format!(
            "slowed down {} times, {} in all, since the source was busy",
            grouped(outcome.slowed.times),
            outcome.slowed.span
        ));
    }
    let named = |count: Option<usize>, what: &str| {
        count.map(|n| {
            format!(
                "{n} {} of {what} files",
                if n == 1 { "stream" } else { "streams" }
            )
        })
    };
    let (small, large) = outcome.streams;
    let streams: Vec<String> = [named(large, "large"), named(small, "small")]
        .into_iter()
        .flatten()
        .collect();
    // Sooner nothing was measured, and the number is only where it began.
    if !streams.is_empty() && copied.elapsed > Span::from_secs_f64(10.0) {
        also.push(format!(
            "It ended with {}; one more stays only if it brings over 10 %",
            streams.join(" and ")
        ));
    }
    if outcome.repaired.files > 0 {
        let Amount { files, bytes } = outcome.repaired;
        also.push(match bytes.0 {
            0 => format!(
                "{} got their owner and mode in place, with nothing copied",
                counted(files, "file")
            ),
            _ => format!(
                "{bytes} of {} were read again and repaired in place",
                counted(files, "damaged file")
            ),
        });
    }
    if outcome.by_times {
        let words = "This mount numbers its files anew each time: size and times alone tell which are ours";
        also.push(words.to_string());
    }
    for (kind, count) in &outcome.losses {
        also.push(format!("{} could not keep their {kind}", grouped(*count)));
    }
    also
}

/// What hashes known from before have come to.
fn reads_told(outcome: &Outcome) -> Vec<String> {
    let mut also = Vec::new();
    if outcome.known > 0 {
        also.push(format!(
            "{} of these were not read at the source: their hashes were known",
            grouped(outcome.known)
        ));
    }
    if outcome.disagreed > 0 {
        also.push(format!(
            "READS DISAGREE: {} gave other content than an earlier read of the same file. Memory, a cable or \
             a controller is bad; nothing of this source is released until that is looked into",
            grouped(outcome.disagreed)
        ));
    }
    also
}

pub(super) fn view_told(view: &View) -> Vec<String> {
    let folder = view.folder.display();
    if let Some(trouble) = &view.trouble {
        return vec![format!(
            "the links in {folder} could not be brought up to date: {trouble}"
        )];
    }
    let mut lines = vec![format!("{folder} has {}", counted(view.links, "link"))];
    lines.extend(
        view.conflicts
            .iter()
            .take(5)
            .map(|at| format!("no link for {at} there: something else has its place, and stays")),
    );
    lines
}

/// One batch of the JSON.
pub(super) fn object(copied: &Copied) -> Value {
    let outcome = &copied.outcome;
    let losses: Vec<Value> = outcome
        .losses
        .iter()
        .map(|(kind, files)| json!({"kind": kind, "files": files}))
        .collect();
    let view = copied.view.as_ref().map(|view| {
        json!({"folder": view.folder.display().to_string(), "links": view.links, "error": view.trouble,
               "conflicts": view.conflicts.iter().map(RelPath::lossy).collect::<Vec<_>>()})
    });
    json!({"name": copied.name, "view": view, "state": copied.state.word(), "files_copied": outcome.copied.files,
           "files_already_there": copied.already, "files_adopted": outcome.adopted.files,
           "files_failed": copied.failures.len(), "bytes_copied": outcome.copied.bytes.0,
           "bytes_resumed": outcome.resumed.0, "hashes_known": outcome.known, "reads_disagreed": outcome.disagreed, "bytes_repaired": outcome.repaired.bytes.0, "seconds": pieces::seconds(copied.elapsed),
           "slowed_times": outcome.slowed.times, "slowed_seconds": pieces::seconds(outcome.slowed.span),
           "streams": {"small": outcome.streams.0, "large": outcome.streams.1}, "losses": losses, "failures": pieces::failures(&copied.failures)})
}
