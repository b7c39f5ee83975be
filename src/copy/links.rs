//! Further names of files with several: made once the first name is published.

use super::Item;
use super::commit::{amount_of, names_durable};
use super::existing::is_as_placed;
use super::group::Run;
use super::retry::{patiently, trouble_of};
use super::small::split;
use super::worker::{Bench, Counters};
use crate::entry::{Entry, Identity};
use crate::ledger::{Failure, FileRecord, GroupResult, Ledger, Proof};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::{Course, Fault, FaultKind};
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
    for item in items {
        match one(run, bench, ledger, &mut made, item)? {
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
            .filter_map(|record| Some(record.place.split()?.0)),
    );
    names_durable(run.ends.target, &mut bench.to, &folders).map_err(|fault| trouble_of(&fault))?;
    renew(run, bench, ledger, &made)?;
    let mut group = GroupResult {
        failures: made.failures,
        ..GroupResult::default()
    };
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
) -> Result<Result<(), Fault>, Trouble> {
    let inode = item.entry.inode;
    let known = match made.first.get(&inode) {
        Some(record) => Some(record.clone()),
        None => ledger.linked_place(&run.task.dataset, &run.task.source, inode)?,
    };
    let Some(first) = known else {
        return Ok(Err(Fault::ours(
            "link",
            item.from.as_bytes(),
            FaultKind::NotFound,
            "its first name was not copied",
        )));
    };
    let linked = patiently(bench.ends, || link(bench, item, &first));
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

fn note(run: &mut Run<'_>, made: &mut Made, item: &Item, fault: &Fault) {
    run.outcome.failed += 1;
    let conflict = fault.kind == FaultKind::Exists;
    run.outcome.conflicts += u64::from(conflict);
    made.failures.push(Failure {
        place: item.place.clone(),
        code: if conflict { "conflict-not-ours" } else { "link" }.into(),
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
fn link(bench: &mut Bench<'_>, item: &Item, first: &FileRecord) -> Result<(), Fault> {
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
            if there.inode == found.inode {
                Ok(())
            } else {
                Err(fault)
            }
        }
        other => other,
    }
}
