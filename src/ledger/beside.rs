//! What is known of a file beside its record: how reading it back went, a second hash, a second
//! reading of its source. All of it counts only for the content it was found with.

use super::codec;
use super::files::{self, COLUMNS, FileRecord, Proof};
use super::{Ledger, trouble_at};
use crate::digest::Digest;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::Amount;
use crate::world::ReadHow;
use rusqlite::Connection;

/// A file that was read back and found equal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadBack {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// BLAKE3 of what was read.
    pub hash: Digest,
    /// How it was read.
    pub how: ReadHow,
    /// SHA-256 of the same bytes, where it was asked for.
    pub sha256: Option<[u8; 32]>,
    /// Whether it agrees with the check files that list it, where any does.
    pub listed: Option<bool>,
}

/// What is known of a file beside its record.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Beside {
    /// SHA-256 of its content.
    pub sha256: Option<[u8; 32]>,
    /// When its source was read a second time, and gave the same, to the second.
    pub source_again: Option<Moment>,
    /// Whether it agrees with the check files that list it, where any does.
    pub listed: Option<bool>,
}

const KEEP: &str = "INSERT INTO beside VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT (batch, folder, name) DO UPDATE SET \
     sha256 = CASE WHEN content = excluded.content THEN coalesce(excluded.sha256, sha256) ELSE excluded.sha256 END, \
     source_again = CASE WHEN content = excluded.content THEN coalesce(excluded.source_again, source_again) \
                    ELSE excluded.source_again END, \
     listed = CASE WHEN content = excluded.content THEN coalesce(excluded.listed, listed) ELSE excluded.listed END, \
     content = excluded.content";

fn keep(db: &Connection, key: (i64, i64, &[u8]), content: Digest, beside: Beside) -> rusqlite::Result<()> {
    let again = beside.source_again.map(|at| at.seconds);
    db.prepare_cached(KEEP)?
        .execute((
            key.0,
            key.1,
            key.2,
            content.0,
            beside.sha256,
            again,
            beside.listed,
        ))
        .map(|_| ())
}

/// Marks files as read back and equal, inside a transaction.
pub(super) fn put_verified(
    db: &Connection,
    batch: i64,
    dataset: &str,
    found: &[ReadBack],
    at: Moment,
) -> rusqlite::Result<()> {
    let sql = "UPDATE files SET how = ?1, verified_at = ?2 WHERE batch = ?3 AND folder = ?4 AND name = ?5";
    for one in found {
        let Some((folder, name)) = one.place.split() else {
            continue;
        };
        let id = files::folder_id(db, dataset, &folder)?;
        let (code, stamp) = Proof::Verified { how: one.how, at }.code();
        db.prepare_cached(sql)?.execute((code, stamp, batch, id, name))?;
        if one.sha256.is_some() || one.listed.is_some() {
            let beside = Beside {
                sha256: one.sha256,
                source_again: None,
                listed: one.listed,
            };
            keep(db, (batch, id, name), one.hash, beside)?;
        }
    }
    Ok(())
}

/// Records that sources were read once more, inside a transaction.
pub(super) fn put_read_again(
    db: &Connection,
    batch: i64,
    dataset: &str,
    found: &[(RelPath, Digest)],
    at: Moment,
) -> rusqlite::Result<()> {
    let again = Beside {
        source_again: Some(at),
        ..Beside::default()
    };
    for (place, hash) in found {
        let Some((folder, name)) = place.split() else {
            continue;
        };
        let id = files::folder_id(db, dataset, &folder)?;
        keep(db, (batch, id, name), *hash, again)?;
    }
    Ok(())
}

impl Ledger {
    /// Marks files as read back and equal, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn mark_verified(
        &mut self,
        batch: i64,
        dataset: &str,
        found: &[ReadBack],
        at: Moment,
    ) -> Result<(), Trouble> {
        self.together(|db| put_verified(db, batch, dataset, found, at))
    }

    /// Marks what was read back since a moment as read in a way of which nothing can be said,
    /// durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn doubt_reading(&mut self, batch: i64, since: Moment) -> Result<(), Trouble> {
        let code = |how| Proof::Verified { how, at: since }.code().0;
        let (unknown, server) = (code(ReadHow::Unknown), code(ReadHow::Server));
        let sql = "UPDATE files SET how = ?1 WHERE batch = ?2 AND verified_at >= ?3 AND how <> ?4";
        self.together(|db| {
            db.execute(sql, (unknown, batch, since.seconds, server))
                .map(|_| ())
        })
    }

    /// Records that the sources of these files were read once more and gave the same content,
    /// durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn mark_read_again(
        &mut self,
        batch: i64,
        dataset: &str,
        found: &[(RelPath, Digest)],
        at: Moment,
    ) -> Result<(), Trouble> {
        self.together(|db| put_read_again(db, batch, dataset, found, at))
    }

    /// What is known beside the record of one file; nothing where its content is another now.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn beside(&self, batch: i64, dataset: &str, record: &FileRecord) -> Result<Beside, Trouble> {
        let Some((folder, name)) = record.place.split() else {
            return Ok(Beside::default());
        };
        let Some(id) = files::find_folder(&self.db, dataset, &folder).map_err(|e| self.trouble(&e))? else {
            return Ok(Beside::default());
        };
        let sql = "SELECT sha256, source_again, listed FROM beside \
                   WHERE batch = ?1 AND folder = ?2 AND name = ?3 AND content = ?4";
        let mut rows = self.rows(sql, (batch, id, name, record.hash.0), |row| beside_of(row, 0))?;
        Ok(rows.pop().unwrap_or_default())
    }

    /// Files of a batch whose SHA-256 is known, and files and bytes whose source was read twice.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn beside_totals(&self, batch: i64) -> Result<(u64, Amount, Option<(Moment, Moment)>), Trouble> {
        let sql = "SELECT count(b.sha256), count(b.source_again), \
                   coalesce(sum(CASE WHEN b.source_again IS NULL THEN 0 ELSE f.size END), 0), \
                   min(b.source_again), max(b.source_again) FROM beside b JOIN files f \
                   ON f.batch = b.batch AND f.folder = b.folder AND f.name = b.name AND f.hash = b.content \
                   WHERE b.batch = ?1 AND f.kind = 0";
        let rows = self.rows(sql, [batch], |row| {
            let twice = Amount {
                files: codec::uint(row, 1)?,
                bytes: crate::units::Bytes(codec::uint(row, 2)?),
            };
            let ends: (Option<i64>, Option<i64>) = (row.get(3)?, row.get(4)?);
            let between = ends.0.zip(ends.1);
            let between = between.map(|(a, b)| (Moment::from_seconds(a), Moment::from_seconds(b)));
            Ok((codec::uint(row, 0)?, twice, between))
        })?;
        Ok(rows.into_iter().next().unwrap_or_default())
    }

    /// Every record of a batch with what is known beside it, in byte order of folders and in each
    /// of names, handed on one by one: the folders are held in memory, the files are not.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read, or what `each` answers.
    pub fn each_in_order(
        &self,
        batch: i64,
        dataset: &str,
        mut each: impl FnMut(FileRecord, Beside) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        let fail = |e: rusqlite::Error| trouble_at(&self.path, &e);
        let mut folders = Vec::new();
        let sql = "SELECT DISTINCT folder FROM files WHERE batch = ?1";
        for id in self.rows(sql, [batch], |row| row.get::<_, i64>(0))? {
            folders.push((self.folder_path(id, dataset)?, id));
        }
        folders.sort();
        let columns: Vec<String> = COLUMNS.split(", ").map(|c| format!("f.{}", c.trim())).collect();
        let sql = format!(
            "SELECT {}, b.sha256, b.source_again, b.listed FROM files f LEFT JOIN beside b \
             ON b.batch = f.batch AND b.folder = f.folder AND b.name = f.name AND b.content = f.hash \
             WHERE f.batch = ?1 AND f.folder = ?2 ORDER BY f.name",
            columns.join(", ")
        );
        let mut statement = self.db.prepare_cached(&sql).map_err(fail)?;
        for (folder, id) in folders {
            let mut rows = statement.query((batch, id)).map_err(fail)?;
            while let Some(row) = rows.next().map_err(fail)? {
                let record = files::record_of(row, &folder).map_err(fail)?;
                each(record, beside_of(row, columns.len()).map_err(fail)?)?;
            }
        }
        Ok(())
    }
}

fn beside_of(row: &rusqlite::Row<'_>, first: usize) -> rusqlite::Result<Beside> {
    let again: Option<i64> = row.get(first + 1)?;
    Ok(Beside {
        sha256: row.get(first)?,
        source_again: again.map(Moment::from_seconds),
        listed: row.get(first + 2)?,
    })
}
