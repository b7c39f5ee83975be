//! What has come or changed at a source since the batches of its projects began.
//!
//! The newest index is compared with the one that the last batch of a project was begun from:
//! whatever that batch and those before it could know of lies in there. A difference that a copy
//! has met already (the file changed before it was read) is none.

use super::as_begun::AsBegun;
use super::batch::AtHand;
use super::desk::Desk;
use super::scan::newest_index;
use super::{changes, gather, store};
use crate::digest::Digest;
use crate::entry::{Entry, EntryKind};
use crate::index::Index;
use crate::ledger::BatchRow;
use crate::lifecycle::is_covered;
use crate::moment::Moment;
use crate::names::{RelPath, SourceName};
use crate::plan::{Batch, LockedBatch, Placed, Plan, Renames};
use crate::sizes::SizeHistogram;
use crate::survey::{Owner, ProjectKey, ProjectSummary};
use crate::trouble::Trouble;
use crate::units::Amount;
use std::collections::{BTreeMap, BTreeSet};

/// The later files of one project.
#[derive(Debug, Clone, Default)]
pub struct Late {
    /// Where they land below the dataset's folder, with the folders on the way.
    pub places: BTreeSet<RelPath>,
    /// Files and bytes.
    pub amount: Amount,
    /// Folders and symlinks.
    pub others: u64,
    /// The spread of their sizes.
    pub sizes: SizeHistogram,
    /// The newest time of modification among them.
    pub newest: Option<Moment>,
}

/// A project that a begun batch holds.
struct Begun {
    placed: Placed,
    dataset: String,
    /// The index of the last batch that holds it.
    last: Digest,
}

/// Later files by source and project.
pub type AllLate = BTreeMap<(SourceName, ProjectKey), Late>;

/// All later files of projects that begun batches hold.
///
/// # Errors
/// [`Trouble`] where ledger or index cannot be read.
pub fn all(desk: &Desk<'_>) -> Result<AllLate, Trouble> {
    all_but(desk, &BTreeSet::new())
}

/// As [`all`], without these paths, which come in another way.
///
/// # Errors
/// As [`all`].
pub fn all_but(desk: &Desk<'_>, but: &BTreeSet<(SourceName, RelPath)>) -> Result<AllLate, Trouble> {
    let mut begun: BTreeMap<SourceName, BTreeMap<ProjectKey, Begun>> = BTreeMap::new();
    for row in desk.ledger.batches()? {
        let (locked, _) = store::locked_of(&row.body)?;
        note(
            &row,
            &locked,
            begun.entry(locked.batch.source.clone()).or_default(),
        );
    }
    let mut found = AllLate::new();
    for (name, projects) in begun {
        let Some(source) = desk.settings.source(&name.0) else {
            continue;
        };
        let new = newest_index(desk, &name.0)?;
        let but = mine_of(&name, but);
        let finder = Finder {
            desk,
            exclude: gather::exclude(&desk.settings, source)?,
            membership: gather::membership(&desk.settings, source, &new),
            inodes_stay: gather::inodes_stay(source, &new),
            renames: Renames::new(&desk.settings.renames),
            new: &new,
            but: &but,
        };
        let mut late = BTreeMap::new();
        let last = projects.iter().map(|(key, begun)| (key.clone(), begun.last));
        let begun = AsBegun::new(desk, source, &new, last, |_| true)?;
        if !begun.is_empty() {
            finder.since(&begun, &projects, &mut late)?;
        }
        finder.edits(&projects, &mut late)?;
        late.retain(|_, late| late.amount.files + late.others > 0);
        found.extend(late.into_iter().map(|(key, late)| ((name.clone(), key), late)));
    }
    Ok(found)
}

fn note(row: &BatchRow, locked: &LockedBatch, into: &mut BTreeMap<ProjectKey, Begun>) {
    for placed in &locked.batch.projects {
        let begun = into.entry(placed.key.clone()).or_insert_with(|| Begun {
            placed: placed.clone(),
            dataset: row.dataset.clone(),
            last: row.index,
        });
        begun.last = row.index;
    }
}

struct Finder<'a> {
    desk: &'a Desk<'a>,
    exclude: crate::survey::exclude::Exclude,
    membership: crate::survey::Membership,
    inodes_stay: bool,
    renames: Renames,
    new: &'a Index,
    but: &'a BTreeSet<&'a RelPath>,
}

/// Those paths that are of this source.
fn mine_of<'a>(source: &SourceName, all: &'a BTreeSet<(SourceName, RelPath)>) -> BTreeSet<&'a RelPath> {
    let mine = all.iter().filter(|(of, _)| of == source);
    mine.map(|(_, path)| path).collect()
}

impl Finder<'_> {
    fn since(
        &self,
        begun: &AsBegun<'_>,
        projects: &BTreeMap<ProjectKey, Begun>,
        found: &mut BTreeMap<ProjectKey, Late>,
    ) -> Result<(), Trouble> {
        let differing = changes::since(begun, self.new)?;
        let come = differing.new.iter().chain(&differing.changed);
        // Two files of one size and time that have changed places look touched, no more: their
        // numbers tell.
        let touched = differing.touched_paths.iter().filter(|_| self.inodes_stay);
        let come = come.map(|change| &change.path).chain(touched);
        for path in come.filter(|path| !self.but.contains(path)) {
            let Some(entry) = self.new.entry(path)? else {
                continue;
            };
            let Some(key) = self.owner(path, &entry) else {
                continue;
            };
            let Some(begun) = projects.get(&key) else { continue };
            if !self.is_covered(begun, path, &entry)? {
                self.push(begun, path, &entry, found.entry(key).or_default());
            }
        }
        Ok(())
    }

    /// Edits of recorded files that size and times do not tell. Where they do, the file is among
    /// the changes already.
    fn edits(
        &self,
        projects: &BTreeMap<ProjectKey, Begun>,
        found: &mut BTreeMap<ProjectKey, Late>,
    ) -> Result<(), Trouble> {
        let datasets: BTreeSet<&str> = projects.values().map(|begun| begun.dataset.as_str()).collect();
        for dataset in datasets {
            for place in self.desk.ledger.edited_places(dataset)? {
                let mine = projects.iter().filter(|(_, begun)| begun.dataset == dataset);
                for (key, begun) in mine {
                    let Some(inside) = place.below(&begun.placed.place) else {
                        continue;
                    };
                    let path = self.renames.at_source(key, &inside);
                    let Some(entry) = self.new.entry(&path)? else {
                        continue;
                    };
                    let is_mine = self.owner(&path, &entry).as_ref() == Some(key);
                    if is_mine && self.is_covered(begun, &path, &entry)? {
                        self.push(begun, &path, &entry, found.entry(key.clone()).or_default());
                    }
                }
            }
        }
        Ok(())
    }

    /// Where something of a project lies below the dataset's folder.
    fn place(&self, begun: &Begun, path: &RelPath) -> Option<RelPath> {
        let key = &begun.placed.key;
        key.inside(path)?;
        Some(begun.placed.place.join_path(&self.renames.place(key, path)))
    }

    /// Whether size and times say that what was recorded is what there is.
    fn is_covered(&self, begun: &Begun, path: &RelPath, entry: &Entry) -> Result<bool, Trouble> {
        let Some(place) = self.place(begun, path) else {
            return Ok(true);
        };
        let fact = self.desk.ledger.record_at(&begun.dataset, &place)?;
        let seen = (entry.kind, entry.identity());
        Ok(fact.is_some_and(|fact| is_covered(seen, (fact.kind, fact.source), self.inodes_stay)))
    }

    fn owner(&self, path: &RelPath, entry: &Entry) -> Option<ProjectKey> {
        match self.membership.owner_at(path, entry) {
            Owner::Project(key) => Some(key),
            Owner::Above => None,
        }
    }

    fn push(&self, begun: &Begun, path: &RelPath, entry: &Entry, late: &mut Late) {
        let Some(place) = self.place(begun, path) else {
            return;
        };
        if self.exclude.rule_for_path(path, entry.kind).is_none() {
            match entry.kind {
                EntryKind::File => {
                    late.amount.add(Amount::one(entry.size));
                    late.sizes.push(entry.size);
                    late.newest = late.newest.max(Some(entry.mtime));
                }
                EntryKind::Symlink | EntryKind::Directory => late.others += 1,
                EntryKind::Special | EntryKind::Unknown => {}
            }
        }
        late.places.insert(place.clone());
        // The folders on the way have new times, which come with them.
        if let ProjectKey::Folder(_) = begun.placed.key {
            let least = begun.placed.place.depth().max(1);
            late.places
                .extend((least..place.depth()).filter_map(|depth| place.prefix(depth)));
        }
    }
}

/// The later files as projects to be planned: everything but their totals is as surveyed.
pub fn summaries(late: &AllLate, surveyed: &[ProjectSummary]) -> Vec<ProjectSummary> {
    let of = |project: &ProjectSummary| {
        let late = late.get(&(project.source.clone(), project.key.clone()))?;
        Some(ProjectSummary {
            amount: late.amount,
            others: late.others,
            sizes: late.sizes.clone(),
            newest: late.newest,
            linked_with: Vec::new(),
            ..project.clone()
        })
    };
    surveyed.iter().filter_map(of).collect()
}

/// Binds a batch of later files to what the newest scan knows: answers its places and gives it
/// their totals.
///
/// # Errors
/// As [`all`].
pub fn bind(desk: &Desk<'_>, batch: &mut Batch) -> Result<Vec<RelPath>, Trouble> {
    let mut late = all(desk)?;
    let mut places = Vec::new();
    let (mut amount, mut sizes) = (Amount::default(), SizeHistogram::default());
    for placed in &batch.projects {
        if let Some(late) = late.remove(&(batch.source.clone(), placed.key.clone())) {
            places.extend(late.places);
            amount.add(late.amount);
            sizes.merge(&late.sizes);
        }
    }
    (batch.amount, batch.sizes) = (amount, sizes);
    Ok(places)
}

/// The batches of later files in the plan that follow a batch: they hold files of its projects.
pub fn later_batches<'a>(plan: &'a Plan, batch: &'a Batch) -> impl Iterator<Item = &'a Batch> {
    let follow = plan
        .batches
        .iter()
        .skip_while(move |other| other.name != batch.name)
        .skip(1);
    follow.filter(move |other| other.delta && shares(other, batch))
}

/// Other batches that hold files of the same projects.
pub fn kin<'a>(plan: &'a Plan, batch: &'a Batch) -> impl Iterator<Item = &'a Batch> {
    let others = plan.batches.iter().filter(move |other| other.name != batch.name);
    others.filter(move |other| shares(other, batch))
}

fn shares(a: &Batch, b: &Batch) -> bool {
    a.source == b.source
        && a.projects
            .iter()
            .any(|one| b.projects.iter().any(|other| other.key == one.key))
}

/// What may lie in a folder at the destination beside a batch's own: what others have brought.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn names_of_others(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    place: &RelPath,
) -> Result<BTreeSet<Vec<u8>>, Trouble> {
    desk.ledger.names_at(&at_hand.dataset.name, place)
}
