//! The running totals of one project.

use crate::entry::Entry;
use crate::moment::Moment;
use crate::names::SourceName;
use crate::sizes::SizeHistogram;
use crate::survey::dates::DateTally;
use crate::survey::kinds;
use crate::survey::samples::Samples;
use crate::survey::{Kind, ProjectDate, ProjectKey, ProjectSummary};
use crate::units::Amount;
use std::collections::BTreeSet;

/// Files and bytes by kind, a fixed array.
#[derive(Debug, Clone, Default)]
pub struct KindTotals([Amount; kinds::ALL.len()]);

impl KindTotals {
    /// Counts one file.
    pub fn push(&mut self, kind: Kind, amount: Amount) {
        if let Some(total) = self.0.get_mut(kind as usize) {
            total.add(amount);
        }
    }

    /// Adds all of another.
    pub fn merge(&mut self, other: &KindTotals) {
        for (mine, theirs) in self.0.iter_mut().zip(&other.0) {
            mine.add(*theirs);
        }
    }

    /// Largest first by bytes, then files; empty ones left out.
    pub fn sorted(&self) -> Vec<(Kind, Amount)> {
        let mut rows: Vec<(Kind, Amount)> = kinds::ALL
            .into_iter()
            .zip(self.0)
            .filter(|(_, amount)| amount.files > 0)
            .collect();
        rows.sort_by_key(|(_, amount)| std::cmp::Reverse((amount.bytes, amount.files)));
        rows
    }
}

/// One project while entries come in.
#[derive(Debug)]
pub struct ProjectState {
    /// Which.
    pub key: ProjectKey,
    /// Files to be moved.
    pub amount: Amount,
    /// Folders, symlinks and the like.
    pub others: u64,
    /// The spread of sizes.
    pub sizes: SizeHistogram,
    /// By kind.
    pub kinds: KindTotals,
    /// Newest plausible time of a file.
    pub newest: Option<Moment>,
    /// Evidence for its date.
    pub dates: DateTally,
    /// Files whose headers are worth reading.
    pub samples: Samples,
    /// Projects it shares inodes with, by number.
    pub linked: BTreeSet<usize>,
}

impl ProjectState {
    /// An empty one.
    pub fn new(key: ProjectKey) -> ProjectState {
        ProjectState {
            key,
            amount: Amount::default(),
            others: 0,
            sizes: SizeHistogram::default(),
            kinds: KindTotals::default(),
            newest: None,
            dates: DateTally::default(),
            samples: Samples::default(),
            linked: BTreeSet::new(),
        }
    }

    /// Counts one file of this kind; `plausible` says whether its time can be believed.
    pub fn push_file(&mut self, entry: &Entry, kind: Kind, plausible: bool) {
        let amount = Amount::one(entry.size);
        self.amount.add(amount);
        self.sizes.push(entry.size);
        self.kinds.push(kind, amount);
        if plausible && self.newest.is_none_or(|newest| entry.mtime > newest) {
            self.newest = Some(entry.mtime);
        }
    }

    /// Says that the walk has left it: what is kept for a date takes no more room than it needs.
    /// More may still come in.
    pub fn leave(&mut self) {
        self.dates.shrink();
        self.samples.pack();
        self.sizes.shrink();
    }

    /// The finished summary.
    pub fn summary(
        self,
        source: &SourceName,
        date: ProjectDate,
        linked_with: Vec<ProjectKey>,
    ) -> ProjectSummary {
        ProjectSummary {
            source: source.clone(),
            key: self.key,
            amount: self.amount,
            others: self.others,
            sizes: self.sizes,
            kinds: self.kinds.sorted(),
            newest: self.newest,
            date,
            linked_with,
        }
    }
}
