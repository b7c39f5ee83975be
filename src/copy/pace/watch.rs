//! The one that looks whether the source is busy: a small read by a handle of its own every few
//! seconds, at another place each time, past the cache where the file system lets us.

use super::Pace;
use super::polite::Polite;
use crate::copy::{Ends, OpenFolders};
use crate::names::RelPath;
use crate::world::{Buffer, Fault, OpenHow, Stop};
use std::num::NonZeroU64;
use std::time::Duration;

/// Between two reads.
const EVERY: Duration = Duration::from_secs(3);
/// Reads before the copy from which the idle source is known.
const LEARN: usize = 9;
/// Bytes of one read: a page, so that the read costs others nothing.
const SMALL: u64 = 4096;

/// Known files to read at, in turn, and how many reads there were.
pub(in crate::copy) struct Watch<'a> {
    ends: Ends<'a>,
    pace: &'a Pace,
    places: &'a [RelPath],
    folders: OpenFolders<'a>,
    buffer: Buffer,
    reads: u64,
    polite: Option<Polite>,
}

/// Ends the watch when the copy ends, however it ends.
pub(in crate::copy) struct Done(pub Stop);

impl Drop for Done {
    fn drop(&mut self) {
        self.0.set();
    }
}

impl<'a> Watch<'a> {
    /// Learns what an idle read takes, before the copy begins; `None` where there is nothing to read.
    pub fn begin(ends: Ends<'a>, pace: &'a Pace) -> Option<Watch<'a>> {
        let mut watch = Watch {
            polite: None,
            ends,
            pace,
            places: &pace.places,
            folders: OpenFolders::new(ends.source),
            buffer: Buffer::new(const { NonZeroU64::new(SMALL).unwrap() }),
            reads: 0,
        };
        let reads = (0..LEARN).filter_map(|_| watch.read()).collect();
        watch.polite = Some(Polite::learn(reads)?);
        Some(watch)
    }

    /// Watches until `done`.
    pub fn run(mut self, done: &Stop) {
        let Some(mut polite) = self.polite.take() else {
            return;
        };
        let clock = self.ends.clock;
        let (mut at, mut through) = (clock.ticks(), self.pace.through());
        while !done.is_set() {
            clock.wait(EVERY, done);
            let read = self.read();
            let (now, so_far) = (clock.ticks(), self.pace.through());
            let span = (now - at).max(0.001);
            let achieved = so_far.saturating_sub(through) as f64 / span;
            (at, through) = (now, so_far);
            let cuts = polite.cuts;
            if let Some(read) = read {
                let ceiling = polite.step(read, achieved);
                self.pace.set_ceiling(ceiling, clock);
            }
            self.pace.note(polite.cuts - cuts, span);
        }
        self.pace.set_ceiling(None, clock);
    }

    /// Seconds of one small read. A file that cannot be read gives none: the copy itself meets and
    /// tells that.
    fn read(&mut self) -> Option<f64> {
        if self.places.is_empty() || self.ends.stop.is_set() {
            return None;
        }
        let count = self.places.len() as u64;
        let place = &self.places[usize::try_from(self.reads % count).ok()?];
        self.reads += 1;
        self.timed(place, self.reads).ok()
    }

    fn timed(&mut self, place: &RelPath, turn: u64) -> Result<f64, Fault> {
        let (above, name) = crate::copy::small::split(place)?;
        let file = self.folders.get(&above)?.open(name, OpenHow::FromDisk)?;
        let pages = (file.facts()?.size.0 / SMALL).max(1);
        // A large odd number spreads the turns over the file.
        let at = turn.wrapping_mul(2_654_435_761) % pages * SMALL;
        let began = self.ends.clock.ticks();
        file.read_at(at, self.buffer.bytes_mut())?;
        Ok(self.ends.clock.ticks() - began)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Moment;
    use crate::world::{Clock, OsFs};
    use std::sync::Mutex;

    /// A clock by which each small read takes 10 ms, and 50 ms from the third wait to the sixth;
    /// between two reads a megabyte a second is copied.
    struct Busy<'a> {
        pace: &'a Pace,
        done: Stop,
        /// Ticks, what a read takes, waits so far, and whether it was slowed after each.
        state: Mutex<(f64, f64, usize, Vec<bool>)>,
    }

    impl Clock for Busy<'_> {
        fn now(&self) -> Moment {
            Moment::default()
        }
        fn ticks(&self) -> f64 {
            let mut state = self.state.lock().unwrap();
            state.0 += state.1;
            state.0
        }
        fn wait(&self, span: Duration, _: &Stop) {
            let slowed = self.pace.is_slowed();
            {
                let mut state = self.state.lock().unwrap();
                state.0 += span.as_secs_f64();
                state.2 += 1;
                state.1 = if (3..=6).contains(&state.2) { 0.05 } else { 0.01 };
                state.3.push(slowed);
                if state.2 == 40 {
                    self.done.set();
                }
            }
            // Stopped, so that it is counted and does not wait.
            let stopped = Stop::new();
            stopped.set();
            self.pace.ask(3_000_000, self, &stopped);
        }
    }

    #[test]
    fn slow_reads_bring_a_ceiling_and_calm_ones_lift_it() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("clip"), vec![7; 100_000]).unwrap();
        let fs = OsFs::open(folder.path()).unwrap();
        let place = RelPath::root().join(b"clip").unwrap();
        let pace = Pace::free().yielding(vec![place]);
        let clock = Busy {
            pace: &pace,
            done: Stop::new(),
            state: Mutex::new((0.0, 0.01, 0, Vec::new())),
        };
        let stop = Stop::new();
        let ends = Ends {
            source: &fs,
            target: &fs,
            clock: &clock,
            stop: &stop,
        };
        let watch = Watch::begin(ends, &pace).unwrap();
        watch.run(&clock.done);
        let slowed = pace.take_slowed();
        assert_eq!(slowed.times, 4, "one cut for each slow read");
        // The waits take 3 s each: calm, four cuts, at most 16 steps up, calm.
        let seen = &clock.state.lock().unwrap().3;
        assert_eq!(seen[..3], [false; 3]);
        assert_eq!(seen[3..7], [true; 4]);
        assert_eq!(seen[24..], [false; 16]);
        let under = seen.iter().filter(|slowed| **slowed).count() as f64 * 3.0;
        assert!((slowed.span.secs_f64() - under).abs() < 6.0, "{slowed:?} {under}");
        assert!(!pace.is_slowed());
    }

    #[test]
    fn without_a_file_to_read_nothing_is_watched() {
        let folder = tempfile::tempdir().unwrap();
        let fs = OsFs::open(folder.path()).unwrap();
        let (pace, stop) = (Pace::free(), Stop::new());
        let clock = crate::world::SystemClock::default();
        let ends = Ends {
            source: &fs,
            target: &fs,
            clock: &clock,
            stop: &stop,
        };
        assert!(Watch::begin(ends, &pace).is_none());
    }
}
