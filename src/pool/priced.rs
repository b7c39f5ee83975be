//! What some files take on one layout at every choice: a short row of figures that adds up, so that
//! thousands of projects can be priced one by one and put together by batch, dataset and pool.

use crate::pool::layout::Layout;
use crate::pool::records::Choice;
use crate::pool::tally::{SpaceTally, Taken};
use crate::units::Bytes;

/// Where half the bytes lie in whole records of this size, the files are read from end to end, and
/// OpenZFS advises 1M for such (Workload Tuning, "dataset recordsize").
pub(crate) const SEQUENTIAL: u64 = 1 << 20;

/// Prices by choice, of one layout.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Priced {
    by_choice: Vec<(Choice, Taken)>,
    content: u128,
    long: u128,
}

impl Priced {
    /// Of what was pushed into a tally.
    pub fn of(tally: &SpaceTally, layout: Layout) -> Priced {
        Priced {
            by_choice: tally.taken_by_choice(layout),
            content: u128::from(tally.content().0),
            long: tally.long_bytes(SEQUENTIAL),
        }
    }

    /// Adds what other files take on the same layout.
    pub fn add(&mut self, other: &Priced) {
        if self.by_choice.is_empty() {
            self.by_choice.clone_from(&other.by_choice);
        } else {
            for ((_, mine), (_, theirs)) in self.by_choice.iter_mut().zip(&other.by_choice) {
                mine.used = mine.used.plus(theirs.used);
                mine.alloc = mine.alloc.plus(theirs.alloc);
            }
        }
        self.content += other.content;
        self.long += other.long;
    }

    /// All choices with their prices; none where nothing was added.
    pub fn by_choice(&self) -> &[(Choice, Taken)] {
        &self.by_choice
    }

    /// The price of one choice.
    pub fn taken(&self, choice: Choice) -> Taken {
        let found = self.by_choice.iter().find(|(known, _)| *known == choice);
        found.map_or_else(Taken::default, |(_, taken)| *taken)
    }

    /// Logical bytes.
    pub fn content(&self) -> Bytes {
        Bytes(u64::try_from(self.content).unwrap_or(u64::MAX))
    }

    /// Whether at least half the bytes lie in whole records of 1 MiB.
    pub(crate) fn mostly_long(&self) -> bool {
        self.long > 0 && self.long * 2 >= self.content
    }
}
