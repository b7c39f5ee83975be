//! What remains to be done for one file: a function of what the index saw and what is recorded.

use crate::entry::{EntryKind, Identity};
use crate::moment::Moment;

/// What the ledger knows of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fact {
    /// What it was at the source when it was read.
    pub source: Identity,
    /// When it was recorded.
    pub at: Moment,
    /// Whether a verification has found a difference since.
    pub differs: bool,
}

/// What remains.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Remains {
    /// Nothing: it is recorded as it is.
    Nothing,
    /// All of it.
    Copy,
    /// It is recorded, but has changed at the source or differs at the destination.
    Again,
    /// It is nothing that is copied: a folder, a special file, something unreadable.
    NotCopied,
}

/// What remains of an entry that an index saw. A record made after the scan began knows the source
/// better than the index does; one from before must agree with it.
pub fn remains(
    kind: EntryKind,
    seen: &Identity,
    scanned_at: Moment,
    inodes_hold: bool,
    fact: Option<&Fact>,
) -> Remains {
    if !matches!(kind, EntryKind::File | EntryKind::Symlink) {
        return Remains::NotCopied;
    }
    let Some(fact) = fact else { return Remains::Copy };
    let same = (seen.size, seen.mtime) == (fact.source.size, fact.source.mtime)
        && (!inodes_hold || seen.inode == fact.source.inode);
    match fact.differs || !(same || fact.at >= scanned_at) {
        true => Remains::Again,
        false => Remains::Nothing,
    }
}

/// Whether what a scan has seen is what a record says was read: the same kind, size and time, and
/// inode where that holds. Then no later batch has to bring it.
pub fn is_covered(seen: (EntryKind, Identity), read: (EntryKind, Identity), inodes_hold: bool) -> bool {
    let facts = |(kind, id): (EntryKind, Identity)| (kind, id.size, id.mtime);
    facts(seen) == facts(read) && (!inodes_hold || seen.1.inode == read.1.inode)
}

/// Coarsest step in which file systems in use count times: two seconds (the modification time of
/// FAT; Microsoft, "File Times").
pub const COARSEST: i64 = 2;

/// Whether a file was touched so shortly before it was looked at, or after, that one more edit
/// could have left the same times: then only its content says what it is.
pub fn is_racy(file: &Identity, looked_at: Moment) -> bool {
    file.mtime.max(file.ctime) >= looked_at.plus_seconds(-COARSEST)
}

/// Whether a read begun at `at` is another one than the read behind a record made at `recorded`,
/// which the ledger keeps to the second.
pub fn is_later_read(recorded: Moment, at: Moment) -> bool {
    at >= recorded.plus_seconds(1)
}

/// Whether a read begun at `at`, of a file that still had the identity it was recorded with, has
/// seen the last content that identity can stand for. Only our own clock is asked, so a source whose
/// clock is wrong, or times set by hand, make no difference: the identity was seen when the record
/// was made, and an edit more than one step of the source's clock later leaves other times.
pub fn settles(recorded: Moment, at: Moment) -> bool {
    at >= recorded.plus_seconds(1 + COARSEST)
}

/// Whether a source shows so many fewer entries than at the scan before that somebody should look
/// whether all of it is mounted: more than one in twenty.
pub fn lost_many(before: u64, now: u64) -> bool {
    u128::from(before.saturating_sub(now)) * 20 > u128::from(before)
}
