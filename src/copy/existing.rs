//! What lies at a target already, and whose it is.

use super::Item;
use super::Task;
use super::small::split;
use super::worker::Bench;
use crate::digest::{BlockValue, Digest, TreeDigest, TreeHasher};
use crate::entry::{Entry, EntryKind, Identity};
use crate::ledger::{FileRecord, Proof, to_second};
use crate::world::{Durability, Fault, FaultKind, FileIn, OpenHow};

/// Whose a target is.
pub(super) enum Standing {
    /// Nothing lies there.
    Free,
    /// What we placed and nobody has touched since.
    Ours(Box<FileRecord>),
    /// Not placed by us, but with the source's content: adopted.
    Same(Box<Adopted>),
}

/// A file that lay at its place with the right content.
pub(super) struct Adopted {
    pub record: FileRecord,
    /// The values of its blocks, where it has several.
    pub values: Vec<BlockValue>,
}

/// Looks at the target of an item.
///
/// # Errors
/// A [`Fault`] of kind `Exists` where it is a conflict: edited here, or somebody else's.
pub(super) fn look(bench: &mut Bench<'_>, item: &Item) -> Result<Standing, Fault> {
    let (above, name) = split(&item.place)?;
    let found = match bench.to.get(&above).and_then(|folder| folder.stat(name)) {
        Ok(found) => found,
        Err(fault) if fault.kind == FaultKind::NotFound && bench.task.only_adopt => {
            return Err(Fault::ours(
                "adopt",
                name,
                FaultKind::Unsupported,
                "it is not at the destination",
            ));
        }
        Err(fault) if fault.kind == FaultKind::NotFound => return Ok(Standing::Free),
        Err(fault) => return Err(fault),
    };
    if let Some(record) = &item.recorded {
        return match is_as_placed(bench.task, &found, &record.placed) {
            true => Ok(Standing::Ours(Box::new(record.clone()))),
            false => Err(conflict(name, EDITED)),
        };
    }
    if found.kind != item.entry.kind {
        return Err(conflict(
            name,
            "something else has its place: a folder, or an entry of another kind",
        ));
    }
    let (source, theirs) = match item.entry.kind {
        EntryKind::Symlink => symlinks(bench, item, &found)?,
        _ => contents(bench, item, &found)?,
    };
    match theirs {
        Some(tree) => Ok(Standing::Same(Box::new(Adopted {
            record: FileRecord {
                place: item.place.clone(),
                kind: item.entry.kind,
                source,
                placed: found.identity(),
                hash: tree.root,
                copied_at: to_second(bench.ends.clock.now()),
                proof: Proof::Adopted,
            },
            values: tree.values,
        }))),
        None => Err(conflict(
            name,
            "a file that is not ours has its place, with other content",
        )),
    }
}

/// The words of a conflict with a file that was edited after it was placed.
pub(super) const EDITED: &str = "the file at the destination was changed after it was placed there";

fn conflict(name: &[u8], words: &str) -> Fault {
    Fault::ours("place", name, FaultKind::Exists, words)
}

/// Rule 2: ours is what still has the inode, size, mtime and ctime that were recorded; at an end
/// that numbers its files anew with each mount, the last three.
pub(super) fn is_as_placed(task: &Task, found: &Entry, placed: &Identity) -> bool {
    let found = Identity {
        inode: if task.placed_inodes_hold {
            found.inode
        } else {
            placed.inode
        },
        ..found.identity()
    };
    found == *placed
}

fn symlinks(
    bench: &mut Bench<'_>,
    item: &Item,
    found: &Entry,
) -> Result<(Identity, Option<TreeDigest>), Fault> {
    let (above, name) = split(&item.from)?;
    let source = bench.from.get(&above)?.stat(name)?;
    let same = source.target.is_some() && source.target == found.target;
    let tree = |target: &[u8]| TreeDigest {
        root: Digest::of(target),
        values: Vec::new(),
    };
    let tree = source.target.as_deref().filter(|_| same).map(tree);
    Ok((source.identity(), tree))
}

/// Hashes both sides where the sizes agree. The source must be the same before and after.
fn contents(
    bench: &mut Bench<'_>,
    item: &Item,
    found: &Entry,
) -> Result<(Identity, Option<TreeDigest>), Fault> {
    let (above, name) = split(&item.from)?;
    let source = bench.from.get(&above)?.open(name, OpenHow::Plain)?;
    let before = source.facts()?;
    if before.size != found.size {
        return Ok((before.identity(), None));
    }
    let (above_to, name_to) = split(&item.place)?;
    let target = bench.to.get(&above_to)?.open(name_to, OpenHow::Plain)?;
    let ours = hash_all(bench, &*source)?;
    if source.facts()?.identity() != before.identity() {
        return Err(Fault::ours(
            "copy",
            name,
            FaultKind::Changed,
            "it changed while it was read",
        ));
    }
    let theirs = hash_all(bench, &*target)?;
    if ours == theirs && bench.ends.target.durability() != Durability::Local {
        // Written by another program, a moment ago perhaps, and no sync for all will do it.
        target.sync()?;
    }
    Ok((before.identity(), (ours == theirs).then_some(ours)))
}

/// The hash of all of a file.
pub(super) fn hash_all(bench: &mut Bench<'_>, file: &dyn FileIn) -> Result<TreeDigest, Fault> {
    let size = file.facts()?.size.0;
    let mut hasher = TreeHasher::new();
    loop {
        // Terabytes take hours.
        bench.ask(size.saturating_sub(hasher.position()).min(super::PIECE), b".")?;
        let length = file.read_at(hasher.position(), bench.buffer.bytes_mut())?;
        if length == 0 {
            return Ok(hasher.finish());
        }
        hasher.update(&bench.buffer.bytes()[..length]);
    }
}
