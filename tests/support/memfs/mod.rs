//! A file system in memory that fails, crashes and forgets on purpose.
//!
//! It keeps what lies there now apart from what is durable: data after a sync of the file or of
//! all, names after a sync of their folder or of all. [`MemFs::after_crash`] is what a crash
//! leaves. Every call is counted by a [`Control`], whose [`Plan`] makes one fail.

#![allow(dead_code, missing_docs)]

pub mod control;
pub mod data;
mod folder;
pub mod state;
mod world;

pub use control::{Call, Control, MemClock, Plan};
pub use data::{Content, Dice};
pub use state::Unsynced;
pub use world::Seen;

use poolward::entry::Entry;
use poolward::names::RelPath;
use poolward::units::Bytes;
use poolward::world::{
    Dress, Durability, Fault, FaultKind, FileIn, FileOut, Folder, Fs, Loss, ReadHow, Res, Space, Xattr,
};
use state::{Id, ROOT, State};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// How the names of staged files become those of files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Publish {
    Rename,
    /// A second name, then the first one removed, as where no rename refuses to replace.
    LinkThenUnlink,
    /// Broken on purpose: a rename that replaces.
    Replaces,
}

/// What kind of file system it is.
#[derive(Debug, Clone)]
pub struct Nature {
    pub durability: Durability,
    pub publish: Publish,
    /// False: broken on purpose, a sync of all does nothing.
    pub sync_works: bool,
    /// Where nothing may be written.
    pub source: bool,
    pub space: Space,
    /// Most bytes of one read; 0: no limit.
    pub read_most: usize,
    /// False: it has no extended attributes and says so.
    pub xattrs: bool,
    /// False: it takes times without a word and keeps its own (hazard M3).
    pub times: bool,
}

impl Default for Nature {
    fn default() -> Nature {
        Nature {
            durability: Durability::Local,
            publish: Publish::Rename,
            sync_works: true,
            source: false,
            space: Space {
                total: Bytes(1 << 50),
                free: Bytes(1 << 49),
            },
            read_most: 0,
            xattrs: true,
            times: true,
        }
    }
}

struct Shared {
    end: &'static str,
    state: Mutex<State>,
    control: Arc<Control>,
    nature: Mutex<Nature>,
}

/// One end in memory.
#[derive(Clone)]
pub struct MemFs(Arc<Shared>);

impl MemFs {
    pub fn new(end: &'static str, control: &Arc<Control>, nature: Nature) -> MemFs {
        let state = State::new(control.clock.tick());
        MemFs::with(end, control, nature, state)
    }

    fn with(end: &'static str, control: &Arc<Control>, nature: Nature, state: State) -> MemFs {
        MemFs(Arc::new(Shared {
            end,
            state: Mutex::new(state),
            control: Arc::clone(control),
            nature: Mutex::new(nature),
        }))
    }

    /// Changes what kind of file system it is.
    pub fn become_like(&self, change: impl FnOnce(&mut Nature)) {
        change(&mut self.0.nature.lock().unwrap_or_else(PoisonError::into_inner));
    }

    fn nature(&self) -> Nature {
        self.0
            .nature
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn now(&self) -> poolward::moment::Moment {
        self.0.control.clock.tick()
    }

    fn step(&self, doing: &'static str, name: &[u8], at: u64, length: u64) -> Res<()> {
        self.0.control.step(Call {
            end: self.0.end,
            doing,
            name: name.to_vec(),
            at,
            length,
        })
    }

    /// A call that changes something; at a source none is right.
    fn change(&self, doing: &'static str, name: &[u8]) -> Res<()> {
        if self.nature().source {
            let name = poolward::names::shown(name);
            self.0
                .control
                .violation(format!("{doing} {name} was tried at the source"));
        }
        self.step(doing, name, 0, 0)
    }

    /// What a crash at this moment leaves, under the same control.
    pub fn after_crash(&self, how: Unsynced) -> MemFs {
        let left = self.state().after_crash(how);
        MemFs::with(self.0.end, &self.0.control, self.nature(), left)
    }
}

fn fault(doing: &'static str, name: &[u8], kind: FaultKind) -> Fault {
    Fault::ours(doing, name, kind, format!("{kind:?}"))
}

impl Fs for MemFs {
    fn root(&self) -> Res<Arc<dyn Folder>> {
        self.step("root", b".", 0, 0)?;
        Ok(Arc::new(folder::MemFolder {
            fs: self.clone(),
            id: ROOT,
        }))
    }

    fn space(&self) -> Res<Space> {
        self.step("space", b".", 0, 0)?;
        Ok(self.nature().space)
    }

    fn sync(&self) -> Res<()> {
        if let Err(fault) = self.change("sync all", b".") {
            if fault.kind != FaultKind::Crash {
                self.state().give_up();
            }
            return Err(fault);
        }
        // Only a local file system's sync reaches the disk.
        if self.nature().sync_works && self.nature().durability == Durability::Local {
            self.state().sync();
        }
        Ok(())
    }

    fn durability(&self) -> Durability {
        self.nature().durability
    }
}

/// An open file.
struct MemFile {
    fs: MemFs,
    id: Id,
    name: Vec<u8>,
}

impl MemFile {
    fn entry(&self) -> Res<Entry> {
        self.fs.step("facts", &self.name, 0, 0)?;
        Ok(self.fs.state().nodes[&self.id].entry())
    }
}

impl FileIn for MemFile {
    fn facts(&self) -> Res<Entry> {
        self.entry()
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> Res<usize> {
        self.fs.step("read", &self.name, offset, into.len() as u64)?;
        let most = match self.fs.nature().read_most {
            0 => into.len(),
            most => most.min(into.len()),
        };
        Ok(self.fs.state().nodes[&self.id]
            .content
            .read(offset, &mut into[..most]))
    }

    fn xattrs(&self) -> Res<Vec<Xattr>> {
        self.fs.step("xattrs", &self.name, 0, 0)?;
        Ok(folder::xattrs(&self.fs.state().nodes[&self.id].meta))
    }

    fn read_how(&self) -> ReadHow {
        ReadHow::Direct
    }

    fn sync(&self) -> Res<()> {
        FileOut::sync(self)
    }
}

impl FileOut for MemFile {
    fn write_at(&self, offset: u64, bytes: &[u8]) -> Res<()> {
        let planned = self.fs.change("write", &self.name);
        // A write that fails has written a part.
        let length = if planned.is_ok() {
            bytes.len()
        } else {
            bytes.len() / 2
        };
        let crashed = matches!(&planned, Err(fault) if fault.kind == FaultKind::Crash);
        if length > 0 && !crashed {
            let now = self.fs.now();
            if let Some(node) = self.fs.state().nodes.get_mut(&self.id) {
                node.write(offset, &bytes[..length], now);
            }
        }
        planned
    }

    fn set_length(&self, length: Bytes) -> Res<()> {
        self.fs.change("set length", &self.name)?;
        let now = self.fs.now();
        if let Some(node) = self.fs.state().nodes.get_mut(&self.id) {
            node.content.set_length(length.0);
            node.touch(now, true);
        }
        Ok(())
    }

    fn dress(&self, dress: &Dress) -> Res<Vec<Loss>> {
        self.fs.change("dress", &self.name)?;
        let now = self.fs.now();
        let nature = self.fs.nature();
        match self.fs.state().nodes.get_mut(&self.id) {
            Some(node) => Ok(folder::dress(node, dress, now, &nature)),
            None => Ok(Vec::new()),
        }
    }

    fn sync(&self) -> Res<()> {
        let planned = self.fs.change("sync", &self.name);
        let mut state = self.fs.state();
        let Some(node) = state.nodes.get_mut(&self.id) else {
            return planned;
        };
        match &planned {
            Ok(()) => node.sync(),
            Err(fault) if fault.kind != FaultKind::Crash => node.give_up(),
            Err(_) => {}
        }
        planned
    }

    fn facts(&self) -> Res<Entry> {
        self.entry()
    }

    fn xattrs(&self) -> Res<Vec<Xattr>> {
        FileIn::xattrs(self)
    }
}

/// A path of a test.
pub fn path(text: impl AsRef<[u8]>) -> RelPath {
    RelPath::new(text.as_ref().to_vec()).expect("a path of a test")
}
