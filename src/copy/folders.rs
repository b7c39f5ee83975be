//! Folders of a batch, made where they are missing and dressed at the end.

use super::Task;
use super::small::kept;
use crate::entry::{Entry, EntryKind};
use crate::ledger::Attributes;
use crate::names::RelPath;
use crate::world::{Dress, Fault, FaultKind, Fs, Loss, OpenFolders, Res};

/// A folder's facts at the source, and its place.
#[derive(Debug, Clone)]
pub struct FolderItem {
    /// Its path below the source's root.
    pub from: RelPath,
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// What the index knows of it.
    pub entry: Entry,
}

/// What came of dressing folders.
#[derive(Debug, Default)]
pub struct Dressed {
    /// What could not be kept.
    pub losses: Vec<(RelPath, Loss)>,
    /// What could not be done.
    pub faults: Vec<(RelPath, Fault)>,
    /// Attributes that were kept; `None` for a folder without.
    pub attributes: Vec<(RelPath, Option<Attributes>)>,
}

/// Makes the folders of a batch where they are missing (empty ones have no file that would), and
/// gives them owner, mode, extended attributes and times, deepest first, since writing into a
/// folder changes its time.
pub fn dress_folders(source: &dyn Fs, target: &dyn Fs, folders: &[FolderItem], task: &Task) -> Dressed {
    let mut order: Vec<&FolderItem> = folders.iter().collect();
    order.sort_by(|a, b| (b.place.depth(), &a.place).cmp(&(a.place.depth(), &b.place)));
    let (mut from, mut to) = (OpenFolders::new(source), OpenFolders::new(target));
    let mut dressed = Dressed::default();
    for item in order {
        let place = &item.place;
        match dress_one(&mut from, &mut to, item, task) {
            Ok((lost, kept)) => {
                dressed.attributes.push((place.clone(), kept));
                dressed
                    .losses
                    .extend(lost.into_iter().map(|l| (place.clone(), l)));
            }
            Err(fault) => dressed.faults.push((place.clone(), fault)),
        }
    }
    dressed
}

fn dress_one(
    from: &mut OpenFolders<'_>,
    to: &mut OpenFolders<'_>,
    item: &FolderItem,
    task: &Task,
) -> Res<(Vec<Loss>, Option<Attributes>)> {
    let Some((above, name)) = item.place.split() else {
        return Ok((Vec::new(), None));
    };
    to.make(&item.place)?;
    // A folder gone at the source since is dressed by what the index knows.
    let xattrs = match from.get(&item.from) {
        Ok(folder) => folder.xattrs(b"")?,
        Err(fault) if fault.kind == FaultKind::NotFound => Vec::new(),
        Err(fault) => return Err(fault),
    };
    let dress = dress_of(&item.entry, xattrs, task);
    let mut losses = to.get(&above)?.dress(name, &dress)?;
    let attributes = match dress.xattrs.is_empty() {
        true => None,
        false => kept(
            task,
            &dress.xattrs,
            &to.get(&item.place)?.xattrs(b"")?,
            &mut losses,
        ),
    };
    Ok((losses, attributes))
}

/// What an entry is dressed with. Where the user sets permission bits, an access list is not
/// carried: its mask would take the place of the group's bits.
pub(crate) fn dress_of(entry: &Entry, mut xattrs: Vec<crate::world::Xattr>, task: &Task) -> Dress {
    if task.permissions.mode(entry.kind).is_some() {
        xattrs.retain(|xattr| xattr.kind() != "acl");
    }
    let wanted = task.permissions.applied(entry);
    Dress {
        owner: task.owners.then_some((wanted.uid, wanted.gid)),
        mode: (entry.kind != EntryKind::Symlink).then_some(wanted.mode),
        xattrs,
        mtime: Some(entry.mtime),
    }
}
