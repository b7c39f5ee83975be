//! When work may run: weekly windows on the wall clock, rate limits, blackout dates, time zones.
//!
//! A window opens and closes at wall-clock times, so one across a daylight-saving change is an
//! hour shorter or longer. A local time that does not exist takes the offset before the gap, one
//! that exists twice is the first (RFC 5545 section 3.3.5). The openings come lazily and bounded:
//! windows that never open are an answer, not a hang.

mod days;
#[cfg(test)]
mod tests;

use crate::moment::Moment;
use crate::units::Rate;
use chrono::{Datelike, Days, NaiveDate, NaiveDateTime, NaiveTime, Offset, TimeDelta, TimeZone};
use chrono_tz::Tz;
use std::collections::VecDeque;

pub use days::{WallTime, Weekdays, parse_date, parse_windows, parse_zone};

/// Weekly windows repeat every 7 days; three weeks also pass the one day a year on which a
/// daylight-saving gap swallows a short window. Nothing open for longer never opens.
const SEARCH_DAYS: u64 = 22;
/// Openings that touch are handed out as one up to this length, so that "always" stays lazy.
const LONGEST_PIECE: i64 = 400 * 86_400;
/// No opening is looked for after this year; the calendar of the outputs ends there.
const LAST_YEAR: i32 = 9_999;

/// One weekly window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// The days on which it opens.
    pub days: Weekdays,
    /// Opens at this wall-clock time.
    pub from: WallTime,
    /// Closes at this one, on the next day where it is not later than `from`; the same time as
    /// `from` is a whole day.
    pub until: WallTime,
    /// The most that may cross the link meanwhile.
    pub limit: Option<Rate>,
}

/// Dates on which nothing runs, from midnight to midnight, both ends included. What is open at
/// the first midnight closes, what would still be open after the last goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Blackout {
    /// First date.
    pub from: NaiveDate,
    /// Last date.
    pub until: NaiveDate,
}

/// The user's hours.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Windows {
    /// Where the wall clock hangs.
    pub zone: Tz,
    /// Nothing runs before this date.
    pub starts: Option<NaiveDate>,
    /// A union; where two are open the later entry's limit holds. None: always, full speed.
    pub windows: Vec<Window>,
    /// Dates without work.
    pub blackouts: Vec<Blackout>,
}

/// A stretch of time in which work may run under one limit; end-exclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Opening {
    /// First moment.
    pub start: Moment,
    /// First moment after it.
    pub end: Moment,
    /// The most that may cross the link meanwhile.
    pub limit: Option<Rate>,
}

/// The openings from a moment on, in order, without overlap. It ends where nothing opens any more.
#[derive(Debug, Clone)]
pub struct Openings<'a> {
    windows: &'a Windows,
    from: Moment,
    day: Option<NaiveDate>,
    last_day: NaiveDate,
    queue: VecDeque<Opening>,
    pending: Option<Opening>,
}

impl Windows {
    /// No windows: always, at full speed.
    pub fn always(zone: Tz) -> Windows {
        Windows {
            zone,
            starts: None,
            windows: Vec::new(),
            blackouts: Vec::new(),
        }
    }

    /// Whether nothing but a start date and blackouts holds work back.
    pub fn is_always(&self) -> bool {
        self.windows.is_empty()
    }

    /// The openings from `from` on; one that is open then begins at `from`.
    pub fn openings(&self, from: Moment) -> Openings<'_> {
        // A day earlier, since a window of yesterday may still be open.
        let day = self.local_date(from).and_then(|d| d.pred_opt());
        let mut openings = Openings {
            windows: self,
            from,
            day,
            last_day: NaiveDate::MIN,
            queue: VecDeque::new(),
            pending: None,
        };
        if let Some(day) = day {
            openings.extend_search(day);
        }
        openings
    }

    /// Whether work may run at this moment.
    pub fn is_open_at(&self, now: Moment) -> bool {
        self.open_piece(now).is_some()
    }

    /// The limit at this moment: `None` where closed, `Some(None)` where open without a limit.
    pub fn limit_at(&self, now: Moment) -> Option<Option<Rate>> {
        self.open_piece(now).map(|piece| piece.limit)
    }

    /// The first opening that starts at or after `after`, or the one open then, cut to begin there.
    /// `None`: it never opens.
    pub fn next_opening(&self, after: Moment) -> Option<Opening> {
        self.openings(after).next()
    }

    /// The next moment after `after` at which it opens, closes or changes its limit. `None` where
    /// nothing ever changes.
    pub fn next_border(&self, after: Moment) -> Option<Moment> {
        let mut openings = self.openings(after);
        let mut piece = openings.next()?;
        if piece.start > after {
            return Some(piece.start);
        }
        // Pieces that touch under one limit are one stretch that only had to be cut somewhere; one
        // that has no border for two years after the last date of the settings has none at all.
        let dates = self.blackouts.iter().map(|b| b.until).chain(self.starts);
        let last = dates
            .filter_map(|d| self.instant(d, 0))
            .fold(after.seconds, i64::max);
        let horizon = last.saturating_add(2 * LONGEST_PIECE);
        while piece.end.seconds < horizon {
            match openings.next() {
                Some(next) if next.start == piece.end && next.limit == piece.limit => piece = next,
                _ => return Some(piece.end),
            }
        }
        None
    }

    fn open_piece(&self, now: Moment) -> Option<Opening> {
        self.next_opening(now).filter(|piece| piece.start <= now)
    }

    /// The date on the wall calendar, or `None` beyond any calendar.
    pub fn local_date(&self, moment: Moment) -> Option<NaiveDate> {
        Some(self.local_time(moment)?.date())
    }

    /// Which night a moment belongs to: days since 1970, each from noon to noon on the wall clock,
    /// so that work before and after midnight counts as one night.
    pub fn night_of(&self, moment: Moment) -> i64 {
        match self.local_time(moment) {
            Some(local) => (local.and_utc().timestamp() - 43_200).div_euclid(86_400),
            None => moment.seconds.div_euclid(86_400),
        }
    }

    fn local_time(&self, moment: Moment) -> Option<NaiveDateTime> {
        let utc = moment.utc()?;
        if !(-9_999..=LAST_YEAR).contains(&utc.year()) {
            return None;
        }
        Some(self.zone.from_utc_datetime(&utc.naive_utc()).naive_local())
    }

    fn blackout_end(&self, day: NaiveDate) -> Option<NaiveDate> {
        let covers = self.blackouts.iter().filter(|b| b.from <= day && day <= b.until);
        covers.map(|b| b.until).max()
    }

    /// The instant of a wall-clock time, in seconds since 1970.
    fn instant(&self, date: NaiveDate, minutes: u16) -> Option<i64> {
        let local = date
            .and_time(NaiveTime::MIN)
            .checked_add_signed(TimeDelta::minutes(i64::from(minutes)))?;
        if let Some(time) = self.zone.from_local_datetime(&local).earliest() {
            return Some(time.timestamp());
        }
        // Inside a gap: the offset that held before it. Gaps last up to a whole day (a zone that
        // crossed the date line), so step back by quarters of an hour for up to two days.
        for quarters in 1..=192i64 {
            let before = local.checked_sub_signed(TimeDelta::minutes(15 * quarters))?;
            if let Some(offset) = self.zone.offset_from_local_datetime(&before).latest() {
                let seconds = i64::from(offset.fix().local_minus_utc());
                return Some(local.and_utc().timestamp() - seconds);
            }
        }
        None
    }

    /// What the windows that open on `day` hold, as (start, end, entry).
    fn opened_on(&self, day: NaiveDate, out: &mut Vec<(i64, i64, usize)>) {
        let whole = Window {
            days: Weekdays::ALL,
            from: WallTime::MIDNIGHT,
            until: WallTime::MIDNIGHT,
            limit: None,
        };
        let entries = if self.windows.is_empty() {
            std::slice::from_ref(&whole)
        } else {
            &self.windows[..]
        };
        for (entry, window) in entries.iter().enumerate() {
            if !window.days.contains(day.weekday()) {
                continue;
            }
            let over = if window.until > window.from { 0 } else { 1 };
            let start = self.instant(day, window.from.minutes());
            let end = day
                .checked_add_days(Days::new(over))
                .and_then(|d| self.instant(d, window.until.minutes()));
            if let (Some(start), Some(end)) = (start, end) {
                if start < end {
                    out.push((start, end, entry));
                }
            }
        }
    }

    /// The openings of one calendar day, from its midnight to the next.
    fn of_day(&self, day: NaiveDate) -> Vec<Opening> {
        let mut open = Vec::new();
        if let Some(yesterday) = day.pred_opt() {
            self.opened_on(yesterday, &mut open);
        }
        self.opened_on(day, &mut open);
        let tomorrow = day.succ_opt();
        let bounds = (self.instant(day, 0), tomorrow.and_then(|d| self.instant(d, 0)));
        let (Some(first), Some(last)) = bounds else {
            return Vec::new();
        };
        let mut borders: Vec<i64> = open.iter().flat_map(|(s, e, _)| [*s, *e]).collect();
        borders.extend([first, last]);
        borders.retain(|b| (first..=last).contains(b));
        borders.sort_unstable();
        borders.dedup();
        let piece = |pair: &[i64]| {
            let &[start, end] = pair else { return None };
            let inside = open.iter().filter(|(s, e, _)| *s <= start && end <= *e);
            let entry = inside.map(|(_, _, entry)| *entry).max()?;
            Some(Opening {
                start: Moment::from_seconds(start),
                end: Moment::from_seconds(end),
                limit: self.windows.get(entry).and_then(|w| w.limit),
            })
        };
        borders.windows(2).filter_map(piece).collect()
    }
}

impl Openings<'_> {
    /// Looks on for three weeks after `day`, the start date and every blackout.
    fn extend_search(&mut self, day: NaiveDate) {
        let blackouts = self.windows.blackouts.iter().map(|b| b.until);
        let base = blackouts.chain(self.windows.starts).fold(day, NaiveDate::max);
        let last = base
            .checked_add_days(Days::new(SEARCH_DAYS))
            .unwrap_or(NaiveDate::MAX);
        self.last_day = self.last_day.max(last);
    }

    /// Takes the openings of the next day into the queue. False where the search ends.
    fn read_day(&mut self) -> bool {
        let Some(day) = self.day.filter(|d| *d <= self.last_day && d.year() <= LAST_YEAR) else {
            return false;
        };
        let skip_to = match (self.windows.starts, self.windows.blackout_end(day)) {
            (Some(starts), _) if day < starts => Some(starts),
            (_, Some(until)) => until.succ_opt(),
            _ => None,
        };
        if let Some(later) = skip_to {
            self.day = Some(later);
            return true;
        }
        let pieces = self.windows.of_day(day);
        if !pieces.is_empty() {
            self.extend_search(day);
        }
        let from = self.from;
        self.queue
            .extend(pieces.into_iter().filter(|p| p.end > from).map(|mut p| {
                p.start = p.start.max(from);
                p
            }));
        self.day = day.succ_opt();
        true
    }

    /// Joins a piece to the one held back, or hands that out.
    fn join(&mut self, piece: Opening) -> Option<Opening> {
        if let Some(held) = &mut self.pending {
            let length = piece.end.seconds.saturating_sub(held.start.seconds);
            if held.end == piece.start && held.limit == piece.limit && length <= LONGEST_PIECE {
                held.end = piece.end;
                return None;
            }
        }
        self.pending.replace(piece)
    }
}

impl Iterator for Openings<'_> {
    type Item = Opening;

    fn next(&mut self) -> Option<Opening> {
        loop {
            if let Some(piece) = self.queue.pop_front() {
                if let Some(done) = self.join(piece) {
                    return Some(done);
                }
                continue;
            }
            if !self.read_day() {
                return self.pending.take();
            }
            // Nothing of the day read touches what is held back: hand it out without looking on.
            let next = self.queue.front().map(|p| p.start);
            if let Some(held) = self.pending {
                let day_start = self.day.and_then(|d| self.windows.instant(d, 0));
                if next.is_none() && day_start.is_some_and(|s| held.end.seconds < s) {
                    return self.pending.take();
                }
            }
        }
    }
}
