//! Projects that got another name at the source: which are the same folder still, and whether the
//! destination can follow by a rename instead of a copy.
//!
//! What tells a renamed folder is its inode and those of the files in it; where the source's
//! numbers do not hold from scan to scan, equal names, sizes and times make a rename likely but
//! never sure, so such a project is copied anew and that is said.

use crate::entry::Identity;
use crate::names::RelPath;
use std::collections::{BTreeMap, BTreeSet};

/// A project's folder as one scan saw it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    /// The folder's own inode number.
    pub inode: u64,
    /// Its files by their path inside it.
    pub files: BTreeMap<RelPath, Identity>,
}

/// Where a project lands: destination, dataset's folder there, place below that.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Home {
    /// The destination's name.
    pub destination: String,
    /// The dataset's folder below the destination.
    pub folder: RelPath,
    /// The project's folder below the dataset's.
    pub place: RelPath,
}

/// Why a renamed project is not followed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// Its inode numbers are not those of before, or the source's do not hold from scan to scan.
    Inodes,
    /// Too few of its files are the same.
    Files {
        /// Files found again.
        found: u64,
        /// Files there were.
        of: u64,
    },
    /// It goes to another dataset now: the folder of that one.
    Dataset(RelPath),
    /// Its dataset holds it alone and would have to be renamed itself.
    OwnDataset,
    /// It goes into another folder of the dataset, not only under another name.
    Folder,
    /// A batch has begun with the new name already.
    Begun,
    /// A batch that holds it cannot follow, for this reason.
    Batch(String),
    /// The destination does not allow it, for this reason.
    Destination(String),
}

impl Refusal {
    /// In words that go on after "is called so-and-so now".
    pub fn words(&self) -> String {
        match self {
            Refusal::Dataset(_) => self.reason(),
            _ => format!("{}: it is not followed but copied anew", self.reason()),
        }
    }

    /// The reason alone.
    pub fn reason(&self) -> String {
        match self {
            Refusal::Inodes => "its inode numbers are others than before".to_string(),
            Refusal::Files { found, of } => format!("only {found} of its {of} files are the same"),
            Refusal::Dataset(folder) => {
                format!("it goes to another dataset ({folder}) and is copied anew")
            }
            Refusal::OwnDataset => "its dataset has its name".to_string(),
            Refusal::Folder => "it goes into another folder".to_string(),
            Refusal::Begun => "a batch has begun with the new name".to_string(),
            Refusal::Batch(why) | Refusal::Destination(why) => why.clone(),
        }
    }
}

/// Pairs of folders that have one inode number and stand under another name now: old, new. A
/// number that two folders of one scan share tells nothing.
pub fn renamed_by_inode(
    old: &BTreeMap<RelPath, u64>,
    new: &BTreeMap<RelPath, u64>,
) -> Vec<(RelPath, RelPath)> {
    let by_inode = |all: &BTreeMap<RelPath, u64>| {
        let mut found: BTreeMap<u64, Option<RelPath>> = BTreeMap::new();
        for (path, inode) in all {
            let only = |known: &mut Option<RelPath>| *known = None;
            found
                .entry(*inode)
                .and_modify(only)
                .or_insert_with(|| Some(path.clone()));
        }
        found
    };
    let news = by_inode(new);
    let pairs = by_inode(old).into_iter().filter_map(|(inode, from)| {
        let (from, to) = (from?, news.get(&inode)?.clone()?);
        (from != to).then_some((from, to))
    });
    let mut pairs: Vec<_> = pairs.collect();
    pairs.sort();
    pairs
}

/// Pairs of a folder that is gone and one that is new whose files agree in name, size and time, as
/// told by a digest over these; only where that is one to one. Likely renames, not proven ones.
pub fn renamed_by_likeness<D: Ord + Clone>(
    gone: &BTreeMap<RelPath, D>,
    new: &BTreeMap<RelPath, D>,
) -> Vec<(RelPath, RelPath)> {
    let alone = |all: &BTreeMap<RelPath, D>, digest: &D| all.values().filter(|d| *d == digest).count() == 1;
    let mut pairs = Vec::new();
    for (from, digest) in gone {
        if let Some((to, _)) = new.iter().find(|(_, d)| *d == digest) {
            if alone(gone, digest) && alone(new, digest) {
                pairs.push((from.clone(), to.clone()));
            }
        }
    }
    pairs
}

/// Whether the folder seen now is the one seen before: at least nine in ten of its files are
/// in it still by their inode numbers, and at least half are as they were. Folders in it may have
/// other names. The files that differ come as later files; those that are gone stay at the
/// destination.
///
/// # Errors
/// Why it is not.
pub fn is_same_project(old: &Seen, new: &Seen) -> Result<(), Refusal> {
    let (mut found, mut same) = (0u64, 0u64);
    let now: BTreeMap<u64, &Identity> = new.files.values().map(|is| (is.inode, is)).collect();
    for was in old.files.values() {
        let Some(is) = now.get(&was.inode) else {
            continue;
        };
        found += 1;
        same += u64::from((is.size, is.mtime) == (was.size, was.mtime));
    }
    let of = old.files.len() as u64;
    match old.inode == new.inode && same > 0 && found * 10 >= of * 9 && same * 2 >= of {
        true => Ok(()),
        false => Err(Refusal::Files { found: same, of }),
    }
}

/// Whether a rename in one folder leads from one home to the other.
///
/// # Errors
/// Why it does not.
pub fn is_a_rename(from: &Home, to: &Home) -> Result<(), Refusal> {
    if (&from.destination, &from.folder) != (&to.destination, &to.folder) {
        return Err(match from.place.is_root() {
            true => Refusal::OwnDataset,
            false => Refusal::Dataset(to.folder.clone()),
        });
    }
    let above = |place: &RelPath| place.split().map(|(above, _)| above);
    match (above(&from.place), above(&to.place)) {
        (None, _) | (_, None) => Err(Refusal::OwnDataset),
        (a, b) if a != b => Err(Refusal::Folder),
        _ => Ok(()),
    }
}

/// Of the renames that could be followed, those whose new name is free once all others were carried
/// out: not begun, or given up by one that is followed itself.
pub fn with_free_names(
    mut wanted: Vec<(RelPath, RelPath)>,
    begun: &BTreeSet<RelPath>,
) -> Vec<(RelPath, RelPath)> {
    loop {
        let leaving: BTreeSet<RelPath> = wanted.iter().map(|(from, _)| from.clone()).collect();
        let before = wanted.len();
        wanted.retain(|(_, to)| !begun.contains(to) || leaving.contains(to));
        if wanted.len() == before {
            return wanted;
        }
    }
}

/// One rename at the destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Move {
    /// From its old name to the new one.
    ToNew(usize),
    /// From its old name aside, for two that change places.
    Aside(usize),
    /// From aside to the new name.
    FromAside(usize),
}

/// Where a folder that is to be followed stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Under its old name.
    Old,
    /// Aside.
    Aside,
    /// Under its new name: done.
    New,
}

/// The next rename of a set, each with where it stands, its old name and its new one; `None` when
/// all stand under their new names. A new name that another one of the set still has is waited for;
/// where all wait for one another, one goes aside.
pub fn next_move(all: &[(Standing, &RelPath, &RelPath)]) -> Option<Move> {
    let taken = |name: &RelPath| {
        all.iter()
            .any(|(at, old, _)| *at == Standing::Old && *old == name)
    };
    for (number, (at, _, to)) in all.iter().enumerate() {
        match at {
            Standing::Old if !taken(to) => return Some(Move::ToNew(number)),
            Standing::Aside if !taken(to) => return Some(Move::FromAside(number)),
            _ => {}
        }
    }
    let waiting = all.iter().position(|(at, _, _)| *at == Standing::Old)?;
    Some(Move::Aside(waiting))
}
