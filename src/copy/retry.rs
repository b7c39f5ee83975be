//! What a fault of one file means for the file and for the whole, and how to go on.

use super::Ends;
use crate::names::shown;
use crate::trouble::Trouble;
use crate::world::{Course, Fault, FaultKind};
use std::time::Duration;

/// Pauses before the second and the third try. A disk that remaps a sector answers within
/// seconds (common practice, no source).
pub(super) const PAUSES: [Duration; 2] = [Duration::from_millis(500), Duration::from_secs(3)];

/// Tries up to three times what may pass: a medium error, a file that changes under us.
pub(super) fn patiently<T>(ends: Ends<'_>, mut work: impl FnMut() -> Result<T, Fault>) -> Result<T, Fault> {
    for pause in PAUSES {
        match work() {
            Err(fault) if may_pass(&fault) && !ends.stop.is_set() => ends.clock.wait(pause, ends.stop),
            other => return other,
        }
    }
    work()
}

/// A fault of a kind that a mount gives when it goes: looks whether both ends are still there, and
/// answers with that fault where one is not. Else every file would fail one by one.
pub(super) fn weigh(ends: Ends<'_>, fault: Fault) -> Fault {
    match fault.kind {
        FaultKind::Medium | FaultKind::NotFound | FaultKind::Other => {
            let there = ends.source.is_there().and_then(|()| ends.target.is_there());
            there.err().unwrap_or(fault)
        }
        _ => fault,
    }
}

/// The same for a part of a file: what has changed under us does not pass here, since the parts
/// before it are of another state.
pub(super) fn patiently_a_part<T>(
    ends: Ends<'_>,
    mut work: impl FnMut() -> Result<T, Fault>,
) -> Result<T, Fault> {
    let part = patiently(ends, || match work() {
        Err(fault) if fault.kind == FaultKind::Changed => Ok(Err(fault)),
        other => other.map(Ok),
    });
    part.and_then(|inner| inner)
}

/// Whether a file that changed under us, in its `tries`-th try, is begun anew after a pause.
pub(super) fn begins_anew(ends: Ends<'_>, fault: &Fault, tries: usize) -> bool {
    let pause = PAUSES.get(tries).filter(|_| fault.kind == FaultKind::Changed);
    let Some(pause) = pause.filter(|_| !ends.stop.is_set()) else {
        return false;
    };
    ends.clock.wait(*pause, ends.stop);
    !ends.stop.is_set()
}

fn may_pass(fault: &Fault) -> bool {
    fault.course() == Course::Retry || fault.kind == FaultKind::Changed
}

/// Why everything stops, with what to do about it.
pub fn trouble_of(fault: &Fault) -> Trouble {
    let name = shown(&fault.name);
    let trouble = |code, mend: &str| {
        Trouble::stopped(code, fault.to_string())
            .at(fault.name.clone())
            .mend(mend)
    };
    match fault.kind {
        FaultKind::NoSpace => trouble(
            "no-space",
            "Make room at the destination (or raise its quota), then run the same command again; what was placed stays placed.",
        ),
        FaultKind::ReadOnly => trouble(
            "read-only",
            "Mount the destination for writing, then run the same command again.",
        ),
        FaultKind::Gone => trouble(
            "mount-gone",
            "Mount it again, then run the same command again; it goes on where it was.",
        ),
        FaultKind::Crash => Trouble::interrupted(),
        FaultKind::Denied => trouble(
            "denied",
            "Run as a user who may read the source and write the destination.",
        ),
        FaultKind::Medium => trouble(
            "medium",
            "Check the disks and cables of that side before going on.",
        ),
        FaultKind::NotFound
        | FaultKind::Exists
        | FaultKind::Changed
        | FaultKind::Another
        | FaultKind::Disagrees
        | FaultKind::NotEmpty
        | FaultKind::NameRefused
        | FaultKind::TooLarge
        | FaultKind::WrongKind
        | FaultKind::Unsupported
        | FaultKind::Busy
        | FaultKind::Other => Trouble::stopped("copy-stopped", fault.to_string())
            .at(fault.name.clone())
            .mend(format!("Look at {name}, then run the same command again.")),
    }
}
