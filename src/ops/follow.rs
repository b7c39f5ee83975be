//! Projects with another name at the source: found, told, and followed at the destination by a
//! rename instead of a copy.

use super::batch::{self, AtHand};
use super::desk::{Desk, is_alive, this_process};
use super::scan::{newest_index, open_index};
use super::{gather, plan as plans, store};
use crate::copy::follow as hand;
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::index::Index;
use crate::ledger::{BatchRow, Finished, FollowRow, IndexRow};
use crate::lifecycle::State;
use crate::lifecycle::follow::{self, Home, Refusal, Seen};
use crate::names::{RelPath, SourceName};
use crate::plan::{Inputs, LockedBatch, Plan, build};
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
    dataset: String,
    places: (RelPath, RelPath),
}

impl Renamed {
    /// In a sentence; `done` says whether it was carried out.
    pub fn words(&self, done: bool) -> String {
        let head = format!("The project {} is called {} now", self.from, self.to);
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
                    from,
                    to,
                });
            }
        }
        refuse_taken_names(&mut found, &source, &begun);
    }
    found.sort_by(|a, b| (&a.source, &a.from).cmp(&(&b.source, &b.from)));
    Ok(found)
}

fn begun(desk: &Desk<'_>) -> Result<AllBegun, Trouble> {
    let mut all = AllBegun::new();
    for row in desk.ledger.batches()? {
        let (locked, at) = store::locked_of(&row.body)?;
        for placed in &locked.batch.projects {
            let ProjectKey::Folder(path) = &placed.key else { continue };
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
    for path in mine.iter().filter(|path| known.iter().all(|(from, _)| from != *path)) {
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
    Ok(follow::renamed_by_likeness(&gone, &likeness(new, &mut fresh.into_iter())?))
}

fn seen(index: &Index, folder: &RelPath) -> Result<Seen, Trouble> {
    let mut seen = Seen {
        inode: index.entry(folder)?.map_or(0, |entry| entry.inode),
        files: BTreeMap::new(),
    };
    for listing in index.listings_below(folder) {
        let listing = listing?;
        let inside = listing.folder.below(folder).unwrap_or_default();
        for child in listing.children.iter().filter(|child| child.entry.kind == EntryKind::File) {
            if let Ok(path) = inside.join(&child.name) {
                seen.files.insert(path, child.entry.identity());
            }
        }
    }
    Ok(seen)
}

fn amount(seen: &Seen) -> Amount {
    let mut amount = Amount::default();
    seen.files.values().for_each(|id| amount.add(Amount::one(id.size)));
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

fn verdict(project: &Begun, home: Option<&Home>, old: &Seen, new: &Seen, trusted: bool) -> Result<(), Refusal> {
    if !trusted || old.inode != new.inode {
        return Err(Refusal::Inodes);
    }
    follow::is_same_project(old, new)?;
    let home = home.ok_or_else(|| Refusal::Batch("no batch takes it".into()))?;
    follow::is_a_rename(&project.home, home)?;
    if project.elsewhere {
        return Err(Refusal::Batch("it was taken over where it lay, by `adopt --at`".into()));
    }
    for row in &project.rows {
        match batch::state_of(Some(row)) {
            State::Released => return Err(Refusal::Batch(format!("the batch {} is released", row.name))),
            State::Waiting => return Err(Refusal::Batch(format!("the batch {} is only begun", row.name))),
            _ => {}
        }
    }
    Ok(())
}

fn refuse_taken_names(found: &mut [Renamed], source: &SourceName, begun: &BTreeMap<RelPath, Begun>) {
    let mine = |one: &&mut Renamed| one.source == *source && one.verdict.is_ok();
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

/// Begun batches as they would be after the renames: for a plan that is only shown.
pub fn as_followed(locked: &mut [LockedBatch], found: &[Renamed]) {
    for one in locked {
        let renames = keys_of(found, &one.batch.source, &one.dataset.name);
        store::rename_projects(&mut one.batch, &renames);
    }
}

type Keys = BTreeMap<RelPath, (RelPath, RelPath)>;

fn keys_of(found: &[Renamed], source: &SourceName, dataset: &str) -> Keys {
    let followed = found.iter().filter(|one| one.verdict.is_ok());
    let mine = followed.filter(|one| one.source == *source && one.dataset == dataset);
    mine.map(|one| (one.from.clone(), (one.to.clone(), one.places.1.clone())))
        .collect()
}

/// Follows what can be followed; the verdicts say afterwards what the destination did not allow.
///
/// # Errors
/// [`Trouble`] where an end is missing, another process works on a batch, or the ledger cannot be
/// written. What was recorded as begun is gone on with by the next command.
pub fn carry_out(desk: &mut Desk<'_>, found: &mut [Renamed]) -> Result<(), Trouble> {
    go_on(desk)?;
    let datasets: BTreeSet<(SourceName, String)> = found
        .iter()
        .filter(|one| one.verdict.is_ok())
        .map(|one| (one.source.clone(), one.dataset.clone()))
        .collect();
    for (source, dataset) in datasets {
        let mut mine: Vec<&mut Renamed> = found
            .iter_mut()
            .filter(|one| one.verdict.is_ok() && one.source == source && one.dataset == dataset)
            .collect();
        let rows = holding(desk, &source.0, &dataset)?;
        let Some(first) = rows.first().cloned() else { continue };
        alone(desk, &rows, |desk| {
            let at_hand = batch::open(desk, first)?;
            let intents = intents(desk, &at_hand, &mut mine)?;
            desk.ledger.begin_follows(&intents)?;
            finish(desk, &source.0, &dataset)
        })?;
    }
    Ok(())
}

/// Step 1, and what the intents say.
fn intents(desk: &mut Desk<'_>, at_hand: &AtHand, mine: &mut [&mut Renamed]) -> Result<Vec<FollowRow>, Trouble> {
    let target = batch::target(desk, at_hand)?;
    let dataset = &at_hand.dataset.name;
    let tag: String = desk.ledger.move_id()?.chars().take(8).collect();
    let leaving: BTreeSet<RelPath> = mine.iter().map(|one| one.places.0.clone()).collect();
    let mut rows = Vec::new();
    for (number, one) in mine.iter_mut().enumerate() {
        let taken = !leaving.contains(&one.places.1) && !hand::is_free(&target, &one.places.1)?;
        let ours = match taken {
            true => Err(format!("{} is at the destination already", one.places.1)),
            false => hand::look(&target, &desk.ledger, dataset, &one.places.0)?,
        };
        match ours {
            Err(why) => one.verdict = Err(Refusal::Destination(why)),
            Ok(ours) => rows.push(FollowRow {
                id: 0,
                dataset: dataset.clone(),
                source: one.source.0.clone(),
                keys: (one.from.clone(), one.to.clone()),
                places: one.places.clone(),
                aside: format!(".poolward-{tag}-renamed-{number}").into_bytes(),
                inode: ours.inode,
                amount: ours.amount,
            }),
        }
    }
    // One that stays keeps its name from the one that wanted it.
    let left: Vec<_> = rows.iter().map(|row| row.places.clone()).collect();
    let kept: BTreeSet<_> = follow::with_free_names(left, &leaving).into_iter().collect();
    rows.retain(|row| kept.contains(&row.places));
    for one in mine.iter_mut().filter(|one| one.verdict.is_ok()) {
        if !kept.contains(&one.places) {
            let why = format!("{} keeps its name at the destination", one.places.1);
            one.verdict = Err(Refusal::Destination(why));
        }
    }
    Ok(rows)
}

/// Goes on with renames that an earlier run has begun.
///
/// # Errors
/// As [`carry_out`]; `follow-conflict` where the destination was changed meanwhile.
pub fn go_on(desk: &mut Desk<'_>) -> Result<(), Trouble> {
    let sets: BTreeSet<(String, String)> = desk
        .ledger
        .follows()?
        .into_iter()
        .map(|row| (row.source, row.dataset))
        .collect();
    for (source, dataset) in sets {
        let rows = holding(desk, &source, &dataset)?;
        alone(desk, &rows, |desk| finish(desk, &source, &dataset))?;
    }
    Ok(())
}

/// Steps 3 to 5 of one dataset.
fn finish(desk: &mut Desk<'_>, source: &str, dataset: &str) -> Result<(), Trouble> {
    let mut follows = desk.ledger.follows()?;
    follows.retain(|row| row.source == source && row.dataset == dataset);
    let rows = holding(desk, source, dataset)?;
    let (Some(first), false) = (rows.first().cloned(), follows.is_empty()) else {
        return Ok(());
    };
    let at_hand = batch::open(desk, first)?;
    let target = batch::target(desk, &at_hand)?;
    hand::rename(&target, &follows)?;
    let renames: Keys = follows
        .iter()
        .map(|row| (row.keys.0.clone(), (row.keys.1.clone(), row.places.1.clone())))
        .collect();
    let pairs: Vec<_> = follows.iter().map(|row| row.keys.clone()).collect();
    let mut done = Finished::default();
    let mut indexes: BTreeMap<Digest, Digest> = BTreeMap::new();
    for row in &rows {
        let (mut locked, at) = store::locked_of(&row.body)?;
        if !store::rename_projects(&mut locked.batch, &renames) {
            continue;
        }
        let index = match indexes.get(&row.index) {
            Some(index) => *index,
            None => {
                let index = with_new_names(desk, row, &pairs, follows.first().map_or(0, |f| f.id))?;
                *indexes.entry(row.index).or_insert(index)
            }
        };
        done.batches
            .push((row.id, store::locked_text(&locked, at.as_deref())?, index));
    }
    if let Some(row) = desk.ledger.plan()? {
        let mut plan = store::plan_of(&row.body)?;
        rename_in_plan(&mut plan, &rows, &renames, source);
        done.plan = Some(store::plan_text(&plan)?);
    }
    let now = desk.now();
    desk.ledger.finish_follows(&follows, &done, now)?;
    desk.keep_ledger_copy()
}

/// The index of a batch with the new names. Made again by a run that goes on, it is the same.
fn with_new_names(
    desk: &mut Desk<'_>,
    row: &BatchRow,
    renames: &[(RelPath, RelPath)],
    number: i64,
) -> Result<Digest, Trouble> {
    let old = open_index(desk, &row.source, row.index)?;
    let known = desk.ledger.indexes(&row.source)?;
    let Some(known) = known.into_iter().find(|known| known.digest == row.index) else {
        return Err(Trouble::defect("an index that was opened is not known"));
    };
    let stem = known.file.trim_end_matches(".index");
    let file = format!("{stem}-renamed-{number}.index");
    let index = old.with_renamed(&desk.folder.join("indexes").join(&file), renames)?;
    let digest = index.digest();
    desk.ledger.keep_index(&IndexRow { digest, file, ..known })?;
    Ok(digest)
}

/// The stored plan under the new names. A project that waited there as a new one is no more.
fn rename_in_plan(plan: &mut Plan, rows: &[BatchRow], renames: &Keys, source: &str) {
    for batch in plan.batches.iter_mut().filter(|batch| batch.source.0 == source) {
        let begun = rows.iter().any(|row| row.name == batch.name.as_str());
        if begun || batch.delta {
            store::rename_projects(batch, renames);
            continue;
        }
        let is_followed = |key: &ProjectKey| {
            let to = |(to, _): &(RelPath, RelPath)| *key == ProjectKey::Folder(to.clone());
            renames.values().any(to)
        };
        batch.projects.retain(|placed| !is_followed(&placed.key));
    }
    plan.batches.retain(|batch| !batch.projects.is_empty());
}

/// Begun batches of one source in one dataset.
fn holding(desk: &Desk<'_>, source: &str, dataset: &str) -> Result<Vec<BatchRow>, Trouble> {
    let mut rows = desk.ledger.batches()?;
    rows.retain(|row| row.source == source && row.dataset == dataset);
    Ok(rows)
}

/// Runs `work` as the one writer of all these batches.
fn alone<T>(
    desk: &mut Desk<'_>,
    rows: &[BatchRow],
    work: impl FnOnce(&mut Desk<'_>) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    let mine = this_process(desk.now());
    let mut held = Vec::new();
    let mut busy = None;
    for row in rows {
        match desk.ledger.take_lease(&row.name, &mine, is_alive)? {
            Ok(()) => held.push(&row.name),
            Err(holder) => {
                busy = Some((row, holder));
                break;
            }
        }
    }
    let done = match busy {
        None => work(desk),
        Some((row, holder)) => Err(Trouble::stopped(
            "batch-busy",
            format!("the batch {} is worked on by process {}", row.name, holder.process),
        )
        .mend("Let it end, then run the same command again: a folder of its dataset is to be renamed.")),
    };
    for name in held {
        desk.ledger.drop_lease(name)?;
    }
    done
}
