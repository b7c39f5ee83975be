//! The lines of a waybill.

use super::MOST_VALUES;
use super::facts::{Attributes, Head, Listed, Record};
use crate::digest::{BLOCK, BlockValue, Digest};
use crate::entry::{Entry, EntryKind, Identity};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::report::sealed::{as_digest, as_moment, as_name, as_path, as_values, as_when};
use crate::units::Bytes;
use serde::{Deserialize, Serialize};

/// Values on one line: 16 KiB of digits.
pub(super) const VALUES_A_LINE: usize = 256;

/// One line, but for the seal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Line {
    Waybill(Box<Head>),
    Locked(String),
    Folder(FolderLine),
    Entry(Box<EntryLine>),
    #[serde(with = "as_values")]
    Values(Vec<BlockValue>),
    #[serde(with = "as_path")]
    Other(RelPath),
    #[serde(with = "as_path")]
    Taken(RelPath),
    Total(TotalLine),
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FolderLine {
    #[serde(with = "as_path")]
    pub path: RelPath,
    #[serde(default, skip_serializing_if = "Option::is_none", with = "as_path::maybe")]
    pub place: Option<RelPath>,
}

#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TotalLine {
    pub entries: u64,
    pub asked: u64,
    pub bytes: u64,
}

/// The facts of an entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EntryLine {
    #[serde(with = "as_name")]
    pub name: Vec<u8>,
    kind: KindWord,
    size: u64,
    allocated: u64,
    #[serde(with = "as_moment")]
    mtime: Moment,
    #[serde(with = "as_moment")]
    ctime: Moment,
    #[serde(default, skip_serializing_if = "Option::is_none", with = "as_moment::maybe")]
    birth: Option<Moment>,
    inode: u64,
    #[serde(default = "one", skip_serializing_if = "is_one")]
    links: u64,
    mode: u32,
    uid: u32,
    gid: u32,
    #[serde(default, skip_serializing_if = "Option::is_none", with = "as_name::maybe")]
    target: Option<Vec<u8>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    error: Option<String>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    way: bool,
    #[serde(default, skip_serializing_if = "Option::is_none", with = "as_path::maybe")]
    place: Option<RelPath>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    attributes: Option<Attributes>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    record: Option<RecordLine>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RecordLine {
    #[serde(with = "as_digest")]
    hash: Digest,
    /// Left out where it is the entry's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    source: Option<IdentityLine>,
    placed: PlacedLine,
    #[serde(with = "as_when")]
    copied_at: Moment,
    #[serde(default, skip_serializing_if = "is_zero")]
    blocks: u64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PlacedLine {
    inode: u64,
    /// Left out where it is the source's.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "as_moment::maybe")]
    mtime: Option<Moment>,
    #[serde(with = "as_moment")]
    ctime: Moment,
}

/// The facts by which a file is known again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct IdentityLine {
    inode: u64,
    size: u64,
    #[serde(with = "as_moment")]
    mtime: Moment,
    #[serde(with = "as_moment")]
    ctime: Moment,
}

/// The kind of an entry as a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum KindWord {
    File,
    Directory,
    Symlink,
    Special,
    Unknown,
}

fn one() -> u64 {
    1
}

fn is_one(value: &u64) -> bool {
    *value == 1
}

pub(super) fn is_zero(value: &u64) -> bool {
    *value == 0
}

impl From<EntryKind> for KindWord {
    fn from(kind: EntryKind) -> KindWord {
        match kind {
            EntryKind::File => KindWord::File,
            EntryKind::Directory => KindWord::Directory,
            EntryKind::Symlink => KindWord::Symlink,
            EntryKind::Special => KindWord::Special,
            EntryKind::Unknown => KindWord::Unknown,
        }
    }
}

impl From<KindWord> for EntryKind {
    fn from(word: KindWord) -> EntryKind {
        match word {
            KindWord::File => EntryKind::File,
            KindWord::Directory => EntryKind::Directory,
            KindWord::Symlink => EntryKind::Symlink,
            KindWord::Special => EntryKind::Special,
            KindWord::Unknown => EntryKind::Unknown,
        }
    }
}

impl From<&Identity> for IdentityLine {
    fn from(id: &Identity) -> IdentityLine {
        IdentityLine {
            inode: id.inode,
            size: id.size.0,
            mtime: id.mtime,
            ctime: id.ctime,
        }
    }
}

impl From<IdentityLine> for Identity {
    fn from(line: IdentityLine) -> Identity {
        Identity {
            inode: line.inode,
            size: Bytes(line.size),
            mtime: line.mtime,
            ctime: line.ctime,
        }
    }
}

impl EntryLine {
    /// The line of an entry; `usual` is the place that its folder gives it.
    pub fn of(listed: &Listed, usual: Option<&RelPath>) -> EntryLine {
        let entry = &listed.entry;
        let left_out = listed.mine && listed.place.as_ref() == usual;
        EntryLine {
            name: listed.name.clone(),
            kind: entry.kind.into(),
            size: entry.size.0,
            allocated: entry.allocated.0,
            mtime: entry.mtime,
            ctime: entry.ctime,
            birth: entry.birth,
            inode: entry.inode,
            links: entry.links,
            mode: entry.mode,
            uid: entry.uid,
            gid: entry.gid,
            target: entry.target.clone(),
            error: entry.error.clone(),
            way: !listed.mine,
            place: listed.place.clone().filter(|_| !left_out),
            attributes: listed.attributes.clone(),
            record: listed.record.as_ref().map(|record| record_line(record, entry)),
        }
    }

    /// How many chaining values follow.
    pub fn blocks(&self) -> u64 {
        self.record.as_ref().map_or(0, |record| record.blocks)
    }

    pub fn kind(&self) -> EntryKind {
        self.kind.into()
    }

    /// The entry of a line, with the chaining values that followed it.
    pub fn listed(self, usual: Option<RelPath>, values: Vec<BlockValue>) -> Result<Listed, &'static str> {
        let entry = Entry {
            kind: self.kind.into(),
            size: Bytes(self.size),
            allocated: Bytes(self.allocated),
            mtime: self.mtime,
            ctime: self.ctime,
            birth: self.birth,
            inode: self.inode,
            links: self.links,
            mode: self.mode,
            uid: self.uid,
            gid: self.gid,
            target: self.target,
            error: self.error,
        };
        let place = match (self.place, self.way) {
            (Some(place), _) => Some(place),
            (None, true) => None,
            (None, false) => usual,
        };
        let record = self.record.map(|line| record(line, &entry, values)).transpose()?;
        Ok(Listed {
            name: self.name,
            entry,
            mine: !self.way,
            place,
            attributes: self.attributes,
            record,
        })
    }
}

fn record_line(record: &Record, entry: &Entry) -> RecordLine {
    RecordLine {
        hash: record.hash,
        source: (record.source != entry.identity()).then(|| (&record.source).into()),
        placed: PlacedLine {
            inode: record.placed.inode,
            mtime: Some(record.placed.mtime).filter(|at| *at != record.source.mtime),
            ctime: record.placed.ctime,
        },
        copied_at: record.copied_at,
        blocks: record.values.len() as u64,
    }
}

fn record(line: RecordLine, entry: &Entry, values: Vec<BlockValue>) -> Result<Record, &'static str> {
    let source: Identity = line.source.map_or_else(|| entry.identity(), Identity::from);
    if line.blocks > 0 && !are_blocks_of(source.size, line.blocks) {
        return Err("chaining values that are not those of a file of its size");
    }
    Ok(Record {
        hash: line.hash,
        placed: Identity {
            inode: line.placed.inode,
            size: source.size,
            mtime: line.placed.mtime.unwrap_or(source.mtime),
            ctime: line.placed.ctime,
        },
        source,
        copied_at: line.copied_at,
        values,
    })
}

/// Whether a file of this size has so many chaining values; one of a single block has none.
pub(super) fn are_blocks_of(size: Bytes, count: u64) -> bool {
    count >= 2 && count == size.0.div_ceil(BLOCK) && count <= MOST_VALUES as u64
}
