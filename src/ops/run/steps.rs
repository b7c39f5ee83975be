//! One step, done with the operation a person would have called.

use super::Voice;
use super::memory::Memory;
use super::watch::Watch;
use super::{news, replan};
use crate::lifecycle::agenda::{Need, Reading};
use crate::lifecycle::{State, lost_many};
use crate::ops::desk::Desk;
use crate::ops::scan::{Options, scan};
use crate::ops::{batch, copy, schedule, verify};
use crate::trouble::Trouble;
use crate::units::{Bytes, counted, grouped};
use std::time::Duration;

/// Between two tries of a step that could do nothing.
const BREATH: Duration = Duration::from_secs(1);

pub(super) fn copy(
    desk: &mut Desk<'_>,
    voice: &Voice<'_>,
    memory: &mut Memory,
    name: &str,
) -> Result<(), Trouble> {
    let repairs = memory.readings.get(name) == Some(&Reading::Unequal) || is_unequal(desk, name)?;
    let verb = if repairs { "Repairing" } else { "Copying" };
    let what = format!("{verb} batch {name}");
    memory.say(voice, &format!("{what}."));
    let watch = Watch::new(desk, voice, Some(name), &what, false)?;
    (voice.begins)(&what, left(desk, name)?);
    let before = disagreements(desk, name)?;
    let copied = copy::copy_in_this_window(desk, name, &|p| watch.at(p.bytes, p.files));
    (voice.ends)();
    desk.stop.clear();
    if disagreements(desk, name)? > before {
        memory.stuck = Some(reads_disagree(name));
    }
    let copied = copied?;
    if copied.outcome.shut {
        let text = format!(
            "Batch {name}: the window has closed; {} came over in it.",
            copied.outcome.copied
        );
        memory.say(voice, &text);
        if copied.outcome.copied.files == 0 {
            desk.clock.wait(BREATH, desk.stop);
        }
        return Ok(());
    }
    if repairs {
        memory.readings.insert(name.to_string(), Reading::Repaired);
    }
    memory.say(
        voice,
        &format!(
            "Batch {name}: copied {} in {}; {} lay there already.",
            copied.outcome.copied,
            copied.elapsed,
            grouped(copied.already)
        ),
    );
    if !copied.failures.is_empty() {
        let failed = counted(copied.failures.len() as u64, "file");
        let text =
            format!("batch {name}: {failed} could not be copied; `poolward status --left-behind` lists them");
        news::trouble(desk, voice, Some(name), "files-failed", &text)?;
    }
    Ok(())
}

/// Memory, a cable or a controller is bad (hazard C2): whatever else was read may be wrong too.
fn reads_disagree(name: &str) -> Need {
    Need {
        code: "reads-disagree",
        what: format!("an unchanged file of batch {name} gave different content from one read to the next"),
        mend: "Check memory, cables and controller of both machines before going on.".into(),
    }
}

/// How often reads of a batch's source have disagreed so far.
fn disagreements(desk: &Desk<'_>, name: &str) -> Result<u64, Trouble> {
    let row = desk.ledger.batch(name)?;
    row.map_or(Ok(0), |row| desk.ledger.count_disagreements(&row.source))
}

fn is_unequal(desk: &Desk<'_>, name: &str) -> Result<bool, Trouble> {
    let Some(row) = desk.ledger.batch(name)? else {
        return Ok(false);
    };
    Ok(batch::state_of(Some(&row)) == State::Copied
        && desk.ledger.differences(row.id)?.iter().any(|d| d.blocking))
}

fn left(desk: &Desk<'_>, name: &str) -> Result<Bytes, Trouble> {
    let plan = batch::plan(desk)?;
    let planned = plan.batches.iter().find(|b| b.name.as_str() == name);
    let there = schedule::standings(desk)?.get(name).copied().unwrap_or_default();
    let left = planned.map(|b| b.amount.minus(there.copied).minus(there.superseded));
    Ok(left.unwrap_or_default().bytes)
}

pub(super) fn verify(
    desk: &mut Desk<'_>,
    voice: &Voice<'_>,
    memory: &mut Memory,
    name: &str,
) -> Result<(), Trouble> {
    let what = format!("Reading back batch {name}");
    memory.say(voice, &format!("{what}."));
    let there = schedule::standings(desk)?.get(name).copied().unwrap_or_default();
    let watch = Watch::new(desk, voice, Some(name), &what, true)?;
    (voice.begins)(&what, there.copied.minus(there.verified).bytes);
    let verified = verify::verify(desk, name, verify::How::default(), &|p| {
        watch.at(p.bytes, p.files)
    });
    (voice.ends)();
    desk.stop.clear();
    let verified = verified?;
    if verified.state == State::Verified {
        memory.readings.remove(name);
        let (read, elapsed) = (verified.outcome.read, verified.elapsed);
        let text = format!("batch {name} is verified: {read} read back in {elapsed}, every file equal");
        return news::batch_done(desk, voice, name, &text);
    }
    let before = memory.readings.insert(name.to_string(), Reading::Unequal);
    let differences = counted(verified.differences.len() as u64, "difference");
    let mut text =
        format!("batch {name} is not equal: {differences}; it is repaired and read back once more");
    if before == Some(Reading::Repaired) {
        memory.readings.insert(name.to_string(), Reading::UnequalAgain);
        text = format!("batch {name} is still not equal after the repair: {differences}");
    }
    news::trouble(desk, voice, Some(name), "differences", &text)
}

pub(super) fn rescan(desk: &mut Desk<'_>, voice: &Voice<'_>, memory: &mut Memory) -> Result<(), Trouble> {
    memory.say(voice, "Scanning the sources again.");
    let watch = Watch::new(desk, voice, None, "Scanning", true)?;
    (voice.begins)("Scanning", Bytes::ZERO);
    let scanned = scan(desk, &[], Options::default(), &|_, p| {
        watch.at(p.bytes, p.entries)
    });
    (voice.ends)();
    desk.stop.clear();
    let scanned = scanned?;
    let fewer = |one: &crate::ops::scan::Scanned| {
        let before = one.before.as_ref()?.entries;
        let counts = (one.row.source.clone(), grouped(before), grouped(one.row.entries));
        lost_many(before, one.row.entries).then_some(counts)
    };
    let lost = scanned.iter().find_map(fewer);
    for one in scanned {
        memory.say(
            voice,
            &format!(
                "Scanned {}: {} in {}.",
                one.row.source, one.row.amount, one.elapsed
            ),
        );
        for line in one.read_again.words() {
            memory.say(voice, &line);
        }
    }
    memory.scanned_on = desk.settings.windows.local_date(desk.now());
    if let Some((name, before, now)) = lost {
        let text = format!(
            "the scan of {name} found {now} entries, {before} before: is all of it mounted? The plan stays as it was"
        );
        return news::trouble(desk, voice, None, "entries-lost", &text);
    }
    replan::again(desk, voice, memory)
}
