//! What may happen to a batch, what remains to be done, and when a source may be let go.
//!
//! Pure functions of facts: the ledger says what happened, here is decided what it means. In doubt
//! means not done.

pub mod agenda;
#[cfg(test)]
mod agenda_tests;
pub mod cutover;
pub mod fixity;
#[cfg(test)]
mod fixity_tests;
pub mod follow;
#[cfg(test)]
mod follow_tests;
mod gate;
pub mod moves;
#[cfg(test)]
mod moves_tests;
mod outstanding;
mod reads;
pub mod removal;
pub mod sampling;
mod states;
#[cfg(test)]
mod tests;
pub mod waybills;
#[cfg(test)]
mod waybills_tests;
pub mod witness;

pub use gate::{Gate, READS_DISAGREE, Reason, Removal, gate};
pub use outstanding::{
    COARSEST, Fact, Remains, is_covered, is_later_read, is_racy, lost_many, remains, settles,
};
pub use reads::{Stands, settle};
pub use states::{Event, Flags, State, after};
