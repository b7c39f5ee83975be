//! How many workers may be at small and at large files at once: a gate before each job, and the
//! stopwatch from which [`Streams`] learns whether another stream pays.

use crate::forecast::streams::Streams;
use crate::world::{Clock, Stop};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Shortest stretch that is measured, in seconds: a second or two evens out what the kernel
/// holds back before it writes.
const STRETCH: f64 = 2.0;

/// Fewer jobs than this make no stretch: one slow file would decide.
const LEAST_JOBS: u64 = 8;

/// The two kinds of work: files by their number, blocks of large files by their bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lane {
    Small,
    Large,
}

/// How many streams there may be, of small and of large files.
#[derive(Debug, Clone, PartialEq)]
pub struct StreamLimits {
    /// Files that one worker copies from front to back.
    pub small: Streams,
    /// Blocks of large files.
    pub large: Streams,
}

impl StreamLimits {
    /// The same fixed number of both.
    pub fn fixed(streams: usize) -> StreamLimits {
        StreamLimits {
            small: Streams::fixed(streams),
            large: Streams::fixed(streams),
        }
    }

    /// Workers needed to serve the most of either.
    pub(super) fn workers(&self) -> usize {
        self.small.most().max(self.large.most())
    }
}

struct State {
    streams: Streams,
    active: usize,
    /// Work done and seconds passed while this kind ran alone and at its full number.
    work: f64,
    jobs: u64,
    seconds: f64,
    /// Whether there was any work of this kind.
    used: bool,
}

impl State {
    fn new(streams: &Streams) -> State {
        State {
            streams: streams.clone(),
            active: 0,
            work: 0.0,
            jobs: 0,
            seconds: 0.0,
            used: false,
        }
    }

    fn restart(&mut self) {
        (self.work, self.jobs, self.seconds) = (0.0, 0, 0.0);
    }
}

struct Both {
    small: State,
    large: State,
    seen: f64,
}

impl Both {
    fn pair(&mut self, lane: Lane) -> (&mut State, &mut State) {
        match lane {
            Lane::Small => (&mut self.small, &mut self.large),
            Lane::Large => (&mut self.large, &mut self.small),
        }
    }

    /// Lets the time since the last look pass.
    fn pass(&mut self, now: f64) {
        let span = (now - self.seen).max(0.0);
        self.seen = now;
        for lane in [Lane::Small, Lane::Large] {
            let (mine, other) = self.pair(lane);
            if other.active == 0 && mine.active >= mine.streams.now() {
                mine.seconds += span;
            }
        }
    }
}

/// The gate that all workers share.
pub(super) struct Lanes<'a> {
    both: Mutex<Both>,
    free: Condvar,
    clock: &'a dyn Clock,
    stop: &'a Stop,
}

impl<'a> Lanes<'a> {
    pub(super) fn new(limits: &StreamLimits, clock: &'a dyn Clock, stop: &'a Stop) -> Lanes<'a> {
        Lanes {
            both: Mutex::new(Both {
                small: State::new(&limits.small),
                large: State::new(&limits.large),
                seen: clock.ticks(),
            }),
            free: Condvar::new(),
            clock,
            stop,
        }
    }

    fn lock(&self) -> MutexGuard<'_, Both> {
        self.both.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits for a place; who is asked to stop is let through, to find that out itself.
    pub(super) fn enter(&self, lane: Lane) {
        let mut both = self.lock();
        loop {
            let (mine, _) = both.pair(lane);
            if mine.active < mine.streams.now() || self.stop.is_set() {
                break;
            }
            let waited = self.free.wait_timeout(both, Duration::from_millis(200));
            both = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
        both.pass(self.clock.ticks());
        let (mine, _) = both.pair(lane);
        mine.active += 1;
        mine.used = true;
    }

    /// Gives the place back; `work` is what was done there, in bytes or files.
    pub(super) fn leave(&self, lane: Lane, work: f64) {
        let mut both = self.lock();
        both.pass(self.clock.ticks());
        let (mine, other) = both.pair(lane);
        mine.active = mine.active.saturating_sub(1);
        if other.active == 0 {
            mine.work += work;
            mine.jobs += 1;
        }
        if mine.seconds >= STRETCH && mine.jobs >= LEAST_JOBS {
            let before = mine.streams.now();
            mine.streams.measured(mine.work / mine.seconds);
            mine.restart();
            if mine.streams.now() > before {
                self.free.notify_all();
            }
        }
        drop(both);
        self.free.notify_one();
    }

    /// How many streams of small and of large files there are now, where there were any.
    pub(super) fn now(&self) -> (Option<usize>, Option<usize>) {
        let both = self.lock();
        let of = |state: &State| state.used.then(|| state.streams.now());
        (of(&both.small), of(&both.large))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Moment;
    use std::sync::atomic::{AtomicU64, Ordering};

    /// A clock that is set by hand, in milliseconds.
    struct ByHand(AtomicU64);

    impl Clock for ByHand {
        fn now(&self) -> Moment {
            Moment::default()
        }
        fn ticks(&self) -> f64 {
            self.0.load(Ordering::SeqCst) as f64 / 1e3
        }
        fn wait(&self, _: Duration, _: &Stop) {}
    }

    /// Runs small jobs of `millis` each, at as many places as there are, for some rounds.
    fn rounds(lanes: &Lanes<'_>, clock: &ByHand, rounds: usize, millis: impl Fn(usize) -> u64) {
        for _ in 0..rounds {
            let places = lanes.now().0.unwrap_or(2);
            (0..places).for_each(|_| lanes.enter(Lane::Small));
            clock.0.fetch_add(millis(places), Ordering::SeqCst);
            (0..places).for_each(|_| lanes.leave(Lane::Small, 1.0));
        }
    }

    #[test]
    fn waiting_for_a_network_opens_more_places_and_a_full_link_does_not() {
        let (clock, stop) = (ByHand(AtomicU64::new(0)), Stop::default());
        let limits = StreamLimits {
            small: Streams::finding(2, 8),
            large: Streams::finding(1, 4),
        };
        let lanes = Lanes::new(&limits, &clock, &stop);
        rounds(&lanes, &clock, 4_000, |_| 20);
        assert_eq!(
            lanes.now(),
            (Some(8), None),
            "each round takes as long, however many"
        );
        let lanes = Lanes::new(&limits, &clock, &stop);
        rounds(&lanes, &clock, 2_000, |places| 20 * places as u64);
        assert_eq!(lanes.now(), (Some(1), None), "twice as many take twice as long");
    }

    #[test]
    fn no_more_than_the_number_are_inside() {
        let clock = crate::world::SystemClock::default();
        let stop = Stop::default();
        let lanes = Lanes::new(&StreamLimits::fixed(2), &clock, &stop);
        let (inside, most) = (AtomicU64::new(0), AtomicU64::new(0));
        std::thread::scope(|scope| {
            for _ in 0..6 {
                scope.spawn(|| {
                    for _ in 0..200 {
                        lanes.enter(Lane::Large);
                        most.fetch_max(inside.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                        std::thread::yield_now();
                        inside.fetch_sub(1, Ordering::SeqCst);
                        lanes.leave(Lane::Large, 1.0);
                    }
                });
            }
        });
        assert!(most.load(Ordering::SeqCst) <= 2);
        assert_eq!(lanes.now(), (None, Some(2)));
    }
}
