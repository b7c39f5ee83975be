//! Hashes known from earlier reads of the source, and what happens where a read disagrees.
//!
//! A hash made while copying proves what was read, not what the disk holds. Where the whole of the
//! very same file was hashed before, two independent reads are compared for nothing. If they
//! differ, something between the disk and us is bad: nothing is published before a third read,
//! past the page cache where that goes, has said which of them was right.

use super::small::split;
use super::worker::Bench;
use super::{Item, PIECE, Task};
use crate::digest::{Digest, TreeDigest, TreeHasher, differing_ranges};
use crate::entry::{EntryKind, Identity};
use crate::ledger::{Content, ContentKey, Disagreement};
use crate::lifecycle::{Stands, settle};
use crate::moment::Moment;
use crate::world::{Fault, FaultKind, FileIn, OpenHow};

/// What is known of a source file's content, and where it is kept.
#[derive(Debug, Clone)]
pub struct Known {
    /// Under which its hash is kept.
    pub key: ContentKey,
    /// The hash of the whole of it from before.
    pub hash: Option<Digest>,
}

/// What came of comparing a read with the one before.
pub(super) enum Agreed {
    /// The read stands: nothing else is known, it is the same, or the third read bears it out.
    AsRead,
    /// The earlier read was right; this is the content that the third read bears out.
    Otherwise(TreeDigest),
}

/// The hash known from before, if the file is still what it was then.
pub(super) fn hash_of(task: &Task, item: &Item, now: &Identity) -> Option<Digest> {
    let known = item.known.as_ref()?;
    let file = item.entry.kind == EntryKind::File;
    known
        .hash
        .filter(|_| file && task.same_source(now, &item.entry.identity()))
}

/// What is kept of a file that was read as `hash`, from `began` on; nothing where it is not the file that was
/// scanned, since the next scan will give it another key.
pub(super) fn kept(
    task: &Task,
    item: &Item,
    now: &Identity,
    hash: Digest,
    began: Moment,
) -> Option<(ContentKey, Content)> {
    let known = item
        .known
        .as_ref()
        .filter(|_| task.same_source(now, &item.entry.identity()))?;
    let content = Content {
        sample: None,
        whole: Some(hash),
        header: None,
        // An edit while it was read may have left it the same times.
        read_at: began,
    };
    Some((known.key.clone(), content))
}

/// Compares what was read of a source file with what is known of it; a third read decides.
///
/// # Errors
/// A [`Fault`] of kind `Disagrees` where all three differ, `Changed` where the file has changed.
pub(super) fn compare(
    bench: &mut Bench<'_>,
    item: &Item,
    now: &Identity,
    read: &TreeDigest,
) -> Result<Agreed, Fault> {
    let Some(earlier) = hash_of(bench.task, item, now).filter(|earlier| *earlier != read.root) else {
        return Ok(Agreed::AsRead);
    };
    let third = read_again(bench, item, now)?;
    let stands = settle(&earlier, &read.root, || third.root);
    let ranges = match third.root == read.root {
        true => Vec::new(),
        false => differing_ranges(&third.values, &read.values, now.size.0),
    };
    bench.counters.note(Disagreement {
        path: item.from.clone(),
        identity: *now,
        earlier,
        later: read.root,
        ranges,
        at: bench.ends.clock.now(),
        settled_by: stands.word().into(),
    });
    match stands {
        Stands::Both | Stands::Second => Ok(Agreed::AsRead),
        Stands::First => Ok(Agreed::Otherwise(third)),
        Stands::None => Err(disagrees(item)),
    }
}

/// The fault of a file whose reads do not agree.
pub(super) fn disagrees(item: &Item) -> Fault {
    let words =
        "it has not changed, but reads of it give different content: check memory, cables and controller";
    Fault::ours("copy", item.from.as_bytes(), FaultKind::Disagrees, words)
}

/// Opens a source file past the page cache, which may hold what was wrong.
pub(super) fn open_anew(bench: &mut Bench<'_>, item: &Item) -> Result<Box<dyn FileIn>, Fault> {
    let (above, name) = split(&item.from)?;
    bench.from.get(&above)?.open(name, OpenHow::FromDisk)
}

fn read_again(bench: &mut Bench<'_>, item: &Item, now: &Identity) -> Result<TreeDigest, Fault> {
    let changed = || {
        let words = "it changed while it was read";
        Fault::ours("copy", item.from.as_bytes(), FaultKind::Changed, words)
    };
    let file = open_anew(bench, item)?;
    if file.facts()?.identity() != *now {
        return Err(changed());
    }
    let mut hasher = TreeHasher::new();
    loop {
        let left = now.size.0.saturating_sub(hasher.position());
        bench.ask(left.min(PIECE), item.from.as_bytes())?;
        let length = file.read_at(hasher.position(), bench.buffer.bytes_mut())?;
        hasher.update(&bench.buffer.bytes()[..length]);
        // A direct read ends short, and only there, at the end of the file.
        if length == 0 || ((length as u64) < PIECE && hasher.position() >= now.size.0) {
            break;
        }
    }
    if file.facts()?.identity() != *now || hasher.position() != now.size.0 {
        return Err(changed());
    }
    Ok(hasher.finish())
}
