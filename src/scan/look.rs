//! The system calls of a scan: open a folder, read its names, look at an entry. All are relative
//! to a folder's handle; none follows a symbolic link, none writes.

use crate::entry::{Entry, EntryKind};
use crate::moment::Moment;
use crate::units::Bytes;
use rustix::fd::{AsFd, OwnedFd};
use rustix::fs::{AtFlags, FileType, Mode, OFlags, RawDir, Statx, StatxFlags, StatxTimestamp};
use rustix::io::Errno;
use std::ffi::CStr;
use std::mem::MaybeUninit;
use std::sync::atomic::{AtomicBool, Ordering};

/// Names are read in pieces of this many bytes; a folder of a million takes some hundred calls.
const READ_BYTES: usize = 128 * 1024;

/// Where a folder is: the mount and file system that it lies on, and its inode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub device: (u32, u32),
    /// The mount's number; 0 where the kernel does not tell (before Linux 5.8).
    pub mount: u64,
    pub inode: u64,
}

impl Place {
    /// Whether two places lie on one mount of one file system. A btrfs subvolume has another
    /// device, a bind mount another mount number.
    pub fn same_file_system(&self, other: &Place) -> bool {
        self.device == other.device && self.mount == other.mount
    }

    /// Whether two places are the same folder, whichever mount shows it.
    pub fn same_folder(&self, other: &Place) -> bool {
        self.device == other.device && self.inode == other.inode
    }
}

/// Names of one folder as they were read, each ended by NUL.
#[derive(Debug, Default)]
pub(super) struct Names {
    bytes: Vec<u8>,
    /// Start, and the type that the folder tells without looking at the entry.
    items: Vec<(usize, EntryKind)>,
}

impl Names {
    pub fn len(&self) -> usize {
        self.items.len()
    }

    /// Bytes of all names, each with its end.
    pub fn byte_len(&self) -> usize {
        self.bytes.len()
    }

    pub fn push(&mut self, name: &[u8], kind: EntryKind) {
        self.items.push((self.bytes.len(), kind));
        self.bytes.extend_from_slice(name);
        self.bytes.push(0);
    }

    /// The same names, so many at a time.
    pub fn parts(&self, most: usize) -> impl Iterator<Item = Names> {
        self.items.chunks(most).map(|items| {
            let mut part = Names::default();
            for (start, kind) in items {
                let rest = self.bytes.get(*start..).unwrap_or_default();
                part.push(rest.split(|b| *b == 0).next().unwrap_or_default(), *kind);
            }
            part
        })
    }

    pub fn iter(&self) -> impl Iterator<Item = (&CStr, EntryKind)> {
        self.items.iter().filter_map(|(start, kind)| {
            let name = CStr::from_bytes_until_nul(self.bytes.get(*start..)?).ok()?;
            Some((name, *kind))
        })
    }
}

/// Opens a folder below an open one. Tries not to touch its time of access, which only its owner
/// may ask for.
pub(super) fn open_folder(from: impl AsFd, name: &[u8]) -> Result<OwnedFd, Errno> {
    static MAY_HIDE: AtomicBool = AtomicBool::new(true);
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    if MAY_HIDE.load(Ordering::Relaxed) {
        match rustix::fs::openat(&from, name, flags | OFlags::NOATIME, Mode::empty()) {
            Err(Errno::PERM) => MAY_HIDE.store(false, Ordering::Relaxed),
            other => return other,
        }
    }
    rustix::fs::openat(&from, name, flags, Mode::empty())
}

/// Opens a folder many levels below an open one, step by step, so that no length is too long and
/// no symbolic link on the way is followed.
pub(super) fn open_below(from: impl AsFd, path: &[u8]) -> Result<OwnedFd, Errno> {
    let mut steps = path.split(|b| *b == b'/').filter(|s| !s.is_empty());
    let first = steps.next().unwrap_or(b".");
    let mut at = open_folder(from, first)?;
    for step in steps {
        at = open_folder(&at, step)?;
    }
    Ok(at)
}

/// Reads the names of a folder and hands them over in pieces of at most `most`. The last piece
/// comes with `true`. Ends early where
/// `piece` says `false`.
///
/// # Errors
/// Any error of any read: a listing that is not whole is no listing.
pub(super) fn read_names(
    dir: &OwnedFd,
    most: usize,
    mut piece: impl FnMut(Names, bool) -> bool,
) -> Result<(), Errno> {
    let mut buffer = vec![MaybeUninit::<u8>::uninit(); READ_BYTES];
    let mut entries = RawDir::new(dir, &mut buffer);
    let mut names = Names::default();
    while let Some(entry) = entries.next() {
        let entry = entry?;
        let name = entry.file_name().to_bytes();
        if name == b"." || name == b".." {
            continue;
        }
        if names.len() == most && !piece(std::mem::take(&mut names), false) {
            return Ok(());
        }
        names.push(name, kind_of(entry.file_type()));
    }
    piece(names, true);
    Ok(())
}

/// What is asked of every entry.
fn wanted() -> StatxFlags {
    StatxFlags::BASIC_STATS.difference(StatxFlags::ATIME) | StatxFlags::BTIME | StatxFlags::MNT_ID
}

/// Looks at an entry of an open folder. A folder also tells its place. Network mounts answer from
/// their own cache as they see fit (`AT_STATX_SYNC_AS_STAT`): the names were just read, and most
/// servers send the attributes along.
pub(super) fn look(dir: impl AsFd, name: &CStr, told: EntryKind) -> (Entry, Option<Place>) {
    let flags = AtFlags::SYMLINK_NOFOLLOW | AtFlags::NO_AUTOMOUNT;
    let facts = match rustix::fs::statx(&dir, name, flags, wanted()) {
        Ok(facts) => facts,
        Err(errno) => return (unknown(told, words(errno)), None),
    };
    let mut entry = entry_of(&facts);
    match entry.kind {
        EntryKind::Directory => (entry, Some(place_of(&facts))),
        EntryKind::Symlink => {
            match rustix::fs::readlinkat(&dir, name, Vec::new()) {
                Ok(target) => entry.target = Some(target.into_bytes()),
                Err(errno) => entry.error = Some(words(errno)),
            }
            (entry, None)
        }
        _ => (entry, None),
    }
}

/// Looks at an open folder itself.
pub(super) fn look_at_open(dir: impl AsFd) -> Result<(Entry, Place), Errno> {
    let facts = rustix::fs::statx(dir, c"", AtFlags::EMPTY_PATH, wanted())?;
    Ok((entry_of(&facts), place_of(&facts)))
}

fn place_of(facts: &Statx) -> Place {
    let told = StatxFlags::from_bits_retain(facts.stx_mask).contains(StatxFlags::MNT_ID);
    Place {
        device: (facts.stx_dev_major, facts.stx_dev_minor),
        mount: if told { facts.stx_mnt_id } else { 0 },
        inode: facts.stx_ino,
    }
}

fn entry_of(facts: &Statx) -> Entry {
    let has_birth = StatxFlags::from_bits_retain(facts.stx_mask).contains(StatxFlags::BTIME);
    Entry {
        kind: kind_of(FileType::from_raw_mode(facts.stx_mode.into())),
        size: Bytes(facts.stx_size),
        allocated: Bytes(facts.stx_blocks.saturating_mul(512)),
        mtime: moment(&facts.stx_mtime),
        ctime: moment(&facts.stx_ctime),
        birth: has_birth.then(|| moment(&facts.stx_btime)),
        inode: facts.stx_ino,
        links: facts.stx_nlink.into(),
        mode: u32::from(facts.stx_mode) & 0o7777,
        uid: facts.stx_uid,
        gid: facts.stx_gid,
        target: None,
        error: None,
    }
}

/// An entry that has a name but could not be looked at.
fn unknown(told: EntryKind, error: String) -> Entry {
    Entry {
        kind: match told {
            // That a folder is one is worth knowing even if nothing else is.
            EntryKind::Directory => EntryKind::Directory,
            _ => EntryKind::Unknown,
        },
        size: Bytes::ZERO,
        allocated: Bytes::ZERO,
        mtime: Moment::default(),
        ctime: Moment::default(),
        birth: None,
        inode: 0,
        links: 0,
        mode: 0,
        uid: 0,
        gid: 0,
        target: None,
        error: Some(error),
    }
}

fn moment(time: &StatxTimestamp) -> Moment {
    Moment {
        seconds: time.tv_sec,
        nanos: time.tv_nsec,
    }
}

pub(super) fn kind_of(file_type: FileType) -> EntryKind {
    match file_type {
        FileType::RegularFile => EntryKind::File,
        FileType::Directory => EntryKind::Directory,
        FileType::Symlink => EntryKind::Symlink,
        FileType::Unknown => EntryKind::Unknown,
        _ => EntryKind::Special,
    }
}

/// What a failed look means, as a fragment.
pub(super) fn words(errno: Errno) -> String {
    match errno {
        Errno::ACCESS | Errno::PERM => "permission denied".into(),
        Errno::NOENT => "vanished during the scan".into(),
        Errno::NOTDIR | Errno::LOOP => "became something else during the scan".into(),
        Errno::IO => "the disk or the link failed to read it".into(),
        Errno::STALE => "the server no longer knows it (stale handle)".into(),
        Errno::TIMEDOUT | Errno::HOSTDOWN | Errno::HOSTUNREACH => "the server does not answer".into(),
        Errno::MFILE | Errno::NFILE => "too many files are open".into(),
        other => {
            let text = std::io::Error::from(other).to_string();
            let end = text.find(" (os error").unwrap_or(text.len());
            text[..end].to_lowercase()
        }
    }
}
