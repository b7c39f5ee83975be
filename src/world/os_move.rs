//! Renames from one held folder to another, replacing nothing.

use super::{Fault, FaultKind, Publish, Res};
use rustix::fd::OwnedFd;
use rustix::fs::{AtFlags, FileType, RenameFlags};
use rustix::io::Errno;

/// Gives an entry of one folder a name in another one, and answers which way it took.
///
/// Where a mount cannot rename without replacing: a file or symlink gets a second name, then loses
/// the first; a folder, which can have but one, is renamed after a look whether the name is free. A
/// rename of a folder replaces an empty folder at most, never what holds something (rename(2)).
pub(super) fn move_between(from: (&OwnedFd, &[u8]), to: (&OwnedFd, &[u8])) -> Res<Publish> {
    let ((from, old), (to, name)) = (from, to);
    let fault = |e| Fault::os("move", name, e);
    match rustix::fs::renameat_with(from, old, to, name, RenameFlags::NOREPLACE) {
        Err(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => {}
        other => return other.map(|()| Publish::Rename).map_err(fault),
    }
    let flags = AtFlags::SYMLINK_NOFOLLOW;
    let found = rustix::fs::statat(from, old, flags).map_err(fault)?;
    if FileType::from_raw_mode(found.st_mode) != FileType::Directory {
        match rustix::fs::linkat(from, old, to, name, AtFlags::empty()) {
            Ok(()) => {
                // The new name is durable before the old one goes: a crash keeps both, never none.
                rustix::fs::fsync(to).map_err(fault)?;
                let gone = rustix::fs::unlinkat(from, old, AtFlags::empty());
                return gone.map(|()| Publish::Link).map_err(fault);
            }
            Err(Errno::NOSYS | Errno::OPNOTSUPP | Errno::PERM | Errno::INVAL) => {}
            Err(other) => return Err(fault(other)),
        }
    }
    match rustix::fs::statat(to, name, flags) {
        Err(Errno::NOENT) => rustix::fs::renameat(from, old, to, name)
            .map(|()| Publish::Checked)
            .map_err(fault),
        Err(other) => Err(fault(other)),
        Ok(_) => Err(Fault::ours(
            "move",
            name,
            FaultKind::Exists,
            "something has that name already",
        )),
    }
}
