//! The one folder a probe writes in, and how it goes away again.

use crate::entry::EntryKind;
use crate::names::RelPath;
use crate::world::{Fault, FaultKind, Folder, Fs, Res};
use std::sync::Arc;

/// Our folder at a destination; it holds the marker and the ledger's copy too.
const HOME: &[u8] = b".poolward";

/// A folder of the probe's own at a destination. It is cleared when this is dropped.
pub struct Nest {
    home: Arc<dyn Folder>,
    folder: Arc<dyn Folder>,
    name: Vec<u8>,
    cleared: bool,
}

impl Nest {
    /// Makes the folder, or takes over what a probe that was cut off has left.
    ///
    /// # Errors
    /// A [`Fault`] where it cannot be written, or holds what no probe has written.
    pub fn make(fs: &dyn Fs, tag: &str) -> Res<Nest> {
        let home = fs.root()?.enter(HOME)?;
        let name = format!("probe-{tag}").into_bytes();
        match home.make_folder(&name) {
            Err(fault) if fault.kind != FaultKind::Exists => return Err(fault),
            _ => {}
        }
        let folder = home.enter(&name)?;
        let nest = Nest {
            home,
            folder,
            name,
            cleared: false,
        };
        nest.empty()?;
        Ok(nest)
    }

    /// The folder.
    pub fn folder(&self) -> &dyn Folder {
        &*self.folder
    }

    /// The path of something in it, from the root of the end.
    pub(super) fn path(&self, name: &[u8]) -> Res<RelPath> {
        let refused = |_| Fault::ours("name", name, FaultKind::NameRefused, "it is no name");
        let path = RelPath::new(HOME).and_then(|home| home.join(&self.name));
        path.and_then(|above| above.join(name)).map_err(refused)
    }

    /// Takes everything away.
    ///
    /// # Errors
    /// A [`Fault`] where something could not be removed.
    pub fn clear(mut self) -> Res<()> {
        self.cleared = true;
        self.remove()
    }

    fn remove(&self) -> Res<()> {
        self.empty()?;
        self.home.remove_folder(&self.name)
    }

    /// Removes what a probe writes, by its names; anything else stays and is told.
    fn empty(&self) -> Res<()> {
        for (name, kind) in self.folder.list()? {
            let ours = is_ours(&name) && matches!(kind, EntryKind::File | EntryKind::Symlink);
            if !ours {
                return Err(Fault::ours(
                    "clear the probe's folder of",
                    &name,
                    FaultKind::WrongKind,
                    "no probe has written it",
                ));
            }
            let seen = self.folder.stat(&name)?;
            self.folder.remove(&name, &seen)?;
        }
        Ok(())
    }
}

impl Drop for Nest {
    fn drop(&mut self) {
        if !self.cleared {
            // The first failure is what the user hears of; the next probe clears what is left.
            let _ = self.remove();
        }
    }
}

fn is_ours(name: &[u8]) -> bool {
    let named = [b"large".as_slice(), b"small-", b"fact-", b"FACT-"];
    named.iter().any(|start| name.starts_with(start)) || name.iter().all(|byte| *byte == b'n')
}
