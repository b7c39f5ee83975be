//! What is compared, as a function of what was recorded and what was seen.

use super::{Check, Found};
use crate::digest::{BlockValue, Digest, differing_ranges};
use crate::entry::{Entry, EntryKind};
use crate::world::ReadHow;

/// Which facts beside content, size and kind are compared: all but those that the user accepts
/// this destination cannot keep.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Facts {
    /// Modification times.
    pub times: bool,
    /// Permission bits.
    pub modes: bool,
    /// Owner and group.
    pub owners: bool,
    /// Extended attributes, access lists among them.
    pub xattrs: bool,
}

/// What was seen of one file at the destination.
#[derive(Debug, Clone)]
pub struct Seen {
    /// Its facts.
    pub facts: Entry,
    /// The hash of its content, or of a symlink's target; `None` where the kind or size differs
    /// already and nothing was read.
    pub hash: Option<Digest>,
    /// Chaining values of a large file.
    pub values: Vec<BlockValue>,
    /// How it was read; `None` for what has no content to read.
    pub how: Option<ReadHow>,
    /// Bytes read.
    pub bytes: u64,
    /// Whether the attributes that were set and kept are there; true where none were.
    pub xattrs_hold: bool,
    /// SHA-256 of the same bytes, where it was asked for.
    pub sha256: Option<[u8; 32]>,
    /// Whether the content is what check files say, where any does.
    pub listed: Option<bool>,
}

impl Seen {
    /// Of what was not read: its facts, and the hash of a symlink's target.
    pub fn unread(facts: Entry, hash: Option<Digest>) -> Seen {
        Seen {
            facts,
            hash,
            values: Vec::new(),
            how: None,
            bytes: 0,
            xattrs_hold: true,
            sha256: None,
            listed: None,
        }
    }
}

/// Every difference between what should be there and what is.
pub fn differences(check: &Check, seen: &Seen, facts: Facts) -> Vec<Found> {
    let record = &check.record;
    let mut found = Vec::new();
    let mut add = |kind, ranges| {
        found.push(Found {
            place: record.place.clone(),
            kind,
            ranges,
        })
    };
    if seen.facts.kind != record.kind {
        add("type", Vec::new());
        return found;
    }
    if record.kind == EntryKind::File && seen.facts.size != record.source.size {
        add("size", Vec::new());
    } else if seen.hash != Some(record.hash) {
        let length = record.source.size.0;
        let ranges = match record.kind {
            EntryKind::File => differing_ranges(&check.values, &seen.values, length),
            _ => Vec::new(),
        };
        add("content", ranges);
    }
    if facts.xattrs && !seen.xattrs_hold {
        add("xattr", Vec::new());
    }
    for kind in attributes(&check.entry, record.source.mtime, &seen.facts, facts) {
        add(kind, Vec::new());
    }
    found
}

/// Differences of time, mode and owner; a symlink has no mode of its own.
pub fn attributes(
    expected: &Entry,
    mtime: crate::moment::Moment,
    found: &Entry,
    facts: Facts,
) -> Vec<&'static str> {
    let mut kinds = Vec::new();
    if facts.times && found.mtime != mtime {
        kinds.push("time");
    }
    if facts.modes && found.kind != EntryKind::Symlink && found.mode != expected.mode {
        kinds.push("mode");
    }
    if facts.owners && (found.uid, found.gid) != (expected.uid, expected.gid) {
        kinds.push("owner");
    }
    kinds
}
