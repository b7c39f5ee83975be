//! Folders that follow a new name at the source: the intents, and the one transaction after which
//! everything recorded of them bears the new name.

use super::codec::{self, int, uint};
use super::moves::renamed;
use super::{Ledger, files};
use crate::digest::Digest;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use rusqlite::{Connection, OptionalExtension, Row};

/// A folder that is about to be renamed at the destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FollowRow {
    /// Its number; 0 before it is recorded.
    pub id: i64,
    /// The dataset it lies in.
    pub dataset: String,
    /// The source its project comes from.
    pub source: String,
    /// The project's path at the source before and now.
    pub keys: (RelPath, RelPath),
    /// Its place below the dataset's folder before and now; both in one folder.
    pub places: (RelPath, RelPath),
    /// The name it bears meanwhile where it changes places with another.
    pub aside: Vec<u8>,
    /// The folder's inode number at the destination.
    pub inode: u64,
    /// The files in it, which need not be sent.
    pub amount: Amount,
}

/// What is to be recorded once all folders of a dataset bear their new names.
#[derive(Debug, Clone, Default)]
pub struct Finished {
    /// Batches that hold them: number, new body, index with the new names.
    pub batches: Vec<(i64, String, Digest)>,
    /// The stored plan with the new names, where there is one.
    pub plan: Option<String>,
}

fn row_of(row: &Row<'_>) -> rusqlite::Result<FollowRow> {
    let path = |at| RelPath::new(row.get::<_, Vec<u8>>(at)?).map_err(|_| codec::bad(at, "a path"));
    Ok(FollowRow {
        id: row.get(0)?,
        dataset: row.get(1)?,
        source: row.get(2)?,
        keys: (path(3)?, path(4)?),
        places: (path(5)?, path(6)?),
        aside: row.get(7)?,
        inode: uint(row, 8)?,
        amount: Amount {
            files: uint(row, 9)?,
            bytes: Bytes(uint(row, 10)?),
        },
    })
}

impl Ledger {
    /// Records what is about to be renamed, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn begin_follows(&mut self, rows: &[FollowRow]) -> Result<(), Trouble> {
        self.together(|db| {
            let sql = "INSERT INTO follows (dataset, source, old_key, new_key, old_place, new_place, aside, inode, \
                       files, bytes) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)";
            for row in rows {
                db.execute(
                    sql,
                    rusqlite::params![
                        row.dataset,
                        row.source,
                        row.keys.0.as_bytes(),
                        row.keys.1.as_bytes(),
                        row.places.0.as_bytes(),
                        row.places.1.as_bytes(),
                        row.aside,
                        int(row.inode),
                        int(row.amount.files),
                        int(row.amount.bytes.0)
                    ],
                )?;
            }
            Ok(())
        })
    }

    /// Renames that were begun and are not recorded as done.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn follows(&self) -> Result<Vec<FollowRow>, Trouble> {
        let sql = "SELECT id, dataset, source, old_key, new_key, old_place, new_place, aside, inode, files, bytes \
                   FROM follows ORDER BY id";
        self.rows(sql, [], row_of)
    }

    /// Gives everything recorded of these folders, all of one dataset, their new names, in one
    /// transaction: folders, marks by path, batches, the stored plan. The intents go.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written; nothing is renamed in it then.
    pub fn finish_follows(&mut self, rows: &[FollowRow], done: &Finished, at: Moment) -> Result<(), Trouble> {
        let asides = rows
            .iter()
            .map(FollowRow::aside_place)
            .collect::<Result<Vec<_>, _>>()?;
        self.together(|db| {
            // All leave their old names before any takes its new one: two may change places.
            let mut ids = Vec::new();
            for (row, aside) in rows.iter().zip(&asides) {
                let id = files::find_folder(db, &row.dataset, &row.places.0)?;
                name_folder(db, &row.dataset, id, aside)?;
                rename_marks(db, &row.dataset, &row.places.0, aside)?;
                ids.push(id);
            }
            for ((row, aside), id) in rows.iter().zip(&asides).zip(ids) {
                name_folder(db, &row.dataset, id, &row.places.1)?;
                rename_marks(db, &row.dataset, aside, &row.places.1)?;
                db.execute("DELETE FROM follows WHERE id = ?1", [row.id])?;
                let text = format!(
                    "{} is called {} now: folder renamed at source, followed, 0 bytes sent",
                    row.keys.0, row.keys.1
                );
                let sql = "INSERT INTO events (at, what, text) VALUES (?1, 'followed', ?2)";
                db.execute(sql, (codec::stamp(at), text))?;
            }
            for (batch, body, index) in &done.batches {
                let sql = "UPDATE batches SET body = ?2, digest = ?3 WHERE id = ?1";
                db.execute(sql, (batch, body, index.0))?;
                // A proof of the old names proves nothing of the new ones.
                renamed(db, *batch, at)?;
            }
            if let Some(plan) = &done.plan {
                let sql = "INSERT INTO plans (made_at, body) VALUES (?1, ?2)";
                db.execute(sql, (codec::stamp(at), plan))?;
            }
            Ok(())
        })
    }
}

impl FollowRow {
    /// Its place meanwhile.
    ///
    /// # Errors
    /// A defect: the name was made by us.
    pub fn aside_place(&self) -> Result<RelPath, Trouble> {
        let above = self.places.0.split().map(|(above, _)| above).unwrap_or_default();
        above
            .join(&self.aside)
            .map_err(|e| Trouble::defect(e.to_string()))
    }
}

/// Gives a folder another name beside its old one. Where the ledger knows a folder of that name
/// that nothing is recorded of, it goes.
fn name_folder(db: &Connection, dataset: &str, id: Option<i64>, place: &RelPath) -> rusqlite::Result<()> {
    let (Some(id), Some((_, name))) = (id, place.split()) else {
        return Ok(());
    };
    if let Some(other) = files::find_folder(db, dataset, place)?.filter(|other| *other != id) {
        forget_unused(db, other)?;
    }
    db.execute("UPDATE folders SET name = ?2 WHERE id = ?1", (id, name))?;
    Ok(())
}

/// Forgets a folder that nothing is recorded of.
pub(super) fn forget_unused(db: &Connection, folder: i64) -> rusqlite::Result<()> {
    let used = "SELECT 1 FROM files WHERE folder = ?1 UNION ALL SELECT 1 FROM late WHERE folder = ?1 \
                UNION ALL SELECT 1 FROM superseded WHERE folder = ?1 \
                UNION ALL SELECT 1 FROM intents WHERE folder = ?1 \
                UNION ALL SELECT 1 FROM repairs WHERE folder = ?1 \
                UNION ALL SELECT 1 FROM attributes WHERE folder = ?1 \
                UNION ALL SELECT 1 FROM folders WHERE parent = ?1 LIMIT 1";
    let used: Option<i64> = db.query_row(used, [folder], |row| row.get(0)).optional()?;
    if used.is_none() {
        db.execute("DELETE FROM folders WHERE id = ?1", [folder])?;
    }
    Ok(())
}

/// Failures, losses and the like are kept by path; that a batch of later files brings the folder
/// itself, and the folder's own attributes, by its name.
fn rename_marks(db: &Connection, dataset: &str, from: &RelPath, to: &RelPath) -> rusqlite::Result<()> {
    if let (Some((above, old)), Some((_, new))) = (from.split(), to.split()) {
        if let Some(parent) = files::find_folder(db, dataset, &above)? {
            for table in ["late", "attributes"] {
                let sql = format!("UPDATE OR REPLACE {table} SET name = ?3 WHERE folder = ?1 AND name = ?2");
                db.execute(&sql, (parent, old, new))?;
            }
        }
    }
    let (from, to) = (from.as_bytes(), to.as_bytes());
    let below = [from, b"/"].concat();
    for table in [
        "failures",
        "losses",
        "differences",
        "disagreements",
        "check_files",
    ] {
        let sql = format!(
            "UPDATE {table} SET path = CAST(?2 || substr(path, ?4) AS BLOB) \
             WHERE batch IN (SELECT id FROM batches WHERE dataset = ?5) \
             AND (path = ?1 OR substr(path, 1, ?4) = ?3)"
        );
        db.execute(&sql, (from, to, &below, int(from.len() as u64 + 1), dataset))?;
    }
    Ok(())
}
