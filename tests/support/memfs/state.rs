//! What lies in the file system now, what of it is durable, and what a crash leaves.

use super::data::{Content, Dice, Page};
use poolward::entry::{Entry, EntryKind};
use poolward::moment::Moment;
use poolward::units::Bytes;
use std::collections::{BTreeMap, BTreeSet};

pub type Id = u64;

/// The root's id.
pub const ROOT: Id = 1;

/// What an entry carries beside content and names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Meta {
    pub mode: u32,
    pub owner: (u32, u32),
    pub mtime: Moment,
    pub ctime: Moment,
    pub xattrs: BTreeMap<Vec<u8>, Vec<u8>>,
}

/// One file, folder or symlink.
#[derive(Debug, Clone)]
pub struct Node {
    pub inode: u64,
    pub kind: EntryKind,
    pub target: Option<Vec<u8>>,
    pub meta: Meta,
    pub content: Content,
    pub links: u64,
    pub entries: BTreeMap<Vec<u8>, Id>,
    /// Pages written since the last sync.
    dirty: BTreeSet<u64>,
    /// Pages that a failed sync gave up: the cache shows them, the disk will never have them.
    given_up: BTreeSet<u64>,
    changed: bool,
    durable: Option<(Meta, Content)>,
    durable_entries: BTreeMap<Vec<u8>, Id>,
}

/// A change of names that is not durable yet.
#[derive(Debug, Clone)]
struct NameStep {
    folder: Id,
    /// Where the new name is, if in another folder: both change together, as in a journal.
    to: Id,
    id: Id,
    removes: Option<Vec<u8>>,
    adds: Option<Vec<u8>>,
    ctime: Moment,
}

/// What a crash does with unsynced work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unsynced {
    Kept,
    Lost,
    /// Each step kept or lost, each page new, old or garbage.
    Garbled(u64),
}

#[derive(Debug, Clone)]
pub struct State {
    pub nodes: BTreeMap<Id, Node>,
    pending: Vec<NameStep>,
    next: Id,
    /// Inode numbers given back, to be used again at once as real file systems do.
    spare: Vec<u64>,
}

impl Node {
    fn new(inode: u64, kind: EntryKind, now: Moment) -> Node {
        let mode = if kind == EntryKind::Directory {
            0o700
        } else {
            0o600
        };
        let (mtime, ctime) = (now, now);
        Node {
            inode,
            kind,
            target: None,
            meta: Meta {
                mode,
                owner: (1000, 1000),
                mtime,
                ctime,
                xattrs: BTreeMap::new(),
            },
            content: Content::default(),
            links: 1,
            entries: BTreeMap::new(),
            dirty: BTreeSet::new(),
            given_up: BTreeSet::new(),
            changed: true,
            durable: None,
            durable_entries: BTreeMap::new(),
        }
    }

    pub fn entry(&self) -> Entry {
        let size = match &self.target {
            Some(target) => target.len() as u64,
            None => self.content.size,
        };
        Entry {
            kind: self.kind,
            size: Bytes(size),
            allocated: Bytes(self.content.allocated()),
            mtime: self.meta.mtime,
            ctime: self.meta.ctime,
            birth: None,
            inode: self.inode,
            links: self.links,
            mode: self.meta.mode,
            uid: self.meta.owner.0,
            gid: self.meta.owner.1,
            target: self.target.clone(),
            error: None,
        }
    }

    pub fn write(&mut self, offset: u64, bytes: &[u8], now: Moment) {
        for page in self.content.write(offset, bytes) {
            self.dirty.insert(page);
            self.given_up.remove(&page);
        }
        self.touch(now, true);
    }

    pub fn touch(&mut self, now: Moment, content: bool) {
        self.meta.ctime = now;
        if content {
            self.meta.mtime = now;
        }
        self.changed = true;
    }

    fn old_page(&self, page: u64) -> Option<&Page> {
        self.durable
            .as_ref()
            .and_then(|(_, content)| content.pages.get(&page))
    }

    /// What a sync brings to the disk.
    fn reached(&self) -> Content {
        let mut content = self.content.clone();
        for page in &self.given_up {
            match self.old_page(*page) {
                Some(old) => content.pages.insert(*page, old.clone()),
                None => content.pages.remove(page),
            };
        }
        content
    }

    pub fn sync(&mut self) {
        if self.changed {
            let content = self.reached();
            self.durable = Some((self.meta.clone(), content));
            self.dirty.clear();
            self.changed = false;
        }
    }

    /// A sync failed: the kernel reports it once and drops the pages.
    pub fn give_up(&mut self) {
        let dirty = std::mem::take(&mut self.dirty);
        self.given_up.extend(dirty);
    }

    fn survive(&mut self, how: Unsynced, dice: &mut Dice) {
        let reached = self.reached();
        if let Some((meta, _)) = self.durable.as_ref().filter(|_| !self.changed) {
            // A name that came or went without being durable changed the ctime of this one.
            self.meta = meta.clone();
        }
        if self.kind == EntryKind::File && (self.changed || !self.given_up.is_empty()) {
            let fresh = Node::new(0, EntryKind::File, self.meta.mtime);
            let (old_meta, old) = self.durable.clone().unwrap_or((fresh.meta, Content::default()));
            match how {
                Unsynced::Kept => self.content = reached,
                Unsynced::Lost => (self.meta, self.content) = (old_meta, old),
                Unsynced::Garbled(_) => {
                    let mut content = reached;
                    for page in &self.dirty {
                        match (dice.roll(3), old.pages.get(page)) {
                            (0, _) => {}
                            (1, Some(old)) => drop(content.pages.insert(*page, old.clone())),
                            (1, None) => drop(content.pages.remove(page)),
                            _ => drop(content.pages.insert(*page, Page::garbage(dice))),
                        }
                    }
                    if dice.roll(2) == 0 {
                        content.set_length(old.size);
                    }
                    self.content = content;
                    if dice.roll(2) == 0 {
                        self.meta = old_meta;
                    }
                }
            }
        }
        self.settle();
    }

    /// Everything is durable as it is.
    fn settle(&mut self) {
        self.dirty.clear();
        self.given_up.clear();
        self.changed = false;
        self.durable = Some((self.meta.clone(), self.content.clone()));
        self.durable_entries = self.entries.clone();
    }
}

impl State {
    pub fn new(now: Moment) -> State {
        let mut root = Node::new(1_000, EntryKind::Directory, now);
        root.settle();
        State {
            nodes: BTreeMap::from([(ROOT, root)]),
            pending: Vec::new(),
            next: ROOT,
            spare: Vec::new(),
        }
    }

    pub fn make(&mut self, kind: EntryKind, now: Moment) -> Id {
        self.next += 1;
        let inode = self.spare.pop().unwrap_or(1_000 + self.next);
        self.nodes.insert(self.next, Node::new(inode, kind, now));
        self.next
    }

    pub fn add_name(&mut self, folder: Id, name: &[u8], id: Id, now: Moment) {
        self.step(folder, id, None, Some(name), now);
    }

    pub fn remove_name(&mut self, folder: Id, name: &[u8], id: Id, now: Moment) {
        self.step(folder, id, Some(name), None, now);
        let node = self.nodes.get_mut(&id).expect("a node");
        node.links -= 1;
        if node.links == 0 {
            self.spare.push(node.inode);
        }
    }

    pub fn rename(&mut self, folder: Id, from: &[u8], to: &[u8], id: Id, now: Moment) {
        if let Some(old) = self.nodes[&folder].entries.get(to).copied() {
            let node = self.nodes.get_mut(&old).expect("a node");
            node.links -= 1;
            if node.links == 0 {
                self.spare.push(node.inode);
            } else {
                node.meta.ctime = now;
            }
        }
        self.step(folder, id, Some(from), Some(to), now);
    }

    /// Gives an entry a name in another folder.
    pub fn move_name(&mut self, (folder, old): (Id, &[u8]), (to, name): (Id, &[u8]), id: Id, now: Moment) {
        let from = self.nodes.get_mut(&folder).expect("a folder");
        from.entries.remove(old);
        let into = self.nodes.get_mut(&to).expect("a folder");
        into.entries.insert(name.to_vec(), id);
        self.nodes.get_mut(&id).expect("a node").meta.ctime = now;
        self.pending.push(NameStep {
            folder,
            to,
            id,
            removes: Some(old.to_vec()),
            adds: Some(name.to_vec()),
            ctime: now,
        });
    }

    fn step(&mut self, folder: Id, id: Id, removes: Option<&[u8]>, adds: Option<&[u8]>, now: Moment) {
        let entries = &mut self.nodes.get_mut(&folder).expect("a folder").entries;
        removes.map(|name| entries.remove(name));
        adds.map(|name| entries.insert(name.to_vec(), id));
        self.nodes.get_mut(&id).expect("a node").meta.ctime = now;
        self.pending.push(NameStep {
            folder,
            to: folder,
            id,
            removes: removes.map(<[u8]>::to_vec),
            adds: adds.map(<[u8]>::to_vec),
            ctime: now,
        });
    }

    /// A name and the time of its change reach the disk together, as in a journal.
    fn apply(&mut self, step: &NameStep) {
        let entries = &mut self
            .nodes
            .get_mut(&step.folder)
            .expect("a folder")
            .durable_entries;
        if let Some(name) = &step.removes {
            if entries.get(name) == Some(&step.id) {
                entries.remove(name);
            }
        }
        let entries = &mut self.nodes.get_mut(&step.to).expect("a folder").durable_entries;
        let gone = match &step.adds {
            Some(name) => entries.insert(name.clone(), step.id),
            None => None,
        };
        if let Some(node) = gone.and_then(|old| self.nodes.get_mut(&old)) {
            if let Some((meta, _)) = &mut node.durable {
                meta.ctime = meta.ctime.max(step.ctime);
            }
        }
        let node = self.nodes.get_mut(&step.id).expect("a node");
        if let Some((meta, _)) = &mut node.durable {
            meta.ctime = meta.ctime.max(step.ctime);
        }
    }

    pub fn sync_names(&mut self, folder: Id) {
        let (mine, others): (Vec<_>, Vec<_>) = std::mem::take(&mut self.pending)
            .into_iter()
            .partition(|step| step.folder == folder || step.to == folder);
        self.pending = others;
        mine.iter().for_each(|step| self.apply(step));
    }

    pub fn sync(&mut self) {
        self.nodes.values_mut().for_each(Node::sync);
        for step in std::mem::take(&mut self.pending) {
            self.apply(&step);
        }
    }

    pub fn give_up(&mut self) {
        self.nodes.values_mut().for_each(Node::give_up);
    }

    /// What is left after a crash, durable as it is.
    pub fn after_crash(&self, how: Unsynced) -> State {
        let mut left = self.clone();
        let mut dice = Dice::new(match how {
            Unsynced::Garbled(seed) => seed,
            _ => 0,
        });
        let mut lost: BTreeSet<Id> = BTreeSet::new();
        for step in std::mem::take(&mut left.pending) {
            let kept = match how {
                Unsynced::Kept => true,
                Unsynced::Lost => false,
                Unsynced::Garbled(_) => dice.roll(2) == 0,
            };
            // In a folder that was lost nothing can be kept.
            if kept && !lost.contains(&step.folder) && !lost.contains(&step.to) {
                left.apply(&step);
            } else {
                lost.insert(step.id);
            }
        }
        let mut names: BTreeMap<Id, u64> = BTreeMap::from([(ROOT, 1)]);
        let mut open = vec![ROOT];
        while let Some(folder) = open.pop() {
            for id in left.nodes[&folder].durable_entries.values() {
                let count = names.entry(*id).or_default();
                *count += 1;
                if *count == 1 && left.nodes[id].kind == EntryKind::Directory {
                    open.push(*id);
                }
            }
        }
        left.nodes.retain(|id, _| names.contains_key(id));
        for (id, node) in &mut left.nodes {
            node.links = names[id];
            node.entries = node.durable_entries.clone();
            node.survive(how, &mut dice);
        }
        let used: BTreeSet<u64> = left.nodes.values().map(|node| node.inode).collect();
        left.spare = (1_001..1_000 + left.next)
            .filter(|inode| !used.contains(inode))
            .collect();
        left
    }

    /// All that lies there is durable: how a test begins.
    pub fn settle(&mut self) {
        self.pending.clear();
        self.nodes.values_mut().for_each(Node::settle);
    }
}
