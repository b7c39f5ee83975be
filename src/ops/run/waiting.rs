//! Waiting: for a window, for a person, for an end that is away.

use super::Voice;
use super::memory::{Memory, stamp};
use super::news;
use crate::lifecycle::agenda::{ALARM_AFTER, Absent, Why, pause};
use crate::moment::Moment;
use crate::ops::desk::Desk;
use crate::ops::guard;
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
        Why::Held(_) | Why::Busy(_) => format!("Waiting: {}.", why.words()),
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
    loop {
        let left = until.seconds_since(desk.now());
        if left <= 0.0 || desk.stop.is_set() {
            return Ok(());
        }
        desk.clock
            .wait(Duration::from_secs_f64(left.clamp(0.01, NAP)), desk.stop);
        let edited = stamp(&desk.folder.join("move.toml")) != memory.settings;
        if edited || desk.ledger.holds(desk.now())? != holds {
            return Ok(());
        }
    }
}

/// An end was found to be away.
pub(super) fn begin(desk: &Desk<'_>, voice: &Voice<'_>, memory: &mut Memory, trouble: &Trouble) {
    let now = desk.now();
    let before = memory.absent.take();
    let (since, tries) = before.map_or((now, 0), |absent| (absent.since, absent.tries + 1));
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
}

/// Looks for an end that is away, where it is time to, and says so once it is back.
pub(super) fn look_for_absent(
    desk: &Desk<'_>,
    voice: &Voice<'_>,
    memory: &mut Memory,
) -> Result<(), Trouble> {
    let Some(absent) = memory.absent.clone() else {
        return Ok(());
    };
    let now = desk.now();
    if now < absent.next {
        return Ok(());
    }
    let away = now.seconds_since(absent.since);
    if let Err(trouble) = all_there(desk) {
        begin(desk, voice, memory, &trouble);
        if away >= ALARM_AFTER as f64 && !memory.alarmed {
            memory.alarmed = true;
            let since = absent.since.local(desk.settings.windows.zone);
            let text = format!("away since {since}, waiting: {}", trouble.text);
            news::trouble(desk, voice, None, trouble.code, &text)?;
        }
        return Ok(());
    }
    memory.absent = None;
    let since = absent.since.local(desk.settings.windows.zone);
    let text = format!("everything is there again; it was away since {since}");
    if std::mem::take(&mut memory.alarmed) {
        return news::silence_ended(desk, voice, &text);
    }
    desk.ledger.event(now, "silence-ended", &text)?;
    memory.say(voice, &format!("{}{}.", text[..1].to_uppercase(), &text[1..]));
    Ok(())
}

/// Both ends of everything, as far as their mounts say.
fn all_there(desk: &Desk<'_>) -> Result<(), Trouble> {
    for source in &desk.settings.sources {
        guard::source(desk, source)?;
    }
    for destination in &desk.settings.destinations {
        guard::destination(desk, destination)?;
    }
    Ok(())
}
