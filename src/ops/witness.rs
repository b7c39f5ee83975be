//! The disks behind a destination, watched while it is read back.

use super::batch::AtHand;
use super::desk::Desk;
use crate::ledger::Witnessed;
use crate::lifecycle::witness::is_from_disk;
use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::verify::Outcome;
use crate::world::{Disks, ReadHow};

/// What the disks delivered during one reading back.
#[derive(Debug, Clone)]
pub struct Witness {
    /// The devices by name.
    pub devices: Vec<String>,
    /// Bytes that had to come from them.
    pub due: Bytes,
    /// Bytes they delivered, or why that could not be seen.
    pub delivered: Result<Bytes, String>,
}

impl Witness {
    /// What became of the count that was begun before the reading.
    pub fn of(disks: &Result<Disks, String>, outcome: &Outcome) -> Witness {
        Witness {
            devices: disks.as_ref().map(Disks::names).unwrap_or_default(),
            due: outcome.due,
            delivered: disks.as_ref().map_err(Clone::clone).and_then(Disks::delivered),
        }
    }

    /// Whether the disks cannot have been read for all that was compared.
    pub fn contradicts(&self) -> bool {
        self.delivered
            .as_ref()
            .is_ok_and(|delivered| !is_from_disk(self.due, *delivered))
    }
}

/// Records what the disks delivered since `began`. Where that contradicts the reading, nothing is
/// said any more of how it was done: neither in the ledger nor in `outcome`.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be written.
pub(super) fn settle(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    witness: &Witness,
    began: Moment,
    outcome: &mut Outcome,
) -> Result<(), Trouble> {
    if outcome.read.files == 0 {
        return Ok(());
    }
    let seen = Witnessed {
        at: desk.now(),
        due: witness.due,
        delivered: witness.delivered.clone(),
    };
    desk.ledger.put_witnessed(at_hand.row.id, &seen)?;
    if witness.contradicts() {
        desk.ledger.doubt_reading(at_hand.row.id, began)?;
        let files = outcome.ways.values().sum();
        outcome.ways = [(ReadHow::Unknown, files)].into();
    }
    Ok(())
}

/// What the disks delivered over the newest readings of a batch that together make up what is
/// `compared`; `None` where one of them was not watched.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub(super) fn delivered(desk: &Desk<'_>, id: i64, compared: Bytes) -> Result<Option<Bytes>, Trouble> {
    let (mut due, mut sum) = (Bytes::ZERO, None);
    for one in desk.ledger.witnessed(id)?.into_iter().rev() {
        let Ok(delivered) = one.delivered else {
            return Ok(None);
        };
        due = due.plus(one.due);
        sum = Some(sum.unwrap_or(Bytes::ZERO).plus(delivered));
        if is_from_disk(compared, due) {
            break;
        }
    }
    Ok(sum)
}
