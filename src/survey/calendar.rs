//! Years and days on the wall calendar of one zone, fast enough for every file of an archive, and
//! which times can be believed.

use crate::moment::{Moment, Year};
use chrono::{Datelike, NaiveDate, TimeZone};
use chrono_tz::Tz;

/// Seconds in a day.
pub const DAY: i64 = 86_400;
/// The first year whose times are believed: files of archives like these are not older.
pub const FIRST_YEAR: u16 = 1990;
/// A stamp may lie this far ahead of now: clocks and zones differ.
pub const AHEAD: i64 = 2 * DAY;

/// Where one year begins.
#[derive(Debug, Clone, Copy)]
struct YearStart {
    seconds: i64,
    /// Days from the common era of its 1 January.
    day: i32,
    year: u16,
    length: i32,
}

/// The years from [`FIRST_YEAR`] to the one after now, by the second in which they begin.
#[derive(Debug, Clone)]
pub struct Calendar {
    zone: Tz,
    now: Moment,
    starts: Vec<YearStart>,
}

/// Why a time is no evidence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// More than two days ahead.
    Future,
    /// Before 1990, or midnight of a 1 January: what clocks that were never set write.
    Epoch,
}

/// A day on the wall calendar: days from the common era.
pub type DayNumber = i32;

impl Calendar {
    /// For times up to `now`.
    pub fn new(zone: Tz, now: Moment) -> Calendar {
        let last = now
            .year(zone)
            .map_or(FIRST_YEAR, |y| y.0.max(FIRST_YEAR))
            .min(9_990)
            + 2;
        let starts = (FIRST_YEAR..=last)
            .filter_map(|year| {
                let first = NaiveDate::from_ymd_opt(i32::from(year), 1, 1)?;
                Some(YearStart {
                    seconds: start_of(zone, first),
                    day: first.num_days_from_ce(),
                    year,
                    length: if first.leap_year() { 366 } else { 365 },
                })
            })
            .collect();
        Calendar { zone, now, starts }
    }

    /// The zone.
    pub fn zone(&self) -> Tz {
        self.zone
    }

    /// Now, as it was handed in.
    pub fn now(&self) -> Moment {
        self.now
    }

    fn start_before(&self, seconds: i64) -> Option<&YearStart> {
        let after = self.starts.partition_point(|start| start.seconds <= seconds);
        self.starts.get(after.checked_sub(1)?)
    }

    /// The day and year of a time that can be believed, or why it cannot (hazards D2 and D3).
    pub fn believe(&self, time: Moment) -> Result<(DayNumber, Year), Doubt> {
        if time.seconds > self.now.seconds.saturating_add(AHEAD) {
            return Err(Doubt::Future);
        }
        let start = self.start_before(time.seconds).ok_or(Doubt::Epoch)?;
        let within = time.seconds - start.seconds;
        if within == 0 || is_utc_new_year(time.seconds, within, start) {
            return Err(Doubt::Epoch);
        }
        let day = i32::try_from(within / DAY).unwrap_or(0).min(start.length - 1);
        Ok((start.day + day, Year(start.year)))
    }

    /// The year of a plausible time.
    pub fn plausible_year(&self, time: Moment) -> Option<Year> {
        self.believe(time).ok().map(|(_, year)| year)
    }

    /// The year a day number lies in.
    pub fn year_of(&self, day: DayNumber) -> Option<Year> {
        let date = NaiveDate::from_num_days_from_ce_opt(day)?;
        u16::try_from(date.year()).ok().map(Year)
    }

    /// Whether a date could be that of a project: from 1990 to two days ahead.
    pub fn plausible_date(&self, date: NaiveDate) -> bool {
        let today = self.now.utc().map_or(0, |now| {
            now.with_timezone(&self.zone).date_naive().num_days_from_ce()
        });
        date.year() >= i32::from(FIRST_YEAR) && date.num_days_from_ce() <= today + 2
    }

    /// Whether a year written out could be that of a project.
    pub fn plausible_year_number(&self, year: u16) -> bool {
        let last = self
            .now
            .plus_seconds(AHEAD)
            .year(self.zone)
            .map_or(9_999, |y| y.0);
        (FIRST_YEAR..=last).contains(&year)
    }
}

/// Midnight of 1 January in UTC: within a day of the zone's own new year and on a day's boundary.
/// Before a zone's new year it is 31 December there, so the end of the year counts too.
fn is_utc_new_year(seconds: i64, within: i64, start: &YearStart) -> bool {
    if seconds.rem_euclid(DAY) != 0 {
        return false;
    }
    within < DAY || within >= i64::from(start.length - 1) * DAY
}

fn start_of(zone: Tz, date: NaiveDate) -> i64 {
    let midnight = date.and_time(chrono::NaiveTime::MIN);
    match zone.from_local_datetime(&midnight) {
        chrono::LocalResult::Single(time) | chrono::LocalResult::Ambiguous(time, _) => time.timestamp(),
        // A zone that skips midnight at new year: the same wall time read as UTC is near enough.
        chrono::LocalResult::None => midnight.and_utc().timestamp(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(text: &str) -> Moment {
        Moment::parse_rfc3339(text).unwrap()
    }

    fn berlin() -> Calendar {
        Calendar::new(chrono_tz::Europe::Berlin, at("2027-02-03T12:00:00Z"))
    }

    #[test]
    fn times_that_clocks_write_by_default_are_no_evidence() {
        let calendar = berlin();
        for (text, doubt) in [
            ("1970-01-01T00:00:00Z", Doubt::Epoch),
            ("1980-01-01T00:00:00Z", Doubt::Epoch),
            ("1989-12-31T00:00:00Z", Doubt::Epoch),
            ("2015-01-01T00:00:00Z", Doubt::Epoch),
            ("2015-01-01T00:00:00+01:00", Doubt::Epoch),
            ("2027-02-06T00:00:00Z", Doubt::Future),
            ("2079-12-31T00:00:00Z", Doubt::Future),
        ] {
            assert_eq!(calendar.believe(at(text)), Err(doubt), "{text}");
        }
        assert!(calendar.believe(at("2027-02-05T11:00:00Z")).is_ok());
        assert!(calendar.believe(at("2015-01-01T00:00:01Z")).is_ok());
        assert!(calendar.believe(at("2015-12-31T00:00:00+01:00")).is_ok());
    }

    #[test]
    fn midnight_of_new_year_in_utc_is_doubted_west_of_greenwich_too() {
        let calendar = Calendar::new(chrono_tz::America::Los_Angeles, at("2027-02-03T12:00:00Z"));
        assert_eq!(calendar.believe(at("2015-01-01T00:00:00Z")), Err(Doubt::Epoch));
        assert!(calendar.believe(at("2014-12-31T00:00:00Z")).is_ok());
    }

    proptest! {
        /// The oracle is chrono's own conversion.
        #[test]
        fn days_and_years_agree_with_the_calendar_library(seconds in 631_152_000i64..1_800_000_000) {
            let calendar = berlin();
            let time = Moment::from_seconds(seconds);
            if let Ok((day, year)) = calendar.believe(time) {
                let local = time.utc().unwrap().with_timezone(&chrono_tz::Europe::Berlin);
                prop_assert_eq!(i32::from(year.0), local.year());
                // Summer time moves the edge of a day by an hour, never more.
                prop_assert!((day - local.date_naive().num_days_from_ce()).abs() <= 1);
                prop_assert_eq!(calendar.year_of(day), Some(year));
            }
        }
    }
}
