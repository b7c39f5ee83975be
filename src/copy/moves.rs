//! Giving files of ours at the destination the places that they have at the source now.
//!
//! 1. Each file is looked at: it is ours as recorded, has one name, and its new place is free or
//!    given up by another one of the set. Else it is left out (rule 2).
//! 2. The intents are recorded, with the folders on the way. [old places only: done again]
//! 3. Folders that are missing are made, and durable. [empty folders: known by the intent]
//! 4. The files are renamed, replacing nothing, in rounds that need no name of each other, by way of
//!    a name aside where names go round. [known by the inode that the intent holds, under whichever
//!    of the three names; two names of one inode are one file whose second name was cut short]
//! 5. The names are made durable after each round.
//! 6. Folders left empty are removed, the made ones dressed, times put right, all durable.
//! 7. The ledger gives all it knows of the files the new places, in one transaction.
//!
//! A rename changes the file's ctime, by which an edit would be known. A file that was as recorded
//! when this run renamed it keeps its proof; one that an earlier run had renamed is read back again.

use super::OpenFolders;
use super::commit::names_durable;
use super::trouble_of;
use crate::entry::{Entry, EntryKind, Identity};
use crate::ledger::{Arrived, FileRecord, FolderRow, FolderWhat, MoveRow};
use crate::lifecycle::moves::{Standing, Step, rounds};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::{Dress, Fault, FaultKind, Fs, there};
use std::collections::BTreeSet;

/// Step 1: looks at files and folders of one destination.
pub struct Looking<'a> {
    open: OpenFolders<'a>,
}

impl<'a> Looking<'a> {
    /// At a dataset's folder.
    pub fn new(target: &'a dyn Fs) -> Looking<'a> {
        Looking {
            open: OpenFolders::new(target),
        }
    }

    /// Whether a file is as recorded and can be moved to `to`, which another one of the set is about
    /// to give up where `is_leaving` is set. The inner answer says in words what stands against it.
    ///
    /// # Errors
    /// [`Trouble`] where the destination cannot be read.
    pub fn file(
        &mut self,
        record: &FileRecord,
        to: &RelPath,
        is_leaving: bool,
    ) -> Result<Result<(), String>, Trouble> {
        let place = &record.place;
        let found = match at(&mut self.open, place) {
            Ok(Some(found)) => found,
            Ok(None) => return Ok(Err(format!("{place} is missing at the destination"))),
            Err(fault) => return told(place, fault),
        };
        if found.identity() != record.placed || found.kind != record.kind {
            return Ok(Err(format!(
                "{place} at the destination was changed after it was placed there"
            )));
        }
        if found.links > 1 {
            return Ok(Err(format!("{place} has several names at the destination")));
        }
        match at(&mut self.open, to) {
            Ok(Some(_)) if !is_leaving => Ok(Err(format!("{to} is at the destination already"))),
            Ok(_) => Ok(Ok(())),
            Err(fault) => told(to, fault),
        }
    }

    /// What lies in a folder, by path; `None` where it is not there or no folder.
    ///
    /// # Errors
    /// [`Trouble`] where it cannot be listed.
    pub fn content(&mut self, folder: &RelPath) -> Result<Option<Vec<RelPath>>, Trouble> {
        let listed = match self.open.get(folder).and_then(|held| held.list()) {
            Ok(listed) => listed,
            Err(fault) if matches!(fault.kind, FaultKind::NotFound | FaultKind::WrongKind) => {
                return Ok(None);
            }
            Err(fault) => return Err(trouble_of(&fault)),
        };
        let path = |(name, _): (Vec<u8>, EntryKind)| folder.join(&name).ok();
        Ok(Some(listed.into_iter().filter_map(path).collect()))
    }

    /// Whether a folder can be at this place: it is one, or nothing is there.
    ///
    /// # Errors
    /// [`Trouble`] where that cannot be seen.
    pub fn can_be_folder(&mut self, place: &RelPath) -> Result<bool, Trouble> {
        match at(&mut self.open, place) {
            Ok(found) => Ok(found.is_none_or(|entry| entry.kind == EntryKind::Directory)),
            Err(fault) if fault.kind == FaultKind::WrongKind => Ok(false),
            Err(fault) => Err(trouble_of(&fault)),
        }
    }
}

fn told(place: &RelPath, fault: Fault) -> Result<Result<(), String>, Trouble> {
    match fault.kind {
        FaultKind::WrongKind => Ok(Err(format!("the way to {place} at the destination is no folder"))),
        _ => Err(trouble_of(&fault)),
    }
}

/// What lies at a place; `None` also where a folder on the way is missing.
fn at(open: &mut OpenFolders<'_>, place: &RelPath) -> Result<Option<Entry>, Fault> {
    let Some((above, name)) = place.split() else {
        return Ok(None);
    };
    there(open.get(&above).and_then(|folder| folder.stat(name)))
}

/// Steps 3 to 5, from wherever an earlier run has left them. Answers of each file whether it was as
/// recorded when this run renamed it.
///
/// # Errors
/// `follow-conflict` where a place is somebody else's by now; any fault of the destination. What was
/// renamed stays so and is gone on with.
pub fn rename(
    target: &dyn Fs,
    tag: &str,
    files: &[MoveRow],
    folders: &[FolderRow],
) -> Result<Vec<bool>, Trouble> {
    let mut open = OpenFolders::new(target);
    let mut made: Vec<&RelPath> = places(folders, FolderWhat::Made);
    made.sort();
    let mut new: BTreeSet<RelPath> = BTreeSet::new();
    for place in &made {
        open.make(place).map_err(|fault| trouble_of(&fault))?;
        new.extend(place.split().map(|(above, _)| above));
    }
    names_durable(target, &mut open, &new).map_err(|fault| trouble_of(&fault))?;
    let mut asides = Vec::with_capacity(files.len());
    let mut stand = Vec::with_capacity(files.len());
    for row in files {
        let aside = aside_place(row, tag)?;
        stand.push((standing(&mut open, row, &aside)?, &row.places.0, &row.places.1));
        asides.push(aside);
    }
    // A run that was cut may have left its last round without its sync.
    let places = files.iter().flat_map(|row| [&row.places.0, &row.places.1]);
    let around = places.filter_map(|place| Some(place.split()?.0)).collect();
    names_durable(target, &mut open, &around).map_err(|fault| trouble_of(&fault))?;
    // What a [[rename]] gives the place that it has is not renamed at all.
    let mut proven = Vec::with_capacity(files.len());
    for row in files {
        let stays = row.places.0 == row.places.1;
        let found = match stays {
            true => at(&mut open, &row.places.0).map_err(|fault| trouble_of(&fault))?,
            false => None,
        };
        proven.push(found.is_some_and(|entry| entry.identity() == row.placed));
    }
    for round in rounds(&stand) {
        let mut touched: BTreeSet<RelPath> = BTreeSet::new();
        for step in round {
            let (number, from, to) = match step {
                Step::ToNew(n) => (n, &files[n].places.0, &files[n].places.1),
                Step::Aside(n) => (n, &files[n].places.0, &asides[n]),
                Step::FromAside(n) => (n, &asides[n], &files[n].places.1),
            };
            let as_recorded = one(&mut open, &files[number], from, to)?;
            proven[number] = match step {
                Step::FromAside(_) => proven[number] && as_recorded,
                Step::ToNew(_) | Step::Aside(_) => as_recorded,
            };
            touched.extend([from, to].into_iter().filter_map(|path| Some(path.split()?.0)));
        }
        names_durable(target, &mut open, &touched).map_err(|fault| trouble_of(&fault))?;
    }
    Ok(proven)
}

/// The places of the folders of one fate.
fn places(folders: &[FolderRow], what: FolderWhat) -> Vec<&RelPath> {
    let mine = folders.iter().filter(|row| row.what == what);
    mine.map(|row| &row.place).collect()
}

/// The name that a file bears meanwhile where names go round.
fn aside_place(row: &MoveRow, tag: &str) -> Result<RelPath, Trouble> {
    let above = row.places.0.split().map(|(above, _)| above).unwrap_or_default();
    above
        .join(format!(".poolward-{tag}-moved-{}", row.id).as_bytes())
        .map_err(|e| Trouble::defect(e.to_string()))
}

/// Under which of its three names a file stands, by its inode. One that stands under none was taken
/// away or replaced by somebody else: there is nothing to rename.
fn standing(open: &mut OpenFolders<'_>, row: &MoveRow, aside: &RelPath) -> Result<Standing, Trouble> {
    if row.places.0 == row.places.1 {
        return Ok(Standing::New);
    }
    let mut is_ours = |place: &RelPath| {
        let found = at(open, place).map_err(|fault| trouble_of(&fault))?;
        Ok::<_, Trouble>(
            found.filter(|entry| entry.inode == row.placed.inode && entry.kind != EntryKind::Directory),
        )
    };
    let new = is_ours(&row.places.1)?;
    let (aside_entry, old) = (is_ours(aside)?, is_ours(&row.places.0)?);
    // A second name that was given before the first could be taken away.
    let second = match (&new, &aside_entry, &old) {
        (Some(_), Some(entry), _) => Some((aside, entry)),
        (Some(_), None, Some(entry)) | (None, Some(_), Some(entry)) => Some((&row.places.0, entry)),
        _ => None,
    };
    // Two spellings that a file system takes for one name are no second name.
    if let Some((place, entry)) = second.filter(|(_, entry)| entry.links > 1) {
        if let Some((above, name)) = place.split() {
            let removed = open.get(&above).and_then(|folder| folder.remove(name, entry));
            removed.map_err(|fault| trouble_of(&fault))?;
        }
    }
    Ok(match (new, aside_entry, old) {
        (Some(_), _, _) => Standing::New,
        (None, Some(_), _) => Standing::Aside,
        (None, None, Some(_)) => Standing::Old,
        (None, None, None) => Standing::New,
    })
}

/// One rename; answers whether the file was as recorded just before.
fn one(open: &mut OpenFolders<'_>, row: &MoveRow, from: &RelPath, to: &RelPath) -> Result<bool, Trouble> {
    let found = at(open, from).map_err(|fault| trouble_of(&fault))?;
    let Some(found) = found.filter(|entry| entry.inode == row.placed.inode) else {
        return Err(conflict(row, "it was taken away meanwhile"));
    };
    let as_recorded = match *from == row.places.0 {
        true => found.identity() == row.placed,
        // Its way aside has given it another ctime.
        false => content_facts(&found.identity()) == content_facts(&row.placed),
    };
    let (Some((above, name)), Some((old_above, _))) = (to.split(), from.split()) else {
        return Err(Trouble::defect("the folder of a dataset is never moved"));
    };
    let brought = match open.get(&above).and_then(|folder| folder.bring(from, name)) {
        // A folder that lets nobody write is opened for its owner, and dressed again at the end.
        Err(fault) if fault.kind == FaultKind::Denied => {
            let opened = (open.open_up(&above), open.open_up(&old_above));
            match opened {
                (false, false) => Err(fault),
                _ => open.get(&above).and_then(|folder| folder.bring(from, name)),
            }
        }
        other => other,
    };
    match brought {
        Ok(()) => Ok(as_recorded),
        Err(fault) if fault.kind == FaultKind::Exists => {
            Err(conflict(row, &format!("{to} is there already")))
        }
        Err(fault) => Err(trouble_of(&fault)),
    }
}

fn content_facts(identity: &Identity) -> (u64, crate::units::Bytes, Moment) {
    (identity.inode, identity.size, identity.mtime)
}

/// Removes the folders that were left empty, the deepest first. One that somebody put something into
/// meanwhile stays, and is found as uninvited.
///
/// # Errors
/// [`Trouble`] for any other fault of the destination.
pub fn remove_emptied(target: &dyn Fs, folders: &[FolderRow]) -> Result<(), Trouble> {
    let mut emptied = places(folders, FolderWhat::Emptied);
    emptied.sort_by_key(|place| std::cmp::Reverse(place.depth()));
    for place in emptied {
        let mut open = OpenFolders::new(target);
        let Some((above, name)) = place.split() else {
            continue;
        };
        let gone = |kind| {
            matches!(
                kind,
                FaultKind::NotFound | FaultKind::WrongKind | FaultKind::NotEmpty
            )
        };
        match open.get(&above).and_then(|folder| folder.remove_folder(name)) {
            Ok(()) => {}
            Err(fault) if gone(fault.kind) => {}
            Err(fault) => return Err(trouble_of(&fault)),
        }
    }
    Ok(())
}

/// Gives a folder its mode and its time of modification.
///
/// # Errors
/// Any fault of the destination; what it cannot keep is none.
pub fn keep_time(target: &dyn Fs, place: &RelPath, entry: &Entry) -> Result<(), Trouble> {
    let Some((above, name)) = place.split() else {
        return Ok(());
    };
    let dress = Dress {
        mode: Some(entry.mode),
        mtime: Some(entry.mtime),
        ..Dress::default()
    };
    let dressed = OpenFolders::new(target)
        .get(&above)
        .and_then(|folder| folder.dress(name, &dress));
    match dressed {
        Err(fault) if fault.kind != FaultKind::NotFound => Err(trouble_of(&fault)),
        _ => Ok(()),
    }
}

/// Makes durable what was done to the folders.
///
/// # Errors
/// Any fault of the destination.
pub fn settle(target: &dyn Fs, folders: &[FolderRow]) -> Result<(), Trouble> {
    let above = folders.iter().filter_map(|row| Some(row.place.split()?.0));
    let above: BTreeSet<RelPath> = above.collect();
    names_durable(target, &mut OpenFolders::new(target), &above).map_err(|fault| trouble_of(&fault))
}

/// What the files are at their new places. `proven` is the answer of [`rename`].
///
/// # Errors
/// [`Trouble`] where the destination cannot be read.
pub fn arrived(target: &dyn Fs, files: &[MoveRow], proven: &[bool]) -> Result<Vec<Arrived>, Trouble> {
    let mut open = OpenFolders::new(target);
    let mut all = Vec::with_capacity(files.len());
    for (row, proven) in files.iter().zip(proven) {
        let found = at(&mut open, &row.places.1).map_err(|fault| trouble_of(&fault))?;
        let placed = found
            .map(|entry| entry.identity())
            .filter(|identity| content_facts(identity) == content_facts(&row.placed));
        all.push(Arrived {
            placed,
            proven: *proven && placed.is_some(),
        });
    }
    Ok(all)
}

fn conflict(row: &MoveRow, why: &str) -> Trouble {
    Trouble::stopped(
        "follow-conflict",
        format!("{} was to be moved to {}, but {why}", row.places.0, row.places.1),
    )
    .mend("Look at both places at the destination, move what is not Poolward's out of the way, then run the same command again.")
}
