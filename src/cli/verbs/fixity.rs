//! fixity.

use super::verify_more::{byte_ranges, tell_witness, witness};
use super::{desk, verify};
use crate::cli::args::Fixity;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces};
use crate::ledger::FixityFound;
use crate::lifecycle::fixity::Part;
use crate::moment::Moment;
use crate::ops::fixity::{ProofAsked, Reading, by_proof, chosen, fixity};
use crate::trouble::Trouble;
use crate::units::{Bytes, Rate, counted, grouped};
use serde_json::{Value, json};
use std::path::Path;

/// Files that are named on the screen; JSON has them all.
const NAMED: usize = 20;

pub(super) fn run(args: &Fixity, context: &Context) -> Result<Code, Trouble> {
    let share = share(args)?;
    let readings = match &args.proof {
        Some(proof) => vec![against_proof(args, proof, share, context)?],
        None => against_ledger(args, share, context)?,
    };
    if readings.is_empty() {
        context
            .out
            .say("Nothing is verified yet that could be read again.");
    }
    let zone = crate::cli::local_zone();
    context.out.object(
        "fixity",
        json!({"datasets": readings.iter().map(|one| object(one, zone)).collect::<Vec<_>>()}),
    );
    Ok(Code::clean_if(readings.iter().all(Reading::is_clean)))
}

fn share(args: &Fixity) -> Result<Option<Part>, Trouble> {
    let Some(text) = &args.percent else {
        return Ok(None);
    };
    let wrong = || {
        let text = format!("--percent {text} is no share above 0 and up to 100");
        Trouble::usage("not-a-share", text).mend("Write it like 5 or 2.5, with four decimals at most.")
    };
    Part::percent(text).map(Some).ok_or_else(wrong)
}

fn against_ledger(args: &Fixity, share: Option<Part>, context: &Context) -> Result<Vec<Reading>, Trouble> {
    let mut desk = desk(context)?;
    let names: Vec<String> = args
        .datasets
        .iter()
        .map(|name| name.to_string_lossy().into_owned())
        .collect();
    let mut readings = Vec::new();
    for name in chosen(&desk, &names)? {
        let meter = Meter::new(&context.out, &format!("reading {name} again"), Bytes::ZERO);
        let reading = fixity(&mut desk, &name, share, &|p| {
            meter.at(p.bytes, p.files, "files", "")
        });
        meter.done();
        let reading = reading?;
        tell(context, &reading);
        readings.push(reading);
    }
    Ok(readings)
}

fn against_proof(
    args: &Fixity,
    proof: &Path,
    share: Option<Part>,
    context: &Context,
) -> Result<Reading, Trouble> {
    if args.datasets.len() > 1 {
        let text = "a proof is read against one folder";
        return Err(Trouble::usage("bad-usage", text)
            .mend("Name the folder in which its dataset lies now, or none: the proof names where it was."));
    }
    let asked = ProofAsked {
        proof,
        dataset: args.datasets.first().map(AsRef::as_ref),
        state: context.folder.as_deref(),
        share,
        clock: &context.clock,
        stop: &context.stop,
    };
    let meter = Meter::new(&context.out, "reading again", Bytes::ZERO);
    let reading = by_proof(asked, &|p| meter.at(p.bytes, p.files, "files", ""));
    meter.done();
    let reading = reading?;
    tell(context, &reading);
    Ok(reading)
}

fn tell(context: &Context, reading: &Reading) {
    let say = |line: String| context.out.say(&line);
    let read = reading.outcome.read;
    let what = match &reading.batch {
        Some(batch) => format!("Batch {batch} of dataset {}", reading.name),
        None => format!("Dataset {}", reading.name),
    };
    let rate = Rate::from_work(read.bytes, reading.elapsed);
    say(format!(
        "{what}: read {} ({}) again in {}, {rate} (read: {}).",
        counted(reading.checked, "file"),
        read.bytes,
        reading.elapsed,
        verify::how(&reading.outcome)
    ));
    if read.files > 0 {
        tell_witness(context, &reading.witness, read.bytes);
    }
    let began = reading.began.local(crate::cli::local_zone());
    match reading.ended {
        true => say(format!(
            "  The round that began {began} is complete: every file was read."
        )),
        false => say(format!(
            "  {} % of the round that began {began} is read.",
            (reading.share * 1_000.0).floor() / 10.0
        )),
    }
    if reading.checked == 0 && !reading.ended {
        say("  Nothing is due in this slice: the file read before it was larger than one.".into());
    }
    if !reading.skipped.is_empty() {
        say(format!(
            "  Not read, since not verified: {}.",
            reading.skipped.join(", ")
        ));
    }
    tell_found(context, reading);
}

fn tell_found(context: &Context, reading: &Reading) {
    let say = |line: String| context.out.say(line.trim_end());
    let (needs, listed): (Vec<&FixityFound>, Vec<_>) =
        reading.found.iter().partition(|one| one.fate.needs_you());
    if needs.is_empty() && reading.checked > 0 {
        say("  Every file read is as it was recorded.".into());
    }
    for (number, one) in needs.iter().chain(&listed).enumerate() {
        if number == NAMED {
            let more = grouped((reading.found.len() - NAMED) as u64);
            say(format!("  and {more} more; --json and the ledger have them all."));
            break;
        }
        let hand = match one.attributes && one.fate.needs_you() {
            true => "; its attributes were changed since, so somebody had a hand on it",
            false => "",
        };
        let mark = if one.fate.needs_you() { "" } else { "listed only: " };
        let (place, word, words) = (&one.place, one.fate.word(), one.fate.words());
        say(format!(
            "  {mark}{place}: {word} ({words}{hand}) {}",
            byte_ranges(&one.ranges)
        ));
    }
    if needs.is_empty() {
        return;
    }
    for batch in &reading.repairable {
        say(format!(
            "  `poolward copy {batch}` repairs what its source still has, where the file here is still ours; then verify it again."
        ));
    }
    say("  Elsewhere bring the file back from the second copy, with its time, and check the pool and its disks; the \
         next reading tells whether it is whole."
        .into());
}

fn object(reading: &Reading, zone: chrono_tz::Tz) -> Value {
    let found = |needs: bool| {
        let mine = reading.found.iter().filter(|one| one.fate.needs_you() == needs);
        mine.map(difference).collect::<Vec<_>>()
    };
    let time = |at: Moment| pieces::time(Some(at), zone);
    json!({
        "name": reading.name, "batch": reading.batch,
        "folder": pieces::text(reading.folder.as_os_str().as_encoded_bytes()),
        "files_checked": reading.checked, "bytes_read": reading.outcome.read.bytes.0,
        "read_how": verify::how(&reading.outcome), "seconds": pieces::seconds(reading.elapsed),
        "differences": found(true), "listed": found(false), "share_checked": reading.share,
        "round": {"began": time(reading.began), "ended": reading.ended, "slice": reading.slice.number,
                  "due": reading.slice.due.millionths() as f64 / 1e6, "files": reading.of_round.files,
                  "bytes": reading.of_round.bytes.0},
        "skipped": reading.skipped, "witness": witness(&reading.witness),
    })
}

fn difference(one: &FixityFound) -> Value {
    let ranges: Vec<[u64; 2]> = one.ranges.iter().map(|(a, b)| [*a, *b]).collect();
    let facts = json!({"kind": one.fate.word(), "ranges": ranges, "attributes_changed": one.attributes});
    pieces::with_path(&one.place, facts)
}
