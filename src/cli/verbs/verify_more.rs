//! verify: what is said beside the comparison itself.

use crate::cli::{Context, json as pieces};
use crate::ledger::{CheckFileRow, Disagreement};
use crate::ops::readings::Readings;
use crate::ops::second_read::SecondRead;
use crate::ops::verify::Verified;
use crate::ops::witness::Witness;
use crate::units::{Bytes, counted, grouped};
use serde_json::{Value, json};

/// Differing files of a check file that are named.
const NAMED: usize = 10;

/// Whether other readings of the source, where there were any, gave the same.
pub(super) fn agrees(verified: &Verified) -> bool {
    let quiet = |second: &SecondRead| second.disagree.is_empty() && second.unreadable.is_empty();
    verified.readings.disagree.is_empty() && verified.second_read.as_ref().is_none_or(quiet)
}

/// Byte ranges in words, ends exclusive.
pub(super) fn byte_ranges(ranges: &[(u64, u64)]) -> String {
    let words = ranges.iter().map(|(a, b)| format!("bytes {a} to {b}"));
    words.collect::<Vec<_>>().join(", ")
}

/// Everything beside the comparison.
pub(super) fn tell(context: &Context, verified: &Verified) {
    let read = verified.outcome.read;
    if read.files > 0 {
        tell_witness(context, &verified.witness, read.bytes);
    }
    let sha256 = verified.sha256;
    if sha256.known > 0 && sha256.known < sha256.of {
        context.out.say(&format!(
            "  SHA-256 is known of {} of {} files; the manifest is written when it is known of all (verify {} --sha256).",
            sha256.known, sha256.of, verified.name
        ));
    }
    verified
        .check_files
        .iter()
        .for_each(|list| tell_list(context, list));
    tell_readings(context, &verified.readings);
    if let Some(second) = &verified.second_read {
        tell_second(context, second);
    }
}

/// What the disks delivered beside what was compared.
pub(super) fn tell_witness(context: &Context, witness: &Witness, read: Bytes) {
    context.out.say(&match &witness.delivered {
        Ok(delivered) => format!(
            "  Compared {read}; the disks delivered {delivered} ({}). Other readers can only add to that.",
            witness.devices.join(", ")
        ),
        Err(why) => format!("  Compared {read}; the disks could not be watched: {why}."),
    });
    if witness.contradicts() {
        context.out.say(&format!(
            "  That is too little for the {} that had to come from them: part came from memory, so it does not \
             count as read from disk. Verify again with --again when other data has passed through.",
            witness.due
        ));
    }
}

fn tell_list(context: &Context, list: &CheckFileRow) {
    let year = list
        .mtime
        .year(chrono_tz::UTC)
        .map(|year| format!("{} ", year.0))
        .unwrap_or_default();
    let mut line = format!(
        "  {} match their {year}list {}",
        counted(list.same, "file"),
        list.place
    );
    let parts = [
        (
            list.differing.len() as u64,
            "differ (as before the move; nothing is repaired)",
        ),
        (list.absent, "are not there any more"),
        (list.uncompared, "were not read since (--again reads them)"),
        (list.unread, "of its lines say nothing we can read"),
    ];
    for (count, words) in parts.into_iter().filter(|(count, _)| *count > 0) {
        line.push_str(&format!(", {} {words}", grouped(count)));
    }
    context.out.say(&format!("{line}."));
    for place in list.differing.iter().take(NAMED) {
        context.out.say(&format!("    {place} is not what the list says"));
    }
}

fn tell_readings(context: &Context, readings: &Readings) {
    if readings.agree > 0 {
        let files = counted(readings.agree, "file");
        context.out.say(&format!(
            "  {files} read at the source at another time too: both readings agree."
        ));
    }
    tell_disagree(context, &readings.disagree);
    for path in readings.edited.iter().take(NAMED) {
        context.out.say(&format!(
            "  {path} was edited at the source right after it was copied; `poolward plan` brings it"
        ));
    }
}

fn tell_disagree(context: &Context, disagree: &[Disagreement]) {
    for one in disagree {
        let words = (third(&one.settled_by), byte_ranges(&one.ranges));
        context
            .out
            .say(format!("  {}: {} {}", one.path, words.0, words.1).trim_end());
    }
    if !disagree.is_empty() {
        context.out.say(
            "  Two reads of an unchanged file differ: memory, a cable or a controller is bad. Delete nothing at this \
             source until that is found; its release is shut.",
        );
    }
}

fn tell_second(context: &Context, second: &SecondRead) {
    context.out.say(&format!(
        "  Source read again: {}; two independent reads agree on {}.",
        second.read,
        counted(second.agree, "file")
    ));
    tell_disagree(context, &second.disagree);
    for (places, words) in [
        (&second.changed, "changed at the source since it was copied"),
        (&second.unreadable, "could not be read again"),
    ] {
        places
            .iter()
            .take(NAMED)
            .for_each(|place| context.out.say(&format!("  {place} {words}")));
    }
}

/// What a third read says, in words that follow the file's name.
fn third(settled_by: &str) -> &'static str {
    match settled_by {
        "earlier-read" => "a third read agrees with the copy; the second was wrong",
        "later-read" => "a third read agrees with the second; the copy was read wrong",
        _ => "no third read bears out one of them",
    }
}

/// The witness as JSON.
pub(super) fn witness(witness: &Witness) -> Value {
    let delivered = witness.delivered.as_ref();
    json!({"devices": witness.devices, "due_bytes": witness.due.0,
           "delivered_bytes": delivered.ok().map(|bytes| bytes.0),
           "enough": delivered.ok().map(|_| !witness.contradicts()), "unknown": delivered.err()})
}

/// Check files as JSON.
pub(super) fn check_files(verified: &Verified) -> Value {
    let one = |list: &CheckFileRow| {
        let differing: Vec<Value> = list.differing.iter().map(pieces::path_value).collect();
        let counts = json!({"same": list.same, "differing": differing, "absent": list.absent,
                            "uncompared": list.uncompared, "unread": list.unread});
        pieces::with_path(&list.place, counts)
    };
    verified.check_files.iter().map(one).collect()
}

/// The second reading as JSON, null where there was none.
pub(super) fn second_read(verified: &Verified) -> Value {
    let Some(second) = &verified.second_read else {
        return Value::Null;
    };
    let paths = |places: &[crate::names::RelPath]| places.iter().map(pieces::path_value).collect::<Value>();
    json!({"files": second.read.files, "bytes": second.read.bytes.0, "agree": second.agree,
           "disagree": disagreements(&second.disagree), "changed": paths(&second.changed),
           "unreadable": paths(&second.unreadable)})
}

/// Other readings of the source as JSON.
pub(super) fn readings(readings: &Readings) -> Value {
    let edited: Vec<Value> = readings.edited.iter().map(pieces::path_value).collect();
    json!({"agree": readings.agree, "disagree": disagreements(&readings.disagree), "edited": edited})
}

fn disagreements(found: &[Disagreement]) -> Value {
    let one = |one: &Disagreement| {
        let ranges: Vec<[u64; 2]> = one.ranges.iter().map(|(a, b)| [*a, *b]).collect();
        pieces::with_path(&one.path, json!({"settled_by": one.settled_by, "ranges": ranges}))
    };
    found.iter().map(one).collect()
}
