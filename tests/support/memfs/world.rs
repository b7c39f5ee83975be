//! What a test does to a file system and sees of it, past the counter.

use super::MemFs;
use super::data::Content;
use super::state::{Id, Meta, ROOT};
use poolward::digest::Digest;
use poolward::entry::{Entry, EntryKind};
use poolward::names::RelPath;
use std::collections::BTreeMap;

/// One file or symlink as it lies there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    pub entry: Entry,
    /// Of the content; of a symlink, of its target.
    pub hash: Digest,
    pub xattrs: BTreeMap<Vec<u8>, Vec<u8>>,
}

impl MemFs {
    /// Puts an entry, with the folders above it.
    fn put(&self, at: &RelPath, kind: EntryKind) -> Id {
        let now = self.now();
        let mut state = self.state();
        let (above, name) = at.split().expect("not the root");
        let mut folder = ROOT;
        for part in above.components() {
            folder = match state.nodes[&folder].entries.get(part) {
                Some(id) => *id,
                None => {
                    let id = state.make(EntryKind::Directory, now);
                    state.nodes.get_mut(&id).expect("a node").meta.mode = 0o755;
                    state.add_name(folder, part, id, now);
                    id
                }
            };
        }
        let id = state.make(kind, now);
        state.add_name(folder, name, id, now);
        id
    }

    /// A file with this content.
    pub fn put_file(&self, at: &RelPath, content: Content) {
        let id = self.put(at, EntryKind::File);
        let mut state = self.state();
        let node = state.nodes.get_mut(&id).expect("a node");
        node.content = content;
        node.meta.mode = 0o644;
    }

    pub fn put_symlink(&self, at: &RelPath, target: &[u8]) {
        let id = self.put(at, EntryKind::Symlink);
        let mut state = self.state();
        let node = state.nodes.get_mut(&id).expect("a node");
        node.target = Some(target.to_vec());
        node.meta.mode = 0o777;
    }

    /// One more name of a file.
    pub fn put_link(&self, at: &RelPath, first: &RelPath) {
        let file = self.id_of(first).expect("the first name");
        let placeholder = self.put(at, EntryKind::File);
        let now = self.now();
        let mut state = self.state();
        let (above, name) = at.split().expect("not the root");
        let mut folder = ROOT;
        for part in above.components() {
            folder = state.nodes[&folder].entries[part];
        }
        state.remove_name(folder, name, placeholder, now);
        state.add_name(folder, name, file, now);
        state.nodes.get_mut(&file).expect("a node").links += 1;
    }

    /// Removes a name, as another program would.
    pub fn take_away(&self, at: &RelPath) {
        let id = self.id_of(at).expect("an entry");
        let (above, name) = at.split().expect("not the root");
        let folder = self.id_of(&above).expect("a folder");
        let now = self.now();
        self.state().remove_name(folder, name, id, now);
    }

    /// Writes into a file, as another program would.
    pub fn edit(&self, at: &RelPath, offset: u64, bytes: &[u8]) {
        let id = self.id_of(at).expect("a file");
        let now = self.now();
        let mut state = self.state();
        state
            .nodes
            .get_mut(&id)
            .expect("a node")
            .write(offset, bytes, now);
    }

    /// The disk itself goes bad: other bytes, and nothing else that would show it.
    pub fn rot(&self, at: &RelPath, offset: u64, bytes: &[u8]) {
        let id = self.id_of(at).expect("a file");
        let mut state = self.state();
        let node = state.nodes.get_mut(&id).expect("a node");
        node.content.write(offset, bytes);
        state.settle();
    }

    pub fn cut(&self, at: &RelPath, length: u64) {
        let id = self.id_of(at).expect("a file");
        let now = self.now();
        let mut state = self.state();
        let node = state.nodes.get_mut(&id).expect("a node");
        node.content.set_length(length);
        node.touch(now, true);
    }

    pub fn alter(&self, at: &RelPath, change: impl FnOnce(&mut Meta)) {
        let id = self.id_of(at).expect("an entry");
        let now = self.now();
        let mut state = self.state();
        let node = state.nodes.get_mut(&id).expect("a node");
        node.touch(now, false);
        change(&mut node.meta);
    }

    /// The disk drops what was written, as after a sync that failed.
    pub fn forget_dirty(&self) {
        self.state().give_up();
    }

    /// Other inode numbers, as after a network mount was made anew.
    pub fn renumber(&self) {
        let mut state = self.state();
        state.nodes.values_mut().for_each(|node| node.inode += 1 << 20);
    }

    /// All that lies there is durable.
    pub fn settle(&self) {
        self.state().settle();
    }

    pub fn id_of(&self, at: &RelPath) -> Option<Id> {
        let state = self.state();
        at.components()
            .try_fold(ROOT, |id, part| state.nodes[&id].entries.get(part).copied())
    }

    pub fn entry(&self, at: &RelPath) -> Option<Entry> {
        let id = self.id_of(at)?;
        Some(self.state().nodes[&id].entry())
    }

    /// Bytes of a file as it reads now.
    pub fn bytes(&self, at: &RelPath, offset: u64, length: usize) -> Vec<u8> {
        let id = self.id_of(at).expect("a file");
        let mut bytes = vec![0; length];
        let read = self.state().nodes[&id].content.read(offset, &mut bytes);
        bytes.truncate(read);
        bytes
    }

    /// Every file and symlink, by path.
    pub fn files(&self) -> BTreeMap<RelPath, Seen> {
        let state = self.state();
        let mut found = BTreeMap::new();
        let mut open = vec![(RelPath::root(), ROOT)];
        while let Some((above, folder)) = open.pop() {
            for (name, id) in &state.nodes[&folder].entries {
                let at = above.join(name).expect("a name");
                let node = &state.nodes[id];
                if node.kind == EntryKind::Directory {
                    open.push((at, *id));
                    continue;
                }
                let hash = match &node.target {
                    Some(target) => Digest::of(target),
                    None => node.content.hash(),
                };
                let seen = Seen {
                    entry: node.entry(),
                    hash,
                    xattrs: node.meta.xattrs.clone(),
                };
                found.insert(at, seen);
            }
        }
        found
    }
}
