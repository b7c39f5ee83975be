//! Files of begun batches that lie elsewhere at the source now: found and judged. Whole folders under
//! another name are `follow`'s; what lies below one that can be followed is looked at when it was.

use super::as_begun::AsBegun;
use super::desk::Desk;
use super::follow::{self, Renamed};
use super::scan::{newest_index, open_index};
use super::{changes, gather, store};
use crate::digest::Digest;
use crate::entry::{Entry, EntryKind};
use crate::index::Index;
use crate::ledger::{BatchRow, FileRecord};
use crate::lifecycle::is_covered;
use crate::lifecycle::moves::{Doubt, is_same_file, with_free_places};
use crate::names::{RelPath, SourceName};
use crate::plan::{Placed, Renames};
use crate::survey::changes::{InodeTrust, Move};
use crate::survey::exclude::Exclude;
use crate::survey::{Membership, Owner, ProjectKey};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// A file or symlink that lies elsewhere now.
#[derive(Debug, Clone)]
pub struct Moved {
    /// Its path at the source before and now.
    pub keys: (RelPath, RelPath),
    /// Its place below the dataset's folder now; the old one is its record's.
    pub to: RelPath,
    /// The batch that has recorded it.
    pub batch: i64,
    /// What is recorded of it.
    pub record: FileRecord,
    /// Whether the destination can follow, or why not.
    pub verdict: Result<(), Doubt>,
}

/// Moved files of one source in one dataset.
#[derive(Debug, Clone, Default)]
pub struct Group {
    /// The files.
    pub files: Vec<Moved>,
    /// Folders that come with those that can be followed, by path at the source: their places.
    pub made: BTreeMap<RelPath, RelPath>,
    /// Folders that are gone at the source and may be left empty.
    pub left: BTreeMap<RelPath, RelPath>,
    /// Folders in which something comes or goes.
    pub timed: BTreeMap<RelPath, RelPath>,
}

/// All of them, by source and dataset.
#[derive(Debug, Clone, Default)]
pub struct Found {
    /// The groups.
    pub groups: BTreeMap<(SourceName, String), Group>,
}

impl Found {
    /// Files that can be followed.
    pub fn followed(&self) -> Amount {
        self.files().filter(|one| one.verdict.is_ok()).map(amount).sum()
    }

    /// Files that cannot, by the reason in words.
    pub fn doubted(&self) -> BTreeMap<String, Amount> {
        let mut found: BTreeMap<String, Amount> = BTreeMap::new();
        for one in self.files() {
            if let Err(doubt) = &one.verdict {
                found.entry(doubt.words()).or_default().add(amount(one));
            }
        }
        found
    }

    /// Whether nothing is to be followed: neither a file nor a folder.
    pub fn is_at_rest(&self) -> bool {
        let rests = |group: &Group| group.made.is_empty() && group.files.iter().all(|f| f.verdict.is_err());
        self.groups.values().all(rests)
    }

    /// Paths at the sources that come by a rename, and so by no batch of later files.
    pub fn coming(&self) -> BTreeSet<(SourceName, RelPath)> {
        let mut all = BTreeSet::new();
        for ((source, _), group) in &self.groups {
            let files = group.files.iter().filter(|one| one.verdict.is_ok());
            let paths = files.map(|one| &one.keys.1).chain(group.made.keys());
            all.extend(paths.map(|path| (source.clone(), path.clone())));
        }
        all
    }

    /// What is to be said of them; `done` says whether it was carried out.
    pub fn sentences(&self, done: bool) -> Vec<String> {
        let mut lines = Vec::new();
        let followed = self.followed();
        if followed.files > 0 {
            let what = format!("{followed} of begun batches moved at the source");
            lines.push(match done {
                true => format!("{what}: followed by a rename at the destination, 0 bytes sent."),
                false => {
                    format!("{what}: `plan --accept` renames them at the destination too, 0 bytes sent.")
                }
            });
        }
        for (why, amount) in self.doubted() {
            lines.push(format!(
                "{amount} of begun batches moved at the source and come as later files, because: {why}."
            ));
        }
        lines
    }

    fn files(&self) -> impl Iterator<Item = &Moved> {
        self.groups.values().flat_map(|group| &group.files)
    }
}

fn amount(one: &Moved) -> Amount {
    match one.record.kind {
        EntryKind::File => Amount::one(one.record.source.size),
        _ => Amount::one(Bytes::ZERO),
    }
}

/// A project that begun batches of one dataset hold.
struct Held {
    placed: Placed,
    dataset: String,
    rows: Vec<BatchRow>,
    last: Digest,
    elsewhere: bool,
}

type Projects = BTreeMap<ProjectKey, Held>;

/// Files of begun batches that lie elsewhere in the newest scans. `renamed` are the folders that got
/// another name. Nothing at the destination is looked at yet.
///
/// # Errors
/// [`Trouble`] where ledger or index cannot be read.
pub fn find(desk: &Desk<'_>, renamed: &[Renamed]) -> Result<Found, Trouble> {
    let mut found = Found::default();
    for (name, projects) in held(desk)? {
        let Some(source) = desk.settings.source(&name.0) else {
            continue;
        };
        let new = newest_index(desk, &name.0)?;
        let last = projects.iter().map(|(key, held)| (key.clone(), held.last));
        let trusted = |old: &Index| gather::trust(source, old, &new) == InodeTrust::Stable;
        let old = AsBegun::new(desk, source, &new, last, trusted)?;
        if old.is_empty() {
            continue;
        }
        let finder = Finder {
            desk,
            source: &name,
            exclude: gather::exclude(&desk.settings, source)?,
            renames: Renames::new(&desk.settings.renames),
            membership: gather::membership(&desk.settings, source, &new),
            projects: &projects,
            old: &old,
            new: &new,
            folders: RefCell::default(),
        };
        finder.all(renamed, &mut found)?;
    }
    Ok(found)
}

fn held(desk: &Desk<'_>) -> Result<BTreeMap<SourceName, Projects>, Trouble> {
    let mut all: BTreeMap<SourceName, Projects> = BTreeMap::new();
    for row in desk.ledger.batches()? {
        let (locked, at) = store::locked_of(&row.body)?;
        let of = all.entry(locked.batch.source.clone()).or_default();
        for placed in &locked.batch.projects {
            let held = of.entry(placed.key.clone()).or_insert_with(|| Held {
                placed: placed.clone(),
                dataset: row.dataset.clone(),
                rows: Vec::new(),
                last: row.index,
                elsewhere: false,
            });
            held.last = row.index;
            held.elsewhere |= at.is_some() || row.dataset != held.dataset;
            held.rows.push(row.clone());
        }
    }
    Ok(all)
}

struct Finder<'a> {
    desk: &'a Desk<'a>,
    source: &'a SourceName,
    exclude: Exclude,
    renames: Renames,
    membership: Membership,
    projects: &'a Projects,
    old: &'a AsBegun<'a>,
    new: &'a Index,
    folders: RefCell<HashMap<(bool, RelPath), bool>>,
}

impl Finder<'_> {
    fn all(&self, renamed: &[Renamed], found: &mut Found) -> Result<(), Trouble> {
        let folders = renamed
            .iter()
            .filter(|one| one.verdict.is_ok() && one.source == *self.source);
        let folders: Vec<&RelPath> = folders.map(|one| &one.from).collect();
        let mut files: BTreeMap<String, Vec<(Moved, &Held, &Held)>> = BTreeMap::new();
        let mut pairs: Vec<(&Held, Move)> = Vec::new();
        for one in changes::moves_since(self.old, self.new)? {
            if folders.iter().any(|folder| one.from.below(folder).is_some()) {
                continue;
            }
            let Some(held) = self.owner(&one.from, &one.was) else {
                continue;
            };
            if one.is.kind == EntryKind::Directory {
                pairs.push((held, one));
                continue;
            }
            let home = self.owner(&one.to, &one.is).filter(|home| home.last == held.last);
            if let Some(moved) = self.judge(held, home, &one)? {
                let of = files.entry(held.dataset.clone()).or_default();
                of.push((moved, held, home.unwrap_or(held)));
            }
        }
        for (dataset, files) in files {
            let (mut moved, homes): (Vec<Moved>, Vec<_>) =
                files.into_iter().map(|(one, from, to)| (one, (from, to))).unzip();
            self.settle_places(&dataset, &mut moved)?;
            let group = found.groups.entry((self.source.clone(), dataset)).or_default();
            let followed = moved.iter().zip(homes).filter(|(one, _)| one.verdict.is_ok());
            for (one, (from, to)) in followed {
                self.note_above(from, &one.keys.0, true, group)?;
                self.note_above(to, &one.keys.1, false, group)?;
            }
            group.files.append(&mut moved);
        }
        for (held, pair) in &pairs {
            let key = (self.source.clone(), held.dataset.clone());
            self.note_pair(held, pair, found.groups.entry(key).or_default())?;
        }
        found
            .groups
            .retain(|_, group| !group.files.is_empty() || !group.made.is_empty());
        Ok(())
    }

    /// The project held that something belongs to.
    fn owner(&self, path: &RelPath, entry: &Entry) -> Option<&Held> {
        match self.membership.owner_at(path, entry) {
            Owner::Project(key) if self.old.holds(&key) => self.projects.get(&key),
            Owner::Project(_) | Owner::Above => None,
        }
    }

    /// A moved file with what stands against following it; `None` where no copy of it is known.
    fn judge(&self, held: &Held, home: Option<&Held>, one: &Move) -> Result<Option<Moved>, Trouble> {
        let Some(from) = self.place(held, &one.from) else {
            return Ok(None);
        };
        let ledger = &self.desk.ledger;
        let mut holders = ledger.holders(&held.dataset, &from)?;
        let several = holders.len() > 1;
        let Some((batch, record)) = holders.pop() else {
            return Ok(None);
        };
        let mut moved = Moved {
            keys: (one.from.clone(), one.to.clone()),
            to: RelPath::root(),
            batch,
            record,
            verdict: Err(Doubt::Elsewhere),
        };
        let Some(home) = home else {
            return Ok(Some(moved));
        };
        let is = &one.is;
        let mine = home.rows.iter().any(|row| row.id == batch);
        let (Some(to), true) = (self.place(home, &one.to), mine && home.dataset == held.dataset) else {
            return Ok(Some(moved));
        };
        moved.to = to;
        let read = (moved.record.kind, moved.record.source);
        moved.verdict = match () {
            () if self.exclude.rule_for_path(&one.to, is.kind).is_some() => Err(Doubt::Excluded),
            () if several || ledger.is_open(&held.dataset, &from)? => Err(Doubt::Open),
            () if !is_covered((is.kind, is.identity()), read, true) => Err(Doubt::Changed),
            () => is_same_file(&one.was, is)
                .and_then(|()| can_follow(held))
                .and_then(|()| can_follow(home)),
        };
        Ok(Some(moved))
    }

    /// Leaves out what wants a place that is not free.
    fn settle_places(&self, dataset: &str, files: &mut [Moved]) -> Result<(), Trouble> {
        let others = self.indexes_of(files)?;
        let mut taken: BTreeSet<RelPath> = BTreeSet::new();
        let wanted: Vec<usize> = (0..files.len()).filter(|n| files[*n].verdict.is_ok()).collect();
        for one in wanted.iter().map(|n| &files[*n]) {
            let mut known = self.desk.ledger.is_known(dataset, &one.to)?;
            for index in &others {
                known = known || index.entry(&one.keys.1)?.is_some();
            }
            if known {
                taken.insert(one.to.clone());
            }
        }
        let pairs: Vec<_> = wanted
            .iter()
            .map(|n| (&files[*n].record.place, &files[*n].to))
            .collect();
        let verdicts = with_free_places(&pairs, |place| taken.contains(place));
        for (number, verdict) in wanted.into_iter().zip(verdicts) {
            files[number].verdict = verdict;
        }
        Ok(())
    }

    /// The indexes of all batches that hold these files' projects.
    fn indexes_of(&self, files: &[Moved]) -> Result<Vec<Index>, Trouble> {
        let mut digests: BTreeSet<[u8; 32]> = BTreeSet::new();
        let paths: BTreeSet<&RelPath> = files.iter().flat_map(|one| [&one.keys.0, &one.keys.1]).collect();
        for (key, held) in self.projects {
            let mine = |path: &&RelPath| key.inside(path).is_some();
            if paths.iter().any(mine) {
                digests.extend(held.rows.iter().map(|row| row.index.0));
            }
        }
        let open = |digest| open_index(self.desk, &self.source.0, Digest(digest));
        digests.into_iter().map(open).collect()
    }

    /// A folder that moved inside its project, also where it is empty.
    fn note_pair(&self, held: &Held, pair: &Move, group: &mut Group) -> Result<(), Trouble> {
        let ProjectKey::Folder(project) = &held.placed.key else {
            return Ok(());
        };
        let inside = |path: &RelPath| path.below(project).is_some_and(|inside| !inside.is_root());
        let (from, to) = (self.place(held, &pair.from), self.place(held, &pair.to));
        let (Some(from), Some(to), true) = (from, to, inside(&pair.from) && inside(&pair.to)) else {
            return Ok(());
        };
        if can_follow(held).is_err() || self.exclude.rule_for_path(&pair.to, pair.is.kind).is_some() {
            return Ok(());
        }
        if self.old.entry(&pair.to)?.is_none() {
            self.note_above(held, &pair.to, false, group)?;
            group.made.insert(pair.to.clone(), to);
        }
        if self.new.entry(&pair.from)?.is_none() {
            self.note_above(held, &pair.from, true, group)?;
            group.left.insert(pair.from.clone(), from);
        }
        Ok(())
    }

    /// The folders above something, up to its project's own: made, left, or of another time.
    fn note_above(
        &self,
        held: &Held,
        path: &RelPath,
        leaves: bool,
        group: &mut Group,
    ) -> Result<(), Trouble> {
        let least = match &held.placed.key {
            ProjectKey::Folder(project) => project.depth(),
            ProjectKey::Loose(_) => 0,
        };
        for depth in (least..path.depth()).rev() {
            let Some(folder) = path.prefix(depth) else {
                continue;
            };
            let Some(place) = self.place(held, &folder) else {
                continue;
            };
            let own = depth == least || folder.is_root();
            match leaves {
                true if !own && !self.is_folder(false, &folder)? => group.left.insert(folder, place),
                false if !own && !self.is_folder(true, &folder)? => group.made.insert(folder, place),
                // Folders above projects are nobody's to put right.
                _ if matches!(held.placed.key, ProjectKey::Loose(_)) => break,
                _ => {
                    group.timed.insert(folder, place);
                    break;
                }
            };
        }
        Ok(())
    }
}

impl Finder<'_> {
    /// Where something of a project lies below the dataset's folder.
    fn place(&self, held: &Held, path: &RelPath) -> Option<RelPath> {
        held.placed.key.inside(path)?;
        let inside = self.renames.place(&held.placed.key, path);
        Some(held.placed.place.join_path(&inside))
    }

    /// Whether one of the scans saw a folder there. Many files share their folders, and each look is
    /// into another block of the index.
    fn is_folder(&self, old: bool, path: &RelPath) -> Result<bool, Trouble> {
        let key = (old, path.clone());
        if let Some(known) = self.folders.borrow().get(&key) {
            return Ok(*known);
        }
        let entry = match old {
            true => self.old.entry(path)?,
            false => self.new.entry(path)?,
        };
        let is = entry.is_some_and(|entry| entry.kind == EntryKind::Directory);
        self.folders.borrow_mut().insert(key, is);
        Ok(is)
    }
}

fn can_follow(held: &Held) -> Result<(), Doubt> {
    match follow::can_follow(&held.rows, held.elsewhere) {
        Ok(()) => Ok(()),
        Err(refusal) => Err(Doubt::Batch(refusal.reason())),
    }
}
