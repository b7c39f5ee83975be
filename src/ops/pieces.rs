//! What a removal works from: each project of a batch as a list of what the ledger knows of it,
//! with the files that other batches have brought of the same project.

use super::batch::{self, AtHand};
use super::desk::Desk;
use super::items::{BatchFolder, Walk};
use super::late;
use crate::entry::{EntryKind, Named};
use crate::ledger::{FileRecord, Proof};
use crate::lifecycle::is_racy;
use crate::names::RelPath;
use crate::plan::Placed;
use crate::release::{ListedFile, ListedFolder, Piece};
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use crate::world::ReadHow;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

/// A batch and all that hold files of the same projects, itself first.
///
/// # Errors
/// [`Trouble`] where plan, settings or an index are missing.
pub fn kin(desk: &Desk<'_>, name: &str) -> Result<Vec<AtHand>, Trouble> {
    let plan = batch::plan(desk)?;
    let mine = batch::named(&plan, &[name.to_string()])?;
    let mut found = Vec::new();
    for one in mine
        .iter()
        .chain(mine.iter().flat_map(|one| late::kin(&plan, one)))
    {
        if let Some(row) = desk.ledger.batch(one.name.as_str())? {
            found.push(batch::open(desk, row)?);
        }
    }
    Ok(found)
}

/// What is set aside of one project: its folder, or each of its loose files.
///
/// # Errors
/// [`Trouble`] where an index or the ledger cannot be read.
pub fn pieces(desk: &Desk<'_>, kin: &[AtHand], project: &Placed) -> Result<Vec<Piece>, Trouble> {
    let mut folders: BTreeMap<RelPath, ListedFolder> = BTreeMap::new();
    for (end, at_hand) in kin.iter().enumerate() {
        let same = at_hand.batch.projects.iter().filter(|p| p.key == project.key);
        for placed in same {
            for folder in Walk::of(at_hand, placed) {
                list(desk, at_hand, end, &folder?, &mut folders)?;
            }
        }
    }
    for folder in folders.values_mut() {
        let ListedFolder {
            files,
            folders,
            stays,
            ..
        } = folder;
        stays.retain(|name, _| !files.contains_key(name) && !folders.contains(name));
    }
    Ok(match &project.key {
        ProjectKey::Folder(path) => vec![whole(path, folders)],
        ProjectKey::Loose(_) => folders.into_iter().flat_map(loose).collect(),
    })
}

fn whole(path: &RelPath, folders: BTreeMap<RelPath, ListedFolder>) -> Piece {
    let inside = |(from, folder): (RelPath, ListedFolder)| {
        let inside = from.below(path)?;
        Some(ListedFolder { inside, ..folder })
    };
    Piece {
        path: path.clone(),
        loose: false,
        folders: folders.into_iter().filter_map(inside).collect(),
    }
}

fn loose((from, folder): (RelPath, ListedFolder)) -> Vec<Piece> {
    let one = |(name, file): (Vec<u8>, ListedFile)| {
        Some(Piece {
            path: from.join(&name).ok()?,
            loose: true,
            folders: vec![ListedFolder {
                files: BTreeMap::from([(name, file)]),
                ..ListedFolder::default()
            }],
        })
    };
    folder.files.into_iter().filter_map(one).collect()
}

fn list(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    end: usize,
    folder: &BatchFolder,
    into: &mut BTreeMap<RelPath, ListedFolder>,
) -> Result<(), Trouble> {
    let dataset: Arc<str> = at_hand.dataset.name.as_str().into();
    let mut records = desk
        .ledger
        .folder_records(at_hand.row.id, &dataset, &folder.place)?;
    let listed = into.entry(folder.from.clone()).or_default();
    let ways = &desk.settings.accept_read;
    let mut add = |child: &Named, rule: Option<&str>| {
        let name = child.name.clone();
        match records.remove(folder.placed_name(&name)) {
            Some(record) => {
                let file = file_of(at_hand, end, &dataset, record, child, ways);
                listed.files.insert(name, file);
            }
            None => match code_of(child, rule) {
                None => drop(listed.folders.insert(name)),
                Some(code) => drop(listed.stays.insert(name, (code, child.entry.size))),
            },
        }
    };
    folder.children.iter().for_each(|child| add(child, None));
    folder
        .excluded
        .iter()
        .for_each(|(child, rule)| add(child, Some(rule)));
    Ok(())
}

/// Why an entry without a record stays; `None` for a folder, whose own entries say that.
fn code_of(child: &Named, rule: Option<&str>) -> Option<String> {
    let code = match (rule, child.entry.kind, &child.entry.error) {
        (Some(rule), _, _) => return Some(format!("excluded-{rule}")),
        (None, EntryKind::Directory, None) => return None,
        (None, _, Some(error)) if error == crate::survey::surveyor::BOUNDARY => "boundary",
        (None, EntryKind::Unknown, _) | (None, _, Some(_)) => "unreadable",
        (None, EntryKind::Special, None) => "special",
        (None, EntryKind::File | EntryKind::Symlink, None) => "not-moved",
    };
    Some(code.to_string())
}

fn file_of(
    at_hand: &AtHand,
    end: usize,
    dataset: &Arc<str>,
    record: FileRecord,
    child: &Named,
    ways: &[ReadHow],
) -> ListedFile {
    let proven = match record.proof {
        // A symlink or an empty file has no content that a cache could answer.
        Proof::Verified { how, .. } => {
            record.kind != EntryKind::File || record.source.size.0 == 0 || ways.contains(&how)
        }
        Proof::Copied | Proof::Adopted => false,
    };
    ListedFile {
        batch: at_hand.row.id,
        dataset: Arc::clone(dataset),
        end,
        proven,
        racy: is_racy(&record.source, at_hand.index.header().started()),
        attributes: (child.entry.mode, child.entry.uid, child.entry.gid),
        record,
    }
}

/// Symlinks of a list, for mounts over which removing one can remove what it leads to (hazard L4).
pub fn symlinks(pieces: &[Piece]) -> u64 {
    let folders = pieces.iter().flat_map(|piece| &piece.folders);
    let files = folders.flat_map(|folder| folder.files.values());
    files
        .filter(|file| file.record.kind == EntryKind::Symlink)
        .count() as u64
}

/// Where pieces lie by the ledger, by their own path.
pub type Whereabouts = HashMap<RelPath, crate::ledger::Aside>;
