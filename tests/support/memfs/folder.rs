//! Folders held open.

use super::state::{Id, Meta, Node, ROOT};
use super::{MemFile, MemFs, Nature, Publish, fault};
use poolward::entry::{Entry, EntryKind};
use poolward::moment::Moment;
use poolward::names::RelPath;
use poolward::units::Bytes;
use poolward::world::{Dress, FaultKind, FileIn, FileOut, Folder, Loss, OpenHow, Res, Xattr};
use std::sync::Arc;

pub(super) struct MemFolder {
    pub fs: MemFs,
    pub id: Id,
}

pub(super) fn xattrs(meta: &Meta) -> Vec<Xattr> {
    let one = |(name, value): (&Vec<u8>, &Vec<u8>)| Xattr {
        name: name.clone(),
        value: value.clone(),
    };
    meta.xattrs.iter().map(one).collect()
}

pub(super) fn dress(node: &mut Node, dress: &Dress, now: Moment, nature: &Nature) -> Vec<Loss> {
    let mut losses = Vec::new();
    node.touch(now, false);
    if let Some(owner) = dress.owner {
        node.meta.owner = owner;
    }
    if let Some(mode) = dress.mode {
        node.meta.mode = mode;
    }
    for xattr in &dress.xattrs {
        if nature.xattrs {
            node.meta.xattrs.insert(xattr.name.clone(), xattr.value.clone());
        } else {
            losses.push(Loss {
                kind: xattr.kind(),
                why: "not supported".into(),
            });
        }
    }
    if let Some(mtime) = dress.mtime.filter(|_| nature.times) {
        node.meta.mtime = mtime;
    }
    losses
}

impl MemFolder {
    fn find(&self, doing: &'static str, name: &[u8]) -> Res<Id> {
        let state = self.fs.state();
        let folder = state
            .nodes
            .get(&self.id)
            .ok_or_else(|| fault(doing, name, FaultKind::NotFound))?;
        let found = folder.entries.get(name).copied();
        found.ok_or_else(|| fault(doing, name, FaultKind::NotFound))
    }

    fn find_file(&self, doing: &'static str, name: &[u8], bit: u32) -> Res<MemFile> {
        let id = self.find(doing, name)?;
        let state = self.fs.state();
        let node = &state.nodes[&id];
        if node.kind != EntryKind::File {
            return Err(fault(doing, name, FaultKind::WrongKind));
        }
        if node.meta.mode & bit == 0 {
            return Err(fault(doing, name, FaultKind::Denied));
        }
        Ok(MemFile {
            fs: self.fs.clone(),
            id,
            name: name.to_vec(),
        })
    }

    fn make(&self, doing: &'static str, name: &[u8], kind: EntryKind) -> Res<Id> {
        self.fs.change(doing, name)?;
        self.must_be_free(doing, name)?;
        let now = self.fs.now();
        let mut state = self.fs.state();
        let id = state.make(kind, now);
        state.add_name(self.id, name, id, now);
        Ok(id)
    }

    fn find_folder(&self, doing: &'static str, name: &[u8]) -> Res<Id> {
        let id = self.find(doing, name)?;
        match self.fs.state().nodes[&id].kind {
            EntryKind::Directory => Ok(id),
            _ => Err(fault(doing, name, FaultKind::WrongKind)),
        }
    }

    fn move_between(&self, doing: &'static str, from: (Id, &[u8]), to: (Id, &[u8])) -> Res<()> {
        self.fs.change(doing, to.1)?;
        let held = |id| MemFolder {
            fs: self.fs.clone(),
            id,
        };
        let id = held(from.0).find(doing, from.1)?;
        held(to.0).must_be_free(doing, to.1)?;
        let now = self.fs.now();
        let by_link = self.fs.nature().publish == Publish::LinkThenUnlink;
        if !by_link || self.fs.state().nodes[&id].kind == EntryKind::Directory {
            self.fs.state().move_name(from, to, id, now);
            return Ok(());
        }
        let mut state = self.fs.state();
        state.nodes.get_mut(&id).expect("a node").links += 1;
        state.add_name(to.0, to.1, id, now);
        drop(state);
        self.fs.change("sync moved", to.1)?;
        self.fs.state().sync_names(to.0);
        self.fs.change("unlink moved", from.1)?;
        let now = self.fs.now();
        self.fs.state().remove_name(from.0, from.1, id, now);
        Ok(())
    }

    fn must_be_free(&self, doing: &'static str, name: &[u8]) -> Res<()> {
        match self.find(doing, name) {
            Ok(_) => Err(fault(doing, name, FaultKind::Exists)),
            Err(_) => Ok(()),
        }
    }
}

impl Folder for MemFolder {
    fn list(&self) -> Res<Vec<(Vec<u8>, EntryKind)>> {
        self.fs.step("list", b".", 0, 0)?;
        let state = self.fs.state();
        let kind = |(name, id): (&Vec<u8>, &Id)| (name.clone(), state.nodes[id].kind);
        Ok(state.nodes[&self.id].entries.iter().map(kind).collect())
    }

    fn stat(&self, name: &[u8]) -> Res<Entry> {
        self.fs.step("stat", name, 0, 0)?;
        let id = self.find("stat", name)?;
        Ok(self.fs.state().nodes[&id].entry())
    }

    fn own_facts(&self) -> Res<Entry> {
        self.fs.step("facts", b".", 0, 0)?;
        Ok(self.fs.state().nodes[&self.id].entry())
    }

    fn enter(&self, name: &[u8]) -> Res<Arc<dyn Folder>> {
        self.fs.step("enter", name, 0, 0)?;
        let id = self.find("enter", name)?;
        if self.fs.state().nodes[&id].kind != EntryKind::Directory {
            return Err(fault("enter", name, FaultKind::WrongKind));
        }
        let fs = self.fs.clone();
        Ok(Arc::new(MemFolder { fs, id }))
    }

    fn make_folder(&self, name: &[u8]) -> Res<()> {
        self.make("make folder", name, EntryKind::Directory).map(|_| ())
    }

    fn open(&self, name: &[u8], _how: OpenHow) -> Res<Box<dyn FileIn>> {
        self.fs.step("open", name, 0, 0)?;
        Ok(Box::new(self.find_file("open", name, 0o400)?))
    }

    fn stage(&self, name: &[u8], _expected: Bytes) -> Res<Box<dyn FileOut>> {
        self.make("stage", name, EntryKind::File)?;
        Ok(Box::new(self.find_file("stage", name, 0o200)?))
    }

    fn reopen(&self, name: &[u8]) -> Res<Box<dyn FileOut>> {
        self.fs.change("reopen", name)?;
        Ok(Box::new(self.find_file("reopen", name, 0o200)?))
    }

    fn make_symlink(&self, name: &[u8], target: &[u8]) -> Res<()> {
        let id = self.make("make symlink", name, EntryKind::Symlink)?;
        let mut state = self.fs.state();
        let node = state.nodes.get_mut(&id).expect("a node");
        node.target = Some(target.to_vec());
        node.meta.mode = 0o777;
        Ok(())
    }

    fn make_link(&self, name: &[u8], from: &RelPath) -> Res<()> {
        self.fs.change("make link", name)?;
        let mut state = self.fs.state();
        let mut id = ROOT;
        for part in from.components() {
            let next = state.nodes[&id].entries.get(part).copied();
            id = next.ok_or_else(|| fault("make link", name, FaultKind::NotFound))?;
        }
        drop(state);
        self.must_be_free("make link", name)?;
        let now = self.fs.now();
        state = self.fs.state();
        state.nodes.get_mut(&id).expect("a node").links += 1;
        state.add_name(self.id, name, id, now);
        Ok(())
    }

    fn publish(&self, staged: &[u8], name: &[u8]) -> Res<()> {
        self.fs.change("publish", name)?;
        let id = self.find("publish", staged)?;
        let how = self.fs.nature().publish;
        if how != Publish::Replaces {
            self.must_be_free("publish", name)?;
        }
        let now = self.fs.now();
        if how != Publish::LinkThenUnlink {
            self.fs.state().rename(self.id, staged, name, id, now);
            return Ok(());
        }
        let mut state = self.fs.state();
        state.nodes.get_mut(&id).expect("a node").links += 1;
        state.add_name(self.id, name, id, now);
        drop(state);
        self.fs.change("unlink staged", staged)?;
        let now = self.fs.now();
        self.fs.state().remove_name(self.id, staged, id, now);
        Ok(())
    }

    fn replace(&self, staged: &[u8], name: &[u8]) -> Res<()> {
        self.fs.change("replace", name)?;
        let id = self.find("replace", staged)?;
        let now = self.fs.now();
        self.fs.state().rename(self.id, staged, name, id, now);
        Ok(())
    }

    fn move_into(&self, name: &[u8], subfolder: &[u8]) -> Res<()> {
        let to = self.find_folder("move into", subfolder)?;
        self.move_between("move into", (self.id, name), (to, name))
    }

    fn move_out(&self, subfolder: &[u8], name: &[u8]) -> Res<()> {
        let from = self.find_folder("move out", subfolder)?;
        self.move_between("move out", (from, name), (self.id, name))
    }

    fn bring(&self, from: &RelPath, name: &[u8]) -> Res<()> {
        let Some((above, last)) = from.split() else {
            return Err(fault("bring", name, FaultKind::WrongKind));
        };
        let mut folder = ROOT;
        for part in above.components() {
            let next = self.fs.state().nodes[&folder].entries.get(part).copied();
            folder = next.ok_or_else(|| fault("bring", name, FaultKind::NotFound))?;
        }
        self.move_between("bring", (folder, last), (self.id, name))
    }

    fn remove(&self, name: &[u8], expected: &Entry) -> Res<()> {
        self.fs.change("remove", name)?;
        let id = self.find("remove", name)?;
        let found = self.fs.state().nodes[&id].entry();
        let facts = |entry: &Entry| (entry.kind, entry.inode, entry.size, entry.mtime);
        if facts(&found) != facts(expected) {
            return Err(fault("remove", name, FaultKind::Changed));
        }
        let now = self.fs.now();
        self.fs.state().remove_name(self.id, name, id, now);
        Ok(())
    }

    fn remove_folder(&self, name: &[u8]) -> Res<()> {
        self.fs.change("remove folder", name)?;
        let id = self.find("remove folder", name)?;
        if !self.fs.state().nodes[&id].entries.is_empty() {
            return Err(fault("remove folder", name, FaultKind::NotEmpty));
        }
        let now = self.fs.now();
        self.fs.state().remove_name(self.id, name, id, now);
        Ok(())
    }

    fn dress(&self, name: &[u8], how: &Dress) -> Res<Vec<Loss>> {
        self.fs.change("dress", name)?;
        let id = self.find("dress", name)?;
        let now = self.fs.now();
        let nature = self.fs.nature();
        match self.fs.state().nodes.get_mut(&id) {
            Some(node) => Ok(dress(node, how, now, &nature)),
            None => Ok(Vec::new()),
        }
    }

    fn xattrs(&self, name: &[u8]) -> Res<Vec<Xattr>> {
        self.fs.step("xattrs", name, 0, 0)?;
        let id = if name.is_empty() {
            self.id
        } else {
            self.find("xattrs", name)?
        };
        Ok(xattrs(&self.fs.state().nodes[&id].meta))
    }

    fn sync_names(&self) -> Res<()> {
        self.fs.change("sync names", b".")?;
        self.fs.state().sync_names(self.id);
        Ok(())
    }
}
