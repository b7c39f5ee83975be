//! The year of a project: evidence gathered, weighed and put in words.

use crate::moment::Year;
use crate::survey::calendar::{Calendar, DayNumber};
use crate::survey::{Confidence, Evidence, ProjectDate};
use std::collections::BTreeMap;

/// Files of one day.
#[derive(Debug, Clone, Copy, Default)]
pub struct DayTally {
    /// All files.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Those that a camera or recorder writes.
    pub originals: u64,
}

/// The evidence for one project's date.
#[derive(Debug, Clone, Default)]
pub struct DateTally {
    /// Files by the day of their plausible modification time; bounded by the days since 1990.
    pub days: BTreeMap<DayNumber, DayTally>,
}

impl DateTally {
    /// Takes in a plausible modification time.
    pub fn push_time(&mut self, day: DayNumber, bytes: u64, original: bool) {
        let tally = self.days.entry(day).or_default();
        tally.files += 1;
        tally.bytes = tally.bytes.saturating_add(bytes);
        tally.originals += u64::from(original);
    }
}

/// Weighs the evidence.
pub fn decide(tally: &DateTally, calendar: &Calendar) -> ProjectDate {
    let oldest = tally.days.iter().find(|(_, t)| t.originals > 0);
    let year: Option<Year> = oldest.and_then(|(day, _)| calendar.year_of(*day));
    ProjectDate {
        year,
        evidence: if year.is_some() {
            Evidence::OldestOriginal
        } else {
            Evidence::Nothing
        },
        confidence: Confidence::Medium,
        words: String::new(),
        against: Vec::new(),
    }
}
