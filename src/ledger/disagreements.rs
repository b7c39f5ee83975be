//! Reads of one source file that gave different content although the file had not changed: memory,
//! a cable or a controller is bad. Rows are only ever added, each is one event.

use super::codec::{self, int, uint};
use super::{Ledger, listed, repairs};
use crate::digest::Digest;
use crate::entry::Identity;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::Bytes;
use rusqlite::Connection;

/// Two reads of one file that disagreed.
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
    /// Byte ranges, ends exclusive, in which a third read differs from the later one, in whole
    /// blocks of 16 MiB; none where they are equal, since nothing but a hash is left of the earlier.
    /// Of a source that was read again for its own sake, the ranges in which both differ.
    pub ranges: Vec<(u64, u64)>,
    /// When it was seen.
    pub at: Moment,
    /// Which read a third one bore out: `earlier-read`, `later-read` or `none`.
    pub settled_by: String,
}

impl Disagreement {
    /// A reading that differs from an earlier one, with no third to settle it.
    pub fn unsettled(
        path: RelPath,
        identity: Identity,
        (earlier, later): (Digest, Digest),
        at: Moment,
    ) -> Disagreement {
        Disagreement {
            path,
            identity,
            earlier,
            later,
            ranges: Vec::new(),
            at,
            settled_by: "none".to_string(),
        }
    }
}

impl Ledger {
    /// How often reads of a source have disagreed, over all its batches: whole reads, and files of
    /// which a repair read other blocks than were copied.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn count_disagreements(&self, source: &str) -> Result<u64, Trouble> {
        let sql = "SELECT (SELECT count(*) FROM read_disagreements WHERE source = ?1) + \
                   (SELECT count(*) FROM disagreements JOIN batches ON id = batch WHERE batches.source = ?1)";
        let counted = self.rows(sql, [source], |row| uint(row, 0))?;
        Ok(counted.into_iter().sum())
    }

    /// Adds reads that disagreed, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_read_disagreements(
        &mut self,
        source: &str,
        batch: i64,
        found: &[Disagreement],
    ) -> Result<(), Trouble> {
        self.together(|db| found.iter().try_for_each(|one| put(db, source, batch, one)))
    }

    /// All of a source, oldest first.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn read_disagreements(&self, source: &str) -> Result<Vec<Disagreement>, Trouble> {
        let sql = "SELECT path, inode, size, mtime, ctime, earlier, later, ranges, at, settled_by \
                   FROM read_disagreements WHERE source = ?1 ORDER BY id";
        self.rows(sql, [source], |row| {
            let ranges: String = row.get(7)?;
            Ok(Disagreement {
                path: listed::place(row, 0)?,
                identity: Identity {
                    inode: uint(row, 1)?,
                    size: Bytes(uint(row, 2)?),
                    mtime: codec::moment(row, 3)?,
                    ctime: codec::moment(row, 4)?,
                },
                earlier: codec::digest(row, 5)?,
                later: codec::digest(row, 6)?,
                ranges: repairs::ranges_of(&ranges),
                at: codec::moment(row, 8)?,
                settled_by: row.get(9)?,
            })
        })
    }
}

/// Adds one.
pub(super) fn put(db: &Connection, source: &str, batch: i64, one: &Disagreement) -> rusqlite::Result<()> {
    let sql = "INSERT INTO read_disagreements (source, batch, path, inode, size, mtime, ctime, earlier, later, ranges, \
               at, settled_by) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)";
    let id = &one.identity;
    db.prepare_cached(sql)?.execute(rusqlite::params![
        source,
        batch,
        one.path.as_bytes(),
        int(id.inode),
        int(id.size.0),
        codec::stamp(id.mtime),
        codec::stamp(id.ctime),
        one.earlier.0,
        one.later.0,
        repairs::ranges_text(&one.ranges),
        codec::stamp(one.at),
        one.settled_by,
    ])?;
    Ok(())
}
