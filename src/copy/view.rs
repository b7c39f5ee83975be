//! The folder of links that looks like the old share: what lies in it, and doing what is decided.

use super::OpenFolders;
use crate::entry::{EntryKind, Permissions};
use crate::names::RelPath;
use crate::plan::view::{Lies, Steps};
use crate::world::{Dress, FaultKind, Fs, Res};
use std::collections::BTreeMap;

/// What lies below the folder `name` of a destination; nothing where it is missing.
///
/// # Errors
/// A [`crate::world::Fault`] where something cannot be looked at.
pub fn links_in(target: &dyn Fs, name: &RelPath) -> Res<BTreeMap<RelPath, Lies>> {
    let mut folders = OpenFolders::new(target);
    let mut found = BTreeMap::new();
    let mut open = vec![RelPath::root()];
    while let Some(inside) = open.pop() {
        let folder = match folders.get(&name.join_path(&inside)) {
            Err(fault) if fault.kind == FaultKind::NotFound && inside.is_root() => break,
            other => other?,
        };
        for (child, kind) in folder.list()? {
            let Ok(at) = inside.join(&child) else { continue };
            let lies = match kind {
                EntryKind::Directory => {
                    open.push(at.clone());
                    Lies::Folder
                }
                EntryKind::Symlink => Lies::Link(folder.stat(&child)?.target.unwrap_or_default()),
                EntryKind::File | EntryKind::Special | EntryKind::Unknown => Lies::Other,
            };
            found.insert(at, lies);
        }
    }
    Ok(found)
}

/// Removes and makes links below the folder `name`, and makes that durable. A link that is another
/// by now stays, and a name that is taken by now is left to whoever took it: the next look says so.
///
/// # Errors
/// A [`crate::world::Fault`]; what was done stays, and the next call goes on.
pub fn set_links(target: &dyn Fs, name: &RelPath, steps: &Steps, permissions: &Permissions) -> Res<()> {
    let mut folders = OpenFolders::new(target);
    let whole = |at: &RelPath| name.join_path(at);
    for at in &steps.remove {
        let Some((above, last)) = at.split() else { continue };
        let folder = folders.get(&whole(&above))?;
        let seen = folder.stat(last)?;
        if seen.kind == EntryKind::Symlink {
            folder.remove(last, &seen)?;
        }
    }
    folders.forget();
    for at in &steps.empty {
        let Some((above, last)) = at.split() else { continue };
        match folders.get(&whole(&above))?.remove_folder(last) {
            Err(fault) if matches!(fault.kind, FaultKind::NotEmpty | FaultKind::NotFound) => {}
            other => other?,
        }
    }
    folders.forget();
    for (at, text) in &steps.make {
        let Some((above, last)) = at.split() else { continue };
        let folder = match folders.get(&whole(&above)) {
            Err(fault) if fault.kind == FaultKind::NotFound => {
                open_way(&mut folders, name, &above, permissions)?;
                folders.get(&whole(&above))?
            }
            other => other?,
        };
        match folder.make_symlink(last, text) {
            Err(fault) if fault.kind == FaultKind::Exists => {}
            other => other?,
        }
    }
    target.sync()
}

/// Makes the folders of the view on the way where they are missing, for everybody to look into
/// unless the user wants other bits: they hold nothing but links.
fn open_way(
    folders: &mut OpenFolders<'_>,
    name: &RelPath,
    above: &RelPath,
    permissions: &Permissions,
) -> Res<()> {
    let dress = Dress {
        mode: Some(permissions.directories.unwrap_or(0o755)),
        ..Dress::default()
    };
    let mut way = RelPath::root();
    for part in name.join_path(above).components() {
        let parent = folders.get(&way)?;
        match parent.make_folder(part) {
            Ok(()) => drop(parent.dress(part, &dress)?),
            Err(fault) if fault.kind == FaultKind::Exists => {}
            Err(fault) => return Err(fault),
        }
        let Ok(next) = way.join(part) else { break };
        way = next;
    }
    Ok(())
}
