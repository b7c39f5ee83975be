//! How fast a copy may go: the limit of the window that is open, the end of that window, and a
//! ceiling while the source is busy. Shared by all workers; each asks before it reads a piece.

mod bucket;
mod polite;
mod watch;

use crate::forecast::windows::Windows;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::{Rate, Span};
use crate::world::{Clock, Stop};
use bucket::Bucket;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

pub(super) use watch::{Done, Watch};

/// Longest wait without another look at the rate: a border of a window, a busy source.
const LOOK_AGAIN: f64 = 0.1;

/// The pace of one copy.
#[derive(Debug)]
pub struct Pace {
    hours: Option<Windows>,
    /// Files at the source that are read a little, to see whether it is busy; none: not watched.
    places: Vec<RelPath>,
    state: Mutex<State>,
}

/// How often and how long a copy was slowed down for others.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Slowed {
    /// Times that the rate was cut.
    pub times: u64,
    /// Time under a ceiling.
    pub span: Span,
}

#[derive(Debug)]
struct State {
    bucket: Bucket,
    /// What the open window lets through; the one before where none is open.
    limit: Option<Rate>,
    /// What a busy source is left with.
    ceiling: Option<Rate>,
    open: bool,
    /// When to look at the calendar again; `None`: nothing ever changes.
    border: Option<Moment>,
    read: bool,
    /// Bytes let through, and since when, for the rate of this run.
    through: u64,
    began: Option<f64>,
    slowed: Slowed,
    /// Seconds that workers have waited, all of them together.
    waited: f64,
}

impl Default for Pace {
    fn default() -> Pace {
        Pace::new(None)
    }
}

impl Pace {
    /// As fast as it goes, at any time.
    pub fn free() -> Pace {
        Pace::new(None)
    }

    /// Inside these hours, at their limits.
    pub fn within(hours: Windows) -> Pace {
        Pace::new(Some(hours))
    }

    fn new(hours: Option<Windows>) -> Pace {
        let state = State {
            bucket: Bucket::new(None, 0.0),
            limit: None,
            ceiling: None,
            open: true,
            border: None,
            read: false,
            through: 0,
            began: None,
            slowed: Slowed::default(),
            waited: 0.0,
        };
        Pace {
            hours,
            places: Vec::new(),
            state: Mutex::new(state),
        }
    }

    /// Slows down while the source is busy, seen by small reads of these files.
    pub fn yielding(mut self, places: Vec<RelPath>) -> Pace {
        self.places = places;
        self
    }

    /// Whether it goes slower now than it could, for others.
    pub(super) fn is_slowed(&self) -> bool {
        self.lock().ceiling.is_some()
    }

    /// What came of watching since the last time this was asked.
    pub(super) fn take_slowed(&self) -> Slowed {
        std::mem::take(&mut self.lock().slowed)
    }

    /// How long workers have waited for leave, all of them together, since the last time this was
    /// asked.
    pub(super) fn take_waited(&self) -> Span {
        Span::from_secs_f64(std::mem::take(&mut self.lock().waited))
    }

    /// How long they have waited so far, without beginning anew.
    pub(super) fn waited(&self) -> Span {
        Span::from_secs_f64(self.lock().waited)
    }

    fn note(&self, cuts: u64, seconds: f64) {
        let mut state = self.lock();
        state.slowed.times += cuts;
        if state.ceiling.is_some() {
            state.slowed.span = state.slowed.span.plus(Span::from_secs_f64(seconds));
        }
    }

    /// Whether the hours are over: nothing new is begun. What has begun goes on at the last limit.
    pub fn is_shut(&self, clock: &dyn Clock) -> bool {
        !self.state(clock).open
    }

    /// Waits until so many bytes may be read, or `stop` is set.
    pub(super) fn ask(&self, bytes: u64, clock: &dyn Clock, stop: &Stop) {
        let ticket = {
            let mut state = self.state(clock);
            state.began.get_or_insert(clock.ticks());
            state.through += bytes;
            state.bucket.ask(bytes)
        };
        while !stop.is_set() {
            let wait = self.state(clock).bucket.wait_for(ticket, clock.ticks());
            if wait <= 0.0 {
                return;
            }
            let began = clock.ticks();
            clock.wait(Duration::from_secs_f64(wait.min(LOOK_AGAIN)), stop);
            self.lock().waited += clock.ticks() - began;
        }
    }

    /// Bytes that this run can bring through before the hours are over; `None`: they are not known
    /// to end.
    pub(super) fn left(&self, clock: &dyn Clock) -> Option<u64> {
        let state = self.state(clock);
        let seconds = state.border?.seconds_since(clock.now()).max(0.0);
        let run = clock.ticks() - state.began.unwrap_or_default();
        let limit = state.bound().map(|rate| rate.0 as f64);
        let rate = match state.began {
            Some(_) if run >= 1.0 => (state.through as f64 / run).min(limit.unwrap_or(f64::MAX)),
            _ => limit?,
        };
        Some((seconds * rate) as u64)
    }

    /// The ceiling of a busy source, or none.
    pub(super) fn set_ceiling(&self, ceiling: Option<Rate>, clock: &dyn Clock) {
        let mut state = self.state(clock);
        state.ceiling = ceiling;
        state.apply(clock.ticks());
    }

    /// Bytes let through so far.
    pub(super) fn through(&self) -> u64 {
        self.lock().through
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The state as the calendar has it now.
    fn state(&self, clock: &dyn Clock) -> MutexGuard<'_, State> {
        let mut state = self.lock();
        let Some(hours) = &self.hours else { return state };
        let now = clock.now();
        if state.read && state.border.is_none_or(|border| now < border) {
            return state;
        }
        state.read = true;
        state.border = hours.next_border(now);
        match hours.limit_at(now) {
            Some(limit) => (state.open, state.limit) = (true, limit),
            None => state.open = false,
        }
        state.apply(clock.ticks());
        state
    }
}

impl State {
    fn bound(&self) -> Option<Rate> {
        let both = self.limit.into_iter().chain(self.ceiling);
        both.min()
    }

    fn apply(&mut self, ticks: f64) {
        let bound = self.bound();
        self.bucket.set_rate(bound, ticks);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::windows::parse_windows;
    use std::sync::atomic::{AtomicU64, Ordering};

    /// A clock that is moved by waiting.
    struct Hand {
        start: Moment,
        millis: AtomicU64,
    }

    impl Hand {
        fn at(text: &str) -> Hand {
            let start = Moment::parse_rfc3339(text).unwrap();
            let millis = AtomicU64::new(0);
            Hand { start, millis }
        }
    }

    impl Clock for Hand {
        fn now(&self) -> Moment {
            let millis = self.millis.load(Ordering::SeqCst);
            let nanos = self.start.nanos + (millis % 1000) as u32 * 1_000_000;
            Moment {
                nanos,
                ..self.start.plus_seconds((millis / 1000) as i64)
            }
        }
        fn ticks(&self) -> f64 {
            self.millis.load(Ordering::SeqCst) as f64 / 1000.0
        }
        fn wait(&self, span: Duration, _: &Stop) {
            let millis = span.as_millis().max(1) as u64;
            self.millis.fetch_add(millis, Ordering::SeqCst);
        }
    }

    fn hours(spec: &str) -> Windows {
        let mut windows = Windows::always(chrono_tz::Europe::Berlin);
        windows.windows = parse_windows(spec).unwrap();
        windows
    }

    #[test]
    fn the_limit_of_the_window_holds_and_changes_at_its_border_without_a_restart() {
        // Two windows that touch: 1 MB/s until 20:00, 4 MB/s from then on.
        let pace = Pace::within(hours("mon-sun 19:00-20:00 1 MB/s; mon-sun 20:00-21:00 4 MB/s"));
        let (clock, stop) = (Hand::at("2027-03-01T19:59:50+01:00"), Stop::new());
        for _ in 0..10 {
            pace.ask(1_000_000, &clock, &stop);
        }
        assert!((9.9..=11.1).contains(&clock.ticks()), "{}", clock.ticks());
        let before = clock.ticks();
        for _ in 0..40 {
            pace.ask(1_000_000, &clock, &stop);
        }
        assert!((9.0..=10.2).contains(&(clock.ticks() - before)));
        assert!(!pace.is_shut(&clock));
        clock.wait(Duration::from_secs(3_600), &stop);
        assert!(pace.is_shut(&clock));
        // What had begun is brought to its end, at the limit it had.
        let before = clock.ticks();
        pace.ask(8_000_000, &clock, &stop);
        assert!((0.9..=2.1).contains(&(clock.ticks() - before)));
    }

    #[test]
    fn what_is_left_of_a_window_is_told_in_bytes() {
        let pace = Pace::within(hours("mon-sun 19:00-20:00 1 MB/s"));
        let clock = Hand::at("2027-03-01T19:59:00+01:00");
        assert_eq!(pace.left(&clock), Some(60_000_000));
        assert_eq!(Pace::free().left(&clock), None);
    }

    #[test]
    fn a_ceiling_comes_and_goes_and_a_stop_ends_the_wait() {
        let (pace, clock, stop) = (Pace::free(), Hand::at("2027-03-01T12:00:00+01:00"), Stop::new());
        pace.ask(1 << 40, &clock, &stop);
        assert_eq!(clock.ticks(), 0.0, "no limit, no wait");
        pace.set_ceiling(Some(Rate(1_000_000)), &clock);
        pace.ask(2_000_000, &clock, &stop);
        assert!((1.9..=2.1).contains(&clock.ticks()));
        pace.set_ceiling(None, &clock);
        pace.ask(1 << 40, &clock, &stop);
        assert!(clock.ticks() <= 2.1);
        pace.set_ceiling(Some(Rate(1)), &clock);
        stop.set();
        pace.ask(1 << 40, &clock, &stop);
        assert!(clock.ticks() <= 2.1);
        assert_eq!(pace.through(), (3 << 40) + 2_000_000);
    }
}
