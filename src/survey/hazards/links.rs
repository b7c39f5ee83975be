//! Hard links across projects, and where symbolic links lead.
//!
//! Only entries with several names and symbolic links are remembered. Where a link leads is known
//! once every folder was seen, so links that lead elsewhere in the tree need a second look over
//! the listings, see [`Symlinks::second_look`].

use crate::entry::{EntryKind, Listing, Named};
use crate::names::RelPath;
use crate::survey::hazards::{EXAMPLES, Sort, Tally};
use std::collections::{BTreeSet, HashMap, HashSet};

/// Symbolic links remembered; beyond that they are only counted.
const LINKS: usize = 500_000;
/// Links followed in one path before it counts as a loop, as Linux does (path_resolution(7)).
const HOPS: usize = 40;
/// Projects remembered of one file; a dated backup tree may have hundreds.
const PROJECTS: usize = 64;

#[derive(Debug)]
struct Set {
    project: usize,
    /// Other projects it has names in.
    others: BTreeSet<usize>,
    seen: u64,
    links: u64,
    first: RelPath,
}

/// Files with several names, by inode.
#[derive(Debug, Default)]
pub struct HardLinks {
    sets: HashMap<u64, Set>,
    crossing: Vec<RelPath>,
}

impl HardLinks {
    /// Takes in a file with more than one name.
    pub fn push(&mut self, project: usize, folder: &RelPath, child: &Named) {
        let Ok(path) = folder.join(&child.name) else {
            return;
        };
        let set = self.sets.entry(child.entry.inode).or_insert_with(|| Set {
            project,
            others: BTreeSet::new(),
            seen: 0,
            links: child.entry.links,
            first: path.clone(),
        });
        set.seen += 1;
        let joined = project != set.project && set.others.len() < PROJECTS && set.others.insert(project);
        if joined && self.crossing.len() < EXAMPLES {
            self.crossing.push(path);
        }
    }

    /// Reports, and returns the pairs of projects that share files.
    pub fn finish(self, tally: &mut Tally) -> BTreeSet<(usize, usize)> {
        let mut pairs = BTreeSet::new();
        let mut outside: Vec<&Set> = Vec::new();
        let (mut inside, mut across) = (0u64, 0u64);
        let mut first_inside: Option<&RelPath> = None;
        for set in self.sets.values() {
            if set.seen > 1 {
                inside += 1;
                first_inside = first_inside.into_iter().chain([&set.first]).min();
            }
            across += u64::from(!set.others.is_empty());
            if set.seen < set.links {
                outside.push(set);
            }
            let mut all = set.others.clone();
            all.insert(set.project);
            for a in &all {
                pairs.extend(all.iter().filter(|b| *b != a).map(|b| (*a, *b)));
            }
        }
        outside.sort_by(|a, b| a.first.cmp(&b.first));
        tally.note_many(Sort::HardLink, inside, first_inside.cloned());
        tally.note_many(
            Sort::HardLinkOutside,
            outside.len() as u64,
            outside.iter().take(EXAMPLES).map(|set| set.first.clone()),
        );
        tally.note_many(Sort::HardLinkAcross, across, self.crossing);
        pairs
    }
}

/// Symbolic links and what is asked about their targets.
#[derive(Debug, Default)]
pub struct Symlinks {
    /// Links by path, with the path they name below the root.
    links: HashMap<RelPath, Target>,
    /// Links whose targets were found beside them.
    settled: HashSet<RelPath>,
    unknown: u64,
    /// Targets to look for, by folder, with the links that lead there.
    wanted: HashMap<RelPath, Vec<(Vec<u8>, RelPath)>>,
    broken: Vec<RelPath>,
    looping: Vec<RelPath>,
    looked: bool,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Target {
    Inside(RelPath),
    Elsewhere,
}

impl Symlinks {
    /// Takes in a link.
    pub fn push(&mut self, listing: &Listing, child: &Named, tally: &mut Tally) {
        let target = child.entry.target.as_deref().unwrap_or_default();
        let folder = &listing.folder;
        let resolved = if target.starts_with(b"/") {
            tally.note(Sort::SymlinkAbsolute, folder, &child.name);
            Target::Elsewhere
        } else {
            match step(folder, target) {
                Some(path) => Target::Inside(path),
                None => {
                    tally.note(Sort::SymlinkOutside, folder, &child.name);
                    Target::Elsewhere
                }
            }
        };
        if self.links.len() >= LINKS {
            self.unknown += 1;
            return;
        }
        let Ok(path) = folder.join(&child.name) else {
            return;
        };
        if let Target::Inside(to) = &resolved {
            if stands_in(listing, to) {
                self.settled.insert(path.clone());
            }
        }
        self.links.insert(path, resolved);
    }

    /// Follows every link as far as links are known. Returns whether some targets have to be
    /// looked for in the listings: [`Symlinks::look`] wants each once more.
    pub fn second_look(&mut self) -> bool {
        if self.looked {
            return !self.wanted.is_empty();
        }
        self.looked = true;
        let mut paths: Vec<&RelPath> = self
            .links
            .keys()
            .filter(|path| !self.settled.contains(*path))
            .collect();
        paths.sort();
        for path in paths {
            match self.follow(path) {
                Followed::Loop => self.looping.push(path.clone()),
                Followed::To(end) => {
                    if let Some((folder, name)) = end.split() {
                        let name = name.to_vec();
                        self.wanted.entry(folder).or_default().push((name, path.clone()));
                    }
                }
                Followed::Elsewhere => {}
            }
        }
        !self.wanted.is_empty()
    }

    /// Looks for targets in one folder.
    pub fn look(&mut self, listing: &Listing) {
        let Some(wanted) = self.wanted.remove(&listing.folder) else {
            return;
        };
        for (name, link) in wanted {
            if listing
                .children
                .binary_search_by(|child| child.name.cmp(&name))
                .is_err()
            {
                self.broken.push(link);
            }
        }
    }

    /// Substitutes links until none is left in the path.
    fn follow(&self, link: &RelPath) -> Followed {
        let mut path = link.clone();
        for _ in 0..HOPS {
            let prefixes = (1..=path.depth()).filter_map(|depth| path.prefix(depth));
            let hit = prefixes
                .into_iter()
                .find_map(|p| self.links.get(&p).map(|t| (p, t)));
            let Some((at, target)) = hit else {
                return Followed::To(path);
            };
            let Target::Inside(to) = target else {
                return Followed::Elsewhere;
            };
            let rest = path.below(&at).unwrap_or_default();
            path = to.join_path(&rest);
        }
        Followed::Loop
    }

    /// Reports. `looked_again`: every listing was handed to [`Symlinks::look`].
    pub fn finish(mut self, looked_again: bool, tally: &mut Tally) {
        self.second_look();
        if looked_again {
            // A target whose folder was never listed does not exist.
            self.broken
                .extend(self.wanted.into_values().flatten().map(|(_, link)| link));
            self.broken.sort();
        }
        tally.note_many(Sort::SymlinkBroken, self.broken.len() as u64, self.broken);
        tally.note_many(Sort::SymlinkLoop, self.looping.len() as u64, self.looping);
        tally.note_many(Sort::SymlinkUnknown, self.unknown, None);
    }
}

enum Followed {
    To(RelPath),
    Elsewhere,
    Loop,
}

/// Whether a path is an entry of this listing that is no link itself.
fn stands_in(listing: &Listing, path: &RelPath) -> bool {
    let Some(rest) = path.below(&listing.folder) else {
        return false;
    };
    let found = listing
        .children
        .binary_search_by(|child| child.name.as_slice().cmp(rest.as_bytes()));
    found
        .ok()
        .and_then(|at| listing.children.get(at))
        .is_some_and(|child| child.entry.kind != EntryKind::Symlink)
}

/// A relative target from a folder, `.` and `..` taken away; `None` where it leaves the root.
fn step(folder: &RelPath, target: &[u8]) -> Option<RelPath> {
    let mut parts: Vec<&[u8]> = folder.components().collect();
    for part in target.split(|b| *b == b'/') {
        match part {
            b"" | b"." => {}
            b".." => {
                parts.pop()?;
            }
            part => parts.push(part),
        }
    }
    RelPath::new(parts.join(&b'/')).ok()
}
