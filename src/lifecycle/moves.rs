//! Files that got another name or another folder at the source after they were copied: which the
//! destination can follow by a rename, and in which order the renames replace nothing.
//!
//! What tells a moved file is its inode number with its size, its time and, where both scans know
//! it, its birth time. A file with several names is left alone: which of its names has gone cannot
//! be told from which has come. Whatever is in doubt is a later file as before, and that is said.

use crate::entry::{Entry, EntryKind};
use crate::names::RelPath;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Why a moved file is not followed.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Doubt {
    /// It has several names.
    Names,
    /// It is another file by its facts, or was when it was copied.
    Changed,
    /// It goes to a project, a batch or a dataset that its own batch does not hold.
    Elsewhere,
    /// A rule leaves it out where it lies now.
    Excluded,
    /// Something of it is open: it failed, differs, or is being written.
    Open,
    /// Something of ours is at its new place, or was to come there.
    Taken,
    /// The file at its new place stays there.
    Stays,
    /// A batch that holds it cannot follow, for this reason.
    Batch(String),
    /// The destination does not allow it, for this reason.
    Destination(String),
}

impl Doubt {
    /// In words that go on after "is copied again, because".
    pub fn words(&self) -> String {
        match self {
            Doubt::Names => "it has several names".into(),
            Doubt::Changed => "it is not the file that was copied".into(),
            Doubt::Elsewhere => "it went to a project that its batch does not hold".into(),
            Doubt::Excluded => "a rule leaves it out where it lies now".into(),
            Doubt::Open => "something of it is still open".into(),
            Doubt::Taken => "its new place was taken by another file".into(),
            Doubt::Stays => "the file at its new place stays there".into(),
            Doubt::Batch(why) | Doubt::Destination(why) => why.clone(),
        }
    }
}

/// Whether two scans saw one and the same file, with one name each time.
///
/// # Errors
/// Why that is not sure.
pub fn is_same_file(was: &Entry, is: &Entry) -> Result<(), Doubt> {
    if was.links > 1 || is.links > 1 {
        return Err(Doubt::Names);
    }
    let born = match (was.birth, is.birth) {
        (Some(a), Some(b)) => a == b,
        _ => true,
    };
    let facts = |entry: &Entry| (entry.kind, entry.inode, entry.size, entry.mtime);
    let readable = was.error.is_none() && is.error.is_none();
    let movable = matches!(is.kind, EntryKind::File | EntryKind::Symlink);
    match facts(was) == facts(is) && was.target == is.target && born && readable && movable {
        true => Ok(()),
        false => Err(Doubt::Changed),
    }
}

/// Of moves that could be followed, those whose new place is free once all others were carried out:
/// nothing is known to be there, or it leaves too. One that stays keeps its place from the one that
/// wanted it, and so on along the chain. The answer says it of each.
pub fn with_free_places(
    moves: &[(&RelPath, &RelPath)],
    is_taken: impl Fn(&RelPath) -> bool,
) -> Vec<Result<(), Doubt>> {
    let leaving: HashMap<&RelPath, usize> = moves
        .iter()
        .enumerate()
        .map(|(n, (from, _))| (*from, n))
        .collect();
    let mut waits: HashMap<usize, Vec<usize>> = HashMap::new();
    let mut found: Vec<Result<(), Doubt>> = Vec::with_capacity(moves.len());
    let mut wanted: HashMap<&RelPath, usize> = HashMap::new();
    let mut stuck = Vec::new();
    for (number, (_, to)) in moves.iter().enumerate() {
        // Two that want one place: neither can be believed.
        let twice = wanted.insert(to, number);
        stuck.extend(twice.map(|other| (other, Doubt::Taken)));
        match leaving.get(to) {
            Some(other) => waits.entry(*other).or_default().push(number),
            None if is_taken(to) => stuck.push((number, Doubt::Taken)),
            None => {}
        }
        stuck.extend(twice.map(|_| (number, Doubt::Taken)));
        found.push(Ok(()));
    }
    while let Some((number, why)) = stuck.pop() {
        if found[number].is_err() {
            continue;
        }
        found[number] = Err(why);
        let behind = waits.get(&number).into_iter().flatten();
        stuck.extend(behind.map(|waiting| (*waiting, Doubt::Stays)));
    }
    found
}

/// Under which name a file that is to be followed stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Under its old one.
    Old,
    /// Aside.
    Aside,
    /// Under its new one: done.
    New,
}

/// One rename, by the number of the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// From the old name to the new one.
    ToNew(usize),
    /// From the old name aside, where names go round.
    Aside(usize),
    /// From aside to the new name.
    FromAside(usize),
}

/// All renames that are left, in rounds: within a round none needs another's name, so that one sync
/// after each round keeps a name from reaching the disk before the one that gave it up. Where names
/// go round, one of each ring steps aside first. Linear in the number of files.
pub fn rounds(all: &[(Standing, &RelPath, &RelPath)]) -> Vec<Vec<Step>> {
    let mut held: HashMap<&RelPath, usize> = HashMap::new();
    for (number, (at, from, _)) in all.iter().enumerate() {
        if *at == Standing::Old {
            held.insert(from, number);
        }
    }
    let mut left: BTreeSet<usize> = (0..all.len()).filter(|n| all[*n].0 != Standing::New).collect();
    // Who waits for the name that a file still has.
    let mut waits: HashMap<usize, usize> = HashMap::new();
    let mut ready: Vec<usize> = Vec::new();
    for number in &left {
        match held.get(all[*number].2) {
            Some(other) => drop(waits.insert(*other, *number)),
            None => ready.push(*number),
        }
    }
    let mut aside: BTreeSet<usize> = all
        .iter()
        .enumerate()
        .filter(|(_, (at, _, _))| *at == Standing::Aside)
        .map(|(number, _)| number)
        .collect();
    let mut rounds = Vec::new();
    while !left.is_empty() {
        let mut round = Vec::new();
        let mut next = Vec::new();
        if ready.is_empty() {
            // Only rings are left: one of each goes aside.
            let mut seen: BTreeSet<usize> = BTreeSet::new();
            for first in left.iter().copied() {
                if !seen.contains(&first) {
                    round.push(Step::Aside(first));
                    aside.insert(first);
                    let mut at = first;
                    while seen.insert(at) {
                        match waits.get(&at) {
                            Some(follows) => at = *follows,
                            None => break,
                        }
                    }
                    next.extend(waits.remove(&first));
                }
            }
        }
        for number in ready {
            left.remove(&number);
            match aside.contains(&number) {
                true => round.push(Step::FromAside(number)),
                false => {
                    round.push(Step::ToNew(number));
                    next.extend(waits.remove(&number));
                }
            }
        }
        if round.is_empty() {
            // Two files with one name: never made by `with_free_places`.
            break;
        }
        rounds.push(round);
        ready = next;
    }
    rounds
}

/// Folders that moved files leave empty: each with what lies in it by a scan (names and kinds), the
/// deepest first. Only those of `candidates` of which every entry goes away are answered.
pub fn emptied(
    candidates: &BTreeMap<RelPath, Vec<RelPath>>,
    leaves: impl Fn(&RelPath) -> bool,
) -> BTreeSet<RelPath> {
    let mut order: Vec<&RelPath> = candidates.keys().collect();
    order.sort_by_key(|path| std::cmp::Reverse(path.depth()));
    let mut gone: BTreeSet<RelPath> = BTreeSet::new();
    for path in order {
        let all = candidates[path]
            .iter()
            .all(|child| leaves(child) || gone.contains(child));
        if all {
            gone.insert(path.clone());
        }
    }
    gone
}
