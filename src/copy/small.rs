//! One file or symlink by one worker, from front to back.

use super::again::{self, Agreed};
use super::existing::{self, Standing};
use super::folders::dress_of;
use super::retry::patiently;
use super::worker::{Bench, Made, Staged};
use super::{Item, Task, interrupted};
use crate::digest::{Digest, TreeDigest, TreeHasher};
use crate::entry::{Entry, EntryKind};
use crate::ledger::Attributes;
use crate::moment::Moment;
use crate::units::Bytes;
use crate::world::{Durability, Fault, FaultKind, FileOut, Loss, OpenHow, Xattr};

/// Below this many zero bytes in a row no hole is worth making: most file systems' blocks are
/// smaller, and a hole of less costs more than it saves.
const HOLE: usize = 64 << 10;

/// Copies one whole file or symlink under its staged name, unless it lies at its place already.
pub(super) fn copy(bench: &mut Bench<'_>, item: &Item, staged: &[u8]) -> Result<Made, Fault> {
    let ends = bench.ends;
    patiently(ends, || {
        if ends.stop.is_set() {
            return Err(interrupted(item.from.as_bytes()));
        }
        let replaces = match existing::look(bench, item)? {
            Standing::Free => None,
            Standing::Ours(record) => Some(*record),
            Standing::Same(found) => return Ok(Made::AtPlace(found)),
        };
        let began = ends.clock.now();
        let result = match item.entry.kind {
            EntryKind::Symlink => stage_symlink(bench, item, staged),
            _ => stage_file(bench, item, staged, OpenHow::Plain)
                .and_then(|made| agreed(bench, item, staged, made, began)),
        };
        match result {
            Ok(mut made) => {
                made.replaces = replaces;
                Ok(Made::Staged(Box::new(made)))
            }
            Err(fault) => {
                // A crash leaves it to the intent; any other failure cleans up at once.
                if fault.kind != FaultKind::Crash || ends.stop.is_set() {
                    discard(bench, item, staged);
                }
                Err(fault)
            }
        }
    })
}

/// Removes a staged entry of ours, as far as that goes: what stays is settled from its intent.
pub(super) fn discard(bench: &mut Bench<'_>, item: &Item, staged: &[u8]) {
    let Some((above, _)) = item.place.split() else {
        return;
    };
    if let Ok(folder) = bench.to.get(&above) {
        if let Ok(facts) = folder.stat(staged) {
            let _ = folder.remove(staged, &facts);
        }
    }
}

/// What was staged, where an earlier read of the source agrees or a third bears it out; else it
/// is staged anew and must be what the other two reads gave.
fn agreed(
    bench: &mut Bench<'_>,
    item: &Item,
    staged: &[u8],
    mut made: Staged,
    began: Moment,
) -> Result<Staged, Fault> {
    let read = TreeDigest {
        root: made.hash,
        values: std::mem::take(&mut made.values),
    };
    match again::compare(bench, item, &made.source, &read)? {
        Agreed::AsRead => made.values = read.values,
        Agreed::Otherwise(good) => {
            discard(bench, item, staged);
            made = stage_file(bench, item, staged, OpenHow::FromDisk)?;
            if made.hash != good.root {
                return Err(again::disagrees(item));
            }
        }
    }
    made.kept = again::kept(bench.task, item, &made.source, made.hash, began);
    Ok(made)
}

fn stage_file(bench: &mut Bench<'_>, item: &Item, staged: &[u8], how: OpenHow) -> Result<Staged, Fault> {
    let (above_from, name) = split(&item.from)?;
    let (above_to, _) = split(&item.place)?;
    let source = bench.from.get(&above_from)?.open(name, how)?;
    let before = source.facts()?;
    bench.task.refuse_other(item, &before)?;
    let sparse = before.is_sparse();
    let expected = if sparse { Bytes::ZERO } else { before.size };
    let target = bench
        .to
        .write_in(&above_to, |folder| folder.stage(staged, expected))?;
    let mut hasher = TreeHasher::new();
    let mut at = 0u64;
    // One read past the known size shows a file that grew; a short read alone is not the end.
    loop {
        bench.ask(before.size.0.saturating_sub(at).min(super::PIECE), name)?;
        let length = source.read_at(at, bench.buffer.bytes_mut())?;
        let bytes = &bench.buffer.bytes()[..length];
        hasher.update(bytes);
        write_piece(&*target, at, bytes, sparse)?;
        bench.count(length);
        at += length as u64;
        let short = (length as u64) < super::PIECE;
        if length == 0 || at > before.size.0 || (short && at == before.size.0) {
            break;
        }
    }
    if sparse {
        // What was skipped at the end are zeros as well.
        target.set_length(Bytes(at))?;
    }
    let after = source.facts()?;
    if before.identity() != after.identity() || at != before.size.0 {
        return Err(Fault::ours(
            "copy",
            name,
            FaultKind::Changed,
            "it changed while it was read",
        ));
    }
    let xattrs = source.xattrs()?;
    let tree = hasher.finish();
    let facts = bench.task.facts_of(item, before);
    let mut staged = finish_file(bench, &*target, &facts, xattrs)?;
    staged.place = item.place.clone();
    (staged.hash, staged.values) = (tree.root, tree.values);
    Ok(staged)
}

/// Dresses a complete file and reads back what it has become.
pub(super) fn finish_file(
    bench: &Bench<'_>,
    target: &dyn FileOut,
    source: &Entry,
    xattrs: Vec<crate::world::Xattr>,
) -> Result<Staged, Fault> {
    let dress = dress_of(source, xattrs, bench.task);
    let mut losses = target.dress(&dress)?;
    let attributes = match dress.xattrs.is_empty() {
        true => None,
        false => kept(bench.task, &dress.xattrs, &target.xattrs()?, &mut losses),
    };
    if bench.ends.target.durability() != Durability::Local {
        // Where one sync for all does not reach the disk, each file has its own.
        target.sync()?;
    }
    let facts = target.facts()?;
    let wanted = bench.task.permissions.applied(source);
    silent_losses(&wanted, &facts, bench.task.owners, &mut losses);
    Ok(Staged {
        place: Default::default(),
        source: source.identity(),
        links: source.links,
        facts,
        hash: Digest([0; 32]),
        values: Vec::new(),
        losses,
        attributes,
        kept: None,
        replaces: None,
    })
}

/// What a file system takes without a word and does not keep (hazard M3).
fn silent_losses(wanted: &Entry, found: &Entry, owners: bool, losses: &mut Vec<Loss>) {
    let owner = (found.uid, found.gid) != (wanted.uid, wanted.gid);
    let kinds = [
        (
            "time",
            found.mtime != wanted.mtime,
            "it was not kept to the nanosecond",
        ),
        ("mode", found.mode != wanted.mode, "it was not kept"),
        ("owner", owners && owner, "it was not kept"),
    ];
    for (kind, lost, why) in kinds {
        if lost && !losses.iter().any(|loss| loss.kind == kind) {
            losses.push(Loss {
                kind,
                why: why.into(),
            });
        }
    }
}

/// Of the attributes that were set, those found again; the others are losses. Kinds that the user
/// accepts to lose are not held against anything later.
pub(super) fn kept(
    task: &Task,
    set: &[Xattr],
    found: &[Xattr],
    losses: &mut Vec<Loss>,
) -> Option<Attributes> {
    let (mut kept, lost): (Vec<Xattr>, Vec<Xattr>) = set.iter().cloned().partition(|x| found.contains(x));
    for kind in lost.iter().map(Xattr::kind) {
        if !losses.iter().any(|loss| loss.kind == kind) {
            losses.push(Loss {
                kind,
                why: "it was not kept".into(),
            });
        }
    }
    kept.retain(|one| !task.accepts(one.kind()));
    Attributes::of(&kept)
}

fn stage_symlink(bench: &mut Bench<'_>, item: &Item, staged: &[u8]) -> Result<Staged, Fault> {
    let (above_from, name) = split(&item.from)?;
    let (above_to, _) = split(&item.place)?;
    let source = bench.from.get(&above_from)?.stat(name)?;
    bench.task.refuse_other(item, &source)?;
    let source = bench.task.facts_of(item, source);
    let Some(target) = source.target.clone() else {
        return Err(Fault::ours(
            "copy",
            name,
            FaultKind::WrongKind,
            "it is no symlink any more",
        ));
    };
    bench
        .to
        .write_in(&above_to, |folder| folder.make_symlink(staged, &target))?;
    let folder = bench.to.make(&above_to)?;
    let losses = folder.dress(staged, &dress_of(&source, Vec::new(), bench.task))?;
    let facts = folder.stat(staged)?;
    Ok(Staged {
        place: item.place.clone(),
        source: source.identity(),
        links: 1,
        facts,
        hash: Digest::of(&target),
        values: Vec::new(),
        losses,
        attributes: None,
        kept: None,
        replaces: None,
    })
}

/// Writes a piece; of a sparse source only what is not zeros, since hole maps cannot be trusted
/// everywhere (hazard L3) and zeros need no space.
pub(super) fn write_piece(target: &dyn FileOut, at: u64, bytes: &[u8], sparse: bool) -> Result<(), Fault> {
    if !sparse {
        return if bytes.is_empty() {
            Ok(())
        } else {
            target.write_at(at, bytes)
        };
    }
    for (index, chunk) in bytes.chunks(HOLE).enumerate() {
        if chunk.iter().any(|b| *b != 0) {
            target.write_at(at + (index * HOLE) as u64, chunk)?;
        }
    }
    Ok(())
}

/// The folder and name of something that is not the root.
pub(super) fn split(path: &crate::names::RelPath) -> Result<(crate::names::RelPath, &[u8]), Fault> {
    path.split()
        .ok_or_else(|| Fault::ours("copy", b".", FaultKind::WrongKind, "the root is no file"))
}
