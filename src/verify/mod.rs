//! The hand that reads back: every copied file from its disks, compared with what was recorded.
//!
//! Files are read past the page cache where the file system lets us, and it is said how; large
//! ones by all workers at once, block by block, so that a difference names its range. What is
//! compared is decided in [`compare`]; nothing is repaired here: a difference is a fact that the
//! next copy finds outstanding.

pub mod compare;
mod others;
mod reading;
mod uninvited;
mod worker;

use crate::digest::{BlockValue, Digest};
use crate::entry::{Entry, EntryKind};
use crate::ledger::{Attributes, FileRecord, ReadBack};
use crate::lifecycle::witness::{due, is_from_disk};
use crate::names::RelPath;
use crate::report::manifest::Algorithm;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::trouble_of;
use crate::world::{Course, Disks, Fault, FaultKind, Fs, ReadHow, Stop};
use compare::Facts;
use std::collections::{BTreeMap, BTreeSet};

pub use reading::read;
pub use uninvited::{Uninvited, is_by_product, uninvited};
pub use worker::PIECE;

/// Files between two notes of progress in the ledger.
const NOTE_EVERY: usize = 4_096;
/// Bytes between two notes of progress in the ledger.
const NOTE_BYTES: u64 = 4 << 30;

/// One file or symlink to be read back.
#[derive(Debug, Clone)]
pub struct Check {
    /// What was recorded of it.
    pub record: FileRecord,
    /// What it is at the source by the index: mode, owner, number of names.
    pub entry: Entry,
    /// Chaining values of a large file; empty where none are kept.
    pub values: Vec<BlockValue>,
    /// Extended attributes that were set and kept.
    pub attributes: Option<Attributes>,
    /// Whether its SHA-256 is taken in the same read.
    pub sha256: bool,
    /// What check files say of it, to be compared in the same read.
    pub listed: Vec<(Algorithm, Vec<u8>)>,
}

/// What is the same for all files of a batch.
#[derive(Clone, Copy)]
pub struct Request<'a> {
    /// The dataset's folder.
    pub target: &'a dyn Fs,
    /// Whether to end.
    pub stop: &'a Stop,
    /// Workers, at least 1.
    pub streams: usize,
    /// Facts that are compared.
    pub facts: Facts,
    /// Whether the source's inode numbers show which names belong to one file.
    pub inodes_hold: bool,
    /// The disks behind the target, watched since the reading began.
    pub disks: Option<&'a Disks>,
}

/// A difference of one file.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Found {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// Fixed word: `content`, `type`, `size`, `time`, `mode`, `owner`, `xattr`, `link`, `absent`,
    /// `unreadable`.
    pub kind: &'static str,
    /// Byte ranges that differ, ends exclusive.
    pub ranges: Vec<(u64, u64)>,
}

/// What a verification came to.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Files and bytes read back: those that have content to read.
    pub read: Amount,
    /// Files compared, empty, missing and unreadable ones among them; no symlinks.
    pub checked: u64,
    /// Files and symlinks equal in everything.
    pub equal: u64,
    /// What differs, in byte order of places.
    pub found: BTreeSet<Found>,
    /// How bytes were read: files by way.
    pub ways: BTreeMap<ReadHow, u64>,
    /// Of the read, files under 1 MiB.
    pub small: Amount,
    /// Bytes of the read that had to come from the disks.
    pub due: Bytes,
    /// Why files could not be read.
    pub faults: BTreeMap<RelPath, FaultKind>,
    /// What lies at the place of each file that differs, as far as it was seen.
    pub seen: BTreeMap<RelPath, Entry>,
    /// Hashes read of files whose content differs.
    pub hashes: BTreeMap<RelPath, Digest>,
}

impl Outcome {
    /// Files compared, and the bytes of those that were read.
    pub fn compared(&self) -> Amount {
        Amount {
            files: self.checked,
            bytes: self.read.bytes,
        }
    }
}

/// How far a verification is.
#[derive(Debug, Clone, Copy, Default)]
pub struct Progress {
    /// Bytes read.
    pub bytes: Bytes,
    /// Files done.
    pub files: u64,
    /// Of these, files under 1 MiB.
    pub small: Amount,
}

/// Reads back what `checks` names. `note` is handed the files found equal, now and then, so that an
/// interrupted verification goes on where it was. Where the disks have delivered too little for
/// what was read until then, nothing is said of how those were read.
///
/// # Errors
/// [`Trouble`] where everything had to stop; what was noted until then stays true.
pub fn verify(
    request: Request<'_>,
    checks: &mut dyn Iterator<Item = Result<Check, Trouble>>,
    note: &mut dyn FnMut(&[ReadBack]) -> Result<(), Trouble>,
    progress: &dyn Fn(Progress),
) -> Result<Outcome, Trouble> {
    worker::with_crew(request, |crew| {
        let mut owner = Owner {
            outcome: Outcome::default(),
            equal: Vec::new(),
            unnoted: 0,
            linked: BTreeMap::new(),
        };
        let mut stopped = None;
        let mut more = true;
        while stopped.is_none() && (more || crew.waiting() > 0) {
            // A bounded look ahead keeps memory small and the workers busy.
            while more && crew.has_room() {
                match checks.next().transpose()? {
                    Some(check) => crew.send(check),
                    None => more = false,
                }
            }
            if let Some(done) = crew.next(progress) {
                stopped = owner.take(&request, done);
            }
            if owner.equal.len() >= NOTE_EVERY || owner.unnoted >= NOTE_BYTES {
                owner.note(&request, note)?;
            }
        }
        owner.note(&request, note)?;
        owner.compare_links();
        match stopped {
            Some(fault) => Err(trouble_of(&fault)),
            None => Ok(owner.outcome),
        }
    })
}

/// One name of a file that has several at the source.
struct LinkedName {
    place: RelPath,
    /// The inode it leads to now, and the one it was placed with.
    found: u64,
    placed: u64,
}

struct Owner {
    outcome: Outcome,
    equal: Vec<ReadBack>,
    unnoted: u64,
    /// Names of files with several, by source inode.
    linked: BTreeMap<u64, Vec<LinkedName>>,
}

impl Owner {
    fn note(
        &mut self,
        request: &Request<'_>,
        note: &mut dyn FnMut(&[ReadBack]) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        if !self.equal.is_empty() {
            let delivered = request.disks.and_then(|disks| disks.delivered().ok());
            if delivered.is_some_and(|bytes| !is_from_disk(self.outcome.due, bytes)) {
                let doubt = |one: &mut ReadBack| one.how = one.how.max(ReadHow::Unknown);
                self.equal.iter_mut().for_each(doubt);
            }
            note(&self.equal)?;
            self.equal.clear();
            self.unnoted = 0;
        }
        Ok(())
    }

    /// Names that lead to one file at the source must lead to one here. Decided when all are known,
    /// so that the answer does not hang on which was read first: the name that no longer leads
    /// where it was placed is the one that differs.
    fn compare_links(&mut self) {
        for names in self.linked.values_mut() {
            names.sort_by(|a, b| a.place.cmp(&b.place));
            let Some(first) = names.first().map(|name| name.found) else {
                continue;
            };
            if names.iter().all(|name| name.found == first) {
                continue;
            }
            let kept = names
                .iter()
                .find(|name| name.found == name.placed)
                .map_or(first, |name| name.found);
            for name in names.iter().filter(|name| name.found != kept) {
                self.outcome.found.insert(Found {
                    place: name.place.clone(),
                    kind: "link",
                    ranges: Vec::new(),
                });
            }
        }
    }

    /// Takes in what was found of one file; answers a fault that stops everything.
    fn take(&mut self, request: &Request<'_>, done: worker::Done) -> Option<Fault> {
        let record = &done.check.record;
        let place = &record.place;
        let fatal = |fault: &Fault| fault.course() == Course::StopAll;
        if !done.result.as_ref().is_err_and(fatal) && record.kind == EntryKind::File {
            self.outcome.checked += 1;
        }
        let seen = match done.result {
            Ok(seen) => seen,
            Err(fault) if fatal(&fault) => return Some(fault),
            Err(fault) => {
                self.outcome.faults.insert(place.clone(), fault.kind);
                let kind = if fault.kind == FaultKind::NotFound {
                    "absent"
                } else {
                    "unreadable"
                };
                self.outcome.found.insert(Found {
                    place: place.clone(),
                    kind,
                    ranges: Vec::new(),
                });
                return None;
            }
        };
        let found = compare::differences(&done.check, &seen, request.facts);
        if done.check.entry.links > 1 && request.inodes_hold && seen.facts.kind == record.kind {
            let name = LinkedName {
                place: place.clone(),
                found: seen.facts.inode,
                placed: record.placed.inode,
            };
            self.linked.entry(record.source.inode).or_default().push(name);
        }
        if let Some(how) = seen.how {
            let amount = Amount::one(Bytes(seen.bytes));
            self.outcome.read.add(amount);
            if seen.bytes < 1 << 20 {
                self.outcome.small.add(amount);
            }
            *self.outcome.ways.entry(how).or_default() += 1;
            self.unnoted += seen.bytes;
            if how < ReadHow::Server {
                let due = due(Bytes(seen.bytes), seen.facts.allocated);
                self.outcome.due = self.outcome.due.plus(due);
            }
        }
        match seen.hash {
            Some(hash) if found.is_empty() => {
                self.outcome.equal += 1;
                self.equal.push(ReadBack {
                    place: place.clone(),
                    hash,
                    how: seen.how.unwrap_or(ReadHow::Direct),
                    sha256: seen.sha256,
                    listed: seen.listed,
                });
            }
            Some(hash) if hash != record.hash => drop(self.outcome.hashes.insert(place.clone(), hash)),
            _ => {}
        }
        if !found.is_empty() {
            self.outcome.seen.insert(place.clone(), seen.facts);
        }
        self.outcome.found.extend(found);
        None
    }
}
