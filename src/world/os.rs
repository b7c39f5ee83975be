//! The real file systems: relative system calls through held folders, nothing by path.

use super::os_file::{self, OsFileIn, OsFileOut};
use super::os_move;
use super::{
    Dress, Durability, Fault, FaultKind, FileIn, FileOut, Folder, Fs, Loss, MountIdentity, MountTable,
    OpenHow, Publish, ReadHow, Res, Space, Xattr,
};
use crate::entry::{Entry, EntryKind};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::Bytes;
use rustix::fd::{AsFd, OwnedFd};
use rustix::fs::{AtFlags, FileType, Mode, OFlags, RenameFlags, Statx, StatxFlags};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// What all handles of one end share.
pub(super) struct Nature {
    /// The best answer a read past the cache can get here.
    pub read_how: ReadHow,
    /// Whether direct reads and writes are worth trying.
    pub direct: bool,
    /// Whether space can be set aside ahead.
    pub preallocate: bool,
    durability: Durability,
    /// The least sure way a name was given, as the place in [`WAYS`].
    published: AtomicUsize,
}

/// Ways of giving names, the surest first.
const WAYS: [Publish; 4] = [Publish::Unseen, Publish::Rename, Publish::Link, Publish::Checked];

impl Nature {
    fn note(&self, way: Publish) {
        let at = WAYS.iter().position(|known| *known == way).unwrap_or_default();
        self.published.fetch_max(at, Ordering::Relaxed);
    }
}

/// One end of a move on this machine.
pub struct OsFs {
    path: PathBuf,
    top: OwnedFd,
    nature: Arc<Nature>,
    mount: MountIdentity,
}

impl OsFs {
    /// Opens an end. Symlinks in the path itself are followed, as the user typed it; none below.
    ///
    /// # Errors
    /// A [`Fault`] where it is missing, no folder, or its mount cannot be told.
    pub fn open(path: &Path) -> Res<OsFs> {
        use std::os::unix::ffi::OsStrExt;
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let name = path.as_os_str().as_bytes();
        let top = rustix::fs::open(path, flags, Mode::empty()).map_err(|e| Fault::os("open", name, e))?;
        // By the handle, not by the path: whatever is mounted there in between is not what is held.
        let mount = MountTable::read()?.of_handle(&top, name)?;
        let nature = Arc::new(nature_of(&mount));
        Ok(OsFs {
            path: path.to_path_buf(),
            top,
            nature,
            mount,
        })
    }

    /// The file system it lies on.
    pub fn mount(&self) -> &MountIdentity {
        &self.mount
    }

    /// The path it was opened by.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

/// What a file system of this type can be trusted with.
fn nature_of(mount: &MountIdentity) -> Nature {
    let disk = matches!(
        mount.kind.as_str(),
        "ext2" | "ext3" | "ext4" | "xfs" | "btrfs" | "f2fs"
    );
    let zfs = mount.kind == "zfs";
    // ZFS before 2.3 accepts direct reads and answers them from its own cache (hazard V3).
    let zfs_direct = zfs && zfs_version().is_some_and(|version| version >= (2, 3));
    let read_how = match () {
        () if disk || zfs_direct => ReadHow::Direct,
        () if mount.is_network() => ReadHow::Server,
        () => ReadHow::Unknown,
    };
    let durability = match () {
        () if disk || zfs => Durability::Local,
        () if mount.is_network() && !mount.is_user_space() => Durability::ServerSaid,
        () => Durability::Unproven,
    };
    Nature {
        read_how,
        direct: disk || zfs_direct || mount.kind.starts_with("nfs"),
        preallocate: disk && mount.kind != "btrfs",
        durability,
        published: AtomicUsize::new(0),
    }
}

fn zfs_version() -> Option<(u32, u32)> {
    let text = std::fs::read_to_string("/sys/module/zfs/version").ok()?;
    let mut parts = text.trim().split(['.', '-']).map(str::parse::<u32>);
    Some((parts.next()?.ok()?, parts.next()?.ok()?))
}

impl Fs for OsFs {
    fn root(&self) -> Res<Arc<dyn Folder>> {
        let fd = rustix::io::fcntl_dupfd_cloexec(&self.top, 3).map_err(|e| Fault::os("open", b".", e))?;
        Ok(Arc::new(OsFolder {
            fd,
            nature: Arc::clone(&self.nature),
            top: None,
        }))
    }

    fn space(&self) -> Res<Space> {
        let facts = rustix::fs::fstatvfs(&self.top).map_err(|e| Fault::os("measure", b".", e))?;
        let scale = |blocks: u64| Bytes(blocks.saturating_mul(facts.f_frsize));
        Ok(Space {
            total: scale(facts.f_blocks),
            free: scale(facts.f_bavail),
        })
    }

    fn sync(&self) -> Res<()> {
        rustix::fs::syncfs(&self.top).map_err(|e| Fault::os("sync", b".", e))
    }

    fn durability(&self) -> Durability {
        self.nature.durability
    }

    fn publishes(&self) -> Publish {
        WAYS.get(self.nature.published.load(Ordering::Relaxed))
            .copied()
            .unwrap_or(Publish::Unseen)
    }

    fn is_there(&self) -> Res<()> {
        use std::os::unix::ffi::OsStrExt;
        let name = self.path.as_os_str().as_bytes();
        let gone = |words: String| Fault::ours("find", name, FaultKind::Gone, words);
        // Asked of the server itself, where there is one: a cached answer says nothing.
        let flags = AtFlags::STATX_FORCE_SYNC;
        let mask = StatxFlags::BASIC_STATS | StatxFlags::MNT_ID;
        let known = |facts: Statx| {
            let device = (facts.stx_dev_major, facts.stx_dev_minor);
            (facts.stx_mnt_id, device, facts.stx_ino)
        };
        let held = rustix::fs::statx(&self.top, "", flags | AtFlags::EMPTY_PATH, mask);
        let found = rustix::fs::statx(rustix::fs::CWD, &self.path, flags, mask);
        match (held.map(known), found.map(known)) {
            (Ok(held), Ok(found)) if held == found => Ok(()),
            (Ok(_), Ok(_)) => Err(gone(
                "it was unmounted, or something else is mounted there now".into(),
            )),
            (Err(error), _) | (_, Err(error)) => Err(gone(Fault::os("find", name, error).words)),
        }
    }
}

/// A folder held open.
struct OsFolder {
    fd: OwnedFd,
    nature: Arc<Nature>,
    /// The root of its end, for names given from there; `None` in the root itself.
    top: Option<Arc<OwnedFd>>,
}

const NOFOLLOW: OFlags = OFlags::NOFOLLOW.union(OFlags::CLOEXEC);

impl OsFolder {
    fn open_folder(&self, name: &[u8]) -> Res<OwnedFd> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | NOFOLLOW;
        rustix::fs::openat(&self.fd, name, flags, Mode::empty()).map_err(|e| Fault::os("open", name, e))
    }

    /// A subfolder on the same mount as this folder.
    fn open_here(&self, name: &[u8]) -> Res<OwnedFd> {
        let fd = self.open_folder(name)?;
        let mount = |fd: &OwnedFd| {
            rustix::fs::statx(fd, "", AtFlags::EMPTY_PATH, StatxFlags::MNT_ID)
                .map(|s| s.stx_mnt_id)
                .map_err(|e| Fault::os("open", name, e))
        };
        if mount(&fd)? != mount(&self.fd)? {
            return Err(Fault::ours(
                "open",
                name,
                FaultKind::WrongKind,
                "another file system is mounted there",
            ));
        }
        Ok(fd)
    }

    fn top(&self) -> Res<Arc<OwnedFd>> {
        match &self.top {
            Some(top) => Ok(Arc::clone(top)),
            None => {
                let fd =
                    rustix::io::fcntl_dupfd_cloexec(&self.fd, 3).map_err(|e| Fault::os("open", b".", e))?;
                Ok(Arc::new(fd))
            }
        }
    }

    /// The folder that holds a path below the root of this end, and the last name of it.
    fn below_top<'p>(&self, path: &'p RelPath, doing: &'static str) -> Res<(Arc<OwnedFd>, &'p [u8])> {
        let mut folder = self.top()?;
        let Some((above, last)) = path.split() else {
            let words = "the root has no other name";
            return Err(Fault::ours(doing, b".", FaultKind::WrongKind, words));
        };
        for part in above.components() {
            let flags = OFlags::PATH | OFlags::DIRECTORY | NOFOLLOW;
            let next = rustix::fs::openat(folder.as_fd(), part, flags, Mode::empty());
            folder = Arc::new(next.map_err(|e| Fault::os(doing, part, e))?);
        }
        Ok((folder, last))
    }

    /// An open file or folder by name, for extended attributes; symlinks have none of ours.
    fn handle(&self, name: &[u8]) -> Res<OwnedFd> {
        let flags = OFlags::RDONLY | OFlags::NONBLOCK | NOFOLLOW;
        let name = if name.is_empty() { b"." } else { name };
        rustix::fs::openat(&self.fd, name, flags, Mode::empty()).map_err(|e| Fault::os("open", name, e))
    }
}

impl Folder for OsFolder {
    fn list(&self) -> Res<Vec<(Vec<u8>, EntryKind)>> {
        let fault = |e| Fault::os("list", b".", e);
        // A handle of its own: reading moves the position of a shared one.
        let fd = self.open_folder(b".")?;
        let mut found = Vec::new();
        let mut buffer = Vec::with_capacity(64 << 10);
        let mut reader = rustix::fs::RawDir::new(fd, buffer.spare_capacity_mut());
        while let Some(item) = reader.next() {
            let item = item.map_err(fault)?;
            let name = item.file_name().to_bytes();
            if name == b"." || name == b".." {
                continue;
            }
            let kind = match item.file_type() {
                FileType::Unknown => self.stat(name)?.kind,
                known => kind_of(known),
            };
            found.push((name.to_vec(), kind));
        }
        Ok(found)
    }

    fn stat(&self, name: &[u8]) -> Res<Entry> {
        let flags = AtFlags::SYMLINK_NOFOLLOW | AtFlags::NO_AUTOMOUNT;
        let facts =
            rustix::fs::statx(&self.fd, name, flags, wanted()).map_err(|e| Fault::os("examine", name, e))?;
        let mut entry = entry_of(&facts);
        if entry.kind == EntryKind::Symlink {
            let target = rustix::fs::readlinkat(&self.fd, name, Vec::new())
                .map_err(|e| Fault::os("examine", name, e))?;
            entry.target = Some(target.into_bytes());
        }
        Ok(entry)
    }

    fn own_facts(&self) -> Res<Entry> {
        own_facts(&self.fd)
    }

    fn enter(&self, name: &[u8]) -> Res<Arc<dyn Folder>> {
        Ok(Arc::new(OsFolder {
            fd: self.open_here(name)?,
            nature: Arc::clone(&self.nature),
            top: Some(self.top()?),
        }))
    }

    fn make_folder(&self, name: &[u8]) -> Res<()> {
        rustix::fs::mkdirat(&self.fd, name, Mode::RWXU).map_err(|e| Fault::os("create", name, e))
    }

    fn open(&self, name: &[u8], how: OpenHow) -> Res<Box<dyn FileIn>> {
        Ok(Box::new(OsFileIn::open(&self.fd, name, how, &self.nature)?))
    }

    fn stage(&self, name: &[u8], expected: Bytes) -> Res<Box<dyn FileOut>> {
        let flags = OFlags::RDWR | OFlags::CREATE | OFlags::EXCL | NOFOLLOW;
        let fd = rustix::fs::openat(&self.fd, name, flags, Mode::RUSR | Mode::WUSR)
            .map_err(|e| Fault::os("create", name, e))?;
        Ok(Box::new(OsFileOut::new(fd, name, expected, &self.nature)?))
    }

    fn reopen(&self, name: &[u8]) -> Res<Box<dyn FileOut>> {
        let flags = OFlags::RDWR | OFlags::NONBLOCK | NOFOLLOW;
        let fd = rustix::fs::openat(&self.fd, name, flags, Mode::empty())
            .map_err(|e| Fault::os("open", name, e))?;
        Ok(Box::new(OsFileOut::new(fd, name, Bytes::ZERO, &self.nature)?))
    }

    fn make_symlink(&self, name: &[u8], target: &[u8]) -> Res<()> {
        rustix::fs::symlinkat(target, &self.fd, name).map_err(|e| Fault::os("create", name, e))
    }

    fn make_link(&self, name: &[u8], from: &RelPath) -> Res<()> {
        let (folder, last) = self.below_top(from, "link")?;
        rustix::fs::linkat(folder.as_fd(), last, &self.fd, name, AtFlags::empty())
            .map_err(|e| Fault::os("link", name, e))
    }

    fn publish(&self, staged: &[u8], name: &[u8]) -> Res<()> {
        use rustix::io::Errno;
        let flags = RenameFlags::NOREPLACE;
        match rustix::fs::renameat_with(&self.fd, staged, &self.fd, name, flags) {
            // A mount that cannot rename without replacing: a second name cannot replace either.
            Err(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => self.publish_by_link(staged, name),
            other => {
                other.map_err(|e| Fault::os("publish", name, e))?;
                self.nature.note(Publish::Rename);
                Ok(())
            }
        }
    }

    fn replace(&self, staged: &[u8], name: &[u8]) -> Res<()> {
        rustix::fs::renameat(&self.fd, staged, &self.fd, name).map_err(|e| Fault::os("replace", name, e))
    }

    fn remove(&self, name: &[u8], expected: &Entry) -> Res<()> {
        let found = self.stat(name)?;
        let same = found.kind == expected.kind
            && (found.inode, found.size, found.mtime) == (expected.inode, expected.size, expected.mtime);
        if !same {
            return Err(Fault::ours(
                "remove",
                name,
                FaultKind::Changed,
                "it is not the file that was expected",
            ));
        }
        rustix::fs::unlinkat(&self.fd, name, AtFlags::empty()).map_err(|e| Fault::os("remove", name, e))
    }

    fn remove_folder(&self, name: &[u8]) -> Res<()> {
        rustix::fs::unlinkat(&self.fd, name, AtFlags::REMOVEDIR).map_err(|e| Fault::os("remove", name, e))
    }

    fn move_into(&self, name: &[u8], subfolder: &[u8]) -> Res<()> {
        os_move::move_between((&self.fd, name), (&self.open_here(subfolder)?, name)).map(|_| ())
    }

    fn move_out(&self, subfolder: &[u8], name: &[u8]) -> Res<()> {
        os_move::move_between((&self.open_here(subfolder)?, name), (&self.fd, name)).map(|_| ())
    }

    fn bring(&self, from: &RelPath, name: &[u8]) -> Res<()> {
        let (folder, last) = self.below_top(from, "move")?;
        let way = os_move::move_between((&folder, last), (&self.fd, name))?;
        self.nature.note(way);
        Ok(())
    }

    fn dress(&self, name: &[u8], dress: &Dress) -> Res<Vec<Loss>> {
        let kind = self.stat(name)?.kind;
        os_file::dress_by_name(&self.fd, name, kind, dress)
    }

    fn xattrs(&self, name: &[u8]) -> Res<Vec<Xattr>> {
        os_file::xattrs_of(&self.handle(name)?, name)
    }

    fn sync_names(&self) -> Res<()> {
        rustix::fs::fsync(&self.fd).map_err(|e| Fault::os("sync", b".", e))
    }
}

impl OsFolder {
    /// Link, then unlink; where the mount has no links either, a checked rename: between the check
    /// and the rename another program could still put a file there, the weaker promise that
    /// [`Durability::Unproven`] stands for.
    fn publish_by_link(&self, staged: &[u8], name: &[u8]) -> Res<()> {
        use rustix::io::Errno;
        let fault = |e| Fault::os("publish", name, e);
        match rustix::fs::linkat(&self.fd, staged, &self.fd, name, AtFlags::empty()) {
            Ok(()) => {
                self.nature.note(Publish::Link);
                rustix::fs::unlinkat(&self.fd, staged, AtFlags::empty()).map_err(fault)
            }
            Err(Errno::NOSYS | Errno::OPNOTSUPP | Errno::PERM | Errno::INVAL) => match self.stat(name) {
                Ok(_) => Err(fault(Errno::EXIST)),
                Err(gone) if gone.kind == FaultKind::NotFound => {
                    self.nature.note(Publish::Checked);
                    rustix::fs::renameat(&self.fd, staged, &self.fd, name).map_err(fault)
                }
                Err(other) => Err(other),
            },
            Err(other) => Err(fault(other)),
        }
    }
}

/// The facts of an open handle.
pub(super) fn own_facts(fd: impl AsFd) -> Res<Entry> {
    let facts = rustix::fs::statx(fd.as_fd(), "", AtFlags::EMPTY_PATH, wanted())
        .map_err(|e| Fault::os("examine", b".", e))?;
    Ok(entry_of(&facts))
}

fn wanted() -> StatxFlags {
    StatxFlags::BASIC_STATS | StatxFlags::BTIME
}

fn kind_of(kind: FileType) -> EntryKind {
    match kind {
        FileType::RegularFile => EntryKind::File,
        FileType::Directory => EntryKind::Directory,
        FileType::Symlink => EntryKind::Symlink,
        FileType::Unknown => EntryKind::Unknown,
        _ => EntryKind::Special,
    }
}

/// The facts of statx(2) as an entry; the target of a symlink is read apart.
fn entry_of(facts: &Statx) -> Entry {
    let moment = |time: &rustix::fs::StatxTimestamp| Moment {
        seconds: time.tv_sec,
        nanos: time.tv_nsec,
    };
    let has_birth = facts.stx_mask & StatxFlags::BTIME.bits() != 0;
    Entry {
        kind: kind_of(FileType::from_raw_mode(u32::from(facts.stx_mode))),
        size: Bytes(facts.stx_size),
        allocated: Bytes(facts.stx_blocks.saturating_mul(512)),
        mtime: moment(&facts.stx_mtime),
        ctime: moment(&facts.stx_ctime),
        birth: has_birth.then(|| moment(&facts.stx_btime)),
        inode: facts.stx_ino,
        links: u64::from(facts.stx_nlink),
        mode: u32::from(facts.stx_mode) & 0o7777,
        uid: facts.stx_uid,
        gid: facts.stx_gid,
        target: None,
        error: None,
    }
}
