//! A file system of the tests' own over FUSE: shows a folder of this machine, read and write, and
//! goes wrong where a test says so.
//!
//! Nothing is kept by the kernel (all times to live are zero), so every look asks this side. Inode
//! numbers are those of the folder behind it, but for the root, which FUSE numbers 1; that folder
//! must lie on one file system.

mod calls;
mod nodes;
mod server;

use super::{has_program, scratch, skip};
use fuser::{BackgroundSession, Config, MountOption};
use nodes::Nodes;
use std::collections::HashMap;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime};

/// As many calls are answered at the same time; above what a scan asks at once.
const THREADS: usize = 24;

/// What the kernel asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Call {
    /// What a name in a folder is. A `stat` by path arrives as this.
    Lookup,
    /// The attributes of what is already known; follows each lookup here.
    Getattr,
    /// Times, mode, owner, length.
    Setattr,
    /// Where a symbolic link points.
    Readlink,
    /// Opening a folder.
    Opendir,
    /// Names of an open folder.
    Readdir,
    /// Opening a file.
    Open,
    /// Making and opening a file.
    Create,
    /// Bytes of a file.
    Read,
    /// Bytes into a file.
    Write,
    /// `fsync` and `fdatasync` of files and folders.
    Fsync,
    /// A new folder.
    Mkdir,
    /// Another special file or a file without opening it.
    Mknod,
    /// A new symbolic link.
    Symlink,
    /// A further name of a file.
    Link,
    /// Another name, with or without replacing.
    Rename,
    /// A name less; of a folder too.
    Unlink,
    /// Reading extended attributes.
    Getxattr,
    /// Writing and removing extended attributes.
    Setxattr,
}

/// What goes wrong with one entry. Offsets are bytes from its start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The call fails with this number of `errno(3)`. For what makes or removes a name, the entry
    /// is that name.
    Fails(Call, i32),
    /// A read that reaches this byte fails with EIO.
    BadByte(u64),
    /// Reads show this byte with its lowest bit turned; the folder behind stays as it is.
    FlipRead(u64),
    /// A write that reaches this byte stores it with its lowest bit turned, and says nothing.
    FlipWrite(u64),
    /// A write that reaches this byte is taken and forgotten.
    LoseWrite(u64),
    /// The listing of the folder fails with EIO after this many names.
    ListingFails(usize),
    /// The entry is listed and was gone when looked at.
    Vanished,
    /// Nothing can be given this name; so many file systems refuse names, with this error number.
    Refused(i32),
}

/// A fault, where, and how often it is still to come.
struct Rule {
    path: PathBuf,
    fault: Fault,
    left: u64,
}

/// What the mount and the test share.
struct Shared {
    nodes: Mutex<Nodes>,
    rules: Mutex<Vec<Rule>>,
    calls: Mutex<HashMap<Call, u64>>,
    /// Nanoseconds that every call takes longer.
    latency: AtomicU64,
    /// Bytes that can still be written; then ENOSPC.
    room: AtomicU64,
    /// Whether the room is told to those who ask; a quota may not be.
    told: AtomicBool,
    /// Whether names that differ in case alone are one name.
    folds: AtomicBool,
    /// Since when the clock of this file system stands.
    stands: Mutex<Option<SystemTime>>,
    /// So many calls of the kind still to come until all fail, as when the other end is lost.
    lost_after: Mutex<Option<(Call, u64)>>,
}

/// A mounted passthrough; unmounted when dropped.
pub struct Fuse {
    shared: Arc<Shared>,
    session: Option<BackgroundSession>,
    at: tempfile::TempDir,
}

impl Fuse {
    /// Mounts what `backing` holds; `None`, with the reason noted as a skip, where this machine
    /// cannot.
    pub fn over(backing: &Path) -> Option<Fuse> {
        match mount(backing) {
            Ok(fuse) => Some(fuse),
            Err(why) => {
                skip(format!("no FUSE here: {why}"));
                None
            }
        }
    }

    /// Where it is mounted.
    pub fn path(&self) -> &Path {
        self.at.path()
    }

    /// From now on this goes wrong at `path` (below the root, without a slash in front; empty: the
    /// root).
    pub fn fault(&self, path: &str, fault: Fault) {
        self.fault_times(path, fault, u64::MAX);
    }

    /// The same for so many times; then it is well again.
    pub fn fault_times(&self, path: &str, fault: Fault, times: u64) {
        locked(&self.shared.rules).push(Rule {
            path: path.into(),
            fault,
            left: times,
        });
    }

    /// Everything is well again.
    pub fn heal(&self) {
        locked(&self.shared.rules).clear();
        *locked(&self.shared.lost_after) = None;
        self.shared.room.store(u64::MAX, Ordering::Relaxed);
        self.latency(Duration::ZERO);
    }

    /// Every call takes this much longer.
    pub fn latency(&self, each: Duration) {
        let nanos = u64::try_from(each.as_nanos()).expect("a short time");
        self.shared.latency.store(nanos, Ordering::Relaxed);
    }

    /// So many bytes can still be written; then ENOSPC.
    pub fn room(&self, bytes: u64) {
        self.shared.told.store(true, Ordering::Relaxed);
        self.shared.room.store(bytes, Ordering::Relaxed);
    }

    /// The same, and nobody who asks for the free space is told.
    pub fn quota(&self, bytes: u64) {
        self.room(bytes);
        self.shared.told.store(false, Ordering::Relaxed);
    }

    /// From now on names that differ in case alone are one name, which keeps its first form.
    pub fn fold(&self) {
        self.shared.folds.store(true, Ordering::Relaxed);
    }

    /// From now on the clock here stands: an edit leaves the times it found, as one does within one
    /// step of a coarse clock.
    pub fn stand_still(&self) {
        *locked(&self.shared.stands) = Some(SystemTime::now());
    }

    /// After so many calls of a kind every call fails with ENOTCONN, as when a FUSE process or a
    /// server dies, until all is well again.
    pub fn lose_after(&self, call: Call, calls: u64) {
        *locked(&self.shared.lost_after) = Some((call, calls));
    }

    /// Mounts anew with further options, such as `ro`.
    pub fn remount(&self, options: &str) {
        let run = std::process::Command::new("mount")
            .args(["-i", "-o", &format!("remount,{options}")])
            .arg(self.path())
            .status();
        assert!(run.expect("mount runs").success(), "a remount");
    }

    /// Unmounts; the empty folder stays.
    pub fn unmount(&mut self) {
        let session = self.session.take().expect("it is mounted");
        session.umount_and_join().expect("an unmount");
    }

    /// Mounts again at the same place, well.
    pub fn mount_again(&mut self, backing: &Path) {
        *locked(&self.shared.nodes) = Nodes::new(backing).expect("the folder behind");
        self.heal();
        self.session = Some(serve(&self.shared, self.at.path()).expect("a mount"));
    }

    /// How often the kernel asked this so far.
    pub fn calls(&self, call: Call) -> u64 {
        locked(&self.shared.calls).get(&call).copied().unwrap_or(0)
    }
}

impl Drop for Fuse {
    fn drop(&mut self) {
        self.heal();
        let ended = self.session.take().map(BackgroundSession::umount_and_join);
        if let Some(Err(error)) = ended {
            eprintln!("{} stays mounted: {error}", self.at.path().display());
        }
    }
}

impl Shared {
    /// Counts a call, waits, and says whether it is to fail.
    fn enter(&self, call: Call, path: &Path) -> Result<(), fuser::Errno> {
        *locked(&self.calls).entry(call).or_default() += 1;
        let nanos = self.latency.load(Ordering::Relaxed);
        if nanos > 0 {
            std::thread::sleep(Duration::from_nanos(nanos));
        }
        if self.is_lost(Some(call)) {
            return Err(fuser::Errno::from_i32(ENOTCONN));
        }
        let failing = |fault: Fault| match fault {
            Fault::Fails(which, code) if which == call => Some(code),
            Fault::Vanished if matches!(call, Call::Lookup | Call::Getattr) => Some(ENOENT),
            _ => None,
        };
        match self.strike(path, failing) {
            Some(code) => Err(fuser::Errno::from_i32(code)),
            None => Ok(()),
        }
    }

    /// Whether all calls fail by now; counts one of a kind.
    fn is_lost(&self, call: Option<Call>) -> bool {
        match &mut *locked(&self.lost_after) {
            Some((_, 0)) => true,
            Some((which, left)) => {
                *left -= u64::from(call == Some(*which));
                false
            }
            None => false,
        }
    }

    /// Fails where nothing can be given this name.
    fn takes(&self, path: &Path) -> Result<(), fuser::Errno> {
        let refused = |fault| match fault {
            Fault::Refused(code) => Some(code),
            _ => None,
        };
        match self.strike(path, refused) {
            Some(code) => Err(fuser::Errno::from_i32(code)),
            None => Ok(()),
        }
    }

    /// The first fault at a path that matters, once less from now on.
    fn strike<T>(&self, path: &Path, matters: impl Fn(Fault) -> Option<T>) -> Option<T> {
        let mut rules = locked(&self.rules);
        for rule in rules.iter_mut().filter(|rule| rule.left > 0 && rule.path == path) {
            if let Some(answer) = matters(rule.fault) {
                rule.left = rule.left.saturating_sub(1);
                return Some(answer);
            }
        }
        None
    }

    /// Takes bytes from the room; `false` where it does not hold them.
    fn take_room(&self, bytes: u64) -> bool {
        let take = |room: u64| match room {
            u64::MAX => Some(room),
            _ => room.checked_sub(bytes),
        };
        let order = Ordering::Relaxed;
        self.room.fetch_update(order, order, take).is_ok()
    }
}

/// Numbers of `errno(3)` on Linux, x86 and ARM alike.
const ENOENT: i32 = 2;
/// See [`ENOENT`].
pub const EIO: i32 = 5;
/// See [`ENOENT`].
pub const EACCES: i32 = 13;
/// See [`ENOENT`].
pub const ENOSPC: i32 = 28;
/// See [`ENOENT`].
pub const EINVAL: i32 = 22;
/// See [`ENOENT`].
pub const ENOTCONN: i32 = 107;

fn mount(backing: &Path) -> Result<Fuse, String> {
    if !Path::new("/dev/fuse").exists() {
        return Err("there is no /dev/fuse".into());
    }
    if !super::is_root() && !has_program("fusermount3") {
        return Err("neither root nor fusermount3".into());
    }
    let shared = Arc::new(Shared {
        nodes: Mutex::new(Nodes::new(backing).map_err(|e| e.to_string())?),
        rules: Mutex::default(),
        calls: Mutex::default(),
        latency: AtomicU64::new(0),
        room: AtomicU64::new(u64::MAX),
        told: AtomicBool::new(true),
        folds: AtomicBool::new(false),
        stands: Mutex::default(),
        lost_after: Mutex::default(),
    });
    let at = scratch();
    let session = serve(&shared, at.path());
    Ok(Fuse {
        shared,
        session: Some(session.map_err(|e| e.to_string())?),
        at,
    })
}

fn serve(shared: &Arc<Shared>, at: &Path) -> std::io::Result<BackgroundSession> {
    let mut config = Config::default();
    config.mount_options = vec![MountOption::FSName("passthrough".into())];
    config.n_threads = Some(THREADS);
    fuser::spawn_mount(server::Passthrough::new(shared), at, &config)
}

/// Open files and listings by the number that the kernel is told.
#[derive(Default)]
struct Handles {
    files: HashMap<u64, Arc<File>>,
    listings: HashMap<u64, Arc<Vec<nodes::Listed>>>,
    next: u64,
}

impl Handles {
    fn number(&mut self) -> u64 {
        self.next += 1;
        self.next
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
