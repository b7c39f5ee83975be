//! When a copy may run: the wait for the next window, and what is said beside it.

use super::batch::AtHand;
use super::desk::Desk;
use super::items::Walk;
use crate::copy::Pace;
use crate::entry::{EntryKind, Named};
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::sync::Arc;
use std::time::Duration;

/// Longest sleep without a look at the wall clock, which may be set or wake from a suspend.
const NAP: f64 = 30.0;
/// Files that are read in turn to see whether the source is busy.
const KNOWN_FILES: usize = 64;

/// The pace of one batch: inside the user's hours or at any time, and yielding where that is set.
///
/// # Errors
/// [`Trouble`] where the index cannot be read.
pub fn pace(desk: &Desk<'_>, at_hand: &AtHand, in_windows: bool) -> Result<Arc<Pace>, Trouble> {
    let pace = match in_windows {
        true => Pace::within(desk.settings.windows.clone()),
        false => Pace::free(),
    };
    match desk.settings.yield_to_others {
        true => Ok(Arc::new(pace.yielding(known_files(at_hand)?))),
        false => Ok(Arc::new(pace)),
    }
}

/// Some files of a batch that are large enough to be read at many places.
fn known_files(at_hand: &AtHand) -> Result<Vec<RelPath>, Trouble> {
    let mut found = Vec::new();
    for folder in Walk::new(at_hand).in_pieces() {
        let folder = folder?;
        let large = |child: &&Named| child.entry.kind == EntryKind::File && child.entry.size.0 >= 4096;
        let paths = folder.children.iter().filter(large);
        found.extend(paths.filter_map(|child| folder.from.join(&child.name).ok()));
        if found.len() >= KNOWN_FILES {
            break;
        }
    }
    found.truncate(KNOWN_FILES);
    Ok(found)
}

/// Waits until work may run; says once what it waits for.
///
/// # Errors
/// `never-opens` where no window opens any more, or an interruption.
pub fn wait(desk: &Desk<'_>, say: &dyn Fn(&str)) -> Result<(), Trouble> {
    let windows = &desk.settings.windows;
    let mut told = None;
    while !windows.is_open_at(desk.now()) {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        let Some(next) = windows.next_opening(desk.now()) else {
            return Err(
                Trouble::stopped("never-opens", "no window of move.toml opens any more")
                    .mend("Correct [[window]], [[blackout]] or `starts` in move.toml, or copy without --in-windows."),
            );
        };
        if told != Some(next.start) {
            let at = next.start.local(windows.zone);
            say(&format!("Waiting until {at}, when the next window opens."));
            told = Some(next.start);
        }
        let left = next.start.seconds_since(desk.now()).clamp(0.01, NAP);
        desk.clock.wait(Duration::from_secs_f64(left), desk.stop);
    }
    Ok(())
}

/// What somebody who copies without regard to the hours should know; `None` where there are none.
pub fn beside(desk: &Desk<'_>) -> Option<String> {
    let windows = &desk.settings.windows;
    match windows.limit_at(desk.now()) {
        Some(None) => None,
        Some(Some(limit)) => Some(format!(
            "Copying at full speed: the limit of the window that is open, {limit}, holds with --in-windows."
        )),
        None => {
            let next = windows.next_opening(desk.now());
            let next = next.map_or_else(
                || "none opens any more".to_string(),
                |next| format!("the next opens {}", next.start.local(windows.zone)),
            );
            Some(format!(
                "Copying now and at full speed, outside the windows of move.toml; {next}. --in-windows waits for it."
            ))
        }
    }
}

/// Why a batch ended before it was done.
pub fn closed(desk: &Desk<'_>, name: &str) -> Trouble {
    let next = desk.settings.windows.next_opening(desk.now());
    let next = next.map_or_else(String::new, |next| {
        format!(
            "; the next opens {}",
            next.start.local(desk.settings.windows.zone)
        )
    });
    Trouble::stopped(
        "window-closed",
        format!("the window has closed before the batch {name} was done{next}"),
    )
    .mend("Run `copy --in-windows` again then; it goes on where it was. With `spanning = true` it waits by itself.")
}
