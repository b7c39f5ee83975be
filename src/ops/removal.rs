//! What a removal is asked and what it answers.

use crate::lifecycle::Reason;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::release::{Checked, Stay, Surprise};
use crate::units::Amount;
use std::cell::Cell;
use std::path::{Path, PathBuf};

/// Which of the two steps a removal takes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Step {
    /// Projects are renamed aside.
    SetAside,
    /// What lies aside is removed for good.
    Empty,
    /// Nothing is left to do, or nothing was looked at.
    #[default]
    Nothing,
}

/// What the user is asked before anything is touched.
pub struct Question<'a> {
    /// The batch whose name is to be typed.
    pub batch: &'a str,
    /// What is about to be done.
    pub step: Step,
    /// Files and bytes concerned.
    pub amount: Amount,
    /// Projects and loose files concerned.
    pub pieces: u64,
    /// The source's path.
    pub source: &'a Path,
}

/// What came of it.
pub struct Removed {
    /// The batch.
    pub name: String,
    /// What was to be done.
    pub step: Step,
    /// Why nothing was done; none: it was, as far as `surprises` lets.
    pub reasons: Vec<Reason>,
    /// What stopped it, or stands in the way.
    pub surprises: Vec<Surprise>,
    /// Files and bytes of the batch that are removed for good, by all runs.
    pub removed: Amount,
    /// Whether nothing of it is left to be removed.
    pub finished: bool,
    /// Projects and loose files that this run has set aside or brought back.
    pub moved: u64,
    /// Whether the sign-off was taken back.
    pub withdrawn: bool,
    /// The folders that hold what is aside.
    pub aside: Vec<PathBuf>,
    /// The first moment at which what is aside may be removed for good.
    pub until: Option<Moment>,
    /// What stays at the source.
    pub stays: Vec<Stay>,
}

impl Removed {
    /// The same, with so many set aside.
    pub(super) fn moving(self, moved: u64) -> Removed {
        Removed { moved, ..self }
    }
}

/// How far the comparing is, added up over all pieces.
pub(super) struct Compared<'a> {
    sum: Cell<Amount>,
    told: &'a dyn Fn(Amount),
}

impl<'a> Compared<'a> {
    /// Nothing yet; `told` hears of the sum.
    pub fn new(told: &'a dyn Fn(Amount)) -> Compared<'a> {
        let sum = Cell::default();
        Compared { sum, told }
    }

    /// Adds to it.
    pub fn add(&self, more: Amount) {
        let sum = self.sum.get().plus(more);
        self.sum.set(sum);
        (self.told)(sum);
    }
}

/// What a look at every piece has found.
#[derive(Default)]
pub(super) struct Found {
    pub step: Step,
    pub checked: Checked,
    pub here: u64,
    pub aside: u64,
    pub symlinks: u64,
}

impl Found {
    /// Nothing was looked at; this step is answered for.
    pub fn step(step: Step) -> Found {
        Found {
            step,
            ..Found::default()
        }
    }
}

/// A path of a source in full.
pub(super) fn path_at(root: &Path, below: &RelPath) -> PathBuf {
    use std::os::unix::ffi::OsStrExt;
    root.join(std::ffi::OsStr::from_bytes(below.as_bytes()))
}
