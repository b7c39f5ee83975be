//! The receipt: what a machine answers to a waybill, file by file, in the waybill's order.
//!
//! Names are those of the source, as in the waybill; places are the waybill's to give. What was
//! found beside the files (folders, differences, losses) comes after them.

mod line;
mod reader;
mod writer;

#[cfg(test)]
mod tests;

pub use reader::{Part, Totals, read};
pub use writer::Writer;

use super::facts::{Attributes, Task, as_task};
use crate::digest::{BlockValue, Digest};
use crate::entry::{EntryKind, Identity};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::report::model::ReadHow;
use crate::report::sealed::{as_digest, as_when};
use crate::units::Bytes;
use serde::{Deserialize, Serialize};

/// What stands for a whole receipt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// The version of the document, [`super::FORMAT`].
    pub format: u32,
    /// Version of the tool that made it.
    pub version: String,
    /// BLAKE3 of the waybill that is answered.
    #[serde(with = "as_digest")]
    pub waybill: Digest,
    /// The move it belongs to.
    pub move_id: String,
    /// The batch.
    pub batch: String,
    /// What was done.
    #[serde(with = "as_task")]
    pub task: Task,
    /// The machine's name, as it tells it.
    pub machine: String,
    /// When the work began, and when its last run ended, to the second.
    #[serde(with = "as_when")]
    pub started: Moment,
    /// See `started`.
    #[serde(with = "as_when")]
    pub ended: Moment,
    /// The source, where it was read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<SourceEnd>,
    /// The destination, where it was needed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub destination: Option<DestinationEnd>,
    /// What the disks behind the destination delivered while it was read back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub witness: Option<Witness>,
}

/// The source as the machine saw it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceEnd {
    /// The type of its mount there.
    pub mount: String,
    /// Whether inode numbers were held against the index's.
    pub inodes: bool,
}

/// The destination as the machine saw it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DestinationEnd {
    /// The type of the mount of the dataset's folder there.
    pub mount: String,
    /// How far a sync can be believed: the words of JSON.
    pub durability: String,
    /// How files got their names: the words of the ledger.
    pub publish: String,
}

/// What disks delivered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Witness {
    /// Bytes that had to come from them.
    pub due: u64,
    /// Bytes they delivered; none where that could not be seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub delivered: Option<u64>,
    /// Why it could not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// The answer for one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Its path below the source's root.
    pub path: RelPath,
    /// What came of it.
    pub came: Came,
}

/// What came of one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Came {
    /// It was done.
    Done(Box<Done>),
    /// It was not. Of a verification also a file that differs, by the code `differs`; what differs
    /// stands among the differences.
    Failed {
        /// The fixed word.
        code: String,
        /// What happened.
        text: String,
    },
}

/// A file that was done: copied and durable, read back and equal, or read at the source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done {
    /// A file or a symlink.
    pub kind: EntryKind,
    /// Its size.
    pub size: Bytes,
    /// What it was at the source when it was read there; none of a verification.
    pub source: Option<Identity>,
    /// What it became at the destination; of a copy alone.
    pub placed: Option<Identity>,
    /// BLAKE3 of its content; of a symlink, of its target.
    pub hash: Digest,
    /// Chaining values of a large file, or none.
    pub values: Vec<BlockValue>,
    /// SHA-256 of its content, where it was taken.
    pub sha256: Option<[u8; 32]>,
    /// When it was recorded, to the second.
    pub at: Moment,
    /// How it was read back, or read at the source; none of a copy.
    pub how: Option<ReadHow>,
    /// Of a copy: it lay there with the same content and was taken over.
    pub adopted: bool,
    /// Extended attributes that were set and kept; of a copy alone.
    pub attributes: Option<Attributes>,
}

/// A fact that the destination could not keep.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lost {
    /// The place below the dataset's folder.
    pub place: RelPath,
    /// Fixed word: `owner`, `mode`, `time`, `xattr`, `acl`.
    pub kind: String,
    /// Why, in words.
    pub why: String,
}

/// Something in which the destination is not what it should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// The place below the dataset's folder.
    pub place: RelPath,
    /// Fixed word of JSON: `content`, `size`, `absent` and so on.
    pub kind: String,
    /// Byte ranges that differ, ends exclusive.
    pub ranges: Vec<(u64, u64)>,
    /// Whether it stands against the batch.
    pub blocking: bool,
}

/// Two reads of one source file that disagreed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Disagreement {
    /// Its path below the source's root.
    pub path: RelPath,
    /// What it was, both times.
    pub identity: Identity,
    /// The hash from before.
    pub earlier: Digest,
    /// The hash of the read that followed.
    pub later: Digest,
    /// Byte ranges in which they differ, ends exclusive, where these are known.
    pub ranges: Vec<(u64, u64)>,
    /// When it was seen.
    pub at: Moment,
    /// Which read a third one bore out: `earlier-read`, `later-read` or `none`.
    pub settled_by: String,
}
