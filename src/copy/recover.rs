//! What an earlier run left behind, settled from its intents before anything new is begun.

use super::folders::OpenFolders;
use super::retry::trouble_of;
use super::worker::{Bench, Counters};
use super::{Ends, Task, existing};
use crate::digest::BLOCK;
use crate::entry::{Entry, EntryKind};
use crate::ledger::{FileRecord, GroupResult, Intent, Ledger, Proof, to_second};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::{Fault, FaultKind, OpenHow};
use std::collections::HashMap;
use std::sync::Arc;

/// Settles every intent of the batch and answers those of large files that can go on.
pub(super) fn settle_leftovers(
    ends: Ends<'_>,
    task: &Task,
    ledger: &mut Ledger,
) -> Result<HashMap<RelPath, Intent>, Trouble> {
    let intents = ledger.intents_of(task.batch, &task.dataset)?;
    let counters = Arc::new(Counters::default());
    let mut bench = Bench::new(ends, task, &counters);
    let mut resumable = HashMap::new();
    let mut group = GroupResult::default();
    for intent in intents {
        if ends.stop.is_set() {
            break;
        }
        if let Some(record) = published(&mut bench, &intent).map_err(|fault| trouble_of(&fault))? {
            group.settled.push(intent.id);
            group.records.push((record, intent.values.clone(), 1));
            continue;
        }
        let staged =
            stat(&mut bench.to, &intent.place, &intent.staged).map_err(|fault| trouble_of(&fault))?;
        let whole_blocks = intent.done.0 > 0 && intent.values.len() as u64 * BLOCK >= intent.done.0;
        match staged {
            Some(_) if whole_blocks => {
                resumable.insert(intent.place.clone(), intent);
            }
            Some(facts) => {
                remove(&mut bench, &intent, &facts).map_err(|fault| trouble_of(&fault))?;
                group.settled.push(intent.id);
            }
            None => group.settled.push(intent.id),
        }
    }
    // Names of what is recorded here must be durable first, as in step 6.
    if !group.records.is_empty() {
        ends.target.sync().map_err(|fault| trouble_of(&fault))?;
    }
    ledger.record_group(task.batch, &task.dataset, &task.source, &group)?;
    Ok(resumable)
}

/// A target with the inode that the intent noted was published before the crash: it is ours, and
/// hashed again before it is recorded.
fn published(bench: &mut Bench<'_>, intent: &Intent) -> Result<Option<FileRecord>, Fault> {
    let Some((inode, hash)) = intent.staged_as else {
        return Ok(None);
    };
    let Some((above, name)) = intent.place.split() else {
        return Ok(None);
    };
    let Some(found) = stat(&mut bench.to, &intent.place, name)? else {
        return Ok(None);
    };
    if found.inode != inode || found.size != intent.source.size {
        return Ok(None);
    }
    let content = match (found.kind, &found.target) {
        (EntryKind::Symlink, Some(target)) => crate::digest::Digest::of(target),
        (EntryKind::File, _) => {
            let file = bench.to.get(&above)?.open(name, OpenHow::Plain)?;
            existing::hash_all(bench, &*file)?
        }
        _ => return Ok(None),
    };
    Ok((content == hash).then(|| FileRecord {
        place: intent.place.clone(),
        kind: found.kind,
        source: intent.source,
        placed: found.identity(),
        hash,
        copied_at: to_second(bench.ends.clock.now()),
        proof: Proof::Copied,
    }))
}

fn stat(folders: &mut OpenFolders<'_>, place: &RelPath, name: &[u8]) -> Result<Option<Entry>, Fault> {
    let Some((above, _)) = place.split() else {
        return Ok(None);
    };
    match folders.get(&above).and_then(|folder| folder.stat(name)) {
        Ok(found) => Ok(Some(found)),
        Err(fault) if fault.kind == FaultKind::NotFound => Ok(None),
        Err(fault) => Err(fault),
    }
}

fn remove(bench: &mut Bench<'_>, intent: &Intent, facts: &Entry) -> Result<(), Fault> {
    let Some((above, _)) = intent.place.split() else {
        return Ok(());
    };
    bench.to.get(&above)?.remove(&intent.staged, facts)
}

/// Removes staged files that are no longer asked for, and their intents.
pub(super) fn drop_staged(
    bench: &mut Bench<'_>,
    ledger: &mut Ledger,
    task: &Task,
    intents: &[Intent],
) -> Result<(), Trouble> {
    let mut group = GroupResult::default();
    for intent in intents {
        if let Some(facts) =
            stat(&mut bench.to, &intent.place, &intent.staged).map_err(|fault| trouble_of(&fault))?
        {
            remove(bench, intent, &facts).map_err(|fault| trouble_of(&fault))?;
        }
        group.settled.push(intent.id);
    }
    if group.settled.is_empty() {
        return Ok(());
    }
    ledger.record_group(task.batch, &task.dataset, &task.source, &group)
}
