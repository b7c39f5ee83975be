//! Workers: each takes a job, does it, and reports to the one owner.

use super::OpenFolders;
use super::existing::Adopted;
use super::lanes::{Lane, Lanes};
use super::large::Large;
use super::retry::{patiently_a_part, weigh};
use super::{Ends, Item, PIECE, Pace, Task, interrupted, small};
use crate::digest::{BLOCK, BlockValue, Digest};
use crate::entry::{Entry, Identity};
use crate::ledger::{Attributes, Content, ContentKey, Disagreement, FileRecord};
use crate::names::RelPath;
use crate::world::{Buffer, Fault, Loss};
use crossbeam_channel::{Receiver, Sender};
use std::num::NonZeroU64;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// A piece of work.
#[expect(
    clippy::large_enum_variant,
    reason = "a few dozen are in flight; a box for each buys nothing"
)]
pub(super) enum Job {
    /// A whole file or symlink, with its place in the group and its staged name.
    Whole { at: usize, item: Item, staged: Vec<u8> },
    /// One block of a large file.
    Block {
        at: usize,
        large: Arc<Large>,
        index: u64,
    },
}

/// What came of it.
#[expect(
    clippy::large_enum_variant,
    reason = "a few dozen are in flight; a box for each buys nothing"
)]
pub(super) enum Report {
    /// A whole file.
    Whole {
        at: usize,
        item: Item,
        result: Result<Made, Fault>,
    },
    /// A block.
    Block { at: usize, result: Result<(), Fault> },
}

/// What a worker made of a file.
pub(super) enum Made {
    /// It lies under its staged name, complete and dressed.
    Staged(Box<Staged>),
    /// It lay at its place already with the right content.
    AtPlace(Box<Adopted>),
}

/// A file complete under its staged name.
pub(super) struct Staged {
    pub place: RelPath,
    /// What it was at the source.
    pub source: Identity,
    /// Names it has at the source.
    pub links: u64,
    /// The staged file's own facts.
    pub facts: Entry,
    pub hash: Digest,
    pub values: Vec<BlockValue>,
    pub losses: Vec<Loss>,
    /// Attributes that were set and kept.
    pub attributes: Option<Attributes>,
    /// What is kept of its content.
    pub kept: Option<(ContentKey, Content)>,
    /// What lies at the place now and goes away.
    pub replaces: Option<FileRecord>,
}

/// Counted by workers, read by the owner.
#[derive(Default)]
pub(super) struct Counters {
    pub bytes: AtomicU64,
    pub files: AtomicU64,
    /// Files under 1 MiB, and their bytes.
    pub small: (AtomicU64, AtomicU64),
    /// Set once something stops everything: what is queued is handed back undone.
    pub abort: AtomicBool,
    /// How fast all of them together may read.
    pub pace: Arc<Pace>,
    /// Reads of the source that disagreed, to be recorded with the next group.
    pub disagreements: Mutex<Vec<Disagreement>>,
}

impl Counters {
    pub(super) fn note(&self, one: Disagreement) {
        self.disagreements().push(one);
    }

    pub(super) fn take_disagreements(&self) -> Vec<Disagreement> {
        std::mem::take(&mut *self.disagreements())
    }

    fn disagreements(&self) -> std::sync::MutexGuard<'_, Vec<Disagreement>> {
        self.disagreements.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Counters {
    fn count_small(&self, bytes: u64) {
        if bytes < 1 << 20 {
            self.small.0.fetch_add(1, Ordering::Relaxed);
            self.small.1.fetch_add(bytes, Ordering::Relaxed);
        }
    }
}

/// What one worker holds.
pub(super) struct Bench<'a> {
    pub ends: Ends<'a>,
    pub task: &'a Task,
    pub from: OpenFolders<'a>,
    pub to: OpenFolders<'a>,
    pub buffer: Buffer,
    pub counters: Arc<Counters>,
}

impl<'a> Bench<'a> {
    pub(super) fn new(ends: Ends<'a>, task: &'a Task, counters: &Arc<Counters>) -> Bench<'a> {
        Bench {
            ends,
            task,
            from: OpenFolders::new(ends.source),
            to: OpenFolders::new(ends.target),
            buffer: Buffer::new(const { NonZeroU64::new(PIECE).unwrap() }),
            counters: Arc::clone(counters),
        }
    }

    /// Works until there is nothing more to take.
    pub(super) fn work(mut self, jobs: &Receiver<Job>, reports: &Sender<Report>, lanes: &Lanes<'_>) {
        for job in jobs {
            let report = match job {
                Job::Whole { at, item, staged } => {
                    lanes.enter(Lane::Small);
                    let result = match self.counters.abort.load(Ordering::SeqCst) {
                        true => Err(interrupted(item.from.as_bytes())),
                        false => small::copy(&mut self, &item, &staged),
                    }
                    .map_err(|fault| weigh(self.ends, fault));
                    lanes.leave(Lane::Small, 1.0);
                    if result.is_err() {
                        self.from.forget();
                        self.to.forget();
                    } else {
                        self.counters.files.fetch_add(1, Ordering::Relaxed);
                        self.counters.count_small(item.entry.size.0);
                    }
                    Report::Whole { at, item, result }
                }
                Job::Block { at, large, index } => {
                    lanes.enter(Lane::Large);
                    let result = match self.counters.abort.load(Ordering::SeqCst) {
                        true => Err(interrupted(large.item.from.as_bytes())),
                        false => patiently_a_part(self.ends, || large.copy_block(&mut self, index)),
                    }
                    .map_err(|fault| weigh(self.ends, fault));
                    lanes.leave(Lane::Large, BLOCK as f64);
                    Report::Block { at, result }
                }
            };
            // The owner is gone only when everything ends.
            if reports.send(report).is_err() {
                return;
            }
        }
    }

    /// Waits until the next piece may be read; a wish to stop ends the wait.
    pub(super) fn ask(&self, bytes: u64, name: &[u8]) -> Result<(), Fault> {
        let (clock, stop) = (self.ends.clock, self.ends.stop);
        self.counters.pace.ask(bytes, clock, stop);
        if stop.is_set() {
            return Err(interrupted(name));
        }
        Ok(())
    }

    pub(super) fn count(&self, bytes: usize) {
        self.counters.bytes.fetch_add(bytes as u64, Ordering::Relaxed);
    }
}
