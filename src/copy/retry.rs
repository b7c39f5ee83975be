//! What a fault of one file means for the file and for the whole, and how to go on.

use super::Ends;
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
