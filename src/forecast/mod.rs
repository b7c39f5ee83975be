//! When each batch will be done: rates, windows, simulation, fit and comparison.
//!
//! Pure: `now` is handed in, the plan is never changed. Bytes are integers coming in and going
//! out; seconds and rates are floats inside.
//!
//! - [`link`]: what a link carries. [`windows`]: when work may run.
//! - [`rates`]: what each stage can do and how that is known. [`demand`]: what a copy or a
//!   verification needs of them. [`fair`]: how they share.
//! - [`simulate`]: the schedule and when it ends. [`spread`]: how sure that is.
//! - [`streams`]: how many at once. [`fit`]: rates from the work done so far. [`whatif`]: other conditions side by side.

pub mod demand;
pub mod fair;
pub mod fit;
pub mod linalg;
pub mod link;
pub mod rates;
pub mod simulate;
pub mod spread;
pub mod streams;
pub mod whatif;
pub mod windows;

use crate::names::BatchName;
use crate::units::{Amount, Bytes};

/// One batch, as the forecast sees it: what is left of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Job {
    /// Its name.
    pub name: BatchName,
    /// Which source, by its place in `move.toml`.
    pub source: usize,
    /// What is still to be copied.
    pub amount: Amount,
    /// The part of `amount` that is files under 1 MiB.
    pub small: Amount,
    /// Its largest file still to be copied; 0 where not known.
    pub largest: Bytes,
    /// What is copied already and waits only for verification.
    pub copied: Amount,
    /// The part of `copied` that is files under 1 MiB.
    pub copied_small: Amount,
    /// Whether it is verified once copied.
    pub verify: bool,
}

impl Job {
    /// A batch of which nothing is copied yet.
    pub fn new(name: BatchName, source: usize, amount: Amount, small: Amount, verify: bool) -> Job {
        Job {
            name,
            source,
            amount,
            small,
            largest: Bytes::ZERO,
            copied: Amount::default(),
            copied_small: Amount::default(),
            verify,
        }
    }
}

/// A figure with its 90 % range: one time in twenty below `low`, one in twenty above `high`.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Range<T> {
    /// Lower end.
    pub low: T,
    /// As likely above as below.
    pub likely: T,
    /// Upper end.
    pub high: T,
}
