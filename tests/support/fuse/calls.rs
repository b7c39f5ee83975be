//! The calls themselves, each handed on to the folder behind.

use super::nodes::{self, attributes, by_handle, code, numbered};
use super::server::{Passthrough, change};
use super::{Call, locked};
use fuser::{
    BsdFileFlags, Errno, FileAttr, FileHandle, Filesystem, FopenFlags, Generation, INodeNo, InitFlags,
    KernelConfig, LockOwner, OpenFlags, RenameFlags, ReplyAttr, ReplyCreate, ReplyData, ReplyDirectory,
    ReplyEmpty, ReplyEntry, ReplyLseek, ReplyOpen, ReplyStatfs, ReplyWrite, ReplyXattr, Request, TimeOrNow,
    WriteFlags,
};
use rustix::fs::{AtFlags, CWD, Mode, OFlags};
use std::ffi::OsStr;
use std::fs::File;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, SystemTime};

/// Nothing is kept: the next look asks again.
const TTL: Duration = Duration::ZERO;

/// Flags that this side must not open with: the kernel places and aligns writes itself.
const NOT_HERE: OFlags = OFlags::DIRECT
    .union(OFlags::APPEND)
    .union(OFlags::NOFOLLOW)
    .union(OFlags::NOATIME);

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
        let name = &*self.real(parent, name);
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
        let attr = attr.map(|attr| self.shown(attr));
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
            attributes(&handle).map(|attr| self.shown(attr))
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
        let name = &*self.real(parent, name);
        let made = self.name(Call::Mknod, parent, name).and_then(|place| {
            let kind = rustix::fs::FileType::from_raw_mode(mode);
            let bits = Mode::from_raw_mode(mode & 0o7777);
            rustix::fs::mknodat(&*place.0, name, kind, bits, rdev.into()).map_err(code)?;
            self.learn(place, name)
        });
        answer!(reply, made, entry);
    }

    fn mkdir(&self, _: &Request, parent: INodeNo, name: &OsStr, mode: u32, _: u32, reply: ReplyEntry) {
        let name = &*self.real(parent, name);
        let made = self.name(Call::Mkdir, parent, name).and_then(|place| {
            rustix::fs::mkdirat(&*place.0, name, Mode::from_raw_mode(mode & 0o7777)).map_err(code)?;
            self.learn(place, name)
        });
        answer!(reply, made, entry);
    }

    fn unlink(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        let name = &*self.real(parent, name);
        let gone = self.name(Call::Unlink, parent, name);
        let gone =
            gone.and_then(|(dir, _)| rustix::fs::unlinkat(&*dir, name, AtFlags::empty()).map_err(code));
        answer!(reply, gone, done);
    }

    fn rmdir(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        let name = &*self.real(parent, name);
        let gone = self.name(Call::Unlink, parent, name);
        let gone =
            gone.and_then(|(dir, _)| rustix::fs::unlinkat(&*dir, name, AtFlags::REMOVEDIR).map_err(code));
        answer!(reply, gone, done);
    }

    fn symlink(&self, _: &Request, parent: INodeNo, name: &OsStr, target: &Path, reply: ReplyEntry) {
        let name = &*self.real(parent, name);
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
        let (name, new) = (&*self.real(parent, name), &*self.real(to, new));
        let renamed = self.name(Call::Rename, parent, name).and_then(|(dir, old)| {
            let mut all = locked(&self.shared.nodes);
            let (into, above) = all.get(to)?;
            self.shared.takes(&above.join(new))?;
            let flags = rustix::fs::RenameFlags::from_bits_retain(flags.bits());
            rustix::fs::renameat_with(&*dir, name, &*into, new, flags).map_err(code)?;
            all.renamed(&old, &above.join(new));
            Ok(())
        });
        answer!(reply, renamed, done);
    }

    fn link(&self, _: &Request, inode: INodeNo, to: INodeNo, new: &OsStr, reply: ReplyEntry) {
        let new = &*self.real(to, new);
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
        let name = &*self.real(parent, name);
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
        let facts = node.and_then(|one| match self.shared.is_lost(None) {
            true => Err(Errno::ENOTCONN),
            false => Ok(one),
        });
        let facts = facts.and_then(|(handle, _)| rustix::fs::statvfs(by_handle(&handle)).map_err(code));
        answer!(reply, facts, |reply: ReplyStatfs, f: rustix::fs::StatVfs| {
            let room = match self.shared.told.load(Ordering::Relaxed) {
                true => self.shared.room.load(Ordering::Relaxed),
                false => u64::MAX,
            };
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
