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
