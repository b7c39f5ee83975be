//! Folders renamed at the source, followed at the destination by a rename instead of a copy.

use super::away;
use super::batch::{self, AtHand};
use super::desk::{Desk, is_alive, this_process};
use super::follow::{Keys, Renamed, find};
use super::scan::{index_row, open_index};
use super::store;
use crate::copy::follow as hand;
use crate::digest::Digest;
use crate::ledger::{BatchRow, Finished, FollowRow, IndexRow};
use crate::lifecycle::follow::{self, Refusal};
use crate::names::{RelPath, SourceName};
use crate::plan::{Batch, Plan};
use crate::survey::{ProjectKey, ProjectSummary};
use crate::trouble::Trouble;
use crate::world::OsFs;
use std::collections::{BTreeMap, BTreeSet};

/// A folder in a renamed folder is looked at after that one: so deep at most by one command.
const ROUNDS: usize = 8;

/// Follows all that can be followed, and says of everything what became of it.
///
/// # Errors
/// [`Trouble`] where an end is missing, another process works on a batch, or the ledger cannot be
/// written. What was recorded as begun is gone on with by the next command.
pub fn all(desk: &mut Desk<'_>, projects: &[ProjectSummary]) -> Result<Vec<Renamed>, Trouble> {
    let mut told = Vec::new();
    for _ in 0..ROUNDS {
        let mut found = find(desk, projects)?;
        carry_out(desk, &mut found)?;
        let (followed, refused): (Vec<_>, Vec<_>) = found.into_iter().partition(|one| one.verdict.is_ok());
        let last = followed.is_empty();
        told.extend(followed);
        if last {
            told.extend(refused);
            break;
        }
    }
    Ok(told)
}

/// One round; the verdicts say afterwards what the destination did not allow.
fn carry_out(desk: &mut Desk<'_>, found: &mut [Renamed]) -> Result<(), Trouble> {
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
        let Some(first) = rows.first().cloned() else {
            continue;
        };
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
fn intents(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    mine: &mut [&mut Renamed],
) -> Result<Vec<FollowRow>, Trouble> {
    let target = batch::target(desk, at_hand)?;
    let dataset = &at_hand.dataset.name;
    let tag: String = desk.ledger.move_id()?.chars().take(8).collect();
    let leaving: BTreeSet<RelPath> = mine.iter().map(|one| one.places.0.clone()).collect();
    let mut rows = Vec::new();
    for (number, one) in mine.iter_mut().enumerate() {
        let taken = !leaving.contains(&one.places.1) && !hand::is_free(&target, &one.places.1)?;
        let ours = match taken {
            // By the folder's number a rename that was cut short is known again.
            _ if !target.mount().keeps_inodes() => {
                Err("the destination numbers its files anew with each mount".to_string())
            }
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
/// As for carrying out a plan; `follow-conflict` where the destination was changed meanwhile.
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
    super::moving::go_on(desk)
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
    keep_times(desk, &target, &rows, &follows)?;
    let renames: Keys = follows
        .iter()
        .map(|row| (row.keys.0.clone(), (row.keys.1.clone(), row.places.1.clone())))
        .collect();
    let pairs: Vec<_> = follows.iter().map(|row| row.keys.clone()).collect();
    let mut done = Finished::default();
    let mut indexes: BTreeMap<Digest, Digest> = BTreeMap::new();
    for row in &rows {
        let (mut locked, at) = store::locked_of(&row.body)?;
        let inside = follows.iter().any(|one| holds(&locked.batch, &one.keys.0));
        if !store::rename_projects(&mut locked.batch, &renames) && !inside {
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
    super::view::after_batch(desk, &at_hand.destination)?;
    super::proof::write_due(desk)?;
    desk.keep_ledger_copy()
}

fn holds(batch: &Batch, path: &RelPath) -> bool {
    let inside = |key: &ProjectKey| matches!(key, ProjectKey::Folder(_)) && key.inside(path).is_some();
    batch.projects.iter().any(|placed| inside(&placed.key))
}

/// A rename changes the time of the folder around it: that one gets back what the last batch that
/// holds it knows.
fn keep_times(
    desk: &Desk<'_>,
    target: &OsFs,
    rows: &[BatchRow],
    follows: &[FollowRow],
) -> Result<(), Trouble> {
    for one in follows {
        let (Some((from, _)), Some((place, _))) = (one.keys.0.split(), one.places.0.split()) else {
            continue;
        };
        let mut known = None;
        for row in rows {
            let (locked, _) = store::locked_of(&row.body)?;
            if holds(&locked.batch, &one.keys.0) {
                known = open_index(desk, &row.source, row.index)?.entry(&from)?.or(known);
            }
        }
        let names = (
            from.split().map(|(_, name)| name.to_vec()),
            place.split().map(|(_, name)| name.to_vec()),
        );
        let same_name = names.0.is_some() && (names.0 == names.1 || from.depth() > 1);
        if let Some(entry) = known.filter(|_| same_name) {
            hand::keep_time(target, &place, entry.mtime)?;
        }
    }
    Ok(())
}

/// The index of a batch with the new names. Made again by a run that goes on, it is the same.
fn with_new_names(
    desk: &mut Desk<'_>,
    row: &BatchRow,
    renames: &[(RelPath, RelPath)],
    number: i64,
) -> Result<Digest, Trouble> {
    let old = open_index(desk, &row.source, row.index)?;
    let known = index_row(desk, &row.source, row.index)?;
    let stem = known.file.trim_end_matches(".index");
    let file = format!("{stem}-renamed-{number}.index");
    let index = old.with_renamed(&desk.folder.join("indexes").join(&file), renames)?;
    let digest = index.digest();
    desk.ledger.keep_index(&IndexRow {
        digest,
        file,
        ..known
    })?;
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
pub(super) fn holding(desk: &Desk<'_>, source: &str, dataset: &str) -> Result<Vec<BatchRow>, Trouble> {
    let mut rows = desk.ledger.batches()?;
    rows.retain(|row| row.source == source && row.dataset == dataset);
    Ok(rows)
}

/// Runs `work` as the one writer of all these batches.
pub(super) fn alone<T>(
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
        None => rows
            .iter()
            .try_for_each(|row| away::refuse(desk, &row.name))
            .and_then(|()| work(desk)),
        Some((row, holder)) => Err(Trouble::stopped(
            "batch-busy",
            format!(
                "the batch {} is worked on by process {}",
                row.name, holder.process
            ),
        )
        .mend("Let it end, then run the same command again: a folder of its dataset is to be renamed.")),
    };
    for name in held {
        desk.ledger.drop_lease(name)?;
    }
    done
}
