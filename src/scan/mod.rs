//! The scan: reads a source once, from the top down, and writes what it sees into an index.
//!
//! The source is opened for reading only. No symbolic link is followed, no file system entered but
//! those named, no folder that a rule keeps us out of. What cannot be read is recorded beside the
//! entry, and the scan goes on: a folder whose listing failed is unknown, never empty.

pub mod content;
mod gentle;
mod inodes;
mod listing;
mod look;
mod mounts;
mod partial;
mod recount;
mod walk;

#[cfg(test)]
mod tests;

pub use inodes::{InodeLook, class_after, classify_inodes, look_again};
pub use walk::NeverEnter;

use crate::entry::Entry;
use crate::index::{Index, IndexWriter, InodeClass, Start};
use crate::moment::Moment;
use crate::names::{RelPath, SourceName};
use crate::trouble::Trouble;
use crate::units::{Bytes, Span};
use look::Place;
use rustix::fs::{Mode, OFlags};
use std::collections::BTreeSet;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use walk::{Child, Ended, Handle, Lister, Segment, Walk, locked};

/// No more segments than this, so that a million folders in the root do not become a million
/// segments; more folders share one, in byte order.
const MOST_SEGMENTS: usize = 4_096;

/// Threads on a mount where every call may be a round trip.
const NETWORK_THREADS: usize = 16;

/// How often progress is told and the wish to stop is asked for.
const TICK: Duration = Duration::from_millis(100);

/// What to scan and where to write.
pub struct ScanRequest {
    /// The source's name in `move.toml`.
    pub source: SourceName,
    /// The folder to scan.
    pub root: PathBuf,
    /// Where the sealed index is to stand.
    pub index: PathBuf,
    /// Where finished segments wait until then; the same from one try to the next.
    pub parts: PathBuf,
    /// Says by which rule a folder is not entered: the folder it lies in, its name.
    pub never_enter: Arc<NeverEnter>,
    /// Stands for those rules: parts scanned under others are not used again.
    pub rules: String,
    /// Folders below which another file system may be entered.
    pub cross: Vec<RelPath>,
    /// One entry at a time, in inode order, by one thread.
    pub gentle: bool,
    /// Threads; by default by the kind of the mount.
    pub threads: Option<usize>,
    /// Count the names of all folders twice; by default on network mounts, where servers have been
    /// seen to leave names out of long listings.
    pub recount: Option<bool>,
    /// Go on with the parts of an interrupted scan.
    pub resume: bool,
    /// Scan only some top-level folders again.
    pub only: Option<Only>,
    /// Entries of the scan before, for the share done.
    pub expected_entries: Option<u64>,
    /// How far inode numbers of this source are known to be trusted.
    pub inodes: InodeClass,
}

/// What is scanned again; the rest comes from the index before, as old as it is.
#[derive(Clone)]
pub struct Only {
    /// The newest whole index of the source.
    pub before: Arc<Index>,
    /// Names of folders in the root. New ones that the index does not know are scanned as well.
    pub again: BTreeSet<Vec<u8>>,
}

/// How far a scan is.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Entries seen, those of an earlier try included.
    pub entries: u64,
    /// Logical bytes of the files among them.
    pub bytes: Bytes,
    /// Since this try began.
    pub elapsed: Span,
    /// Entries a second in this try.
    pub entries_per_second: f64,
    /// A folder that is being read.
    pub folder: RelPath,
    /// Of the entries of the scan before, 0 to 1; `None` in a first scan.
    pub share: Option<f64>,
}

/// What a scan has made.
pub struct ScanOutcome {
    /// The index, open; its header has the totals.
    pub index: Index,
    /// Since this try began.
    pub elapsed: Span,
    /// Segments taken over from an interrupted scan.
    pub kept_segments: usize,
    /// Threads that looked.
    pub threads: usize,
}

/// Scans a source. `progress` is told and `stop` is asked about ten times a second, both from the
/// calling thread.
///
/// # Errors
/// A root that is missing or cannot be read; a disk of ours that is full; another scan of the same
/// source; [`Trouble::interrupted`] after `stop`, with what is finished kept in the parts.
pub fn scan(
    request: &ScanRequest,
    progress: &dyn Fn(Progress),
    stop: &dyn Fn() -> bool,
) -> Result<ScanOutcome, Trouble> {
    #[expect(
        clippy::disallowed_methods,
        reason = "a duration for the outcome; the scan takes no clock"
    )]
    let began = Instant::now();
    let fd = open_root(&request.root)?;
    let (root_entry, place) = look::look_at_open(&fd).map_err(|e| no_source(&request.root, e))?;
    let mount = mounts::of(&fd, &place);
    let threads = threads_for(request, &mount.kind);
    let writer = begin_writer(request, root_entry, &mount)?;
    let network = mounts::is_network(&mount.kind);
    let walk = Arc::new(new_walk(request, fd, network));
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        // A thread that waits for others of its folder may take up a folder meanwhile.
        .stack_size(16 << 20)
        .thread_name(|n| format!("scan-{n}"))
        .build()
        .map_err(|e| Trouble::stopped("no-threads", format!("cannot start {threads} threads: {e}")))?;
    let root = Arc::new(Segment::new(&writer, Vec::new()));
    let kept = watched(&walk, request, began, progress, stop, || {
        let kept = pool.install(|| walk_all(&walk, &writer, &root, &place))?;
        if let Some(counts) = walk.counts.as_ref().filter(|_| !walk.is_stopped()) {
            let uneven = recount::recount(&request.root, counts, threads, || walk.is_stopped());
            if let Some(uneven) = partial::all_uneven(request.only.as_ref(), uneven) {
                writer.counted_twice(&uneven);
            }
        }
        Ok(kept)
    });
    let end = |result: Result<usize, Trouble>| {
        // Of an interrupted scan the root's listing is kept as well, for those who read the parts.
        let root_done = pool.install(|| root.writer().finish());
        result.and_then(|kept| root_done.map(|()| kept))
    };
    let kept = end(kept.and_then(|kept| verdict(&walk, kept)));
    drop(root);
    match kept {
        Err(trouble) if request.only.is_some() => {
            writer.drop_parts();
            Err(trouble)
        }
        Err(trouble) => {
            writer.keep_parts()?;
            Err(trouble)
        }
        Ok(kept_segments) => Ok(ScanOutcome {
            // A first scan has no look from before: its own is repeated at its end.
            index: writer.finish_classed(now(), &|index| {
                let first = request.inodes == InodeClass::Unknown;
                first.then(|| look_again(index, &request.root))
            })?,
            elapsed: Span::from_secs_f64(began.elapsed().as_secs_f64()),
            kept_segments,
            threads,
        }),
    }
}

/// Opens the index to be written, with what can be taken over already in it.
fn begin_writer(
    request: &ScanRequest,
    root_entry: Entry,
    mount: &mounts::Mount,
) -> Result<Arc<IndexWriter>, Trouble> {
    let mut start = Start {
        source: request.source.clone(),
        root: request.root.as_os_str().as_bytes().to_vec(),
        root_entry,
        started: now(),
        mount_type: mount.kind.clone(),
        session: mount.session.clone(),
        inodes: request.inodes,
        rules: rules_of(request),
        tool: concat!("poolward ", env!("CARGO_PKG_VERSION")).into(),
    };
    if let Some(only) = &request.only {
        partial::may_join(&only.before, &start)?;
        // What is taken over was seen then: whoever asks how fresh the index is must hear that.
        start.started = only.before.header().start.started;
    }
    let resume = request.resume && request.only.is_none();
    let writer = IndexWriter::begin(&request.index, &request.parts, start, resume)?;
    if let Some(only) = &request.only {
        writer.keep_from(&only.before, &only.again)?;
    }
    Ok(writer)
}

/// Lists the root and walks all segments that an interrupted scan has not finished. Says how many
/// it had.
fn walk_all(
    walk: &Arc<Walk>,
    writer: &Arc<IndexWriter>,
    root: &Arc<Segment>,
    place: &Place,
) -> Result<usize, Trouble> {
    let listed = walk.examine(&walk.root.fd, &RelPath::root(), place, root);
    let tops = match listed {
        Ok(tops) => tops,
        Err(Ended::Failed(error)) => {
            let trouble = Trouble::stopped("source-unreadable", format!("cannot list the source: {error}"));
            return Err(trouble.mend("Check the mount and its permissions, then run poolward scan again."));
        }
        Err(Ended::Stopped | Ended::Later) => return Ok(0),
    };
    if !tops.is_empty() {
        root.writer().checkpoint()?;
    }
    let (mut kept, mut tasks) = (0, Vec::new());
    for group in groups(tops) {
        let names: Vec<Vec<u8>> = group.iter().map(|child| child.name.clone()).collect();
        if let Some(totals) = writer.take_kept(&names) {
            kept += 1;
            walk.taken.fetch_add(totals.entries, Ordering::Relaxed);
            walk.entries.fetch_add(totals.entries, Ordering::Relaxed);
            walk.bytes.fetch_add(totals.files.bytes.0, Ordering::Relaxed);
            continue;
        }
        let segment = Arc::new(Segment::new(writer, names));
        tasks.extend(group.into_iter().filter_map(|top| walk.top(top, &segment, root)));
    }
    rayon::in_place_scope(|scope| {
        for task in tasks.into_iter().rev() {
            scope.spawn(move |scope| walk.visit(scope, task));
        }
    });
    while let Some(task) = walk.put_off() {
        rayon::in_place_scope(|scope| walk.visit(scope, task));
    }
    Ok(kept)
}

/// Top-level folders by segment.
fn groups(tops: Vec<Child>) -> Vec<Vec<Child>> {
    let size = tops.len().div_ceil(MOST_SEGMENTS).max(1);
    let mut groups = Vec::with_capacity(tops.len() / size + 1);
    let mut tops = tops.into_iter().peekable();
    while tops.peek().is_some() {
        groups.push(tops.by_ref().take(size).collect());
    }
    groups
}

/// Runs the walk on a thread of its own and meanwhile tells progress and asks whether to stop.
fn watched(
    walk: &Walk,
    request: &ScanRequest,
    began: Instant,
    progress: &dyn Fn(Progress),
    stop: &dyn Fn() -> bool,
    work: impl FnOnce() -> Result<usize, Trouble> + Send,
) -> Result<usize, Trouble> {
    let (tell, told) = std::sync::mpsc::channel();
    let result = std::thread::scope(|scope| {
        let worker = scope.spawn(move || {
            let result = work();
            let _ = tell.send(());
            result
        });
        while let Err(std::sync::mpsc::RecvTimeoutError::Timeout) = told.recv_timeout(TICK) {
            progress(how_far(walk, request, began));
            if stop() {
                walk.stopped.store(true, Ordering::Relaxed);
            }
        }
        worker.join()
    });
    progress(how_far(walk, request, began));
    result.unwrap_or_else(|_| Err(Trouble::defect("a thread of the scan ended by itself")))
}

fn how_far(walk: &Walk, request: &ScanRequest, began: Instant) -> Progress {
    let elapsed = began.elapsed().as_secs_f64();
    let entries = walk.entries.load(Ordering::Relaxed);
    Progress {
        entries,
        bytes: Bytes(walk.bytes.load(Ordering::Relaxed)),
        elapsed: Span::from_secs_f64(elapsed),
        entries_per_second: entries.saturating_sub(walk.taken.load(Ordering::Relaxed)) as f64
            / elapsed.max(1e-6),
        folder: locked(&walk.folder).clone(),
        share: request
            .expected_entries
            .filter(|expected| *expected > 0)
            .map(|expected| (entries as f64 / expected as f64).min(1.0)),
    }
}

fn verdict(walk: &Walk, kept: usize) -> Result<usize, Trouble> {
    match locked(&walk.trouble).take() {
        Some(trouble) => Err(trouble),
        None if walk.is_stopped() => Err(Trouble::interrupted()),
        None => Ok(kept),
    }
}

fn new_walk(request: &ScanRequest, root: rustix::fd::OwnedFd, network: bool) -> Walk {
    let handles = Arc::new(AtomicUsize::new(0));
    let limit = rustix::process::getrlimit(rustix::process::Resource::Nofile).current;
    Walk {
        root: Arc::new(Handle::new(root, &handles)),
        never_enter: Arc::clone(&request.never_enter),
        cross: request.cross.iter().cloned().collect(),
        lister: if request.gentle {
            Lister::Gentle
        } else {
            Lister::Handle
        },
        counts: request
            .recount
            .unwrap_or(network && !request.gentle)
            .then(Arc::default),
        chunk: if network { 32 } else { 1_024 },
        most_handles: (limit.unwrap_or(4_096) as usize / 2).min(4_096),
        handles,
        stopped: AtomicBool::new(false),
        entries: AtomicU64::new(0),
        taken: AtomicU64::new(0),
        bytes: AtomicU64::new(0),
        folder: Mutex::new(RelPath::root()),
        trouble: Mutex::new(None),
        large: AtomicBool::new(false),
        later: Mutex::new(Vec::new()),
    }
}

fn threads_for(request: &ScanRequest, mount: &str) -> usize {
    match request.threads {
        _ if request.gentle => 1,
        Some(threads) => threads.clamp(1, 256),
        None => usual_threads(mount),
    }
}

/// Threads that look at a source on this type of mount, unless told otherwise.
pub fn usual_threads(mount: &str) -> usize {
    let cores = std::thread::available_parallelism().map_or(2, |n| n.get());
    match mounts::is_network(mount) {
        true => NETWORK_THREADS,
        false => (2 * cores).clamp(2, 64),
    }
}

/// Everything that decides what a scan sees, in one text.
fn rules_of(request: &ScanRequest) -> String {
    let cross: Vec<String> = request.cross.iter().map(|path| path.to_string()).collect();
    format!("{}; cross: {}", request.rules, cross.join(", "))
}

fn open_root(root: &Path) -> Result<rustix::fd::OwnedFd, Trouble> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    rustix::fs::open(root, flags, Mode::empty()).map_err(|errno| no_source(root, errno))
}

fn no_source(root: &Path, errno: rustix::io::Errno) -> Trouble {
    let why = match errno {
        rustix::io::Errno::NOENT => "there is no such folder".into(),
        rustix::io::Errno::NOTDIR => "it is no folder".into(),
        other => look::words(other),
    };
    Trouble::stopped("source-missing", format!("cannot read the source: {why}"))
        .at(root.as_os_str().as_bytes().to_vec())
        .mend("Mount the share, or correct the path of the source in move.toml.")
}

#[expect(
    clippy::disallowed_methods,
    reason = "the scan takes no clock; its start and end are recorded facts"
)]
fn now() -> Moment {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Moment {
        seconds: i64::try_from(since.as_secs()).unwrap_or(i64::MAX),
        nanos: since.subsec_nanos(),
    }
}
