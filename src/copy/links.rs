//! Further names of files with several: made once the first name is published.

use super::commit::{amount_of, names_durable};
use super::existing::{self, Adopted, EDITED, Standing, is_as_placed};
use super::group::Run;
use super::retry::patiently;
use super::small::split;
use super::trouble_of;
use super::worker::{Bench, Counters};
use super::{Item, Task};
use crate::entry::{Entry, Identity};
use crate::ledger::{Failure, FileRecord, GroupResult, Intent, Ledger, Proof};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::{Course, Fault, FaultKind, OpenHow};
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::sync::Arc;

/// Links of one transaction.
const AT_ONCE: usize = 4_096;

/// Makes the deferred names.
pub(super) fn make(run: &mut Run<'_>, ledger: &mut Ledger) -> Result<(), Trouble> {
    let deferred = std::mem::take(&mut run.deferred);
    let counters = Arc::new(Counters::default());
    let mut bench = Bench::new(run.ends, run.task, &counters);
    for chunk in deferred.chunks(AT_ONCE) {
        if run.ends.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        some(run, &mut bench, ledger, chunk)?;
    }
    Ok(())
}

/// What came of some of the names.
#[derive(Default)]
struct Made {
    records: Vec<FileRecord>,
    /// Files apart that lay at the places of further names, with their content: taken over as they
    /// are. They are ours from then on, so that the next run may put links in their place.
    adopted: Vec<Adopted>,
    /// The first names, by the source's inode.
    first: BTreeMap<u64, FileRecord>,
    failures: Vec<Failure>,
}

fn some(
    run: &mut Run<'_>,
    bench: &mut Bench<'_>,
    ledger: &mut Ledger,
    items: &[Item],
) -> Result<(), Trouble> {
    let mut made = Made::default();
    let mut stop = None;
    // A link takes the place of what we placed there earlier by way of a staged name.
    let again = items.iter().filter(|item| item.recorded.is_some());
    let mut intents: Vec<Intent> = again
        .map(|item| {
            let staged = run.staged_name();
            Intent::new(item.place.clone(), staged, true, item.entry.identity())
        })
        .collect();
    ledger.intend(run.task.batch, &run.task.dataset, &mut intents)?;
    for item in items {
        let intent = intents.iter().find(|intent| intent.place == item.place);
        match one(run, bench, ledger, &mut made, item, intent)? {
            Err(fault) if fault.course() == Course::StopAll => {
                stop = Some(fault);
                break;
            }
            Err(fault) => note(run, &mut made, item, &fault),
            Ok(()) => {}
        }
    }
    let mut folders: BTreeSet<RelPath> = BTreeSet::new();
    folders.extend(
        made.records
            .iter()
            .chain(made.adopted.iter().map(|found| &found.record))
            .filter_map(|record| Some(record.place.split()?.0)),
    );
    folders.extend(intents.iter().filter_map(|intent| Some(intent.place.split()?.0)));
    names_durable(run.ends.target, &mut bench.to, &folders).map_err(|fault| trouble_of(&fault))?;
    renew(run, bench, ledger, &made)?;
    let mut group = GroupResult {
        failures: made.failures,
        ..GroupResult::default()
    };
    for intent in &intents {
        let (above, _) = split(&intent.place).map_err(|fault| trouble_of(&fault))?;
        let staged = bench
            .to
            .get(&above)
            .and_then(|folder| folder.stat(&intent.staged));
        // What still has its staged name is left to its intent.
        if staged.is_err_and(|fault| fault.kind == FaultKind::NotFound) {
            group.settled.push(intent.id);
        }
    }
    for found in made.adopted {
        run.outcome.adopted.add(amount_of(&found.record));
        group.records.push((found.record, found.values, 1));
    }
    for mut record in made.records {
        run.outcome.copied.add(amount_of(&record));
        record.placed = stat(bench, &record.place)
            .map_err(|fault| trouble_of(&fault))?
            .identity();
        group.records.push((record, Vec::new(), 2));
    }
    ledger.record_group(run.task.batch, &run.task.dataset, &run.task.source, &group)?;
    match stop {
        Some(fault) => Err(trouble_of(&fault)),
        None => Ok(()),
    }
}

fn one(
    run: &Run<'_>,
    bench: &mut Bench<'_>,
    ledger: &Ledger,
    made: &mut Made,
    item: &Item,
    intent: Option<&Intent>,
) -> Result<Result<(), Fault>, Trouble> {
    let inode = item.entry.inode;
    let known = match made.first.get(&inode) {
        Some(record) => Some(record.clone()),
        None => ledger.linked_place(&run.task.dataset, &run.task.source, inode)?,
    };
    let known = match known {
        Some(first) if ledger.is_bad(&run.task.dataset, &first.place)? => None,
        other => other,
    };
    let Some(first) = known else {
        let words = "its first name was not copied";
        let fault = Fault::ours("link", item.from.as_bytes(), FaultKind::NotFound, words);
        return Ok(Err(or_conflict(bench, item, fault)));
    };
    // Its record may have been renewed since the item was listed: another name went.
    let recorded = match &item.recorded {
        Some(_) => ledger.record_at(&run.task.dataset, &item.place)?,
        None => None,
    };
    let item = &Item {
        recorded,
        ..item.clone()
    };
    let linked = patiently(bench.ends, || link(bench, item, &first, intent));
    let linked = match linked {
        Err(fault) if fault.kind == FaultKind::Exists && item.recorded.is_none() => {
            match existing::look(bench, item) {
                Ok(Standing::Same(found)) => {
                    made.adopted.push(*found);
                    return Ok(Ok(()));
                }
                Err(other) if other.course() == Course::StopAll => Err(other),
                _ => Err(fault),
            }
        }
        other => other,
    }
    .map_err(|fault| or_conflict(bench, item, fault));
    if linked.is_ok() {
        made.records.push(FileRecord {
            place: item.place.clone(),
            proof: Proof::Copied,
            ..first.clone()
        });
        made.first.insert(inode, first);
    }
    Ok(linked)
}

/// Of a name that cannot be linked, the conflict where there is one says more.
fn or_conflict(bench: &mut Bench<'_>, item: &Item, fault: Fault) -> Fault {
    let no_first = matches!(fault.kind, FaultKind::NotFound | FaultKind::Changed);
    match item.recorded.is_some() && no_first {
        true => match existing::look(bench, item) {
            Err(found) if found.kind == FaultKind::Exists => found,
            _ => fault,
        },
        false => fault,
    }
}

fn note(run: &mut Run<'_>, made: &mut Made, item: &Item, fault: &Fault) {
    run.outcome.failed += 1;
    let conflict = fault.kind == FaultKind::Exists;
    run.outcome.conflicts += u64::from(conflict);
    made.failures.push(Failure {
        place: item.place.clone(),
        code: match conflict {
            true if fault.words == EDITED => "conflict-edited",
            true => "conflict-not-ours",
            false => "link",
        }
        .into(),
        text: fault.to_string(),
        bytes: item.entry.size,
        at: run.ends.clock.now(),
    });
}

/// Every new name changes the ctime of the file, so what is recorded of its other names is read
/// back, whichever batch or run made them. Before the new ones are recorded: a crash in between
/// finds the links made, and changes no ctime again.
fn renew(run: &Run<'_>, bench: &mut Bench<'_>, ledger: &mut Ledger, made: &Made) -> Result<(), Trouble> {
    let mut renewed = Vec::new();
    let mut further = HashSet::new();
    for (inode, first) in &made.first {
        let found = stat(bench, &first.place).map_err(|fault| trouble_of(&fault))?;
        let ours = made.records.iter().filter(|record| record.source.inode == *inode);
        if found.links > 1 + ours.count() as u64 {
            further.insert(found.inode);
        }
        renewed.push((first.place.clone(), found.identity()));
    }
    if !further.is_empty() {
        for place in ledger.places_of_inodes(&run.task.dataset, &further)? {
            match stat(bench, &place) {
                Ok(found) => renewed.push((place, found.identity())),
                // Taken away by someone: `verify` says so.
                Err(fault) if fault.course() == Course::ThisFile => {}
                Err(fault) => return Err(trouble_of(&fault)),
            }
        }
    }
    ledger.renew_ctimes(&run.task.dataset, &renewed)
}

fn stat(bench: &mut Bench<'_>, place: &RelPath) -> Result<Entry, Fault> {
    let (above, name) = split(place)?;
    bench.to.get(&above)?.stat(name)
}

/// Makes one more name, or finds it made.
fn link(
    bench: &mut Bench<'_>,
    item: &Item,
    first: &FileRecord,
    intent: Option<&Intent>,
) -> Result<(), Fault> {
    let (above, name) = split(&item.place)?;
    let (first_above, first_name) = split(&first.place)?;
    let found = bench.to.get(&first_above)?.stat(first_name)?;
    // Links made before have changed its ctime, and nothing else.
    let known = Identity {
        ctime: found.ctime,
        ..first.placed
    };
    if !is_as_placed(bench.task, &found, &known) {
        return Err(Fault::ours(
            "link",
            name,
            FaultKind::Exists,
            "its first name was changed at the destination",
        ));
    }
    if first.source.size != item.entry.size || first.source.mtime != item.entry.mtime {
        return Err(Fault::ours(
            "link",
            name,
            FaultKind::Changed,
            "its first name was copied from another state",
        ));
    }
    let made = bench
        .to
        .write_in(&above, |folder| folder.make_link(name, &first.place));
    let folder = bench.to.make(&above)?;
    match made {
        Err(fault) if fault.kind == FaultKind::Exists => {
            // An earlier run may have made it just before it ended.
            let there = folder.stat(name)?;
            match (there.inode == found.inode, &item.recorded, intent) {
                (true, _, _) => Ok(()),
                (false, Some(old), Some(intent)) if is_ours(bench, item, &there, old)? => {
                    folder.make_link(&intent.staged, &first.place)?;
                    if folder.stat(name)?.identity() != there.identity() {
                        return Err(Fault::ours("link", name, FaultKind::Exists, EDITED));
                    }
                    folder.replace(&intent.staged, name)
                }
                (false, Some(_), _) => Err(Fault::ours("link", name, FaultKind::Exists, EDITED)),
                _ => Err(fault),
            }
        }
        other => other,
    }
}

/// Rule 2 for a file of several names: taking one of them away, as we do, changes the ctime of the
/// others. A crash may have kept us from noting that, so then the content has to be as recorded.
fn is_ours(bench: &mut Bench<'_>, item: &Item, there: &Entry, old: &FileRecord) -> Result<bool, Fault> {
    if is_as_placed(bench.task, there, &old.placed) {
        return Ok(true);
    }
    let known = Identity {
        ctime: there.ctime,
        ..old.placed
    };
    if !is_as_placed(bench.task, there, &known) {
        return Ok(false);
    }
    let (above, name) = split(&item.place)?;
    let file = bench.to.get(&above)?.open(name, OpenHow::Plain)?;
    Ok(existing::hash_all(bench, &*file)?.root == old.hash)
}

/// Notes the new ctime of the names that files of several have left, after one was taken away.
pub(super) fn renew_left(
    task: &Task,
    bench: &mut Bench<'_>,
    ledger: &mut Ledger,
    inodes: &HashSet<u64>,
) -> Result<(), Trouble> {
    if inodes.is_empty() {
        return Ok(());
    }
    let mut renewed = Vec::new();
    for place in ledger.places_of_inodes(&task.dataset, inodes)? {
        let record = ledger.record_at(&task.dataset, &place)?;
        match stat(bench, &place) {
            Ok(found) => {
                let same = |placed: &Identity| {
                    (found.inode, found.size, found.mtime) == (placed.inode, placed.size, placed.mtime)
                };
                if record.is_some_and(|record| same(&record.placed)) {
                    renewed.push((place, found.identity()));
                }
            }
            // Taken away by someone: `verify` says so.
            Err(fault) if fault.course() == Course::ThisFile => {}
            Err(fault) => return Err(trouble_of(&fault)),
        }
    }
    ledger.renew_ctimes(&task.dataset, &renewed)
}
