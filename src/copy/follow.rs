//! Giving a folder of ours at the destination the name that its project has at the source now.
//!
//! 1. Every entry below it is looked at: all are ours as recorded, none is missing, none is a
//!    stranger's. Else nothing happens (rule 2).
//! 2. The intents are recorded. [the old name only: done again]
//! 3. Each folder is renamed in its own parent, replacing nothing, by way of a name aside where two
//!    change places. [known by the inode that the intent holds, under whichever of the three names]
//! 4. The names are made durable, after each rename: one that takes over a name must not reach the
//!    disk before the one that gave it up.
//! 5. The ledger gives all it knows of the folders the new names, in one transaction.

use super::OpenFolders;
use super::trouble_of;
use crate::entry::EntryKind;
use crate::ledger::{FollowRow, Ledger};
use crate::lifecycle::follow::{Move, Standing, next_move};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::Amount;
use crate::world::{Dress, Fault, FaultKind, Folder, Fs, there};
use std::sync::Arc;

/// A folder that is ours through and through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ours {
    /// Its inode number.
    pub inode: u64,
    /// The files in it.
    pub amount: Amount,
}

/// Step 1: whether everything below a folder of the dataset is as the ledger has it. The inner
/// answer says in words what is not.
///
/// # Errors
/// [`Trouble`] where the destination or the ledger cannot be read.
pub fn look(
    target: &dyn Fs,
    ledger: &Ledger,
    dataset: &str,
    place: &RelPath,
) -> Result<Result<Ours, String>, Trouble> {
    let mut open = OpenFolders::new(target);
    let inode = match open.get(place).and_then(|folder| folder.own_facts()) {
        Ok(entry) => entry.inode,
        Err(fault) => return told(place, fault),
    };
    let mut amount = Amount::default();
    let mut waiting = vec![place.clone()];
    while let Some(at) = waiting.pop() {
        let folder = match open.get(&at) {
            Ok(folder) => folder,
            Err(fault) => return told(&at, fault),
        };
        let mut known = ledger.names_at(dataset, &at)?;
        for (name, kind) in folder.list().map_err(|fault| trouble_of(&fault))? {
            let path = at.join(&name).map_err(|e| Trouble::defect(e.to_string()))?;
            if kind == EntryKind::Directory {
                known.remove(&name);
                // Empty folders have no record; one of no project of ours holds nothing either.
                waiting.push(path);
                continue;
            }
            let found = match folder.stat(&name) {
                Ok(found) => found,
                Err(fault) => return told(&path, fault),
            };
            match ledger.record_at(dataset, &path)? {
                // The inode too, even where it is not asked for elsewhere: by it a cut rename is known.
                Some(record) if found.identity() == record.placed => known.remove(&name),
                Some(_) => {
                    return Ok(Err(format!(
                        "{path} at the destination was changed after it was placed there"
                    )));
                }
                None => return Ok(Err(format!("{path} at the destination is not ours"))),
            };
            if found.kind == EntryKind::File {
                amount.add(Amount::one(found.size));
            }
        }
        for name in known {
            let path = at.join(&name).map_err(|e| Trouble::defect(e.to_string()))?;
            if ledger.record_at(dataset, &path)?.is_some() {
                return Ok(Err(format!("{path} is missing at the destination")));
            }
        }
    }
    Ok(Ok(Ours { inode, amount }))
}

fn told(place: &RelPath, fault: Fault) -> Result<Result<Ours, String>, Trouble> {
    match fault.kind {
        FaultKind::NotFound => Ok(Err(format!("{place} is missing at the destination"))),
        FaultKind::WrongKind => Ok(Err(format!("{place} at the destination is not ours"))),
        _ => Err(trouble_of(&fault)),
    }
}

/// Whether nothing bears this name at the destination.
///
/// # Errors
/// [`Trouble`] where that cannot be seen.
pub fn is_free(target: &dyn Fs, place: &RelPath) -> Result<bool, Trouble> {
    match inode_at(&mut OpenFolders::new(target), place) {
        Ok(found) => Ok(found.is_none()),
        Err(fault) => Err(trouble_of(&fault)),
    }
}

/// Steps 3 and 4 of folders of one dataset, from wherever an earlier run has left them.
///
/// # Errors
/// `follow-conflict` where one of the names is somebody else's by now, or a folder bears none of
/// its three names; any fault of the destination. What was renamed stays so and is gone on with.
pub fn rename(target: &dyn Fs, rows: &[FollowRow]) -> Result<(), Trouble> {
    let mut asides = Vec::new();
    for row in rows {
        asides.push(row.aside_place()?);
    }
    // A run that was cut may have left its last one without its sync.
    names_durable(target, rows)?;
    loop {
        let mut open = OpenFolders::new(target);
        let mut stand = Vec::new();
        for (row, aside) in rows.iter().zip(&asides) {
            stand.push((standing(&mut open, row, aside)?, &row.places.0, &row.places.1));
        }
        let Some(next) = next_move(&stand) else { break };
        let (number, from, to) = match next {
            Move::ToNew(n) => (n, &rows[n].places.0, &rows[n].places.1),
            Move::Aside(n) => (n, &rows[n].places.0, &asides[n]),
            Move::FromAside(n) => (n, &asides[n], &rows[n].places.1),
        };
        // Looked at again at the last moment: what has the name by now is not ours to touch.
        if inode_at(&mut open, to)
            .map_err(|fault| trouble_of(&fault))?
            .is_some()
        {
            return Err(conflict(&rows[number], &format!("{to} is there already")));
        }
        let (folder, old) = parent(&mut open, from)?;
        let (_, new) = to.split().unwrap_or_default();
        match folder.publish(old, new) {
            Ok(()) => {}
            Err(fault) if fault.kind == FaultKind::Exists => {
                return Err(conflict(&rows[number], &format!("{to} is there already")));
            }
            Err(fault) => return Err(trouble_of(&fault)),
        }
        folder.sync_names().map_err(|fault| trouble_of(&fault))?;
    }
    names_durable(target, rows)
}

/// Gives a folder its time of modification.
///
/// # Errors
/// Any fault of the destination; a time it cannot keep is none.
pub fn keep_time(target: &dyn Fs, place: &RelPath, mtime: Moment) -> Result<(), Trouble> {
    if place.is_root() {
        return Ok(());
    }
    let (folder, name) = parent(&mut OpenFolders::new(target), place)?;
    let dress = Dress {
        mtime: Some(mtime),
        ..Dress::default()
    };
    folder
        .dress(name, &dress)
        .map(|_| ())
        .map_err(|fault| trouble_of(&fault))
}

fn names_durable(target: &dyn Fs, rows: &[FollowRow]) -> Result<(), Trouble> {
    let mut open = OpenFolders::new(target);
    for row in rows {
        let (folder, _) = parent(&mut open, &row.places.1)?;
        folder.sync_names().map_err(|fault| trouble_of(&fault))?;
    }
    target.sync().map_err(|fault| trouble_of(&fault))
}

fn parent<'p>(
    open: &mut OpenFolders<'_>,
    place: &'p RelPath,
) -> Result<(Arc<dyn Folder>, &'p [u8]), Trouble> {
    let Some((above, name)) = place.split() else {
        return Err(Trouble::defect("the folder of a dataset is never renamed"));
    };
    Ok((open.get(&above).map_err(|fault| trouble_of(&fault))?, name))
}

fn inode_at(open: &mut OpenFolders<'_>, place: &RelPath) -> Result<Option<u64>, Fault> {
    let Some((above, name)) = place.split() else {
        return Ok(None);
    };
    let found = there(open.get(&above).and_then(|folder| folder.stat(name)))?;
    Ok(found.map(|entry| entry.inode))
}

/// Under which of its three names a folder stands, by its inode.
fn standing(open: &mut OpenFolders<'_>, row: &FollowRow, aside: &RelPath) -> Result<Standing, Trouble> {
    let names = [
        (Standing::New, &row.places.1),
        (Standing::Aside, aside),
        (Standing::Old, &row.places.0),
    ];
    for (standing, place) in names {
        if inode_at(open, place).map_err(|fault| trouble_of(&fault))? == Some(row.inode) {
            return Ok(standing);
        }
    }
    Err(conflict(row, "it bears neither its old name nor its new one"))
}

fn conflict(row: &FollowRow, why: &str) -> Trouble {
    Trouble::stopped(
        "follow-conflict",
        format!(
            "the folder {} of the dataset {} was to be called {}, but {why}",
            row.places.0, row.dataset, row.places.1
        ),
    )
    .mend("Look at both names at the destination, move what is not Poolward's out of the way, then run the same command again.")
}
