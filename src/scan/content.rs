//! Reads files of a source to hash them: the first and last part, or all of it.
//!
//! A file counts only while it is what the index knows: its facts are compared before and after.
//! Jobs are taken in the order given, which is the order of the index, folder by folder.

use crate::digest::{Digest, TreeHasher};
use crate::entry::Identity;
use crate::names::RelPath;
use crate::survey::twins::Part;
use crate::world::{Fault, FaultKind, FileIn, Folder, Fs, OpenHow, Res, reach};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// Bytes of the first part, and of the last.
pub const EDGE: u64 = 64 << 10;

/// Bytes read in one piece; between two the wish to stop is asked for.
const PIECE: usize = 1 << 20;

/// One file to read.
#[derive(Debug, Clone)]
pub struct Job {
    /// Its path below the source's root.
    pub path: RelPath,
    /// What the index knows of it.
    pub identity: Identity,
    /// Whether its inode number must still be the same.
    pub inodes_hold: bool,
    /// How much to read. A file of two parts or less is read whole in any case.
    pub part: Part,
}

/// What a job came to.
#[derive(Debug)]
pub enum Outcome {
    /// The hash of this part.
    Hashed(Part, Digest),
    /// It is not what the index knows any more, or changed while it was read.
    Changed,
    /// It cannot be read.
    Unreadable(Fault),
    /// Not done: the user asked to end.
    Stopped,
}

/// Reads all jobs by so many threads; `read` counts bytes as they come in, and `tell` hears about
/// ten times a second of them and of the jobs done. Outcomes stand in the order of the jobs.
pub fn read(
    fs: &dyn Fs,
    jobs: &[Job],
    threads: usize,
    stop: &(dyn Fn() -> bool + Sync),
    read: &AtomicU64,
    tell: &dyn Fn(u64, u64),
) -> Vec<Outcome> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, Outcome)>> = Mutex::new(Vec::with_capacity(jobs.len()));
    let (sign, signed) = std::sync::mpsc::channel::<()>();
    let (next, done_by) = (&next, &done);
    std::thread::scope(|scope| {
        for _ in 0..threads.clamp(1, jobs.len().max(1)) {
            let sign = sign.clone();
            scope.spawn(move || {
                // Dropped at the end of the thread: the last one wakes the caller.
                let _sign = sign;
                let mut reader = Reader::new(fs, stop, read);
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    let Some(job) = jobs.get(at) else { return };
                    let outcome = reader.one(job);
                    done_by
                        .lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .push((at, outcome));
                }
            });
        }
        drop(sign);
        while let Err(std::sync::mpsc::RecvTimeoutError::Timeout) = signed.recv_timeout(super::TICK) {
            let count = done_by.lock().unwrap_or_else(PoisonError::into_inner).len();
            tell(read.load(Ordering::Relaxed), count as u64);
        }
    });
    let mut done = done.into_inner().unwrap_or_else(PoisonError::into_inner);
    done.sort_unstable_by_key(|(at, _)| *at);
    done.into_iter().map(|(_, outcome)| outcome).collect()
}

struct Reader<'a> {
    fs: &'a dyn Fs,
    stop: &'a (dyn Fn() -> bool + Sync),
    read: &'a AtomicU64,
    buffer: Vec<u8>,
    /// The folder of the job before: its files follow one another.
    folder: Option<(RelPath, Arc<dyn Folder>)>,
}

impl<'a> Reader<'a> {
    fn new(fs: &'a dyn Fs, stop: &'a (dyn Fn() -> bool + Sync), read: &'a AtomicU64) -> Reader<'a> {
        Reader {
            fs,
            stop,
            read,
            buffer: vec![0; PIECE],
            folder: None,
        }
    }

    fn one(&mut self, job: &Job) -> Outcome {
        match self.hash(job) {
            Ok(outcome) => outcome,
            // Gone is changed, too: what the index knows is not there any more.
            Err(fault) if matches!(fault.kind, FaultKind::NotFound | FaultKind::WrongKind) => {
                Outcome::Changed
            }
            Err(fault) => {
                self.folder = None;
                Outcome::Unreadable(fault)
            }
        }
    }

    fn hash(&mut self, job: &Job) -> Res<Outcome> {
        if (self.stop)() {
            return Ok(Outcome::Stopped);
        }
        let file = self.open(&job.path)?;
        let same = |now: Identity| {
            let facts = |id: &Identity| (id.size, id.mtime, id.ctime);
            facts(&now) == facts(&job.identity) && (!job.inodes_hold || now.inode == job.identity.inode)
        };
        if !same(file.facts()?.identity()) {
            return Ok(Outcome::Changed);
        }
        let size = job.identity.size.0;
        let mut hasher = TreeHasher::new();
        let (part, ranges) = match job.part {
            Part::Sample if size > 2 * EDGE => (Part::Sample, vec![(0, EDGE), (size - EDGE, size)]),
            _ => (Part::Whole, vec![(0, size)]),
        };
        for (mut at, end) in ranges {
            while at < end {
                if (self.stop)() {
                    return Ok(Outcome::Stopped);
                }
                let most = usize::try_from(end - at).unwrap_or(PIECE).min(PIECE);
                let length = file.read_at(at, &mut self.buffer[..most])?;
                if length == 0 {
                    return Ok(Outcome::Changed);
                }
                self.read.fetch_add(length as u64, Ordering::Relaxed);
                hasher.update(&self.buffer[..length]);
                at += length as u64;
            }
        }
        if !same(file.facts()?.identity()) {
            return Ok(Outcome::Changed);
        }
        Ok(Outcome::Hashed(part, hasher.finish().root))
    }

    fn open(&mut self, path: &RelPath) -> Res<Box<dyn FileIn>> {
        let Some((above, name)) = path.split() else {
            return Err(Fault::ours(
                "read",
                b".",
                FaultKind::WrongKind,
                "the root is no file",
            ));
        };
        let folder = match &self.folder {
            Some((held, folder)) if *held == above => Arc::clone(folder),
            _ => {
                let folder = reach(self.fs, &above)?;
                self.folder = Some((above, Arc::clone(&folder)));
                folder
            }
        };
        folder.open(name, OpenHow::Plain)
    }
}
