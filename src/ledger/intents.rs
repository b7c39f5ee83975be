//! What a copy is about to do, and the step from there to a fact.
//!
//! An intent is durable before its staged file is created and goes away in the same transaction
//! that records the file. So a staged file is ours because an intent names it, never because of
//! how it is called.

use super::codec::{self, int, uint};
use super::files::{self, FileRecord};
use super::{Attributes, Content, ContentKey, Disagreement, Failure, Ledger};
use super::{attributes, content, disagreements, late};
use crate::digest::{BlockValue, Digest};
use crate::entry::Identity;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::Loss;
use rusqlite::Connection;

/// One file a copy is about to place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Intent {
    /// Its number; 0 before it is recorded.
    pub id: i64,
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// The name it is written under, in the same folder.
    pub staged: Vec<u8>,
    /// Whether a file of ours with that place goes away.
    pub replaces: bool,
    /// What it was at the source.
    pub source: Identity,
    /// The staged file's inode and hash, once its content is durable.
    pub staged_as: Option<(u64, Digest)>,
    /// Bytes from the start that are durable in the staged file.
    pub done: Bytes,
    /// The chaining values of those bytes.
    pub values: Vec<BlockValue>,
    /// Facts that the staged file could not keep.
    pub losses: Vec<Loss>,
    /// Attributes that it has kept.
    pub attributes: Option<Attributes>,
}

/// What is noted of a staged file whose content is durable.
#[derive(Debug, Clone)]
pub struct StagedNote {
    /// The number of its intent.
    pub intent: i64,
    /// Its inode.
    pub inode: u64,
    /// The hash of its content.
    pub hash: Digest,
    /// What it was at the source when it was read: it may have changed since the intent.
    pub source: Identity,
    /// Facts that it could not keep.
    pub losses: Vec<Loss>,
    /// Attributes that it has kept.
    pub attributes: Option<Attributes>,
}

/// What one group came to, to be recorded at once.
#[derive(Debug, Default)]
pub struct GroupResult {
    /// Files that are durable at their places, with the chaining values of large ones and the
    /// source's link count.
    pub records: Vec<(FileRecord, Vec<BlockValue>, u64)>,
    /// Intents that are settled, one way or the other.
    pub settled: Vec<i64>,
    /// Files that could not be copied.
    pub failures: Vec<Failure>,
    /// Facts the destination could not keep.
    pub losses: Vec<(RelPath, Loss)>,
    /// Attributes that files and folders have kept; `None` where they have none any more.
    pub attributes: Vec<(RelPath, Option<Attributes>)>,
    /// Under which name hashes of a source are kept, and what is kept of these files.
    pub shelf: (String, Vec<(ContentKey, Content)>),
    /// Reads of the source that disagreed.
    pub disagreements: Vec<Disagreement>,
}

impl Ledger {
    /// Step 1: records what a group is about to do, durable when this returns, and numbers it.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written; nothing is recorded then.
    pub fn intend(&mut self, batch: i64, dataset: &str, intents: &mut [Intent]) -> Result<(), Trouble> {
        self.together(|db| {
            for intent in intents.iter_mut() {
                intent.id = insert(db, batch, dataset, intent)?;
            }
            Ok(())
        })
    }

    /// After step 4: notes what a crash before the record would else forget of staged files whose
    /// content is durable.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn note_staged(&mut self, staged: &[StagedNote]) -> Result<(), Trouble> {
        self.together(|db| {
            let sql = "UPDATE intents SET placed_inode = ?2, hash = ?3, size = ?4, inode = ?5, mtime = ?6, \
                       ctime = ?7, losses = ?8, attribute_names = ?9, attribute_hash = ?10 WHERE id = ?1";
            for note in staged {
                let kept = note.attributes.as_ref();
                db.prepare_cached(sql)?.execute((
                    note.intent,
                    int(note.inode),
                    note.hash.0,
                    int(note.source.size.0),
                    int(note.source.inode),
                    codec::stamp(note.source.mtime),
                    codec::stamp(note.source.ctime),
                    (!note.losses.is_empty()).then(|| losses_text(&note.losses)),
                    kept.map(Attributes::names_bytes),
                    kept.map(|kept| kept.hash.0),
                ))?;
            }
            Ok(())
        })
    }

    /// Notes how far a large file is durable, with the chaining values up to there.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn note_progress(&mut self, id: i64, done: Bytes, values: &[BlockValue]) -> Result<(), Trouble> {
        self.together(|db| {
            let sql = "UPDATE intents SET done = ?2, kept = ?3 WHERE id = ?1";
            db.prepare_cached(sql)?
                .execute((id, int(done.0), codec::values_bytes(values)))?;
            Ok(())
        })
    }

    /// Step 7: records what a group came to, durable when this returns.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written; nothing is recorded then.
    pub fn record_group(
        &mut self,
        batch: i64,
        dataset: &str,
        source: &str,
        group: &GroupResult,
    ) -> Result<(), Trouble> {
        self.together(|db| put_group(db, batch, dataset, source, group))
    }

    /// Intents that an earlier run left behind, oldest first.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn intents_of(&self, batch: i64, dataset: &str) -> Result<Vec<Intent>, Trouble> {
        let sql = "SELECT id, folder, name, staged, replaces, size, inode, mtime, ctime, placed_inode, hash, done, kept, \
                   losses, attribute_names, attribute_hash FROM intents WHERE batch = ?1 ORDER BY id";
        let rows = self.rows(sql, [batch], |row| {
            let source = Identity {
                size: Bytes(uint(row, 5)?),
                inode: uint(row, 6)?,
                mtime: codec::moment(row, 7)?,
                ctime: codec::moment(row, 8)?,
            };
            let staged_as = match row.get::<_, Option<i64>>(9)? {
                Some(inode) => Some((inode as u64, codec::digest(row, 10)?)),
                None => None,
            };
            let intent = Intent {
                id: row.get(0)?,
                place: RelPath::root(),
                staged: row.get(3)?,
                replaces: row.get::<_, i64>(4)? != 0,
                source,
                staged_as,
                done: Bytes(uint(row, 11)?),
                values: codec::values(row, 12)?,
                losses: losses_of(&row.get::<_, Option<String>>(13)?.unwrap_or_default()),
                attributes: match row.get::<_, Option<Vec<u8>>>(14)? {
                    Some(names) => Some(Attributes::from_parts(&names, codec::digest(row, 15)?)),
                    None => None,
                },
            };
            Ok((row.get::<_, i64>(1)?, row.get::<_, Vec<u8>>(2)?, intent))
        })?;
        let mut intents = Vec::with_capacity(rows.len());
        for (folder, name, mut intent) in rows {
            let folder = self.folder_path(folder, dataset)?;
            intent.place = folder.join(&name).map_err(|e| Trouble::defect(e.to_string()))?;
            intents.push(intent);
        }
        Ok(intents)
    }

    /// Where in a dataset a source's file with several names was placed already.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn linked_place(
        &self,
        dataset: &str,
        source: &str,
        inode: u64,
    ) -> Result<Option<FileRecord>, Trouble> {
        let sql = "SELECT folder, name FROM linked WHERE dataset = ?1 AND source = ?2 AND inode = ?3";
        let row = |row: &rusqlite::Row<'_>| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?));
        let Some((folder, name)) = self.rows(sql, (dataset, source, int(inode)), row)?.pop() else {
            return Ok(None);
        };
        let folder = self.folder_path(folder, dataset)?;
        let place = folder.join(&name).map_err(|e| Trouble::defect(e.to_string()))?;
        self.record_at(dataset, &place)
    }
}

/// Writes what a group came to, inside a transaction.
pub(super) fn put_group(
    db: &Connection,
    batch: i64,
    dataset: &str,
    source: &str,
    group: &GroupResult,
) -> rusqlite::Result<()> {
    let is_late = late::brings_late(db, batch)?;
    for (record, values, links) in &group.records {
        let Some((folder, name)) = record.place.split() else {
            continue;
        };
        let id = files::folder_id(db, dataset, &folder)?;
        files::put(db, batch, id, record)?;
        if is_late {
            late::supersede(db, batch, dataset, id, &record.place)?;
        }
        if !values.is_empty() {
            files::put_blocks(db, batch, id, name, values)?;
        }
        if *links > 1 {
            let sql = "INSERT OR REPLACE INTO linked VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
            let inode = int(record.source.inode);
            db.prepare_cached(sql)?
                .execute((dataset, source, inode, batch, id, name))?;
        }
        attributes::put(db, batch, dataset, &record.place, None)?;
        clear_marks(db, batch, record.place.as_bytes())?;
    }
    for id in &group.settled {
        db.prepare_cached("DELETE FROM intents WHERE id = ?1")?
            .execute([id])?;
    }
    for failure in &group.failures {
        super::listed::put_failure(db, batch, failure)?;
    }
    for (place, loss) in &group.losses {
        let sql = "INSERT OR REPLACE INTO losses VALUES (?1, ?2, ?3, ?4)";
        db.prepare_cached(sql)?
            .execute((batch, loss.kind, place.as_bytes(), &loss.why))?;
    }
    for (place, kept) in &group.attributes {
        attributes::put(db, batch, dataset, place, kept.as_ref())?;
    }
    content::put(db, &group.shelf.0, &group.shelf.1)?;
    for one in &group.disagreements {
        disagreements::put(db, source, batch, one)?;
    }
    Ok(())
}

fn insert(db: &Connection, batch: i64, dataset: &str, intent: &Intent) -> rusqlite::Result<i64> {
    let Some((folder, name)) = intent.place.split() else {
        return Err(codec::bad(0, "a file's place"));
    };
    let folder = files::folder_id(db, dataset, &folder)?;
    let sql = "INSERT INTO intents (batch, folder, name, staged, replaces, size, inode, mtime, ctime, done, kept) \
               VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)";
    db.prepare_cached(sql)?.insert(rusqlite::params![
        batch,
        folder,
        name,
        intent.staged,
        i64::from(intent.replaces),
        int(intent.source.size.0),
        int(intent.source.inode),
        codec::stamp(intent.source.mtime),
        codec::stamp(intent.source.ctime),
        int(intent.done.0),
        codec::values_bytes(&intent.values),
    ])
}

/// A file that is recorded anew has no failure, loss or difference of before.
pub(super) fn clear_marks(db: &Connection, batch: i64, place: &[u8]) -> rusqlite::Result<()> {
    for sql in [
        "DELETE FROM failures WHERE batch = ?1 AND path = ?2",
        "DELETE FROM losses WHERE batch = ?1 AND path = ?2",
        "DELETE FROM differences WHERE batch = ?1 AND path = ?2",
    ] {
        db.prepare_cached(sql)?.execute((batch, place))?;
    }
    Ok(())
}

impl Intent {
    /// A new one, not yet recorded.
    pub fn new(place: RelPath, staged: Vec<u8>, replaces: bool, source: Identity) -> Intent {
        Intent {
            id: 0,
            place,
            staged,
            replaces,
            source,
            staged_as: None,
            done: Bytes::ZERO,
            values: Vec::new(),
            losses: Vec::new(),
            attributes: None,
        }
    }
}

/// Losses as lines of kind and reason.
fn losses_text(losses: &[Loss]) -> String {
    let line = |loss: &Loss| format!("{}\t{}\n", loss.kind, loss.why.replace('\n', " "));
    losses.iter().map(line).collect()
}

fn losses_of(text: &str) -> Vec<Loss> {
    let one = |line: &str| {
        let (kind, why) = line.split_once('\t')?;
        let kind = Loss::KINDS.into_iter().find(|known| *known == kind)?;
        Some(Loss {
            kind,
            why: why.to_string(),
        })
    };
    text.lines().filter_map(one).collect()
}

/// The second of a record's time: records are kept to the second.
pub fn to_second(at: Moment) -> Moment {
    Moment::from_seconds(at.seconds)
}
