//! The values that a waybill holds.

use crate::digest::{BlockValue, Digest};
use crate::entry::{Entry, Identity};
pub use crate::lifecycle::waybills::Task;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::report::sealed::{as_digest, as_moment, as_name, as_names, as_path, as_when};
use serde::{Deserialize, Serialize};

/// A task as its word.
pub(super) mod as_task {
    use super::Task;
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

    pub fn serialize<S: Serializer>(task: &Task, to: S) -> Result<S::Ok, S::Error> {
        task.word().serialize(to)
    }

    pub fn deserialize<'d, D: Deserializer<'d>>(from: D) -> Result<Task, D::Error> {
        let word = String::deserialize(from)?;
        Task::parse(&word).ok_or_else(|| de::Error::custom("an unknown task"))
    }
}

/// What stands for a whole waybill.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// The version of the document, [`super::FORMAT`].
    pub format: u32,
    /// Version of the tool that made it.
    pub version: String,
    /// The time that plan or ledger give for it, to the second.
    #[serde(with = "as_when")]
    pub made: Moment,
    /// The move it belongs to: letters and digits.
    pub move_id: String,
    /// The batch; one component of a path.
    pub batch: String,
    /// What is to be done.
    #[serde(with = "as_task")]
    pub task: Task,
    /// The dataset that the batch fills.
    pub dataset: String,
    /// The index that the slice is from.
    #[serde(with = "as_digest")]
    pub index: Digest,
    /// 32 bytes that make the seal of the receipt.
    #[serde(with = "as_digest")]
    pub key: Digest,
    /// Set for a batch of later files: it brings only what its waybill gives a place.
    pub only: bool,
    /// Where it comes from.
    pub source: Origin,
    /// Where it goes.
    pub destination: Goal,
    /// What else is settled.
    pub settings: Settings,
}

/// The source as its scan saw it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Origin {
    /// Its name.
    pub name: String,
    /// Where it was mounted.
    #[serde(with = "as_name")]
    pub root: Vec<u8>,
    /// The type of that mount as the kernel names it.
    pub mount: String,
    /// When the scan started, which decides the year of loose files.
    #[serde(with = "as_moment")]
    pub started: Moment,
    /// When it ended.
    #[serde(with = "as_moment")]
    pub ended: Moment,
    /// The word of the class of its inode numbers; `none` also where other file systems are entered.
    pub inodes: String,
    /// Folders at this depth are projects.
    pub project_depth: u32,
    /// The extra folder that it has at the destination; empty for none.
    #[serde(with = "as_path")]
    pub under: RelPath,
}

/// The destination as the settings have it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Goal {
    /// Its name.
    pub name: String,
    /// Its folder at home.
    #[serde(with = "as_name")]
    pub path: Vec<u8>,
    /// Parent dataset; none: plain folders.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dataset: Option<String>,
    /// Kinds of facts that it cannot keep.
    pub accept: Vec<String>,
    /// Bytes that stay free; none: a share of its size.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reserve: Option<u64>,
    /// Whether it may lie on the disk the system runs from.
    pub root_disk: bool,
}

/// Settings that matter for the work and for what it is worth.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// The zone of the calendar.
    pub zone: String,
    /// Ways of reading back that count.
    pub accept_read: Vec<String>,
    /// Facts that are compared beside content, size, kind and links.
    pub compared: Vec<String>,
    /// Copy streams; none: found by measuring.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub streams: Option<u32>,
    /// Most streams of large files.
    pub streams_large_max: u32,
    /// What is set instead of carried.
    #[serde(default, skip_serializing_if = "Owned::is_empty")]
    pub permissions: Owned,
}

/// Owner and bits that are set instead of carried; what is left out is carried.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Owned {
    /// Number of the owner.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uid: Option<u32>,
    /// Number of the group.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gid: Option<u32>,
    /// Permission bits of directories (07777).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub directories: Option<u32>,
    /// Permission bits of files (07777).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub files: Option<u32>,
}

impl Owned {
    fn is_empty(&self) -> bool {
        *self == Owned::default()
    }
}

/// One entry of the index slice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Its name in its folder.
    pub name: Vec<u8>,
    /// All that the index knows of it.
    pub entry: Entry,
    /// Whether it is the batch's to bring; else it lies on the way there.
    pub mine: bool,
    /// Its place below the dataset's folder, where it has one.
    pub place: Option<RelPath>,
    /// Extended attributes that were set and kept.
    pub attributes: Option<Attributes>,
    /// What the ledger has recorded of it.
    pub record: Option<Record>,
}

impl Listed {
    /// Whether a receipt of this task answers for it.
    pub fn is_asked(&self, task: Task) -> bool {
        self.mine && task.asks_for(self.entry.kind, self.record.is_some())
    }
}

/// What is recorded of a file that was copied.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// BLAKE3 of its content; of a symlink, of its target.
    pub hash: Digest,
    /// What it was at the source when it was read.
    pub source: Identity,
    /// What it became at the destination; its size is that of the source.
    pub placed: Identity,
    /// When that was recorded, to the second.
    pub copied_at: Moment,
    /// Chaining values of a large file, or none.
    pub values: Vec<BlockValue>,
}

/// Extended attributes of one file or folder, as the ledger keeps them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Attributes {
    /// Their names in byte order; at least one.
    #[serde(with = "as_names")]
    pub names: Vec<Vec<u8>>,
    /// The hash over all of them.
    #[serde(with = "as_digest")]
    pub hash: Digest,
}

impl Attributes {
    /// Whether they could be any that were kept.
    pub(super) fn hold_together(&self) -> bool {
        let rising = self.names.windows(2).all(|pair| pair[0] < pair[1]);
        let named = |name: &Vec<u8>| !name.is_empty() && !name.contains(&0);
        rising && !self.names.is_empty() && self.names.iter().all(named)
    }
}
