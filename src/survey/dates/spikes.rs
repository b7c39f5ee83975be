//! Copy days: many times within 48 hours are the mark of a copy that did not keep them (hazard D1).

use crate::survey::calendar::DayNumber;
use crate::survey::dates::DateTally;
use std::collections::{BTreeMap, BTreeSet};

/// Share of all files of a source inside 48 hours that makes a copy day.
const SHARE_OF_SOURCE: f64 = 0.05;
/// Share of one project's files inside 48 hours that is noted.
const SHARE_OF_PROJECT: f64 = 0.30;
/// A source's copy day touches at least this many projects, or all where there are only two:
/// a shoot of one weekend is no copy, however large.
const PROJECTS: u64 = 3;
/// Fewer files than this on a day are a coincidence.
const FILES: u64 = 20;

/// The copy days of a source.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CopyDays {
    /// The days.
    pub days: BTreeSet<DayNumber>,
    /// Files whose times lie on them.
    pub files: u64,
}

/// Finds the copy days of a source from all its projects.
pub fn copy_days<'a>(projects: impl Iterator<Item = &'a DateTally>) -> CopyDays {
    let mut all: BTreeMap<DayNumber, (u64, BTreeSet<usize>)> = BTreeMap::new();
    let (mut total, mut count) = (0u64, 0u64);
    for (number, tally) in projects.enumerate() {
        count += u64::from(!tally.days.is_empty());
        for (day, found) in tally.days.iter() {
            let row = all.entry(*day).or_default();
            row.0 += found.files;
            // Enough to know "three or more", whatever the number of projects.
            if row.1.len() < 2 * PROJECTS as usize {
                row.1.insert(number);
            }
            total += found.files;
        }
    }
    let needed = if count == 2 { 2 } else { PROJECTS };
    let mut found = CopyDays::default();
    for (day, (files, projects)) in &all {
        let next = all.get(&(day + 1));
        let together = files + next.map_or(0, |row| row.0);
        let touched = projects.iter().chain(next.iter().flat_map(|row| &row.1));
        let touched = touched.collect::<BTreeSet<_>>().len() as u64;
        if together >= FILES && together as f64 > total as f64 * SHARE_OF_SOURCE && touched >= needed {
            found.days.insert(*day);
            if next.is_some() {
                found.days.insert(day + 1);
            }
        }
    }
    found.files = found
        .days
        .iter()
        .filter_map(|day| all.get(day))
        .map(|row| row.0)
        .sum();
    found
}

/// The two days that hold more than 30 % of a project's files, the fullest first met, with their
/// share.
pub fn project_spike(tally: &DateTally) -> Option<(DayNumber, f64)> {
    let total: u64 = tally.days.values().map(|found| found.files).sum();
    let pairs = tally.days.iter().map(|(day, found)| {
        let next = tally.days.get(day + 1).map_or(0, |next| next.files);
        (found.files + next, *day)
    });
    let (files, day) = pairs.max_by_key(|(files, day)| (*files, std::cmp::Reverse(*day)))?;
    let share = files as f64 / total.max(1) as f64;
    (share > SHARE_OF_PROJECT).then_some((day, share))
}
