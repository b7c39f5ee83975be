//! Folders held open on the way down, made where they are missing, dressed at the end.

use super::Task;
use super::small::kept;
use crate::entry::{Entry, EntryKind};
use crate::ledger::Attributes;
use crate::names::RelPath;
use crate::world::{Dress, Fault, FaultKind, Folder, Fs, Loss, Res};
use std::collections::HashMap;
use std::sync::Arc;

/// Most folders held open at once by one worker; each holds a descriptor.
const MOST_OPEN: usize = 64;

/// Open folders of one end, by path below its root. Opened component by component, so that a
/// symlink swapped in is met and refused.
pub(crate) struct OpenFolders<'a> {
    fs: &'a dyn Fs,
    root: Option<Arc<dyn Folder>>,
    held: HashMap<RelPath, Arc<dyn Folder>>,
}

impl<'a> OpenFolders<'a> {
    pub(crate) fn new(fs: &'a dyn Fs) -> OpenFolders<'a> {
        OpenFolders {
            fs,
            root: None,
            held: HashMap::new(),
        }
    }

    fn root(&mut self) -> Res<Arc<dyn Folder>> {
        match &self.root {
            Some(root) => Ok(Arc::clone(root)),
            None => Ok(Arc::clone(self.root.insert(self.fs.root()?))),
        }
    }

    /// The folder at this path, which must be there.
    pub(crate) fn get(&mut self, path: &RelPath) -> Res<Arc<dyn Folder>> {
        self.reach(path, false)
    }

    /// The folder at this path, made with its parents where they are missing.
    pub(crate) fn make(&mut self, path: &RelPath) -> Res<Arc<dyn Folder>> {
        self.reach(path, true)
    }

    fn reach(&mut self, path: &RelPath, make: bool) -> Res<Arc<dyn Folder>> {
        if let Some(folder) = self.held.get(path) {
            return Ok(Arc::clone(folder));
        }
        let Some((above, name)) = path.split() else {
            return self.root();
        };
        // Paths are at most some hundred components deep: PATH_MAX bounds what a scan can name.
        let parent = self.reach(&above, make)?;
        let folder = match parent.enter(name) {
            Err(fault) if make && fault.kind == FaultKind::NotFound => {
                let made = match parent.make_folder(name) {
                    Err(made) if made.kind == FaultKind::Denied && self.open_up(&above) => {
                        parent.make_folder(name)
                    }
                    other => other,
                };
                match made {
                    // Another worker may have been faster.
                    Err(made) if made.kind != FaultKind::Exists => return Err(made),
                    _ => parent.enter(name)?,
                }
            }
            other => other?,
        };
        if self.held.len() >= MOST_OPEN {
            self.held.clear();
        }
        self.held.insert(path.clone(), Arc::clone(&folder));
        Ok(folder)
    }

    /// What `work` makes in a folder. One that an earlier batch dressed in a mode that lets nobody
    /// write is opened for its owner and tried once more: it is dressed again at the end of this
    /// batch, and until then, after a crash too, by the run that completes it.
    pub(crate) fn write_in<T>(
        &mut self,
        path: &RelPath,
        mut work: impl FnMut(&dyn Folder) -> Res<T>,
    ) -> Res<T> {
        let folder = self.make(path)?;
        match work(&*folder) {
            Err(fault) if fault.kind == FaultKind::Denied && self.open_up(path) => work(&*folder),
            other => other,
        }
    }

    /// Lets the owner write into a folder; false where it stays shut or was open already.
    pub(super) fn open_up(&mut self, path: &RelPath) -> bool {
        let Some((above, name)) = path.split() else {
            return false;
        };
        let opened = self.get(path).and_then(|folder| {
            let mode = folder.own_facts()?.mode;
            let open = Dress {
                mode: Some(mode | 0o700),
                ..Dress::default()
            };
            Ok(mode & 0o700 != 0o700 && self.get(&above)?.dress(name, &open)?.is_empty())
        });
        // Whatever stands in the way here, the first refusal says it better.
        opened.unwrap_or(false)
    }

    /// Lets go of everything: after an error the ways may lead elsewhere.
    pub(crate) fn forget(&mut self) {
        self.held.clear();
        self.root = None;
    }
}

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
