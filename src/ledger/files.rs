//! Facts about single files: what is durable at its place, with which hash, and how it was read
//! back.

use super::codec::{self, int, uint};
use super::{Ledger, trouble_at};
use crate::digest::{BlockValue, Digest};
use crate::entry::{EntryKind, Identity};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::ReadHow;
use rusqlite::{Connection, OptionalExtension, Row};
use std::collections::{HashMap, HashSet};

/// A file or symlink that is durable at its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileRecord {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// A file or a symlink.
    pub kind: EntryKind,
    /// What it was at the source when it was read.
    pub source: Identity,
    /// What it is at the destination.
    pub placed: Identity,
    /// BLAKE3 of its content; of a symlink, of its target.
    pub hash: Digest,
    /// When it was recorded, to the second.
    pub copied_at: Moment,
    /// What is known beyond that.
    pub proof: Proof,
}

/// How far a file is proven.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Proof {
    /// Written and durable.
    Copied,
    /// Found here, hashed at both ends; not written by us.
    Adopted,
    /// Read back and equal.
    Verified {
        /// How it was read.
        how: ReadHow,
        /// When.
        at: Moment,
    },
}

impl Proof {
    pub(super) fn code(self) -> (i64, Option<i64>) {
        match self {
            Proof::Copied => (0, None),
            Proof::Adopted => (1, None),
            Proof::Verified { how, at } => (2 + how as i64, Some(at.seconds)),
        }
    }

    fn of(code: i64, at: Option<i64>) -> Option<Proof> {
        let at = Moment::from_seconds(at.unwrap_or_default());
        let how = match code {
            0 => return Some(Proof::Copied),
            1 => return Some(Proof::Adopted),
            2 => ReadHow::Direct,
            3 => ReadHow::Evicted,
            4 => ReadHow::Server,
            5 => ReadHow::Unknown,
            _ => return None,
        };
        Some(Proof::Verified { how, at })
    }
}

pub(super) const COLUMNS: &str = "name, kind, size, inode, mtime, ctime, placed_inode, placed_mtime, placed_ctime, hash, \
                       copied_at, how, verified_at";

/// The number of a folder below a dataset's folder, made where it is new.
pub(super) fn folder_id(db: &Connection, dataset: &str, folder: &RelPath) -> rusqlite::Result<i64> {
    let mut id = step(db, 0, dataset.as_bytes())?;
    for part in folder.components() {
        id = step(db, id, part)?;
    }
    Ok(id)
}

fn step(db: &Connection, parent: i64, name: &[u8]) -> rusqlite::Result<i64> {
    let find = "SELECT id FROM folders WHERE parent = ?1 AND name = ?2";
    let found = db
        .prepare_cached(find)?
        .query_row((parent, name), |row| row.get(0))
        .optional()?;
    if let Some(id) = found {
        return Ok(id);
    }
    let insert = "INSERT INTO folders (parent, name) VALUES (?1, ?2)";
    db.prepare_cached(insert)?.insert((parent, name))
}

/// The number of a folder that may not be known.
pub(super) fn find_folder(db: &Connection, dataset: &str, folder: &RelPath) -> rusqlite::Result<Option<i64>> {
    let sql = "SELECT id FROM folders WHERE parent = ?1 AND name = ?2";
    let mut statement = db.prepare_cached(sql)?;
    let mut id: i64 = 0;
    for part in std::iter::once(dataset.as_bytes()).chain(folder.components()) {
        match statement.query_row((id, part), |row| row.get(0)).optional()? {
            Some(next) => id = next,
            None => return Ok(None),
        }
    }
    Ok(Some(id))
}

pub(super) fn record_of(row: &Row<'_>, folder: &RelPath) -> rusqlite::Result<FileRecord> {
    let name: Vec<u8> = row.get(0)?;
    let place = folder.join(&name).map_err(|_| codec::bad(0, "a name"))?;
    let kind = if row.get::<_, i64>(1)? == 0 {
        EntryKind::File
    } else {
        EntryKind::Symlink
    };
    let source = Identity {
        size: Bytes(uint(row, 2)?),
        inode: uint(row, 3)?,
        mtime: codec::moment(row, 4)?,
        ctime: codec::moment(row, 5)?,
    };
    let placed = Identity {
        size: source.size,
        inode: uint(row, 6)?,
        mtime: codec::maybe_moment(row, 7)?.unwrap_or(source.mtime),
        ctime: codec::moment(row, 8)?,
    };
    let proof = Proof::of(row.get(11)?, row.get(12)?).ok_or_else(|| codec::bad(11, "a proof"))?;
    Ok(FileRecord {
        place,
        kind,
        source,
        placed,
        hash: codec::digest(row, 9)?,
        copied_at: Moment::from_seconds(row.get(10)?),
        proof,
    })
}

/// Writes one record inside a transaction.
pub(super) fn put(db: &Connection, batch: i64, folder: i64, record: &FileRecord) -> rusqlite::Result<()> {
    let Some((_, name)) = record.place.split() else {
        return Err(codec::bad(0, "a file's place"));
    };
    let (how, at) = record.proof.code();
    let same_time = record.placed.mtime == record.source.mtime;
    let sql = "INSERT OR REPLACE INTO files VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15)";
    db.prepare_cached(sql)?.execute(rusqlite::params![
        batch,
        folder,
        name,
        i64::from(record.kind == EntryKind::Symlink),
        int(record.source.size.0),
        int(record.source.inode),
        codec::stamp(record.source.mtime),
        codec::stamp(record.source.ctime),
        int(record.placed.inode),
        (!same_time).then(|| codec::stamp(record.placed.mtime)),
        codec::stamp(record.placed.ctime),
        record.hash.0,
        record.copied_at.seconds,
        how,
        at,
    ])?;
    Ok(())
}

/// Writes the chaining values of one file inside a transaction.
pub(super) fn put_blocks(
    db: &Connection,
    batch: i64,
    folder: i64,
    name: &[u8],
    values: &[BlockValue],
) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO blocks VALUES (?1, ?2, ?3, ?4)";
    db.prepare_cached(sql)?
        .execute((batch, folder, name, codec::values_bytes(values)))?;
    Ok(())
}

/// Takes back the proof of files, inside a transaction.
pub(super) fn put_unproven(
    db: &Connection,
    batch: i64,
    dataset: &str,
    places: &[RelPath],
) -> rusqlite::Result<()> {
    let sql = "UPDATE files SET how = ?1, verified_at = NULL WHERE batch = ?2 AND folder = ?3 AND name = ?4";
    for place in places {
        let Some((folder, name)) = place.split() else {
            continue;
        };
        let id = folder_id(db, dataset, &folder)?;
        db.prepare_cached(sql)?
            .execute((Proof::Copied.code().0, batch, id, name))?;
    }
    Ok(())
}

impl Ledger {
    /// What is recorded of one folder by one batch, by name.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn folder_records(
        &self,
        batch: i64,
        dataset: &str,
        folder: &RelPath,
    ) -> Result<HashMap<Vec<u8>, FileRecord>, Trouble> {
        let Some(id) = find_folder(&self.db, dataset, folder).map_err(|e| self.trouble(&e))? else {
            return Ok(HashMap::new());
        };
        let sql = format!("SELECT {COLUMNS} FROM files WHERE batch = ?1 AND folder = ?2");
        let rows = self.rows(&sql, (batch, id), |row| {
            Ok((row.get::<_, Vec<u8>>(0)?, record_of(row, folder)?))
        })?;
        Ok(rows.into_iter().collect())
    }

    /// The same of some names of a folder only: from one on, up to but not including another.
    ///
    /// # Errors
    /// As [`Ledger::folder_records`].
    pub fn some_records(
        &self,
        batch: i64,
        dataset: &str,
        folder: &RelPath,
        (from, end): (&[u8], Option<&[u8]>),
    ) -> Result<HashMap<Vec<u8>, FileRecord>, Trouble> {
        let Some(id) = find_folder(&self.db, dataset, folder).map_err(|e| self.trouble(&e))? else {
            return Ok(HashMap::new());
        };
        let of = |row: &rusqlite::Row<'_>| Ok((row.get::<_, Vec<u8>>(0)?, record_of(row, folder)?));
        let sql = format!("SELECT {COLUMNS} FROM files WHERE batch = ?1 AND folder = ?2 AND name >= ?3");
        let rows = match end {
            None => self.rows(&sql, (batch, id, from), of)?,
            Some(end) => self.rows(&format!("{sql} AND name < ?4"), (batch, id, from, end), of)?,
        };
        Ok(rows.into_iter().collect())
    }

    /// What any batch has recorded at one place, the newest.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn record_at(&self, dataset: &str, place: &RelPath) -> Result<Option<FileRecord>, Trouble> {
        let Some((folder, name)) = place.split() else {
            return Ok(None);
        };
        let Some(id) = find_folder(&self.db, dataset, &folder).map_err(|e| self.trouble(&e))? else {
            return Ok(None);
        };
        let sql = format!(
            "SELECT {COLUMNS} FROM files WHERE batch IN (SELECT id FROM batches WHERE dataset = ?1) \
             AND folder = ?2 AND name = ?3 ORDER BY batch DESC LIMIT 1"
        );
        Ok(self
            .rows(&sql, (dataset, id, name), |row| record_of(row, &folder))?
            .pop())
    }

    /// What one batch has recorded at one place.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn record_in(
        &self,
        batch: i64,
        dataset: &str,
        place: &RelPath,
    ) -> Result<Option<FileRecord>, Trouble> {
        let Some((folder, name)) = place.split() else {
            return Ok(None);
        };
        let Some(id) = find_folder(&self.db, dataset, &folder).map_err(|e| self.trouble(&e))? else {
            return Ok(None);
        };
        let sql = format!("SELECT {COLUMNS} FROM files WHERE batch = ?1 AND folder = ?2 AND name = ?3");
        Ok(self
            .rows(&sql, (batch, id, name), |row| record_of(row, &folder))?
            .pop())
    }

    /// The chaining values kept of one file; empty for a file of one block.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn blocks_of(&self, batch: i64, dataset: &str, place: &RelPath) -> Result<Vec<BlockValue>, Trouble> {
        let Some((folder, name)) = place.split() else {
            return Ok(Vec::new());
        };
        let Some(id) = find_folder(&self.db, dataset, &folder).map_err(|e| self.trouble(&e))? else {
            return Ok(Vec::new());
        };
        let sql = "SELECT kept FROM blocks WHERE batch = ?1 AND folder = ?2 AND name = ?3";
        Ok(self
            .rows(sql, (batch, id, name), |row| codec::values(row, 0))?
            .pop()
            .unwrap_or_default())
    }

    /// Takes back the proof of files in which a difference was found, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn mark_unproven(&mut self, batch: i64, dataset: &str, places: &[RelPath]) -> Result<(), Trouble> {
        self.together(|db| put_unproven(db, batch, dataset, places))
    }

    /// Files and bytes of a batch: copied, and of those verified, with the ways of reading met.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn progress_of(&self, batch: i64) -> Result<(Amount, Amount, Vec<ReadHow>), Trouble> {
        let sql = "SELECT how, count(*), coalesce(sum(size), 0) FROM files WHERE batch = ?1 AND kind = 0 GROUP BY how";
        let rows = self.rows(sql, [batch], |row| {
            Ok((row.get::<_, i64>(0)?, uint(row, 1)?, uint(row, 2)?))
        })?;
        let (mut copied, mut verified, mut ways) = (Amount::default(), Amount::default(), Vec::new());
        for (code, files, bytes) in rows {
            let amount = Amount {
                files,
                bytes: Bytes(bytes),
            };
            copied.add(amount);
            if let Some(Proof::Verified { how, .. }) = Proof::of(code, None) {
                verified.add(amount);
                ways.push(how);
            }
        }
        Ok((copied, verified, ways))
    }

    /// Every record of a batch in the order of folders and names, handed on one by one.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read, or what `each` answers.
    pub fn each_record(
        &self,
        batch: i64,
        dataset: &str,
        mut each: impl FnMut(FileRecord) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        let fail = |e: rusqlite::Error| trouble_at(&self.path, &e);
        let sql = format!("SELECT {COLUMNS}, folder FROM files WHERE batch = ?1 ORDER BY folder, name");
        let mut statement = self.db.prepare_cached(&sql).map_err(fail)?;
        let mut rows = statement.query([batch]).map_err(fail)?;
        let mut known: Option<(i64, RelPath)> = None;
        while let Some(row) = rows.next().map_err(fail)? {
            let id: i64 = row.get(13).map_err(fail)?;
            let folder = match known.take() {
                Some((same, folder)) if same == id => folder,
                _ => self.folder_path(id, dataset)?,
            };
            each(record_of(row, &folder).map_err(fail)?)?;
            known = Some((id, folder));
        }
        Ok(())
    }

    /// Places in a dataset whose files have one of these inodes: names of one file, made by links.
    /// Reads every record of the dataset, so it is asked only where there are such names.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn places_of_inodes(&self, dataset: &str, inodes: &HashSet<u64>) -> Result<Vec<RelPath>, Trouble> {
        let sql = "SELECT folder, name, placed_inode FROM files \
                   WHERE batch IN (SELECT id FROM batches WHERE dataset = ?1)";
        let fail = |e: rusqlite::Error| trouble_at(&self.path, &e);
        let mut statement = self.db.prepare_cached(sql).map_err(fail)?;
        let mut rows = statement.query([dataset]).map_err(fail)?;
        let mut found: Vec<(i64, Vec<u8>)> = Vec::new();
        while let Some(row) = rows.next().map_err(fail)? {
            if inodes.contains(&uint(row, 2).map_err(fail)?) {
                found.push((row.get(0).map_err(fail)?, row.get(1).map_err(fail)?));
            }
        }
        let place = |(folder, name): (i64, Vec<u8>)| {
            let folder = self.folder_path(folder, dataset)?;
            folder.join(&name).map_err(|e| Trouble::defect(e.to_string()))
        };
        found.into_iter().map(place).collect()
    }

    /// Notes the new ctime of files that were given one more name by us, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn renew_ctimes(&mut self, dataset: &str, placed: &[(RelPath, Identity)]) -> Result<(), Trouble> {
        self.together(|db| {
            let sql = "UPDATE files SET placed_ctime = ?5 \
                       WHERE batch IN (SELECT id FROM batches WHERE dataset = ?1) \
                       AND folder = ?2 AND name = ?3 AND placed_inode = ?4";
            for (place, identity) in placed {
                let Some((folder, name)) = place.split() else {
                    continue;
                };
                let id = folder_id(db, dataset, &folder)?;
                let ctime = codec::stamp(identity.ctime);
                db.prepare_cached(sql)?
                    .execute((dataset, id, name, int(identity.inode), ctime))?;
            }
            Ok(())
        })
    }

    pub(super) fn folder_path(&self, mut id: i64, dataset: &str) -> Result<RelPath, Trouble> {
        let mut parts: Vec<Vec<u8>> = Vec::new();
        // PATH_MAX bytes hold at most 2,048 folders; a longer chain is a loop.
        for _ in 0..4096 {
            let sql = "SELECT parent, name FROM folders WHERE id = ?1";
            let row = self.rows(sql, [id], |row| {
                Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?))
            })?;
            match row.into_iter().next() {
                Some((0, name)) if name == dataset.as_bytes() => {
                    parts.reverse();
                    return RelPath::new(parts.join(&b'/')).map_err(|e| Trouble::defect(e.to_string()));
                }
                Some((parent, name)) if parent != 0 => {
                    parts.push(name);
                    id = parent;
                }
                _ => break,
            }
        }
        Err(Trouble::defect(format!(
            "folder {id} of the ledger leads to no dataset"
        )))
    }
}
