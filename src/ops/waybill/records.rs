//! The slice of a batch with what the ledger has recorded of each entry.

use super::slice::{Slice, SliceFolder};
use crate::digest::Digest;
use crate::entry::{Entry, EntryKind};
use crate::ledger::{FileRecord, Ledger};
use crate::lifecycle::waybills::Task;
use crate::names::RelPath;
use crate::ops::batch::AtHand;
use crate::trouble::Trouble;
use std::collections::HashMap;

/// One folder, and what is recorded of its entries, in their order.
pub struct RecordedFolder {
    /// The folder.
    pub folder: SliceFolder,
    /// One for each entry.
    pub records: Vec<Option<FileRecord>>,
}

/// Folder by folder, in the order of the slice.
pub struct Records<'a> {
    slice: Slice<'a>,
    at_hand: &'a AtHand,
    ledger: &'a Ledger,
    /// The folder at the destination that was asked for last.
    last: Option<(RelPath, HashMap<Vec<u8>, FileRecord>)>,
}

impl<'a> Records<'a> {
    /// Of one batch, for a task.
    ///
    /// # Errors
    /// [`Trouble`] where the index cannot be read.
    pub fn new(at_hand: &'a AtHand, task: Task, ledger: &'a Ledger) -> Result<Records<'a>, Trouble> {
        Ok(Records {
            slice: Slice::new(at_hand, task)?,
            at_hand,
            ledger,
            last: None,
        })
    }

    fn record(&mut self, place: &RelPath, kind: EntryKind) -> Result<Option<FileRecord>, Trouble> {
        let Some((above, name)) = place.split() else {
            return Ok(None);
        };
        if self.last.as_ref().is_none_or(|(folder, _)| *folder != above) {
            let (id, dataset) = (self.at_hand.row.id, &self.at_hand.dataset.name);
            let found = self.ledger.folder_records(id, dataset, &above)?;
            self.last = Some((above, found));
        }
        let found = self.last.as_ref().and_then(|(_, records)| records.get(name));
        let copied = matches!(kind, EntryKind::File | EntryKind::Symlink);
        Ok(found.filter(|_| copied).cloned())
    }

    fn take(&mut self, folder: SliceFolder) -> Result<RecordedFolder, Trouble> {
        let mut records = Vec::with_capacity(folder.entries.len());
        for entry in &folder.entries {
            records.push(match (&entry.place, entry.mine) {
                (Some(place), true) => self.record(place, entry.entry.kind)?,
                _ => None,
            });
        }
        Ok(RecordedFolder { folder, records })
    }
}

impl Iterator for Records<'_> {
    type Item = Result<RecordedFolder, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        let folder = self.slice.next()?;
        Some(folder.and_then(|folder| self.take(folder)))
    }
}

/// One file that a receipt has to answer for.
pub struct Asked {
    /// Its path below the source's root.
    pub path: RelPath,
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// What the index knows of it.
    pub entry: Entry,
    /// What is recorded of it.
    pub record: Option<FileRecord>,
}

impl RecordedFolder {
    /// The files of this folder that a receipt answers for, in order.
    pub fn asked(self, task: Task) -> impl Iterator<Item = Asked> {
        let path = self.folder.path;
        let entries = self.folder.entries.into_iter().zip(self.records);
        entries.filter_map(move |(entry, record)| {
            let asked = entry.mine && task.asks_for(entry.entry.kind, record.is_some());
            Some(Asked {
                path: path.join(&entry.name).ok()?,
                place: entry.place.filter(|_| asked)?,
                entry: entry.entry,
                record,
            })
        })
    }
}

/// Stands for all that a waybill asks for: the list at home has to be the one that was handed out.
#[derive(Default)]
pub struct ListHash(blake3::Hasher);

impl ListHash {
    /// Takes in the next file.
    pub fn add(&mut self, asked: &Asked, task: Task) {
        // Lengths first, so that no two lists run together to the same bytes.
        for path in [&asked.path, &asked.place] {
            self.0.update(&(path.as_bytes().len() as u64).to_le_bytes());
            self.0.update(path.as_bytes());
        }
        let id = asked.entry.identity();
        for number in [
            id.size.0,
            id.inode,
            id.mtime.seconds as u64,
            u64::from(id.mtime.nanos),
        ] {
            self.0.update(&number.to_le_bytes());
        }
        if let (Task::Verify, Some(record)) = (task, &asked.record) {
            self.0.update(&record.hash.0);
        }
    }

    /// The hash.
    pub fn finish(&self) -> Digest {
        Digest(*self.0.finalize().as_bytes())
    }
}
