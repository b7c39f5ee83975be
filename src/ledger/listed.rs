//! What is listed beside the facts: failures, losses, differences, samples, acceptances, sheets.

use super::Ledger;
use super::codec::{self, int, uint};
use crate::digest::Digest;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes, Span};
use rusqlite::{Connection, Row};

/// A file that could not be copied, or must not be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// Fixed kebab-case word: `medium`, `denied`, `conflict-edited`, `conflict-not-ours`, `gone`.
    pub code: String,
    /// What happened, in words.
    pub text: String,
    /// How large it is.
    pub bytes: Bytes,
    /// When.
    pub at: Moment,
}

/// Something in which the destination is not what it should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// Fixed word of JSON: `content`, `size`, `absent` and so on.
    pub kind: String,
    /// Byte ranges that differ, ends exclusive.
    pub ranges: Vec<(u64, u64)>,
    /// Whether it stands against the batch; by-products of desktops and the like do not.
    pub blocking: bool,
    /// When it was seen.
    pub at: Moment,
}

/// How long a piece of work took; what the forecast learns from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sample {
    /// The batch it belonged to.
    pub batch: String,
    /// The source.
    pub source: String,
    /// `copy` or `verify`.
    pub task: String,
    /// When it ended.
    pub at: Moment,
    /// Files under 1 MiB.
    pub small: Amount,
    /// The others.
    pub large: Amount,
    /// How long it took.
    pub span: Span,
    /// How many at once.
    pub streams: u32,
}

/// A left-behind code the user has accepted, and how many there were then.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Accepted {
    /// The code.
    pub code: String,
    /// How many there were.
    pub count: u64,
    /// When.
    pub at: Moment,
}

/// A release sheet that was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheet {
    /// When.
    pub at: Moment,
    /// Its file.
    pub file: String,
    /// Its BLAKE3.
    pub hash: Digest,
    /// Whether something stood against the release when it was written.
    pub shut: bool,
}

pub(super) fn put_failure(db: &Connection, batch: i64, failure: &Failure) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO failures VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
    let (place, at) = (failure.place.as_bytes(), codec::stamp(failure.at));
    db.prepare_cached(sql)?.execute((
        batch,
        place,
        &failure.code,
        &failure.text,
        int(failure.bytes.0),
        at,
    ))?;
    Ok(())
}

pub(super) fn place(row: &Row<'_>, column: usize) -> rusqlite::Result<RelPath> {
    RelPath::new(row.get::<_, Vec<u8>>(column)?).map_err(|_| codec::bad(column, "a place"))
}

/// Replaces what a verification has found, inside a transaction.
pub(super) fn put_found(db: &Connection, batch: i64, found: &[Difference]) -> rusqlite::Result<()> {
    db.execute("DELETE FROM differences WHERE batch = ?1", [batch])?;
    let sql = "INSERT OR REPLACE INTO differences VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
    for one in found {
        let (place, at) = (one.place.as_bytes(), codec::stamp(one.at));
        db.prepare_cached(sql)?.execute((
            batch,
            place,
            &one.kind,
            super::repairs::ranges_text(&one.ranges),
            one.blocking,
            at,
        ))?;
    }
    Ok(())
}

impl Ledger {
    /// Files of a batch that could not be copied.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn failures(&self, batch: i64) -> Result<Vec<Failure>, Trouble> {
        let sql = "SELECT path, code, text, bytes, at FROM failures WHERE batch = ?1 ORDER BY path";
        self.rows(sql, [batch], |row| {
            Ok(Failure {
                place: place(row, 0)?,
                code: row.get(1)?,
                text: row.get(2)?,
                bytes: Bytes(uint(row, 3)?),
                at: codec::moment(row, 4)?,
            })
        })
    }

    /// Forgets the failures of a batch: it is about to be tried again.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn clear_failures(&mut self, batch: i64) -> Result<(), Trouble> {
        self.together(|db| {
            db.execute("DELETE FROM failures WHERE batch = ?1", [batch])
                .map(|_| ())
        })
    }

    /// Facts the destination could not keep, by kind.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn losses(&self, batch: i64) -> Result<Vec<(String, u64)>, Trouble> {
        let sql = "SELECT kind, count(*) FROM losses WHERE batch = ?1 GROUP BY kind ORDER BY kind";
        self.rows(sql, [batch], |row| Ok((row.get(0)?, uint(row, 1)?)))
    }

    /// Every fact the destination could not keep, by kind and then by place: place, kind, why.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read, or what `each` answers.
    pub fn each_loss(
        &self,
        batch: i64,
        mut each: impl FnMut(RelPath, &str, &str) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        let fail = |e: rusqlite::Error| self.trouble(&e);
        let sql = "SELECT path, kind, why FROM losses WHERE batch = ?1 ORDER BY kind, path";
        let mut statement = self.db.prepare_cached(sql).map_err(fail)?;
        let mut rows = statement.query([batch]).map_err(fail)?;
        while let Some(row) = rows.next().map_err(fail)? {
            let (kind, why): (String, String) = (row.get(1).map_err(fail)?, row.get(2).map_err(fail)?);
            each(place(row, 0).map_err(fail)?, &kind, &why)?;
        }
        Ok(())
    }

    /// Replaces what a verification has found of a batch, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_differences(&mut self, batch: i64, found: &[Difference]) -> Result<(), Trouble> {
        self.together(|db| put_found(db, batch, found))
    }

    /// What the last verification of a batch has found.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn differences(&self, batch: i64) -> Result<Vec<Difference>, Trouble> {
        let sql =
            "SELECT path, kind, ranges, blocking, at FROM differences WHERE batch = ?1 ORDER BY path, kind";
        self.rows(sql, [batch], |row| {
            let ranges: String = row.get(2)?;
            Ok(Difference {
                place: place(row, 0)?,
                kind: row.get(1)?,
                ranges: super::repairs::ranges_of(&ranges),
                blocking: row.get(3)?,
                at: codec::moment(row, 4)?,
            })
        })
    }

    /// Keeps how long a piece of work took.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_sample(&mut self, sample: &Sample) -> Result<(), Trouble> {
        let sql = "INSERT INTO samples (batch, source, task, at, files, bytes, small_files, small_bytes, micros, \
                   streams) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)";
        self.together(|db| {
            db.execute(
                sql,
                rusqlite::params![
                    sample.batch,
                    sample.source,
                    sample.task,
                    codec::stamp(sample.at),
                    int(sample.large.files),
                    int(sample.large.bytes.0),
                    int(sample.small.files),
                    int(sample.small.bytes.0),
                    int(sample.span.0),
                    sample.streams
                ],
            )
            .map(|_| ())
        })
    }

    /// Every sample, oldest first.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn samples(&self) -> Result<Vec<Sample>, Trouble> {
        let sql = "SELECT batch, source, task, at, files, bytes, small_files, small_bytes, micros, streams \
                   FROM samples ORDER BY id";
        self.rows(sql, [], |row| {
            let amount = |a, b| {
                Ok::<_, rusqlite::Error>(Amount {
                    files: uint(row, a)?,
                    bytes: Bytes(uint(row, b)?),
                })
            };
            Ok(Sample {
                batch: row.get(0)?,
                source: row.get(1)?,
                task: row.get(2)?,
                at: codec::moment(row, 3)?,
                large: amount(4, 5)?,
                small: amount(6, 7)?,
                span: Span(uint(row, 8)?),
                streams: row.get(9)?,
            })
        })
    }

    /// Notes that the user accepts `count` left-behind entries of this code.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn accept(&mut self, batch: &str, accepted: &Accepted) -> Result<(), Trouble> {
        let (code, count, at) = (&accepted.code, int(accepted.count), codec::stamp(accepted.at));
        let sql = "INSERT OR REPLACE INTO accepted VALUES (?1, ?2, ?3, ?4)";
        self.together(|db| db.execute(sql, (batch, code, count, at)).map(|_| ()))
    }

    /// What the user has accepted of a batch.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn accepted(&self, batch: &str) -> Result<Vec<Accepted>, Trouble> {
        let sql = "SELECT code, count, at FROM accepted WHERE batch = ?1 ORDER BY code";
        self.rows(sql, [batch], |row| {
            Ok(Accepted {
                code: row.get(0)?,
                count: uint(row, 1)?,
                at: codec::moment(row, 2)?,
            })
        })
    }

    /// Keeps that a release sheet was written, in place of the one before.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_sheet(&mut self, batch: &str, sheet: &Sheet) -> Result<(), Trouble> {
        let sql = "INSERT OR REPLACE INTO sheets VALUES (?1, ?2, ?3, ?4, ?5)";
        self.together(|db| {
            db.execute(
                sql,
                (
                    batch,
                    codec::stamp(sheet.at),
                    &sheet.file,
                    sheet.hash.0,
                    sheet.shut,
                ),
            )
            .map(|_| ())
        })
    }

    /// The release sheet of a batch.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn sheet(&self, batch: &str) -> Result<Option<Sheet>, Trouble> {
        let row = |row: &Row<'_>| {
            Ok(Sheet {
                at: codec::moment(row, 0)?,
                file: row.get(1)?,
                hash: codec::digest(row, 2)?,
                shut: row.get(3)?,
            })
        };
        Ok(self
            .rows(
                "SELECT at, file, hash, shut FROM sheets WHERE batch = ?1",
                [batch],
                row,
            )?
            .pop())
    }

    /// Notes a restore test: what was brought back and compared.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_restore(&mut self, path: &[u8], amount: Amount, at: Moment) -> Result<(), Trouble> {
        let sql = "INSERT INTO restores (at, path, files, bytes) VALUES (?1, ?2, ?3, ?4)";
        let (files, bytes) = (int(amount.files), int(amount.bytes.0));
        self.together(|db| {
            db.execute(sql, (codec::stamp(at), path, files, bytes))
                .map(|_| ())
        })
    }

    /// The restore tests, oldest first: when, and how much was compared.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn restores(&self) -> Result<Vec<(Moment, Amount)>, Trouble> {
        self.rows("SELECT at, files, bytes FROM restores ORDER BY id", [], |row| {
            Ok((
                codec::moment(row, 0)?,
                Amount {
                    files: uint(row, 1)?,
                    bytes: Bytes(uint(row, 2)?),
                },
            ))
        })
    }
}
