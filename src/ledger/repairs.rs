//! Repairs in place: what a copy is about to write into a file that has its name already, and the
//! step from there back to a fact. And files whose source was read twice with different content.

use super::codec::{self, int};
use super::{Ledger, files};
use crate::entry::Identity;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;

/// Byte ranges of a file, ends exclusive.
pub type Ranges = Vec<(u64, u64)>;

/// What a repair in place came to.
#[derive(Debug, Clone)]
pub struct Settled {
    /// The file that was written into.
    pub place: RelPath,
    /// Every name of it below the dataset's folder, this one too.
    pub names: Vec<RelPath>,
    /// What it is now, durable.
    pub placed: Identity,
    /// Whether its content is what was recorded at the first copy. If not, the difference stays.
    pub whole: bool,
    /// When.
    pub at: Moment,
}

/// Ranges as text: `0-16777216,33554432-50331648`.
pub(super) fn ranges_text(ranges: &[(u64, u64)]) -> String {
    let ranges: Vec<String> = ranges.iter().map(|(a, b)| format!("{a}-{b}")).collect();
    ranges.join(",")
}

/// What [`ranges_text`] wrote.
pub(super) fn ranges_of(text: &str) -> Ranges {
    let pair = |text: &str| {
        text.split_once('-')
            .and_then(|(a, b)| Some((a.parse().ok()?, b.parse().ok()?)))
    };
    text.split(',').filter_map(pair).collect()
}

impl Ledger {
    /// Records that ranges of a file are about to be written in place, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written; nothing is recorded then.
    pub fn intend_repair(
        &mut self,
        batch: i64,
        dataset: &str,
        place: &RelPath,
        ranges: &[(u64, u64)],
    ) -> Result<(), Trouble> {
        let Some((folder, name)) = place.split() else {
            return Err(Trouble::defect("the root is no file"));
        };
        self.together(|db| {
            let id = files::folder_id(db, dataset, &folder)?;
            let sql = "INSERT OR REPLACE INTO repairs VALUES (?1, ?2, ?3, ?4)";
            db.prepare_cached(sql)?
                .execute((batch, id, name, ranges_text(ranges)))?;
            Ok(())
        })
    }

    /// Repairs that an earlier run left behind, by place.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn repairs_of(&self, batch: i64, dataset: &str) -> Result<Vec<(RelPath, Ranges)>, Trouble> {
        let sql = "SELECT folder, name, ranges FROM repairs WHERE batch = ?1";
        let rows = self.rows(sql, [batch], |row| {
            Ok((
                row.get::<_, i64>(0)?,
                row.get::<_, Vec<u8>>(1)?,
                row.get::<_, String>(2)?,
            ))
        })?;
        let place = |(folder, name, ranges): (i64, Vec<u8>, String)| {
            let place = self.folder_path(folder, dataset)?.join(&name);
            let place = place.map_err(|e| Trouble::defect(e.to_string()))?;
            Ok((place, ranges_of(&ranges)))
        };
        rows.into_iter().map(place).collect()
    }

    /// Forgets a repair that was not begun, or whose file is no longer ours.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn drop_repair(&mut self, batch: i64, dataset: &str, place: &RelPath) -> Result<(), Trouble> {
        let Some((folder, name)) = place.split() else {
            return Ok(());
        };
        self.together(|db| {
            let id = files::folder_id(db, dataset, &folder)?;
            let sql = "DELETE FROM repairs WHERE batch = ?1 AND folder = ?2 AND name = ?3";
            db.prepare_cached(sql)?.execute((batch, id, name)).map(|_| ())
        })
    }

    /// Records what a file has become by a repair, under each of its names, and settles the intent,
    /// all of it or nothing, durable when this returns. It is copied then, and not verified.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written; nothing is recorded then.
    pub fn settle_repair(&mut self, batch: i64, dataset: &str, settled: &Settled) -> Result<(), Trouble> {
        self.together(|db| {
            let ours = "batch IN (SELECT id FROM batches WHERE dataset = ?1)";
            let renew = format!(
                "UPDATE files SET placed_inode = ?4, placed_mtime = CASE WHEN mtime = ?5 THEN NULL ELSE ?5 END, \
                 placed_ctime = ?6, how = 0, verified_at = NULL, copied_at = ?7 \
                 WHERE {ours} AND folder = ?2 AND name = ?3"
            );
            let clear = format!("DELETE FROM differences WHERE {ours} AND path = ?2 AND kind IN ('content', 'mode', 'owner')");
            for place in &settled.names {
                let Some((folder, name)) = place.split() else {
                    continue;
                };
                let id = files::folder_id(db, dataset, &folder)?;
                db.prepare_cached(&renew)?.execute(rusqlite::params![
                    dataset,
                    id,
                    name,
                    int(settled.placed.inode),
                    codec::stamp(settled.placed.mtime),
                    codec::stamp(settled.placed.ctime),
                    settled.at.seconds,
                ])?;
                if settled.whole {
                    db.prepare_cached(&clear)?.execute((dataset, place.as_bytes()))?;
                }
            }
            let Some((folder, name)) = settled.place.split() else {
                return Ok(());
            };
            let id = files::folder_id(db, dataset, &folder)?;
            let sql = "DELETE FROM repairs WHERE batch = ?1 AND folder = ?2 AND name = ?3";
            db.prepare_cached(sql)?.execute((batch, id, name)).map(|_| ())
        })
    }

    /// Whether the last verification found the content of a place bad or missing.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn is_bad(&self, dataset: &str, place: &RelPath) -> Result<bool, Trouble> {
        let sql = "SELECT 1 FROM differences WHERE batch IN (SELECT id FROM batches WHERE dataset = ?1) \
                   AND path = ?2 AND kind IN ('content', 'size', 'type', 'absent', 'unreadable') LIMIT 1";
        let found = self.rows(sql, (dataset, place.as_bytes()), |row| row.get::<_, i64>(0))?;
        Ok(!found.is_empty())
    }

    /// Notes that the source of a file, unchanged by its facts, gave other bytes than before.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_disagreement(&mut self, batch: i64, place: &RelPath, at: Moment) -> Result<(), Trouble> {
        let sql = "INSERT OR REPLACE INTO disagreements VALUES (?1, ?2, ?3)";
        let (place, at) = (place.as_bytes(), codec::stamp(at));
        self.together(|db| db.execute(sql, (batch, place, at)).map(|_| ()))
    }

    /// Files of a batch whose source gave different bytes at two readings.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn disagreements(&self, batch: i64) -> Result<Vec<RelPath>, Trouble> {
        let sql = "SELECT path FROM disagreements WHERE batch = ?1 ORDER BY path";
        self.rows(sql, [batch], |row| {
            RelPath::new(row.get::<_, Vec<u8>>(0)?).map_err(|_| codec::bad(0, "a place"))
        })
    }
}
