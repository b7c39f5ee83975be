//! Rounds of fixity: how far each dataset has been read again, and what was found.
//!
//! A round goes through the batches of a dataset, each in the order of its records; a mark says of
//! each batch which record was read last. Batches that are verified while a round runs have no mark
//! and join it.

use super::codec::{self, int, uint};
use super::repairs::{ranges_of, ranges_text};
use super::{FileRecord, Ledger, Ranges, files, trouble_at};
use crate::lifecycle::fixity::{Fate, Part, Slice};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::ReadHow;
use rusqlite::{Connection, Row};
use std::collections::BTreeSet;

/// One round over a dataset.
#[derive(Debug, Clone, PartialEq)]
pub struct FixityRound {
    /// Its number.
    pub id: i64,
    /// The dataset.
    pub dataset: String,
    /// When it began.
    pub began_at: Moment,
    /// When everything was read.
    pub ended_at: Option<Moment>,
    /// How much of it is due, by which slice.
    pub slice: Slice,
    /// Files, symlinks among them, and bytes read so far.
    pub read: Amount,
    /// The least sure way by which any of it was read.
    pub how: Option<ReadHow>,
}

/// Where the reading of one batch stands within a round.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FixityMark {
    /// The number of the folder of the last file read.
    pub folder: i64,
    /// Its name.
    pub name: Vec<u8>,
}

/// Something that is not as it was recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FixityFound {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// What became of it.
    pub fate: Fate,
    /// Byte ranges that differ, ends exclusive, where they are known.
    pub ranges: Ranges,
    /// Whether its ctime is another too: somebody had a hand on it since.
    pub attributes: bool,
}

const COLUMNS: &str = "id, dataset, began_at, ended_at, due, slice, open, files, bytes, how";

fn round_of(row: &Row<'_>) -> rusqlite::Result<FixityRound> {
    let how: Option<String> = row.get(9)?;
    Ok(FixityRound {
        id: row.get(0)?,
        dataset: row.get(1)?,
        began_at: codec::moment(row, 2)?,
        ended_at: codec::maybe_moment(row, 3)?,
        slice: Slice {
            due: Part::of_millionths(uint(row, 4)?),
            number: uint(row, 5)?,
            open: row.get(6)?,
        },
        read: Amount {
            files: uint(row, 7)?,
            bytes: Bytes(uint(row, 8)?),
        },
        how: how.as_deref().and_then(ReadHow::parse),
    })
}

impl Ledger {
    /// The newest rounds of a dataset, at most `most`, the newest first.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn fixity_rounds(&self, dataset: &str, most: u32) -> Result<Vec<FixityRound>, Trouble> {
        let sql = format!("SELECT {COLUMNS} FROM fixity_rounds WHERE dataset = ?1 ORDER BY id DESC LIMIT ?2");
        self.rows(&sql, (dataset, most), round_of)
    }

    /// Datasets that have been read again, by name.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn fixity_datasets(&self) -> Result<Vec<String>, Trouble> {
        let sql = "SELECT DISTINCT dataset FROM fixity_rounds ORDER BY dataset";
        self.rows(sql, [], |row| row.get(0))
    }

    /// Begins a round.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn begin_fixity(&mut self, dataset: &str, at: Moment) -> Result<FixityRound, Trouble> {
        let sql = "INSERT INTO fixity_rounds (dataset, began_at, due, slice, open, files, bytes) \
                   VALUES (?1, ?2, 0, 0, 0, 0, 0)";
        let id = self.together(|db| db.prepare_cached(sql)?.insert((dataset, codec::stamp(at))))?;
        Ok(FixityRound {
            id,
            dataset: dataset.to_string(),
            began_at: at,
            ended_at: None,
            slice: Slice::BEFORE,
            read: Amount::default(),
            how: None,
        })
    }

    /// Keeps how far a round is: its slice, what was read, and whether it has ended.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn keep_fixity(&mut self, round: &FixityRound) -> Result<(), Trouble> {
        self.together(|db| put_round(db, round))
    }

    /// Where the reading of a batch stands within a round.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn fixity_mark(&self, round: i64, batch: i64) -> Result<Option<FixityMark>, Trouble> {
        let sql = "SELECT folder, name FROM fixity_marks WHERE round = ?1 AND batch = ?2";
        let read = |row: &Row<'_>| {
            Ok(FixityMark {
                folder: row.get(0)?,
                name: row.get(1)?,
            })
        };
        Ok(self.rows(sql, (round, batch), read)?.pop())
    }

    /// When fixity last read anything of a batch.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn fixity_last(&self, batch: i64) -> Result<Option<Moment>, Trouble> {
        let sql = "SELECT at FROM fixity_marks WHERE batch = ?1 ORDER BY round DESC LIMIT 1";
        Ok(self.rows(sql, [batch], |row| codec::moment(row, 0))?.pop())
    }

    /// Files, symlinks among them, and bytes of a batch behind a mark.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn fixity_left(&self, batch: i64, mark: Option<&FixityMark>) -> Result<Amount, Trouble> {
        let (folder, name) = bounds(mark);
        let sql = "SELECT count(*), coalesce(sum(size), 0) FROM files \
                   WHERE batch = ?1 AND (folder, name) > (?2, ?3)";
        let fail = |e: rusqlite::Error| trouble_at(&self.path, &e);
        let mut statement = self.db.prepare_cached(sql).map_err(fail)?;
        statement
            .query_row((batch, folder, name), |row| {
                Ok(Amount {
                    files: uint(row, 0)?,
                    bytes: Bytes(uint(row, 1)?),
                })
            })
            .map_err(fail)
    }

    /// The next records of a batch behind a mark, each with the mark that stands for it.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn fixity_next(
        &self,
        batch: i64,
        dataset: &str,
        mark: Option<&FixityMark>,
        most: u32,
    ) -> Result<Vec<(FixityMark, FileRecord)>, Trouble> {
        let (folder, name) = bounds(mark);
        let fail = |e: rusqlite::Error| trouble_at(&self.path, &e);
        let sql = format!(
            "SELECT {}, folder FROM files WHERE batch = ?1 AND (folder, name) > (?2, ?3) \
             ORDER BY folder, name LIMIT ?4",
            files::COLUMNS
        );
        let mut statement = self.db.prepare_cached(&sql).map_err(fail)?;
        let mut rows = statement.query((batch, folder, name, most)).map_err(fail)?;
        let mut found = Vec::new();
        let mut known: Option<(i64, RelPath)> = None;
        while let Some(row) = rows.next().map_err(fail)? {
            let folder: i64 = row.get(13).map_err(fail)?;
            let path = match known.take() {
                Some((same, path)) if same == folder => path,
                _ => self.folder_path(folder, dataset)?,
            };
            let record = files::record_of(row, &path).map_err(fail)?;
            let name = row.get(0).map_err(fail)?;
            found.push((FixityMark { folder, name }, record));
            known = Some((folder, path));
        }
        Ok(found)
    }

    /// Records what was read of a batch up to a mark, and what was found, all of it or nothing.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn note_fixity(
        &mut self,
        round: &FixityRound,
        (batch, mark): (i64, &FixityMark),
        found: &[FixityFound],
        at: Moment,
    ) -> Result<(), Trouble> {
        let at = codec::stamp(at);
        self.together(|db| {
            let sql = "INSERT OR REPLACE INTO fixity_marks VALUES (?1, ?2, ?3, ?4, ?5)";
            db.prepare_cached(sql)?
                .execute((round.id, batch, mark.folder, &mark.name, &at))?;
            put_round(db, round)?;
            put_found(db, round, found, &at)
        })
    }

    /// Records what was found beside the files of the batches.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_fixity_found(
        &mut self,
        round: &FixityRound,
        found: &[FixityFound],
        at: Moment,
    ) -> Result<(), Trouble> {
        self.together(|db| put_found(db, round, found, &codec::stamp(at)))
    }

    /// What a round has found, by place; of one slice alone where it is given.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn fixity_found(&self, round: i64, slice: Option<u64>) -> Result<Vec<FixityFound>, Trouble> {
        let sql = "SELECT path, kind, ranges, attributes FROM fixity_found \
                   WHERE round = ?1 AND (?2 IS NULL OR slice = ?2) ORDER BY path, kind";
        self.rows(sql, (round, slice.map(int)), |row| {
            let place = RelPath::new(row.get::<_, Vec<u8>>(0)?).map_err(|_| codec::bad(0, "a place"))?;
            let fate = Fate::parse(&row.get::<_, String>(1)?).ok_or_else(|| codec::bad(1, "a kind"))?;
            Ok(FixityFound {
                place,
                fate,
                ranges: ranges_of(&row.get::<_, String>(2)?),
                attributes: row.get(3)?,
            })
        })
    }

    /// How many of each kind a round has found.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn fixity_counts(&self, round: i64) -> Result<Vec<(Fate, u64)>, Trouble> {
        let sql = "SELECT kind, count(*) FROM fixity_found WHERE round = ?1 GROUP BY kind";
        let mut found = self.rows(sql, [round], |row| {
            let fate = Fate::parse(&row.get::<_, String>(0)?).ok_or_else(|| codec::bad(0, "a kind"))?;
            Ok((fate, uint(row, 1)?))
        })?;
        found.sort();
        Ok(found)
    }

    /// The folders of a dataset that lie in one of its folders.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn folders_in(&self, dataset: &str, folder: &RelPath) -> Result<BTreeSet<Vec<u8>>, Trouble> {
        let Some(id) = files::find_folder(&self.db, dataset, folder).map_err(|e| self.trouble(&e))? else {
            return Ok(BTreeSet::new());
        };
        let rows = self.rows("SELECT name FROM folders WHERE parent = ?1", [id], |row| {
            row.get(0)
        })?;
        Ok(rows.into_iter().collect())
    }

    /// Names in a folder of a dataset that copies are about to give, or have staged.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn names_intended(&self, dataset: &str, folder: &RelPath) -> Result<BTreeSet<Vec<u8>>, Trouble> {
        let Some(id) = files::find_folder(&self.db, dataset, folder).map_err(|e| self.trouble(&e))? else {
            return Ok(BTreeSet::new());
        };
        let sql =
            "SELECT staged FROM intents WHERE folder = ?1 UNION SELECT name FROM intents WHERE folder = ?1";
        Ok(self.rows(sql, [id], |row| row.get(0))?.into_iter().collect())
    }

    /// Takes back what stands against places of a batch: they were found whole again.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn clear_differences(&mut self, batch: i64, places: &[RelPath]) -> Result<(), Trouble> {
        self.together(|db| {
            for place in places {
                let sql = "DELETE FROM differences WHERE batch = ?1 AND path = ?2";
                db.prepare_cached(sql)?.execute((batch, place.as_bytes()))?;
            }
            Ok(())
        })
    }
}

/// A mark as the bounds of a comparison: without one, everything lies behind.
fn bounds(mark: Option<&FixityMark>) -> (i64, &[u8]) {
    mark.map_or((0, &[]), |mark| (mark.folder, &mark.name))
}

fn put_round(db: &Connection, round: &FixityRound) -> rusqlite::Result<()> {
    let sql = "UPDATE fixity_rounds SET ended_at = ?2, due = ?3, slice = ?4, open = ?5, files = ?6, bytes = ?7, \
               how = ?8 WHERE id = ?1";
    db.prepare_cached(sql)?.execute((
        round.id,
        round.ended_at.map(codec::stamp),
        int(round.slice.due.millionths()),
        int(round.slice.number),
        round.slice.open,
        int(round.read.files),
        int(round.read.bytes.0),
        round.how.map(ReadHow::word),
    ))?;
    Ok(())
}

fn put_found(
    db: &Connection,
    round: &FixityRound,
    found: &[FixityFound],
    at: &rusqlite::types::Value,
) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO fixity_found VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
    for one in found {
        db.prepare_cached(sql)?.execute((
            round.id,
            one.place.as_bytes(),
            one.fate.word(),
            ranges_text(&one.ranges),
            one.attributes,
            int(round.slice.number),
            at,
        ))?;
    }
    Ok(())
}
