//! Which file system a path lies on, told so that it is known again after a reboot.
//!
//! Device numbers change with the mount and are never kept. Type, source and root of the mount
//! are, and where the file system has an identity of its own, that one decides: the device a
//! volume is found under may change, its identity does not.

use super::{Fault, FaultKind, Res};
use rustix::fs::{AtFlags, CWD, StatxFlags};
use std::path::{Path, PathBuf};

/// What a mount is known by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MountIdentity {
    /// Type of the file system, `ext4`, `nfs4`, `zfs`.
    pub kind: String,
    /// What is mounted: a device, a dataset, `server:/share`.
    pub source: String,
    /// The folder of that file system which is mounted.
    pub root: String,
    /// Where it is mounted now; not part of the identity.
    pub mounted_at: PathBuf,
    /// The file system's own identity, where it has one.
    pub id: Option<String>,
}

impl MountIdentity {
    /// Whether both are the same file system, wherever and under whatever device it is mounted.
    pub fn is_same(&self, other: &MountIdentity) -> bool {
        let ids_agree = match (&self.id, &other.id) {
            (Some(a), Some(b)) => a == b,
            _ => self.source == other.source,
        };
        self.kind == other.kind && self.root == other.root && ids_agree
    }

    /// Whether it is reached over a network.
    pub fn is_network(&self) -> bool {
        matches!(
            self.kind.as_str(),
            "nfs" | "nfs4" | "cifs" | "smb3" | "9p" | "afs" | "ceph" | "fuse.sshfs" | "fuse.glusterfs"
        )
    }

    /// Whether it is served by a program in user space.
    pub fn is_user_space(&self) -> bool {
        self.kind == "fuse" || self.kind == "fuseblk" || self.kind.starts_with("fuse.")
    }

    /// Where a path below the mount lies within the file system itself: two paths may lead to one
    /// place by a bind mount.
    pub fn inside(&self, path: &Path) -> Option<PathBuf> {
        let below = path.strip_prefix(&self.mounted_at).ok()?;
        Some(Path::new(&self.root).join(below))
    }

    /// Whether a file keeps its inode number when it is mounted again. File systems without inodes of
    /// their own, and many programs in user space, number files as they meet them (hazard table of
    /// inode classes; vfat and exFAT: common practice, no source).
    pub fn keeps_inodes(&self) -> bool {
        let numbers_anew = ["vfat", "msdos", "exfat", "cifs", "smb3", "9p"];
        !self.is_user_space() && !numbers_anew.contains(&self.kind.as_str())
    }

    /// In one line for a person.
    pub fn words(&self) -> String {
        format!("{} on {} ({})", self.source, self.mounted_at.display(), self.kind)
    }
}

/// The mounts of this machine at one moment.
pub struct MountTable {
    rows: Vec<(u64, MountIdentity)>,
}

impl MountTable {
    /// Reads the kernel's table.
    ///
    /// # Errors
    /// A [`Fault`] where it cannot be read.
    pub fn read() -> Res<MountTable> {
        let text = std::fs::read("/proc/self/mountinfo").map_err(|e| {
            Fault::ours(
                "read",
                b"/proc/self/mountinfo",
                FaultKind::Other,
                e.to_string().to_lowercase(),
            )
        })?;
        Ok(MountTable {
            rows: parse(&String::from_utf8_lossy(&text)),
        })
    }

    /// The mount a path lies on, symlinks in it followed.
    ///
    /// # Errors
    /// A [`Fault`] where the path does not exist or the mount is not in the table.
    pub fn of(&self, path: &Path) -> Res<MountIdentity> {
        use std::os::unix::ffi::OsStrExt;
        let name = path.as_os_str().as_bytes();
        let flags = rustix::fs::OFlags::PATH | rustix::fs::OFlags::CLOEXEC;
        let handle = rustix::fs::openat(CWD, path, flags, rustix::fs::Mode::empty())
            .map_err(|e| Fault::os("find", name, e))?;
        self.of_handle(&handle, name)
    }

    /// The mount an open handle lies on; `name` is what it is called in a fault.
    ///
    /// # Errors
    /// A [`Fault`] where the mount is not in the table.
    pub fn of_handle(&self, handle: &rustix::fd::OwnedFd, name: &[u8]) -> Res<MountIdentity> {
        let facts = rustix::fs::statx(handle, "", AtFlags::EMPTY_PATH, StatxFlags::MNT_ID)
            .map_err(|e| Fault::os("find", name, e))?;
        let row = self.rows.iter().find(|(id, _)| *id == facts.stx_mnt_id);
        let Some((_, found)) = row else {
            return Err(Fault::ours(
                "find",
                name,
                FaultKind::Gone,
                "its mount is not in the mount table",
            ));
        };
        let mut found = found.clone();
        found.id = own_id(&found, handle);
        Ok(found)
    }

    /// Whether anything is mounted at exactly this path.
    pub fn is_mount_point(&self, path: &Path) -> bool {
        self.rows.iter().any(|(_, row)| row.mounted_at == path)
    }
}

/// The identity the file system was created with: from the list of volumes by UUID, else the
/// `f_fsid` of those file systems whose driver derives it from the UUID (ext4, btrfs, zfs: common
/// practice, no source).
fn own_id(mount: &MountIdentity, handle: &rustix::fd::OwnedFd) -> Option<String> {
    if let Some(uuid) = uuid_of(&mount.source) {
        return Some(format!("uuid:{uuid}"));
    }
    if !matches!(mount.kind.as_str(), "ext4" | "ext3" | "ext2" | "btrfs" | "zfs") {
        return None;
    }
    let facts = rustix::fs::fstatvfs(handle).ok()?;
    (facts.f_fsid != 0).then(|| format!("fsid:{:016x}", facts.f_fsid))
}

fn uuid_of(device: &str) -> Option<String> {
    if !device.starts_with("/dev/") {
        return None;
    }
    let device = std::fs::canonicalize(device).ok()?;
    let volumes = std::fs::read_dir("/dev/disk/by-uuid").ok()?;
    volumes
        .flatten()
        .find(|volume| std::fs::canonicalize(volume.path()).is_ok_and(|target| target == device))
        .map(|volume| volume.file_name().to_string_lossy().into_owned())
}

/// Rows of proc_pid_mountinfo(5): id, parent, device, root, mount point, options, optional
/// fields, a dash, type, source, super options.
fn parse(text: &str) -> Vec<(u64, MountIdentity)> {
    let row = |line: &str| {
        let (left, right) = line.split_once(" - ")?;
        let mut left = left.split(' ');
        let id = left.next()?.parse().ok()?;
        let root = unescape(left.nth(2)?);
        let mounted_at = PathBuf::from(unescape(left.next()?));
        let mut right = right.split(' ');
        let kind = right.next()?.to_string();
        let source = unescape(right.next()?);
        Some((
            id,
            MountIdentity {
                kind,
                source,
                root,
                mounted_at,
                id: None,
            },
        ))
    };
    text.lines().filter_map(row).collect()
}

/// The table writes space, tab, newline and backslash as three octal digits.
fn unescape(field: &str) -> String {
    [("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")]
        .iter()
        .fold(field.to_string(), |text, (code, plain)| text.replace(code, plain))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(kind: &str, source: &str, id: Option<&str>) -> MountIdentity {
        MountIdentity {
            kind: kind.into(),
            source: source.into(),
            root: "/".into(),
            mounted_at: "/mnt/old".into(),
            id: id.map(str::to_string),
        }
    }

    #[test]
    fn a_volume_found_under_another_device_is_the_same() {
        let before = row("ext4", "/dev/loop3", Some("uuid:1"));
        assert!(before.is_same(&row("ext4", "/dev/loop7", Some("uuid:1"))));
        assert!(!before.is_same(&row("ext4", "/dev/loop3", Some("uuid:2"))));
        assert!(!row("nfs4", "old:/a", None).is_same(&row("nfs4", "old:/b", None)));
    }

    #[test]
    fn the_mount_table_is_read_with_optional_fields_and_blanks() {
        let rows = parse(
            "36 35 98:0 /mnt1 /mnt/old\\040box rw,noatime master:1 shared:2 - ext3 /dev/root rw\n\
             37 35 0:5 / /p rw - proc proc rw\nbroken\n",
        );
        assert_eq!(rows.len(), 2);
        assert_eq!(rows[0].1.mounted_at, PathBuf::from("/mnt/old box"));
        assert_eq!(
            (rows[0].1.root.as_str(), rows[0].1.kind.as_str()),
            ("/mnt1", "ext3")
        );
    }

    #[test]
    fn a_bind_mount_is_seen_through() {
        let mut bind = row("ext4", "/dev/sdb1", None);
        bind.root = "/archive/new".into();
        let inside = bind.inside(Path::new("/mnt/old/2019"));
        assert_eq!(inside, Some(PathBuf::from("/archive/new/2019")));
        assert_eq!(bind.inside(Path::new("/mnt/older")), None);
    }

    #[test]
    fn this_machines_root_is_found() {
        let table = MountTable::read().unwrap();
        assert!(!table.of(Path::new("/")).unwrap().kind.is_empty());
        assert!(table.of(Path::new("/no/such/place")).is_err());
    }
}
