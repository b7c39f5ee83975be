//! The calls themselves, each handed on to the folder behind.

use super::nodes::{self, attributes, by_handle, code, find, numbered};
use super::{Call, Fault, Handles, Shared, locked};
use fuser::{
    BsdFileFlags, Errno, FileAttr, FileHandle, Filesystem, FopenFlags, Generation, INodeNo, InitFlags,
    KernelConfig, LockOwner, OpenFlags, RenameFlags, ReplyAttr, ReplyCreate, ReplyData, ReplyDirectory,
    ReplyEmpty, ReplyEntry, ReplyLseek, ReplyOpen, ReplyStatfs, ReplyWrite, ReplyXattr, Request, TimeOrNow,
    WriteFlags,
};
use rustix::fd::OwnedFd;
use rustix::fs::{AtFlags, CWD, Gid, Mode, OFlags, Timespec, Timestamps, Uid};
use std::ffi::OsStr;
use std::fs::File;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Nothing is kept: the next look asks again.
const TTL: Duration = Duration::ZERO;

/// Flags that this side must not open with: the kernel places and aligns writes itself.
const NOT_HERE: OFlags = OFlags::DIRECT
    .union(OFlags::APPEND)
    .union(OFlags::NOFOLLOW)
    .union(OFlags::NOATIME);

/// The file system.
pub struct Passthrough {
    shared: Arc<Shared>,
    handles: Mutex<Handles>,
}

/// A folder that is to hold a name, and the name's path below the root.
type Place = (Arc<OwnedFd>, PathBuf);

impl Passthrough {
    pub fn new(shared: &Arc<Shared>) -> Passthrough {
        Passthrough {
            shared: Arc::clone(shared),
            handles: Mutex::default(),
        }
    }

    /// A known inode, after the call was counted and may go on.
    fn node(&self, call: Call, inode: INodeNo) -> Result<Place, Errno> {
        let (handle, path) = locked(&self.shared.nodes).get(inode)?;
        self.shared.enter(call, &path)?;
        Ok((handle, path))
    }

    /// A name in a known folder, likewise.
    fn name(&self, call: Call, parent: INodeNo, name: &OsStr) -> Result<Place, Errno> {
        let (handle, path) = locked(&self.shared.nodes).get(parent)?;
        let path = path.join(name);
        self.shared.enter(call, &path)?;
        Ok((handle, path))
    }

    /// Looks a name up and tells the kernel of it.
    fn learn(&self, (dir, path): Place, name: &OsStr) -> Result<FileAttr, Errno> {
        let mut all = locked(&self.shared.nodes);
        let (handle, attr) = find(&dir, name)?;
        all.learn(&attr, handle, path);
        Ok(attr)
    }

    fn opened(&self, file: File) -> FileHandle {
        let mut handles = locked(&self.handles);
        let number = handles.number();
        handles.files.insert(number, Arc::new(file));
        FileHandle(number)
    }

    fn file(&self, handle: FileHandle) -> Result<Arc<File>, Errno> {
        let handles = locked(&self.handles);
        handles.files.get(&handle.0).cloned().ok_or(Errno::EBADF)
    }

    fn read_here(&self, inode: INodeNo, fh: FileHandle, offset: u64, size: u32) -> Result<Vec<u8>, Errno> {
        let (_, path) = self.node(Call::Read, inode)?;
        let file = self.file(fh)?;
        let mut bytes = vec![0u8; size as usize];
        let mut length = 0;
        while length < bytes.len() {
            match file.read_at(&mut bytes[length..], offset + length as u64)? {
                0 => break,
                more => length += more,
            }
        }
        bytes.truncate(length);
        let reach = |at: u64| (offset..offset + length as u64).contains(&at);
        let bad = |fault| matches!(fault, Fault::BadByte(at) if reach(at)).then_some(());
        if self.shared.strike(&path, bad).is_some() {
            return Err(Errno::EIO);
        }
        let turned = |fault| match fault {
            Fault::FlipRead(at) if reach(at) => Some(at),
            _ => None,
        };
        if let Some(at) = self.shared.strike(&path, turned) {
            bytes[(at - offset) as usize] ^= 1;
        }
        Ok(bytes)
    }

    fn write_here(&self, inode: INodeNo, fh: FileHandle, offset: u64, data: &[u8]) -> Result<u32, Errno> {
        let (_, path) = self.node(Call::Write, inode)?;
        let file = self.file(fh)?;
        if !self.shared.take_room(data.len() as u64) {
            return Err(Errno::ENOSPC);
        }
        let reach = |at: u64| (offset..offset + data.len() as u64).contains(&at);
        let lost = |fault| matches!(fault, Fault::LoseWrite(at) if reach(at)).then_some(());
        if self.shared.strike(&path, lost).is_some() {
            // The length grows as it would, so that only the content tells.
            let end = offset + data.len() as u64;
            if file.metadata()?.len() < end {
                file.set_len(end)?;
            }
            return Ok(data.len() as u32);
        }
        let turned = |fault| match fault {
            Fault::FlipWrite(at) if reach(at) => Some(at),
            _ => None,
        };
        let mut data = data.to_vec();
        if let Some(at) = self.shared.strike(&path, turned) {
            data[(at - offset) as usize] ^= 1;
        }
        file.write_all_at(&data, offset)?;
        Ok(data.len() as u32)
    }

    fn list_here(
        &self,
        inode: INodeNo,
        fh: FileHandle,
        from: u64,
        reply: &mut ReplyDirectory,
    ) -> Result<(), Errno> {
        let (_, path) = self.node(Call::Readdir, inode)?;
        let all = locked(&self.handles).listings.get(&fh.0).cloned();
        let all = all.ok_or(Errno::EBADF)?;
        let most = self.shared.strike(&path, |fault| match fault {
            Fault::ListingFails(after) => Some(after),
            _ => None,
        });
        let from = usize::try_from(from).unwrap_or(usize::MAX);
        if most.is_some_and(|most| from >= most) {
            return Err(Errno::EIO);
        }
        let shown = all.iter().enumerate().take(most.unwrap_or(usize::MAX)).skip(from);
        for (at, one) in shown {
            if reply.add(INodeNo(one.inode), at as u64 + 1, one.kind, &one.name) {
                break;
            }
        }
        Ok(())
    }
}

/// Sets what is asked for on an inode.
fn change(
    handle: &OwnedFd,
    mode: Option<u32>,
    owner: (Option<u32>, Option<u32>),
    size: Option<u64>,
    times: (Option<TimeOrNow>, Option<TimeOrNow>),
) -> Result<(), Errno> {
    let path = by_handle(handle);
    if let Some(size) = size {
        File::options().write(true).open(&path)?.set_len(size)?;
    }
    if owner.0.is_some() || owner.1.is_some() {
        let (uid, gid) = (owner.0.map(Uid::from_raw), owner.1.map(Gid::from_raw));
        rustix::fs::chownat(handle, c"", uid, gid, AtFlags::EMPTY_PATH).map_err(code)?;
    }
    if let Some(mode) = mode {
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode & 0o7777))?;
    }
    if times.0.is_some() || times.1.is_some() {
        let times = Timestamps {
            last_access: timespec(times.0),
            last_modification: timespec(times.1),
        };
        rustix::fs::utimensat(handle, c"", &times, AtFlags::EMPTY_PATH).map_err(code)?;
    }
    Ok(())
}

fn timespec(time: Option<TimeOrNow>) -> Timespec {
    let at = |time: SystemTime| match time.duration_since(UNIX_EPOCH) {
        Ok(since) => (since.as_secs() as i64, i64::from(since.subsec_nanos())),
        // fuser 0.18 takes seconds and nanoseconds off the epoch alike, where the kernel counts the
        // nanoseconds forward from the negative second.
        Err(before) => {
            let before = before.duration();
            (-(before.as_secs() as i64), i64::from(before.subsec_nanos()))
        }
    };
    let (tv_sec, tv_nsec) = match time {
        None => (0, rustix::fs::UTIME_OMIT as i64),
        Some(TimeOrNow::Now) => (0, rustix::fs::UTIME_NOW as i64),
        Some(TimeOrNow::SpecificTime(time)) => at(time),
    };
    Timespec {
        tv_sec,
        tv_nsec: tv_nsec as _,
    }
}

/// Answers with what came out, or with why nothing did.
macro_rules! answer {
    ($reply:ident, $result:expr, $good:expr) => {
        match $result {
            Ok(value) => $good($reply, value),
            Err(errno) => $reply.error(errno),
        }
    };
}

fn entry(reply: ReplyEntry, attr: FileAttr) {
    reply.entry(&TTL, &attr, Generation(0));
}

fn done(reply: ReplyEmpty, (): ()) {
    reply.ok();
}

/// A list or value of an extended attribute: its length first, then its bytes.
fn attribute(reply: ReplyXattr, size: u32, value: Result<Vec<u8>, Errno>) {
    match value {
        Err(errno) => reply.error(errno),
        Ok(bytes) if size == 0 => reply.size(bytes.len() as u32),
        Ok(bytes) if bytes.len() > size as usize => reply.error(Errno::ERANGE),
        Ok(bytes) => reply.data(&bytes),
    }
}

#[allow(clippy::too_many_arguments, reason = "the trait says so")]
impl Filesystem for Passthrough {
    fn init(&mut self, _: &Request, config: &mut KernelConfig) -> std::io::Result<()> {
        // Without it the kernel asks one name of a folder at a time.
        let _ = config.add_capabilities(InitFlags::FUSE_PARALLEL_DIROPS);
        Ok(())
    }

    fn lookup(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEntry) {
        let found = self
            .name(Call::Lookup, parent, name)
            .and_then(|place| self.learn(place, name));
        answer!(reply, found, entry);
    }

    fn forget(&self, _: &Request, inode: INodeNo, times: u64) {
        locked(&self.shared.nodes).forget(inode, times);
    }

    fn getattr(&self, _: &Request, inode: INodeNo, _: Option<FileHandle>, reply: ReplyAttr) {
        let node = self.node(Call::Getattr, inode);
        let attr = node.and_then(|(handle, _)| attributes(&handle));
        answer!(reply, attr, |reply: ReplyAttr, attr| reply
            .attr(&TTL, &numbered(attr, inode)));
    }

    fn setattr(
        &self,
        _: &Request,
        inode: INodeNo,
        mode: Option<u32>,
        uid: Option<u32>,
        gid: Option<u32>,
        size: Option<u64>,
        atime: Option<TimeOrNow>,
        mtime: Option<TimeOrNow>,
        _: Option<SystemTime>,
        _: Option<FileHandle>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<BsdFileFlags>,
        reply: ReplyAttr,
    ) {
        let changed = self.node(Call::Setattr, inode).and_then(|(handle, _)| {
            change(&handle, mode, (uid, gid), size, (atime, mtime))?;
            attributes(&handle)
        });
        answer!(reply, changed, |reply: ReplyAttr, attr| reply
            .attr(&TTL, &numbered(attr, inode)));
    }

    fn readlink(&self, _: &Request, inode: INodeNo, reply: ReplyData) {
        let target = self.node(Call::Readlink, inode).and_then(|(handle, _)| {
            let target = rustix::fs::readlinkat(&*handle, c"", Vec::new());
            target.map(|target| target.into_bytes()).map_err(code)
        });
        answer!(reply, target, |reply: ReplyData, bytes: Vec<u8>| reply
            .data(&bytes));
    }

    fn mknod(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        mode: u32,
        _: u32,
        rdev: u32,
        reply: ReplyEntry,
    ) {
        let made = self.name(Call::Mknod, parent, name).and_then(|place| {
            let kind = rustix::fs::FileType::from_raw_mode(mode);
            let bits = Mode::from_raw_mode(mode & 0o7777);
            rustix::fs::mknodat(&*place.0, name, kind, bits, rdev.into()).map_err(code)?;
            self.learn(place, name)
        });
        answer!(reply, made, entry);
    }

    fn mkdir(&self, _: &Request, parent: INodeNo, name: &OsStr, mode: u32, _: u32, reply: ReplyEntry) {
        let made = self.name(Call::Mkdir, parent, name).and_then(|place| {
            rustix::fs::mkdirat(&*place.0, name, Mode::from_raw_mode(mode & 0o7777)).map_err(code)?;
            self.learn(place, name)
        });
        answer!(reply, made, entry);
    }

    fn unlink(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        let gone = self.name(Call::Unlink, parent, name);
        let gone =
            gone.and_then(|(dir, _)| rustix::fs::unlinkat(&*dir, name, AtFlags::empty()).map_err(code));
        answer!(reply, gone, done);
    }

    fn rmdir(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        let gone = self.name(Call::Unlink, parent, name);
        let gone =
            gone.and_then(|(dir, _)| rustix::fs::unlinkat(&*dir, name, AtFlags::REMOVEDIR).map_err(code));
        answer!(reply, gone, done);
    }

    fn symlink(&self, _: &Request, parent: INodeNo, name: &OsStr, target: &Path, reply: ReplyEntry) {
        let made = self.name(Call::Symlink, parent, name).and_then(|place| {
            rustix::fs::symlinkat(target, &*place.0, name).map_err(code)?;
            self.learn(place, name)
        });
        answer!(reply, made, entry);
    }

    fn rename(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        to: INodeNo,
        new: &OsStr,
        flags: RenameFlags,
        reply: ReplyEmpty,
    ) {
        let renamed = self.name(Call::Rename, parent, name).and_then(|(dir, old)| {
            let mut all = locked(&self.shared.nodes);
            let (into, above) = all.get(to)?;
            let flags = rustix::fs::RenameFlags::from_bits_retain(flags.bits());
            rustix::fs::renameat_with(&*dir, name, &*into, new, flags).map_err(code)?;
            all.renamed(&old, &above.join(new));
            Ok(())
        });
        answer!(reply, renamed, done);
    }

    fn link(&self, _: &Request, inode: INodeNo, to: INodeNo, new: &OsStr, reply: ReplyEntry) {
        let made = self.name(Call::Link, to, new).and_then(|place| {
            let (handle, _) = locked(&self.shared.nodes).get(inode)?;
            let from = by_handle(&handle);
            rustix::fs::linkat(CWD, from, &*place.0, new, AtFlags::SYMLINK_FOLLOW).map_err(code)?;
            self.learn(place, new)
        });
        answer!(reply, made, entry);
    }

    fn open(&self, _: &Request, inode: INodeNo, flags: OpenFlags, reply: ReplyOpen) {
        let opened = self.node(Call::Open, inode).and_then(|(handle, _)| {
            let flags = OFlags::from_bits_retain(flags.0 as u32).difference(NOT_HERE) | OFlags::CLOEXEC;
            let file = rustix::fs::open(by_handle(&handle), flags, Mode::empty()).map_err(code)?;
            Ok(self.opened(File::from(file)))
        });
        answer!(reply, opened, |reply: ReplyOpen, fh| reply
            .opened(fh, FopenFlags::empty()));
    }

    fn create(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        mode: u32,
        _: u32,
        flags: i32,
        reply: ReplyCreate,
    ) {
        let made = self.name(Call::Create, parent, name).and_then(|place| {
            let flags = OFlags::from_bits_retain(flags as u32).difference(NOT_HERE);
            let flags = flags | OFlags::CREATE | OFlags::CLOEXEC | OFlags::NOFOLLOW;
            let bits = Mode::from_raw_mode(mode & 0o7777);
            let file = rustix::fs::openat(&*place.0, name, flags, bits).map_err(code)?;
            let attr = self.learn(place, name)?;
            Ok((attr, self.opened(File::from(file))))
        });
        answer!(reply, made, |reply: ReplyCreate, (attr, fh)| {
            reply.created(&TTL, &attr, Generation(0), fh, FopenFlags::empty());
        });
    }

    fn read(
        &self,
        _: &Request,
        inode: INodeNo,
        fh: FileHandle,
        offset: u64,
        size: u32,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyData,
    ) {
        let bytes = self.read_here(inode, fh, offset, size);
        answer!(reply, bytes, |reply: ReplyData, bytes: Vec<u8>| reply
            .data(&bytes));
    }

    fn write(
        &self,
        _: &Request,
        inode: INodeNo,
        fh: FileHandle,
        offset: u64,
        data: &[u8],
        _: WriteFlags,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyWrite,
    ) {
        let written = self.write_here(inode, fh, offset, data);
        answer!(reply, written, ReplyWrite::written);
    }

    fn flush(&self, _: &Request, _: INodeNo, _: FileHandle, _: LockOwner, reply: ReplyEmpty) {
        reply.ok();
    }

    fn release(
        &self,
        _: &Request,
        _: INodeNo,
        fh: FileHandle,
        _: OpenFlags,
        _: Option<LockOwner>,
        _: bool,
        reply: ReplyEmpty,
    ) {
        locked(&self.handles).files.remove(&fh.0);
        reply.ok();
    }

    fn fsync(&self, _: &Request, inode: INodeNo, fh: FileHandle, _: bool, reply: ReplyEmpty) {
        let synced = self
            .node(Call::Fsync, inode)
            .and_then(|_| Ok(self.file(fh)?.sync_all()?));
        answer!(reply, synced, done);
    }

    fn fsyncdir(&self, _: &Request, inode: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        let synced = self.node(Call::Fsync, inode).and_then(|(handle, _)| {
            File::open(by_handle(&handle))?.sync_all()?;
            Ok(())
        });
        answer!(reply, synced, done);
    }

    fn opendir(&self, _: &Request, inode: INodeNo, _: OpenFlags, reply: ReplyOpen) {
        let listed = self
            .node(Call::Opendir, inode)
            .and_then(|(handle, _)| nodes::list(&handle));
        let opened = listed.map(|all| {
            let mut handles = locked(&self.handles);
            let number = handles.number();
            handles.listings.insert(number, Arc::new(all));
            FileHandle(number)
        });
        answer!(reply, opened, |reply: ReplyOpen, fh| reply
            .opened(fh, FopenFlags::empty()));
    }

    fn readdir(&self, _: &Request, inode: INodeNo, fh: FileHandle, offset: u64, mut reply: ReplyDirectory) {
        match self.list_here(inode, fh, offset, &mut reply) {
            Ok(()) => reply.ok(),
            Err(errno) => reply.error(errno),
        }
    }

    fn releasedir(&self, _: &Request, _: INodeNo, fh: FileHandle, _: OpenFlags, reply: ReplyEmpty) {
        locked(&self.handles).listings.remove(&fh.0);
        reply.ok();
    }

    fn statfs(&self, _: &Request, inode: INodeNo, reply: ReplyStatfs) {
        let node = locked(&self.shared.nodes).get(inode);
        let facts = node.and_then(|(handle, _)| rustix::fs::statvfs(by_handle(&handle)).map_err(code));
        answer!(reply, facts, |reply: ReplyStatfs, f: rustix::fs::StatVfs| {
            let room = self.shared.room.load(std::sync::atomic::Ordering::Relaxed);
            let free = f.f_bavail.min(room / f.f_frsize.max(1));
            let (size, name) = (f.f_frsize as u32, f.f_namemax as u32);
            reply.statfs(f.f_blocks, free, free, f.f_files, f.f_ffree, size, name, size);
        });
    }

    fn setxattr(
        &self,
        _: &Request,
        inode: INodeNo,
        name: &OsStr,
        value: &[u8],
        _: i32,
        _: u32,
        reply: ReplyEmpty,
    ) {
        let set = self.node(Call::Setxattr, inode);
        let set = set.and_then(|(handle, _)| Ok(xattr::set_deref(by_handle(&handle), name, value)?));
        answer!(reply, set, done);
    }

    fn getxattr(&self, _: &Request, inode: INodeNo, name: &OsStr, size: u32, reply: ReplyXattr) {
        let value = self.node(Call::Getxattr, inode).and_then(|(handle, _)| {
            let value = xattr::get_deref(by_handle(&handle), name)?;
            value.ok_or(Errno::ENODATA)
        });
        attribute(reply, size, value);
    }

    fn listxattr(&self, _: &Request, inode: INodeNo, size: u32, reply: ReplyXattr) {
        let names = self.node(Call::Getxattr, inode).and_then(|(handle, _)| {
            let names = xattr::list_deref(by_handle(&handle))?;
            let ended = |name: std::ffi::OsString| [name.as_bytes(), b"\0"].concat();
            Ok(names.flat_map(ended).collect())
        });
        attribute(reply, size, names);
    }

    fn removexattr(&self, _: &Request, inode: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        let gone = self.node(Call::Setxattr, inode);
        let gone = gone.and_then(|(handle, _)| Ok(xattr::remove_deref(by_handle(&handle), name)?));
        answer!(reply, gone, done);
    }

    fn lseek(&self, _: &Request, _: INodeNo, fh: FileHandle, offset: i64, whence: i32, reply: ReplyLseek) {
        // lseek(2): 3 asks for the next data, 4 for the next hole; the kernel knows the others.
        let at = u64::try_from(offset).unwrap_or(0);
        let from = match whence {
            3 => rustix::fs::SeekFrom::Data(at),
            _ => rustix::fs::SeekFrom::Hole(at),
        };
        let found = self
            .file(fh)
            .and_then(|file| rustix::fs::seek(&*file, from).map_err(code));
        answer!(reply, found, |reply: ReplyLseek, at| reply.offset(at as i64));
    }
}
