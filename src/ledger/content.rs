//! What was read of files at a source, kept by the file's identity so that it is not read again:
//! hashes of the first and last part, of the whole, and the date in a media header.
//!
//! A row counts only for the very same identity (inode, size, both times). Device numbers change
//! with the mount and are never kept: the place names the source and the identity of its mount.

use super::Ledger;
use super::codec::{self, int, uint};
use crate::digest::Digest;
use crate::entry::Identity;
use crate::moment::Moment;
use crate::survey::HeaderDate;
use crate::trouble::Trouble;
use rusqlite::{Connection, OptionalExtension, Row};

/// How a file at a source is known again.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct ContentKey {
    /// Its facts; an inode of 0 where the source's numbers are worth nothing.
    pub identity: Identity,
    /// Stands for its path where the inode alone does not name it; else empty.
    pub path: Vec<u8>,
}

/// What was read of one file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Content {
    /// Hash of its first and last part.
    pub sample: Option<Digest>,
    /// Hash of all of it.
    pub whole: Option<Digest>,
    /// The date in its header: `Some(None)` where it was looked for and is not there.
    pub header: Option<Option<HeaderDate>>,
    /// When reading it began; reading the whole, where there is a hash of it.
    pub read_at: Moment,
}

impl Ledger {
    /// What was read of a file before; nothing where its identity is another now.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn content(&self, place: &str, key: &ContentKey) -> Result<Option<Content>, Trouble> {
        let sql = "SELECT sample, whole, header, header_at, read_at FROM content WHERE place = ?1 AND inode = ?2 \
                   AND path = ?3 AND size = ?4 AND mtime = ?5 AND ctime = ?6";
        let id = &key.identity;
        let found = self.db.prepare_cached(sql).and_then(|mut statement| {
            let times = (codec::stamp(id.mtime), codec::stamp(id.ctime));
            let row = (place, int(id.inode), &key.path, int(id.size.0), times.0, times.1);
            statement.query_row(row, content).optional()
        });
        found.map_err(|e| self.trouble(&e))
    }

    /// Whether anything is kept of a place.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn has_content(&self, place: &str) -> Result<bool, Trouble> {
        let sql = "SELECT 1 FROM content WHERE place = ?1 LIMIT 1";
        let found = self
            .db
            .prepare_cached(sql)
            .and_then(|mut one| one.exists([place]));
        found.map_err(|e| self.trouble(&e))
    }

    /// Keeps what was read; what is known of the same identity already stays beside it.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn keep_content(&self, place: &str, rows: &[(ContentKey, Content)]) -> Result<(), Trouble> {
        let write = || {
            let transaction = self.db.unchecked_transaction()?;
            put(&transaction, place, rows)?;
            transaction.commit()
        };
        write().map_err(|e| self.trouble(&e))
    }

    /// Every file of which something is kept, told to `each`.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn each_content(&self, place: &str, each: &mut dyn FnMut(ContentKey)) -> Result<(), Trouble> {
        let sql = "SELECT inode, path, size, mtime, ctime FROM content WHERE place = ?1";
        let mut read = || -> rusqlite::Result<()> {
            let mut statement = self.db.prepare_cached(sql)?;
            let mut rows = statement.query([place])?;
            while let Some(row) = rows.next()? {
                each(ContentKey {
                    identity: Identity {
                        inode: uint(row, 0)?,
                        size: crate::units::Bytes(uint(row, 2)?),
                        mtime: codec::moment(row, 3)?,
                        ctime: codec::moment(row, 4)?,
                    },
                    path: row.get(1)?,
                });
            }
            Ok(())
        };
        read().map_err(|e| self.trouble(&e))
    }

    /// Forgets what was read of files that are gone or have changed.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn forget_content(&mut self, place: &str, gone: &[ContentKey]) -> Result<(), Trouble> {
        self.together(|db| {
            let sql = "DELETE FROM content WHERE place = ?1 AND inode = ?2 AND path = ?3";
            let mut statement = db.prepare_cached(sql)?;
            for key in gone {
                statement.execute((place, int(key.identity.inode), &key.path))?;
            }
            Ok(())
        })
    }
}

/// Keeps rows; the caller commits.
pub(super) fn put(db: &Connection, place: &str, rows: &[(ContentKey, Content)]) -> rusqlite::Result<()> {
    const SAME: &str = "size = excluded.size AND mtime = excluded.mtime AND ctime = excluded.ctime";
    if rows.is_empty() {
        return Ok(());
    }
    let kept = |column: &str| {
        format!(
            "{column} = CASE WHEN {SAME} THEN coalesce(excluded.{column}, {column}) ELSE excluded.{column} END"
        )
    };
    let columns = ["sample", "whole", "header", "header_at"].map(kept).join(", ");
    // Whether the whole can be trusted hangs on when it was read, so that time stays with it.
    let sql = format!(
        "INSERT INTO content (place, inode, path, size, mtime, ctime, sample, whole, header, header_at, read_at) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11) ON CONFLICT (place, inode, path) DO UPDATE SET \
         read_at = CASE WHEN {SAME} AND whole IS NOT NULL AND excluded.whole IS NULL THEN read_at \
         ELSE excluded.read_at END, {columns}, size = excluded.size, mtime = excluded.mtime, ctime = excluded.ctime"
    );
    let mut statement = db.prepare_cached(&sql)?;
    for (key, content) in rows {
        let id = &key.identity;
        let date = content.header.flatten();
        statement.execute(rusqlite::params![
            place,
            int(id.inode),
            key.path,
            int(id.size.0),
            codec::stamp(id.mtime),
            codec::stamp(id.ctime),
            content.sample.map(|hash| hash.0),
            content.whole.map(|hash| hash.0),
            content.header.map(word_of),
            date.map(|date| codec::stamp(date.at)),
            codec::stamp(content.read_at),
        ])?;
    }
    Ok(())
}

/// Bit 0: there is a date; 1: it has no zone; 2: it was put right.
fn word_of(header: Option<HeaderDate>) -> i64 {
    header.map_or(0, |date| {
        1 | i64::from(date.local) << 1 | i64::from(date.corrected) << 2
    })
}

fn content(row: &Row<'_>) -> rusqlite::Result<Content> {
    let hash = |column: usize| -> rusqlite::Result<Option<Digest>> {
        let bytes: Option<[u8; 32]> = row.get(column)?;
        Ok(bytes.map(Digest))
    };
    let word: Option<i64> = row.get(2)?;
    let at = codec::maybe_moment(row, 3)?;
    let date = |word: i64| {
        at.filter(|_| word & 1 != 0).map(|at| HeaderDate {
            at,
            local: word & 2 != 0,
            corrected: word & 4 != 0,
        })
    };
    Ok(Content {
        sample: hash(0)?,
        whole: hash(1)?,
        header: word.map(date),
        read_at: codec::moment(row, 4)?,
    })
}
