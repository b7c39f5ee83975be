//! The gentle way for spinning disks: walkdir lists one folder at a time, and its entries are
//! looked at one after the other in the order of their inode numbers, which is close to the order
//! in which a disk holds them.

use crate::entry::EntryKind;
use crate::scan::look::{self, Names};
use rustix::fd::{AsRawFd, OwnedFd};
use rustix::io::Errno;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::FileTypeExt;
use walkdir::{DirEntryExt, WalkDir};

/// Names of an open folder in inode order.
///
/// walkdir opens by path. The path handed to it is the kernel's name for our handle, so it can
/// neither be too long nor lead through a link that somebody put there meanwhile.
pub(super) fn names(dir: &OwnedFd) -> Result<Names, Errno> {
    let by_handle = format!("/proc/self/fd/{}", dir.as_raw_fd());
    let mut names = Names::default();
    let walk = WalkDir::new(by_handle).min_depth(1).max_depth(1);
    for entry in walk.sort_by(|a, b| a.ino().cmp(&b.ino())) {
        match entry {
            Ok(entry) => names.push(entry.file_name().as_bytes(), kind_of(entry.file_type())),
            Err(error) => {
                let code = error.io_error().and_then(std::io::Error::raw_os_error);
                let errno = code.map_or(Errno::IO, Errno::from_raw_os_error);
                if errno != Errno::NOENT {
                    return Err(errno);
                }
                // Either /proc is not mounted here, or an entry vanished: both are for the other
                // way of reading to find out.
                return by_the_handle(dir);
            }
        }
    }
    Ok(names)
}

fn by_the_handle(dir: &OwnedFd) -> Result<Names, Errno> {
    let mut all = Names::default();
    look::read_names(dir, usize::MAX, |names, _| {
        all = names;
        true
    })?;
    Ok(all)
}

fn kind_of(file_type: std::fs::FileType) -> EntryKind {
    match file_type {
        t if t.is_file() => EntryKind::File,
        t if t.is_dir() => EntryKind::Directory,
        t if t.is_symlink() => EntryKind::Symlink,
        t if t.is_fifo() || t.is_socket() || t.is_block_device() || t.is_char_device() => EntryKind::Special,
        _ => EntryKind::Unknown,
    }
}
