//! The hand that copies: from a source's files to files durable at their places.
//!
//! A durable copy, step by step. Opening the ledger later finds what is named in brackets.
//!
//! 1. Record the intent of a group: targets and staged names. [intent only: nothing was done]
//! 2. Write each file beside its target under its staged name, hashing on the way. [a staged name
//!    in an intent: a large file goes on after its last checkpoint, any other is removed]
//! 3. Compare the source's identity before and after; a file that changed is tried again.
//! 4. Make the data of the group durable, then record inodes and hashes of the staged files.
//! 5. Publish by a rename that replaces nothing. [a target with the recorded inode: ours, hashed
//!    again and recorded; any other target: hashed against the source, adopted or a conflict]
//! 6. Make the names durable.
//! 7. Record hash, place and identity; the intents go in the same transaction. [a record without
//!    a target cannot come from us, by 4 to 7: it is lost storage, and `verify` says so]
//!
//! Each worker asks for leave before it reads a piece: limits of windows, and a busy source, hold for
//! all of them together (`pace`).
//!
//! While one group is made durable the workers write the next. One thread owns the ledger.

mod again;
mod commit;
mod existing;
mod folders;
pub mod follow;
mod gather;
mod group;
mod huge;
mod lanes;
mod large;
mod links;
mod losing;
pub mod moves;
mod pace;
mod recover;
mod repair;
mod retry;
mod small;
mod view;
mod worker;

use crate::entry::{Entry, Identity, Permissions};
use crate::ledger::{FileRecord, Ledger};
use crate::names::RelPath;
use crate::report::waybill::fits;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes, Span};
use crate::world::{Clock, Fault, FaultKind, Fs, Stop};
use std::collections::BTreeMap;
use std::sync::Arc;

pub use crate::world::trouble_of;
pub(crate) use crate::world::{OpenFolders, interrupted};
pub use again::Known;
pub(crate) use commit::amount_of;
pub use folders::{Dressed, FolderItem, dress_folders};
pub use lanes::StreamLimits;
pub use pace::{Pace, Slowed};
pub use recover::give_up_leftovers;
pub use repair::{Repair, Repaired, repair};
pub use view::{links_in, set_links};

/// Most files that are under way at once: what a crash may cost to do again.
pub const GROUP_FILES: usize = 4_096;
/// Most bytes that are under way at once, and of one file between two checkpoints.
pub const GROUP_BYTES: u64 = 1 << 30;
/// One group is written while the one before it is made durable, so each holds half of what may be
/// under way.
const GROUPS_AT_ONCE: u64 = 2;
/// Bytes read, hashed and written in one piece.
pub(crate) const PIECE: u64 = 4 << 20;
/// Files above this size are written by all workers at once, block by block.
pub(crate) const LARGE_FROM: u64 = 2 * crate::digest::BLOCK;

/// The two ends of one batch, and what the hands need beside them.
#[derive(Clone, Copy)]
pub struct Ends<'a> {
    /// The source's root.
    pub source: &'a dyn Fs,
    /// The dataset's folder.
    pub target: &'a dyn Fs,
    /// Tells the time and waits.
    pub clock: &'a dyn Clock,
    /// Whether to end.
    pub stop: &'a Stop,
}

/// What is the same for every file of one batch.
#[derive(Debug, Clone)]
pub struct Task {
    /// The batch's number in the ledger.
    pub batch: i64,
    /// The dataset's name.
    pub dataset: String,
    /// The source's name.
    pub source: String,
    /// Part of every staged name: the move's own number.
    pub tag: String,
    /// Whether the source's inode numbers can be believed.
    pub inodes_hold: bool,
    /// Whether owners are carried.
    pub owners: bool,
    /// What is set instead of carried.
    pub permissions: Permissions,
    /// How many files or blocks at once.
    pub streams: StreamLimits,
    /// Space that stays free at the destination.
    pub reserve: Bytes,
    /// Under which name the ledger keeps hashes of the source; see [`Known`].
    pub shelf: String,
    /// Whether nothing is written: what lies at its place is taken over, the rest is a failure.
    pub only_adopt: bool,
    /// Whether a file at the destination keeps its inode number from one mount to the next.
    pub placed_inodes_hold: bool,
    /// Kinds of facts that the user accepts this destination cannot keep.
    pub accept: Vec<String>,
    /// Whether nothing is copied but what the index lists, for a source on another machine: with
    /// its inode numbers, or by size and time alone. `None`: a file is taken as it is now.
    pub as_listed: Option<bool>,
}

impl Task {
    /// Whether the user accepts that facts of this kind are lost.
    pub(crate) fn accepts(&self, kind: &str) -> bool {
        self.accept.iter().any(|accepted| accepted == kind)
    }

    /// Refuses a source file that is not the one listed, where that is asked for.
    pub(crate) fn refuse_other(&self, item: &Item, seen: &Entry) -> Result<(), Fault> {
        let Some(inodes) = self.as_listed else {
            return Ok(());
        };
        let (listed, now) = (item.entry.identity(), seen.identity());
        let alike = seen.kind == item.entry.kind && seen.target == item.entry.target;
        match alike && fits(&listed, &now, inodes) {
            true => Ok(()),
            false => Err(Fault::ours(
                "copy",
                item.from.as_bytes(),
                FaultKind::Another,
                "it is not the file that is listed: kind, size, time or number differ",
            )),
        }
    }

    /// What is recorded of a source file: on another machine, where it was held against the index,
    /// what the index says, for links and later runs know it by that.
    pub(crate) fn known_as(&self, item: &Item, seen: Identity) -> Identity {
        match self.as_listed {
            Some(_) => item.entry.identity(),
            None => seen,
        }
    }

    /// What a copy is dressed with, likewise: mounts show one file with other owners and modes.
    pub(crate) fn facts_of(&self, item: &Item, seen: Entry) -> Entry {
        match self.as_listed {
            Some(_) => Entry {
                allocated: seen.allocated,
                ..item.entry.clone()
            },
            None => seen,
        }
    }

    /// Whether a source file is in the same state, seen in two runs: an inode number that does not
    /// outlive the mount says nothing.
    pub(crate) fn same_source(&self, one: &Identity, other: &Identity) -> bool {
        if let Some(inodes) = self.as_listed {
            return fits(one, other, inodes);
        }
        let facts = |id: &Identity| (id.size, id.mtime, id.ctime);
        facts(one) == facts(other) && (!self.inodes_hold || one.inode == other.inode)
    }
}

/// One file or symlink to be copied.
#[derive(Debug, Clone)]
pub struct Item {
    /// Its path below the source's root.
    pub from: RelPath,
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// What the index knows of it.
    pub entry: Entry,
    /// What was recorded at that place before, if it is to be done again.
    pub recorded: Option<FileRecord>,
    /// What is known of its content, where its hash is worth keeping.
    pub known: Option<Box<Known>>,
}

/// How far a copy is.
#[derive(Debug, Clone, Copy, Default)]
pub struct Progress {
    /// Bytes written so far.
    pub bytes: Bytes,
    /// Files written so far.
    pub files: u64,
    /// Of these, files under 1 MiB that are done.
    pub small: Amount,
    /// How long workers have waited for a limit so far, all of them together.
    pub waited: Span,
    /// Whether it goes slower than it could, since the source is busy.
    pub slowed: bool,
}

/// What a copy of one batch came to.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Copied in this run.
    pub copied: Amount,
    /// Of these, bytes that an interrupted run had written already.
    pub resumed: Bytes,
    /// Files in which bad ranges were written anew, and the bytes of these ranges.
    pub repaired: Amount,
    /// Found at their places with the right content and taken over.
    pub adopted: Amount,
    /// Of the adopted, files of which the source's hash was known and the source not read.
    pub known: u64,
    /// How often a read of the source gave another content than an earlier one.
    pub disagreed: u64,
    /// Files that could not be copied.
    pub failed: u64,
    /// Of these, files of others at our places.
    pub conflicts: u64,
    /// Whether size and times alone tell whose a file at the destination is.
    pub by_times: bool,
    /// Facts the destination could not keep, by kind.
    pub losses: BTreeMap<&'static str, u64>,
    /// Files under 1 MiB among the copied.
    pub small: Amount,
    /// Streams at the end, where there was such work: of small and of large files.
    pub streams: (Option<usize>, Option<usize>),
    /// Whether the hours were over before everything was done: the same call goes on in the next.
    pub shut: bool,
    /// How often and how long it was slowed down for others.
    pub slowed: Slowed,
    /// How long workers have waited for a limit, all of them together: such a run does not say
    /// what the ends can do.
    pub waited: Span,
}

impl Outcome {
    /// Adds what a later run of the same batch came to.
    pub fn add(&mut self, later: Outcome) {
        self.copied.add(later.copied);
        self.resumed = self.resumed.plus(later.resumed);
        self.adopted.add(later.adopted);
        self.failed += later.failed;
        self.conflicts += later.conflicts;
        for (kind, files) in later.losses {
            *self.losses.entry(kind).or_default() += files;
        }
        self.small.add(later.small);
        self.streams = later.streams;
        self.shut = later.shut;
        self.waited = self.waited.plus(later.waited);
        self.slowed.times += later.slowed.times;
        self.slowed.span = self.slowed.span.plus(later.slowed.span);
    }
}

/// Copies what `items` names, in its order, and records it.
///
/// # Errors
/// [`Trouble`] where everything had to stop: no space, a mount that is gone, an interruption. What
/// was recorded until then stays true; the same call goes on from there.
pub fn copy(
    ends: Ends<'_>,
    task: &Task,
    ledger: &mut Ledger,
    items: &mut dyn Iterator<Item = Result<Item, Trouble>>,
    progress: &dyn Fn(Progress),
) -> Result<Outcome, Trouble> {
    copy_at(ends, task, ledger, items, &Arc::new(Pace::free()), progress)
}

/// As [`copy`], at a pace. Where its hours end first, what is complete is recorded, a large file
/// stops at a checkpoint, and the outcome says so.
///
/// # Errors
/// As for [`copy`].
pub fn copy_at(
    ends: Ends<'_>,
    task: &Task,
    ledger: &mut Ledger,
    items: &mut dyn Iterator<Item = Result<Item, Trouble>>,
    pace: &Arc<Pace>,
    progress: &dyn Fn(Progress),
) -> Result<Outcome, Trouble> {
    let left = recover::settle_leftovers(ends, task, ledger)?;
    let mut run = group::Run::new(ends, task, left, pace);
    run.all(ledger, items, progress)?;
    run.outcome.slowed = pace.take_slowed();
    run.outcome.waited = pace.take_waited();
    if run.outcome.shut {
        return Ok(run.outcome);
    }
    links::make(&mut run, ledger)?;
    run.finish(ledger)
}
