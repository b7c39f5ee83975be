//! Edits that size and times do not tell: files that were recorded, and at the source hold another
//! content by now. A row counts only for the record it was found with; once a later batch brings
//! the file, it counts no more.

use super::codec;
use super::files::{self, COLUMNS, FileRecord};
use super::{Ledger, trouble_at};
use crate::digest::Digest;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;

/// One such file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Edit {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// The hash that is recorded.
    pub recorded: Digest,
    /// The hash of what the source holds.
    pub now: Digest,
    /// When that was read.
    pub at: Moment,
}

impl Ledger {
    /// Keeps edits, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_edits(&self, dataset: &str, found: &[Edit]) -> Result<(), Trouble> {
        let write = || {
            let transaction = self.db.unchecked_transaction()?;
            let sql = "INSERT OR REPLACE INTO edits VALUES (?1, ?2, ?3, ?4, ?5)";
            for edit in found {
                let Some((folder, name)) = edit.place.split() else {
                    continue;
                };
                let id = files::folder_id(&transaction, dataset, &folder)?;
                let row = (id, name, edit.recorded.0, edit.now.0, codec::stamp(edit.at));
                transaction.prepare_cached(sql)?.execute(row)?;
            }
            transaction.commit()
        };
        if found.is_empty() {
            return Ok(());
        }
        write().map_err(|e| trouble_at(&self.path, &e))
    }

    /// The places in a dataset whose record is behind such an edit and that no later batch brings.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn edited_places(&self, dataset: &str) -> Result<Vec<RelPath>, Trouble> {
        let sql = "SELECT e.folder, e.name FROM edits e JOIN files f \
                   ON f.folder = e.folder AND f.name = e.name AND f.hash = e.content \
                   WHERE f.batch IN (SELECT id FROM batches WHERE dataset = ?1) \
                   AND NOT EXISTS (SELECT 1 FROM late l WHERE l.folder = e.folder AND l.name = e.name \
                   AND l.batch > f.batch)";
        self.late_places(sql, [dataset], dataset)
            .map(|places| places.into_iter().collect())
    }

    /// Records of files of a batch that have a time of `since` or later: one edit more may have left
    /// them the same times.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn young_records(
        &self,
        batch: i64,
        dataset: &str,
        since: Moment,
    ) -> Result<Vec<FileRecord>, Trouble> {
        let sql = format!(
            "SELECT {COLUMNS}, folder FROM files WHERE batch = ?1 AND kind = 0 AND (mtime >= ?2 OR ctime >= ?2)"
        );
        let fail = |e: rusqlite::Error| trouble_at(&self.path, &e);
        let mut statement = self.db.prepare_cached(&sql).map_err(fail)?;
        let mut rows = statement.query((batch, codec::stamp(since))).map_err(fail)?;
        let (mut found, mut known) = (Vec::new(), None::<(i64, RelPath)>);
        while let Some(row) = rows.next().map_err(fail)? {
            let id: i64 = row.get(13).map_err(fail)?;
            let folder = match known.take() {
                Some((same, folder)) if same == id => folder,
                _ => self.folder_path(id, dataset)?,
            };
            found.push(files::record_of(row, &folder).map_err(fail)?);
            known = Some((id, folder));
        }
        Ok(found)
    }
}
