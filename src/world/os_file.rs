//! Open files of the real file systems: reads past the page cache and told how, direct writes of
//! large files, and what a copy carries beside bytes and names.

use super::os::{Nature, own_facts};
use super::{ALIGN, Dress, Fault, FaultKind, FileIn, FileOut, Loss, OpenHow, ReadHow, Res, Xattr};
use crate::entry::{Entry, EntryKind};
use crate::moment::Moment;
use crate::units::Bytes;
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{Advice, AtFlags, FallocateFlags, Gid, Mode, OFlags, Timespec, Timestamps, Uid, XattrFlags};
use rustix::io::{Errno, ReadWriteFlags};
use std::num::NonZeroU64;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// Files from this size on are written past the page cache where that is possible: a copy must
/// not push the machine's working set out, and the disks start at once.
const DIRECT_FROM: u64 = 4 << 20;
/// Files from this size on get their space set aside in one piece.
const PREALLOCATE_FROM: u64 = 1 << 20;

/// A file open for reading.
pub(super) struct OsFileIn {
    fd: OwnedFd,
    name: Vec<u8>,
    state: Mutex<Reading>,
}

#[derive(Clone, Copy)]
struct Reading {
    how: ReadHow,
    direct: bool,
}

impl OsFileIn {
    pub(super) fn open(folder: &OwnedFd, name: &[u8], how: OpenHow, nature: &Nature) -> Res<OsFileIn> {
        let fault = |e| Fault::os("open", name, e);
        // NONBLOCK: a FIFO put in a file's place must not hold us for ever.
        let base = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let try_direct = how == OpenHow::FromDisk && nature.direct;
        let opened = match try_direct {
            true => rustix::fs::openat(folder, name, base | OFlags::DIRECT, Mode::empty()),
            false => Err(Errno::INVAL),
        };
        let (fd, direct) = match opened {
            Ok(fd) => (fd, true),
            Err(Errno::INVAL | Errno::OPNOTSUPP) => (
                rustix::fs::openat(folder, name, base, Mode::empty()).map_err(fault)?,
                false,
            ),
            Err(other) => return Err(fault(other)),
        };
        let kind = own_facts(&fd)?.kind;
        if kind != EntryKind::File {
            return Err(Fault::ours(
                "open",
                name,
                FaultKind::WrongKind,
                "it is not a regular file",
            ));
        }
        let state = Mutex::new(Reading {
            how: ReadHow::Unknown,
            direct,
        });
        let file = OsFileIn {
            fd,
            name: name.to_vec(),
            state,
        };
        match how {
            OpenHow::Plain => {
                // A hint; a file system without read-ahead loses nothing.
                let _ = rustix::fs::fadvise(&file.fd, 0, None, Advice::Sequential);
            }
            OpenHow::FromDisk if direct => file.reading().how = nature.read_how,
            OpenHow::FromDisk => {
                let how = file.evict(nature.read_how);
                file.reading().how = how;
            }
        }
        Ok(file)
    }

    /// Drops the file's pages and says what a read is worth then. Dropping is only a hint to the
    /// kernel, so a page that is still there shows that it was not followed.
    fn evict(&self, best: ReadHow) -> ReadHow {
        let _ = rustix::fs::fadvise(&self.fd, 0, None, Advice::DontNeed);
        let size = match own_facts(&self.fd) {
            Ok(facts) => facts.size.0,
            Err(_) => return ReadHow::Unknown,
        };
        let mut page = [0u8; 1];
        let still_there = [0, size / 2, size.saturating_sub(1)].iter().any(|at| {
            let mut into = [std::io::IoSliceMut::new(&mut page)];
            rustix::io::preadv2(&self.fd, &mut into, *at, ReadWriteFlags::NOWAIT).is_ok_and(|n| n > 0)
        });
        match (still_there && size > 0, best) {
            (true, _) => ReadHow::Unknown,
            (false, ReadHow::Direct) => ReadHow::Evicted,
            (false, other) => other,
        }
    }

    fn reading(&self) -> std::sync::MutexGuard<'_, Reading> {
        self.state
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// Goes on through the page cache, once a direct read was refused.
    fn leave_direct(&self) -> Res<()> {
        let fault = |e| Fault::os("read", &self.name, e);
        let mut reading = self.reading();
        if reading.direct {
            let flags = rustix::fs::fcntl_getfl(&self.fd).map_err(fault)?;
            rustix::fs::fcntl_setfl(&self.fd, flags & !OFlags::DIRECT).map_err(fault)?;
            *reading = Reading {
                how: self.evict(reading.how),
                direct: false,
            };
        }
        Ok(())
    }
}

impl FileIn for OsFileIn {
    fn facts(&self) -> Res<Entry> {
        own_facts(&self.fd)
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> Res<usize> {
        let mut done = 0;
        while done < into.len() {
            let direct = self.reading().direct;
            match rustix::io::pread(&self.fd, &mut into[done..], offset + done as u64) {
                Ok(0) => break,
                Ok(n) => done += n,
                Err(Errno::INTR) => {}
                // The end of a direct read is not aligned: a short read is the file's end.
                Err(Errno::INVAL) if direct && done > 0 && done % ALIGN != 0 => break,
                Err(Errno::INVAL) if direct => self.leave_direct()?,
                Err(e) => return Err(Fault::os("read", &self.name, e)),
            }
            if direct && done % ALIGN != 0 {
                break;
            }
        }
        Ok(done)
    }

    fn xattrs(&self) -> Res<Vec<Xattr>> {
        xattrs_of(&self.fd, &self.name)
    }

    fn read_how(&self) -> ReadHow {
        self.reading().how
    }

    fn sync(&self) -> Res<()> {
        rustix::fs::fsync(&self.fd).map_err(|e| Fault::os("sync", &self.name, e))
    }
}

/// A file open for writing.
pub(super) struct OsFileOut {
    fd: OwnedFd,
    name: Vec<u8>,
    /// Whether writes go past the page cache; falls to false once and for all.
    direct: AtomicBool,
}

impl OsFileOut {
    pub(super) fn new(fd: OwnedFd, name: &[u8], expected: Bytes, nature: &Nature) -> Res<OsFileOut> {
        if expected.0 >= PREALLOCATE_FROM && nature.preallocate {
            match rustix::fs::fallocate(&fd, FallocateFlags::KEEP_SIZE, 0, expected.0) {
                Ok(()) | Err(Errno::OPNOTSUPP | Errno::NOSYS | Errno::INVAL | Errno::INTR) => {}
                Err(e) => return Err(Fault::os("set space aside for", name, e)),
            }
        }
        let file = OsFileOut {
            fd,
            name: name.to_vec(),
            direct: AtomicBool::new(false),
        };
        if expected.0 >= DIRECT_FROM && nature.direct {
            file.direct.store(file.set_direct(true).is_ok(), Ordering::SeqCst);
        }
        Ok(file)
    }

    fn set_direct(&self, on: bool) -> Result<(), Errno> {
        let flags = rustix::fs::fcntl_getfl(&self.fd)?;
        let flags = if on {
            flags | OFlags::DIRECT
        } else {
            flags & !OFlags::DIRECT
        };
        rustix::fs::fcntl_setfl(&self.fd, flags)
    }

    fn leave_direct(&self) -> Res<()> {
        self.set_direct(false).map_err(|e| self.fault("write", e))?;
        self.direct.store(false, Ordering::SeqCst);
        Ok(())
    }

    fn fault(&self, doing: &'static str, error: Errno) -> Fault {
        Fault::os(doing, &self.name, error)
    }
}

fn is_aligned(offset: u64, bytes: &[u8]) -> bool {
    offset.is_multiple_of(ALIGN as u64)
        && bytes.len().is_multiple_of(ALIGN)
        && bytes.as_ptr().addr().is_multiple_of(ALIGN)
}

impl FileOut for OsFileOut {
    fn write_at(&self, offset: u64, bytes: &[u8]) -> Res<()> {
        if self.direct.load(Ordering::SeqCst) && !is_aligned(offset, bytes) {
            self.leave_direct()?;
        }
        let mut done = 0;
        while done < bytes.len() {
            match rustix::io::pwrite(&self.fd, &bytes[done..], offset + done as u64) {
                Ok(0) => {
                    return Err(Fault::ours(
                        "write",
                        &self.name,
                        FaultKind::Medium,
                        "nothing was taken",
                    ));
                }
                Ok(n) => done += n,
                Err(Errno::INTR) => {}
                Err(Errno::INVAL) if self.direct.load(Ordering::SeqCst) => self.leave_direct()?,
                Err(e) => return Err(self.fault("write", e)),
            }
        }
        Ok(())
    }

    fn set_length(&self, length: Bytes) -> Res<()> {
        rustix::fs::ftruncate(&self.fd, length.0).map_err(|e| self.fault("set the length of", e))
    }

    fn dress(&self, dress: &Dress) -> Res<Vec<Loss>> {
        Ok(dress_handle(self.fd.as_fd(), dress))
    }

    fn sync(&self) -> Res<()> {
        rustix::fs::fsync(&self.fd).map_err(|e| self.fault("sync", e))
    }

    fn facts(&self) -> Res<Entry> {
        own_facts(&self.fd)
    }

    fn xattrs(&self) -> Res<Vec<Xattr>> {
        xattrs_of(&self.fd, &self.name)
    }
}

fn lost(kind: &'static str, error: Errno) -> Loss {
    let words = std::io::Error::from_raw_os_error(error.raw_os_error())
        .to_string()
        .to_lowercase();
    Loss {
        kind,
        why: words.split(" (os error").next().unwrap_or_default().to_string(),
    }
}

fn stamps(mtime: Moment) -> Timestamps {
    let unchanged = Timespec {
        tv_sec: 0,
        tv_nsec: rustix::fs::UTIME_OMIT,
    };
    let time = Timespec {
        tv_sec: mtime.seconds,
        tv_nsec: mtime.nanos.into(),
    };
    Timestamps {
        last_access: unchanged,
        last_modification: time,
    }
}

/// Owner, mode, extended attributes, times: each step would undo the one after it in any other
/// order (a change of owner clears set-id bits, an attribute written later moves nothing but
/// ctime, a read-only mode does not stop an open handle).
fn dress_handle(fd: BorrowedFd<'_>, dress: &Dress) -> Vec<Loss> {
    let mut losses = Vec::new();
    let mut keep = |kind: &'static str, result: Result<(), Errno>| {
        if let Err(e) = result {
            losses.push(lost(kind, e));
        }
    };
    if let Some((uid, gid)) = dress.owner {
        keep(
            "owner",
            rustix::fs::fchown(fd, Some(Uid::from_raw(uid)), Some(Gid::from_raw(gid))),
        );
    }
    if let Some(mode) = dress.mode {
        keep("mode", rustix::fs::fchmod(fd, Mode::from_raw_mode(mode)));
    }
    for xattr in &dress.xattrs {
        let name: &[u8] = &xattr.name;
        keep(
            xattr.kind(),
            rustix::fs::fsetxattr(fd, name, &xattr.value, XattrFlags::empty()),
        );
    }
    if let Some(mtime) = dress.mtime {
        keep("time", rustix::fs::futimens(fd, &stamps(mtime)));
    }
    losses
}

/// Dresses a folder or a symlink.
pub(super) fn dress_by_name(folder: &OwnedFd, name: &[u8], kind: EntryKind, dress: &Dress) -> Res<Vec<Loss>> {
    if kind != EntryKind::Symlink {
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let fd = rustix::fs::openat(folder, name, flags, Mode::empty())
            .map_err(|e| Fault::os("dress", name, e))?;
        return Ok(dress_handle(fd.as_fd(), dress));
    }
    let mut losses = Vec::new();
    if let Some((uid, gid)) = dress.owner {
        let ids = (Some(Uid::from_raw(uid)), Some(Gid::from_raw(gid)));
        if let Err(e) = rustix::fs::chownat(folder, name, ids.0, ids.1, AtFlags::SYMLINK_NOFOLLOW) {
            losses.push(lost("owner", e));
        }
    }
    if let Some(mtime) = dress.mtime {
        let flags = AtFlags::SYMLINK_NOFOLLOW;
        if let Err(e) = rustix::fs::utimensat(folder, name, &stamps(mtime), flags) {
            losses.push(lost("time", e));
        }
    }
    Ok(losses)
}

/// All extended attributes in byte order of their names; none where the end has none.
pub(super) fn xattrs_of(fd: &OwnedFd, name: &[u8]) -> Res<Vec<Xattr>> {
    let fault = |e| Fault::os("read the attributes of", name, e);
    // 64 KiB is the kernel's limit for the list and for one value.
    let mut list = [0u8; 4096];
    let names = match rustix::fs::flistxattr(fd, &mut list[..]) {
        Ok(length) => list[..length].to_vec(),
        Err(Errno::OPNOTSUPP | Errno::NOSYS) => return Ok(Vec::new()),
        Err(Errno::RANGE) => {
            let mut large = vec![0u8; 64 << 10];
            let length = rustix::fs::flistxattr(fd, &mut large[..]).map_err(fault)?;
            large.truncate(length);
            large
        }
        Err(e) => return Err(fault(e)),
    };
    let mut found = Vec::new();
    for one in names.split(|b| *b == 0).filter(|n| !n.is_empty()) {
        let mut value = vec![0u8; 64 << 10];
        match rustix::fs::fgetxattr(fd, one, &mut value[..]) {
            Ok(length) => {
                value.truncate(length);
                found.push(Xattr {
                    name: one.to_vec(),
                    value,
                });
            }
            // Gone between the two calls, or one that only others may see.
            Err(Errno::NODATA | Errno::PERM | Errno::ACCESS) => {}
            Err(e) => return Err(fault(e)),
        }
    }
    found.sort();
    drop_doubles(&mut found);
    Ok(found)
}

/// XFS lists an access list twice, as `system.posix_acl_…` and, for root, by the name it has on the
/// disk (`fs/xfs/xfs_xattr.c` of Linux). Elsewhere the second would be an attribute without meaning.
fn drop_doubles(found: &mut Vec<Xattr>) {
    const PAIRS: [(&[u8], &[u8]); 2] = [
        (b"trusted.SGI_ACL_FILE", b"system.posix_acl_access"),
        (b"trusted.SGI_ACL_DEFAULT", b"system.posix_acl_default"),
    ];
    for (double, list) in PAIRS {
        if found.iter().any(|one| one.name == list) {
            found.retain(|one| one.name != double);
        }
    }
}

/// A buffer whose bytes begin at a multiple of [`ALIGN`], as direct reads and writes want it.
pub struct Buffer {
    memory: Vec<u8>,
    start: usize,
    length: usize,
}

impl Buffer {
    /// Of this many bytes, zeroed.
    pub fn new(length: NonZeroU64) -> Buffer {
        let length = usize::try_from(length.get()).unwrap_or(usize::MAX / 2);
        let memory = vec![0u8; length + ALIGN];
        let start = memory.as_ptr().addr().wrapping_neg() % ALIGN;
        Buffer {
            memory,
            start,
            length,
        }
    }

    /// The bytes.
    pub fn bytes(&self) -> &[u8] {
        &self.memory[self.start..self.start + self.length]
    }

    /// The bytes, to be written.
    pub fn bytes_mut(&mut self) -> &mut [u8] {
        &mut self.memory[self.start..self.start + self.length]
    }
}
