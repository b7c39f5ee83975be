//! Begun projects, and folders in them, that have another name at the source: found and judged.

use super::desk::Desk;
use super::scan::{newest_index, open_index};
use super::{batch, gather, plan as plans, store};
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::index::Index;
use crate::ledger::BatchRow;
use crate::lifecycle::State;
use crate::lifecycle::follow::{self, Home, Refusal, Seen};
use crate::names::{RelPath, SourceName};
use crate::plan::{Inputs, LockedBatch, Renames, build};
use crate::survey::changes::InodeTrust;
use crate::survey::{ProjectKey, ProjectSummary};
use crate::trouble::Trouble;
use crate::units::Amount;
use std::collections::{BTreeMap, BTreeSet};

/// A begun project that is called otherwise at the source now.
#[derive(Debug, Clone)]
pub struct Renamed {
    /// The source.
    pub source: SourceName,
    /// Its path there before.
    pub from: RelPath,
    /// Its path there now.
    pub to: RelPath,
    /// Its files before.
    pub amount: Amount,
    /// Whether the destination can follow, or why not.
    pub verdict: Result<(), Refusal>,
    /// Whether it is a folder inside a project, not a project.
    pub inside: bool,
    pub(super) dataset: String,
    pub(super) places: (RelPath, RelPath),
}

impl Renamed {
    /// In a sentence; `done` says whether it was carried out.
    pub fn words(&self, done: bool) -> String {
        let what = if self.inside { "folder" } else { "project" };
        let head = format!("The {what} {} is called {} now", self.from, self.to);
        match (&self.verdict, done) {
            (Ok(()), true) => format!("{head}: folder renamed at source, followed, 0 bytes sent."),
            (Ok(()), false) => {
                format!("{head}: `plan --accept` renames it at the destination too, 0 bytes sent.")
            }
            (Err(why), _) => format!("{head}: {}.", why.words()),
        }
    }
}

/// A project that begun batches hold.
struct Begun {
    rows: Vec<BatchRow>,
    home: Home,
    dataset: String,
    elsewhere: bool,
}

type AllBegun = BTreeMap<SourceName, BTreeMap<RelPath, Begun>>;

/// The begun projects that have another name in the newest scans, in byte order of their sources
/// and old names. Nothing at the destination is looked at yet.
///
/// # Errors
/// [`Trouble`] where ledger or index cannot be read.
pub fn find(desk: &Desk<'_>, projects: &[ProjectSummary]) -> Result<Vec<Renamed>, Trouble> {
    let mut found = Vec::new();
    let mut homes: Option<BTreeMap<(SourceName, RelPath), Home>> = None;
    let renames = Renames::new(&desk.settings.renames);
    for (source, begun) in begun(desk)? {
        let Some(settings) = desk.settings.source(&source.0) else {
            continue;
        };
        let new = newest_index(desk, &source.0)?;
        let now: BTreeSet<RelPath> = folders_of(projects, &source);
        for (digest, mine) in by_index(&begun) {
            if digest == new.digest() {
                continue;
            }
            let old = open_index(desk, &source.0, digest)?;
            let trusted = gather::trust(settings, &old, &new) == InodeTrust::Stable;
            for (from, to) in pairs(&old, &new, &mine, &now, trusted)? {
                let Some(project) = begun.get(&from) else { continue };
                let homes = match &homes {
                    Some(homes) => homes,
                    None => homes.insert(homes_now(desk, projects)?),
                };
                let home = homes.get(&(source.clone(), to.clone()));
                let seen = seen(&old, &from)?;
                found.push(Renamed {
                    amount: amount(&seen),
                    verdict: verdict(project, home, &seen, &self::seen(&new, &to)?, trusted),
                    dataset: project.dataset.clone(),
                    places: (
                        project.home.place.clone(),
                        home.map(|home| home.place.clone()).unwrap_or_default(),
                    ),
                    source: source.clone(),
                    inside: false,
                    from,
                    to,
                });
            }
            if trusted {
                for path in &mine {
                    found.extend(inside((&source, &renames), path, &begun[path], &old, &new)?);
                }
            }
        }
        refuse_taken_names(&mut found, &source, &begun);
    }
    refuse_renamed_inside(desk, &mut found);
    found.sort_by(|a, b| (&a.source, &a.from).cmp(&(&b.source, &b.from)));
    Ok(found)
}

fn begun(desk: &Desk<'_>) -> Result<AllBegun, Trouble> {
    let mut all = AllBegun::new();
    for row in desk.ledger.batches()? {
        let (locked, at) = store::locked_of(&row.body)?;
        for placed in &locked.batch.projects {
            let ProjectKey::Folder(path) = &placed.key else {
                continue;
            };
            let of = all.entry(locked.batch.source.clone()).or_default();
            let project = of.entry(path.clone()).or_insert_with(|| Begun {
                rows: Vec::new(),
                home: Home {
                    destination: locked.dataset.destination.clone(),
                    folder: locked.dataset.folder.clone(),
                    place: placed.place.clone(),
                },
                dataset: row.dataset.clone(),
                elsewhere: false,
            });
            project.elsewhere |= at.is_some();
            project.rows.push(row.clone());
        }
    }
    Ok(all)
}

fn folders_of(projects: &[ProjectSummary], source: &SourceName) -> BTreeSet<RelPath> {
    let folder = |project: &ProjectSummary| match &project.key {
        ProjectKey::Folder(path) if project.source == *source => Some(path.clone()),
        _ => None,
    };
    projects.iter().filter_map(folder).collect()
}

/// Begun projects by the index of the last batch that holds them.
fn by_index(begun: &BTreeMap<RelPath, Begun>) -> BTreeMap<Digest, Vec<RelPath>> {
    let mut found: BTreeMap<Digest, Vec<RelPath>> = BTreeMap::new();
    for (path, project) in begun {
        if let Some(last) = project.rows.last() {
            found.entry(last.index).or_default().push(path.clone());
        }
    }
    found
}

/// Old and new names, by inode where these hold, then by likeness of projects gone and new.
fn pairs(
    old: &Index,
    new: &Index,
    mine: &[RelPath],
    now: &BTreeSet<RelPath>,
    trusted: bool,
) -> Result<Vec<(RelPath, RelPath)>, Trouble> {
    let mut found = Vec::new();
    if trusted {
        let inodes = |index: &Index, paths: &mut dyn Iterator<Item = &RelPath>| {
            let mut found = BTreeMap::new();
            for path in paths {
                if let Some(entry) = index.entry(path)? {
                    found.insert(path.clone(), entry.inode);
                }
            }
            Ok::<_, Trouble>(found)
        };
        let (olds, news) = (inodes(old, &mut mine.iter())?, inodes(new, &mut now.iter())?);
        found = follow::renamed_by_inode(&olds, &news);
    }
    found.extend(likely(old, new, mine, now, &found)?);
    Ok(found)
}

/// Of the projects whose inode says nothing, those that are gone while one with the same files came.
fn likely(
    old: &Index,
    new: &Index,
    mine: &[RelPath],
    now: &BTreeSet<RelPath>,
    known: &[(RelPath, RelPath)],
) -> Result<Vec<(RelPath, RelPath)>, Trouble> {
    let likeness = |index: &Index, paths: &mut dyn Iterator<Item = &RelPath>| {
        let mut found = BTreeMap::new();
        for path in paths {
            let seen = seen(index, path)?;
            if !seen.files.is_empty() {
                let facts = |(path, id): (RelPath, crate::entry::Identity)| (path, id.size, id.mtime);
                let files: Vec<_> = seen.files.into_iter().map(facts).collect();
                found.insert(path.clone(), Digest::of(format!("{files:?}").as_bytes()));
            }
        }
        Ok::<_, Trouble>(found)
    };
    let mut gone = Vec::new();
    for path in mine
        .iter()
        .filter(|path| known.iter().all(|(from, _)| from != *path))
    {
        if new.entry(path)?.is_none() {
            gone.push(path);
        }
    }
    if gone.is_empty() {
        return Ok(Vec::new());
    }
    let mut fresh = Vec::new();
    for path in now.iter().filter(|path| known.iter().all(|(_, to)| to != *path)) {
        if old.entry(path)?.is_none() {
            fresh.push(path);
        }
    }
    let gone = likeness(old, &mut gone.into_iter())?;
    Ok(follow::renamed_by_likeness(
        &gone,
        &likeness(new, &mut fresh.into_iter())?,
    ))
}

fn seen(index: &Index, folder: &RelPath) -> Result<Seen, Trouble> {
    let mut seen = Seen {
        inode: index.entry(folder)?.map_or(0, |entry| entry.inode),
        files: BTreeMap::new(),
    };
    for piece in index.pieces_below(folder) {
        let listing = piece?.listing;
        let inside = listing.folder.below(folder).unwrap_or_default();
        for child in listing
            .children
            .iter()
            .filter(|child| child.entry.kind == EntryKind::File)
        {
            if let Ok(path) = inside.join(&child.name) {
                seen.files.insert(path, child.entry.identity());
            }
        }
    }
    Ok(seen)
}

/// Folders inside a project that have another name in the same folder. What lies below one is
/// looked at when that one was followed.
fn inside(
    (source, renames): (&SourceName, &Renames),
    path: &RelPath,
    project: &Begun,
    old: &Index,
    new: &Index,
) -> Result<Vec<Renamed>, Trouble> {
    let folders = |index: &Index| {
        let mut found = BTreeMap::new();
        for piece in index.pieces_below(path) {
            let listing = piece?.listing;
            for child in listing
                .children
                .iter()
                .filter(|c| c.entry.kind == EntryKind::Directory)
            {
                if let Ok(at) = listing.folder.join(&child.name) {
                    found.insert(at, child.entry.inode);
                }
            }
        }
        Ok::<_, Trouble>(found)
    };
    let mut found = Vec::new();
    let above = |path: &RelPath| path.split().map(|(above, _)| above);
    for (from, to) in follow::renamed_by_inode(&folders(old)?, &folders(new)?) {
        if from.below(path).is_none() || to.below(path).is_none() || above(&from) != above(&to) {
            continue;
        }
        let place = |at: &RelPath| renames.inside(path, &at.below(path).unwrap_or_default());
        let seen = seen(old, &from)?;
        found.push(Renamed {
            source: source.clone(),
            amount: amount(&seen),
            verdict: follow::is_same_project(&seen, &self::seen(new, &to)?)
                .and_then(|()| can_follow(&project.rows, project.elsewhere)),
            inside: true,
            dataset: project.dataset.clone(),
            places: (
                project.home.place.join_path(&place(&from)),
                project.home.place.join_path(&place(&to)),
            ),
            from,
            to,
        });
    }
    Ok(found)
}

fn amount(seen: &Seen) -> Amount {
    let mut amount = Amount::default();
    seen.files
        .values()
        .for_each(|id| amount.add(Amount::one(id.size)));
    amount
}

/// Where every project would land if nothing had begun: by the rules alone.
fn homes_now(
    desk: &Desk<'_>,
    projects: &[ProjectSummary],
) -> Result<BTreeMap<(SourceName, RelPath), Home>, Trouble> {
    let inputs = Inputs {
        projects,
        ..Inputs::default()
    };
    let (plan, _) = build(&inputs, &plans::rules(desk))?;
    let mut homes = BTreeMap::new();
    for batch in &plan.batches {
        let Some(dataset) = plan.datasets.iter().find(|d| d.name == batch.dataset) else {
            continue;
        };
        for placed in &batch.projects {
            if let ProjectKey::Folder(path) = &placed.key {
                let home = Home {
                    destination: dataset.destination.clone(),
                    folder: dataset.folder.clone(),
                    place: placed.place.clone(),
                };
                homes.insert((batch.source.clone(), path.clone()), home);
            }
        }
    }
    Ok(homes)
}

fn verdict(
    project: &Begun,
    home: Option<&Home>,
    old: &Seen,
    new: &Seen,
    trusted: bool,
) -> Result<(), Refusal> {
    if !trusted || old.inode != new.inode {
        return Err(Refusal::Inodes);
    }
    follow::is_same_project(old, new)?;
    let home = home.ok_or_else(|| Refusal::Batch("no batch takes it".into()))?;
    follow::is_a_rename(&project.home, home)?;
    can_follow(&project.rows, project.elsewhere)
}

/// Whether the batches that hold a project allow it.
pub(super) fn can_follow(rows: &[BatchRow], elsewhere: bool) -> Result<(), Refusal> {
    if elsewhere {
        return Err(Refusal::Batch(
            "it was taken over where it lay, by `adopt --at`".into(),
        ));
    }
    for row in rows {
        match batch::state_of(Some(row)) {
            State::Released => return Err(Refusal::Batch(format!("the batch {} is released", row.name))),
            State::Waiting => return Err(Refusal::Batch(format!("the batch {} is only begun", row.name))),
            _ => {}
        }
    }
    Ok(())
}

fn refuse_taken_names(found: &mut [Renamed], source: &SourceName, begun: &BTreeMap<RelPath, Begun>) {
    let mine = |one: &&mut Renamed| one.source == *source && !one.inside && one.verdict.is_ok();
    let pair = |one: &mut Renamed| (one.from.clone(), one.to.clone());
    let wanted = found.iter_mut().filter(mine).map(pair).collect();
    let free: BTreeSet<_> = follow::with_free_names(wanted, &begun.keys().cloned().collect())
        .into_iter()
        .collect();
    for one in found.iter_mut().filter(mine) {
        if !free.contains(&(one.from.clone(), one.to.clone())) {
            one.verdict = Err(Refusal::Begun);
        }
    }
}

/// A name that changes on the way is told by its whole path at the source: below a folder with another
/// name it would be another one.
fn refuse_renamed_inside(desk: &Desk<'_>, found: &mut [Renamed]) {
    let below = |folder: &RelPath| {
        let rules = desk.settings.renames.iter();
        let mut inside = rules.filter_map(|rule| rule.from.below(folder));
        inside.any(|inside| !inside.is_root())
    };
    for one in found.iter_mut().filter(|one| one.verdict.is_ok()) {
        if below(&one.from) || below(&one.to) {
            let why = "a [[rename]] names a path in it".to_string();
            one.verdict = Err(Refusal::Batch(why));
        }
    }
}

/// Begun batches as they would be after the renames: for a plan that is only shown.
pub fn as_followed(locked: &mut [LockedBatch], found: &[Renamed]) {
    for one in locked {
        let renames = keys_of(found, &one.batch.source, &one.dataset.name);
        store::rename_projects(&mut one.batch, &renames);
    }
}

/// Old key to new key and place.
pub(super) type Keys = BTreeMap<RelPath, (RelPath, RelPath)>;

fn keys_of(found: &[Renamed], source: &SourceName, dataset: &str) -> Keys {
    let followed = found.iter().filter(|one| one.verdict.is_ok());
    let mine = followed.filter(|one| !one.inside && one.source == *source && one.dataset == dataset);
    mine.map(|one| (one.from.clone(), (one.to.clone(), one.places.1.clone())))
        .collect()
}
