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
use crate::survey::small::SmallMap;
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
    pub days: SmallMap<DayNumber, DayTally>,
    /// Clips by the year in their names.
    pub clip_years: SmallMap<Year, u64>,
    /// Folders inside the project by the year in their names.
    pub folder_years: SmallMap<Year, u64>,
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
        let tally = self.days.at(day);
        tally.files += 1;
        tally.bytes = tally.bytes.saturating_add(bytes);
        tally.originals += u64::from(original);
    }

    /// Takes in a year from the name of a clip.
    pub fn push_clip(&mut self, year: Year) {
        *self.clip_years.at(year) += 1;
    }

    /// Takes in a year from the name of a folder inside the project.
    pub fn push_folder(&mut self, year: Year) {
        *self.folder_years.at(year) += 1;
    }

    /// Gives back the room that was kept for more.
    pub fn shrink(&mut self) {
        self.days.shrink();
        self.clip_years.shrink();
        self.folder_years.shrink();
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

/// How to read six digits in a name: settled among all projects together, before any is read.
pub struct NameReader(Option<names::Order>);

impl NameReader {
    /// Looks at the names of all projects.
    pub fn of<'a>(keys: impl Iterator<Item = &'a ProjectKey>, calendar: &Calendar) -> NameReader {
        let sixes: Vec<Six> = keys
            .filter_map(|key| match read_key(key, calendar) {
                Reading::Six(six) => Some(six),
                _ => None,
            })
            .collect();
        NameReader(names::agreed_order(&sixes, calendar))
    }

    /// Reads one of them.
    pub fn read(&self, key: &ProjectKey, calendar: &Calendar) -> Written {
        match read_key(key, calendar) {
            Reading::Clear(date) => Written::Date(date),
            Reading::Six(six) => match self.0.and_then(|order| six.read(order, calendar)) {
                Some(date) => Written::Date(date),
                None => Written::Ambiguous(six),
            },
            Reading::Nothing => Written::Nothing,
        }
    }
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
