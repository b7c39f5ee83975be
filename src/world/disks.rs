//! The disks behind a folder, and what they have delivered by the kernel's own count.
//!
//! The count is that of the kernel's documentation, `Documentation/block/stat.rst`: the third
//! figure of a device's `stat` in sysfs is sectors read, in units of 512 bytes whatever the device's
//! own sector is. A device made of others (RAID, volumes, encryption) is followed down to those it
//! lies on; a loop device counts for itself.

use super::{MountIdentity, OsFs};
use crate::units::Bytes;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Devices upon devices; more than this many is a loop.
const DEEPEST: usize = 16;

/// File systems that store fewer bytes than they show, so that a count of sectors says nothing.
const COMPRESSING: [&str; 4] = ["squashfs", "erofs", "f2fs", "bcachefs"];

/// The disks behind a folder, and where their count stood when this was made.
#[derive(Debug, Clone)]
pub struct Disks {
    /// Folders of the devices in sysfs.
    devices: BTreeSet<PathBuf>,
    before: u64,
}

impl Disks {
    /// Finds the disks behind an open end, and begins to count.
    ///
    /// # Errors
    /// Why they cannot be known, in words that follow "the disks could not be watched: ".
    pub fn behind(end: &OsFs) -> Result<Disks, String> {
        let facts = rustix::fs::stat(end.path()).map_err(|e| e.to_string())?;
        let device = (rustix::fs::major(facts.st_dev), rustix::fs::minor(facts.st_dev));
        let options = super_options(end.mount());
        Disks::found_in(Path::new("/sys"), device, end.mount(), &options)
    }

    fn found_in(
        sys: &Path,
        device: (u32, u32),
        mount: &MountIdentity,
        options: &str,
    ) -> Result<Disks, String> {
        let compresses = options.split(',').any(|o| o.starts_with("compress"));
        if compresses || COMPRESSING.contains(&mount.kind.as_str()) {
            return Err(format!(
                "{} stores files compressed, so they are less on the disks than in the files",
                mount.kind
            ));
        }
        let mut devices = BTreeSet::new();
        if mount.kind == "btrfs" {
            for number in of_btrfs(sys, mount)? {
                leaves(sys, &number, DEEPEST, &mut devices)?;
            }
        } else if device.0 != 0 {
            leaves(sys, &format!("{}:{}", device.0, device.1), DEEPEST, &mut devices)?;
        } else {
            return Err(match mount.kind.as_str() {
                "zfs" => "only the pool itself knows which they are".to_string(),
                _ if mount.is_network() => "they are another machine's".to_string(),
                kind => format!("{kind} names no device of its own"),
            });
        }
        let mut disks = Disks { devices, before: 0 };
        disks.before = disks.sectors()?;
        Ok(disks)
    }

    /// Bytes delivered since this was made, to whoever read.
    ///
    /// # Errors
    /// Why the count cannot be read any more, in words.
    pub fn delivered(&self) -> Result<Bytes, String> {
        let sectors = self.sectors()?.checked_sub(self.before);
        let sectors = sectors.ok_or("their count went back; one of them was taken out")?;
        Ok(Bytes(sectors.saturating_mul(512)))
    }

    /// The devices by name.
    pub fn names(&self) -> Vec<String> {
        let name = |path: &PathBuf| path.file_name().map(|name| name.to_string_lossy().into_owned());
        self.devices.iter().filter_map(name).collect()
    }

    fn sectors(&self) -> Result<u64, String> {
        let mut sum = 0u64;
        for device in &self.devices {
            let text = text_of(&device.join("stat"))?;
            let read = text
                .split_whitespace()
                .nth(2)
                .and_then(|figure| figure.parse::<u64>().ok());
            sum = sum.saturating_add(read.ok_or_else(|| format!("{} has no count", device.display()))?);
        }
        Ok(sum)
    }
}

/// Follows a device, by its number, down to those that lie on no other.
fn leaves(sys: &Path, number: &str, deep: usize, into: &mut BTreeSet<PathBuf>) -> Result<(), String> {
    let device = sys.join("dev/block").join(number);
    let device = device
        .canonicalize()
        .map_err(|e| format!("device {number}: {e}"))?;
    let whole = match (device.join("partition").exists(), device.parent()) {
        (true, Some(parent)) => parent.to_path_buf(),
        _ => device.clone(),
    };
    let below = numbers_in(&whole.join("slaves"))?;
    if deep == 0 {
        return Err(format!("device {number} lies on itself"));
    }
    for next in &below {
        leaves(sys, next, deep - 1, into)?;
    }
    if below.is_empty() {
        if text_of(&whole.join("queue/iostats")).is_ok_and(|text| text.trim() == "0") {
            return Err(format!("device {number} does not count (queue/iostats is 0)"));
        }
        into.insert(device);
    }
    Ok(())
}

/// The numbers of the devices named in a folder of links; none where there is no such folder.
fn numbers_in(folder: &Path) -> Result<Vec<String>, String> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(format!("{}: {e}", folder.display())),
    };
    let number = |entry: std::io::Result<std::fs::DirEntry>| {
        let entry = entry.map_err(|e| e.to_string())?;
        Ok(text_of(&entry.path().join("dev"))?.trim().to_string())
    };
    entries.map(number).collect()
}

/// Every device of a btrfs, which lists them below `/sys/fs/btrfs` (kernel documentation,
/// `Documentation/ABI/testing/sysfs-fs-btrfs` and btrfs(5); from memory).
fn of_btrfs(sys: &Path, mount: &MountIdentity) -> Result<Vec<String>, String> {
    let source = Path::new(&mount.source);
    let source = source.canonicalize().unwrap_or_else(|_| source.to_path_buf());
    let name = source.file_name().ok_or("btrfs names no device")?;
    let folder = sys.join("fs/btrfs");
    let entries = std::fs::read_dir(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let mut found = entries
        .flatten()
        .map(|entry| entry.path().join("devices"))
        .filter(|devices| devices.join(name).exists());
    match found.next() {
        Some(devices) => numbers_in(&devices),
        None => Err("btrfs does not list its devices".to_string()),
    }
}

/// The options of the file system itself, the last field of its line (proc_pid_mountinfo(5)).
fn super_options(mount: &MountIdentity) -> String {
    let table = std::fs::read("/proc/self/mountinfo").unwrap_or_default();
    let table = String::from_utf8_lossy(&table);
    let options = |line: &str| {
        let mut fields = line.split_once(" - ")?.1.split(' ');
        let same = fields.next() == Some(&mount.kind) && fields.next() == Some(&mount.source);
        same.then(|| fields.next().unwrap_or_default().to_string())
    };
    table.lines().find_map(options).unwrap_or_default()
}

fn text_of(path: &Path) -> Result<String, String> {
    std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    fn mount(kind: &str, source: &str) -> MountIdentity {
        MountIdentity {
            kind: kind.into(),
            source: source.into(),
            root: "/".into(),
            mounted_at: "/pool".into(),
            id: None,
        }
    }

    /// A made-up machine: sda with a partition, sdb, a mirror of both, a volume on the mirror.
    fn machine() -> tempfile::TempDir {
        let sys = tempfile::tempdir().unwrap();
        let device = |name: &str, number: &str, sectors: u64, on: &[&str]| {
            let home = sys.path().join("devices").join(name);
            std::fs::create_dir_all(home.join("slaves")).unwrap();
            std::fs::write(home.join("dev"), format!("{number}\n")).unwrap();
            // The eleven figures of Documentation/block/stat.rst.
            let stat = format!("   10  2  {sectors}  5  7  0  99  1  0  4  6\n");
            std::fs::write(home.join("stat"), stat).unwrap();
            for below in on {
                let last = below.rsplit('/').next().unwrap();
                symlink(
                    sys.path().join("devices").join(below),
                    home.join("slaves").join(last),
                )
                .unwrap();
            }
            std::fs::create_dir_all(sys.path().join("dev/block")).unwrap();
            symlink(&home, sys.path().join("dev/block").join(number)).unwrap();
        };
        device("sda", "8:0", 1_000, &[]);
        device("sda/sda1", "8:1", 400, &[]);
        std::fs::write(sys.path().join("devices/sda/sda1/partition"), "1\n").unwrap();
        device("sdb", "8:16", 300, &[]);
        device("md0", "9:0", 7, &["sda/sda1", "sdb"]);
        device("dm-0", "253:0", 5, &["md0"]);
        sys
    }

    fn names(sys: &Path, device: (u32, u32), kind: &str) -> Result<Vec<String>, String> {
        Disks::found_in(sys, device, &mount(kind, "/dev/sda1"), "rw").map(|disks| disks.names())
    }

    #[test]
    fn every_device_is_followed_down_to_its_disks() {
        let sys = machine();
        assert_eq!(names(sys.path(), (8, 1), "ext4").unwrap(), ["sda1"]);
        assert_eq!(names(sys.path(), (9, 0), "xfs").unwrap(), ["sda1", "sdb"]);
        assert_eq!(names(sys.path(), (253, 0), "ext4").unwrap(), ["sda1", "sdb"]);
        assert!(names(sys.path(), (8, 77), "ext4").is_err());
    }

    #[test]
    fn a_btrfs_counts_on_all_its_devices() {
        let sys = machine();
        let devices = sys.path().join("fs/btrfs/0b5e/devices");
        std::fs::create_dir_all(&devices).unwrap();
        for (name, home) in [("sda1", "sda/sda1"), ("sdb", "sdb")] {
            symlink(sys.path().join("devices").join(home), devices.join(name)).unwrap();
        }
        assert_eq!(names(sys.path(), (0, 44), "btrfs").unwrap(), ["sda1", "sdb"]);
        let compressed = Disks::found_in(
            sys.path(),
            (0, 44),
            &mount("btrfs", "/dev/sda1"),
            "rw,compress=zstd:3",
        );
        assert!(compressed.unwrap_err().contains("compressed"));
    }

    #[test]
    fn sectors_are_of_512_bytes_and_counted_from_the_beginning() {
        let sys = machine();
        let disks = Disks::found_in(sys.path(), (9, 0), &mount("ext4", "/dev/md0"), "rw").unwrap();
        assert_eq!(disks.delivered(), Ok(Bytes::ZERO));
        let stat = "10 2 1300 5 7 0 99 1 0 4 6\n";
        std::fs::write(sys.path().join("devices/sdb/stat"), stat).unwrap();
        assert_eq!(disks.delivered(), Ok(Bytes(1_000 * 512)));
        std::fs::write(sys.path().join("devices/sdb/stat"), "1 1 1 1 1\n").unwrap();
        assert!(disks.delivered().is_err());
        std::fs::remove_file(sys.path().join("devices/sdb/stat")).unwrap();
        assert!(disks.delivered().is_err());
    }

    #[test]
    fn what_cannot_be_known_is_said() {
        let sys = machine();
        for (kind, word) in [
            ("zfs", "pool"),
            ("nfs4", "another machine"),
            ("overlay", "overlay"),
        ] {
            assert!(names(sys.path(), (0, 5), kind).unwrap_err().contains(word));
        }
        std::fs::create_dir_all(sys.path().join("devices/sdb/queue")).unwrap();
        std::fs::write(sys.path().join("devices/sdb/queue/iostats"), "0\n").unwrap();
        assert!(
            names(sys.path(), (9, 0), "ext4")
                .unwrap_err()
                .contains("does not count")
        );
    }
}
