//! What lies at both ends of a batch now, against what was copied: what its sign-off stands on.

use super::batch::{self, AtHand};
use super::desk::Desk;
use super::items::{BatchFolder, Walk};
use crate::digest::{Digest, TreeHasher};
use crate::entry::{Entry, EntryKind};
use crate::ledger::{Edit, FileRecord};
use crate::lifecycle::is_racy;
use crate::lifecycle::removal::{COPY_EDITED, Look};
use crate::names::RelPath;
use crate::release::{Copies, CopyEnd, Ends, Stay};
use crate::trouble::Trouble;
use crate::world::{Folder, Fs, OpenFolders, OpenHow, Res};
use std::collections::{BTreeMap, BTreeSet};

/// What was found.
#[derive(Debug, Default)]
pub(super) struct NowAt {
    /// Files whose source is no longer what was copied.
    pub changed: u64,
    /// Entries at the source that no batch has taken.
    pub new: u64,
    /// What stands against any deletion, by code.
    pub stops: BTreeMap<&'static str, u64>,
    /// Copies that were edited at the destination, by their path at the source.
    pub edited_copies: Vec<Stay>,
}

impl NowAt {
    fn copy(&mut self, look: Look, path: RelPath, record: &FileRecord) {
        match look {
            Look::Same => {}
            Look::Absent => *self.stops.entry("copy-missing").or_default() += 1,
            Look::Other | Look::Touched => {
                self.edited_copies
                    .push((path, COPY_EDITED.into(), record.source.size));
            }
        }
    }
}

/// Compares both ends as they are now with what was copied. Copies are looked at where the source
/// still has the file, as a removal does: those are the ones that somebody may delete by this sheet.
///
/// # Errors
/// [`Trouble`] where an end is missing or cannot be read, or the ledger cannot be written.
pub(super) fn both_ends(desk: &mut Desk<'_>, at_hand: &AtHand) -> Result<NowAt, Trouble> {
    let (source, target) = batch::ends(desk, at_hand)?;
    let copies = [CopyEnd {
        fs: &target,
        inodes_hold: target.mount().keeps_inodes(),
    }];
    let mut copies = Copies::new(Ends {
        source: &source,
        copies: &copies,
        inodes_hold: at_hand.inodes_stay,
        stop: desk.stop,
        told: &|_| {},
    });
    let mut seen = NowAt::default();
    let mut open = OpenFolders::new(&source);
    for folder in Walk::new(at_hand) {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        target
            .is_there()
            .map_err(|fault| crate::copy::trouble_of(&fault))?;
        let folder = folder?;
        let dataset = &at_hand.dataset.name;
        let records = desk
            .ledger
            .folder_records(at_hand.row.id, dataset, &folder.place)?;
        let held = match open.get(&folder.from) {
            Ok(held) => held,
            // A symlink, a file or a mount in its place: none of its files is what it was.
            Err(fault) if fault.kind == crate::world::FaultKind::WrongKind => {
                seen.changed += (records.len() as u64).max(1);
                continue;
            }
            // A folder that is gone cannot be lost any more; its files are at the destination.
            Err(fault) if fault.kind == crate::world::FaultKind::NotFound => continue,
            Err(fault) => return Err(crate::copy::trouble_of(&fault)),
        };
        let mut edits = Vec::new();
        for (placed, record) in &records {
            let name = folder.source_name(placed);
            match held.stat(name) {
                Ok(now) => match weigh(&*held, name, &now, record, at_hand) {
                    Weighed::Same => {
                        let place = folder.from.join(name).unwrap_or_default();
                        seen.copy(copies.look(record)?, place, record);
                    }
                    Weighed::Changed => seen.changed += 1,
                    Weighed::Edited(hash) => {
                        seen.changed += 1;
                        edits.push(Edit {
                            place: record.place.clone(),
                            recorded: record.hash,
                            now: hash,
                            at: desk.now(),
                        });
                    }
                },
                Err(fault) if fault.kind == crate::world::FaultKind::NotFound => {}
                Err(_) => seen.changed += 1,
            }
        }
        desk.ledger.put_edits(dataset, &edits)?;
        if folder.from.depth() >= at_hand.source.project_depth {
            seen.new += new_names(&*held, &folder, &at_hand.taken)?;
        }
    }
    Ok(seen)
}

/// Entries of a source folder that the index did not have.
fn new_names(held: &dyn Folder, folder: &BatchFolder, taken: &BTreeSet<RelPath>) -> Result<u64, Trouble> {
    let known: BTreeSet<&[u8]> = folder
        .children
        .iter()
        .map(|child| child.name.as_slice())
        .chain(folder.excluded.iter().map(|(child, _)| child.name.as_slice()))
        .chain(folder.others.iter().map(|placed| folder.source_name(placed)))
        .collect();
    let elsewhere = |name: &[u8]| folder.place_of(name).is_some_and(|place| taken.contains(&place));
    let listed = held.list().map_err(|fault| crate::copy::trouble_of(&fault))?;
    Ok(listed
        .iter()
        .filter(|(name, _)| !known.contains(name.as_slice()) && !elsewhere(name))
        .count() as u64)
}

/// What a recorded file is found to be at the source.
enum Weighed {
    Same,
    Changed,
    /// Only its content tells: a later batch has to be told of it.
    Edited(Digest),
}

/// The same is what has its inode, size and times. A ctime alone means that somebody touched the
/// attributes, and times as young as the scan do not tell one edit from the next: then the content
/// is read again and decides.
fn weigh(held: &dyn Folder, name: &[u8], now: &Entry, record: &FileRecord, at_hand: &AtHand) -> Weighed {
    let same = now.kind == record.kind
        && (now.size, now.mtime) == (record.source.size, record.source.mtime)
        && (!at_hand.inodes_stay || now.inode == record.source.inode);
    let racy = is_racy(&record.source, at_hand.index.header().started());
    if !same {
        return Weighed::Changed;
    }
    if now.ctime == record.source.ctime && !racy {
        return Weighed::Same;
    }
    match content(held, name, now) {
        Ok(hash) if hash == record.hash => Weighed::Same,
        Ok(hash) if now.kind == EntryKind::File => Weighed::Edited(hash),
        _ => Weighed::Changed,
    }
}

fn content(held: &dyn Folder, name: &[u8], now: &Entry) -> Res<Digest> {
    if let Some(target) = &now.target {
        return Ok(Digest::of(target));
    }
    let file = held.open(name, OpenHow::Plain)?;
    let mut hasher = TreeHasher::new();
    let mut buffer = vec![0u8; 1 << 20];
    loop {
        match file.read_at(hasher.position(), &mut buffer)? {
            0 => return Ok(hasher.finish().root),
            length => hasher.update(&buffer[..length]),
        }
    }
}
