//! Further names of files with several: made once the first name is published.

use super::commit::amount_of;
use super::group::Run;
use super::retry::trouble_of;
use super::small::split;
use super::worker::{Bench, Counters};
use super::{Item, existing};
use crate::ledger::{Failure, FileRecord, GroupResult, Ledger, Proof};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::{Course, Fault, FaultKind};
use std::collections::BTreeMap;
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

fn some(
    run: &mut Run<'_>,
    bench: &mut Bench<'_>,
    ledger: &mut Ledger,
    items: &[Item],
) -> Result<(), Trouble> {
    let mut group = GroupResult::default();
    // Every new name changes the ctime of the file, so records are read back at the end.
    let mut made: Vec<FileRecord> = Vec::new();
    let mut first: BTreeMap<u64, FileRecord> = BTreeMap::new();
    for item in items {
        let inode = item.entry.inode;
        let known = match first.get(&inode) {
            Some(record) => Some(record.clone()),
            None => ledger.linked_place(&run.task.dataset, &run.task.source, inode)?,
        };
        let result = match &known {
            Some(record) => link(bench, item, record),
            None => Err(Fault::ours(
                "link",
                item.from.as_bytes(),
                FaultKind::NotFound,
                "its first name was not copied",
            )),
        };
        match (result, known) {
            (Ok(()), Some(record)) => {
                made.push(FileRecord {
                    place: item.place.clone(),
                    proof: Proof::Copied,
                    ..record.clone()
                });
                first.insert(inode, record);
            }
            (Err(fault), _) if fault.course() == Course::StopAll => return Err(trouble_of(&fault)),
            (Err(fault), _) => {
                run.outcome.failed += 1;
                let code = if fault.kind == FaultKind::Exists {
                    "conflict-not-ours"
                } else {
                    "link"
                };
                group.failures.push(Failure {
                    place: item.place.clone(),
                    code: code.into(),
                    text: fault.to_string(),
                    bytes: item.entry.size,
                    at: run.ends.clock.now(),
                });
            }
            (Ok(()), None) => {}
        }
    }
    run.ends.target.sync().map_err(|fault| trouble_of(&fault))?;
    for record in &made {
        run.outcome.copied.add(amount_of(record));
    }
    for mut record in made.into_iter().chain(first.into_values()) {
        record.placed = stat(bench, &record.place).map_err(|fault| trouble_of(&fault))?;
        group.records.push((record, Vec::new(), 2));
    }
    ledger.record_group(run.task.batch, &run.task.dataset, &run.task.source, &group)
}

fn stat(bench: &mut Bench<'_>, place: &RelPath) -> Result<crate::entry::Identity, Fault> {
    let (above, name) = split(place)?;
    Ok(bench.to.get(&above)?.stat(name)?.identity())
}

/// Makes one more name, or finds it made.
fn link(bench: &mut Bench<'_>, item: &Item, first: &FileRecord) -> Result<(), Fault> {
    let (above, name) = split(&item.place)?;
    let (first_above, first_name) = split(&first.place)?;
    let found = bench.to.get(&first_above)?.stat(first_name)?;
    if !existing::is_as_placed(&found, &first.placed) && found.inode != first.placed.inode {
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
    let folder = bench.to.make(&above)?;
    match folder.make_link(name, &first.place) {
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
