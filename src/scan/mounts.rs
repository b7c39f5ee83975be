//! What kind of mount a source lies on, from the kernel's own table of mounts.

use crate::scan::look::Place;
use rustix::fd::OwnedFd;

/// A mount as far as a scan wants to know it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Mount {
    /// As the kernel names it: `ext4`, `nfs4`, `cifs`, `fuse.sshfs`; `unknown` where it cannot be
    /// told.
    pub kind: String,
    /// Differs after a restart or remount.
    pub session: String,
}

/// The mount that holds an open folder.
pub(super) fn of(root: &OwnedFd, place: &Place) -> Mount {
    let table = std::fs::read_to_string("/proc/self/mountinfo").unwrap_or_default();
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    let kind = kind_in(&table, place).or_else(|| kind_by_magic(root));
    Mount {
        kind: kind.unwrap_or_else(|| "unknown".into()),
        session: format!("{} {}", boot.trim(), place.mount),
    }
}

/// The type in the kernel's table (proc_pid_mountinfo(5)): field 1 is the mount's number, field 3
/// the device, the type follows a lone hyphen.
fn kind_in(table: &str, place: &Place) -> Option<String> {
    let device = format!("{}:{}", place.device.0, place.device.1);
    let number = place.mount.to_string();
    let row = |wanted: &str, field: usize| {
        table
            .lines()
            .rfind(|line| line.split(' ').nth(field) == Some(wanted))
            .and_then(|line| line.split(" - ").nth(1)?.split(' ').next().map(str::to_string))
    };
    row(&number, 0).or_else(|| row(&device, 2))
}

/// Magic numbers of statfs(2), for the types that matter most where the table is hidden.
fn kind_by_magic(root: &OwnedFd) -> Option<String> {
    let kind = match rustix::fs::fstatfs(root).ok()?.f_type as u32 {
        0x6969 => "nfs",
        0xff53_4d42 | 0xfe53_4d42 => "cifs",
        0x6573_5546 => "fuse",
        0xef53 => "ext4",
        0x9123_683e => "btrfs",
        0x5846_5342 => "xfs",
        0x2fc1_2fc1 => "zfs",
        _ => return None,
    };
    Some(kind.into())
}

/// Whether every call may be a round trip.
pub(super) fn is_network(kind: &str) -> bool {
    let known = ["nfs", "nfs4", "cifs", "smb3", "9p", "ceph", "afs", "virtiofs"];
    known.contains(&kind) || kind.starts_with("fuse")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_type_is_found_by_number_and_else_by_device() {
        // The example row of proc_pid_mountinfo(5), and one of a share.
        let table = "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n\
                     40 35 0:51 / /mnt/old\\040box rw,relatime shared:9 - nfs4 oldbox:/vol rw,vers=4.2\n";
        let place = |mount, device| Place {
            mount,
            device,
            inode: 2,
        };
        assert_eq!(kind_in(table, &place(36, (9, 9))).as_deref(), Some("ext3"));
        assert_eq!(kind_in(table, &place(0, (0, 51))).as_deref(), Some("nfs4"));
        assert_eq!(kind_in(table, &place(7, (1, 1))), None);
        assert!(is_network("fuse.anything") && is_network("nfs4") && !is_network("zfs"));
    }
}
