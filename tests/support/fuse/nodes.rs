//! What the kernel knows of: each inode as a handle that stays right whatever its name becomes.

use fuser::{Errno, FileAttr, FileType, INodeNo};
use rustix::fd::{AsRawFd, OwnedFd};
use rustix::fs::{AtFlags, Mode, OFlags, Stat};
use std::collections::HashMap;
use std::ffi::{OsStr, OsString};
use std::os::unix::fs::DirEntryExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// An inode that the kernel knows.
struct Node {
    /// Without rights to read; it names the inode.
    handle: Arc<OwnedFd>,
    /// The name it was last looked up by, below the root.
    path: PathBuf,
    /// How often it was told to the kernel and not forgotten.
    known: u64,
}

/// A name in a folder.
pub struct Listed {
    pub inode: u64,
    pub kind: FileType,
    pub name: OsString,
}

/// All of them by number.
pub struct Nodes(HashMap<u64, Node>);

impl Nodes {
    pub fn new(root: &Path) -> std::io::Result<Nodes> {
        let flags = OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let handle = rustix::fs::open(root, flags, Mode::empty())?;
        let root = Node {
            handle: Arc::new(handle),
            path: PathBuf::new(),
            known: 1,
        };
        Ok(Nodes(HashMap::from([(INodeNo::ROOT.0, root)])))
    }

    pub fn get(&self, inode: INodeNo) -> Result<(Arc<OwnedFd>, PathBuf), Errno> {
        let node = self.0.get(&inode.0).ok_or(Errno::ESTALE)?;
        Ok((Arc::clone(&node.handle), node.path.clone()))
    }

    /// Takes note that the kernel learns of an inode.
    pub fn learn(&mut self, attr: &FileAttr, handle: OwnedFd, path: PathBuf) {
        let node = self.0.entry(attr.ino.0).or_insert_with(|| Node {
            handle: Arc::new(handle),
            path: PathBuf::new(),
            known: 0,
        });
        node.path = path;
        node.known += 1;
    }

    pub fn forget(&mut self, inode: INodeNo, times: u64) {
        if let Some(node) = self.0.get_mut(&inode.0) {
            node.known = node.known.saturating_sub(times);
            if node.known == 0 && inode != INodeNo::ROOT {
                self.0.remove(&inode.0);
            }
        }
    }

    /// Everything below the old name has a new one.
    pub fn renamed(&mut self, from: &Path, to: &Path) {
        for node in self.0.values_mut() {
            let Ok(rest) = node.path.strip_prefix(from) else {
                continue;
            };
            node.path = match rest.as_os_str().is_empty() {
                true => to.to_path_buf(),
                false => to.join(rest),
            };
        }
    }
}

/// Opens a name in a folder without rights to read it.
pub fn find(dir: &OwnedFd, name: &OsStr) -> Result<(OwnedFd, FileAttr), Errno> {
    let flags = OFlags::PATH | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    let handle = rustix::fs::openat(dir, name, flags, Mode::empty()).map_err(code)?;
    let attr = attributes(&handle)?;
    Ok((handle, attr))
}

/// The kernel's own path to an inode, for calls that take no handle of this kind.
pub fn by_handle(handle: &OwnedFd) -> PathBuf {
    PathBuf::from(format!("/proc/self/fd/{}", handle.as_raw_fd()))
}

pub fn attributes(handle: &OwnedFd) -> Result<FileAttr, Errno> {
    let stat = rustix::fs::statat(handle, c"", AtFlags::EMPTY_PATH).map_err(code)?;
    Ok(attributes_of(&stat))
}

/// With the number that the kernel is told: the root's is always 1.
pub fn numbered(attr: FileAttr, inode: INodeNo) -> FileAttr {
    FileAttr { ino: inode, ..attr }
}

fn attributes_of(stat: &Stat) -> FileAttr {
    FileAttr {
        ino: INodeNo(stat.st_ino),
        size: u64::try_from(stat.st_size).unwrap_or(0),
        blocks: u64::try_from(stat.st_blocks).unwrap_or(0),
        atime: time(stat.st_atime, stat.st_atime_nsec),
        mtime: time(stat.st_mtime, stat.st_mtime_nsec),
        ctime: time(stat.st_ctime, stat.st_ctime_nsec),
        crtime: UNIX_EPOCH,
        kind: kind(stat.st_mode),
        perm: (stat.st_mode & 0o7777) as u16,
        nlink: u32::try_from(stat.st_nlink).unwrap_or(u32::MAX),
        uid: stat.st_uid,
        gid: stat.st_gid,
        rdev: stat.st_rdev as u32,
        blksize: 4096,
        flags: 0,
    }
}

fn time(seconds: i64, nanos: impl TryInto<u64>) -> SystemTime {
    let nanos = Duration::from_nanos(nanos.try_into().unwrap_or(0));
    let whole = Duration::from_secs(seconds.unsigned_abs());
    match seconds >= 0 {
        true => UNIX_EPOCH + whole + nanos,
        false => UNIX_EPOCH - whole + nanos,
    }
}

fn kind(mode: u32) -> FileType {
    match rustix::fs::FileType::from_raw_mode(mode) {
        rustix::fs::FileType::Directory => FileType::Directory,
        rustix::fs::FileType::Symlink => FileType::Symlink,
        rustix::fs::FileType::Fifo => FileType::NamedPipe,
        rustix::fs::FileType::Socket => FileType::Socket,
        rustix::fs::FileType::CharacterDevice => FileType::CharDevice,
        rustix::fs::FileType::BlockDevice => FileType::BlockDevice,
        _ => FileType::RegularFile,
    }
}

/// All names of a folder.
pub fn list(handle: &OwnedFd) -> Result<Vec<Listed>, Errno> {
    use std::os::unix::fs::FileTypeExt;
    let listed = |entry: std::fs::DirEntry| {
        let told = entry.file_type()?;
        let kind = match told {
            t if t.is_dir() => FileType::Directory,
            t if t.is_symlink() => FileType::Symlink,
            t if t.is_fifo() => FileType::NamedPipe,
            t if t.is_socket() => FileType::Socket,
            t if t.is_char_device() => FileType::CharDevice,
            t if t.is_block_device() => FileType::BlockDevice,
            _ => FileType::RegularFile,
        };
        Ok(Listed {
            inode: entry.ino(),
            kind,
            name: entry.file_name(),
        })
    };
    let names = std::fs::read_dir(by_handle(handle)).map_err(Errno::from)?;
    names
        .map(|entry| entry.and_then(listed))
        .collect::<std::io::Result<Vec<Listed>>>()
        .map_err(Errno::from)
}

pub fn code(errno: rustix::io::Errno) -> Errno {
    Errno::from_i32(errno.raw_os_error())
}
