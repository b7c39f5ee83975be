//! Waiting: for a window, for a person, for an end that is away.

use super::Voice;
use super::memory::{Memory, stamp};
use super::news;
use crate::ledger::EndRole;
use crate::lifecycle::agenda::{ALARM_AFTER, Absent, Why, pause};
use crate::moment::Moment;
use crate::ops::desk::Desk;
use crate::ops::{away, guard};
use crate::trouble::Trouble;
use std::time::Duration;

/// Longest sleep without a look at the clock, the settings and the holds.
const NAP: f64 = 2.0;

/// Waits until then, or until settings or holds change.
pub(super) fn wait(
    desk: &Desk<'_>,
    voice: &Voice<'_>,
    memory: &mut Memory,
    until: Moment,
    why: &Why,
) -> Result<(), Trouble> {
    let zone = desk.settings.windows.zone;
    let line = match why {
        Why::Held(_) | Why::Busy(_) | Why::Away(_) => format!("Waiting: {}.", why.words()),
        Why::Closed | Why::PutOff(_) => format!("Waiting: {}, until {}.", why.words(), until.local(zone)),
        Why::Absent(words) => {
            let since = memory.absent.as_ref().map_or(desk.now(), |absent| absent.since);
            format!("Waiting since {}: {words}.", since.local(zone))
        }
    };
    memory.say(voice, &line);
    if let Why::PutOff(name) = why {
        memory.put_off.insert(name.as_str().to_string());
    }
    let holds = desk.ledger.holds(desk.now())?;
    let out = away::out(&desk.ledger)?;
    loop {
        let left = until.seconds_since(desk.now());
        if left <= 0.0 || desk.stop.is_set() {
            return Ok(());
        }
        desk.clock
            .wait(Duration::from_secs_f64(left.clamp(0.01, NAP)), desk.stop);
        let edited = stamp(&desk.folder.join("move.toml")) != memory.settings;
        let moved = desk.ledger.holds(desk.now())? != holds || away::out(&desk.ledger)? != out;
        if edited || moved {
            return Ok(());
        }
    }
}

/// An end was found to be away.
pub(super) fn begin(
    desk: &Desk<'_>,
    voice: &Voice<'_>,
    memory: &mut Memory,
    trouble: &Trouble,
) -> Result<(), Trouble> {
    let now = desk.now();
    memory.blind = all_there(desk).is_ok();
    let before = memory.absent.take().or(memory.trying.take());
    let (since, tries) = before.map_or((now, 0), |absent| (absent.since, absent.tries.saturating_add(1)));
    memory.absent = Some(Absent {
        since,
        tries,
        next: now.plus_seconds(pause(tries)),
        words: trouble.text.clone(),
    });
    if tries == 0 {
        let mend = trouble.mend.as_deref().unwrap_or_default();
        memory.say(
            voice,
            &format!("{}. {mend} It goes on by itself then.", trouble.text),
        );
    }
    if now.seconds_since(since) >= ALARM_AFTER as f64 && !memory.alarmed {
        memory.alarmed = true;
        let since = since.local(desk.settings.windows.zone);
        let text = format!("away since {since}, waiting: {}", trouble.text);
        return news::trouble(desk, voice, None, trouble.code, &text);
    }
    Ok(())
}

/// Looks for an end that is away, where it is time to. What a look from here could not see while it
/// was away is back only once a step has worked again.
pub(super) fn look_for_absent(
    desk: &Desk<'_>,
    voice: &Voice<'_>,
    memory: &mut Memory,
) -> Result<(), Trouble> {
    if memory
        .absent
        .as_ref()
        .is_none_or(|absent| desk.now() < absent.next)
    {
        return Ok(());
    }
    match all_there(desk) {
        Err(trouble) => begin(desk, voice, memory, &trouble),
        Ok(()) => {
            memory.trying = memory.absent.take();
            match memory.blind {
                true => Ok(()),
                false => works_again(desk, voice, memory),
            }
        }
    }
}

/// What was away is back.
pub(super) fn works_again(desk: &Desk<'_>, voice: &Voice<'_>, memory: &mut Memory) -> Result<(), Trouble> {
    let Some(absent) = memory.trying.take() else {
        return Ok(());
    };
    let since = absent.since.local(desk.settings.windows.zone);
    let text = format!("everything is there again; it was away since {since}");
    if std::mem::take(&mut memory.alarmed) {
        return news::silence_ended(desk, voice, &text);
    }
    desk.ledger.event(desk.now(), "silence-ended", &text)?;
    memory.say(voice, &format!("{}.", capital(&text)));
    Ok(())
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    let first = chars.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + chars.as_str()
}

/// Both ends of everything, as far as their mounts say.
fn all_there(desk: &Desk<'_>) -> Result<(), Trouble> {
    for source in &desk.settings.sources {
        guard::source(desk, source)?;
    }
    for destination in &desk.settings.destinations {
        // One that no batch went to yet may not even be built.
        let known = desk.ledger.end(EndRole::Destination, &destination.name)?;
        if known.is_some() || destination.path.is_dir() {
            guard::destination(desk, destination)?;
        }
    }
    Ok(())
}
