//! What batches of later files bring, and whose records theirs take the place of.
//!
//! A file that changed at the source after its batch began belongs to a later batch from the
//! moment that one begins. The earlier record stays a fact until the newer file is durable at the
//! same place; then it is superseded in the same transaction, so that every place is counted by
//! one batch.

use super::codec::uint;
use super::files;
use super::intents::clear_marks;
use super::{Ledger, trouble_at};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use rusqlite::Connection;
use std::collections::{BTreeSet, HashMap};

/// Notes what a batch brings, inside the transaction that begins it.
pub(super) fn put(db: &Connection, batch: i64, dataset: &str, places: &[RelPath]) -> rusqlite::Result<()> {
    let sql = "INSERT OR IGNORE INTO late VALUES (?1, ?2, ?3)";
    for (folder, name) in places.iter().filter_map(RelPath::split) {
        let id = files::folder_id(db, dataset, &folder)?;
        db.prepare_cached(sql)?.execute((batch, id, name))?;
    }
    Ok(())
}

/// Whether a batch is one of later files.
pub(super) fn brings_late(db: &Connection, batch: i64) -> rusqlite::Result<bool> {
    db.prepare_cached("SELECT 1 FROM late WHERE batch = ?1 LIMIT 1")?
        .exists([batch])
}

/// Takes what earlier batches of the dataset have recorded at a place out of their facts.
pub(super) fn supersede(
    db: &Connection,
    batch: i64,
    dataset: &str,
    folder: i64,
    place: &RelPath,
) -> rusqlite::Result<()> {
    let Some((_, name)) = place.split() else {
        return Ok(());
    };
    let find = "SELECT batch FROM files WHERE batch IN (SELECT id FROM batches WHERE dataset = ?1) \
                AND batch < ?2 AND folder = ?3 AND name = ?4";
    let before: Vec<i64> = db
        .prepare_cached(find)?
        .query_map((dataset, batch, folder, name), |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    for earlier in before {
        let keep = "INSERT OR REPLACE INTO superseded SELECT batch, folder, name, kind, size, hash, ?4 FROM files \
                    WHERE batch = ?1 AND folder = ?2 AND name = ?3";
        db.prepare_cached(keep)?.execute((earlier, folder, name, batch))?;
        for sql in [
            "DELETE FROM files WHERE batch = ?1 AND folder = ?2 AND name = ?3",
            "DELETE FROM blocks WHERE batch = ?1 AND folder = ?2 AND name = ?3",
        ] {
            db.prepare_cached(sql)?.execute((earlier, folder, name))?;
        }
    }
    // Failures and differences of before are settled by the newer file too.
    let others = "SELECT id FROM batches WHERE dataset = ?1 AND id < ?2";
    let earlier: Vec<i64> = db
        .prepare_cached(others)?
        .query_map((dataset, batch), |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    for id in earlier {
        clear_marks(db, id, place.as_bytes())?;
    }
    Ok(())
}

impl Ledger {
    /// The places that are all a batch of later files brings; none for any other batch.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn late_of(&self, batch: i64, dataset: &str) -> Result<BTreeSet<RelPath>, Trouble> {
        self.late_places(
            "SELECT folder, name FROM late WHERE batch = ?1",
            (batch,),
            dataset,
        )
    }

    /// The places in a dataset that batches begun after this one bring.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn late_after(&self, batch: i64, dataset: &str) -> Result<BTreeSet<RelPath>, Trouble> {
        let sql = "SELECT folder, name FROM late WHERE batch > ?1 \
                   AND batch IN (SELECT id FROM batches WHERE dataset = ?2)";
        self.late_places(sql, (batch, dataset), dataset)
    }

    pub(super) fn late_places(
        &self,
        sql: &str,
        params: impl rusqlite::Params,
        dataset: &str,
    ) -> Result<BTreeSet<RelPath>, Trouble> {
        let rows = self.rows(sql, params, |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?))
        })?;
        let mut folders: HashMap<i64, RelPath> = HashMap::new();
        let mut found = BTreeSet::new();
        for (id, name) in rows {
            let folder = match folders.get(&id) {
                Some(folder) => folder.clone(),
                None => self.folder_path(id, dataset)?,
            };
            found.insert(folder.join(&name).map_err(|e| Trouble::defect(e.to_string()))?);
            folders.insert(id, folder);
        }
        Ok(found)
    }

    /// Every name in a folder that some batch of the dataset has recorded or brings, folders on
    /// the way to such included.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn names_at(&self, dataset: &str, folder: &RelPath) -> Result<BTreeSet<Vec<u8>>, Trouble> {
        let Some(id) = files::find_folder(&self.db, dataset, folder).map_err(|e| self.trouble(&e))? else {
            return Ok(BTreeSet::new());
        };
        let sql = "SELECT name FROM files WHERE batch IN (SELECT id FROM batches WHERE dataset = ?1) AND folder = ?2 \
                   UNION SELECT name FROM late WHERE folder = ?2 \
                   UNION SELECT name FROM folders WHERE parent = ?2";
        let rows = self.rows(sql, (dataset, id), |row| row.get::<_, Vec<u8>>(0))?;
        Ok(rows.into_iter().collect())
    }

    /// Files and bytes of a batch whose places later batches have taken.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn superseded(&self, batch: i64) -> Result<Amount, Trouble> {
        let sql = "SELECT count(*), coalesce(sum(size), 0) FROM superseded WHERE batch = ?1 AND kind = 0";
        self.db
            .query_row(sql, [batch], |row| {
                Ok(Amount {
                    files: uint(row, 0)?,
                    bytes: Bytes(uint(row, 1)?),
                })
            })
            .map_err(|e| trouble_at(&self.path, &e))
    }
}
