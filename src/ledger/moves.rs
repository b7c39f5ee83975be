//! Files that follow another place at the source: the intents, and the one transaction after which
//! everything recorded of them bears the new place.

use super::codec::{self, int, uint};
use super::files::{self, COLUMNS, FileRecord, record_of};
use super::follows::forget_unused;
use super::{Ledger, trouble_at};
use crate::digest::Digest;
use crate::entry::Identity;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::Bytes;
use rusqlite::{Connection, OptionalExtension, Row};

/// A file or symlink that is about to be renamed at the destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MoveRow {
    /// Its number; 0 before it is recorded.
    pub id: i64,
    /// Its place below the dataset's folder before and now.
    pub places: (RelPath, RelPath),
    /// Its inode number at the source.
    pub source_inode: u64,
    /// What it is at the destination by its record.
    pub placed: Identity,
}

/// What becomes of a folder on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum FolderWhat {
    /// It is made.
    Made,
    /// It is left empty and goes.
    Emptied,
    /// What lies in it changes, and its time with that.
    Timed,
}

impl FolderWhat {
    const ALL: [FolderWhat; 3] = [FolderWhat::Made, FolderWhat::Emptied, FolderWhat::Timed];

    fn word(self) -> &'static str {
        match self {
            FolderWhat::Made => "made",
            FolderWhat::Emptied => "emptied",
            FolderWhat::Timed => "timed",
        }
    }
}

/// A folder that moved files come into or go out of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FolderRow {
    /// Its path at the source.
    pub key: RelPath,
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// What becomes of it.
    pub what: FolderWhat,
}

/// All moves of one source in one dataset that are under way together.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct MoveSet {
    /// The dataset they lie in.
    pub dataset: String,
    /// The source they come from.
    pub source: String,
    /// The files, by number.
    pub files: Vec<MoveRow>,
    /// The folders.
    pub folders: Vec<FolderRow>,
    /// Batches, and the indexes with the new places that they will be bound to.
    pub ends: Vec<(i64, Digest)>,
}

/// How a file was found at its new place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrived {
    /// What it is there; `None` where it is not, or no longer what was placed: then the record keeps
    /// what it says, and copy and verify find the difference.
    pub placed: Option<Identity>,
    /// Whether it was as recorded right up to the rename. Else it is to be read back again.
    pub proven: bool,
}

/// Other names that files of a batch have got since they were recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Renames {
    /// When last.
    pub at: Moment,
    /// Whether a proof with the new names is still to be written.
    pub due: bool,
}

/// Tables that know a file by folder and name. Those of files that are open are not among them: such
/// a file is not moved.
const BY_NAME: [&str; 7] = [
    "files",
    "blocks",
    "late",
    "superseded",
    "attributes",
    "removed",
    "beside",
];

/// Tables that know a file by its path.
const BY_PATH: [&str; 5] = [
    "failures",
    "losses",
    "differences",
    "disagreements",
    "check_files",
];

const OF_DATASET: &str = "batch IN (SELECT id FROM batches WHERE dataset = ?1)";

fn path_at(row: &Row<'_>, at: usize) -> rusqlite::Result<RelPath> {
    RelPath::new(row.get::<_, Vec<u8>>(at)?).map_err(|_| codec::bad(at, "a path"))
}

impl Ledger {
    /// Who has recorded a file at a place: batch and record, the newest last.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn holders(&self, dataset: &str, place: &RelPath) -> Result<Vec<(i64, FileRecord)>, Trouble> {
        let Some((folder, name)) = place.split() else {
            return Ok(Vec::new());
        };
        let Some(id) = files::find_folder(&self.db, dataset, &folder).map_err(|e| self.trouble(&e))? else {
            return Ok(Vec::new());
        };
        let sql = format!(
            "SELECT {COLUMNS}, batch FROM files WHERE {OF_DATASET} AND folder = ?2 AND name = ?3 ORDER BY batch"
        );
        self.rows(&sql, (dataset, id, name), |row| {
            Ok((row.get(13)?, record_of(row, &folder)?))
        })
    }

    /// Whether anything is known of a place: a record, something that a batch brings or brought, a
    /// file on its way, a folder.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn is_known(&self, dataset: &str, place: &RelPath) -> Result<bool, Trouble> {
        let Some((folder, name)) = place.split() else {
            return Ok(true);
        };
        let Some(id) = files::find_folder(&self.db, dataset, &folder).map_err(|e| self.trouble(&e))? else {
            return Ok(false);
        };
        let mut sql = String::from("SELECT 1 FROM folders WHERE parent = ?2 AND name = ?3");
        for table in ["files", "late", "superseded", "intents", "repairs"] {
            sql.push_str(&format!(
                " UNION ALL SELECT 1 FROM {table} WHERE {OF_DATASET} AND folder = ?2 AND name = ?3"
            ));
        }
        sql.push_str(" LIMIT 1");
        let found = self.rows(&sql, (dataset, id, name), |row| row.get::<_, i64>(0))?;
        Ok(!found.is_empty())
    }

    /// Whether something of a file is open: it is on its way, being repaired, failed, differs, or was
    /// edited at the source without its size and times telling.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn is_open(&self, dataset: &str, place: &RelPath) -> Result<bool, Trouble> {
        let Some((folder, name)) = place.split() else {
            return Ok(false);
        };
        let folder = files::find_folder(&self.db, dataset, &folder).map_err(|e| self.trouble(&e))?;
        let sql = format!(
            "SELECT 1 FROM intents WHERE {OF_DATASET} AND folder = ?2 AND name = ?3 \
             UNION ALL SELECT 1 FROM repairs WHERE {OF_DATASET} AND folder = ?2 AND name = ?3 \
             UNION ALL SELECT 1 FROM edits e JOIN files f ON f.folder = e.folder AND f.name = e.name \
             AND f.hash = e.content WHERE e.folder = ?2 AND e.name = ?3 \
             UNION ALL SELECT 1 FROM failures WHERE {OF_DATASET} AND path = ?4 \
             UNION ALL SELECT 1 FROM differences WHERE {OF_DATASET} AND path = ?4 AND blocking LIMIT 1"
        );
        let key = (dataset, folder.unwrap_or(-1), name, place.as_bytes());
        let found = self.rows(&sql, key, |row| row.get::<_, i64>(0))?;
        Ok(!found.is_empty())
    }

    /// Records what is about to be moved, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn begin_moves(&mut self, set: &MoveSet) -> Result<(), Trouble> {
        let of = (&set.dataset, &set.source);
        self.together(|db| {
            let sql = "INSERT INTO moves (dataset, source, old_place, new_place, source_inode, inode, size, mtime, \
                       ctime) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)";
            for row in &set.files {
                db.prepare_cached(sql)?.execute(rusqlite::params![
                    of.0,
                    of.1,
                    row.places.0.as_bytes(),
                    row.places.1.as_bytes(),
                    int(row.source_inode),
                    int(row.placed.inode),
                    int(row.placed.size.0),
                    codec::stamp(row.placed.mtime),
                    codec::stamp(row.placed.ctime)
                ])?;
            }
            let sql = "INSERT INTO move_folders (dataset, source, key, place, what) VALUES (?1, ?2, ?3, ?4, ?5)";
            for row in &set.folders {
                let (key, place) = (row.key.as_bytes(), row.place.as_bytes());
                db.prepare_cached(sql)?
                    .execute((of.0, of.1, key, place, row.what.word()))?;
            }
            for (batch, digest) in &set.ends {
                let sql = "INSERT INTO move_ends VALUES (?1, ?2, ?3, ?4)";
                db.execute(sql, (batch, of.0, of.1, digest.0))?;
            }
            Ok(())
        })
    }

    /// Moves that were begun and are not recorded as done.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn moves(&self) -> Result<Vec<MoveSet>, Trouble> {
        let sql = "SELECT DISTINCT dataset, source FROM move_ends ORDER BY dataset, source";
        let sets = self.rows(sql, [], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?))
        })?;
        let mut found = Vec::new();
        for (dataset, source) in sets {
            let of = (&dataset, &source);
            let sql = "SELECT id, old_place, new_place, source_inode, inode, size, mtime, ctime FROM moves \
                       WHERE dataset = ?1 AND source = ?2 ORDER BY id";
            let files = self.rows(sql, of, |row| {
                Ok(MoveRow {
                    id: row.get(0)?,
                    places: (path_at(row, 1)?, path_at(row, 2)?),
                    source_inode: uint(row, 3)?,
                    placed: Identity {
                        inode: uint(row, 4)?,
                        size: Bytes(uint(row, 5)?),
                        mtime: codec::moment(row, 6)?,
                        ctime: codec::moment(row, 7)?,
                    },
                })
            })?;
            let sql =
                "SELECT key, place, what FROM move_folders WHERE dataset = ?1 AND source = ?2 ORDER BY id";
            let folders = self.rows(sql, of, |row| {
                let word: String = row.get(2)?;
                let what = FolderWhat::ALL.into_iter().find(|what| what.word() == word);
                Ok(FolderRow {
                    key: path_at(row, 0)?,
                    place: path_at(row, 1)?,
                    what: what.ok_or_else(|| codec::bad(2, "what becomes of a folder"))?,
                })
            })?;
            let sql = "SELECT batch, digest FROM move_ends WHERE dataset = ?1 AND source = ?2 ORDER BY batch";
            let ends = self.rows(sql, of, |row| Ok((row.get(0)?, codec::digest(row, 1)?)))?;
            found.push(MoveSet {
                dataset,
                source,
                files,
                folders,
                ends,
            });
        }
        Ok(found)
    }

    /// Gives everything recorded of these files their new places, in one transaction: facts, marks,
    /// the indexes of their batches. What is to be read back again loses its proof, and its batch
    /// that of having been verified. The intents go.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written; nothing is moved in it then.
    pub fn finish_moves(&mut self, set: &MoveSet, arrived: &[Arrived], at: Moment) -> Result<(), Trouble> {
        self.together(|db| {
            let tables = used_tables(db, &set.dataset)?;
            // All leave their old places before any takes its new one: two may change places.
            for row in &set.files {
                note(db, &set.dataset, row, at)?;
                park(db, &set.dataset, &tables, row)?;
            }
            for (row, arrived) in set.files.iter().zip(arrived) {
                settle(db, set, &tables, row, arrived)?;
            }
            for folder in set.folders.iter().filter(|f| f.what == FolderWhat::Emptied) {
                forget_folder(db, &set.dataset, &folder.place)?;
            }
            for (batch, digest) in &set.ends {
                db.execute("UPDATE batches SET digest = ?2 WHERE id = ?1", (batch, digest.0))?;
                let open = "UPDATE batches SET state = 'copied', verified_at = NULL WHERE id = ?1 \
                            AND state = 'verified' AND EXISTS (SELECT 1 FROM files WHERE batch = ?1 AND how < 2)";
                db.execute(open, [batch])?;
            }
            for table in ["moves", "move_folders", "move_ends"] {
                let sql = format!("DELETE FROM {table} WHERE dataset = ?1 AND source = ?2");
                db.execute(&sql, (&set.dataset, &set.source))?;
            }
            let text = format!(
                "{} files of {} in {}: moved at the source, followed, 0 bytes sent",
                set.files.len(),
                set.source,
                set.dataset
            );
            let sql = "INSERT INTO events (at, what, text) VALUES (?1, 'followed', ?2)";
            db.execute(sql, (codec::stamp(at), text))?;
            Ok(())
        })
    }

    /// The other names of a batch's files.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn renames(&self, batch: i64) -> Result<Option<Renames>, Trouble> {
        let sql = "SELECT at, due FROM renames WHERE batch = ?1";
        let row = |row: &Row<'_>| {
            Ok(Renames {
                at: codec::moment(row, 0)?,
                due: row.get::<_, i64>(1)? != 0,
            })
        };
        self.db
            .query_row(sql, [batch], row)
            .optional()
            .map_err(|e| trouble_at(&self.path, &e))
    }
}

/// Notes another name of a file for its batch.
fn note(db: &Connection, dataset: &str, row: &MoveRow, at: Moment) -> rusqlite::Result<()> {
    let Some((folder, name)) = row.places.0.split() else {
        return Ok(());
    };
    let Some(folder) = files::find_folder(db, dataset, &folder)? else {
        return Ok(());
    };
    let find = format!("SELECT batch FROM files WHERE {OF_DATASET} AND folder = ?2 AND name = ?3");
    let batches: Vec<i64> = db
        .prepare_cached(&find)?
        .query_map((dataset, folder, name), |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    batches.into_iter().try_for_each(|batch| renamed(db, batch, at))
}

/// Notes that files of a batch have got other names: its proof is to be written anew.
pub(super) fn renamed(db: &Connection, batch: i64, at: Moment) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO renames VALUES (?1, ?2, 1)";
    db.prepare_cached(sql)?.execute((batch, codec::stamp(at)))?;
    db.prepare_cached("DELETE FROM proofs WHERE batch = ?1")?
        .execute([batch])
        .map(|_| ())
}

/// The tables that know anything of a dataset.
fn used_tables(db: &Connection, dataset: &str) -> rusqlite::Result<(Vec<&'static str>, Vec<&'static str>)> {
    let is_used = |table: &&str| -> rusqlite::Result<bool> {
        db.prepare(&format!("SELECT 1 FROM {table} WHERE {OF_DATASET} LIMIT 1"))?
            .exists([dataset])
    };
    let used = |all: &[&'static str]| {
        let mut found = Vec::new();
        for table in all {
            if is_used(table)? {
                found.push(*table);
            }
        }
        Ok::<_, rusqlite::Error>(found)
    };
    Ok((used(&BY_NAME)?, used(&BY_PATH)?))
}

/// Where the rows of a file wait between its places: a folder number and a path that nothing has.
fn parked(row: &MoveRow) -> (i64, Vec<u8>) {
    (-row.id, [&[0][..], &row.id.to_be_bytes()[..]].concat())
}

type Tables = (Vec<&'static str>, Vec<&'static str>);

fn park(db: &Connection, dataset: &str, tables: &Tables, row: &MoveRow) -> rusqlite::Result<()> {
    let (number, path) = parked(row);
    let Some((folder, name)) = row.places.0.split() else {
        return Err(codec::bad(0, "a file's place"));
    };
    if let Some(folder) = files::find_folder(db, dataset, &folder)? {
        for table in &tables.0 {
            let sql =
                format!("UPDATE {table} SET folder = ?2 WHERE {OF_DATASET} AND folder = ?3 AND name = ?4");
            db.prepare_cached(&sql)?
                .execute((dataset, number, folder, name))?;
        }
    }
    for table in &tables.1 {
        let sql = format!("UPDATE {table} SET path = ?2 WHERE {OF_DATASET} AND path = ?3");
        db.prepare_cached(&sql)?
            .execute((dataset, &path, row.places.0.as_bytes()))?;
    }
    Ok(())
}

/// Brings the rows of a file to its new place, with what it is there.
fn settle(
    db: &Connection,
    set: &MoveSet,
    tables: &Tables,
    row: &MoveRow,
    arrived: &Arrived,
) -> rusqlite::Result<()> {
    let dataset = &set.dataset;
    let (number, path) = parked(row);
    let Some((folder, name)) = row.places.1.split() else {
        return Err(codec::bad(0, "a file's place"));
    };
    let folder = files::folder_id(db, dataset, &folder)?;
    if let Some(placed) = arrived.placed {
        let sql = format!("UPDATE files SET placed_ctime = ?2 WHERE {OF_DATASET} AND folder = ?3");
        db.prepare_cached(&sql)?
            .execute((dataset, codec::stamp(placed.ctime), number))?;
    }
    if !arrived.proven {
        let sql = format!(
            "UPDATE files SET how = 0, verified_at = NULL WHERE {OF_DATASET} AND folder = ?2 AND how >= 2"
        );
        db.prepare_cached(&sql)?.execute((dataset, number))?;
    }
    for table in &tables.0 {
        let sql = format!(
            "UPDATE OR REPLACE {table} SET folder = ?2, name = ?3 WHERE {OF_DATASET} AND folder = ?4"
        );
        db.prepare_cached(&sql)?
            .execute((dataset, folder, name, number))?;
    }
    for table in &tables.1 {
        let sql = format!("UPDATE OR REPLACE {table} SET path = ?2 WHERE {OF_DATASET} AND path = ?3");
        db.prepare_cached(&sql)?
            .execute((dataset, row.places.1.as_bytes(), &path))?;
    }
    let sql = "UPDATE linked SET folder = ?4, name = ?5 WHERE dataset = ?1 AND source = ?2 AND inode = ?3";
    let inode = int(row.source_inode);
    db.prepare_cached(sql)?
        .execute((dataset, &set.source, inode, folder, name))
        .map(|_| ())
}

/// A folder that is no more: what is kept of it by its name, and itself.
fn forget_folder(db: &Connection, dataset: &str, place: &RelPath) -> rusqlite::Result<()> {
    if let Some((above, name)) = place.split() {
        if let Some(parent) = files::find_folder(db, dataset, &above)? {
            for table in ["late", "attributes"] {
                let sql = format!("DELETE FROM {table} WHERE {OF_DATASET} AND folder = ?2 AND name = ?3");
                db.execute(&sql, (dataset, parent, name))?;
            }
        }
    }
    match files::find_folder(db, dataset, place)? {
        Some(folder) => forget_unused(db, folder),
        None => Ok(()),
    }
}
