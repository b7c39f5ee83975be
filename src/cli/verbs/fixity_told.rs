//! fixity: what is said of one reading, and of all that are on record.

use super::verify;
use super::verify_more::{byte_ranges, tell_witness, witness};
use crate::cli::{Context, json as pieces};
use crate::ledger::FixityFound;
use crate::lifecycle::fixity::Fate;
use crate::moment::Moment;
use crate::names::{RelPath, shown};
use crate::ops::fixity::Reading;
use crate::report::again::{Round, sentences};
use crate::report::model::ReportModel;
use crate::units::{Rate, grouped};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// Files that are named on the screen; JSON has them all.
const NAMED: usize = 20;

pub(super) fn tell(context: &Context, reading: &Reading) {
    let say = |line: String| context.out.say(&line);
    let read = reading.outcome.read;
    let what = match &reading.batch {
        // What stands in a proof may be made to play with a terminal.
        Some(batch) => format!(
            "Batch {} of dataset {}",
            shown(batch.as_bytes()),
            shown(reading.name.as_bytes())
        ),
        None => format!("Dataset {}", reading.name),
    };
    if reading.outcome.checked == 0 && !reading.ended {
        say(format!(
            "{what}: nothing is due in this slice; no file is cut, and the next one's turn comes later."
        ));
    } else {
        say(format!(
            "{what}: read {} again in {}, {} (read: {}).",
            reading.outcome.compared(),
            reading.elapsed,
            Rate::from_work(read.bytes, reading.elapsed),
            verify::how(&reading.outcome)
        ));
    }
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
    if !reading.skipped.is_empty() {
        say(format!(
            "  Not read, since not verified: {}.",
            reading.skipped.join(", ")
        ));
    }
    tell_found(context, reading);
    if let Some(why) = &reading.not_kept {
        say(format!(
            "  What was found is recorded here, but not in the ledger's copy at the destination: {why}."
        ));
    }
}

fn tell_found(context: &Context, reading: &Reading) {
    let say = |line: String| context.out.say(line.trim_end());
    let (needs, listed): (Vec<&FixityFound>, Vec<_>) =
        reading.found.iter().partition(|one| one.fate.needs_you());
    if needs.is_empty() && reading.outcome.checked > 0 {
        say("  Every file read is as it was recorded.".into());
    }
    let count = |fate: &Fate| needs.iter().filter(|one| one.fate == *fate).count() as u64;
    let kinds = Fate::ALL.iter().filter(|fate| count(fate) > 0);
    let kinds: Vec<String> = kinds
        .map(|fate| format!("{} {}", grouped(count(fate)), fate.word()))
        .collect();
    if !kinds.is_empty() {
        say(format!("  Not as recorded: {}.", kinds.join(", ")));
    }
    for one in needs.iter().chain(&listed).take(NAMED) {
        let done = match (one.attributes, one.fate) {
            (true, Fate::Rot) => "; its ctime is another too, so something was done to it",
            _ => "",
        };
        let mark = if one.fate.needs_you() { "" } else { "listed only: " };
        let (place, word, words) = (&one.place, one.fate.word(), one.fate.words());
        let ranges = byte_ranges(&one.ranges);
        say(format!("  {mark}{place}: {word} ({words}{done}) {ranges}"));
    }
    if reading.found.len() > NAMED {
        let more = grouped((reading.found.len() - NAMED) as u64);
        say(format!("  and {more} more; --json has them all."));
    }
    for one in reading.moved.iter().take(NAMED) {
        say(format!("  moved: {} lies at {} now, whole", one.from, one.to));
    }
    if reading.moved.len() > NAMED {
        let more = grouped((reading.moved.len() - NAMED) as u64);
        say(format!("  and {more} more were moved; --json has them all."));
    }
    tell_mend(context, reading, &needs);
}

/// What is to be done about it.
fn tell_mend(context: &Context, reading: &Reading, needs: &[&FixityFound]) {
    for batch in &reading.repairable {
        context.out.say(&format!(
            "  `poolward copy {batch}` repairs what its source still has, where the file here is still ours; then verify it again."
        ));
    }
    if needs.iter().any(|one| one.fate == Fate::Denied) {
        context
            .out
            .say("  Run it as a user who may read everything there.");
    }
    if needs.iter().any(|one| one.fate != Fate::Denied) {
        context.out.say(
            "  What no source can mend comes from the second copy, with its time; the next reading tells whether it \
             is whole. Where anything has rotted or cannot be read, look at the pool and its disks first.",
        );
    }
}

pub(super) fn object(reading: &Reading, zone: chrono_tz::Tz) -> Value {
    let pairs = || reading.moved.iter().map(|pair| (&pair.from, &pair.to));
    let to: BTreeMap<&RelPath, &RelPath> = pairs().collect();
    let from: BTreeMap<&RelPath, &RelPath> = pairs().map(|(from, to)| (to, from)).collect();
    let found = |needs: bool| {
        let mine = reading.found.iter().filter(|one| one.fate.needs_you() == needs);
        mine.map(|one| difference(one, &to, &from)).collect::<Vec<_>>()
    };
    let time = |at: Moment| pieces::time(Some(at), zone);
    json!({
        "name": reading.name, "batch": reading.batch,
        "folder": pieces::text(reading.folder.as_os_str().as_encoded_bytes()),
        "files_checked": reading.outcome.checked, "bytes_read": reading.outcome.read.bytes.0,
        "read_how": verify::how(&reading.outcome), "seconds": pieces::seconds(reading.elapsed),
        "differences": found(true), "listed": found(false), "share_checked": reading.share,
        "round": {"began": time(reading.began), "ended": reading.ended, "slice": reading.slice.number,
                  "due": reading.slice.due.millionths() as f64 / 1e6, "files": reading.of_round.files,
                  "bytes": reading.of_round.bytes.0},
        "skipped": reading.skipped, "witness": witness(&reading.witness),
    })
}

/// `to` and `from`: where files that were moved lie now, and lay.
fn difference(
    one: &FixityFound,
    to: &BTreeMap<&RelPath, &RelPath>,
    from: &BTreeMap<&RelPath, &RelPath>,
) -> Value {
    let ranges: Vec<[u64; 2]> = one.ranges.iter().map(|(a, b)| [*a, *b]).collect();
    let mut facts = json!({"kind": one.fate.word(), "ranges": ranges, "attributes_changed": one.attributes});
    let paired = match one.fate {
        Fate::Absent => to.get(&one.place).map(|other| ("moved_to", other)),
        Fate::Uninvited => from.get(&one.place).map(|other| ("moved_from", other)),
        _ => None,
    };
    if let Some((field, other)) = paired {
        facts[field] = pieces::with_path(other, json!({}));
    }
    pieces::with_path(&one.place, facts)
}

/// status: when each dataset was last read again.
pub(super) fn tell_on_record(context: &Context, model: &ReportModel) {
    for line in sentences(&model.read_again, model.zone) {
        context.out.say(&format!("Fixity of {line}"));
    }
}

/// The same as JSON.
pub(super) fn on_record(model: &ReportModel) -> Value {
    let round = |round: &Round| {
        let counts = round
            .found
            .iter()
            .map(|(fate, count)| (fate.word().to_string(), json!(count)));
        json!({"began": pieces::time(Some(round.began), model.zone), "ended": pieces::time(round.ended, model.zone),
               "files": round.read.files, "bytes": round.read.bytes.0, "read_how": round.how.map(|how| how.word()),
               "found": counts.collect::<Map<_, _>>()})
    };
    let rows = model.read_again.iter().map(|row| {
        json!({"dataset": row.dataset, "through": row.through.as_ref().map(round),
               "running": row.running.as_ref().map(round)})
    });
    rows.collect()
}
