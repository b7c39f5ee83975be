//! What the file system of each dataset promises, as its copies have found it.

use super::{Ledger, codec};
use crate::moment::Moment;
use crate::trouble::Trouble;
use rusqlite::{Connection, Row};

/// One dataset's folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Promise {
    /// The dataset.
    pub dataset: String,
    /// How far a sync can be believed: `local`, `server-said`, `unproven`.
    pub class: String,
    /// How files get their names: `rename`, `link`, `checked-rename`.
    pub publish: String,
    /// Whether one sync for everything reaches the disks.
    pub sync_reaches: bool,
    /// When it was found last.
    pub at: Moment,
}

/// Keeps what was found last, inside a transaction.
pub(super) fn put(db: &Connection, promise: &Promise) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO promises VALUES (?1, ?2, ?3, ?4, ?5)";
    let words = (&promise.dataset, &promise.class, &promise.publish);
    let at = codec::stamp(promise.at);
    db.execute(sql, (words.0, words.1, words.2, promise.sync_reaches, at))
        .map(|_| ())
}

impl Ledger {
    /// Keeps what was found last.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn keep_promise(&mut self, promise: &Promise) -> Result<(), Trouble> {
        self.together(|db| put(db, promise))
    }

    /// All of them, by the dataset's name.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn promises(&self) -> Result<Vec<Promise>, Trouble> {
        let sql = "SELECT dataset, class, publish, sync_reaches, at FROM promises ORDER BY dataset";
        let read = |row: &Row<'_>| {
            Ok(Promise {
                dataset: row.get(0)?,
                class: row.get(1)?,
                publish: row.get(2)?,
                sync_reaches: row.get(3)?,
                at: codec::moment(row, 4)?,
            })
        };
        self.rows(sql, [], read)
    }
}
