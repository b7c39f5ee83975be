//! fixity: what was released is read again months later, in slices, against the ledger or a proof
//! file alone. Nothing is written at the
//! destination but the ledger's own copy.

mod chosen;
mod feedback;
mod kept;
mod moved;
mod order;
mod reader;
mod rounds;
mod sealed;
mod strangers;
mod told;

pub use chosen::chosen;
pub use moved::Moved;
pub use rounds::{due, fixity};
pub use sealed::{ProofAsked, by_proof};
pub use told::told;

use crate::ledger::FixityFound;
use crate::lifecycle::fixity::Slice;
use crate::moment::Moment;
use crate::ops::witness::Witness;
use crate::units::{Amount, Span};
use crate::verify::Outcome;

/// What one run came to.
pub struct Reading {
    /// The dataset.
    pub name: String,
    /// The batch, where one proof alone was read against.
    pub batch: Option<String>,
    /// Where the dataset's folder was read.
    pub folder: std::path::PathBuf,
    /// What was read by this run.
    pub outcome: Outcome,
    /// What the disks delivered meanwhile.
    pub witness: Witness,
    /// How long it took.
    pub elapsed: Span,
    /// What this slice has found, what was found before an interruption included.
    pub found: Vec<FixityFound>,
    /// Files that lie at another place now, where the round has ended with this run.
    pub moved: Vec<Moved>,
    /// How much of the round is read, from 0 to 1.
    pub share: f64,
    /// When the round began.
    pub began: Moment,
    /// Whether it has ended with this run.
    pub ended: bool,
    /// Which slice of it this was.
    pub slice: Slice,
    /// Files and bytes of the round read so far.
    pub of_round: Amount,
    /// Batches of the dataset that are not verified, and were not read.
    pub skipped: Vec<String>,
    /// Why the ledger's copy at the destination was not renewed, where it was not.
    pub not_kept: Option<String>,
    /// Batches that what was found stands against: their files can still be copied again.
    pub repairable: Vec<String>,
}

impl Reading {
    /// Whether nothing was found that somebody must look at.
    pub fn is_clean(&self) -> bool {
        !self.found.iter().any(|one| one.fate.needs_you())
    }
}
