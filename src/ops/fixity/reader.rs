//! One group of files after the other, read from disk and judged.

use crate::digest::BlockValue;
use crate::entry::Entry;
use crate::ledger::{FileRecord, FixityFound, ReadBack};
use crate::lifecycle::fixity::{Differs, fate};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::verify::compare::Facts;
use crate::verify::{self as hand, Check, Outcome, Progress, Request};
use crate::world::{FaultKind, Fs, OsFs, Stop};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

/// Files of one group: what an interruption repeats at most.
pub(super) const GROUP_FILES: usize = 4_096;
/// Bytes of one group; a larger file is a group of its own.
pub(super) const GROUP_BYTES: u64 = 1 << 30;

/// What reads, and what it has read.
pub(super) struct Reader<'a> {
    pub stop: &'a Stop,
    pub streams: usize,
    /// Whether the times on record are those that lay at the destination.
    pub times: bool,
    pub progress: &'a dyn Fn(Progress),
    /// Of all groups so far.
    pub outcome: Outcome,
    /// Files of all groups so far.
    pub checked: Amount,
}

/// What came of one group.
pub(super) struct Group {
    /// What is not as it was recorded.
    pub found: Vec<FixityFound>,
    /// What is equal in everything.
    pub equal: Vec<ReadBack>,
}

/// One file to be read, as it should be now.
pub(super) fn check(record: FileRecord, values: Vec<BlockValue>) -> Check {
    let mut record = record;
    // Held against what was placed here: a destination may not keep times as the source had them.
    record.source.mtime = record.placed.mtime;
    // Of the entry nothing is compared but what stands in the record too.
    let entry = Entry {
        kind: record.kind,
        size: record.source.size,
        allocated: record.source.size,
        mtime: record.placed.mtime,
        ctime: record.placed.ctime,
        birth: None,
        inode: record.placed.inode,
        links: 1,
        mode: 0,
        uid: 0,
        gid: 0,
        target: None,
        error: None,
    };
    Check {
        entry,
        record,
        values,
        attributes: None,
        sha256: false,
        listed: Vec::new(),
    }
}

impl Reader<'_> {
    /// Reads one group.
    ///
    /// # Errors
    /// [`Trouble`] where everything had to stop; nothing is said of the group then.
    pub fn read(&mut self, target: &OsFs, checks: Vec<Check>) -> Result<Group, Trouble> {
        let gone = |fault| crate::copy::trouble_of(&fault);
        target.is_there().map_err(gone)?;
        let request = Request {
            target,
            stop: self.stop,
            streams: self.streams,
            facts: Facts {
                times: self.times,
                modes: false,
                owners: false,
                xattrs: false,
            },
            inodes_hold: false,
            disks: None,
        };
        let before = self.checked;
        let group: Amount = checks
            .iter()
            .map(|check| Amount::one(check.record.source.size))
            .sum();
        let ctimes: BTreeMap<RelPath, _> = checks
            .iter()
            .map(|check| (check.record.place.clone(), check.record.placed.ctime))
            .collect();
        let equal = RefCell::new(Vec::new());
        let mut note = |same: &[ReadBack]| {
            equal.borrow_mut().extend_from_slice(same);
            Ok(())
        };
        let told = |p: Progress| {
            (self.progress)(Progress {
                bytes: before.bytes.plus(p.bytes),
                files: before.files + p.files,
                small: p.small,
            });
        };
        let outcome = hand::verify(request, &mut checks.into_iter().map(Ok), &mut note, &told)?;
        if !outcome.found.is_empty() {
            // What was unmounted meanwhile is not absent.
            target.is_there().map_err(gone)?;
        }
        let found = judge(&outcome, self.times, |place| ctimes.get(place).copied());
        self.checked.add(group);
        self.add(outcome);
        Ok(Group {
            found,
            equal: equal.into_inner(),
        })
    }

    fn add(&mut self, group: Outcome) {
        let all = &mut self.outcome;
        all.read.add(group.read);
        all.checked += group.checked;
        all.equal += group.equal;
        all.due = all.due.plus(group.due);
        for (way, files) in group.ways {
            *all.ways.entry(way).or_default() += files;
        }
    }
}

/// What became of each file in which something differs. `ctime` is the one on record.
fn judge(
    outcome: &Outcome,
    times: bool,
    ctime: impl Fn(&RelPath) -> Option<crate::moment::Moment>,
) -> Vec<FixityFound> {
    let mut kinds: BTreeMap<&RelPath, (BTreeSet<&str>, &[(u64, u64)])> = BTreeMap::new();
    for one in &outcome.found {
        let (kinds, ranges) = kinds.entry(&one.place).or_default();
        kinds.insert(one.kind);
        if !one.ranges.is_empty() {
            *ranges = &one.ranges;
        }
    }
    let found = |(place, (kinds, ranges)): (&RelPath, (BTreeSet<&str>, &[(u64, u64)]))| {
        let is = |kind: &str| kinds.contains(kind);
        let fault = outcome.faults.get(place).copied();
        let denied = fault == Some(FaultKind::Denied);
        // A link or a file where a folder was: nothing below it is followed, or damaged.
        let other = fault == Some(FaultKind::WrongKind);
        let seen = Differs {
            absent: is("absent"),
            unreadable: is("unreadable") && !denied && !other,
            denied,
            kind: is("type") || other,
            size: is("size"),
            time: times.then(|| is("time")),
            content: is("content"),
        };
        let now = outcome.seen.get(place);
        Some(FixityFound {
            place: place.clone(),
            fate: fate(seen)?,
            ranges: ranges.to_vec(),
            attributes: now.zip(ctime(place)).is_some_and(|(now, kept)| now.ctime != kept),
        })
    };
    kinds.into_iter().filter_map(found).collect()
}

/// How many of these files one group holds: at least one.
pub(super) fn group_of(sizes: impl Iterator<Item = Bytes>) -> usize {
    let mut sum = 0u64;
    let fits = |size: &Bytes| {
        let first = sum == 0;
        sum = sum.saturating_add(size.0.max(1));
        first || sum <= GROUP_BYTES
    };
    sizes.take(GROUP_FILES).take_while(fits).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_group_ends_before_it_is_too_large_and_holds_one_file_at_least() {
        let group = |sizes: &[u64]| group_of(sizes.iter().map(|size| Bytes(*size)));
        assert_eq!(group(&[]), 0);
        assert_eq!(group(&[GROUP_BYTES * 3, 1]), 1);
        assert_eq!(group(&[GROUP_BYTES - 1, 1, 1]), 2);
        assert_eq!(group(&[0, GROUP_BYTES - 1, 1]), 2);
        assert_eq!(group(&vec![0; 3 * GROUP_FILES]), GROUP_FILES);
    }
}
