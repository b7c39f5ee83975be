//! What is told to the user's own program, and kept in the ledger's events.

use super::Voice;
use super::memory::Memory;
use crate::lifecycle::agenda::{Facts, Need, is_aside};
use crate::ops::desk::Desk;
use crate::ops::{batch, schedule};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::notify;
use serde_json::json;
use std::time::Duration;

/// How long the user's program may take.
const LIMIT: Duration = Duration::from_secs(30);

/// What of the plan is proven, and what is still only on the old box.
#[derive(Debug, Clone, Copy, Default)]
pub struct Stake {
    /// Read back from the new disks and equal.
    pub proven: Amount,
    /// Not proven: it may exist only on the old box.
    pub only_there: Amount,
}

/// What is at stake now.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn stake(desk: &Desk<'_>) -> Result<Stake, Trouble> {
    let standings = schedule::standings(desk)?;
    let mut stake = Stake::default();
    for planned in &batch::plan(desk)?.batches {
        let standing = standings.get(planned.name.as_str()).copied().unwrap_or_default();
        stake.proven.add(standing.verified);
        let all = planned.amount.minus(standing.superseded);
        stake.only_there.add(all.minus(standing.verified));
    }
    Ok(stake)
}

/// A batch is verified.
pub(super) fn batch_done(desk: &Desk<'_>, voice: &Voice<'_>, name: &str, text: &str) -> Result<(), Trouble> {
    tell(desk, voice, "batch-done", Some(name), None, text)
}

/// Something a person should know.
pub(super) fn trouble(
    desk: &Desk<'_>,
    voice: &Voice<'_>,
    name: Option<&str>,
    code: &str,
    text: &str,
) -> Result<(), Trouble> {
    tell(desk, voice, "trouble", name, Some(code), text)
}

/// An end that was away for long is back.
pub(super) fn silence_ended(desk: &Desk<'_>, voice: &Voice<'_>, text: &str) -> Result<(), Trouble> {
    tell(desk, voice, "silence-ended", None, None, text)
}

/// Batches that wait for a person while others go on are told once each.
pub(super) fn of_batches_aside(
    desk: &Desk<'_>,
    voice: &Voice<'_>,
    memory: &mut Memory,
    facts: &Facts,
) -> Result<(), Trouble> {
    for one in facts.batches.iter().filter(|b| is_aside(b)) {
        let name = one.name.as_str();
        if memory.aside.insert(name.to_string()) {
            let code = if one.conflict { "conflict" } else { "question-open" };
            let text = format!("batch {name} is set aside for you ({code}); the others go on");
            trouble(desk, voice, Some(name), code, &text)?;
        }
    }
    Ok(())
}

/// The run ends: all is verified, or a person is needed.
pub(super) fn of_the_end(desk: &Desk<'_>, voice: &Voice<'_>, need: Option<&Need>) -> Result<(), Trouble> {
    match need {
        Some(need) => trouble(
            desk,
            voice,
            None,
            need.code,
            &format!("it has stopped: {}", need.what),
        ),
        None => tell(
            desk,
            voice,
            "finished",
            None,
            None,
            "every batch of the plan is verified",
        ),
    }
}

/// Says it, keeps it, and hands it to the user's program. Neither a program that fails nor one that
/// hangs is a reason to stop the work.
fn tell(
    desk: &Desk<'_>,
    voice: &Voice<'_>,
    event: &str,
    name: Option<&str>,
    code: Option<&str>,
    text: &str,
) -> Result<(), Trouble> {
    let stake = stake(desk)?;
    let Bytes(proven) = stake.proven.bytes;
    let Bytes(only_there) = stake.only_there.bytes;
    let now = desk.now();
    let line = match event {
        "trouble" => format!("Trouble: {text}."),
        _ => format!(
            "{}{text}. {} no longer exist only on the old box, {} still may.",
            event_words(event),
            stake.proven.bytes,
            stake.only_there.bytes
        ),
    };
    (voice.say)(&line);
    desk.ledger.event(now, event, text)?;
    if desk.settings.notify.is_empty() {
        return Ok(());
    }
    let folder = desk.folder.file_name().map(|n| n.to_string_lossy().into_owned());
    let object = json!({
        "format": 1, "event": event, "at": now.rfc3339(desk.settings.windows.zone), "move": folder,
        "batch": name, "code": code, "text": text, "bytes_proven": proven, "bytes_only_at_source": only_there,
    });
    let told = notify(
        &desk.settings.notify,
        &object.to_string(),
        LIMIT,
        desk.clock,
        desk.stop,
    );
    if let Err(why) = told {
        (voice.say)(&format!(
            "The notification did not get through: {why}. The work goes on."
        ));
        desk.ledger
            .event(now, "notify-failed", &format!("{event}: {why}"))?;
    }
    Ok(())
}

fn event_words(event: &str) -> &'static str {
    match event {
        "batch-done" => "Done: ",
        "finished" => "Finished: ",
        _ => "",
    }
}
