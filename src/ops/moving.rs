//! Files moved at the source, followed at the destination by a rename instead of a copy.

use super::batch::{self, AtHand};
use super::desk::Desk;
use super::following::{alone, holding};
use super::moves::{Found, Group, Moved, find};
use super::permissions::permissions;
use super::scan::{index_row, newest_index, open_index};
use super::{copy, guard, proof, store};
use crate::copy::moves::{self as hand, Looking};
use crate::copy::{FolderItem, dress_folders, trouble_of};
use crate::digest::Digest;
use crate::entry::Listing;
use crate::index::{Elsewhere, Index};
use crate::ledger::{BatchRow, FolderRow, FolderWhat, GroupResult, IndexRow, MoveRow, MoveSet};
use crate::lifecycle::moves::{Doubt, emptied, with_free_places};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::OsFs;
use std::collections::{BTreeMap, BTreeSet, HashSet};

/// More folders than this are looked up by reading an index once from end to end.
const MANY: usize = 100;

/// Follows all that can be followed, and says of everything what became of it. Folders under another
/// name have been followed before.
///
/// # Errors
/// [`Trouble`] where an end is missing, another process works on a batch, or the ledger cannot be
/// written. What was recorded as begun is gone on with by the next command.
pub fn all(desk: &mut Desk<'_>) -> Result<Found, Trouble> {
    go_on(desk)?;
    let mut found = find(desk, &[])?;
    for ((source, dataset), group) in &mut found.groups {
        let rows = holding(desk, &source.0, dataset)?;
        let Some(first) = rows.first().cloned() else {
            continue;
        };
        alone(desk, &rows, |desk| {
            let at_hand = batch::open(desk, first)?;
            let set = prepared(desk, &at_hand, &rows, group)?;
            if set.ends.is_empty() {
                return Ok(());
            }
            desk.ledger.begin_moves(&set)?;
            finish_all(desk, Some((&source.0, dataset)))
        })?;
    }
    Ok(found)
}

/// Goes on with moves that an earlier run has begun, and with the proofs that have old names still.
///
/// # Errors
/// As for carrying out a plan; `follow-conflict` where the destination was changed meanwhile.
pub fn go_on(desk: &mut Desk<'_>) -> Result<(), Trouble> {
    for set in desk.ledger.moves()? {
        let rows = holding(desk, &set.source, &set.dataset)?;
        alone(desk, &rows, |desk| {
            finish_all(desk, Some((&set.source, &set.dataset)))
        })?;
    }
    proof::write_due(desk)
}

/// Step 1, and what the intents say. An answer without indexes is nothing to be done.
fn prepared(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    rows: &[BatchRow],
    group: &mut Group,
) -> Result<MoveSet, Trouble> {
    let target = batch::target(desk, at_hand)?;
    let mut set = MoveSet {
        dataset: at_hand.dataset.name.clone(),
        source: at_hand.row.source.clone(),
        ..MoveSet::default()
    };
    if !target.mount().keeps_inodes() {
        // By its number a file whose rename was cut short is known again.
        refuse(group, |_| {
            Some("the destination numbers its files anew with each mount".into())
        });
        group.made.clear();
        return Ok(set);
    }
    let mut looking = Looking::new(&target);
    made_folders(desk, at_hand, &mut looking, group)?;
    look(&mut looking, group)?;
    let files: Vec<&Moved> = group.files.iter().filter(|one| one.verdict.is_ok()).collect();
    if files.is_empty() && group.made.is_empty() {
        return Ok(set);
    }
    set.files = files.iter().map(|one| row_of(one)).collect();
    let mine = |row: &BatchRow| touches(row, group, &files).map(|is| is.then_some(row.clone()));
    let ends: Vec<BatchRow> = rows
        .iter()
        .filter_map(|row| mine(row).transpose())
        .collect::<Result<_, _>>()?;
    let gone = left_empty(desk, &mut looking, &ends, group, &files)?;
    // Where a file was left out after all, nothing may change beside it.
    let changing = changing(group, &files, &gone);
    set.folders = folder_rows(group, &gone, &changing);
    set.ends = indexes(desk, &ends, &elsewhere(desk, &set, &files, gone)?)?;
    Ok(set)
}

/// The folders in which something comes or goes.
fn changing(group: &Group, files: &[&Moved], gone: &BTreeSet<RelPath>) -> BTreeSet<RelPath> {
    let files = files.iter().flat_map(|one| [&one.keys.0, &one.keys.1]);
    let all = files.chain(group.made.keys()).chain(gone);
    all.filter_map(|path| Some(path.split()?.0)).collect()
}

fn row_of(one: &Moved) -> MoveRow {
    MoveRow {
        id: 0,
        places: (one.record.place.clone(), one.to.clone()),
        source_inode: one.record.source.inode,
        placed: one.record.placed,
    }
}

/// Takes files out, with the reason.
fn refuse(group: &mut Group, why: impl Fn(&Moved) -> Option<String>) {
    for one in group.files.iter_mut().filter(|one| one.verdict.is_ok()) {
        if let Some(why) = why(one) {
            one.verdict = Err(Doubt::Destination(why));
        }
    }
}

/// The new folders: each can be made, and the source is there to say what they carry.
fn made_folders(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    looking: &mut Looking<'_>,
    group: &mut Group,
) -> Result<(), Trouble> {
    if group.made.is_empty() {
        return Ok(());
    }
    let absent = guard::source(desk, &at_hand.source).err();
    let mut shut: Vec<(RelPath, String)> = Vec::new();
    for place in group.made.values() {
        let why = match &absent {
            Some(trouble) => Some(format!(
                "its new folder cannot be made like that at the source: {trouble}"
            )),
            None if looking.can_be_folder(place)? => None,
            None => Some(format!("{place} at the destination is no folder")),
        };
        shut.extend(why.map(|why| (place.clone(), why)));
    }
    let under = |place: &RelPath| shut.iter().find(|(above, _)| place.below(above).is_some());
    refuse(group, |one| under(&one.to).map(|(_, why)| why.clone()));
    group.made.retain(|_, place| under(place).is_none());
    Ok(())
}

/// Each file as the ledger has it, its new place free once all others have moved.
fn look(looking: &mut Looking<'_>, group: &mut Group) -> Result<(), Trouble> {
    let ok = |group: &Group| -> Vec<usize> {
        (0..group.files.len())
            .filter(|n| group.files[*n].verdict.is_ok())
            .collect()
    };
    let wanted = ok(group);
    let leaving: HashSet<RelPath> = wanted
        .iter()
        .map(|n| group.files[*n].record.place.clone())
        .collect();
    for number in wanted {
        let one = &mut group.files[number];
        let seen = looking.file(&one.record, &one.to, leaving.contains(&one.to))?;
        if let Err(why) = seen {
            one.verdict = Err(Doubt::Destination(why));
        }
    }
    // What stays keeps its place from the one that wanted it.
    let left = ok(group);
    let pairs: Vec<(RelPath, RelPath)> = left
        .iter()
        .map(|n| (group.files[*n].record.place.clone(), group.files[*n].to.clone()))
        .collect();
    let pairs: Vec<(&RelPath, &RelPath)> = pairs.iter().map(|(from, to)| (from, to)).collect();
    let verdicts = with_free_places(&pairs, |place| leaving.contains(place));
    for (number, verdict) in left.into_iter().zip(verdicts) {
        group.files[number].verdict = verdict;
    }
    Ok(())
}

/// Whether a batch holds a project in which something moves.
fn touches(row: &BatchRow, group: &Group, files: &[&Moved]) -> Result<bool, Trouble> {
    let (locked, _) = store::locked_of(&row.body)?;
    let paths = files.iter().flat_map(|one| [&one.keys.0, &one.keys.1]);
    let mut paths = paths.chain(group.made.keys());
    Ok(paths.any(|path| {
        let mut projects = locked.batch.projects.iter();
        projects.any(|placed| placed.key.inside(path).is_some())
    }))
}

/// The folders that are left empty by all indexes and at the destination.
fn left_empty(
    desk: &Desk<'_>,
    looking: &mut Looking<'_>,
    ends: &[BatchRow],
    group: &Group,
    files: &[&Moved],
) -> Result<BTreeSet<RelPath>, Trouble> {
    let none = group.left.keys().map(|key| (key.clone(), Vec::new()));
    let mut seen: BTreeMap<RelPath, Vec<RelPath>> = none.collect();
    let digests: BTreeSet<[u8; 32]> = ends.iter().map(|row| row.index.0).collect();
    for digest in digests {
        let source = ends.first().map_or("", |row| &row.source);
        let index = open_index(desk, source, Digest(digest))?;
        let mut note = |listing: Listing| {
            if group.left.contains_key(&listing.folder) {
                let paths = listing.children.iter();
                let paths = paths.filter_map(|child| listing.folder.join(&child.name).ok());
                seen.entry(listing.folder.clone()).or_default().extend(paths);
            }
        };
        if group.left.len() > MANY {
            for piece in index.pieces() {
                note(piece?.listing);
            }
            continue;
        }
        for key in group.left.keys() {
            if let Some(listing) = index.listings_below(key).next() {
                note(listing?);
            }
        }
    }
    let leaving: HashSet<&RelPath> = files.iter().map(|one| &one.keys.0).collect();
    let by_index = emptied(&seen, |child| leaving.contains(child));
    let mut there: BTreeMap<RelPath, Vec<RelPath>> = BTreeMap::new();
    for key in &by_index {
        let place = &group.left[key];
        there.insert(place.clone(), looking.content(place)?.unwrap_or_default());
    }
    let leaving: HashSet<&RelPath> = files.iter().map(|one| &one.record.place).collect();
    let gone = emptied(&there, |child| leaving.contains(child));
    Ok(by_index
        .into_iter()
        .filter(|key| gone.contains(&group.left[key]))
        .collect())
}

fn folder_rows(group: &Group, gone: &BTreeSet<RelPath>, changing: &BTreeSet<RelPath>) -> Vec<FolderRow> {
    let row = |what| {
        move |(key, place): (&RelPath, &RelPath)| FolderRow {
            key: key.clone(),
            place: place.clone(),
            what,
        }
    };
    let emptied = group.left.iter().filter(|(key, _)| gone.contains(*key));
    // What is not left empty keeps its time, though something went out of it.
    let kept = group.left.iter().filter(|(key, _)| !gone.contains(*key));
    let timed = group
        .timed
        .iter()
        .chain(kept)
        .filter(|(key, _)| changing.contains(*key));
    group
        .made
        .iter()
        .map(row(FolderWhat::Made))
        .chain(emptied.map(row(FolderWhat::Emptied)))
        .chain(timed.map(row(FolderWhat::Timed)))
        .collect()
}

/// What an index has to say then.
fn elsewhere(
    desk: &Desk<'_>,
    set: &MoveSet,
    files: &[&Moved],
    gone: BTreeSet<RelPath>,
) -> Result<Elsewhere, Trouble> {
    let new = newest_index(desk, &set.source)?;
    let mut moves = Elsewhere {
        files: files.iter().map(|one| one.keys.clone()).collect(),
        emptied: gone,
        ..Elsewhere::default()
    };
    for folder in &set.folders {
        let Some(entry) = new.entry(&folder.key)? else {
            continue;
        };
        match folder.what {
            FolderWhat::Made => moves.made.push((folder.key.clone(), entry)),
            FolderWhat::Timed => moves.times.extend([(folder.key.clone(), entry.mtime)]),
            FolderWhat::Emptied => {}
        }
    }
    Ok(moves)
}

/// The indexes of these batches with the new places, kept beside the old ones: a batch is bound to
/// its new one when all is done.
fn indexes(desk: &mut Desk<'_>, rows: &[BatchRow], moves: &Elsewhere) -> Result<Vec<(i64, Digest)>, Trouble> {
    let mut known: BTreeMap<[u8; 32], Digest> = BTreeMap::new();
    let mut ends = Vec::new();
    for row in rows {
        let index = match known.get(&row.index.0) {
            Some(index) => *index,
            None => {
                let index = with_new_places(desk, row, moves)?;
                *known.entry(row.index.0).or_insert(index)
            }
        };
        ends.push((row.id, index));
    }
    Ok(ends)
}

fn with_new_places(desk: &mut Desk<'_>, row: &BatchRow, moves: &Elsewhere) -> Result<Digest, Trouble> {
    let old = open_index(desk, &row.source, row.index)?;
    let known = index_row(desk, &row.source, row.index)?;
    let stem = known.file.trim_end_matches(".index");
    let stem = stem.split_once("-moved-").map_or(stem, |(stem, _)| stem);
    let folder = desk.folder.join("indexes");
    let mut number = 1u32;
    let mut file = format!("{stem}-moved-{number}.index");
    while folder.join(&file).exists() {
        number += 1;
        file = format!("{stem}-moved-{number}.index");
    }
    let digest = old.with_moved(&folder.join(&file), moves)?.digest();
    if desk
        .ledger
        .indexes(&row.source)?
        .iter()
        .any(|one| one.digest == digest)
    {
        // Nothing in it moves, or a run that was cut has made it; left behind, it would only take
        // space.
        let _ = std::fs::remove_file(folder.join(&file));
        return Ok(digest);
    }
    desk.ledger.keep_index(&IndexRow {
        digest,
        file,
        ..known
    })?;
    Ok(digest)
}

/// Steps 3 to 7 of the sets that are begun, or of the one named.
fn finish_all(desk: &mut Desk<'_>, only: Option<(&str, &str)>) -> Result<(), Trouble> {
    for set in desk.ledger.moves()? {
        if only.is_none_or(|(source, dataset)| set.source == source && set.dataset == dataset) {
            finish(desk, &set)?;
        }
    }
    proof::write_due(desk)?;
    desk.keep_ledger_copy()
}

fn finish(desk: &mut Desk<'_>, set: &MoveSet) -> Result<(), Trouble> {
    let rows = holding(desk, &set.source, &set.dataset)?;
    let (Some(first), Some((_, digest))) = (rows.first().cloned(), set.ends.first()) else {
        return Err(Trouble::defect("moves without a batch that holds them"));
    };
    let at_hand = batch::open(desk, first)?;
    let index = open_index(desk, &set.source, *digest)?;
    let target = batch::target(desk, &at_hand)?;
    let tag: String = desk.ledger.move_id()?.chars().take(8).collect();
    let proven = hand::rename(&target, &tag, &set.files, &set.folders)?;
    hand::remove_emptied(&target, &set.folders)?;
    dress(desk, &at_hand, set, &index, &target)?;
    let permissions = permissions(&at_hand.permissions)?;
    for folder in set.folders.iter().filter(|f| f.what == FolderWhat::Timed) {
        if let Some(entry) = index.entry(&folder.key)? {
            let entry = permissions.applied(&entry);
            hand::keep_time(&target, &folder.place, &entry)?;
        }
    }
    hand::settle(&target, &set.folders)?;
    let arrived = hand::arrived(&target, &set.files, &proven)?;
    let now = desk.now();
    desk.ledger.finish_moves(set, &arrived, now)?;
    // Links of loose files lead to them by name.
    super::view::after_batch(desk, &at_hand.destination).map(|_| ())
}

/// Gives the made folders what those at the source have, as a copy does.
fn dress(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    set: &MoveSet,
    index: &Index,
    target: &OsFs,
) -> Result<(), Trouble> {
    let mut items = Vec::new();
    for folder in set.folders.iter().filter(|f| f.what == FolderWhat::Made) {
        let entry = index.entry(&folder.key)?;
        items.extend(entry.map(|entry| FolderItem {
            from: folder.key.clone(),
            place: folder.place.clone(),
            entry,
        }));
    }
    if items.is_empty() {
        return Ok(());
    }
    let source = guard::source(desk, &at_hand.source)?;
    let task = copy::task_of(desk, at_hand)?;
    let dressed = dress_folders(&source, target, &items, &task);
    if let Some((_, fault)) = dressed.faults.first() {
        return Err(trouble_of(fault));
    }
    let group = GroupResult {
        attributes: dressed.attributes,
        losses: dressed.losses,
        ..GroupResult::default()
    };
    let batch = set.ends.first().map_or(at_hand.row.id, |(batch, _)| *batch);
    desk.ledger.record_group(batch, &set.dataset, &set.source, &group)
}
