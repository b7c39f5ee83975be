//! Workers of a verification: whole small files, and blocks of large ones.

use super::compare::Seen;
use super::others::{Hashers, agrees};
use super::{Check, Progress, Request};
use crate::digest::{BLOCK, BlockValue, Digest, TreeHasher, root_of};
use crate::entry::{Entry, EntryKind};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::OpenFolders;
use crate::world::{Buffer, Fault, FaultKind, FileIn, OpenHow, Res, Stop};
use blake3::hazmat::HasherExt;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, unbounded};
use std::num::NonZeroU64;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Bytes read in one piece.
pub const PIECE: u64 = 4 << 20;
/// Files above this size are read by all workers at once.
const LARGE_FROM: u64 = 2 * BLOCK;
/// Files (and blocks) handed out ahead of the workers.
const AHEAD: usize = 256;

/// What came of one file.
pub(super) struct Done {
    pub check: Check,
    pub result: Res<Seen>,
}

enum Job {
    Whole(Box<Check>),
    Block { large: Arc<Large>, index: u64 },
}

/// A large file under way.
struct Large {
    check: Check,
    file: Box<dyn FileIn>,
    facts: Entry,
    values: Mutex<Vec<Option<BlockValue>>>,
    left: AtomicU64,
    fault: Mutex<Option<Fault>>,
}

/// The owner's side of the workers.
pub(super) struct Crew<'a> {
    jobs: Sender<Job>,
    done: Receiver<Done>,
    waiting: usize,
    bytes: Arc<AtomicU64>,
    files: u64,
    small: Amount,
    folders: OpenFolders<'a>,
    ready: Vec<Done>,
}

/// Runs `work` with workers beside it.
pub(super) fn with_crew<T>(
    request: Request<'_>,
    work: impl FnOnce(&mut Crew<'_>) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    let (jobs, take) = unbounded();
    let (give, done) = unbounded();
    let bytes = Arc::new(AtomicU64::new(0));
    std::thread::scope(|scope| {
        for _ in 0..request.streams.max(1) {
            let (take, give, bytes) = (take.clone(), give.clone(), Arc::clone(&bytes));
            scope.spawn(move || run(request, &take, &give, &bytes));
        }
        drop(give);
        let folders = OpenFolders::new(request.target);
        let mut crew = Crew {
            jobs,
            done,
            waiting: 0,
            bytes: Arc::clone(&bytes),
            files: 0,
            small: Amount::default(),
            folders,
            ready: Vec::new(),
        };
        work(&mut crew)
    })
}

impl Crew<'_> {
    pub(super) fn waiting(&self) -> usize {
        self.waiting
    }

    pub(super) fn has_room(&self) -> bool {
        self.waiting < AHEAD && self.jobs.len() < AHEAD
    }

    /// Hands out one file.
    pub(super) fn send(&mut self, check: Check) {
        self.waiting += 1;
        // Other hashes have no tree: such a file is read by one worker from front to back.
        let in_blocks = Hashers::of(&check).is_none();
        let large =
            in_blocks && check.record.kind == EntryKind::File && check.record.source.size.0 > LARGE_FROM;
        if !large {
            let _ = self.jobs.send(Job::Whole(Box::new(check)));
            return;
        }
        match self.open_large(check) {
            Ok(large) => {
                let large = Arc::new(*large);
                for index in 0..large.facts.size.0.div_ceil(BLOCK) {
                    let _ = self.jobs.send(Job::Block {
                        large: Arc::clone(&large),
                        index,
                    });
                }
            }
            Err(done) => self.ready.push(*done),
        }
    }

    fn open_large(&mut self, check: Check) -> Result<Box<Large>, Box<Done>> {
        let opened = stat(&mut self.folders, &check.record.place).and_then(|facts| {
            if facts.kind != EntryKind::File || facts.size != check.record.source.size {
                return Ok(Err(Seen::unread(facts, None)));
            }
            Ok(Ok((open(&mut self.folders, &check.record.place)?, facts)))
        });
        match opened {
            Ok(Ok((file, facts))) => {
                let blocks = facts.size.0.div_ceil(BLOCK);
                let values = Mutex::new(vec![None; usize::try_from(blocks).unwrap_or(0)]);
                Ok(Box::new(Large {
                    check,
                    file,
                    facts,
                    values,
                    left: AtomicU64::new(blocks),
                    fault: Mutex::new(None),
                }))
            }
            Ok(Err(seen)) => Err(Box::new(Done {
                check,
                result: Ok(seen),
            })),
            Err(fault) => Err(Box::new(Done {
                check,
                result: Err(fault),
            })),
        }
    }

    /// The next file that is done.
    pub(super) fn next(&mut self, progress: &dyn Fn(Progress)) -> Option<Done> {
        if let Some(done) = self.ready.pop() {
            self.waiting -= 1;
            return Some(done);
        }
        if self.waiting == 0 {
            return None;
        }
        loop {
            let done = self.done.recv_timeout(Duration::from_millis(200));
            progress(Progress {
                bytes: Bytes(self.bytes.load(Ordering::Relaxed)),
                files: self.files,
                small: self.small,
            });
            match done {
                Ok(done) => {
                    self.waiting -= 1;
                    self.files += 1;
                    if let Ok(seen) = &done.result {
                        if seen.how.is_some() && seen.bytes < 1 << 20 {
                            self.small.add(Amount::one(Bytes(seen.bytes)));
                        }
                    }
                    return Some(done);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    self.waiting = 0;
                    return None;
                }
            }
        }
    }
}

fn run(request: Request<'_>, jobs: &Receiver<Job>, done: &Sender<Done>, bytes: &AtomicU64) {
    let mut folders = OpenFolders::new(request.target);
    let mut buffer = Buffer::new(const { NonZeroU64::new(PIECE).unwrap() });
    for job in jobs {
        let finished = match job {
            Job::Whole(check) => {
                let result = match request.stop.is_set() {
                    true => Err(crate::world::interrupted(check.record.place.as_bytes())),
                    false => whole(&mut folders, &mut buffer, &check, (bytes, request.stop)),
                };
                if result.is_err() {
                    folders.forget();
                }
                Some(Done {
                    check: *check,
                    result,
                })
            }
            Job::Block { large, index } => {
                let result = match request.stop.is_set() {
                    true => Err(crate::world::interrupted(large.check.record.place.as_bytes())),
                    false => block(&large, index, &mut buffer, bytes),
                };
                if let Err(fault) = result {
                    large
                        .fault
                        .lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .get_or_insert(fault);
                }
                (large.left.fetch_sub(1, Ordering::SeqCst) == 1).then(|| finish(&large))
            }
        };
        if let Some(finished) = finished {
            if done.send(finished).is_err() {
                return;
            }
        }
    }
}

fn stat(folders: &mut OpenFolders<'_>, place: &RelPath) -> Res<Entry> {
    let (above, name) = place
        .split()
        .ok_or_else(|| Fault::ours("read", b".", FaultKind::WrongKind, "no file"))?;
    folders.get(&above)?.stat(name)
}

fn open(folders: &mut OpenFolders<'_>, place: &RelPath) -> Res<Box<dyn FileIn>> {
    let (above, name) = place
        .split()
        .ok_or_else(|| Fault::ours("read", b".", FaultKind::WrongKind, "no file"))?;
    folders.get(&above)?.open(name, OpenHow::FromDisk)
}

fn whole(
    folders: &mut OpenFolders<'_>,
    buffer: &mut Buffer,
    check: &Check,
    (bytes, stop): (&AtomicU64, &Stop),
) -> Res<Seen> {
    let record = &check.record;
    let facts = stat(folders, &record.place)?;
    let unread = |facts, hash| Ok(Seen::unread(facts, hash));
    if facts.kind != record.kind {
        return unread(facts, None);
    }
    if let Some(target) = &facts.target {
        let hash = Some(Digest::of(target));
        return unread(facts, hash);
    }
    if facts.kind != EntryKind::File || facts.size != record.source.size {
        return unread(facts, None);
    }
    let file = open(folders, &record.place)?;
    let mut hasher = TreeHasher::new();
    let mut others = Hashers::of(check);
    loop {
        if stop.is_set() {
            return Err(crate::world::interrupted(record.place.as_bytes()));
        }
        let length = file.read_at(hasher.position(), buffer.bytes_mut())?;
        hasher.update(&buffer.bytes()[..length]);
        others.update(&buffer.bytes()[..length]);
        bytes.fetch_add(length as u64, Ordering::Relaxed);
        if (length as u64) < PIECE {
            break;
        }
    }
    let read = hasher.position();
    let tree = hasher.finish();
    let how = if read == 0 { None } else { Some(file.read_how()) };
    let xattrs_hold = xattrs_hold(check, &*file)?;
    let others = others.finish(tree.root);
    Ok(Seen {
        sha256: others.sha256.filter(|_| check.sha256),
        listed: agrees(&check.listed, &others),
        facts,
        hash: Some(tree.root),
        values: tree.values,
        how,
        bytes: read,
        xattrs_hold,
    })
}

fn block(large: &Large, index: u64, buffer: &mut Buffer, bytes: &AtomicU64) -> Res<()> {
    let start = index * BLOCK;
    let end = (start + BLOCK).min(large.facts.size.0);
    let mut hasher = blake3::Hasher::new();
    hasher.set_input_offset(start);
    let mut at = start;
    while at < end {
        // Whole pieces: a direct read ends short at the end of the file by itself.
        let length = large
            .file
            .read_at(at, buffer.bytes_mut())?
            .min((end - at) as usize);
        if length == 0 {
            let name = large.check.record.place.as_bytes();
            return Err(Fault::ours(
                "read",
                name,
                FaultKind::Medium,
                "it ended before its size",
            ));
        }
        hasher.update(&buffer.bytes()[..length]);
        bytes.fetch_add(length as u64, Ordering::Relaxed);
        at += length as u64;
    }
    let value = BlockValue(hasher.finalize_non_root());
    let mut values = large.values.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(slot) = values.get_mut(usize::try_from(index).unwrap_or(usize::MAX)) {
        *slot = Some(value);
    }
    Ok(())
}

fn finish(large: &Large) -> Done {
    let check = large.check.clone();
    if let Some(fault) = large.fault.lock().unwrap_or_else(PoisonError::into_inner).take() {
        return Done {
            check,
            result: Err(fault),
        };
    }
    let values: Vec<BlockValue> = large
        .values
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .iter()
        .map_while(|value| *value)
        .collect();
    let root = root_of(&values);
    let listed = root.and_then(|root| agrees(&check.listed, &Hashers::default().finish(root)));
    let result = xattrs_hold(&check, &*large.file).map(|xattrs_hold| Seen {
        sha256: None,
        listed,
        facts: large.facts.clone(),
        hash: root,
        values,
        how: Some(large.file.read_how()),
        bytes: large.facts.size.0,
        xattrs_hold,
    });
    Done { check, result }
}

fn xattrs_hold(check: &Check, file: &dyn FileIn) -> Res<bool> {
    match &check.attributes {
        Some(kept) => Ok(kept.hold_in(&file.xattrs()?)),
        None => Ok(true),
    }
}
