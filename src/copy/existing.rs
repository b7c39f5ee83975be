//! What lies at a target already, and whose it is.

use super::again::{self, Agreed, hash_of};
use super::small::split;
use super::worker::Bench;
use super::{Item, Task};
use crate::digest::{BlockValue, Digest, TreeDigest, TreeHasher};
use crate::entry::{Entry, EntryKind, Identity};
use crate::ledger::{Content, ContentKey, FileRecord, Proof, to_second};
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
    /// Whether the source was not read for it: its hash was known.
    pub known: bool,
    /// What is kept of its content.
    pub kept: Option<(ContentKey, Content)>,
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
    let began = bench.ends.clock.now();
    let (source, theirs, known) = match item.entry.kind {
        EntryKind::Symlink => symlinks(bench, item, &found)?,
        _ => contents(bench, item, &found)?,
    };
    let source = bench.task.known_as(item, source);
    let now = bench.ends.clock.now();
    match theirs {
        Some(tree) => Ok(Standing::Same(Box::new(Adopted {
            record: FileRecord {
                place: item.place.clone(),
                kind: item.entry.kind,
                source,
                placed: found.identity(),
                hash: tree.root,
                copied_at: to_second(now),
                proof: Proof::Adopted,
            },
            values: tree.values,
            kept: match known {
                true => None,
                false => again::kept(bench.task, item, &source, tree.root, began),
            },
            known,
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
) -> Result<(Identity, Option<TreeDigest>, bool), Fault> {
    let (above, name) = split(&item.from)?;
    let source = bench.from.get(&above)?.stat(name)?;
    bench.task.refuse_other(item, &source)?;
    let same = source.target.is_some() && source.target == found.target;
    let tree = |target: &[u8]| TreeDigest {
        root: Digest::of(target),
        values: Vec::new(),
    };
    let tree = source.target.as_deref().filter(|_| same).map(tree);
    Ok((source.identity(), tree, false))
}

/// Hashes both sides where the sizes agree; of the source only what is not known. It must be the
/// same before and after. With its identity comes the content, and whether it was known.
fn contents(
    bench: &mut Bench<'_>,
    item: &Item,
    found: &Entry,
) -> Result<(Identity, Option<TreeDigest>, bool), Fault> {
    let (above, name) = split(&item.from)?;
    let mut theirs = None;
    if item.known.is_some() {
        let seen = bench.from.get(&above)?.stat(name)?;
        bench.task.refuse_other(item, &seen)?;
        let same = seen.kind == found.kind && seen.size == found.size;
        if let Some(known) = hash_of(bench.task, item, &seen.identity()).filter(|_| same) {
            let tree = hash_target(bench, item)?;
            if tree.root == known {
                durable(bench, item)?;
                return Ok((seen.identity(), Some(tree), true));
            }
            // One of the two is not what it should be: the source itself is asked.
            theirs = Some(tree);
        }
    }
    let source = bench.from.get(&above)?.open(name, OpenHow::Plain)?;
    let before = source.facts()?;
    bench.task.refuse_other(item, &before)?;
    if before.size != found.size {
        return Ok((before.identity(), None, false));
    }
    let mut ours = hash_all(bench, &*source)?;
    if source.facts()?.identity() != before.identity() {
        return Err(Fault::ours(
            "copy",
            name,
            FaultKind::Changed,
            "it changed while it was read",
        ));
    }
    if let Agreed::Otherwise(good) = again::compare(bench, item, &before.identity(), &ours)? {
        ours = good;
    }
    let theirs = match theirs {
        Some(tree) => tree,
        None => hash_target(bench, item)?,
    };
    if ours != theirs {
        return Ok((before.identity(), None, false));
    }
    durable(bench, item)?;
    Ok((before.identity(), Some(ours), false))
}

/// Written by another program, a moment ago perhaps: where no sync for all reaches the disk, the
/// file has its own.
fn durable(bench: &mut Bench<'_>, item: &Item) -> Result<(), Fault> {
    if bench.ends.target.durability() == Durability::Local {
        return Ok(());
    }
    let (above, name) = split(&item.place)?;
    bench.to.get(&above)?.open(name, OpenHow::Plain)?.sync()
}

fn hash_target(bench: &mut Bench<'_>, item: &Item) -> Result<TreeDigest, Fault> {
    let (above, name) = split(&item.place)?;
    let target = bench.to.get(&above)?.open(name, OpenHow::Plain)?;
    hash_all(bench, &*target)
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
