//! Steps 4 to 7: from files complete under staged names to facts in the ledger.

use super::OpenFolders;
use super::existing::{Adopted, EDITED, is_as_placed};
use super::group::Run;
use super::small::split;
use super::trouble_of;
use super::worker::{Bench, Staged};
use super::{Item, Outcome, links, small};
use crate::entry::{Entry, EntryKind};
use crate::ledger::{Failure, FileRecord, GroupResult, Intent, Ledger, Proof, StagedNote, to_second};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::{Course, Durability, Fault, FaultKind, Fs, Loss};
use std::collections::{BTreeSet, HashSet};

/// Below this size a file counts as small for the forecast.
const SMALL: Bytes = Bytes(1 << 20);

/// What the workers made of one group.
pub(super) struct Written {
    pub intents: Vec<Intent>,
    staged: Vec<(usize, Staged)>,
    at_place: Vec<(usize, Adopted, u64)>,
    failed: Vec<(usize, Item, Fault)>,
    /// The first fault that stops everything.
    pub stop: Option<Fault>,
}

impl Written {
    pub(super) fn new(intents: Vec<Intent>) -> Written {
        Written {
            intents,
            staged: Vec::new(),
            at_place: Vec::new(),
            failed: Vec::new(),
            stop: None,
        }
    }

    pub(super) fn staged(&mut self, at: usize, staged: Staged) {
        self.staged.push((at, staged));
    }

    pub(super) fn at_place(&mut self, at: usize, found: Adopted, links: u64) {
        self.at_place.push((at, found, links));
    }

    pub(super) fn failed(&mut self, at: usize, item: &Item, fault: Fault) {
        if fault.course() == Course::StopAll {
            self.stop.get_or_insert(fault);
        } else {
            self.failed.push((at, item.clone(), fault));
        }
    }
}

/// Commits one group.
pub(super) fn commit(
    run: &mut Run<'_>,
    bench: &mut Bench<'_>,
    ledger: &mut Ledger,
    written: Written,
) -> Result<(), Trouble> {
    // Durable before anything is published: a crash must not leave a file and lose the warning.
    run.note_disagreements(&bench.counters, ledger)?;
    let mut group = GroupResult {
        shelf: (run.task.shelf.clone(), Vec::new()),
        ..GroupResult::default()
    };
    let mut stop: Option<Fault> = None;
    // Folders in which names have come or gone.
    let mut folders = BTreeSet::new();
    let above = |place: &RelPath| place.split().map(|(above, _)| above);
    make_durable(run, ledger, &written)?;
    // Files of several names that lose one here: it changes the ctime of the others.
    let mut left = HashSet::new();
    // Step 5.
    for (at, staged) in written.staged {
        let intent = &written.intents[at];
        folders.extend(above(&staged.place));
        match place(bench, &intent.staged, &staged) {
            Ok(placed) => {
                let old = staged.replaces.as_ref().filter(|_| staged.links > 1);
                left.extend(old.map(|old| old.placed.inode));
                keep(run, &mut group, intent.id, staged, &placed);
            }
            Err(fault) if fault.course() == Course::StopAll => {
                stop = Some(fault);
                break;
            }
            Err(fault) => {
                let item = item_of(&staged);
                // What has its name already, or may have, is left to its intent.
                let settle = !may_be_placed(bench, &staged);
                if settle {
                    small::discard(bench, &item, &intent.staged);
                }
                fail(run, bench, &mut group, settle.then_some(intent), &item, &fault);
            }
        }
    }
    for (at, found, links) in written.at_place {
        folders.extend(above(&found.record.place));
        run.outcome.adopted.add(amount_of(&found.record));
        run.outcome.known += u64::from(found.known);
        group.shelf.1.extend(found.kept);
        group.settled.push(written.intents[at].id);
        group.records.push((found.record, found.values, links));
    }
    for (at, item, fault) in &written.failed {
        folders.extend(above(&item.place));
        fail(run, bench, &mut group, Some(&written.intents[*at]), item, fault);
    }
    // Step 6. Names that went must be durable too: an intent that is settled no longer knows them.
    // What was found at its place may have been written by another program a moment ago.
    names_durable(run.ends.target, &mut bench.to, &folders).map_err(|fault| trouble_of(&fault))?;
    if run.task.placed_inodes_hold {
        links::renew_left(run.task, bench, ledger, &left)?;
    }
    // Step 7.
    group.settled.append(&mut run.dropped);
    ledger.record_group(run.task.batch, &run.task.dataset, &run.task.source, &group)?;
    match stop {
        Some(fault) => Err(trouble_of(&fault)),
        None => Ok(()),
    }
}

/// Step 4. After a crash in here the intents alone are known: everything is done again.
fn make_durable(run: &Run<'_>, ledger: &mut Ledger, written: &Written) -> Result<(), Trouble> {
    if written.staged.is_empty() {
        return Ok(());
    }
    // Where one sync for all does not reach the disk, each file had its own.
    if run.ends.target.durability() == Durability::Local {
        run.ends.target.sync().map_err(|fault| trouble_of(&fault))?;
    }
    let noted: Vec<_> = written
        .staged
        .iter()
        .map(|(at, staged)| StagedNote {
            intent: written.intents[*at].id,
            inode: staged.facts.inode,
            hash: staged.hash,
            source: staged.source,
            losses: staged.losses.clone(),
            attributes: staged.attributes.clone(),
        })
        .collect();
    ledger.note_staged(&noted)
}

/// Makes the names in these folders durable: by one sync for everything where that reaches the
/// disk, else folder by folder from the root down, since the folders may be new themselves.
pub(super) fn names_durable(
    target: &dyn Fs,
    to: &mut OpenFolders<'_>,
    folders: &BTreeSet<RelPath>,
) -> Result<(), Fault> {
    if folders.is_empty() {
        return Ok(());
    }
    if target.durability() == Durability::Local {
        return target.sync();
    }
    let mut all = folders.clone();
    for folder in folders {
        all.extend((0..folder.depth()).filter_map(|depth| folder.prefix(depth)));
    }
    for folder in all {
        match to.get(&folder).and_then(|folder| folder.sync_names()) {
            // Never made: there was nothing to put into it.
            Err(fault) if fault.kind == FaultKind::NotFound => {}
            other => other?,
        }
    }
    Ok(())
}

/// Gives a staged file its name and reads back what lies there.
fn place(bench: &mut Bench<'_>, staged_name: &[u8], staged: &Staged) -> Result<Entry, Fault> {
    let (above, name) = split(&staged.place)?;
    let folder = bench.to.get(&above)?;
    match &staged.replaces {
        None => folder.publish(staged_name, name)?,
        Some(ours) => match folder.stat(name) {
            // Looked at again at the last moment: rule 2.
            Ok(found) if is_as_placed(bench.task, &found, &ours.placed) => {
                folder.replace(staged_name, name)?
            }
            Ok(_) => return Err(Fault::ours("replace", name, FaultKind::Exists, EDITED)),
            Err(fault) if fault.kind == FaultKind::NotFound => folder.publish(staged_name, name)?,
            Err(fault) => return Err(fault),
        },
    }
    let found = folder.stat(name)?;
    if found.inode == staged.facts.inode || run_without_inodes(&found, &staged.facts) {
        return Ok(found);
    }
    Err(Fault::ours(
        "publish",
        name,
        FaultKind::Exists,
        "another file took its place at that moment",
    ))
}

/// Whether a staged file may have got its name although something failed on the way.
fn may_be_placed(bench: &mut Bench<'_>, staged: &Staged) -> bool {
    let found = split(&staged.place).and_then(|(above, name)| bench.to.get(&above)?.stat(name));
    match found {
        Ok(found) => found.inode == staged.facts.inode,
        Err(fault) => fault.kind != FaultKind::NotFound,
    }
}

/// Some network mounts give a renamed file another number; size and time still tell it.
fn run_without_inodes(found: &Entry, staged: &Entry) -> bool {
    (found.kind, found.size, found.mtime) == (staged.kind, staged.size, staged.mtime)
}

fn keep(run: &mut Run<'_>, group: &mut GroupResult, intent: i64, staged: Staged, placed: &Entry) {
    let record = FileRecord {
        place: staged.place.clone(),
        kind: placed.kind,
        source: staged.source,
        placed: placed.identity(),
        hash: staged.hash,
        copied_at: to_second(run.ends.clock.now()),
        proof: Proof::Copied,
    };
    run.outcome.copied.add(amount_of(&record));
    if record.kind == EntryKind::File && record.source.size < SMALL {
        run.outcome.small.add(amount_of(&record));
    }
    note_losses(&mut run.outcome, group, &staged.place, staged.losses);
    if staged.attributes.is_some() {
        group.attributes.push((staged.place.clone(), staged.attributes));
    }
    group.settled.push(intent);
    group.shelf.1.extend(staged.kept);
    group.records.push((record, staged.values, staged.links));
}

/// Losses of one file: counted once by kind, however many attributes are of it.
pub(super) fn note_losses(
    outcome: &mut Outcome,
    group: &mut GroupResult,
    place: &RelPath,
    losses: Vec<Loss>,
) {
    let kinds: BTreeSet<&'static str> = losses.iter().map(|loss| loss.kind).collect();
    for kind in kinds {
        *outcome.losses.entry(kind).or_default() += 1;
    }
    group
        .losses
        .extend(losses.into_iter().map(|loss| (place.clone(), loss)));
}

/// Symlinks are moved too, but do not count as files.
pub(crate) fn amount_of(record: &FileRecord) -> Amount {
    match record.kind {
        EntryKind::File => Amount::one(record.source.size),
        _ => Amount::default(),
    }
}

fn item_of(staged: &Staged) -> Item {
    Item {
        from: staged.place.clone(),
        place: staged.place.clone(),
        entry: staged.facts.clone(),
        recorded: None,
        known: None,
    }
}

/// Notes a file that could not be copied; the intent given goes only when nothing staged is left.
fn fail(
    run: &mut Run<'_>,
    bench: &mut Bench<'_>,
    group: &mut GroupResult,
    intent: Option<&Intent>,
    item: &Item,
    fault: &Fault,
) {
    run.outcome.failed += 1;
    let code = match fault.kind {
        FaultKind::Exists if fault.words == EDITED => "conflict-edited",
        FaultKind::Exists => "conflict-not-ours",
        FaultKind::NotFound => "gone-at-source",
        FaultKind::Unsupported if run.task.only_adopt => "not-at-destination",
        FaultKind::Changed => "changing",
        kind => kind.word(),
    };
    run.outcome.conflicts += u64::from(code.starts_with("conflict"));
    group.failures.push(Failure {
        place: item.place.clone(),
        code: code.to_string(),
        text: fault.to_string(),
        bytes: item.entry.size,
        at: run.ends.clock.now(),
    });
    let Some(intent) = intent else { return };
    let staged = split(&item.place)
        .and_then(|(above, _)| bench.to.get(&above))
        .and_then(|folder| folder.stat(&intent.staged));
    if staged.is_err_and(|fault| fault.kind == FaultKind::NotFound) {
        group.settled.push(intent.id);
    }
}
