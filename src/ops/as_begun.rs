//! A source as its begun batches knew it: each project as the index has it that its batch was begun
//! from, everything else as it is now.
//!
//! Begun batches come from as many scans as there were days. Held together like this they are
//! compared with the newest scan in one pass, however many there are.

use super::above::Above;
use super::desk::Desk;
use super::gather;
use super::scan::open_index;
use super::settings::SourceSettings;
use crate::digest::Digest;
use crate::entry::{Entry, EntryKind, Listing};
use crate::index::{Index, Pieces};
use crate::names::RelPath;
use crate::survey::{Membership, Owner, ProjectKey};
use crate::trouble::Trouble;
use std::collections::BTreeMap;

/// The indexes of one source, and which project is taken from which.
pub struct AsBegun<'a> {
    pub(super) new: &'a Index,
    pub(super) olds: Vec<Index>,
    pub(super) of: BTreeMap<ProjectKey, usize>,
    pub(super) membership: Membership,
}

impl<'a> AsBegun<'a> {
    /// Takes each project from the index named for it, as far as `counts` says that this index may
    /// be compared with the newest one. What is named for the newest index itself has not changed.
    ///
    /// # Errors
    /// [`Trouble`] where an index is missing or damaged.
    pub fn new(
        desk: &Desk<'_>,
        source: &SourceSettings,
        new: &'a Index,
        projects: impl IntoIterator<Item = (ProjectKey, Digest)>,
        counts: impl Fn(&Index) -> bool,
    ) -> Result<AsBegun<'a>, Trouble> {
        let mut begun = AsBegun {
            new,
            olds: Vec::new(),
            of: BTreeMap::new(),
            membership: gather::membership(&desk.settings, source, new),
        };
        let mut known: BTreeMap<[u8; 32], Option<usize>> = BTreeMap::new();
        for (key, digest) in projects {
            if digest == new.digest() {
                continue;
            }
            let at = match known.get(&digest.0) {
                Some(at) => *at,
                None => {
                    let old = open_index(desk, &source.name.0, digest)?;
                    let at = counts(&old).then_some(begun.olds.len());
                    if at.is_some() {
                        begun.olds.push(old);
                    }
                    *known.entry(digest.0).or_insert(at)
                }
            };
            begun.of.extend(at.map(|at| (key, at)));
        }
        Ok(begun)
    }

    /// Whether there is nothing that could differ.
    pub fn is_empty(&self) -> bool {
        self.of.is_empty()
    }

    /// Whether a project is taken from an older index.
    pub fn holds(&self, key: &ProjectKey) -> bool {
        self.of.contains_key(key)
    }

    /// The facts of one entry as its project's batch knew it.
    ///
    /// # Errors
    /// [`Trouble`] where an index cannot be read.
    pub fn entry(&self, path: &RelPath) -> Result<Option<Entry>, Trouble> {
        if path.is_root() {
            return self.new.entry(path);
        }
        let project = self.membership.project_of_folder(path);
        if let Some(key) = project.filter(|key| path.depth() > self.membership.depth() || self.holds(key)) {
            return self.index_of(&key).entry(path);
        }
        // A loose file, a folder around projects, or a project that no batch has begun.
        for (at, index) in self.olds.iter().map(Some).chain([None]).enumerate() {
            let Some(entry) = index.unwrap_or(self.new).entry(path)? else {
                continue;
            };
            let is_its = match self.membership.owner_at(path, &entry) {
                Owner::Project(key) => self.of.get(&key).copied() == index.map(|_| at),
                Owner::Above => true,
            };
            if is_its {
                return Ok(Some(entry));
            }
        }
        Ok(None)
    }

    /// All folders, parents before what lies in them, neighbours in byte order of their names; long
    /// ones in pieces.
    pub fn listings(&self) -> AllListings<'_> {
        AllListings {
            begun: self,
            waiting: vec![Waiting::Above(RelPath::root())],
        }
    }

    fn index_of(&self, key: &ProjectKey) -> &Index {
        self.of.get(key).map_or(self.new, |at| &self.olds[*at])
    }
}

enum Waiting<'a> {
    /// A folder above the projects.
    Above(RelPath),
    /// The same, being read, with what lies below it so far.
    Reading(Box<Above<'a>>, Vec<Waiting<'a>>),
    /// A project.
    Below(Pieces),
}

/// The folders of a source as its batches knew them. After an error nothing more comes.
pub struct AllListings<'a> {
    begun: &'a AsBegun<'a>,
    waiting: Vec<Waiting<'a>>,
}

impl<'a> AllListings<'a> {
    fn advance(&mut self) -> Result<Option<Listing>, Trouble> {
        while let Some(next) = self.waiting.pop() {
            match next {
                Waiting::Below(mut pieces) => {
                    if let Some(piece) = pieces.next().transpose()? {
                        self.waiting.push(Waiting::Below(pieces));
                        return Ok(Some(piece.listing));
                    }
                }
                Waiting::Above(folder) => {
                    let above = Box::new(self.begun.above(&folder)?);
                    self.waiting.push(Waiting::Reading(above, Vec::new()));
                }
                Waiting::Reading(mut above, mut below) => match above.piece()? {
                    Some(listing) => {
                        self.below(&listing, &mut below);
                        self.waiting.push(Waiting::Reading(above, below));
                        return Ok(Some(listing));
                    }
                    // The last one first: what waits is a stack.
                    None => self.waiting.extend(below.into_iter().rev()),
                },
            }
        }
        Ok(None)
    }

    fn below(&self, listing: &Listing, into: &mut Vec<Waiting<'a>>) {
        for child in &listing.children {
            let Ok(path) = listing.folder.join(&child.name) else {
                continue;
            };
            if child.entry.kind != EntryKind::Directory {
                continue;
            }
            into.push(match self.begun.membership.owner(&listing.folder, child) {
                Owner::Project(key) => Waiting::Below(self.begun.index_of(&key).pieces_below(&path)),
                Owner::Above => Waiting::Above(path),
            });
        }
    }
}

impl Iterator for AllListings<'_> {
    type Item = Result<Listing, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        let next = self.advance();
        if next.is_err() {
            self.waiting.clear();
        }
        next.transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::index::{Folder, IndexWriter, Start};
    use crate::moment::Moment;
    use crate::names::SourceName;
    use crate::survey::changes::walk_order;
    use proptest::prelude::*;

    /// Files by path; folders are the ways to them.
    type Tree = BTreeMap<String, u64>;

    fn path(text: &str) -> RelPath {
        RelPath::new(text).unwrap()
    }

    fn entry(kind: EntryKind, size: u64) -> Entry {
        Entry::plain(kind, size, Moment::from_seconds(1_500_000_000))
    }

    /// Each folder with what it holds.
    fn folders(tree: &Tree) -> BTreeMap<RelPath, BTreeMap<Vec<u8>, Entry>> {
        let mut found = BTreeMap::from([(RelPath::root(), BTreeMap::new())]);
        for (file, size) in tree {
            let mut at = path(file);
            let mut what = entry(EntryKind::File, *size);
            while let Some((above, name)) = at.split() {
                found
                    .entry(above.clone())
                    .or_insert_with(BTreeMap::new)
                    .insert(name.to_vec(), what);
                (at, what) = (above, entry(EntryKind::Directory, 0));
            }
        }
        found
    }

    fn index(tree: &Tree) -> (tempfile::TempDir, Index) {
        let home = tempfile::tempdir().unwrap();
        let start = Start {
            source: SourceName("box".into()),
            root: b"/mnt/box".to_vec(),
            root_entry: entry(EntryKind::Directory, 0),
            started: Moment::from_seconds(1_800_000_000),
            mount_type: "ext4".into(),
            session: String::new(),
            inodes: Default::default(),
            rules: String::new(),
            tool: String::new(),
        };
        let (file, parts) = (home.path().join("a"), home.path().join("b"));
        let writer = IndexWriter::begin(&file, &parts, start, false).unwrap();
        let segment = writer.segment(Vec::new());
        for (at, children) in folders(tree) {
            let mut folder = Folder::new(at);
            for (name, entry) in children {
                folder.push(&name, entry);
            }
            segment.push(folder).unwrap();
        }
        segment.finish().unwrap();
        writer.finish(Moment::from_seconds(1_800_000_001)).unwrap();
        let index = Index::open(&file).unwrap();
        (home, index)
    }

    /// All loose files have one year here.
    fn key_of(file: &str, depth: usize) -> ProjectKey {
        match file.split('/').count() > depth {
            true => ProjectKey::Folder(path(file).prefix(depth).unwrap()),
            false => ProjectKey::Loose(Some(crate::moment::Year(2017))),
        }
    }

    fn some_tree() -> impl Strategy<Value = Tree> {
        proptest::collection::btree_map("[ab](/[ab]){0,3}f", 1..4u64, 0..12)
    }

    /// Loose files as an older scan has them and a project as the newest: the two trees are the oracle.
    #[test]
    fn a_long_folder_above_the_projects_comes_in_pieces() {
        let many = |step| (0..80_000).step_by(step).map(|n| (format!("f{n:05}"), 1));
        let old: Tree = many(2).collect();
        let new: Tree = many(5).chain([("g/file".to_string(), 2)]).collect();
        let ((_old_home, old_index), (_home, new_index)) = (index(&old), index(&new));
        let begun = AsBegun {
            new: &new_index,
            olds: vec![old_index],
            of: BTreeMap::from([(key_of("x", 1), 0)]),
            membership: Membership::new(1, chrono_tz::UTC, Moment::from_seconds(1_800_000_000)),
        };
        let listings: Vec<Listing> = begun.listings().map(Result::unwrap).collect();
        let folders: Vec<String> = listings.iter().map(|one| one.folder.lossy()).collect();
        assert_eq!(folders, ["", "", "g"]);
        let root = listings[..2].iter().flat_map(|one| &one.children);
        let names: Vec<&[u8]> = root.map(|child| child.name.as_slice()).collect();
        let wanted = old.keys().map(String::as_bytes).chain([&b"g"[..]]);
        assert!(names.iter().copied().eq(wanted));
    }

    proptest! {
        /// Oracle: each file by itself is taken from the tree that its project names, and the
        /// folders are made of what there is then. Folders of projects without a file are not
        /// compared; no folder here is without one.
        #[test]
        fn every_project_is_seen_as_its_own_index_has_it(
            trees in proptest::collection::vec(some_tree(), 3),
            names in proptest::collection::btree_map(("[ab]/?[ab]?", Just(())), 0..2usize, 0..4),
            loose in 0..3usize,
            depth in 1..3usize,
        ) {
            let (homes, mut indexes): (Vec<_>, Vec<Index>) = trees.iter().map(index).unzip();
            let new = indexes.pop().unwrap();
            let mut of: BTreeMap<ProjectKey, usize> = BTreeMap::new();
            for ((name, ()), at) in &names {
                if let Ok(project) = RelPath::new(name.as_str()) {
                    if project.depth() == depth {
                        of.insert(ProjectKey::Folder(project), *at);
                    }
                }
            }
            if loose < 2 {
                of.insert(key_of("x", depth), loose);
            }
            let begun = AsBegun {
                new: &new,
                membership: Membership::new(depth, chrono_tz::UTC, Moment::from_seconds(1_800_000_000)),
                olds: indexes,
                of: of.clone(),
            };
            let mut wanted = Tree::new();
            for (at, tree) in trees.iter().enumerate() {
                let mine = tree.iter().filter(|(file, _)| of.get(&key_of(file, depth)).copied().unwrap_or(2) == at);
                wanted.extend(mine.map(|(file, size)| (file.clone(), *size)));
            }
            let mut seen: Vec<(RelPath, BTreeMap<Vec<u8>, Entry>)> = Vec::new();
            for listing in begun.listings() {
                let listing = listing.unwrap();
                let children = listing.children.into_iter().map(|child| (child.name, child.entry));
                seen.push((listing.folder, children.collect()));
            }
            let order: Vec<_> = seen.iter().map(|(folder, _)| folder.clone()).collect();
            let mut sorted = order.clone();
            sorted.sort_by(walk_order);
            prop_assert_eq!(&order, &sorted);
            let files = |all: &BTreeMap<RelPath, BTreeMap<Vec<u8>, Entry>>| -> Tree {
                let each = all.iter().flat_map(|(folder, children)| {
                    let files = children.iter().filter(|(_, entry)| entry.kind == EntryKind::File);
                    files.map(|(name, entry)| (folder.join(name).unwrap().to_string(), entry.size.0))
                });
                each.collect()
            };
            let seen: BTreeMap<_, _> = seen.into_iter().collect();
            prop_assert_eq!(files(&seen), wanted.clone());
            for (file, size) in &wanted {
                prop_assert_eq!(begun.entry(&path(file)).unwrap().map(|entry| entry.size.0), Some(*size));
            }
            drop(homes);
        }
    }
}
