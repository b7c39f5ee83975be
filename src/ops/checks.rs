//! The files of a batch that are recorded, one after the other, for reading back.

use super::batch::AtHand;
use super::expected::Expected;
use super::items::Walk;
use super::permissions::permissions;
use super::readings::Comparing;
use crate::entry::{Entry, EntryKind, Permissions};
use crate::ledger::{FileRecord, Ledger, Proof};
use crate::names::RelPath;
use crate::report::manifest::Algorithm;
use crate::trouble::Trouble;
use crate::verify::Check;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// What check files say of files, by place.
pub(super) type Listed = BTreeMap<RelPath, Vec<(Algorithm, Vec<u8>)>>;

/// Which files are read, and what is taken beside.
#[derive(Debug, Clone, Default)]
pub(super) struct Wanted {
    /// Also what is proven already.
    pub again: bool,
    /// Their SHA-256; of a file proven before it is read again for that alone.
    pub sha256: bool,
    /// What check files say.
    pub listed: Listed,
    /// Only these of the regular files, by their number in this order, from 0.
    pub picked: Option<BTreeSet<u64>>,
}

/// The files of a batch that are recorded, for reading back.
pub(super) struct Checks<'a> {
    walk: Walk<'a>,
    at_hand: &'a AtHand,
    ledger: Ledger,
    wanted: Wanted,
    /// Regular files seen so far.
    pub seen: u64,
    ready: VecDeque<Check>,
    /// Folders passed so far.
    pub folders: Vec<(RelPath, Entry)>,
    /// What may lie in each folder: what the source had there and what is recorded.
    pub expected: Expected,
    /// What files and folders should have instead of what they had.
    pub permissions: Permissions,
    /// Whether any extended attributes are kept of this batch.
    pub has_attributes: bool,
    /// Compares other readings of the source, where any are kept.
    pub comparing: Option<Comparing>,
}

impl<'a> Checks<'a> {
    pub fn new(at_hand: &'a AtHand, ledger: Ledger, wanted: Wanted) -> Result<Checks<'a>, Trouble> {
        let has_attributes = ledger.has_attributes(at_hand.row.id)?;
        let comparing = Comparing::of(&ledger, at_hand)?;
        let (ready, folders, expected) = (VecDeque::new(), Vec::new(), Expected::default());
        Ok(Checks {
            walk: Walk::new(at_hand).in_pieces(),
            at_hand,
            ledger,
            wanted,
            seen: 0,
            ready,
            folders,
            expected,
            permissions: permissions(&at_hand.permissions)?,
            has_attributes,
            comparing,
        })
    }

    fn fill(&mut self) -> Result<bool, Trouble> {
        let Some(mut folder) = self.walk.next().transpose()? else {
            return Ok(false);
        };
        let (id, dataset) = (self.at_hand.row.id, &self.at_hand.dataset.name);
        let mut records = self
            .ledger
            .some_records(id, dataset, &folder.place, folder.stretch())?;
        let mut names: BTreeSet<Vec<u8>> = records.keys().cloned().collect();
        names.extend(folder.others.iter().cloned());
        for child in std::mem::take(&mut folder.children) {
            let placed = folder.placed_name(&child.name);
            let Ok(place) = folder.place.join(placed) else {
                continue;
            };
            names.insert(placed.to_vec());
            if child.entry.kind == EntryKind::Directory {
                if child.entry.error.is_none() {
                    self.folders.push((place, child.entry));
                }
            } else if let Some(record) = records.remove(placed) {
                if let (Some(comparing), Ok(from)) = (&mut self.comparing, folder.from.join(&child.name)) {
                    comparing.see(&self.ledger, &from, &record)?;
                }
                self.push(record, child.entry)?;
            }
        }
        self.expected.add(folder.place, names);
        Ok(true)
    }

    fn push(&mut self, record: FileRecord, entry: Entry) -> Result<(), Trouble> {
        let (id, dataset) = (self.at_hand.row.id, self.at_hand.dataset.name.as_str());
        let is_file = record.kind == EntryKind::File;
        let number = self.seen;
        self.seen += u64::from(is_file);
        let sha256 = is_file && self.wanted.sha256;
        let reads = match &self.wanted.picked {
            Some(picked) => is_file && picked.contains(&number),
            None if self.wanted.again || !matches!(record.proof, Proof::Verified { .. }) => true,
            None => sha256 && self.ledger.beside(id, dataset, &record)?.sha256.is_none(),
        };
        if !reads {
            return Ok(());
        }
        let place = &record.place;
        let values = self.ledger.blocks_of(id, dataset, place)?;
        let attributes = match self.has_attributes {
            true => self.ledger.attributes_at(id, dataset, place)?,
            false => None,
        };
        let listed = self.wanted.listed.get(place).cloned().unwrap_or_default();
        self.ready.push_back(Check {
            record,
            entry: self.permissions.applied(&entry),
            values,
            attributes,
            sha256,
            listed,
        });
        Ok(())
    }
}

/// The next of a queue that `fill` fills, until it answers that there is nothing more.
pub(super) fn refilled<S, T>(
    state: &mut S,
    take: impl Fn(&mut S) -> Option<T>,
    fill: impl Fn(&mut S) -> Result<bool, Trouble>,
) -> Option<Result<T, Trouble>> {
    loop {
        if let Some(ready) = take(state) {
            return Some(Ok(ready));
        }
        match fill(state) {
            Ok(true) => {}
            Ok(false) => return None,
            Err(trouble) => return Some(Err(trouble)),
        }
    }
}

impl Iterator for Checks<'_> {
    type Item = Result<Check, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        refilled(self, |all| all.ready.pop_front(), Self::fill)
    }
}
