//! What this move has set aside and the ledger at hand does not know of: it was taken back from an
//! older copy, or the move folder was copied and used elsewhere. Without a note it would count as
//! gone, while it lies in a folder that no scan looks into.

use super::batch::AtHand;
use super::desk::Desk;
use super::pieces;
use crate::ledger::{Aside, AsideState};
use crate::names::RelPath;
use crate::survey::ProjectKey;
use crate::survey::exclude::ASIDE_PREFIX;
use crate::trouble::Trouble;
use crate::world::{Fault, FaultKind, Folder, OsFs, Res, reach, there};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Notes what lies aside of a batch without a note. It is compared with the list like all else before
/// any of it is removed, and its days begin now: when it went is not known. Answers how many.
///
/// # Errors
/// [`Trouble`] where the source cannot be read or the ledger cannot be written.
pub(super) fn take_up(desk: &mut Desk<'_>, kin: &[AtHand], source: &OsFs) -> Result<u64, Trouble> {
    let Some(first) = kin.first() else { return Ok(0) };
    let mut taken = 0;
    let (own, now) = (desk.ledger.move_id()?, desk.now());
    let rows = desk.ledger.asides(&first.source.name.0)?;
    let known: BTreeSet<RelPath> = rows
        .iter()
        .filter(|row| row.state != AsideState::Returned)
        .filter_map(|row| row.lies_at().ok())
        .collect();
    let noted = |path: &RelPath| rows.iter().any(|row| row.state.is_open() && row.path == *path);
    for (above, wanted) in places(desk, kin)? {
        let fail = |fault: Fault| crate::copy::trouble_of(&fault);
        let Some(parent) = folder(source, &above).map_err(fail)? else {
            continue;
        };
        for aside in ours(&*parent, own.as_bytes()).map_err(fail)? {
            let Ok(place) = above.join(&aside) else { continue };
            let Some(held) = folder(source, &place).map_err(fail)? else {
                continue;
            };
            for (name, _) in held.list().map_err(fail)? {
                let (Ok(path), Ok(lies_at)) = (above.join(&name), place.join(&name)) else {
                    continue;
                };
                if !wanted.contains(&path)
                    || noted(&path)
                    || known.contains(&lies_at)
                    || there(parent.stat(&name)).map_err(fail)?.is_some()
                {
                    continue;
                }
                let row = Aside {
                    id: 0,
                    source: first.source.name.0.clone(),
                    path,
                    aside: place.clone(),
                    batch: first.row.name.clone(),
                    inode: held.stat(&name).map_err(fail)?.inode,
                    state: AsideState::Aside,
                    at: now,
                };
                desk.ledger.put_aside(&row)?;
                taken += 1;
                let text = format!("{} lies aside without a note, which is made now", row.path);
                desk.ledger.event(now, "set-aside", &text)?;
            }
        }
    }
    Ok(taken)
}

/// The folders that hold pieces of the batch, each with the pieces.
fn places(desk: &Desk<'_>, kin: &[AtHand]) -> Result<Vec<(RelPath, BTreeSet<RelPath>)>, Trouble> {
    let mut found: std::collections::BTreeMap<RelPath, BTreeSet<RelPath>> = Default::default();
    let mut add = |path: &RelPath| {
        if let Some((above, _)) = path.split() {
            found.entry(above).or_default().insert(path.clone());
        }
    };
    for project in kin.iter().take(1).flat_map(|one| &one.batch.projects) {
        match &project.key {
            ProjectKey::Folder(path) => add(path),
            ProjectKey::Loose(_) => {
                for piece in pieces::pieces(desk, kin, project)? {
                    add(&piece.path);
                }
            }
        }
    }
    Ok(found.into_iter().collect())
}

/// The folders of this move that hold what is aside.
fn ours(parent: &dyn Folder, own: &[u8]) -> Res<Vec<Vec<u8>>> {
    let listed = parent.list()?.into_iter().map(|(name, _)| name);
    let is = |name: &Vec<u8>| name.starts_with(ASIDE_PREFIX) && name.ends_with(own);
    Ok(listed.filter(is).collect())
}

fn folder(source: &OsFs, path: &RelPath) -> Res<Option<Arc<dyn Folder>>> {
    match reach(source, path) {
        Err(fault) if fault.kind == FaultKind::WrongKind => Ok(None),
        reached => there(reached),
    }
}
