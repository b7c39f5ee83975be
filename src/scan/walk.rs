//! The walk: folders as tasks on a pool of threads, each opened from the handle of the folder
//! above it. What a folder holds goes to its segment; when a segment has no folder left, it is
//! finished.

use crate::index::{Held, IndexWriter, NotEntered, SegmentWriter};
use crate::names::RelPath;
use crate::scan::look::{self, Place};
use crate::scan::recount::Counts;
use crate::survey::surveyor::BOUNDARY;
use crate::trouble::Trouble;
use rayon::Scope;
use rustix::fd::OwnedFd;
use rustix::io::Errno;
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// A folder this far below the root can only be a loop of a broken file system.
const MOST_PATH_BYTES: usize = 1 << 20;

/// Says by which rule a folder is not entered: the folder it lies in, its name.
pub type NeverEnter = dyn Fn(&RelPath, &[u8]) -> Option<String> + Send + Sync;

/// How the names of a folder are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lister {
    /// From the folder's handle, in large pieces.
    Handle,
    /// By walkdir, one entry at a time in inode order.
    Gentle,
}

/// What all tasks share.
pub(super) struct Walk {
    pub root: Arc<Handle>,
    pub never_enter: Arc<NeverEnter>,
    pub cross: BTreeSet<RelPath>,
    pub lister: Lister,
    /// Entries looked at by one thread in one go within a folder.
    pub chunk: usize,
    /// Set where all folders are to be counted twice.
    pub counts: Option<Arc<Counts>>,
    pub most_handles: usize,
    pub handles: Arc<AtomicUsize>,
    pub stopped: AtomicBool,
    pub entries: AtomicU64,
    /// Those among them that this try did not look at itself.
    pub taken: AtomicU64,
    pub bytes: AtomicU64,
    pub folder: Mutex<RelPath>,
    pub trouble: Mutex<Option<Trouble>>,
    /// Whether a large folder is being read, and those that wait for it.
    pub large: AtomicBool,
    pub later: Mutex<Vec<Task>>,
}

/// An open folder, counted.
pub(super) struct Handle {
    pub fd: OwnedFd,
    open: Arc<AtomicUsize>,
}

/// A segment and how many of its folders are still to be walked.
pub(super) struct Segment {
    writer: SegmentWriter,
    left: AtomicUsize,
    /// Whether it is the root's own listing, which is ended by the scan itself.
    root: bool,
}

/// A folder to be walked.
pub(super) struct Task {
    path: RelPath,
    /// What its parent saw it to be.
    seen: Place,
    /// Set where another file system begins here and may be entered.
    crossing: bool,
    /// An open folder above it, and the way from there.
    from: Arc<Handle>,
    way: Vec<u8>,
    segment: Arc<Segment>,
    /// Takes note where this folder itself fails: the segment of the folder above.
    above: Arc<Segment>,
}

impl Handle {
    pub fn new(fd: OwnedFd, open: &Arc<AtomicUsize>) -> Handle {
        open.fetch_add(1, Ordering::Relaxed);
        Handle {
            fd,
            open: Arc::clone(open),
        }
    }
}

impl Drop for Handle {
    fn drop(&mut self) {
        self.open.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Segment {
    pub fn new(writer: &Arc<IndexWriter>, tops: Vec<Vec<u8>>) -> Segment {
        Segment {
            left: AtomicUsize::new(tops.len()),
            root: tops.is_empty(),
            writer: writer.segment(tops),
        }
    }

    pub fn writer(&self) -> &SegmentWriter {
        &self.writer
    }
}

/// The handle of an examined folder, where there are few enough of them, and what to enter next.
type Examined = (Option<Arc<Handle>>, Vec<Child>);

/// A folder within a listing that is to be entered.
pub(super) struct Child {
    pub name: Vec<u8>,
    seen: Place,
    crossing: bool,
}

impl Walk {
    /// Whether the walk is to end early.
    pub fn is_stopped(&self) -> bool {
        self.stopped.load(Ordering::Relaxed)
    }

    /// Ends the walk for a trouble of our own (a full disk).
    pub fn fail(&self, trouble: Trouble) {
        locked(&self.trouble).get_or_insert(trouble);
        self.stopped.store(true, Ordering::Relaxed);
    }

    /// A task for a folder in the root.
    pub fn top(&self, child: Child, segment: &Arc<Segment>, root: &Arc<Segment>) -> Option<Task> {
        Some(Task {
            path: RelPath::root().join(&child.name).ok()?,
            seen: child.seen,
            crossing: child.crossing,
            from: Arc::clone(&self.root),
            way: child.name,
            segment: Arc::clone(segment),
            above: Arc::clone(root),
        })
    }

    /// Walks one folder and queues those in it.
    pub fn visit<'s>(self: &'s Arc<Self>, scope: &Scope<'s>, task: Task) {
        if self.is_stopped() {
            return;
        }
        self.folder_now(&task.path);
        match self.open_and_examine(&task) {
            Ok((handle, children)) => {
                task.segment.left.fetch_add(children.len(), Ordering::Relaxed);
                // The pool takes the last one first: handed over backwards, folders are walked
                // in order and one is done with before the next.
                for child in children.into_iter().rev() {
                    match self.below(&task, &handle, child) {
                        Some(below) => scope.spawn(move |scope| self.visit(scope, below)),
                        None => self.done(&task.segment),
                    }
                }
            }
            Err(Ended::Stopped) => return,
            Err(Ended::Later) => return locked(&self.later).push(task),
            Err(Ended::Failed(error)) => {
                task.above.writer.failed(&task.path, &error);
                self.look_again(&task);
            }
        }
        self.done(&task.segment);
    }

    /// A large folder that was put off because another was being read.
    pub fn put_off(&self) -> Option<Task> {
        locked(&self.later).pop()
    }

    /// What was noted of a top-level folder stands in the root's listing, which a scan that goes
    /// on reads anew: the segment must be looked at again with it.
    fn look_again(&self, task: &Task) {
        if task.above.root {
            task.segment.writer.never_keep();
        }
    }

    fn done(&self, segment: &Segment) {
        if segment.left.fetch_sub(1, Ordering::AcqRel) == 1 && !segment.root && !self.is_stopped() {
            if let Err(trouble) = segment.writer.finish() {
                self.fail(trouble);
            }
        }
    }

    fn below(&self, task: &Task, handle: &Option<Arc<Handle>>, child: Child) -> Option<Task> {
        let (from, way) = match handle {
            Some(handle) => (Arc::clone(handle), child.name.clone()),
            None => {
                let way = [task.way.as_slice(), b"/", &child.name].concat();
                (Arc::clone(&task.from), way)
            }
        };
        Some(Task {
            path: task.path.join(&child.name).ok()?,
            seen: child.seen,
            crossing: child.crossing,
            from,
            way,
            segment: Arc::clone(&task.segment),
            above: Arc::clone(&task.segment),
        })
    }

    /// Opens the folder, makes sure that it is the one that was seen, and takes in what it holds.
    /// A handle comes back where there are few enough of them.
    fn open_and_examine(&self, task: &Task) -> Result<Examined, Ended> {
        if task.path.as_bytes().len() > MOST_PATH_BYTES {
            let why = "its path is over a mebibyte long: the file system holds a loop";
            return Err(Ended::Failed(why.into()));
        }
        let fd = look::open_below(&task.from.fd, &task.way)?;
        let (_, here) = look::look_at_open(&fd)?;
        // Opening it may have mounted something there. Another inode on the same file system is no
        // reason to stop: there are mounts that number a folder anew at every look.
        let crossing = task.crossing || !here.same_file_system(&task.seen);
        if crossing && !self.cross.contains(&task.path) {
            task.above.writer.boundary(&task.path, BOUNDARY);
            self.look_again(task);
            return Ok((None, Vec::new()));
        }
        if crossing {
            self.refuse_loop(&task.path, &here)?;
        }
        let handle = Arc::new(Handle::new(fd, &self.handles));
        let children = self.examine(&handle.fd, &task.path, &here, &task.segment)?;
        let keep = self.handles.load(Ordering::Relaxed) <= self.most_handles;
        Ok((keep.then_some(handle), children))
    }

    /// Where another mount begins, the folder may be one that it lies in.
    fn refuse_loop(&self, path: &RelPath, here: &Place) -> Result<(), Ended> {
        for depth in 0..path.depth() {
            let above = path.prefix(depth).unwrap_or_default();
            let place = look::open_below(&self.root.fd, above.as_bytes()).and_then(look::look_at_open)?;
            if place.1.same_folder(here) {
                let why = format!("a loop: it shows {above}, in which it lies");
                return Err(Ended::Failed(why));
            }
        }
        Ok(())
    }

    /// Lists a folder, looks at all its entries, hands them to the segment, and says which folders
    /// in it are to be entered.
    pub fn examine(
        &self,
        dir: &OwnedFd,
        path: &RelPath,
        here: &Place,
        segment: &Segment,
    ) -> Result<Vec<Child>, Ended> {
        let mut token = None;
        let looked = self.look_at_all(dir, path, segment, &mut token)?;
        if self.is_stopped() {
            return Err(Ended::Stopped);
        }
        let mut folders = looked.folders;
        folders.sort_unstable_by(|a, b| a.0.cmp(&b.0));
        folders.dedup_by(|a, b| a.0 == b.0);
        let children = folders.into_iter();
        let children = children
            .filter_map(|(name, seen)| self.admit(path, here, segment, name, seen))
            .collect();
        let names = match looked.runs.is_empty() {
            true => {
                let folder = Held::join(path.clone(), looked.pieces);
                let names = folder.len();
                segment.writer.push_held(folder).map(|()| names)
            }
            false => segment.writer.push_runs(path.clone(), looked.runs),
        };
        match (names, &self.counts) {
            (Ok(names), Some(counts)) => counts.note(path, names),
            (Ok(_), None) => {}
            (Err(trouble), _) => {
                self.fail(trouble);
                return Err(Ended::Stopped);
            }
        }
        Ok(children)
    }

    /// Decides whether a folder is entered, and notes why not.
    fn admit(
        &self,
        path: &RelPath,
        here: &Place,
        segment: &Segment,
        name: Vec<u8>,
        seen: Place,
    ) -> Option<Child> {
        let below = path.join(&name).ok()?;
        if let Some(rule) = (self.never_enter)(path, &name) {
            segment.writer.not_entered(NotEntered { path: below, rule });
            return None;
        }
        let crossing = !seen.same_file_system(here);
        if crossing && !self.cross.contains(&below) {
            segment.writer.boundary(&below, BOUNDARY);
            return None;
        }
        Some(Child { name, seen, crossing })
    }

    /// For the progress line; never waits for it.
    fn folder_now(&self, path: &RelPath) {
        if let Ok(mut folder) = self.folder.try_lock() {
            folder.clone_from(path);
        }
    }
}

/// Why a folder was not taken in.
pub(super) enum Ended {
    /// The scan is to stop.
    Stopped,
    /// It is large, and another large one is being read: its turn comes.
    Later,
    /// It could not be read, in words.
    Failed(String),
}

impl From<Errno> for Ended {
    fn from(errno: Errno) -> Ended {
        Ended::Failed(look::words(errno))
    }
}

pub(super) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
