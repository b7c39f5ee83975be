//! What a release has set aside at a source, brought back, and removed.

use super::codec::{self, int, uint};
use super::{Ledger, files};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use rusqlite::Row;
use std::sync::Arc;

/// A project or loose file that is set aside, or was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Aside {
    /// Its number in the ledger; 0 before it is kept.
    pub id: i64,
    /// The source it lies at.
    pub source: String,
    /// Where it lay, below the source's root.
    pub path: RelPath,
    /// The folder that holds it since, below the source's root; the name in it is the same.
    pub aside: RelPath,
    /// The batch it was released with.
    pub batch: String,
    /// Its inode number when it was set aside.
    pub inode: u64,
    /// What is being done to it.
    pub state: AsideState,
    /// When it was set aside, or when the last step with it ended.
    pub at: Moment,
}

/// A file that was removed at the source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GoneFile {
    /// The batch that holds its record.
    pub batch: i64,
    /// The dataset of that batch.
    pub dataset: Arc<str>,
    /// Its place below the dataset's folder.
    pub place: RelPath,
}

/// What is being done to something set aside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AsideState {
    /// It is about to be renamed aside.
    Going,
    /// It lies aside.
    Aside,
    /// It is about to be renamed back.
    Returning,
    /// Its files are being removed.
    Emptying,
    /// It was brought back.
    Returned,
    /// All that may be removed is removed.
    Emptied,
}

impl AsideState {
    const ALL: [AsideState; 6] = [
        AsideState::Going,
        AsideState::Aside,
        AsideState::Returning,
        AsideState::Emptying,
        AsideState::Returned,
        AsideState::Emptied,
    ];

    /// The fixed word of the ledger.
    pub fn word(self) -> &'static str {
        match self {
            AsideState::Going => "going",
            AsideState::Aside => "aside",
            AsideState::Returning => "returning",
            AsideState::Emptying => "emptying",
            AsideState::Returned => "returned",
            AsideState::Emptied => "emptied",
        }
    }

    /// Whether something may still lie aside.
    pub fn is_open(self) -> bool {
        !matches!(self, AsideState::Returned | AsideState::Emptied)
    }
}

impl Aside {
    /// Where it lies while it is aside, below the source's root.
    ///
    /// # Errors
    /// A defect where it is the root itself.
    pub fn lies_at(&self) -> Result<RelPath, Trouble> {
        let name = self.path.split().map(|(_, name)| name);
        let place = name.and_then(|name| self.aside.join(name).ok());
        place.ok_or_else(|| Trouble::defect("the root of a source cannot be set aside"))
    }
}

fn aside_of(row: &Row<'_>) -> rusqlite::Result<Aside> {
    let path =
        |column| RelPath::new(row.get::<_, Vec<u8>>(column)?).map_err(|_| codec::bad(column, "a path"));
    let word: String = row.get(6)?;
    let state = AsideState::ALL.into_iter().find(|state| state.word() == word);
    Ok(Aside {
        id: row.get(0)?,
        source: row.get(1)?,
        path: path(2)?,
        aside: path(3)?,
        batch: row.get(4)?,
        inode: uint(row, 5)?,
        state: state.ok_or_else(|| codec::bad(6, "a state"))?,
        at: codec::moment(row, 7)?,
    })
}

impl Ledger {
    /// Records that something is about to be set aside, durable when this returns, and answers its
    /// number. One path of a source is set aside once at a time.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written or the path is set aside already.
    pub fn put_aside(&mut self, aside: &Aside) -> Result<i64, Trouble> {
        let sql = "INSERT INTO asides (source, path, aside, batch, inode, state, at) \
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
        let (path, folder) = (aside.path.as_bytes(), aside.aside.as_bytes());
        let (word, at) = (aside.state.word(), codec::stamp(aside.at));
        self.together(|db| {
            db.execute(
                sql,
                (
                    &aside.source,
                    path,
                    folder,
                    &aside.batch,
                    int(aside.inode),
                    word,
                    at,
                ),
            )?;
            Ok(db.last_insert_rowid())
        })
    }

    /// Notes what is being done to something set aside, durable when this returns. With `at` its
    /// time is renewed.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn step_aside(&mut self, id: i64, state: AsideState, at: Option<Moment>) -> Result<(), Trouble> {
        let sql = "UPDATE asides SET state = ?2, at = coalesce(?3, at) WHERE id = ?1";
        let at = at.map(codec::stamp);
        self.together(|db| db.execute(sql, (id, state.word(), at)).map(|_| ()))
    }

    /// All that is or was set aside at a source, oldest first.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn asides(&self, source: &str) -> Result<Vec<Aside>, Trouble> {
        let sql = "SELECT id, source, path, aside, batch, inode, state, at FROM asides WHERE source = ?1 ORDER BY id";
        self.rows(sql, [source], aside_of)
    }

    /// Whether something of a source is or was set aside in this folder.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn sets_aside_in(&self, source: &str, folder: &RelPath) -> Result<bool, Trouble> {
        let sql = "SELECT 1 FROM asides WHERE source = ?1 AND aside = ?2 LIMIT 1";
        let found = self.rows(sql, (source, folder.as_bytes()), |_| Ok(()))?;
        Ok(!found.is_empty())
    }

    /// Notes files of a batch that were removed at the source, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn note_removed(&mut self, gone: &[GoneFile], at: Moment) -> Result<(), Trouble> {
        self.together(|db| {
            let sql = "INSERT OR IGNORE INTO removed VALUES (?1, ?2, ?3, ?4)";
            for file in gone {
                let Some((folder, name)) = file.place.split() else {
                    continue;
                };
                let id = files::folder_id(db, &file.dataset, &folder)?;
                db.prepare_cached(sql)?
                    .execute((file.batch, id, name, codec::stamp(at)))?;
            }
            Ok(())
        })
    }

    /// Files and bytes of a batch that were removed at the source.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn removed(&self, batch: i64) -> Result<Amount, Trouble> {
        let sql = "SELECT count(*), coalesce(sum(files.size), 0) FROM removed JOIN files USING (batch, folder, name) \
                   WHERE removed.batch = ?1 AND files.kind = 0";
        let read = |row: &Row<'_>| {
            Ok(Amount {
                files: uint(row, 0)?,
                bytes: Bytes(uint(row, 1)?),
            })
        };
        Ok(self.rows(sql, [batch], read)?.pop().unwrap_or_default())
    }
}
