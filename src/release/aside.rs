//! Setting a project aside by one rename, and bringing it back by another.

use super::{Ends, Piece, Surprise, is_other, trouble_of};
use crate::entry::{Entry, EntryKind};
use crate::ledger::{Aside, AsideState, Ledger};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::{Fault, FaultKind, Folder, Fs, reach, there};
use std::sync::Arc;

/// How something is to be set aside.
#[derive(Debug, Clone, Copy)]
pub struct Going<'a> {
    /// The name of the source.
    pub source: &'a str,
    /// The batch it is released with.
    pub batch: &'a str,
    /// The name of the folder beside it that takes it.
    pub folder: &'a [u8],
    /// Now.
    pub now: Moment,
}

/// Where a rename that may have been cut short has left something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settled {
    /// Where it lay at first; the ledger says so.
    Here,
    /// Aside; the ledger says so.
    Aside,
    /// Nowhere: somebody else has removed or renamed it. Nothing of ours is to be done any more.
    Nowhere,
}

/// Sets a piece aside that lies at its own place. `None`: done.
///
/// # Errors
/// [`Trouble`] where the source refuses it or the ledger cannot be written: it lies where it lay
/// then, or the next [`settle`] says where.
pub fn set_aside(
    ends: Ends<'_>,
    ledger: &mut Ledger,
    piece: &Piece,
    going: Going<'_>,
) -> Result<Option<Surprise>, Trouble> {
    let fail = |fault: Fault| trouble_of(&fault, &piece.path);
    let surprise = |code, path: &RelPath| {
        let path = path.clone();
        Ok(Some(Surprise { code, path }))
    };
    let (above, name) = parts(&piece.path)?;
    let folder = above
        .join(going.folder)
        .map_err(|e| Trouble::defect(e.to_string()))?;
    let parent = reach(ends.source, &above).map_err(fail)?;
    let before = parent.stat(name).map_err(fail)?;
    let expected = match piece.loose {
        true => before.kind != EntryKind::Directory,
        false => before.kind == EntryKind::Directory,
    };
    if !expected {
        return surprise("not-a-folder", &piece.path);
    }
    // A folder of that name that no step of ours has made is somebody else's.
    let ours = ledger.sets_aside_in(going.source, &folder)?;
    if !ours && there(parent.stat(going.folder)).map_err(fail)?.is_some() {
        return surprise("aside-in-the-way", &folder);
    }
    let mut row = Aside {
        id: 0,
        source: going.source.to_string(),
        path: piece.path.clone(),
        aside: folder,
        batch: going.batch.to_string(),
        inode: before.inode,
        state: AsideState::Going,
        at: going.now,
    };
    row.id = ledger.put_aside(&row)?;
    if let Err(fault) = go(&*parent, going.folder, name) {
        // A crash leaves the note for the next run; anything else is settled at once.
        if fault.kind != FaultKind::Crash {
            settle(ends, ledger, &row)?;
        }
        return match is_other(&fault) || fault.kind == FaultKind::Exists {
            true => surprise("aside-in-the-way", &row.aside),
            false => Err(fail(fault)),
        };
    }
    let moved = reach(ends.source, &row.aside)
        .and_then(|aside| aside.stat(name))
        .map_err(fail)?;
    if ends.inodes_hold && moved.inode != before.inode {
        // Another one was put in its place just before the rename: it goes back as it came.
        back(ends.source, &row).map_err(fail)?;
        ledger.step_aside(row.id, AsideState::Returned, None)?;
        return surprise("changed-at-source", &piece.path);
    }
    durable(ends.source, &row).map_err(fail)?;
    ledger.step_aside(row.id, AsideState::Aside, Some(going.now))?;
    Ok(None)
}

fn go(parent: &dyn Folder, folder: &[u8], name: &[u8]) -> Result<(), Fault> {
    match parent.make_folder(folder) {
        Err(fault) if fault.kind == FaultKind::Exists => {}
        other => {
            other?;
            parent.sync_names()?;
        }
    }
    parent.move_into(name, folder)
}

fn back(source: &dyn Fs, row: &Aside) -> Result<(), Fault> {
    let (Some((above, name)), Some((_, folder))) = (row.path.split(), row.aside.split()) else {
        return Ok(());
    };
    let parent = reach(source, &above)?;
    parent.move_out(folder, name)
}

/// Both folders' names are on disk.
fn durable(source: &dyn Fs, row: &Aside) -> Result<(), Fault> {
    let Some((above, _)) = row.path.split() else {
        return Ok(());
    };
    // The new name first: a crash between leaves two names at most, never none.
    match reach(source, &row.aside) {
        Ok(aside) => aside.sync_names()?,
        Err(fault) if fault.kind == FaultKind::NotFound => {}
        Err(fault) => return Err(fault),
    }
    reach(source, &above)?.sync_names()
}

/// Brings something back that lies aside. What stands in its place is a surprise, and it stays
/// aside.
///
/// # Errors
/// As [`set_aside`].
pub fn bring_back(
    ends: Ends<'_>,
    ledger: &mut Ledger,
    row: &Aside,
    now: Moment,
) -> Result<Option<Surprise>, Trouble> {
    let fail = |fault: Fault| trouble_of(&fault, &row.path);
    let surprise = |code, path: &RelPath| {
        let path = path.clone();
        Ok(Some(Surprise { code, path }))
    };
    let lies_at = row.lies_at()?;
    let (above, name) = parts(&lies_at)?;
    let found = match reach(ends.source, &above).and_then(|aside| there(aside.stat(name))) {
        Err(fault) if is_other(&fault) => return surprise("not-a-folder", &row.aside),
        other => other.map_err(fail)?,
    };
    let Some(found) = found else {
        return surprise("not-aside", &lies_at);
    };
    if ends.inodes_hold && found.inode != row.inode {
        return surprise("changed-aside", &lies_at);
    }
    ledger.step_aside(row.id, AsideState::Returning, None)?;
    match back(ends.source, row) {
        Ok(()) => {}
        Err(fault) if fault.kind == FaultKind::Crash => return Err(fail(fault)),
        Err(fault) if fault.kind == FaultKind::Exists => {
            ledger.step_aside(row.id, AsideState::Aside, None)?;
            return surprise("in-the-way", &row.path);
        }
        Err(fault) => {
            settle(ends, ledger, row)?;
            return Err(fail(fault));
        }
    }
    durable(ends.source, row).map_err(fail)?;
    ledger.step_aside(row.id, AsideState::Returned, Some(now))?;
    Ok(None)
}

/// Looks where a rename that may have been cut short has left something, and notes it.
///
/// # Errors
/// [`Trouble`] where that cannot be told, or the source does not answer.
pub fn settle(ends: Ends<'_>, ledger: &mut Ledger, row: &Aside) -> Result<Settled, Trouble> {
    let fail = |fault: Fault| trouble_of(&fault, &row.path);
    let (above, name) = parts(&row.path)?;
    let parent = reach(ends.source, &above).map_err(fail)?;
    let aside = match reach(ends.source, &row.aside) {
        Ok(folder) => Some(folder),
        // Without the folder, or with something else of its name, nothing of ours lies in it.
        Err(fault) if fault.kind == FaultKind::NotFound || is_other(&fault) => None,
        Err(fault) => return Err(fail(fault)),
    };
    let mine = |entry: &Entry| !ends.inodes_hold || entry.inode == row.inode;
    let here = there(parent.stat(name)).map_err(fail)?.filter(mine);
    let there = match &aside {
        Some(folder) => there(folder.stat(name)).map_err(fail)?.filter(mine),
        None => None,
    };
    match (here, there, aside) {
        (Some(_), None, _) => settled_here(ends, ledger, row),
        (None, Some(_), _) => {
            durable(ends.source, row).map_err(fail)?;
            ledger.step_aside(row.id, AsideState::Aside, None)?;
            Ok(Settled::Aside)
        }
        // Two names of one file: a rename by a second name was cut short. The first name stays.
        (Some(here), Some(there), Some(folder))
            if ends.inodes_hold && here.inode == there.inode && here.kind != EntryKind::Directory =>
        {
            folder.remove(name, &there).map_err(fail)?;
            settled_here(ends, ledger, row)
        }
        (Some(_), Some(_), _) => Err(Trouble::stopped(
            "aside-unclear",
            format!(
                "{} lies at its place and aside, and which is which cannot be told",
                row.path
            ),
        )
        .at_rel(&row.path)
        .mend("Look at both, keep the one that holds the files, then run the same command again.")),
        (None, None, _) => {
            ledger.step_aside(row.id, AsideState::Returned, None)?;
            Ok(Settled::Nowhere)
        }
    }
}

fn settled_here(ends: Ends<'_>, ledger: &mut Ledger, row: &Aside) -> Result<Settled, Trouble> {
    durable(ends.source, row).map_err(|fault| trouble_of(&fault, &row.path))?;
    // The note stays: it says that the folder beside it, if it was made, is ours.
    ledger.step_aside(row.id, AsideState::Returned, None)?;
    Ok(Settled::Here)
}

/// Removes the folder that held projects aside, where it is empty. False: something lies in it.
///
/// # Errors
/// [`Trouble`] where the source refuses.
pub fn clear_away(ends: Ends<'_>, folder: &RelPath) -> Result<bool, Trouble> {
    let (above, name) = parts(folder)?;
    let gone = reach(ends.source, &above).and_then(|parent: Arc<dyn Folder>| {
        parent.remove_folder(name)?;
        parent.sync_names()
    });
    match gone {
        Ok(()) => Ok(true),
        Err(fault) if fault.kind == FaultKind::NotFound => Ok(true),
        Err(fault) if fault.kind == FaultKind::NotEmpty || is_other(&fault) => Ok(false),
        Err(fault) => Err(trouble_of(&fault, folder)),
    }
}

/// Whether something lies at a path of the source.
///
/// # Errors
/// [`Trouble`] where that cannot be told.
pub fn lies(ends: Ends<'_>, path: &RelPath) -> Result<bool, Trouble> {
    let (above, name) = parts(path)?;
    match reach(ends.source, &above).and_then(|parent| there(parent.stat(name))) {
        Ok(found) => Ok(found.is_some()),
        Err(fault) if fault.kind == FaultKind::NotFound => {
            // Not there, as long as the source itself is.
            ends.source
                .is_there()
                .map(|()| false)
                .map_err(|fault| trouble_of(&fault, path))
        }
        // Something does, though not what should: the comparing says so.
        Err(fault) if is_other(&fault) => Ok(true),
        Err(fault) => Err(trouble_of(&fault, path)),
    }
}

fn parts(path: &RelPath) -> Result<(RelPath, &[u8]), Trouble> {
    path.split()
        .ok_or_else(|| Trouble::defect("the root of a source cannot be set aside"))
}
