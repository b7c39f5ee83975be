//! Folders held open on the way down, made where they are missing: every hand reaches what it works
//! on by handle, and none follows a symlink.

use super::{Dress, FaultKind, Folder, Fs, Res};
use crate::names::RelPath;
use std::collections::HashMap;
use std::sync::Arc;

/// Most folders held open at once by one worker; each holds a descriptor.
const MOST_OPEN: usize = 64;

/// A folder of an end, entered step by step from its root: no symlink is followed, no mount crossed.
///
/// # Errors
/// A [`Fault`](super::Fault) where it is missing, or no folder, on the way to it too.
pub fn reach(fs: &dyn Fs, path: &RelPath) -> Res<Arc<dyn Folder>> {
    path.components()
        .try_fold(fs.root()?, |folder, part| folder.enter(part))
}

/// Open folders of one end, by path below its root. Opened component by component, so that a
/// symlink swapped in is met and refused.
pub struct OpenFolders<'a> {
    fs: &'a dyn Fs,
    root: Option<Arc<dyn Folder>>,
    held: HashMap<RelPath, Arc<dyn Folder>>,
}

impl<'a> OpenFolders<'a> {
    /// Of one end, with none open yet.
    pub fn new(fs: &'a dyn Fs) -> OpenFolders<'a> {
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
    ///
    /// # Errors
    /// A [`Fault`](super::Fault) where it is missing, or no folder, on the way to it too.
    pub fn get(&mut self, path: &RelPath) -> Res<Arc<dyn Folder>> {
        self.reach(path, false)
    }

    /// The folder at this path, made with its parents where they are missing.
    ///
    /// # Errors
    /// A [`Fault`](super::Fault) where something else has its place, or it cannot be made.
    pub fn make(&mut self, path: &RelPath) -> Res<Arc<dyn Folder>> {
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
    ///
    /// # Errors
    /// The [`Fault`](super::Fault) of `work`, or of the way to the folder.
    pub fn write_in<T>(&mut self, path: &RelPath, mut work: impl FnMut(&dyn Folder) -> Res<T>) -> Res<T> {
        let folder = self.make(path)?;
        match work(&*folder) {
            Err(fault) if fault.kind == FaultKind::Denied && self.open_up(path) => work(&*folder),
            other => other,
        }
    }

    /// Lets the owner write into a folder; false where it stays shut or was open already.
    pub fn open_up(&mut self, path: &RelPath) -> bool {
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
    pub fn forget(&mut self) {
        self.held.clear();
        self.root = None;
    }
}
