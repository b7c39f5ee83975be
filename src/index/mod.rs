//! The sealed file of one scan of one source: what is there, and nothing that we think about it.
//!
//! An index is immutable. It holds every entry with its name and facts, folder by folder, parents
//! before children, siblings in byte order, in blocks of columns that take 20 to 25 bytes a file.
//! A digest over all of it stands at its end and is checked when it is opened: a flipped byte, a
//! missing end or a newer format is refused in one line. Reading decodes one block at a time.
//!
//! Format, version 1 (integers little-endian):
//!
//! ```text
//! sealed index   "PWINDEX\n"  version u32  block…  table  table length u64  BLAKE3 of all before
//! parts          "PWPARTS\n"  version u32  record…
//! record         kind u8  length u64  payload  BLAKE3 of kind, length, payload
//! ```
//!
//! Blocks hold some thousand entries of consecutive folders; a folder of more than 65,536 entries
//! has blocks of its own, so that it can be encoded as soon as it is read.
//!
//! A block and the table are bincode with fixed-width integers; numbers live in byte planes packed
//! by zstd, so that any decoder of the encoding and of zstd can read them. While a scan runs its
//! finished segments (a top-level folder each, or a range of them) go to the parts file, each
//! record sealed by itself; an interrupted scan goes on from there, and the parts can be opened
//! like an index that says it is not complete.

mod aside;
mod block;
mod columns;
mod cutter;
mod folder;
mod hashing;
mod join;
mod listings;
mod merge;
mod moved;
mod parts;
mod reader;
mod renamed;
mod segment;
mod table;
mod writer;

#[cfg(test)]
mod large_tests;
#[cfg(test)]
mod moved_tests;
#[cfg(test)]
mod outside_tests;
#[cfg(test)]
mod tests;

pub use aside::Run;
pub use folder::Folder;
pub use join::Held;
pub use listings::{Listings, Pieces};
pub use moved::Elsewhere;
pub use reader::Index;
pub use segment::SegmentWriter;
pub use writer::IndexWriter;

use crate::entry::Entry;
use crate::moment::Moment;
use crate::names::{RelPath, SourceName};
use crate::units::{Amount, Bytes};

/// How far the inode numbers of a source can be trusted to name the same file again.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub enum InodeClass {
    /// Looked at only once so far.
    #[default]
    Unknown,
    /// The same after a remount or restart, as far as two looks can tell.
    Stable,
    /// The same while it stays mounted; a remount may number anew.
    Session,
    /// They change by themselves, or many files share one: worth nothing.
    Worthless,
}

impl InodeClass {
    /// The fixed word of JSON.
    pub fn word(self) -> &'static str {
        match self {
            InodeClass::Unknown => "unknown",
            InodeClass::Stable => "stable",
            InodeClass::Session => "session",
            InodeClass::Worthless => "none",
        }
    }
}

/// A folder that was seen and, by a rule, not entered.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct NotEntered {
    /// The folder.
    pub path: RelPath,
    /// The name of the rule.
    pub rule: String,
}

/// A folder that was listed twice and did not show the same number of names.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Uneven {
    /// The folder.
    pub folder: RelPath,
    /// Names the first time and the second.
    pub names: (u64, u64),
}

/// Entries by sort, and their bytes. Names are counted: a file with two names counts twice.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Totals {
    /// All entries, those that could not be read included; the root itself is none.
    pub entries: u64,
    /// Regular files and their logical bytes.
    pub files: Amount,
    /// Bytes allocated for regular files.
    pub allocated: Bytes,
    /// Folders.
    pub directories: u64,
    /// Symbolic links.
    pub symlinks: u64,
    /// FIFOs, sockets, devices.
    pub special: u64,
    /// Folders that could not be listed and entries that could not be examined.
    pub unreadable: u64,
}

impl Totals {
    /// Adds other totals.
    pub fn add(&mut self, other: &Totals) {
        self.entries += other.entries;
        self.files.add(other.files);
        self.allocated = self.allocated.plus(other.allocated);
        self.directories += other.directories;
        self.symlinks += other.symlinks;
        self.special += other.special;
        self.unreadable += other.unreadable;
    }
}

/// What is known of a scan when it starts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Start {
    /// The source's name in `move.toml`.
    pub source: SourceName,
    /// Where it was mounted.
    pub root: Vec<u8>,
    /// The root folder itself.
    pub root_entry: Entry,
    /// When the scan started; of a scan that was gone on with, when it first did.
    pub started: Moment,
    /// The type of the mount as the kernel names it: `ext4`, `nfs4`, `cifs`.
    pub mount_type: String,
    /// Names the mount's life: another word after a restart or remount. Compared, never parsed.
    pub session: String,
    /// How far its inode numbers can be trusted.
    pub inodes: InodeClass,
    /// Stands for the rules the scan goes by (what is not entered, what is crossed). Parts that
    /// were scanned under other rules are not used again.
    pub rules: String,
    /// The program and its version.
    pub tool: String,
}

/// What an index says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// What was known at the start.
    pub start: Start,
    /// When the scan ended; of parts, the start.
    pub ended: Moment,
    /// Folders not entered by rule, in byte order.
    pub not_entered: Vec<NotEntered>,
    /// Folders where another file system begins, not entered, in byte order.
    pub boundaries: Vec<RelPath>,
    /// Whether all folders were counted twice.
    pub recounted: bool,
    /// Where the counts differ: the folder changes, or the server lists it incompletely, so
    /// nothing may be concluded from a name that is missing there. In byte order.
    pub uneven: Vec<Uneven>,
    /// Entries in all.
    pub totals: Totals,
    /// Whether every segment is there.
    pub complete: bool,
}
