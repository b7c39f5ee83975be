//! Hard links across projects, and where symbolic links lead.
//!
//! Only entries with several names and symbolic links are remembered. Where a link leads is known
//! once every folder was seen, so links that lead elsewhere in the tree need a second look over
//! the listings, see [`Symlinks::second_look`].

use crate::entry::{EntryKind, Listing, Named};
use crate::names::RelPath;
use crate::survey::hazards::{EXAMPLES, Sort, Tally};
use crate::units::{Bytes, counted};
use std::collections::{BTreeSet, HashMap, HashSet};

/// Symbolic links remembered; beyond that they are only counted.
const LINKS: usize = 500_000;
/// Links followed in one path before it counts as a loop, as Linux does (path_resolution(7)).
const HOPS: usize = 40;
/// Files with several names of which the first name is kept.
const NAMED: usize = 10_000;
/// Projects remembered of one file; a dated backup tree may have hundreds.
const PROJECTS: usize = 64;

/// Parts of the table of files with several names: while a table grows it stands there twice.
const PARTS: usize = 32;

/// One file with several names; there may be millions, so it is kept small.
#[derive(Debug)]
struct Set {
    project: u32,
    seen: u32,
    links: u32,
    size: u64,
    /// What few of them have.
    more: Option<Box<More>>,
}

#[derive(Debug, Default)]
struct More {
    /// Other projects it has names in.
    others: BTreeSet<u32>,
    /// Its first name, of the first [`NAMED`] sets: for examples.
    first: Option<RelPath>,
}

impl Set {
    fn others(&self) -> impl Iterator<Item = u32> + '_ {
        self.more.iter().flat_map(|more| more.others.iter().copied())
    }
}

/// Files with several names, by inode. Grows with the number of such files, by some 70 bytes each;
/// files with one name are not kept.
#[derive(Debug, Default)]
pub struct HardLinks {
    sets: [HashMap<u64, Set>; PARTS],
    named: usize,
    crossing: Vec<RelPath>,
}

impl HardLinks {
    /// Takes in a file with more than one name.
    pub fn push(&mut self, project: usize, folder: &RelPath, child: &Named) {
        let project = u32::try_from(project).unwrap_or(u32::MAX);
        let (inode, named) = (child.entry.inode, &mut self.named);
        let sets = &mut self.sets[(inode % PARTS as u64) as usize];
        let set = sets.entry(inode).or_insert_with(|| {
            *named = named.saturating_add(1);
            let first = folder.join(&child.name).ok().filter(|_| *named <= NAMED);
            Set {
                project,
                seen: 0,
                links: u32::try_from(child.entry.links).unwrap_or(u32::MAX),
                size: child.entry.size.0,
                more: first.map(|first| {
                    Box::new(More {
                        others: BTreeSet::new(),
                        first: Some(first),
                    })
                }),
            }
        });
        set.seen = set.seen.saturating_add(1);
        if project == set.project {
            return;
        }
        let others = &mut set.more.get_or_insert_default().others;
        // One example for each file that is counted.
        let first = others.is_empty();
        if others.len() < PROJECTS && others.insert(project) && first && self.crossing.len() < EXAMPLES {
            self.crossing.extend(folder.join(&child.name).ok());
        }
    }

    /// Reports, and returns the pairs of projects that share files.
    pub fn finish(self, tally: &mut Tally) -> BTreeSet<(usize, usize)> {
        let mut pairs = BTreeSet::new();
        let mut outside: Vec<&RelPath> = Vec::new();
        let (mut inside, mut across, mut leaving) = (0u64, 0u64, 0u64);
        let (mut names, mut once, mut each) = (0u64, Bytes::ZERO, Bytes::ZERO);
        let mut first_inside: Option<&RelPath> = None;
        for set in self.sets.iter().flat_map(HashMap::values) {
            let first = set.more.as_ref().and_then(|more| more.first.as_ref());
            let seen = u64::from(set.seen);
            if seen > 1 {
                inside += 1;
                names += seen;
                once = once.plus(Bytes(set.size));
                each = each.plus(Bytes(set.size.saturating_mul(seen)));
                first_inside = first_inside.into_iter().chain(first).min();
            }
            if seen < u64::from(set.links) {
                leaving += 1;
                outside.extend(first);
            }
            let crosses = set.others().next().is_some();
            across += u64::from(crosses);
            if crosses {
                let all: Vec<u32> = set.others().chain([set.project]).collect();
                for a in &all {
                    let others = all.iter().filter(|b| *b != a);
                    pairs.extend(others.map(|b| (*a as usize, *b as usize)));
                }
            }
        }
        outside.sort();
        tally.note_many(Sort::HardLink, inside, first_inside.cloned());
        tally.say(
            Sort::HardLink,
            format!(
                "{}: joined within one dataset that is {once}, as separate files it would be {each}.",
                match inside {
                    1 => format!("One file has {}", counted(names, "name")),
                    n => format!("{} have {} in all", counted(n, "file"), counted(names, "name")),
                }
            ),
        );
        tally.note_many(
            Sort::HardLinkOutside,
            leaving,
            outside.into_iter().take(EXAMPLES).cloned(),
        );
        tally.note_many(Sort::HardLinkAcross, across, self.crossing);
        pairs
    }
}

/// Symbolic links and what is asked about their targets.
#[derive(Debug, Default)]
pub struct Symlinks {
    /// Links by path, with what they name; at most [`LINKS`].
    links: HashMap<RelPath, Target>,
    /// Links whose targets were found beside them.
    settled: HashSet<RelPath>,
    unknown: u64,
    /// Targets to look for, by folder, with the links that lead there; the first name last.
    wanted: HashMap<RelPath, Vec<(Vec<u8>, RelPath)>>,
    broken: Vec<RelPath>,
    outside: Vec<RelPath>,
    looping: Vec<RelPath>,
    looked: bool,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Target {
    /// A relative path, as it is written.
    Inside(Box<[u8]>),
    /// A full path.
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
            Target::Inside(target.into())
        };
        if self.links.len() >= LINKS {
            self.unknown += 1;
            return;
        }
        let Ok(path) = folder.join(&child.name) else {
            return;
        };
        if stands_in(listing, target) {
            self.settled.insert(path.clone());
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
                Followed::Outside => self.outside.push(path.clone()),
                Followed::Elsewhere => {}
            }
        }
        // Folders come in byte order of names, and from a list the last is taken first.
        self.wanted
            .values_mut()
            .for_each(|names| names.sort_by(|a, b| b.cmp(a)));
        !self.wanted.is_empty()
    }

    /// Looks for targets in one folder, or in the next piece of one. What lies behind its last name
    /// may still come; what never came is told at the end.
    pub fn look(&mut self, listing: &Listing) {
        let wanted = self.wanted.get_mut(&listing.folder);
        let (Some(wanted), Some(last)) = (wanted, listing.children.last()) else {
            return;
        };
        while let Some((name, link)) = wanted.pop_if(|(name, _)| *name <= last.name) {
            if listing.child(&name).is_none() {
                self.broken.push(link);
            }
        }
    }

    /// Walks a link's path component by component as the kernel does, so that `..` after a link
    /// leads above what the link names, not above where it stands.
    fn follow(&self, link: &RelPath) -> Followed {
        let mut at = RelPath::root();
        let mut ahead: Vec<Vec<u8>> = link.components().rev().map(<[u8]>::to_vec).collect();
        let mut hops = 0;
        while let Some(part) = ahead.pop() {
            if part == b".." {
                match at.split() {
                    Some((above, _)) => at = above,
                    None => return Followed::Outside,
                }
                continue;
            }
            let Ok(next) = at.join(&part) else {
                return Followed::Elsewhere;
            };
            match self.links.get(&next) {
                None => at = next,
                Some(Target::Elsewhere) => return Followed::Elsewhere,
                Some(Target::Inside(target)) => {
                    hops += 1;
                    if hops > HOPS {
                        return Followed::Loop;
                    }
                    let parts = target.split(|b| *b == b'/');
                    ahead.extend(
                        parts
                            .filter(|p| !p.is_empty() && *p != b".")
                            .rev()
                            .map(<[u8]>::to_vec),
                    );
                }
            }
        }
        Followed::To(at)
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
        tally.note_many(Sort::SymlinkOutside, self.outside.len() as u64, self.outside);
        tally.note_many(Sort::SymlinkLoop, self.looping.len() as u64, self.looping);
        tally.note_many(Sort::SymlinkUnknown, self.unknown, None);
    }
}

enum Followed {
    To(RelPath),
    /// Above the source's root.
    Outside,
    /// By a full path, which this source cannot tell.
    Elsewhere,
    Loop,
}

/// Whether a target is the plain name of an entry beside the link that is no link itself: the usual
/// case, settled at once. Where it lies in another piece of the folder the second look settles it.
fn stands_in(listing: &Listing, target: &[u8]) -> bool {
    if target == b"." || target == b".." {
        return false;
    }
    let found = listing.child(target);
    found.is_some_and(|child| child.entry.kind != EntryKind::Symlink)
}
