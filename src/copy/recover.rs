//! What an earlier run left behind, settled from its intents before anything new is begun.

use super::OpenFolders;
use super::commit::{names_durable, note_losses};
use super::trouble_of;
use super::worker::{Bench, Counters};
use super::{Ends, Outcome, Task, existing};
use crate::digest::{BLOCK, BlockValue, Digest, TreeDigest};
use crate::entry::{Entry, EntryKind};
use crate::ledger::{FileRecord, GroupResult, Intent, Ledger, Proof, to_second};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::{Fault, OpenHow, there};
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

/// What an earlier run left to go on with.
#[derive(Default)]
pub(super) struct Leftovers {
    /// Large files that can go on, by place.
    pub resumable: HashMap<RelPath, Intent>,
    /// Files that had their names already, now recorded.
    pub recovered: HashMap<RelPath, FileRecord>,
    /// What they had lost.
    pub outcome: Outcome,
}

/// Settles every intent of the batch but those of large files that can go on.
pub(super) fn settle_leftovers(
    ends: Ends<'_>,
    task: &Task,
    ledger: &mut Ledger,
) -> Result<Leftovers, Trouble> {
    let intents = ledger.intents_of(task.batch, &task.dataset)?;
    let counters = Arc::new(Counters::default());
    let mut bench = Bench::new(ends, task, &counters);
    let mut left = Leftovers::default();
    let mut group = GroupResult::default();
    let mut folders = BTreeSet::new();
    // The intent does not say how many names the source has; one too many here costs nothing.
    let links = if task.inodes_hold { 2 } else { 1 };
    for intent in intents {
        if ends.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        if let Some((record, values)) = published(&mut bench, &intent).map_err(|fault| trouble_of(&fault))? {
            left.recovered.insert(intent.place.clone(), record.clone());
            group.records.push((record, values, links));
            let (place, kept) = (&intent.place, intent.attributes.clone());
            note_losses(&mut left.outcome, &mut group, place, intent.losses.clone());
            group
                .attributes
                .extend(kept.map(|kept| (place.clone(), Some(kept))));
        } else {
            let staged =
                stat(&mut bench.to, &intent.place, &intent.staged).map_err(|fault| trouble_of(&fault))?;
            let whole_blocks = intent.done.0 > 0 && intent.values.len() as u64 * BLOCK >= intent.done.0;
            match staged {
                Some(_) if whole_blocks => {
                    left.resumable.insert(intent.place.clone(), intent);
                    continue;
                }
                Some(facts) => remove(&mut bench, &intent, &facts).map_err(|fault| trouble_of(&fault))?,
                None => {}
            }
        }
        group.settled.push(intent.id);
        folders.extend(intent.place.split().map(|(above, _)| above));
    }
    // Names that came or went here must be durable first, as in step 6.
    names_durable(ends.target, &mut bench.to, &folders).map_err(|fault| trouble_of(&fault))?;
    ledger.record_group(task.batch, &task.dataset, &task.source, &group)?;
    Ok(left)
}

/// A target with the inode that the intent noted was published before the crash: it is ours, and
/// hashed again before it is recorded.
fn published(bench: &mut Bench<'_>, intent: &Intent) -> Result<Option<(FileRecord, Vec<BlockValue>)>, Fault> {
    let Some((inode, hash)) = intent.staged_as else {
        return Ok(None);
    };
    let Some((above, name)) = intent.place.split() else {
        return Ok(None);
    };
    let Some(mut found) = stat(&mut bench.to, &intent.place, name)? else {
        return Ok(None);
    };
    if found.inode != inode || found.size != intent.source.size {
        return Ok(None);
    }
    let tree = match (found.kind, &found.target) {
        (EntryKind::Symlink, Some(target)) => TreeDigest {
            root: Digest::of(target),
            values: Vec::new(),
        },
        (EntryKind::File, _) => {
            let file = bench.to.get(&above)?.open(name, OpenHow::Plain)?;
            existing::hash_all(bench, &*file)?
        }
        _ => return Ok(None),
    };
    if tree.root != hash {
        return Ok(None);
    }
    // Where publishing is a link and then an unlink, the staged name may still be there.
    if let Some(facts) = stat(&mut bench.to, &intent.place, &intent.staged)? {
        if facts.inode == inode {
            remove(bench, intent, &facts)?;
            found = stat(&mut bench.to, &intent.place, name)?.unwrap_or(found);
        }
    }
    let record = FileRecord {
        place: intent.place.clone(),
        kind: found.kind,
        source: intent.source,
        placed: found.identity(),
        hash,
        copied_at: to_second(bench.ends.clock.now()),
        proof: Proof::Copied,
    };
    Ok(Some((record, tree.values)))
}

fn stat(folders: &mut OpenFolders<'_>, place: &RelPath, name: &[u8]) -> Result<Option<Entry>, Fault> {
    let Some((above, _)) = place.split() else {
        return Ok(None);
    };
    there(folders.get(&above).and_then(|folder| folder.stat(name)))
}

fn remove(bench: &mut Bench<'_>, intent: &Intent, facts: &Entry) -> Result<(), Fault> {
    let Some((above, _)) = intent.place.split() else {
        return Ok(());
    };
    bench.to.get(&above)?.remove(&intent.staged, facts)
}

/// Settles every intent of a batch that somebody else is to go on with: what has its name already is
/// recorded, staged files are removed, those of large files too.
///
/// # Errors
/// [`Trouble`] where the destination or the ledger does not answer; what was settled stays so.
pub fn give_up_leftovers(ends: Ends<'_>, task: &Task, ledger: &mut Ledger) -> Result<(), Trouble> {
    let left = settle_leftovers(ends, task, ledger)?;
    let intents: Vec<Intent> = left.resumable.into_values().collect();
    let counters = Arc::new(Counters::default());
    let mut bench = Bench::new(ends, task, &counters);
    drop_staged(&mut bench, ledger, task, &intents, &[])
}

/// Removes staged files that are no longer asked for, and their intents.
pub(super) fn drop_staged(
    bench: &mut Bench<'_>,
    ledger: &mut Ledger,
    task: &Task,
    intents: &[Intent],
    dropped: &[i64],
) -> Result<(), Trouble> {
    let mut group = GroupResult::default();
    let mut folders = BTreeSet::new();
    for intent in intents {
        if let Some(facts) =
            stat(&mut bench.to, &intent.place, &intent.staged).map_err(|fault| trouble_of(&fault))?
        {
            remove(bench, intent, &facts).map_err(|fault| trouble_of(&fault))?;
        }
        group.settled.push(intent.id);
        folders.extend(intent.place.split().map(|(above, _)| above));
    }
    group.settled.extend(dropped);
    if group.settled.is_empty() {
        return Ok(());
    }
    names_durable(bench.ends.target, &mut bench.to, &folders).map_err(|fault| trouble_of(&fault))?;
    ledger.record_group(task.batch, &task.dataset, &task.source, &group)
}
