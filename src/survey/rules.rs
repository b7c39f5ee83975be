//! What a survey needs to know beforehand.

use crate::moment::Moment;
use crate::names::SourceName;
use crate::survey::exclude::Exclude;
use chrono_tz::Tz;

/// Conditions of the survey of one source.
#[derive(Debug, Clone)]
pub struct SurveyRules {
    /// The source's name.
    pub source: SourceName,
    /// Folders at this depth are projects; 1 or more.
    pub project_depth: usize,
    /// Whose wall calendar years are counted by.
    pub zone: Tz,
    /// Now; what lies more than two days later is no evidence.
    pub now: Moment,
    /// When the scan began, for times so fresh that a later change within the same second could
    /// not be seen; `None`: not looked at.
    pub scanned: Option<Moment>,
    /// What is left out.
    pub exclude: Exclude,
    /// A project with a file younger than this many days is in use.
    pub quiet_days: u32,
    /// Bytes that the destination's path puts before a project's path, its slash included:
    /// destination, dataset, `under`.
    pub destination_prefix_bytes: usize,
    /// UTF-16 units that a client sees before a project's path, below the share: the dataset's folder
    /// and `under`, slashes included.
    pub share_prefix_units: usize,
    /// The longest name in bytes that the destination takes; 255 on Linux.
    pub name_max_bytes: usize,
    /// Whether an inode number of this source means one file for as long as the scan lasted. Not
    /// where several file systems are walked through: their numbers repeat.
    pub inodes_hold: bool,
    /// What this mount cannot show (`alternate streams`, `hard links`), each a plain noun; empty
    /// where everything can be known.
    pub hidden_by_mount: Vec<String>,
}

impl SurveyRules {
    /// The usual conditions for a source: project depth 1, the default exclusions, seven quiet
    /// days, names of 255 bytes, inodes that hold.
    pub fn usual(source: SourceName, zone: Tz, now: Moment) -> SurveyRules {
        SurveyRules {
            source,
            project_depth: 1,
            zone,
            now,
            scanned: None,
            exclude: Exclude::usual(1),
            quiet_days: 7,
            destination_prefix_bytes: 0,
            share_prefix_units: 0,
            name_max_bytes: 255,
            inodes_hold: true,
            hidden_by_mount: Vec::new(),
        }
    }
}

/// What a mount of this type (as the kernel names it) keeps from us, each a plain noun; nothing for
/// the file systems of this machine. Only what the type never shows: more can be missing by the
/// server's or the mount's options. Common practice, no source, but for `nfs`: NFS before 4.2 has
/// no extended attributes (RFC 8276).
pub fn hidden_by(mount_type: &str) -> Vec<String> {
    let hidden: &[&str] = match mount_type {
        "cifs" | "smb3" | "smbfs" => &["alternate streams (tags and resource forks of the Finder are such)"],
        "afs" | "ncpfs" | "nfs" => &["extended attributes"],
        "fuse.sshfs" => &[
            "birth times",
            "extended attributes",
            "hard links",
            "holes in files",
        ],
        fuse if fuse == "fuse" || fuse.starts_with("fuse.") => &["birth times"],
        _ => &[],
    };
    hidden.iter().map(ToString::to_string).collect()
}

#[cfg(test)]
mod tests {
    use super::hidden_by;

    #[test]
    fn only_mounts_that_keep_something_from_us_are_named() {
        for local in [
            "ext4", "xfs", "btrfs", "zfs", "tmpfs", "overlay", "fuseblk", "nfs4",
        ] {
            assert!(hidden_by(local).is_empty(), "{local}");
        }
        assert!(hidden_by("cifs")[0].starts_with("alternate streams"));
        assert_eq!(hidden_by("nfs"), ["extended attributes"]);
        assert_eq!(hidden_by("fuse.any"), ["birth times"]);
        assert!(hidden_by("fuse.sshfs").contains(&"hard links".to_string()));
    }
}
