//! What a reading means for the batches: a proof that no longer holds is taken back, so that no
//! source is let go on its strength, and a file found whole again has one again.

use crate::ledger::{BatchRow, Difference, FileRecord, FixityFound, Proof, ReadBack};
use crate::lifecycle::fixity::Fate;
use crate::lifecycle::{Event, State, after};
use crate::names::RelPath;
use crate::ops::batch;
use crate::ops::desk::Desk;
use crate::trouble::Trouble;
use std::collections::BTreeMap;

/// Lets what was found stand against its batch. Of a released batch only what its source could
/// still mend; an edit after the release is the user's own.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be written.
pub(super) fn against(desk: &mut Desk<'_>, row: &BatchRow, found: &[FixityFound]) -> Result<(), Trouble> {
    // Whoever works on the batch meanwhile may have taken it further.
    let state = batch::state_of(desk.ledger.batch(&row.name)?.as_ref());
    let stands = |one: &&FixityFound| match one.fate {
        Fate::Touched | Fate::Uninvited | Fate::Denied => false,
        Fate::Changed | Fate::Type => state == State::Verified,
        Fate::Rot | Fate::Content | Fate::Absent | Fate::Unreadable => true,
    };
    let found: Vec<&FixityFound> = found.iter().filter(stands).collect();
    if found.is_empty() {
        return Ok(());
    }
    let (id, at) = (row.id, desk.now());
    let places: Vec<RelPath> = found.iter().map(|one| one.place.clone()).collect();
    desk.ledger.mark_unproven(id, &row.dataset, &places)?;
    let mut all = desk.ledger.differences(id)?;
    all.extend(found.into_iter().map(|one| Difference {
        place: one.place.clone(),
        kind: as_verify(one.fate).to_string(),
        ranges: one.ranges.clone(),
        blocking: true,
        at,
    }));
    desk.ledger.put_differences(id, &all)?;
    if state == State::Verified {
        desk.ledger.put_proof(id, None)?;
        let next =
            after(state, Event::VerifyBegins).and_then(|state| after(state, Event::VerifyEndsUnequal))?;
        desk.ledger.set_state(id, next.word(), at)?;
    }
    Ok(())
}

/// The word under which `copy` and `release` know it.
fn as_verify(fate: Fate) -> &'static str {
    match fate {
        Fate::Absent => "absent",
        Fate::Unreadable => "unreadable",
        Fate::Type => "type",
        Fate::Rot | Fate::Changed | Fate::Content | Fate::Denied | Fate::Touched | Fate::Uninvited => {
            "content"
        }
    }
}

/// Files that had lost their proof and are whole again: brought back from a second copy, or read
/// where a cable was bad.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be written.
pub(super) fn whole_again(
    desk: &mut Desk<'_>,
    row: &BatchRow,
    proofs: &BTreeMap<RelPath, FileRecord>,
    equal: &[ReadBack],
) -> Result<(), Trouble> {
    let open = |one: &&ReadBack| {
        let record = proofs.get(&one.place);
        record.is_some_and(|record| !matches!(record.proof, Proof::Verified { .. }))
    };
    let again: Vec<ReadBack> = equal.iter().filter(open).cloned().collect();
    if again.is_empty() {
        return Ok(());
    }
    let places: Vec<RelPath> = again.iter().map(|one| one.place.clone()).collect();
    desk.ledger
        .mark_verified(row.id, &row.dataset, &again, desk.clock.now())?;
    desk.ledger.clear_differences(row.id, &places)
}
