//! The year of a project: evidence gathered, weighed and put in words (hazards D1 to D9).

pub mod names;
pub mod spikes;
#[cfg(test)]
mod tests;
mod weigh;

pub use weigh::{date_text, weigh};

use crate::moment::Year;
use crate::survey::calendar::{Calendar, DayNumber};
use crate::survey::dates::names::{NameDate, Reading, Six};
use crate::survey::headers::HeaderDate;
use crate::survey::{ProjectDate, ProjectKey};
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
    /// Clips by the year in their names.
    pub clip_years: BTreeMap<Year, u64>,
    /// Folders inside the project by the year in their names.
    pub folder_years: BTreeMap<Year, u64>,
    /// Files by the year their headers give; a few samples.
    pub header_years: BTreeMap<Year, u64>,
    /// Headers whose date was 66 years off and put right.
    pub corrected: u64,
    /// Headers within a day of a new year, where the zone decides (hazard D5).
    pub near_new_year: u64,
}

impl DateTally {
    /// Takes in a plausible modification time.
    pub fn push_time(&mut self, day: DayNumber, bytes: u64, original: bool) {
        let tally = self.days.entry(day).or_default();
        tally.files += 1;
        tally.bytes = tally.bytes.saturating_add(bytes);
        tally.originals += u64::from(original);
    }

    /// Takes in a year from the name of a clip.
    pub fn push_clip(&mut self, year: Year) {
        *self.clip_years.entry(year).or_default() += 1;
    }

    /// Takes in a year from the name of a folder inside the project.
    pub fn push_folder(&mut self, year: Year) {
        *self.folder_years.entry(year).or_default() += 1;
    }

    /// Takes in the date of a media header; one that cannot be believed is let go.
    pub fn push_header(&mut self, found: HeaderDate, calendar: &Calendar) {
        let Some(year) = found.year(calendar) else {
            return;
        };
        *self.header_years.entry(year).or_default() += 1;
        self.corrected += u64::from(found.corrected);
        self.near_new_year += u64::from(found.is_near_new_year(calendar, year));
    }
}

/// What the names of a project's folder and of those above it say, nearest first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Written {
    /// A date with one meaning.
    Date(NameDate),
    /// Six digits with several legal readings.
    Ambiguous(Six),
    /// Nothing.
    Nothing,
}

/// Reads the names of all projects; six digits are settled among all of them together.
pub fn read_names<'a>(keys: impl Iterator<Item = &'a ProjectKey>, calendar: &Calendar) -> Vec<Written> {
    let readings: Vec<Reading> = keys.map(|key| read_key(key, calendar)).collect();
    let sixes: Vec<Six> = readings
        .iter()
        .filter_map(|reading| match reading {
            Reading::Six(six) => Some(six.clone()),
            _ => None,
        })
        .collect();
    let order = names::agreed_order(&sixes, calendar);
    let settled = |reading| match reading {
        Reading::Clear(date) => Written::Date(date),
        Reading::Six(six) => match order.and_then(|order| six.read(order, calendar)) {
            Some(date) => Written::Date(date),
            None => Written::Ambiguous(six),
        },
        Reading::Nothing => Written::Nothing,
    };
    readings.into_iter().map(settled).collect()
}

fn read_key(key: &ProjectKey, calendar: &Calendar) -> Reading {
    let ProjectKey::Folder(path) = key else {
        return Reading::Nothing;
    };
    let mut fallback = Reading::Nothing;
    for name in path.components().rev() {
        match names::read_folder(name, calendar) {
            Reading::Clear(date) => return Reading::Clear(date),
            six @ Reading::Six(_) if fallback == Reading::Nothing => fallback = six,
            _ => {}
        }
    }
    fallback
}

/// A date that someone has to confirm, with the years to choose from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Weighed {
    /// The date as it stands.
    pub date: ProjectDate,
    /// Why the user is asked; `None` where there is no need.
    pub ask: Option<String>,
    /// Years that may be right, each with where it comes from; the likeliest first.
    pub choices: Vec<(Year, String)>,
}
