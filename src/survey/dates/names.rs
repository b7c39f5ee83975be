//! Dates written out in names.
//!
//! Accepted as they stand: `2019-03-04`, `2019_3_4`, `20190304`, `04.03.2019`, `2019-03`, ISO weeks
//! (`2019-W10`, `2019W103`), quarters, a year alone, two years as a range. Six digits or three
//! pairs have several readings (hazard D7) and are settled by their siblings, see
//! [`agreed_order`].

use crate::moment::Year;
use crate::survey::calendar::Calendar;
use chrono::{Datelike, NaiveDate, Weekday};

/// Names with more groups of digits than this are read up to here.
const GROUPS: usize = 16;
/// Share of siblings that must be legal in one order of day, month and year (hazard D7).
const AGREE: f64 = 0.9;

/// A date read from a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NameDate {
    /// The year.
    pub year: Year,
    /// The exact day, where it is written and has one reading.
    pub date: Option<NaiveDate>,
    /// The last year, where a range is written.
    pub until: Option<Year>,
    /// Several years stand in the name that are no range.
    pub several: bool,
    /// The part of the name that says so, as text.
    pub text: String,
}

/// Six digits that may be a date.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Six {
    parts: [u32; 3],
    /// Written without separators, so that the first four may be a year.
    joined: bool,
    text: String,
}

/// What a name says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reading {
    /// A date with one meaning, at least as to the year.
    Clear(NameDate),
    /// Six digits.
    Six(Six),
    /// Nothing.
    Nothing,
}

/// In which order six digits are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Order {
    /// `190304` is 4 March 2019.
    YearFirst,
    /// `040319` is.
    DayFirst,
    /// `030419` is.
    MonthFirst,
    /// `201903` is March 2019.
    YearMonth,
}

const ORDERS: [Order; 4] = [
    Order::YearFirst,
    Order::DayFirst,
    Order::MonthFirst,
    Order::YearMonth,
];

#[derive(Debug, Clone, Copy)]
struct Group {
    start: usize,
    end: usize,
    value: u64,
}

impl Group {
    fn len(&self) -> usize {
        self.end - self.start
    }
}

/// A reader of one name.
struct Reader<'a> {
    name: &'a [u8],
    groups: Vec<Group>,
    calendar: &'a Calendar,
}

/// Reads the name of a folder.
pub fn read_folder(name: &[u8], calendar: &Calendar) -> Reading {
    let reader = Reader {
        name,
        groups: groups(name),
        calendar,
    };
    let at = 0..reader.groups.len();
    let full = at
        .clone()
        .filter_map(|i| reader.full(i))
        .min_by_key(|d| (d.year, d.date));
    let found = full
        .or_else(|| at.clone().find_map(|i| reader.week(i)))
        .or_else(|| at.clone().find_map(|i| reader.year_month(i)))
        .or_else(|| reader.years_alone());
    if let Some(date) = found {
        return Reading::Clear(date);
    }
    match at.clone().find_map(|i| reader.six(i)) {
        Some(six) => Reading::Six(six),
        None => Reading::Nothing,
    }
}

/// The year of a full date in the name of a clip; years alone and six digits are mostly counters.
pub fn read_clip(name: &[u8], calendar: &Calendar) -> Option<Year> {
    let likely = name
        .windows(4)
        .any(|w| (w.starts_with(b"20") || w.starts_with(b"19")) && w.iter().all(u8::is_ascii_digit));
    if !likely {
        return None;
    }
    let reader = Reader {
        name,
        groups: groups(name),
        calendar,
    };
    let found = (0..reader.groups.len()).find_map(|i| reader.year_first(i));
    found.map(|date| date.year)
}

/// The order that the names of siblings are written in: legal for more than nine in ten of them,
/// and for clearly more than any other order; a lone name counts where only one order is legal.
pub fn agreed_order(siblings: &[Six], calendar: &Calendar) -> Option<Order> {
    if siblings.is_empty() {
        return None;
    }
    let mut ranked: Vec<(usize, Order)> = ORDERS
        .into_iter()
        .map(|order| {
            let legal = siblings.iter().filter(|six| six.read(order, calendar).is_some());
            (legal.count(), order)
        })
        .collect();
    ranked.sort_by_key(|(count, _)| std::cmp::Reverse(*count));
    let (&(best, order), &(second, _)) = (ranked.first()?, ranked.get(1)?);
    // The names that are not legal in the second order are the witnesses against it.
    let witnesses = (siblings.len() as f64 * 0.03).ceil() as usize;
    let agreed = best as f64 > siblings.len() as f64 * AGREE && best >= second + witnesses.max(1);
    agreed.then_some(order)
}

impl Six {
    /// Read in this order, where that is a plausible date.
    pub fn read(&self, order: Order, calendar: &Calendar) -> Option<NameDate> {
        let [a, b, c] = self.parts;
        let (year, month, day, exact) = match order {
            Order::YearFirst => (full_year(a), b, c, true),
            Order::DayFirst => (full_year(c), b, a, true),
            Order::MonthFirst => (full_year(c), a, b, true),
            Order::YearMonth if self.joined => (a * 100 + b, c, 1, false),
            Order::YearMonth => return None,
        };
        let date = NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, day)?;
        let year = u16::try_from(year).ok()?;
        calendar.plausible_date(date).then(|| NameDate {
            year: Year(year),
            date: exact.then_some(date),
            until: None,
            several: false,
            text: self.text.clone(),
        })
    }

    /// As written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The years of all its legal readings, without repeats.
    pub fn years(&self, calendar: &Calendar) -> Vec<Year> {
        let mut years: Vec<Year> = ORDERS
            .into_iter()
            .filter_map(|order| self.read(order, calendar))
            .map(|date| date.year)
            .collect();
        years.sort();
        years.dedup();
        years
    }
}

/// Two digits of a year: 90 to 99 lie in the last century.
fn full_year(two: u32) -> u32 {
    if two >= 90 { 1900 + two } else { 2000 + two }
}

fn groups(name: &[u8]) -> Vec<Group> {
    let mut found = Vec::new();
    let mut at = 0;
    while at < name.len() && found.len() < GROUPS {
        let run = name[at..].iter().take_while(|b| b.is_ascii_digit()).count();
        if run == 0 {
            at += 1;
            continue;
        }
        let value = name[at..at + run].iter().fold(0u64, |v, b| {
            v.saturating_mul(10).saturating_add(u64::from(b - b'0'))
        });
        found.push(Group {
            start: at,
            end: at + run,
            value,
        });
        at += run;
    }
    found
}

impl Reader<'_> {
    fn group(&self, at: usize) -> Option<Group> {
        self.groups.get(at).copied()
    }

    fn text(&self, start: usize, end: usize) -> String {
        String::from_utf8_lossy(self.name.get(start..end).unwrap_or_default()).into_owned()
    }

    /// The one separator between two neighbouring groups.
    fn separator(&self, a: Group, b: Group) -> Option<u8> {
        match self.name.get(a.end..b.start) {
            Some([one @ (b'-' | b'_' | b'.' | b' ')]) => Some(*one),
            _ => None,
        }
    }

    /// Three groups with the same separator twice.
    fn three(&self, at: usize) -> Option<(Group, Group, Group)> {
        let (a, b, c) = (self.group(at)?, self.group(at + 1)?, self.group(at + 2)?);
        let first = self.separator(a, b)?;
        (self.separator(b, c)? == first).then_some((a, b, c))
    }

    fn day(&self, year: u64, month: u64, day: u64) -> Option<NaiveDate> {
        let date = NaiveDate::from_ymd_opt(
            i32::try_from(year).ok()?,
            u32::try_from(month).ok()?,
            u32::try_from(day).ok()?,
        )?;
        self.calendar.plausible_date(date).then_some(date)
    }

    fn found(&self, year: u64, date: Option<NaiveDate>, start: usize, end: usize) -> Option<NameDate> {
        let year = u16::try_from(year).ok()?;
        self.calendar.plausible_year_number(year).then(|| NameDate {
            year: Year(year),
            date,
            until: None,
            several: false,
            text: self.text(start, end),
        })
    }

    /// `20190304`, also with a time behind it, and `2019-03-04`.
    fn year_first(&self, at: usize) -> Option<NameDate> {
        let group = self.group(at)?;
        if matches!(group.len(), 8 | 12 | 14) {
            let v = match group.len() {
                8 => group.value,
                12 => group.value / 10_000,
                _ => group.value / 1_000_000,
            };
            let date = self.day(v / 10_000, v / 100 % 100, v % 100)?;
            return self.found(v / 10_000, Some(date), group.start, group.start + 8);
        }
        let (a, b, c) = self.three(at)?;
        if a.len() != 4 || b.len() > 2 || c.len() > 2 {
            return None;
        }
        let date = self.day(a.value, b.value, c.value)?;
        self.found(a.value, Some(date), a.start, c.end)
    }

    /// A full date in any order with a year of four digits.
    fn full(&self, at: usize) -> Option<NameDate> {
        if let Some(date) = self.year_first(at) {
            return Some(date);
        }
        let group = self.group(at)?;
        let (first, second, year, start, end) = if group.len() == 8 {
            let v = group.value;
            (
                v / 1_000_000,
                v / 10_000 % 100,
                v % 10_000,
                group.start,
                group.end,
            )
        } else {
            let (a, b, c) = self.three(at)?;
            if a.len() > 2 || b.len() > 2 || c.len() != 4 {
                return None;
            }
            (a.value, b.value, c.value, a.start, c.end)
        };
        let (dmy, mdy) = (self.day(year, second, first), self.day(year, first, second));
        let date = match (dmy, mdy) {
            (Some(one), None) | (None, Some(one)) => Some(one),
            (Some(a), Some(b)) => (a == b).then_some(a),
            (None, None) => return None,
        };
        self.found(year, date, start, end)
    }

    /// ISO 8601 weeks. Without a day the year is that of the week, with one that of the day.
    fn week(&self, at: usize) -> Option<NameDate> {
        let (year, week) = (self.group(at)?, self.group(at + 1)?);
        let between = self.name.get(year.end..week.start)?;
        let is_week = matches!(between, b"W" | b"w" | b"-W" | b"-w");
        if year.len() != 4 || !is_week || !matches!(week.len(), 2 | 3) {
            return None;
        }
        let iso_year = i32::try_from(year.value).ok()?;
        let (number, mut day, mut end) = if week.len() == 3 {
            (week.value / 10, Some(week.value % 10), week.end)
        } else {
            (week.value, None, week.end)
        };
        if let Some(next) = self.group(at + 2) {
            if day.is_none() && next.len() == 1 && self.separator(week, next) == Some(b'-') {
                (day, end) = (Some(next.value), next.end);
            }
        }
        let number = u32::try_from(number).ok()?;
        NaiveDate::from_isoywd_opt(iso_year, number, Weekday::Thu)?;
        let Some(day) = day else {
            return self.found(year.value, None, year.start, end);
        };
        let weekday = Weekday::try_from(u8::try_from(day).ok()?.checked_sub(1)?).ok()?;
        let date = NaiveDate::from_isoywd_opt(iso_year, number, weekday)?;
        self.found(u64::try_from(date.year()).ok()?, Some(date), year.start, end)
    }

    /// `2019-03`, `03.2019`, `2019Q2`, `2019-Q2`.
    fn year_month(&self, at: usize) -> Option<NameDate> {
        let (a, b) = (self.group(at)?, self.group(at + 1)?);
        let month = |g: Group| g.len() <= 2 && (1..=12).contains(&g.value);
        if self.separator(a, b).is_some() {
            if a.len() == 4 && b.len() == 2 && month(b) {
                return self.found(a.value, None, a.start, b.end);
            }
            if b.len() == 4 && a.len() == 2 && month(a) {
                return self.found(b.value, None, a.start, b.end);
            }
        }
        let quarter = matches!(
            self.name.get(a.end..b.start),
            Some(b"Q" | b"q" | b"-Q" | b"-q" | b"_Q" | b" Q")
        );
        if quarter && a.len() == 4 && b.len() == 1 && (1..=4).contains(&b.value) {
            return self.found(a.value, None, a.start, b.end);
        }
        None
    }

    /// A year by itself: no letter or digit beside it.
    fn year_alone(&self, at: usize) -> Option<NameDate> {
        let group = self.group(at)?;
        let before = group.start.checked_sub(1).and_then(|i| self.name.get(i));
        let after = self.name.get(group.end);
        let touches = |b: Option<&u8>| b.is_some_and(u8::is_ascii_alphanumeric);
        if group.len() != 4 || touches(before) || touches(after) {
            return None;
        }
        self.found(group.value, None, group.start, group.end)
    }

    fn years_alone(&self) -> Option<NameDate> {
        let found: Vec<(usize, NameDate)> = (0..self.groups.len())
            .filter_map(|at| self.year_alone(at).map(|date| (at, date)))
            .collect();
        let (at, first) = found.first()?.clone();
        let Some((next_at, next)) = found.get(1) else {
            return Some(first);
        };
        let gap = next.year.0.saturating_sub(first.year.0);
        let beside = *next_at == at + 1 && found.len() == 2 && self.is_range(at);
        if beside && (1..=5).contains(&gap) {
            return Some(NameDate {
                until: Some(next.year),
                text: format!("{}-{}", first.text, next.text),
                ..first
            });
        }
        let mut earliest = found
            .into_iter()
            .map(|(_, date)| date)
            .min_by_key(|date| date.year)?;
        earliest.several = true;
        Some(earliest)
    }

    /// Whether only a dash (with blanks, or the long one) stands between two groups.
    fn is_range(&self, at: usize) -> bool {
        let (Some(a), Some(b)) = (self.group(at), self.group(at + 1)) else {
            return false;
        };
        let between = String::from_utf8_lossy(self.name.get(a.end..b.start).unwrap_or_default());
        matches!(between.trim(), "-" | "\u{2013}" | "_" | "+" | "&")
    }

    fn six(&self, at: usize) -> Option<Six> {
        let group = self.group(at)?;
        let two = |v: u64| u32::try_from(v).unwrap_or(u32::MAX);
        let six = if group.len() == 6 {
            let v = group.value;
            Six {
                parts: [two(v / 10_000), two(v / 100 % 100), two(v % 100)],
                joined: true,
                text: self.text(group.start, group.end),
            }
        } else {
            let (a, b, c) = self.three(at)?;
            if [a, b, c].iter().any(|g| g.len() != 2) {
                return None;
            }
            Six {
                parts: [two(a.value), two(b.value), two(c.value)],
                joined: false,
                text: self.text(a.start, c.end),
            }
        };
        (!six.years(self.calendar).is_empty()).then_some(six)
    }
}
