//! The words of a window: weekdays, wall-clock times, dates, zones, and one-line specifications.

use crate::trouble::Trouble;
use crate::units::Rate;
use chrono::{NaiveDate, Weekday};
use chrono_tz::Tz;

use super::Window;

const NAMES: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
const MINUTES_A_DAY: u16 = 1_440;

/// A set of weekdays.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Weekdays(u8);

/// A wall-clock time in minutes since midnight, 0 to 1,440; the last is the end of the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct WallTime(u16);

impl Weekdays {
    /// All seven.
    pub const ALL: Weekdays = Weekdays(0x7f);

    /// Whether a day belongs to it.
    pub fn contains(self, day: Weekday) -> bool {
        self.0 & (1 << day.num_days_from_monday()) != 0
    }

    /// Whether no day does.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Reads `mon-fri`, `sat,sun`, `mon-sun`, `tue`, `fri-mon` (over the weekend), `mon-wed,sat`.
    ///
    /// # Errors
    /// `bad-days` for an unknown day or an empty part.
    pub fn parse(text: &str) -> Result<Weekdays, Trouble> {
        let fail = || {
            Trouble::usage("bad-days", format!("{text:?} names no days of the week"))
                .mend("Write for example mon-fri, sat,sun or mon-sun.")
        };
        let mut set = 0u8;
        for part in text.split(',') {
            let (first, last) = part.split_once('-').unwrap_or((part, part));
            let first = weekday(first).ok_or_else(fail)?;
            let last = weekday(last).ok_or_else(fail)?;
            let length = (last + 7 - first) % 7;
            for step in 0..=length {
                set |= 1 << ((first + step) % 7);
            }
        }
        Ok(Weekdays(set))
    }
}

impl std::fmt::Display for Weekdays {
    /// As [`Weekdays::parse`] reads it: runs of three or more as a range.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let mut parts: Vec<String> = Vec::new();
        let mut day = 0;
        while day < 7 {
            let end = (day..7).take_while(|d| self.0 & (1 << d) != 0).last();
            match end {
                Some(end) if end >= day + 2 => parts.push(format!("{}-{}", NAMES[day], NAMES[end])),
                Some(end) => parts.extend(NAMES[day..=end].iter().map(|n| (*n).to_string())),
                None => {}
            }
            day = end.map_or(day, |e| e) + 1;
        }
        f.pad(&parts.join(","))
    }
}

fn weekday(text: &str) -> Option<usize> {
    let lower = text.trim().to_ascii_lowercase();
    NAMES.iter().position(|n| *n == lower)
}

impl WallTime {
    /// The start of a day.
    pub const MIDNIGHT: WallTime = WallTime(0);

    /// Minutes since midnight, 0 to 1,440.
    pub fn minutes(self) -> u16 {
        self.0
    }

    /// Reads `07:00`, `19:30`, `24:00`.
    ///
    /// # Errors
    /// `bad-time` for anything else.
    pub fn parse(text: &str) -> Result<WallTime, Trouble> {
        let fail = || {
            Trouble::usage("bad-time", format!("{text:?} is no time of day"))
                .mend("Write hours and minutes from 00:00 to 24:00, for example 19:00.")
        };
        let (hours, minutes) = text.trim().split_once(':').ok_or_else(fail)?;
        let number = |s: &str| -> Option<u16> {
            let digits = (1..=2).contains(&s.len()) && s.bytes().all(|b| b.is_ascii_digit());
            if digits { s.parse().ok() } else { None }
        };
        let hours = number(hours).ok_or_else(fail)?;
        let minutes = number(minutes).filter(|m| *m < 60).ok_or_else(fail)?;
        let total = hours * 60 + minutes;
        if total > MINUTES_A_DAY {
            return Err(fail());
        }
        Ok(WallTime(total))
    }
}

impl std::fmt::Display for WallTime {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(&format!("{:02}:{:02}", self.0 / 60, self.0 % 60))
    }
}

/// Reads a date of the calendar, `2027-02-10`.
///
/// # Errors
/// `bad-date` for anything else, also for a day that does not exist and years outside 1970 to 9999.
pub fn parse_date(text: &str) -> Result<NaiveDate, Trouble> {
    let date = NaiveDate::parse_from_str(text.trim(), "%Y-%m-%d").ok();
    date.filter(|d| ("1970-01-01".."9999-12-32").contains(&d.to_string().as_str()))
        .ok_or_else(|| {
            Trouble::usage("bad-date", format!("{text:?} is no date of the calendar"))
                .mend("Write year, month and day, for example 2027-02-10.")
        })
}

/// Reads the name of a time zone of the tz database, `Europe/Berlin`.
///
/// # Errors
/// `bad-zone` for an unknown name.
pub fn parse_zone(text: &str) -> Result<Tz, Trouble> {
    text.trim().parse::<Tz>().map_err(|_| {
        Trouble::usage("bad-zone", format!("{text:?} is no time zone of the tz database"))
            .mend("Write continent and city, for example Europe/Berlin, or UTC.")
    })
}

/// Reads windows on one line: `always`, or entries parted by semicolons, each days, hours and
/// perhaps a limit: `mon-fri 19:00-07:00 5 Gbit/s; sat,sun 00:00-24:00`.
///
/// # Errors
/// The trouble of the part that is wrong.
pub fn parse_windows(text: &str) -> Result<Vec<Window>, Trouble> {
    if text.trim() == "always" {
        return Ok(Vec::new());
    }
    text.split(';').map(|entry| parse_entry(entry.trim())).collect()
}

fn parse_entry(entry: &str) -> Result<Window, Trouble> {
    let fail = || {
        Trouble::usage(
            "bad-windows",
            format!("{entry:?} is not days, hours and perhaps a limit"),
        )
        .mend("Write for example \"mon-fri 19:00-07:00 5 Gbit/s; sat,sun 00:00-24:00\", or always.")
    };
    let (days, rest) = entry.split_once(char::is_whitespace).ok_or_else(fail)?;
    let rest = rest.trim_start();
    let (hours, limit) = rest.split_once(char::is_whitespace).unwrap_or((rest, ""));
    let (from, until) = hours.split_once('-').ok_or_else(fail)?;
    let limit = match limit.trim() {
        "" => None,
        text => Some(Rate::parse(text).map_err(|e| Trouble::usage("bad-rate", e.to_string()).mend(e.mend))?),
    };
    Ok(Window {
        days: Weekdays::parse(days)?,
        from: WallTime::parse(from)?,
        until: WallTime::parse(until)?,
        limit,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_read_back_as_they_are_shown() {
        for bits in 1..=0x7fu8 {
            let days = Weekdays(bits);
            assert_eq!(Weekdays::parse(&days.to_string()).unwrap(), days, "{days}");
        }
        assert_eq!(Weekdays::parse("fri-mon").unwrap().to_string(), "mon,fri-sun");
        assert_eq!(
            Weekdays::parse(" Mon - Fri , sun").unwrap().to_string(),
            "mon-fri,sun"
        );
        assert_eq!(Weekdays::parse("mon-sun").unwrap(), Weekdays::ALL);
    }

    #[test]
    fn wrong_words_are_refused_with_a_mend() {
        for text in ["", "mon,", "monday", "mon-", "-", "mon-fri-sun", "1-5"] {
            assert_eq!(Weekdays::parse(text).unwrap_err().code, "bad-days", "{text}");
        }
        for text in [
            "", "7", "24:01", "99:00", "12:60", "12:5x", "-1:00", "012:00", "+1:00", "12:",
        ] {
            assert_eq!(WallTime::parse(text).unwrap_err().code, "bad-time", "{text}");
        }
        for text in ["", "2027-02-30", "10.2.2027", "1969-12-31", "99999-01-01"] {
            assert_eq!(parse_date(text).unwrap_err().code, "bad-date", "{text}");
        }
        assert_eq!(parse_zone("Berlin").unwrap_err().code, "bad-zone");
        for text in ["", "mon-fri", "mon-fri 19:00", "mon-fri 19:00-07:00 fast;"] {
            assert!(parse_windows(text).unwrap_err().mend.is_some(), "{text}");
        }
    }

    #[test]
    fn a_line_of_windows_is_read() {
        let windows = parse_windows("mon-fri 19:00-07:00 5 Gbit/s; sat,sun 00:00-24:00").unwrap();
        assert_eq!(windows.len(), 2);
        assert_eq!(windows[0].limit, Some(Rate(625_000_000)));
        assert_eq!(windows[1].until.to_string(), "24:00");
        assert_eq!(windows[1].limit, None);
        assert!(parse_windows("always").unwrap().is_empty());
    }
}
