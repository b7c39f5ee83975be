//! One large file by all workers at once, block by block.
//!
//! A block is read, hashed and written by one worker; the chaining values make the file's hash.
//! Blocks are handed out in order, so that disks see a nearly straight read, and up to a
//! checkpoint all of them are done.

use super::again::{self, Agreed};
use super::small::{finish_file, split, write_piece};
use super::worker::{Bench, Staged};
use super::{Item, Task};
use crate::digest::{BLOCK, BlockValue, TreeDigest, root_of};
use crate::entry::Entry;
use crate::ledger::{FileRecord, Intent};
use crate::moment::Moment;
use crate::units::Bytes;
use crate::world::{Dress, Fault, FaultKind, FileIn, FileOut, Folder, OpenHow};
use blake3::hazmat::HasherExt;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};

/// A large file under way.
pub(super) struct Large {
    pub item: Item,
    source: Box<dyn FileIn>,
    target: Box<dyn FileOut>,
    before: Entry,
    sparse: bool,
    values: Mutex<Vec<Option<BlockValue>>>,
    /// Set once it is seen to change: what is left of it is not read for nothing.
    changed: AtomicBool,
    pub replaces: Option<FileRecord>,
    /// When its reading began; `None` where an earlier run has read a part.
    began: Option<Moment>,
}

impl Large {
    /// Opens both sides. With `resume`, the staged file is there and its first blocks are durable.
    pub(super) fn open(
        bench: &mut Bench<'_>,
        item: &Item,
        staged: &[u8],
        replaces: Option<FileRecord>,
        resume: Option<&Intent>,
    ) -> Result<Large, Fault> {
        let (above_from, name) = split(&item.from)?;
        let (above_to, _) = split(&item.place)?;
        let source = bench.from.get(&above_from)?.open(name, OpenHow::Plain)?;
        let before = source.facts()?;
        bench.task.refuse_other(item, &before)?;
        if before.size.0 <= super::LARGE_FROM {
            return Err(Fault::ours(
                "copy",
                name,
                FaultKind::Changed,
                "it shrank since the scan",
            ));
        }
        let sparse = before.is_sparse();
        let folder = bench.to.make(&above_to)?;
        let target = match resume {
            None => {
                let expected = if sparse { Bytes::ZERO } else { before.size };
                let target = bench
                    .to
                    .write_in(&above_to, |folder| folder.stage(staged, expected))?;
                if sparse {
                    // Zeros at a checkpoint are not written, but belong to what is durable.
                    target.set_length(before.size)?;
                }
                target
            }
            Some(intent) => go_on(bench.task, &*folder, name, &before, intent)?,
        };
        let began = resume.is_none().then(|| bench.ends.clock.now());
        let resume = resume.map_or(&[][..], |intent| &intent.values);
        let blocks = usize::try_from(before.size.0.div_ceil(BLOCK)).unwrap_or(usize::MAX);
        let mut values: Vec<Option<BlockValue>> = resume.iter().copied().map(Some).collect();
        values.resize(blocks, None);
        Ok(Large {
            item: item.clone(),
            source,
            target,
            before,
            sparse,
            values: Mutex::new(values),
            changed: AtomicBool::new(false),
            replaces,
            began,
        })
    }

    /// How large it is.
    pub(super) fn size(&self) -> Bytes {
        self.before.size
    }

    /// How many blocks it has.
    pub(super) fn blocks(&self) -> u64 {
        self.before.size.0.div_ceil(BLOCK)
    }

    fn values(&self) -> std::sync::MutexGuard<'_, Vec<Option<BlockValue>>> {
        self.values.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Values from the start up to the first block that is missing.
    pub(super) fn done(&self) -> Vec<BlockValue> {
        self.values().iter().map_while(|value| *value).collect()
    }

    /// Reads, hashes and writes one block.
    pub(super) fn copy_block(&self, bench: &mut Bench<'_>, index: u64) -> Result<(), Fault> {
        self.block_from(bench, &*self.source, index, self.sparse)
    }

    fn block_from(
        &self,
        bench: &mut Bench<'_>,
        source: &dyn FileIn,
        index: u64,
        sparse: bool,
    ) -> Result<(), Fault> {
        let (_, name) = split(&self.item.from)?;
        let start = index * BLOCK;
        let end = (start + BLOCK).min(self.before.size.0);
        let mut hasher = blake3::Hasher::new();
        hasher.set_input_offset(start);
        let mut at = start;
        while at < end {
            bench.ask((end - at).min(super::PIECE), name)?;
            if self.changed.load(Ordering::Relaxed) {
                return Err(shorter(name));
            }
            // Whole pieces: a direct read ends short at the end of the file by itself.
            let wanted = usize::try_from((end - at).min(super::PIECE)).unwrap_or(0);
            let length = source.read_at(at, bench.buffer.bytes_mut())?.min(wanted);
            if length == 0 {
                self.changed.store(true, Ordering::Relaxed);
                return Err(shorter(name));
            }
            let bytes = &bench.buffer.bytes()[..length];
            hasher.update(bytes);
            write_piece(&*self.target, at, bytes, sparse)?;
            bench.count(length);
            at += length as u64;
        }
        let value = BlockValue(hasher.finalize_non_root());
        if let Some(slot) = self
            .values()
            .get_mut(usize::try_from(index).unwrap_or(usize::MAX))
        {
            *slot = Some(value);
        }
        Ok(())
    }

    /// Makes what is written durable: a checkpoint.
    pub(super) fn sync(&self) -> Result<(), Fault> {
        self.target.sync()
    }

    /// After the last block: compares the source and what is known of it, dresses the file.
    pub(super) fn finish(&self, bench: &mut Bench<'_>) -> Result<Staged, Fault> {
        self.target.set_length(self.before.size)?;
        self.unchanged()?;
        let mut tree = self.tree()?;
        let now = self.before.identity();
        if let Agreed::Otherwise(good) = again::compare(bench, &self.item, &now, &tree)? {
            self.over_again(bench, &tree, &good)?;
            self.unchanged()?;
            tree = self.tree()?;
            if tree.root != good.root {
                return Err(again::disagrees(&self.item));
            }
        }
        let xattrs = self.source.xattrs()?;
        let facts = bench.task.facts_of(&self.item, self.before.clone());
        let mut staged = finish_file(bench, &*self.target, &facts, xattrs)?;
        staged.place = self.item.place.clone();
        staged.replaces = self.replaces.clone();
        let kept = |began| again::kept(bench.task, &self.item, &now, tree.root, began);
        staged.kept = self.began.and_then(kept);
        (staged.hash, staged.values) = (tree.root, tree.values);
        Ok(staged)
    }

    fn unchanged(&self) -> Result<(), Fault> {
        if self.source.facts()?.identity() == self.before.identity() {
            return Ok(());
        }
        let (_, name) = split(&self.item.from)?;
        let words = "it changed while it was read";
        Err(Fault::ours("copy", name, FaultKind::Changed, words))
    }

    fn tree(&self) -> Result<TreeDigest, Fault> {
        let values = self.done();
        match root_of(&values) {
            Some(root) if values.len() as u64 == self.blocks() => Ok(TreeDigest { root, values }),
            _ => {
                let (_, name) = split(&self.item.from)?;
                Err(Fault::ours("copy", name, FaultKind::Other, "a block is missing"))
            }
        }
    }

    /// Copies the blocks anew in which the first reading of them was odd. Zeros are written too:
    /// what they replace is wrong.
    fn over_again(&self, bench: &mut Bench<'_>, read: &TreeDigest, good: &TreeDigest) -> Result<(), Fault> {
        let source = again::open_anew(bench, &self.item)?;
        for (index, (one, other)) in (0u64..).zip(read.values.iter().zip(&good.values)) {
            if one != other {
                self.block_from(bench, &*source, index, false)?;
            }
        }
        Ok(())
    }
}

fn shorter(name: &[u8]) -> Fault {
    let words = "it became shorter while it was read";
    Fault::ours("copy", name, FaultKind::Changed, words)
}

/// Opens a staged file again, cut back to what is durable: what lies after it is from before a
/// crash, and zeros of a sparse file would not be written over it.
fn go_on(
    task: &Task,
    folder: &dyn Folder,
    name: &[u8],
    before: &Entry,
    intent: &Intent,
) -> Result<Box<dyn FileOut>, Fault> {
    if !task.same_source(&before.identity(), &intent.source) {
        return Err(Fault::ours(
            "copy",
            name,
            FaultKind::Changed,
            "it changed while it was read",
        ));
    }
    // It may have been dressed in a mode that does not let us write any more.
    let writable = Dress {
        mode: Some(0o600),
        ..Dress::default()
    };
    folder.dress(&intent.staged, &writable)?;
    let target = folder.reopen(&intent.staged)?;
    target.set_length(intent.done)?;
    target.set_length(before.size)?;
    Ok(target)
}
