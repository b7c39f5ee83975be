//! What a new scan differs in from the one before: new, changed, gone, moved.
//!
//! Both scans come as listings in the same order of folders (the index is written parents first,
//! see [`walk_order`]), long folders in several pieces. Memory holds the differences only. A folder that could not be listed in
//! the new scan is unknown: nothing below it is gone.

use crate::entry::{Entry, EntryKind, Identity, Listing, Named};
use crate::names::RelPath;
use crate::units::Amount;
use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// How inodes of the source behave, as far as comparing is concerned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InodeTrust {
    /// The same file keeps its number from scan to scan: moves can be followed.
    Stable,
    /// Numbers change or repeat: only path, size and time count, and nothing counts as moved.
    None,
}

/// A path whose content or facts differ between two scans.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// Where, in the newer scan where it exists there.
    pub path: RelPath,
    /// Where it was, for something moved.
    pub from: Option<RelPath>,
    /// What it is.
    pub kind: EntryKind,
    /// Files and bytes it stands for: of a folder moved as a whole, all below it.
    pub amount: Amount,
}

/// The differences, each list in byte order of paths.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Changes {
    /// Not there before.
    pub new: Vec<Change>,
    /// Another size, time or kind than before.
    pub changed: Vec<Change>,
    /// Not there any more.
    pub gone: Vec<Change>,
    /// There under another path; a folder moved as a whole is one line.
    pub moved: Vec<Change>,
    /// Folders that could not be listed this time, and what lay below them before.
    pub unknown: Vec<Change>,
    /// Files of which only the time of the attributes is another. They count as no change: only
    /// their content could tell.
    pub touched: u64,
    /// The first [`MOST_TOUCHED`] of them, in the order of the scan.
    pub touched_paths: Vec<RelPath>,
}

/// One entry that has another path in the newer scan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Move {
    /// Where it was.
    pub from: RelPath,
    /// Where it is.
    pub to: RelPath,
    /// What it was there.
    pub was: Entry,
    /// What it is now.
    pub is: Entry,
}

/// Touched files that are named. New permissions on a whole archive touch all of it.
pub const MOST_TOUCHED: usize = 10_000;

/// The order in which folders are walked: a folder before what lies in it, neighbours in byte
/// order of their names.
pub fn walk_order(a: &RelPath, b: &RelPath) -> Ordering {
    a.components().cmp(b.components())
}

/// One side of a comparison: a folder, or the next piece of one.
struct Side<I: Iterator<Item = Listing>> {
    pieces: I,
    now: Option<Listing>,
    at: usize,
}

impl<I: Iterator<Item = Listing>> Side<I> {
    fn new(mut pieces: I) -> Side<I> {
        Side {
            now: pieces.next(),
            pieces,
            at: 0,
        }
    }

    /// Goes on to the next piece where this one is done with.
    fn refill(&mut self) {
        while self.now.as_ref().is_some_and(|now| self.at >= now.children.len()) {
            (self.now, self.at) = (self.pieces.next(), 0);
        }
    }

    fn folder(&self) -> Option<&RelPath> {
        self.now.as_ref().map(|now| &now.folder)
    }

    /// What is left of the piece.
    fn rest(&self) -> &[Named] {
        self.now.as_ref().map_or(&[][..], |now| &now.children[self.at..])
    }
}

/// An entry that stands on one side only.
#[derive(Debug, Clone)]
struct Lone {
    kind: EntryKind,
    identity: Identity,
    /// All that is known of it, where that is asked for.
    whole: Option<Box<Entry>>,
}

struct Collector {
    inodes: InodeTrust,
    /// Whether all that is known of an entry is kept.
    whole: bool,
    new: BTreeMap<RelPath, Lone>,
    gone: BTreeMap<RelPath, Lone>,
    /// Paths on both sides that lead to another file or folder now: these are among the new and the
    /// gone until it is known whether either of the two has moved.
    both: BTreeMap<RelPath, bool>,
    changed: Vec<Change>,
    touched: u64,
    touched_paths: Vec<RelPath>,
    /// Folders that failed this time, with what lay below them.
    unknown: BTreeMap<RelPath, Amount>,
}

/// Compares two scans whose folders come in `order` ([`walk_order`] for an index).
pub fn compare(
    old: impl Iterator<Item = Listing>,
    new: impl Iterator<Item = Listing>,
    order: impl Fn(&RelPath, &RelPath) -> Ordering,
    inodes: InodeTrust,
) -> Changes {
    collect(old, new, order, inodes, false).finish()
}

/// Every single entry that has another path now, by inode numbers that hold: also below folders that
/// moved as a whole, and where names were exchanged. In byte order of the new paths.
pub fn moves(
    old: impl Iterator<Item = Listing>,
    new: impl Iterator<Item = Listing>,
    order: impl Fn(&RelPath, &RelPath) -> Ordering,
) -> Vec<Move> {
    let mut collected = collect(old, new, order, InodeTrust::Stable, true);
    let pairs = collected.pairs();
    let mut take = |to: &RelPath, from: &RelPath| {
        let (was, is) = (collected.gone.remove(from)?, collected.new.remove(to)?);
        Some((*was.whole?, *is.whole?))
    };
    let each = pairs.into_iter().filter_map(|(to, from)| {
        let (was, is) = take(&to, &from)?;
        Some(Move { from, to, was, is })
    });
    each.collect()
}

fn collect(
    old: impl Iterator<Item = Listing>,
    new: impl Iterator<Item = Listing>,
    order: impl Fn(&RelPath, &RelPath) -> Ordering,
    inodes: InodeTrust,
    whole: bool,
) -> Collector {
    let (mut old, mut new) = (Side::new(old), Side::new(new));
    let mut collected = Collector {
        inodes,
        whole,
        new: BTreeMap::new(),
        gone: BTreeMap::new(),
        both: BTreeMap::new(),
        changed: Vec::new(),
        touched: 0,
        touched_paths: Vec::new(),
        unknown: BTreeMap::new(),
    };
    if new.now.is_none() {
        // Not even the root was listed: an unmounted source, not an emptied one.
        collected.unknown.insert(RelPath::root(), Amount::default());
    }
    loop {
        old.refill();
        new.refill();
        let which = match (old.folder(), new.folder()) {
            (None, None) => break,
            (Some(_), None) => Ordering::Less,
            (None, Some(_)) => Ordering::Greater,
            (Some(a), Some(b)) if a == b => Ordering::Equal,
            (Some(a), Some(b)) => order(a, b),
        };
        let olds = if which.is_le() { old.rest() } else { &[] };
        let news = if which.is_ge() { new.rest() } else { &[] };
        let Some(folder) = (if which.is_ge() { new.folder() } else { old.folder() }) else {
            break;
        };
        let (i, j) = collected.stretch(folder, olds, news);
        old.at += i;
        new.at += j;
    }
    collected
}

impl Collector {
    /// Takes in a folder's entries, of both sides as far as both are at hand, and says how many of
    /// each that were.
    fn stretch(&mut self, folder: &RelPath, olds: &[Named], news: &[Named]) -> (usize, usize) {
        let alone = olds.is_empty() || news.is_empty();
        let (mut i, mut j) = (0, 0);
        loop {
            let (a, b) = (olds.get(i), news.get(j));
            let which = match (a, b) {
                (None, None) => break,
                // The other side may go on with this folder in its next piece.
                (None, Some(_)) | (Some(_), None) if !alone => break,
                (Some(_), None) => Ordering::Less,
                (None, Some(_)) => Ordering::Greater,
                (Some(a), Some(b)) => a.name.cmp(&b.name),
            };
            let a = a.filter(|_| which != Ordering::Greater);
            let b = b.filter(|_| which != Ordering::Less);
            i += usize::from(a.is_some());
            j += usize::from(b.is_some());
            self.pair(folder, a, b);
        }
        (i, j)
    }

    fn pair(&mut self, folder: &RelPath, old: Option<&Named>, new: Option<&Named>) {
        let Some(name) = new.or(old).map(|child| &child.name) else {
            return;
        };
        let Ok(path) = folder.join(name) else {
            return;
        };
        if new.is_some_and(|child| is_unknown(&child.entry)) {
            // What could not be read before either is no news.
            if !old.is_some_and(|child| is_unknown(&child.entry)) {
                let amount = old.map_or(Amount::default(), |child| amount_of(&child.entry));
                self.unknown.insert(path, amount);
            }
            return;
        }
        match (old, new) {
            (None, Some(child)) => {
                self.new.insert(path, self.lone(&child.entry));
            }
            (Some(child), None) => self.was_there(path, &child.entry),
            (Some(a), Some(b)) if self.is_another(&a.entry, &b.entry) => {
                self.gone.insert(path.clone(), self.lone(&a.entry));
                self.new.insert(path.clone(), self.lone(&b.entry));
                self.both.insert(path, differs(&a.entry, &b.entry));
            }
            (Some(a), Some(b)) if differs(&a.entry, &b.entry) => self.changed.push(Change {
                path,
                from: None,
                kind: b.entry.kind,
                amount: amount_of(&b.entry),
            }),
            (Some(a), Some(b)) if b.entry.kind == EntryKind::File && a.entry.ctime != b.entry.ctime => {
                self.touched += 1;
                if self.touched_paths.len() < MOST_TOUCHED {
                    self.touched_paths.push(path);
                }
            }
            _ => {}
        }
    }

    fn was_there(&mut self, path: RelPath, entry: &Entry) {
        let lone = self.lone(entry);
        let above = (0..path.depth())
            .filter_map(|depth| path.prefix(depth))
            .find(|folder| self.unknown.contains_key(folder));
        match above.and_then(|folder| self.unknown.get_mut(&folder)) {
            Some(amount) => amount.add(amount_of(entry)),
            None => {
                self.gone.insert(path, lone);
            }
        }
    }

    fn lone(&self, entry: &Entry) -> Lone {
        Lone {
            kind: entry.kind,
            identity: entry.identity(),
            whole: self.whole.then(|| Box::new(entry.clone())),
        }
    }

    /// Whether one path leads to another file or folder than before, of the same kind.
    fn is_another(&self, old: &Entry, new: &Entry) -> bool {
        self.inodes == InodeTrust::Stable
            && old.kind == new.kind
            && old.inode != new.inode
            && !is_unknown(old)
    }

    /// Where neither of the two has moved, one was put in the place of the other: a changed file, or
    /// none where size and time are the same.
    fn rejoin(&mut self) {
        for (path, differs) in std::mem::take(&mut self.both) {
            if !self.new.contains_key(&path) || !self.gone.contains_key(&path) {
                continue;
            }
            self.gone.remove(&path);
            if let Some(lone) = self.new.remove(&path).filter(|_| differs) {
                self.changed.push(Change {
                    path,
                    from: None,
                    kind: lone.kind,
                    amount: amount(lone.kind, &lone.identity),
                });
            }
        }
    }

    fn finish(mut self) -> Changes {
        let mut moved = match self.inodes {
            InodeTrust::Stable => self.take_moves(),
            InodeTrust::None => Vec::new(),
        };
        self.rejoin();
        let line = |(path, lone): (RelPath, Lone)| Change {
            path,
            from: None,
            kind: lone.kind,
            amount: amount(lone.kind, &lone.identity),
        };
        moved.sort_by(|a, b| a.path.cmp(&b.path));
        let mut changed = self.changed;
        changed.sort_by(|a, b| a.path.cmp(&b.path));
        Changes {
            new: self.new.into_iter().map(line).collect(),
            changed,
            gone: self.gone.into_iter().map(line).collect(),
            moved,
            unknown: self
                .unknown
                .into_iter()
                .map(|(path, amount)| Change {
                    path,
                    from: None,
                    kind: EntryKind::Unknown,
                    amount,
                })
                .collect(),
            touched: self.touched,
            touched_paths: self.touched_paths,
        }
    }

    /// Pairs what is gone with what is new by inode, kind, size and time, where that is one to
    /// one: new path to old path.
    fn pairs(&self) -> BTreeMap<RelPath, RelPath> {
        let olds = by_file(&self.gone);
        let news = by_file(&self.new);
        let mut pairs: BTreeMap<RelPath, RelPath> = BTreeMap::new();
        for (key, from) in &olds {
            if let (Some(from), Some(Some(to))) = (from, news.get(key)) {
                pairs.insert(to.clone(), from.clone());
            }
        }
        pairs
    }

    /// Takes the pairs out, and joins what lies below a moved folder to it.
    fn take_moves(&mut self) -> Vec<Change> {
        let pairs = self.pairs();
        let mut lines: BTreeMap<RelPath, Change> = BTreeMap::new();
        let mut followed: BTreeSet<RelPath> = BTreeSet::new();
        // A folder sorts before what lies in it.
        for (to, from) in &pairs {
            let Some(lone) = self.new.remove(to) else {
                continue;
            };
            self.gone.remove(from);
            let moved = amount(lone.kind, &lone.identity);
            if let Some(head) = head_of(to, from, &pairs, &followed) {
                if let Some(line) = lines.get_mut(&head) {
                    line.amount.add(moved);
                }
                continue;
            }
            if lone.kind == EntryKind::Directory {
                followed.insert(to.clone());
            }
            let change = Change {
                path: to.clone(),
                from: Some(from.clone()),
                kind: lone.kind,
                amount: moved,
            };
            lines.insert(to.clone(), change);
        }
        lines.into_values().collect()
    }
}

/// The highest moved folder that took this entry along: same path below it on both sides.
fn head_of(
    to: &RelPath,
    from: &RelPath,
    pairs: &BTreeMap<RelPath, RelPath>,
    heads: &BTreeSet<RelPath>,
) -> Option<RelPath> {
    (0..to.depth())
        .filter_map(|depth| to.prefix(depth))
        .find(|folder| {
            heads.contains(folder)
                && pairs.get(folder).is_some_and(|origin| {
                    let rest = to.below(folder);
                    rest.is_some() && from.below(origin) == rest
                })
        })
}

/// Entries by what makes them the same; `None` where several share it (hard links).
fn by_file(lone: &BTreeMap<RelPath, Lone>) -> HashMap<FileKey, Option<RelPath>> {
    let mut found: HashMap<FileKey, Option<RelPath>> = HashMap::new();
    for (path, entry) in lone {
        found
            .entry(key_of(entry))
            .and_modify(|known| *known = None)
            .or_insert_with(|| Some(path.clone()));
    }
    found
}

type FileKey = (EntryKind, u64, u64, i64, u32);

/// A folder is known by its inode alone: its time changes with what lies in it.
fn key_of(lone: &Lone) -> FileKey {
    let id = &lone.identity;
    if lone.kind == EntryKind::Directory {
        return (lone.kind, id.inode, 0, 0, 0);
    }
    (lone.kind, id.inode, id.size.0, id.mtime.seconds, id.mtime.nanos)
}

fn amount_of(entry: &Entry) -> Amount {
    amount(entry.kind, &entry.identity())
}

fn amount(kind: EntryKind, identity: &Identity) -> Amount {
    match kind {
        EntryKind::File => Amount::one(identity.size),
        _ => Amount::default(),
    }
}

fn is_unknown(entry: &Entry) -> bool {
    entry.kind == EntryKind::Unknown || entry.error.is_some()
}

/// Whether something has to be moved again. Attributes alone (a ctime) do not make a change here;
/// release looks at them.
fn differs(old: &Entry, new: &Entry) -> bool {
    if old.kind != new.kind {
        return true;
    }
    match new.kind {
        EntryKind::File => old.size != new.size || old.mtime != new.mtime,
        EntryKind::Symlink => old.target != new.target,
        _ => false,
    }
}
