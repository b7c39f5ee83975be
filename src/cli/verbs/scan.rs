//! scan.

use super::desk;
use crate::cli::args::Scan;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces};
use crate::lifecycle::lost_many;
use crate::ops::changes::{Counts, Differing, changes};
use crate::ops::desk::Desk;
use crate::ops::follow;
use crate::ops::gather::survey_of;
use crate::ops::moves::{self, Found};
use crate::ops::scan::{Options, Scanned, scan};
use crate::ops::unsettled::ReadAgain;
use crate::report::words::scan_sentences;
use crate::survey::{ProjectSummary, Survey};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes, grouped};
use serde_json::{Value, json};

pub(super) fn run(args: &Scan, context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let options = Options {
        gentle: args.gentle,
        threads: args.threads.map(usize::from),
    };
    let meter = Meter::new(&context.out, "scanning", Bytes::ZERO);
    let scanned = scan(&mut desk, &args.projects, options, &|name, p| {
        meter.scanned(name, &p);
    })?;
    meter.done();
    let (mut sources, mut errors, mut clean) = (Vec::new(), Vec::new(), true);
    let mut projects = Vec::new();
    for one in &scanned {
        let survey = survey_of(&desk, &one.source, &one.index)?;
        for line in scan_sentences(&one.row.source, &survey) {
            context.out.say(&line);
        }
        errors.extend(unreadable(one)?);
        clean &= survey.counts.unreadable == 0;
        sources.push(source(one, &survey));
        projects.extend(survey.projects);
    }
    for line in scanned.iter().filter_map(fewer) {
        context.out.say(&line);
        clean = false;
    }
    for line in scanned.iter().flat_map(|one| one.read_again.words()) {
        context.out.say(&line);
    }
    clean &= scanned.iter().all(|one| one.read_again.disagree == 0);
    let moved = follows(&desk, context, &projects);
    let differing = changes(&desk, &scanned)?;
    if let Some(differing) = &differing {
        tell(context, differing);
    }
    context
        .out
        .say("Next: `poolward survey` for the details, `poolward plan` for batches and schedule.");
    context.out.object(
        "scan",
        json!({"sources": sources, "errors": errors, "changes": differing.as_ref().map(changes_object),
               "moves": pieces::moved(&moved, false)}),
    );
    Ok(Code::clean_if(clean))
}

/// Asks where a source has lost many entries since the scan before.
fn fewer(one: &Scanned) -> Option<String> {
    let (before, now) = (one.before.as_ref()?.entries, one.row.entries);
    lost_many(before, now).then(|| {
        format!(
            "{}: {} entries, {} before. Is all of it mounted? What is missing counts as gone nowhere and \
             nothing is deleted; scan again if it was not.",
            one.row.source,
            grouped(now),
            grouped(before)
        )
    })
}

/// What of begun batches is called otherwise or lies elsewhere now.
fn follows(desk: &Desk<'_>, context: &Context, projects: &[ProjectSummary]) -> Found {
    let found = follow::find(desk, projects).and_then(|renamed| {
        let moved = moves::find(desk, &renamed)?;
        Ok((renamed, moved))
    });
    match found {
        Ok((renamed, moved)) => {
            let folders = renamed.iter().map(|one| one.words(false));
            let lines = folders.chain(moved.sentences(false));
            lines.for_each(|line| context.out.say(&line));
            moved
        }
        // The scan itself is whole; `plan` stops at the same trouble.
        Err(trouble) => {
            let line = format!("Whether projects or files were renamed cannot be told: {trouble}.");
            context.out.say(&line);
            Found::default()
        }
    }
}

fn tell(context: &Context, differing: &Differing) {
    let words = |c: &Counts| {
        format!(
            "new {}, changed {}, gone {}, moved {}",
            c.new, c.changed, c.gone, c.moved
        )
    };
    context
        .out
        .say(&format!("Since the scan before: {}.", words(&differing.all)));
    for (name, counts) in &differing.batches {
        context.out.say(&format!("  Batch {name}: {}.", words(counts)));
    }
}

fn changes_object(differing: &Differing) -> Value {
    let amount = |a: Amount| json!({"files": a.files, "bytes": a.bytes.0});
    let four = |c: &Counts| {
        json!({"new": amount(c.new), "changed": amount(c.changed),
               "gone": amount(c.gone), "moved": amount(c.moved)})
    };
    let mut object = four(&differing.all);
    let named = |(name, counts): (&String, &Counts)| {
        let mut one = four(counts);
        one["name"] = json!(name);
        one
    };
    object["batches"] = differing.batches.iter().map(named).collect();
    object
}

fn source(one: &Scanned, survey: &Survey) -> Value {
    let totals = &one.index.header().totals;
    let excluded: Vec<Value> = survey
        .excluded
        .iter()
        .map(|e| json!({"rule": e.rule, "files": e.amount.files, "bytes": e.amount.bytes.0}))
        .collect();
    json!({
        "name": one.row.source, "path": one.source.path, "entries": totals.entries, "files": totals.files.files,
        "directories": totals.directories, "symlinks": totals.symlinks, "special": totals.special,
        "bytes": totals.files.bytes.0, "allocated_bytes": totals.allocated.0, "excluded": excluded,
        "boundaries": one.index.header().boundaries.len(), "unreadable": totals.unreadable,
        "inodes": one.index.header().start.inodes.word(),
        "seconds": pieces::seconds(one.elapsed), "index": one.row.file,
        "read_again": read_again(&one.read_again),
    })
}

fn read_again(found: &ReadAgain) -> Value {
    let edited: Vec<Value> = found
        .edited
        .iter()
        .map(|(path, _)| pieces::path_value(path))
        .collect();
    json!({"files": found.read.files, "bytes": found.read.bytes.0, "edited": edited,
           "disagree": found.disagree, "open": found.open})
}

/// Entries and folders that could not be read, the first thousand.
fn unreadable(one: &Scanned) -> Result<Vec<Value>, Trouble> {
    let mut errors = Vec::new();
    if one.index.header().totals.unreadable == 0 {
        return Ok(errors);
    }
    for piece in one.index.pieces() {
        let listing = piece?.listing;
        for child in &listing.children {
            if let (Some(error), Ok(path)) = (&child.entry.error, listing.folder.join(&child.name)) {
                errors.push(pieces::with_path(&path, json!({"error": error})));
            }
        }
        if errors.len() >= 1_000 {
            break;
        }
    }
    Ok(errors)
}
