//! Repair in place: of a large file in which a verification has named bad ranges, these alone are
//! read from the source again and written under the file's own name.
//!
//! A repair, step by step. Opening the ledger later finds what is named in brackets.
//!
//! 1. The file is ours: inode, size, mtime and ctime as recorded. The values kept of its blocks
//!    make the hash that is recorded. The source is what it was when it was copied. Where one of
//!    these fails nothing is begun, and the copy that follows decides: a conflict, or all of it.
//! 2. Record the intent: place and ranges. From here on it is our own writing that changes the
//!    file's times. [an intent, and the file as recorded: nothing was written, or all of it was
//!    lost; it is done anew] [an intent, and a file of other times: it is ours if it has the inode
//!    and size that were recorded, and every block outside the ranges is what was recorded; it is
//!    done anew. A file that is not is somebody else's doing: the intent goes, both are kept]
//! 3. Read a block from the source; only one with the value of the first copy is written. One
//!    without it ends the repair: the source reads differently now, which is noted.
//! 4. Owner, mode, attributes and times once more: writing has changed some of them.
//! 5. Make it durable. A sync that failed is told once, so after it nothing is recorded: the
//!    intent stays, and all ranges are written again by the next run.
//! 6. Compare the source's identity again.
//! 7. Record what the file is now, under each of its names, as copied and not verified; intent
//!    and difference go in the same transaction. Where 3 or 6 ended the repair only the identity
//!    is recorded and the difference stays: the copy that follows replaces the whole file, and
//!    finds it ours. [no intent, a file as recorded]
//!
//! A file in which owner or permission bits alone are not what is wanted has no ranges: steps 3 and
//! 5 have nothing to write, and since nothing but 4 touches it, one of another mtime is not ours.
//!
//! Between a crash in 3 to 6 and the next run the contents of the ranges themselves are nobody's:
//! they were bad before, and a crash may leave anything there. That is why the blocks around them
//! decide whose the file is.

use super::existing::is_as_placed;
use super::folders::dress_of;
use super::retry::patiently;
use super::small::split;
use super::trouble_of;
use super::worker::{Bench, Counters};
use super::{Ends, Pace, Progress, Task};
use crate::digest::{BLOCK, BlockValue, block_value, root_of};
use crate::entry::{Entry, EntryKind, Identity};
use crate::ledger::{Failure, FileRecord, GroupResult, Ledger, Ranges, Settled, to_second};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::{Course, Dress, Fault, FaultKind, FileIn, FileOut, OpenHow};
use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// A file with bad ranges.
#[derive(Debug, Clone)]
pub struct Repair {
    /// Its path below the source's root.
    pub from: RelPath,
    /// What is recorded of it.
    pub record: FileRecord,
    /// The values of its blocks at the first copy.
    pub values: Vec<BlockValue>,
    /// Bytes that differ, in whole blocks, ends exclusive; none where it is only dressed anew.
    pub ranges: Ranges,
    /// Whether an earlier run has recorded the intent.
    pub begun: bool,
}

/// What came of the repairs.
#[derive(Debug, Clone, Default)]
pub struct Repaired {
    /// Files that are whole again, and the bytes written for it.
    pub amount: Amount,
    /// Files whose repair is still open: nothing else may touch them before the next run.
    pub open: BTreeSet<RelPath>,
}

/// Repairs what can be repaired in place; what cannot is left to the copy that follows.
///
/// # Errors
/// [`Trouble`] where everything had to stop; the same call goes on from what is recorded.
pub fn repair(
    ends: Ends<'_>,
    task: &Task,
    ledger: &mut Ledger,
    wanted: &[Repair],
    pace: &Arc<Pace>,
    progress: &dyn Fn(Progress),
) -> Result<Repaired, Trouble> {
    let counters = Arc::new(Counters {
        pace: Arc::clone(pace),
        ..Counters::default()
    });
    let mut desk = RepairDesk {
        bench: Bench::new(ends, task, &counters),
        ledger,
        done: Repaired::default(),
        failures: Vec::new(),
        inodes: HashSet::new(),
        open: HashMap::new(),
        block: Vec::new(),
    };
    // What was begun comes first: it decides about other names of the same file.
    let (begun, new): (Vec<&Repair>, Vec<&Repair>) = wanted.iter().partition(|one| one.begun);
    for one in begun.into_iter().chain(new) {
        if ends.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        if let Err(fault) = desk.one(one)? {
            if fault.course() == Course::StopAll {
                return Err(trouble_of(&fault));
            }
            desk.leave_open(one, &fault);
        }
        progress(Progress {
            bytes: Bytes(counters.bytes.load(Ordering::Relaxed)),
            files: desk.done.amount.files,
            slowed: false,
            ..Progress::default()
        });
    }
    let group = GroupResult {
        failures: desk.failures,
        ..GroupResult::default()
    };
    let done = desk.done;
    ledger.record_group(task.batch, &task.dataset, &task.source, &group)?;
    Ok(done)
}

struct RepairDesk<'a, 'l> {
    bench: Bench<'a>,
    ledger: &'l mut Ledger,
    done: Repaired,
    failures: Vec<Failure>,
    /// Inodes that are whole again: their other names need nothing more.
    inodes: HashSet<u64>,
    /// Inodes whose repair is open: by our writing their other names are as it left them.
    open: HashMap<u64, Fault>,
    block: Vec<u8>,
}

/// Whose the target is.
enum Whose {
    /// As recorded.
    Ours,
    /// Under repair by a run that did not end.
    UnderRepair,
    /// Neither.
    Theirs,
}

/// What writing the ranges has come to.
struct Written {
    placed: Entry,
    bytes: u64,
    end: End,
}

#[derive(PartialEq, Eq)]
enum End {
    Whole,
    SourceChanged,
    ReadsDisagree,
}

/// Why writing ended early, and whether what was written may be lost without another word.
struct Halt {
    fault: Fault,
    unsure: bool,
}

impl From<Fault> for Halt {
    fn from(fault: Fault) -> Halt {
        Halt { fault, unsure: false }
    }
}

impl RepairDesk<'_, '_> {
    /// One file. The inner error is a fault that left the repair open, or stops everything.
    fn one(&mut self, one: &Repair) -> Result<Result<(), Fault>, Trouble> {
        let (batch, dataset) = (self.bench.task.batch, self.bench.task.dataset.clone());
        let place = &one.record.place;
        if let Some(fault) = self.open.get(&one.record.placed.inode) {
            return Ok(Err(fault.clone()));
        }
        let whose = match self.whose(one) {
            Ok(whose) => whose,
            // Not there, or something else has its place.
            Err(fault) if matches!(fault.kind, FaultKind::NotFound | FaultKind::WrongKind) => Whose::Theirs,
            Err(fault) if one.begun || fault.course() == Course::StopAll => return Ok(Err(fault)),
            Err(_) => return Ok(Ok(())),
        };
        if matches!(whose, Whose::Theirs) {
            return if one.begun { self.forget(one) } else { Ok(Ok(())) };
        }
        if !one.begun && self.inodes.contains(&one.record.placed.inode) {
            return Ok(Ok(()));
        }
        let source = match self.source(one) {
            Ok(source) => source,
            Err(fault) if fault.course() == Course::StopAll => return Ok(Err(fault)),
            Err(_) => None,
        };
        let Some((source, before)) = source.filter(|_| one.ranges.is_empty() || values_hold(one)) else {
            return match whose {
                Whose::UnderRepair => self.as_it_is(one),
                _ if one.begun => self.forget(one),
                _ => Ok(Ok(())),
            };
        };
        if !one.begun {
            self.ledger.intend_repair(batch, &dataset, place, &one.ranges)?;
        }
        match self.write(one, &whose, &*source, &before) {
            Ok(written) => self.settle(one, &written),
            Err(halt) if halt.unsure || halt.fault.course() == Course::StopAll => Ok(Err(halt.fault)),
            // Touched by somebody between the look and the handle.
            Err(halt) if halt.fault.kind == FaultKind::Exists => self.forget(one),
            // Its identity is recorded, and the copy that follows tries the whole file.
            Err(_) => self.as_it_is(one),
        }
    }

    /// The intent goes, and nothing is recorded: as it is, the file is a conflict or all bad.
    fn forget(&mut self, one: &Repair) -> Result<Result<(), Fault>, Trouble> {
        let task = self.bench.task;
        self.ledger
            .drop_repair(task.batch, &task.dataset, &one.record.place)?;
        Ok(Ok(()))
    }

    fn whose(&mut self, one: &Repair) -> Result<Whose, Fault> {
        let (above, name) = split(&one.record.place)?;
        let found = self.bench.to.get(&above)?.stat(name)?;
        let placed = &one.record.placed;
        if is_as_placed(self.bench.task, &found, placed) {
            return Ok(Whose::Ours);
        }
        let task = self.bench.task;
        let same = found.kind == EntryKind::File && same_file(task, &found, placed);
        let written = !one.ranges.is_empty();
        if !one.begun || !same || !(written || found.mtime == placed.mtime) {
            return Ok(Whose::Theirs);
        }
        if !written {
            return Ok(Whose::UnderRepair);
        }
        let file = self.bench.to.get(&above)?.open(name, OpenHow::Plain)?;
        for index in 0..one.values.len() as u64 {
            let inside = one
                .ranges
                .iter()
                .any(|(a, b)| (*a..*b).contains(&(index * BLOCK)));
            if !inside && self.read_block(&*file, index, placed.size)? != expected(one, index) {
                return Ok(Whose::Theirs);
            }
        }
        Ok(Whose::UnderRepair)
    }

    /// The source, if it is what it was when the file was copied.
    fn source(&mut self, one: &Repair) -> Result<Option<(Box<dyn FileIn>, Entry)>, Fault> {
        let (above, name) = split(&one.from)?;
        let source = self.bench.from.get(&above)?.open(name, OpenHow::Plain)?;
        let before = source.facts()?;
        let same = self
            .bench
            .task
            .same_source(&before.identity(), &one.record.source);
        Ok(same.then_some((source, before)))
    }

    /// Reads one block into `self.block` and answers its value.
    fn read_block(
        &mut self,
        file: &dyn FileIn,
        index: u64,
        size: Bytes,
    ) -> Result<Option<BlockValue>, Fault> {
        let start = index * BLOCK;
        let end = (start + BLOCK).min(size.0);
        self.block.clear();
        while start + (self.block.len() as u64) < end {
            let at = start + self.block.len() as u64;
            let bench = &mut self.bench;
            bench.ask((end - at).min(super::PIECE), b".")?;
            let wanted = usize::try_from((end - at).min(super::PIECE)).unwrap_or(0);
            let (ends, buffer) = (bench.ends, &mut bench.buffer);
            let length = patiently(ends, || file.read_at(at, &mut buffer.bytes_mut()[..wanted]))?;
            if length == 0 {
                return Ok(None);
            }
            self.block.extend_from_slice(&buffer.bytes()[..length]);
        }
        Ok(Some(block_value(index, &self.block)))
    }

    /// Steps 3 to 6.
    fn write(
        &mut self,
        one: &Repair,
        whose: &Whose,
        source: &dyn FileIn,
        before: &Entry,
    ) -> Result<Written, Halt> {
        let target = self.reopen(one, matches!(whose, Whose::Ours))?;
        let (mut bytes, mut end) = (0, End::Whole);
        'ranges: for (from, to) in &one.ranges {
            for index in from / BLOCK..to.div_ceil(BLOCK) {
                let value = self.read_block(source, index, before.size)?;
                if value != expected(one, index) {
                    end = End::ReadsDisagree;
                    break 'ranges;
                }
                // Zeros too: what lies there now is not known.
                for (number, piece) in self.block.chunks(super::PIECE as usize).enumerate() {
                    target.write_at(index * BLOCK + number as u64 * super::PIECE, piece)?;
                }
                self.bench.count(self.block.len());
                bytes += self.block.len() as u64;
            }
        }
        let xattrs = source.xattrs()?;
        target.dress(&dress_of(before, xattrs, self.bench.task))?;
        target.sync().map_err(|fault| Halt { fault, unsure: true })?;
        let placed = target.facts()?;
        if source.facts()?.identity() != before.identity() {
            end = End::SourceChanged;
        }
        Ok(Written { placed, bytes, end })
    }

    /// The file, open for writing, looked at once more through the handle that will write: rule 2.
    fn reopen(&mut self, one: &Repair, ours: bool) -> Result<Box<dyn FileOut>, Fault> {
        let (above, name) = split(&one.record.place)?;
        let folder = self.bench.to.get(&above)?;
        let placed = &one.record.placed;
        let (target, undressed) = match folder.reopen(name) {
            Err(fault) if fault.kind == FaultKind::Denied => {
                // Its mode does not let its owner write.
                let writable = Dress {
                    mode: Some(0o600),
                    ..Dress::default()
                };
                folder.dress(name, &writable)?;
                (folder.reopen(name)?, true)
            }
            other => (other?, false),
        };
        let (found, task) = (target.facts()?, self.bench.task);
        let untouched = |id: &Identity| match (ours, undressed) {
            (true, false) => is_as_placed(task, &found, id),
            (true, true) => same_file(task, &found, id) && found.mtime == id.mtime,
            (false, _) => same_file(task, &found, id) && (!one.ranges.is_empty() || found.mtime == id.mtime),
        };
        if untouched(placed) {
            return Ok(target);
        }
        Err(Fault::ours(
            "repair",
            name,
            FaultKind::Exists,
            super::existing::EDITED,
        ))
    }

    /// Step 7.
    fn settle(&mut self, one: &Repair, written: &Written) -> Result<Result<(), Fault>, Trouble> {
        let task = self.bench.task;
        let at = self.bench.ends.clock.now();
        let place = &one.record.place;
        if written.end == End::ReadsDisagree {
            self.ledger.put_disagreement(task.batch, place, at)?;
        }
        let names = match self.names(place, &written.placed)? {
            Ok(names) => names,
            Err(fault) => return Ok(Err(fault)),
        };
        let whole = written.end == End::Whole;
        let settled = Settled {
            place: place.clone(),
            names,
            placed: written.placed.identity(),
            whole,
            at: to_second(at),
        };
        self.ledger.settle_repair(task.batch, &task.dataset, &settled)?;
        if whole {
            self.inodes.insert(written.placed.inode);
            self.done.amount.add(Amount::one(Bytes(written.bytes)));
        }
        Ok(Ok(()))
    }

    /// All names of the file by the ledger that still lead to it.
    fn names(&mut self, place: &RelPath, placed: &Entry) -> Result<Result<Vec<RelPath>, Fault>, Trouble> {
        let mut names = vec![place.clone()];
        if placed.links < 2 || !self.bench.task.placed_inodes_hold {
            return Ok(Ok(names));
        }
        let inodes = HashSet::from([placed.inode]);
        let dataset = &self.bench.task.dataset;
        for other in self.ledger.places_of_inodes(dataset, &inodes)? {
            let found = split(&other).and_then(|(above, name)| self.bench.to.get(&above)?.stat(name));
            match found {
                Ok(found) if found.inode == placed.inode && other != *place => names.push(other),
                // A name that could not be looked at may be one: the intent stays.
                Err(fault) if fault.kind != FaultKind::NotFound => return Ok(Err(fault)),
                _ => {}
            }
        }
        Ok(Ok(names))
    }

    /// A repair that cannot be completed: the file is ours, and its identity is recorded so that
    /// it stays so. The difference stands.
    fn as_it_is(&mut self, one: &Repair) -> Result<Result<(), Fault>, Trouble> {
        let durable = self.reopen(one, false).and_then(|target| {
            target.sync()?;
            target.facts()
        });
        match durable {
            Ok(placed) => {
                let end = End::SourceChanged;
                self.settle(
                    one,
                    &Written {
                        placed,
                        bytes: 0,
                        end,
                    },
                )
            }
            Err(fault) => Ok(Err(fault)),
        }
    }

    /// The intent stays; the file is a failure until a run has ended its repair.
    fn leave_open(&mut self, one: &Repair, fault: &Fault) {
        self.done.open.insert(one.record.place.clone());
        self.open.insert(one.record.placed.inode, fault.clone());
        self.failures.push(Failure {
            place: one.record.place.clone(),
            code: fault.kind.word().to_string(),
            text: fault.to_string(),
            bytes: one.record.source.size,
            at: self.bench.ends.clock.now(),
        });
    }
}

/// Whether it is the file that was placed, whatever has been written into it since.
fn same_file(task: &Task, found: &Entry, placed: &Identity) -> bool {
    found.size == placed.size && (!task.placed_inodes_hold || found.inode == placed.inode)
}

/// Whether the values of its blocks make the hash that is recorded.
fn values_hold(one: &Repair) -> bool {
    root_of(&one.values) == Some(one.record.hash)
}

fn expected(one: &Repair, index: u64) -> Option<BlockValue> {
    let index = usize::try_from(index).ok()?;
    one.values.get(index).copied()
}
