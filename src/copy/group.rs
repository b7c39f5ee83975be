//! The owner: gathers groups, hands out work, commits one group while the next is written.

use super::commit::{self, Written};
use super::existing::{self, Standing};
use super::lanes::Lanes;
use super::large::Large;
use super::losing::LossWatch;
use super::pace::{Done, Watch};
use super::retry::begins_anew;
use super::trouble_of;
use super::worker::{Bench, Counters, Job, Made, Report};
use super::{Ends, Item, LARGE_FROM, Outcome, Pace, Progress, Task, recover, small};
use crate::entry::EntryKind;
use crate::ledger::{FileRecord, GroupResult, Intent, Ledger};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::{Course, Fault, FaultKind, Stop};
use crossbeam_channel::{Receiver, Sender, unbounded};
use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// One copy of one batch under way.
pub(super) struct Run<'a> {
    pub ends: Ends<'a>,
    pub task: &'a Task,
    pub pace: Arc<Pace>,
    /// Large files that an earlier run began, by place.
    pub resumable: HashMap<RelPath, Intent>,
    /// What an earlier run had placed and was recorded at the start of this one.
    pub recovered: HashMap<RelPath, FileRecord>,
    /// Names that may not be given again.
    pub taken: HashSet<Vec<u8>>,
    /// Intents whose staged file was removed, to be settled with the next group.
    pub dropped: Vec<i64>,
    pub outcome: Outcome,
    pub pending: Option<Written>,
    /// Further names of files with several, made once the first is published.
    pub deferred: Vec<Item>,
    pub seen: HashSet<u64>,
    watch: LossWatch,
    /// Set once the destination is seen to keep some fact of no file.
    lossy: Option<Trouble>,
    pub ahead: Option<Item>,
    pub sequence: u64,
    pub started: i64,
}

/// The owner's side of the workers.
pub(super) struct Crew<'a, 'p> {
    jobs: Sender<Job>,
    reports: Receiver<Report>,
    pub bench: Bench<'a>,
    counters: Arc<Counters>,
    progress: &'p dyn Fn(Progress),
}

impl Crew<'_, '_> {
    pub(super) fn send(&self, job: Job) {
        // Workers live as long as the scope; a send cannot fail before it ends.
        let _ = self.jobs.send(job);
    }

    pub(super) fn next(&self) -> Option<Report> {
        loop {
            let report = self.reports.recv_timeout(Duration::from_millis(200));
            let load = |counter: &std::sync::atomic::AtomicU64| counter.load(Ordering::Relaxed);
            (self.progress)(Progress {
                bytes: Bytes(load(&self.counters.bytes)),
                files: load(&self.counters.files),
                small: Amount {
                    files: load(&self.counters.small.0),
                    bytes: Bytes(load(&self.counters.small.1)),
                },
                waited: self.counters.pace.waited(),
                slowed: self.counters.pace.is_slowed(),
            });
            match report {
                Ok(report) => return Some(report),
                Err(crossbeam_channel::RecvTimeoutError::Timeout) => {}
                Err(crossbeam_channel::RecvTimeoutError::Disconnected) => return None,
            }
        }
    }
}

/// A large file of the group at hand.
struct Part {
    large: Arc<Large>,
    left: u64,
    fault: Option<Fault>,
    /// Times it was begun anew, since it changed while it was read.
    tries: usize,
}

impl<'a> Run<'a> {
    pub(super) fn new(ends: Ends<'a>, task: &'a Task, left: recover::Leftovers, pace: &Arc<Pace>) -> Run<'a> {
        let mut outcome = left.outcome;
        for record in left.recovered.values() {
            outcome.copied.add(commit::amount_of(record));
            outcome.resumed = outcome.resumed.plus(commit::amount_of(record).bytes);
        }
        Run {
            ends,
            task,
            pace: Arc::clone(pace),
            taken: left
                .resumable
                .values()
                .map(|intent| intent.staged.clone())
                .collect(),
            resumable: left.resumable,
            recovered: left.recovered,
            dropped: Vec::new(),
            outcome,
            pending: None,
            deferred: Vec::new(),
            seen: HashSet::new(),
            watch: LossWatch::default(),
            lossy: None,
            ahead: None,
            sequence: 0,
            started: ends.clock.now().seconds,
        }
    }

    /// Copies everything but further names of linked files.
    pub(super) fn all(
        &mut self,
        ledger: &mut Ledger,
        items: &mut dyn Iterator<Item = Result<Item, Trouble>>,
        progress: &dyn Fn(Progress),
    ) -> Result<(), Trouble> {
        let counters = Arc::new(Counters {
            pace: Arc::clone(&self.pace),
            ..Counters::default()
        });
        let (jobs, take) = unbounded();
        let (give, reports) = unbounded();
        let (ends, task) = (self.ends, self.task);
        let pace = Arc::clone(&self.pace);
        let done = Done(Stop::new());
        let lanes = Lanes::new(&task.streams, ends.clock, ends.stop);
        let driven = std::thread::scope(|scope| {
            let done = done;
            if let Some(watch) = Watch::begin(ends, &pace) {
                let done = done.0.clone();
                scope.spawn(move || watch.run(&done));
            }
            for _ in 0..task.streams.workers() {
                let (take, give) = (take.clone(), give.clone());
                let bench = Bench::new(ends, task, &counters);
                let lanes = &lanes;
                scope.spawn(move || bench.work(&take, &give, lanes));
            }
            drop(give);
            let bench = Bench::new(ends, task, &counters);
            let crew = Crew {
                jobs,
                reports,
                bench,
                counters: Arc::clone(&counters),
                progress,
            };
            self.drive(crew, ledger, items)
        });
        // Also where the group they belong to could not be recorded.
        let noted = self.note_disagreements(&counters, ledger);
        self.outcome.streams = lanes.now();
        driven.and(noted)
    }

    /// Records reads of the source that have disagreed so far.
    pub(super) fn note_disagreements(
        &mut self,
        counters: &Counters,
        ledger: &mut Ledger,
    ) -> Result<(), Trouble> {
        let group = GroupResult {
            disagreements: counters.take_disagreements(),
            ..GroupResult::default()
        };
        if group.disagreements.is_empty() {
            return Ok(());
        }
        self.outcome.disagreed += group.disagreements.len() as u64;
        ledger.record_group(self.task.batch, &self.task.dataset, &self.task.source, &group)
    }

    fn drive(
        &mut self,
        mut crew: Crew<'a, '_>,
        ledger: &mut Ledger,
        items: &mut dyn Iterator<Item = Result<Item, Trouble>>,
    ) -> Result<(), Trouble> {
        loop {
            // A safe point: nothing is begun that is not recorded by its intents.
            if self.pace.is_shut(self.ends.clock) {
                self.outcome.shut = true;
            }
            if self.outcome.shut {
                break;
            }
            let group = match self.gather(ledger, items) {
                Ok(group) => group,
                Err(trouble) => {
                    // What was written is complete in itself: keep it before we stop.
                    self.commit_pending(&mut crew.bench, ledger)?;
                    return Err(trouble);
                }
            };
            let done = match group.as_slice() {
                [] => break,
                [one] if self.stands_alone(one) => {
                    self.commit_pending(&mut crew.bench, ledger)?;
                    self.huge(&mut crew, ledger, one)
                }
                _ => self.group(&mut crew, ledger, group),
            };
            if let Err(trouble) = done {
                self.commit_pending(&mut crew.bench, ledger)?;
                return Err(trouble);
            }
        }
        self.commit_pending(&mut crew.bench, ledger)
    }

    /// Steps 1 to 3 for one group; the group before it is committed meanwhile.
    fn group(
        &mut self,
        crew: &mut Crew<'a, '_>,
        ledger: &mut Ledger,
        group: Vec<Item>,
    ) -> Result<(), Trouble> {
        let mut intents: Vec<Intent> = Vec::with_capacity(group.len());
        for item in &group {
            let staged = self.staged_name();
            intents.push(Intent::new(
                item.place.clone(),
                staged,
                item.recorded.is_some(),
                item.entry.identity(),
            ));
        }
        ledger.intend(self.task.batch, &self.task.dataset, &mut intents)?;
        let mut written = Written::new(intents);
        let mut parts: HashMap<usize, Part> = HashMap::new();
        let mut waiting = 0usize;
        for (at, item) in group.into_iter().enumerate() {
            if item.entry.kind == EntryKind::File && item.entry.size.0 > LARGE_FROM {
                match open_large(&mut crew.bench, &item, &written.intents[at].staged, None) {
                    Ok(Opened::Large(large)) => {
                        let part = hand_out(crew, at, *large, 0);
                        waiting += usize::try_from(part.left).unwrap_or(usize::MAX);
                        parts.insert(at, part);
                    }
                    Ok(Opened::AtPlace(found)) => written.at_place(at, *found, item.entry.links),
                    Err(fault) => written.failed(at, &item, fault),
                }
            } else {
                let staged = written.intents[at].staged.clone();
                crew.send(Job::Whole { at, item, staged });
                waiting += 1;
            }
        }
        let before = self.commit_pending(&mut crew.bench, ledger);
        self.collect(crew, &mut written, &mut parts, waiting)?;
        // A failed sync is told once, and for whatever was written until then: after it no other
        // sync vouches for this group, so it is left to its intents.
        before?;
        if let Some(trouble) = self.lossy.take() {
            recover::drop_staged(&mut crew.bench, ledger, self.task, &written.intents, &[])?;
            return Err(trouble);
        }
        let stop = written.stop.clone();
        self.pending = Some(written);
        match stop {
            Some(fault) => Err(trouble_of(&fault)),
            None => Ok(()),
        }
    }

    fn collect(
        &mut self,
        crew: &mut Crew<'a, '_>,
        written: &mut Written,
        parts: &mut HashMap<usize, Part>,
        mut waiting: usize,
    ) -> Result<(), Trouble> {
        while waiting > 0 {
            waiting -= 1;
            match crew
                .next()
                .ok_or_else(|| Trouble::defect("the workers ended before their work"))?
            {
                Report::Whole { at, item, result } => match result {
                    Ok(Made::Staged(staged)) => {
                        if let Some(trouble) = self.watch.see(self.task, &staged) {
                            crew.counters.abort.store(true, Ordering::SeqCst);
                            self.lossy.get_or_insert(trouble);
                        }
                        written.staged(at, *staged);
                    }
                    Ok(Made::AtPlace(found)) => written.at_place(at, *found, item.entry.links),
                    Err(fault) => {
                        if fault.course() == Course::StopAll {
                            crew.counters.abort.store(true, Ordering::SeqCst);
                        }
                        written.failed(at, &item, fault);
                    }
                },
                Report::Block { at, result } => {
                    let Some(part) = parts.get_mut(&at) else { continue };
                    part.left -= 1;
                    if let Err(fault) = result {
                        if fault.course() == Course::StopAll {
                            crew.counters.abort.store(true, Ordering::SeqCst);
                        }
                        part.fault.get_or_insert(fault);
                    }
                    if part.left == 0 {
                        if let Some(part) = parts.remove(&at) {
                            if let Some(part) = end_part(crew, written, at, part) {
                                waiting += usize::try_from(part.left).unwrap_or(usize::MAX);
                                parts.insert(at, part);
                            }
                        }
                    }
                }
            }
        }
        Ok(())
    }

    pub(super) fn commit_pending(
        &mut self,
        bench: &mut Bench<'_>,
        ledger: &mut Ledger,
    ) -> Result<(), Trouble> {
        match self.pending.take() {
            Some(written) => commit::commit(self, bench, ledger, written),
            None => Ok(()),
        }
    }

    /// Ends the run: what an earlier run left of files that are no longer asked for goes away.
    pub(super) fn finish(mut self, ledger: &mut Ledger) -> Result<Outcome, Trouble> {
        let counters = Arc::new(Counters::default());
        let mut bench = Bench::new(self.ends, self.task, &counters);
        let left: Vec<Intent> = self.resumable.drain().map(|(_, intent)| intent).collect();
        recover::drop_staged(&mut bench, ledger, self.task, &left, &self.dropped)?;
        Ok(self.outcome)
    }
}

pub(super) enum Opened {
    Large(Box<Large>),
    AtPlace(Box<existing::Adopted>),
}

pub(super) fn open_large(
    bench: &mut Bench<'_>,
    item: &Item,
    staged: &[u8],
    resume: Option<&Intent>,
) -> Result<Opened, Fault> {
    let replaces = match existing::look(bench, item)? {
        Standing::Free => None,
        Standing::Ours(record) => Some(*record),
        Standing::Same(found) => return Ok(Opened::AtPlace(found)),
    };
    Ok(Opened::Large(Box::new(Large::open(
        bench, item, staged, replaces, resume,
    )?)))
}

/// Hands out all blocks of a large file.
fn hand_out(crew: &Crew<'_, '_>, at: usize, large: Large, tries: usize) -> Part {
    let (left, large) = (large.blocks(), Arc::new(large));
    for index in 0..left {
        let large = Arc::clone(&large);
        crew.send(Job::Block { at, large, index });
    }
    let fault = None;
    Part {
        large,
        left,
        fault,
        tries,
    }
}

/// After the last block of a large file; answers it once more where it changed under us and is
/// begun anew, as small files are.
fn end_part(crew: &mut Crew<'_, '_>, written: &mut Written, at: usize, part: Part) -> Option<Part> {
    let bench = &mut crew.bench;
    let result = match part.fault {
        Some(fault) => Err(fault),
        None => part.large.finish(bench),
    };
    if let Err(fault) = &result {
        if begins_anew(bench.ends, fault, part.tries) {
            let (item, staged) = (&part.large.item, written.intents[at].staged.clone());
            small::discard(bench, item, &staged);
            match open_large(bench, item, &staged, None) {
                Ok(Opened::Large(large)) => return Some(hand_out(crew, at, *large, part.tries + 1)),
                Ok(Opened::AtPlace(found)) => written.at_place(at, *found, item.entry.links),
                Err(fault) => written.failed(at, item, fault),
            }
            return None;
        }
    }
    match result {
        Ok(staged) => {
            bench.counters.files.fetch_add(1, Ordering::Relaxed);
            written.staged(at, staged);
        }
        Err(fault) => {
            if fault.kind != FaultKind::Crash || bench.ends.stop.is_set() {
                small::discard(bench, &part.large.item, &written.intents[at].staged.clone());
            }
            written.failed(at, &part.large.item, fault);
        }
    }
    None
}
