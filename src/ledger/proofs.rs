//! What stands behind "verified" as a whole: the sealed proof file of a batch, what its disks
//! delivered, and the check files that were found among its files.

use super::Ledger;
use super::codec::{self, int, uint};
use crate::digest::Digest;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::Bytes;
use rusqlite::Connection;

/// The proof file that stands for a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProofRow {
    /// When it was written.
    pub at: Moment,
    /// Its name in `reports/proofs/`.
    pub file: String,
    /// BLAKE3 of all its bytes.
    pub hash: Digest,
}

/// What the disks delivered while a batch was read back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Witnessed {
    /// When the reading ended.
    pub at: Moment,
    /// Bytes that had to come from the disks.
    pub due: Bytes,
    /// Bytes they delivered, or why that could not be seen.
    pub delivered: Result<Bytes, String>,
}

/// A check file found among the files of a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CheckFileRow {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// When it was last written.
    pub mtime: Moment,
    /// Lines whose file agrees.
    pub same: u64,
    /// Places whose files do not.
    pub differing: Vec<RelPath>,
    /// Lines whose file is not there any more.
    pub absent: u64,
    /// Lines whose file was not read since the check file was found.
    pub uncompared: u64,
    /// Lines that say nothing, name a path outside the batch, or pass the bounds.
    pub unread: u64,
}

/// Records what the disks delivered during one reading back, inside a transaction.
pub(super) fn put_seen(db: &Connection, batch: i64, seen: &Witnessed) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO witnessed VALUES (?1, ?2, ?3, ?4, ?5)";
    let delivered = seen.delivered.as_ref().ok().map(|bytes| int(bytes.0));
    let (at, due) = (codec::stamp(seen.at), int(seen.due.0));
    db.execute(sql, (batch, at, due, delivered, seen.delivered.as_ref().err()))
        .map(|_| ())
}

impl Ledger {
    /// Records the proof file of a batch; `None`: none stands.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_proof(&mut self, batch: i64, proof: Option<&ProofRow>) -> Result<(), Trouble> {
        self.together(|db| {
            db.execute("DELETE FROM proofs WHERE batch = ?1", [batch])?;
            if let Some(proof) = proof {
                let row = (batch, codec::stamp(proof.at), &proof.file, proof.hash.0);
                db.execute("INSERT INTO proofs VALUES (?1, ?2, ?3, ?4)", row)?;
                db.execute("UPDATE renames SET due = 0 WHERE batch = ?1", [batch])?;
            }
            Ok(())
        })
    }

    /// The proof file that stands for a batch.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn proof(&self, batch: i64) -> Result<Option<ProofRow>, Trouble> {
        let sql = "SELECT at, file, hash FROM proofs WHERE batch = ?1";
        let mut rows = self.rows(sql, [batch], |row| {
            Ok(ProofRow {
                at: codec::moment(row, 0)?,
                file: row.get(1)?,
                hash: codec::digest(row, 2)?,
            })
        })?;
        Ok(rows.pop())
    }

    /// Records what the disks delivered during one reading back.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_witnessed(&mut self, batch: i64, seen: &Witnessed) -> Result<(), Trouble> {
        self.together(|db| put_seen(db, batch, seen))
    }

    /// What the disks delivered during the readings of a batch, oldest first.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn witnessed(&self, batch: i64) -> Result<Vec<Witnessed>, Trouble> {
        let sql = "SELECT at, due, delivered, why FROM witnessed WHERE batch = ?1 ORDER BY at";
        self.rows(sql, [batch], |row| {
            let delivered: Option<i64> = row.get(2)?;
            let why: Option<String> = row.get(3)?;
            Ok(Witnessed {
                at: codec::moment(row, 0)?,
                due: Bytes(uint(row, 1)?),
                delivered: match delivered {
                    Some(bytes) => Ok(Bytes(bytes as u64)),
                    None => Err(why.unwrap_or_default()),
                },
            })
        })
    }

    /// Records the check files of a batch, in place of those known before.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_check_files(&mut self, batch: i64, found: &[CheckFileRow]) -> Result<(), Trouble> {
        let sql = "INSERT INTO check_files VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
        self.together(|db| {
            db.execute("DELETE FROM check_files WHERE batch = ?1", [batch])?;
            for one in found {
                db.prepare_cached(sql)?.execute((
                    batch,
                    one.place.as_bytes(),
                    codec::stamp(one.mtime),
                    int(one.same),
                    places_text(&one.differing),
                    int(one.absent),
                    int(one.uncompared),
                    int(one.unread),
                ))?;
            }
            Ok(())
        })
    }

    /// The check files of a batch, by place.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn check_files(&self, batch: i64) -> Result<Vec<CheckFileRow>, Trouble> {
        let sql = "SELECT path, mtime, same, differing, absent, uncompared, unread FROM check_files \
                   WHERE batch = ?1 ORDER BY path";
        self.rows(sql, [batch], |row| {
            let place = RelPath::new(row.get::<_, Vec<u8>>(0)?).map_err(|_| codec::bad(0, "a place"))?;
            Ok(CheckFileRow {
                place,
                mtime: codec::moment(row, 1)?,
                same: uint(row, 2)?,
                differing: places_of(&row.get::<_, Vec<u8>>(3)?),
                absent: uint(row, 4)?,
                uncompared: uint(row, 5)?,
                unread: uint(row, 6)?,
            })
        })
    }
}

/// Places one after the other, each ended by a NUL, which no path holds.
fn places_text(places: &[RelPath]) -> Vec<u8> {
    let mut out = Vec::new();
    for place in places {
        out.extend_from_slice(place.as_bytes());
        out.push(0);
    }
    out
}

fn places_of(bytes: &[u8]) -> Vec<RelPath> {
    let parts = bytes.split(|b| *b == 0).filter(|part| !part.is_empty());
    parts.filter_map(|part| RelPath::new(part).ok()).collect()
}
