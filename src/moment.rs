//! Points in time and the calendar: file times to the nanosecond, wall-clock text, years.
//!
//! No clock is read here; `now` is always handed in. File times keep the full range a file system
//! can hold (64-bit seconds), wall-clock text exists for the years chrono knows.

use chrono::{
    DateTime, Datelike, Days, FixedOffset, NaiveDate, NaiveDateTime, NaiveTime, SecondsFormat, TimeZone, Utc,
};
use chrono_tz::Tz;
use std::fmt;

/// A point in time: seconds since 1970-01-01T00:00:00Z and nanoseconds within the second.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment {
    /// Seconds since the Unix epoch, negative before it.
    pub seconds: i64,
    /// 0 to 999,999,999.
    pub nanos: u32,
}

/// A calendar year as people file projects by, 1 to 9999.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Year(pub u16);

impl Moment {
    /// From seconds alone.
    pub fn from_seconds(seconds: i64) -> Moment {
        Moment { seconds, nanos: 0 }
    }

    /// The calendar form in UTC, or `None` for a time no calendar of ours reaches.
    pub fn utc(self) -> Option<DateTime<Utc>> {
        DateTime::from_timestamp(self.seconds, self.nanos.min(999_999_999))
    }

    /// From the calendar form.
    pub fn from_utc(time: DateTime<Utc>) -> Moment {
        Moment {
            seconds: time.timestamp(),
            nanos: time.timestamp_subsec_nanos().min(999_999_999),
        }
    }

    /// Reads an RFC 3339 time with its offset.
    pub fn parse_rfc3339(text: &str) -> Option<Moment> {
        let time = DateTime::parse_from_rfc3339(text).ok()?;
        Some(Moment::from_utc(time.with_timezone(&Utc)))
    }

    /// Reads a time as people type it: RFC 3339, a local date with or without a time of day
    /// (`2027-02-03 07:00`, `2027-02-03` for its first moment), or a time of day alone, the next one
    /// after `now` (`07:00`). Where clocks go back the later of the two is meant, where they go
    /// forward a time that is left out is the first one after the gap.
    pub fn parse_typed(text: &str, zone: Tz, now: Moment) -> Option<Moment> {
        let text = text.trim();
        if let Some(exact) = Moment::parse_rfc3339(text) {
            return Some(exact);
        }
        let of_day = |text: &str| {
            let forms = ["%H:%M", "%H:%M:%S"];
            forms
                .iter()
                .find_map(|form| NaiveTime::parse_from_str(text, form).ok())
        };
        if let Some(time) = of_day(text) {
            let today = zone.from_utc_datetime(&now.utc()?.naive_utc()).date_naive();
            let days = [today, today.checked_add_days(Days::new(1))?];
            let mut next = days.iter().filter_map(|day| at_local(day.and_time(time), zone));
            return next.find(|moment| *moment > now);
        }
        let (day, time) = match text.split_once([' ', 'T']) {
            Some((day, time)) => (day, of_day(time.trim())?),
            None => (text, NaiveTime::MIN),
        };
        let day = NaiveDate::parse_from_str(day, "%Y-%m-%d").ok()?;
        let day = Some(day).filter(|day| (1..9999).contains(&day.year()))?;
        at_local(day.and_time(time), zone)
    }

    /// RFC 3339 with the offset of `zone`, to the second: `2027-02-03T01:40:00+01:00`. A year that
    /// does not have four digits has no such form, and near the ends of its range chrono panics.
    pub fn rfc3339(self, zone: Tz) -> String {
        match self.utc().filter(|_| self.year(zone).is_some()) {
            Some(time) => {
                let local = time.with_timezone(&zone);
                let fixed: DateTime<FixedOffset> = local.fixed_offset();
                fixed.to_rfc3339_opts(SecondsFormat::Secs, false)
            }
            None => format!("@{}", self.seconds),
        }
    }

    /// For tables and sentences: `Wed 2027-02-03 01:40 +01:00`.
    pub fn local(self, zone: Tz) -> String {
        match self.utc() {
            Some(time) => time
                .with_timezone(&zone)
                .format("%a %Y-%m-%d %H:%M %:z")
                .to_string(),
            None => format!("@{}", self.seconds),
        }
    }

    /// The year on the wall calendar of `zone`, where it lies in 1 to 9999.
    pub fn year(self, zone: Tz) -> Option<Year> {
        let year = zone.from_utc_datetime(&self.utc()?.naive_utc()).year();
        u16::try_from(year)
            .ok()
            .filter(|y| (1..=9999).contains(y))
            .map(Year)
    }

    /// This moment moved by seconds, held at the ends of the range.
    pub fn plus_seconds(self, seconds: i64) -> Moment {
        Moment {
            seconds: self.seconds.saturating_add(seconds),
            nanos: self.nanos,
        }
    }

    /// Seconds from `earlier` to this moment; negative where it lies before.
    pub fn seconds_since(self, earlier: Moment) -> f64 {
        (self.seconds as f64 - earlier.seconds as f64)
            + (f64::from(self.nanos) - f64::from(earlier.nanos)) / 1e9
    }
}

/// What the wall clock of `zone` means; see [`Moment::parse_typed`]. No zone of the tz database has
/// left out more than a day.
fn at_local(wall: NaiveDateTime, zone: Tz) -> Option<Moment> {
    (0..=24 * 60).find_map(|minutes| {
        let at = wall.checked_add_signed(chrono::TimeDelta::minutes(minutes))?;
        let found = zone.from_local_datetime(&at).latest()?;
        Some(Moment::from_utc(found.with_timezone(&Utc)))
    })
}

impl fmt::Display for Year {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{:04}", self.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The changes of 2027 in Berlin (tz database: the last Sundays of March and October, 01:00 UTC).
    #[test]
    fn times_are_read_as_people_type_them() {
        let zone = chrono_tz::Europe::Berlin;
        let now = Moment::parse_rfc3339("2027-02-03T06:30:00+01:00").unwrap();
        let cases = [
            ("2027-02-03T07:00:00+01:00", "2027-02-03T07:00:00+01:00"),
            ("2027-02-03T07:00:00Z", "2027-02-03T08:00:00+01:00"),
            ("2027-02-03 07:00", "2027-02-03T07:00:00+01:00"),
            ("2027-07-03T07:00:09", "2027-07-03T07:00:09+02:00"),
            (" 2027-02-04 ", "2027-02-04T00:00:00+01:00"),
            ("07:00", "2027-02-03T07:00:00+01:00"),
            ("06:30", "2027-02-04T06:30:00+01:00"),
            ("02:15", "2027-02-04T02:15:00+01:00"),
            ("2027-03-28 02:30", "2027-03-28T03:00:00+02:00"),
            ("2027-10-31 02:30", "2027-10-31T02:30:00+01:00"),
        ];
        for (text, meant) in cases {
            let found = Moment::parse_typed(text, zone, now).map(|moment| moment.rfc3339(zone));
            assert_eq!(found.as_deref(), Some(meant), "{text}");
        }
        for text in [
            "",
            "yesterday",
            "25:00",
            "2027-02-30",
            "2027-02-03 7",
            "2027-02-03 07:00 07:00",
            "7",
        ] {
            assert_eq!(Moment::parse_typed(text, zone, now), None, "{text}");
        }
    }

    /// Values of RFC 3339 section 5.8; the Unix seconds are derived from the text.
    #[test]
    fn times_agree_with_rfc_3339() {
        let cases = [
            ("1985-04-12T23:20:50.52Z", 482_196_050, 520_000_000),
            ("1996-12-19T16:39:57-08:00", 851_042_397, 0),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_173, 870_000_000),
        ];
        for (text, seconds, nanos) in cases {
            assert_eq!(
                Moment::parse_rfc3339(text),
                Some(Moment { seconds, nanos }),
                "{text}"
            );
        }
    }

    #[test]
    fn a_new_year_depends_on_the_zone() {
        let moment = Moment::parse_rfc3339("2018-12-31T23:30:00Z").unwrap();
        assert_eq!(moment.year(chrono_tz::UTC), Some(Year(2018)));
        assert_eq!(moment.year(chrono_tz::Europe::Berlin), Some(Year(2019)));
    }

    #[test]
    fn absurd_times_have_no_year_and_still_print() {
        let moment = Moment::from_seconds(i64::MAX);
        assert_eq!(moment.year(chrono_tz::UTC), None);
        assert_eq!(moment.rfc3339(chrono_tz::UTC), format!("@{}", i64::MAX));
        // One hour before the end of chrono's range, where local time lies outside of it.
        let last = Moment::from_utc(DateTime::<Utc>::MAX_UTC).plus_seconds(-3_599);
        let zone = chrono_tz::Europe::Berlin;
        assert_eq!(last.rfc3339(zone), format!("@{}", last.seconds));
        assert!(!last.local(zone).is_empty());
    }
}
