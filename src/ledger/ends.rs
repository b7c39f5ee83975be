//! How both ends are known again, and which scans there have been.

use super::Ledger;
use super::codec::{self, int, uint};
use crate::digest::Digest;
use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::MountIdentity;
use rusqlite::Row;
use std::path::PathBuf;

/// Which end of the move something is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndRole {
    /// A source.
    Source,
    /// A destination.
    Destination,
    /// A dataset's folder at a destination.
    Dataset,
}

/// One end as it was when it was first met.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EndRow {
    /// Which end.
    pub role: EndRole,
    /// Its name in the settings, or the dataset's.
    pub name: String,
    /// Its path.
    pub path: PathBuf,
    /// The file system it lay on.
    pub mount: MountIdentity,
    /// Entries that show it is there: names at a source, our marker at a destination.
    pub known: Vec<String>,
}

/// One finished scan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IndexRow {
    /// The index's own hash.
    pub digest: Digest,
    /// The source it saw.
    pub source: String,
    /// Its file below `indexes/`.
    pub file: String,
    /// When the scan began.
    pub scanned_at: Moment,
    /// When it ended.
    pub finished_at: Moment,
    /// Files and bytes seen.
    pub amount: Amount,
    /// Entries of all kinds.
    pub entries: u64,
}

impl EndRole {
    fn word(self) -> &'static str {
        match self {
            EndRole::Source => "source",
            EndRole::Destination => "destination",
            EndRole::Dataset => "dataset",
        }
    }
}

impl Ledger {
    /// Keeps how an end is known again; one that is kept already stays as it is unless `renew`.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn keep_end(&mut self, end: &EndRow, renew: bool) -> Result<(), Trouble> {
        use std::os::unix::ffi::OsStrExt;
        let verb = if renew {
            "INSERT OR REPLACE"
        } else {
            "INSERT OR IGNORE"
        };
        let sql = format!("{verb} INTO ends VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)");
        let known = end.known.join("\n");
        self.together(|db| {
            db.execute(
                &sql,
                rusqlite::params![
                    end.role.word(),
                    end.name,
                    end.path.as_os_str().as_bytes(),
                    end.mount.kind,
                    end.mount.source,
                    end.mount.root,
                    end.mount.id,
                    known
                ],
            )
            .map(|_| ())
        })
    }

    /// How an end was when it was first met.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn end(&self, role: EndRole, name: &str) -> Result<Option<EndRow>, Trouble> {
        use std::os::unix::ffi::OsStringExt;
        let sql = "SELECT path, kind, source, root, own_id, known FROM ends WHERE role = ?1 AND name = ?2";
        let read = |row: &Row<'_>| {
            let path = PathBuf::from(std::ffi::OsString::from_vec(row.get(0)?));
            let known: String = row.get(5)?;
            Ok(EndRow {
                role,
                name: name.to_string(),
                mount: MountIdentity {
                    kind: row.get(1)?,
                    source: row.get(2)?,
                    root: row.get(3)?,
                    mounted_at: path.clone(),
                    id: row.get(4)?,
                },
                path,
                known: known.lines().map(str::to_string).collect(),
            })
        };
        Ok(self.rows(sql, (role.word(), name), read)?.pop())
    }

    /// Keeps a finished scan.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn keep_index(&mut self, index: &IndexRow) -> Result<(), Trouble> {
        let sql = "INSERT OR IGNORE INTO indexes VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
        self.together(|db| {
            let (began, ended) = (codec::stamp(index.scanned_at), codec::stamp(index.finished_at));
            let counts = (
                int(index.amount.files),
                int(index.amount.bytes.0),
                int(index.entries),
            );
            let facts = (index.digest.0, &index.source, &index.file);
            db.execute(
                sql,
                (
                    facts.0, facts.1, facts.2, began, ended, counts.0, counts.1, counts.2,
                ),
            )
            .map(|_| ())
        })
    }

    /// Finished scans of a source, oldest first.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn indexes(&self, source: &str) -> Result<Vec<IndexRow>, Trouble> {
        let sql = "SELECT digest, source, file, scanned_at, finished_at, files, bytes, entries FROM indexes \
                   WHERE source = ?1 ORDER BY finished_at, rowid";
        let read = |row: &Row<'_>| {
            Ok(IndexRow {
                digest: codec::digest(row, 0)?,
                source: row.get(1)?,
                file: row.get(2)?,
                scanned_at: codec::moment(row, 3)?,
                finished_at: codec::moment(row, 4)?,
                amount: Amount {
                    files: uint(row, 5)?,
                    bytes: Bytes(uint(row, 6)?),
                },
                entries: uint(row, 7)?,
            })
        };
        self.rows(sql, [source], read)
    }

    /// Forgets a scan whose file is to be removed. Those of begun batches are never forgotten.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn forget_index(&mut self, digest: Digest) -> Result<bool, Trouble> {
        self.together(|db| {
            let sql = "DELETE FROM indexes WHERE digest = ?1 AND digest NOT IN (SELECT digest FROM batches) \
                       AND digest NOT IN (SELECT digest FROM move_ends)";
            db.execute(sql, [digest.0]).map(|n| n > 0)
        })
    }
}
