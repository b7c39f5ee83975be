//! What stands behind the calls: known inodes and open files, and bytes that are read, written and
//! listed with the faults that are set.

use super::nodes::{by_handle, code, find};
use super::{Call, Fault, Handles, Shared, locked};
use fuser::{Errno, FileAttr, FileHandle, INodeNo, ReplyDirectory, TimeOrNow};
use rustix::fd::OwnedFd;
use rustix::fs::{AtFlags, Gid, Timespec, Timestamps, Uid};
use std::ffi::{OsStr, OsString};
use std::fs::File;
use std::os::unix::fs::{FileExt, PermissionsExt};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::{SystemTime, UNIX_EPOCH};

/// The file system.
pub struct Passthrough {
    pub(super) shared: Arc<Shared>,
    pub(super) handles: Mutex<Handles>,
}

/// A folder that is to hold a name, and the name's path below the root.
pub(super) type Place = (Arc<OwnedFd>, PathBuf);

impl Passthrough {
    pub fn new(shared: &Arc<Shared>) -> Passthrough {
        Passthrough {
            shared: Arc::clone(shared),
            handles: Mutex::default(),
        }
    }

    /// A known inode, after the call was counted and may go on.
    pub(super) fn node(&self, call: Call, inode: INodeNo) -> Result<Place, Errno> {
        let (handle, path) = locked(&self.shared.nodes).get(inode)?;
        self.shared.enter(call, &path)?;
        Ok((handle, path))
    }

    /// A name in a known folder, likewise.
    pub(super) fn name(&self, call: Call, parent: INodeNo, name: &OsStr) -> Result<Place, Errno> {
        let (handle, path) = locked(&self.shared.nodes).get(parent)?;
        let path = path.join(name);
        self.shared.enter(call, &path)?;
        if matches!(
            call,
            Call::Create | Call::Mkdir | Call::Symlink | Call::Link | Call::Mknod
        ) {
            self.shared.takes(&path)?;
        }
        Ok((handle, path))
    }

    /// Looks a name up and tells the kernel of it.
    pub(super) fn learn(&self, (dir, path): Place, name: &OsStr) -> Result<FileAttr, Errno> {
        let mut all = locked(&self.shared.nodes);
        let (handle, attr) = find(&dir, name)?;
        all.learn(&attr, handle, path);
        Ok(self.shown(attr))
    }

    /// The times as the clock of this file system gives them.
    pub(super) fn shown(&self, attr: FileAttr) -> FileAttr {
        match *locked(&self.shared.stands) {
            None => attr,
            Some(stands) => FileAttr {
                mtime: attr.mtime.min(stands),
                ctime: attr.ctime.min(stands),
                ..attr
            },
        }
    }

    /// The name as it stands in the folder, where case does not part names.
    pub(super) fn real(&self, parent: INodeNo, name: &OsStr) -> OsString {
        if self.shared.folds.load(std::sync::atomic::Ordering::Relaxed) {
            let dir = locked(&self.shared.nodes).get(parent);
            let all = dir
                .and_then(|(dir, _)| super::nodes::list(&dir))
                .unwrap_or_default();
            let folded = name.to_ascii_lowercase();
            if let Some(found) = all
                .into_iter()
                .find(|one| one.name.to_ascii_lowercase() == folded)
            {
                return found.name;
            }
        }
        name.to_owned()
    }

    pub(super) fn opened(&self, file: File) -> FileHandle {
        let mut handles = locked(&self.handles);
        let number = handles.number();
        handles.files.insert(number, Arc::new(file));
        FileHandle(number)
    }

    pub(super) fn file(&self, handle: FileHandle) -> Result<Arc<File>, Errno> {
        let handles = locked(&self.handles);
        handles.files.get(&handle.0).cloned().ok_or(Errno::EBADF)
    }

    pub(super) fn read_here(
        &self,
        inode: INodeNo,
        fh: FileHandle,
        offset: u64,
        size: u32,
    ) -> Result<Vec<u8>, Errno> {
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

    pub(super) fn write_here(
        &self,
        inode: INodeNo,
        fh: FileHandle,
        offset: u64,
        data: &[u8],
    ) -> Result<u32, Errno> {
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

    pub(super) fn list_here(
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
pub(super) fn change(
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
        None => (0, rustix::fs::UTIME_OMIT),
        Some(TimeOrNow::Now) => (0, rustix::fs::UTIME_NOW),
        Some(TimeOrNow::SpecificTime(time)) => at(time),
    };
    Timespec {
        tv_sec,
        tv_nsec: tv_nsec as _,
    }
}
