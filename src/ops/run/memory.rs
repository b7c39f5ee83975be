//! What one run remembers beside the ledger: what it tried, what it said.

use super::Voice;
use crate::lifecycle::agenda::{Absent, Need, Reading};
use crate::ops::desk::Desk;
use chrono::NaiveDate;
use std::collections::{BTreeMap, BTreeSet};
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// What tells one state of a file from another: inode, size, time of change.
pub(super) type Stamp = Option<(u64, u64, i64, i64)>;

/// What one run remembers.
#[derive(Default)]
pub(super) struct Memory {
    /// How far reading back is, where this run has read back or repaired.
    pub readings: BTreeMap<String, Reading>,
    /// Batches that have waited once for a longer window.
    pub put_off: BTreeSet<String>,
    /// Batches that tags hold.
    pub tag_held: BTreeSet<String>,
    /// Batches with an open question.
    pub asked: BTreeSet<String>,
    /// Batches set aside for a person, and told.
    pub aside: BTreeSet<String>,
    /// Local date on which this run has scanned last: a clock that jumps brings no scan twice.
    pub scanned_on: Option<NaiveDate>,
    /// An end that is away.
    pub absent: Option<Absent>,
    /// One that seems to be back; the next step shows whether it is.
    pub trying: Option<Absent>,
    /// Whether a look at the mounts sees nothing amiss though a step did.
    pub blind: bool,
    /// Whether its absence was told as an alarm.
    pub alarmed: bool,
    /// What stopped it for good.
    pub stuck: Option<Need>,
    /// What it waits for, as it was said.
    pub said: String,
    /// The settings as they were read last.
    pub settings: Stamp,
}

impl Memory {
    pub fn new(desk: &Desk<'_>) -> Memory {
        Memory {
            settings: stamp(&desk.folder.join("move.toml")),
            ..Memory::default()
        }
    }

    /// Says a line, unless it was the last one said.
    pub fn say(&mut self, voice: &Voice<'_>, line: &str) {
        if self.said != line {
            (voice.say)(line);
            self.said = line.to_string();
        }
    }
}

pub(super) fn stamp(path: &Path) -> Stamp {
    let facts = std::fs::metadata(path).ok()?;
    Some((facts.ino(), facts.size(), facts.ctime(), facts.ctime_nsec()))
}
