//! How much a busy source is left with: pure, handed what was measured.
//!
//! A congestion controller of the kind that adds while all is well and multiplies down when it is
//! not (D.-M. Chiu and R. Jain, "Analysis of the Increase and Decrease Algorithms for Congestion
//! Avoidance in Computer Networks", 1989; RFC 5681 section 3.1 halves the same way). The sign of
//! congestion is delay, as in RFC 6817: others wait for the same disks as the probe does.

use crate::units::Rate;

/// A read that takes this many times as long as on the idle source says that it is busy.
const BUSY: f64 = 3.0;
/// What is left of the rate after each such read.
const CUT: f64 = 0.5;
/// Calm reads from nothing to the highest rate seen.
const STEPS: f64 = 16.0;
/// The part of the highest rate that is always left: the move must end some day.
const LEAST: f64 = 1.0 / 64.0;
/// Idle reads faster than this, in seconds, come from a cache or a solid disk, where three times
/// nothing is still nothing (common practice, no source).
const SHORTEST: f64 = 0.002;

/// The controller.
#[derive(Debug, Clone)]
pub(super) struct Polite {
    /// Seconds of a small read on the idle source.
    idle: f64,
    /// The highest rate seen, in bytes a second.
    peak: f64,
    ceiling: Option<f64>,
    /// How often it was cut.
    pub cuts: u64,
}

impl Polite {
    /// From small reads before any copying, in seconds; `None` without any.
    pub fn learn(mut reads: Vec<f64>) -> Option<Polite> {
        reads.sort_by(f64::total_cmp);
        let median = *reads.get(reads.len() / 2)?;
        Some(Polite {
            idle: median.max(SHORTEST),
            peak: 0.0,
            ceiling: None,
            cuts: 0,
        })
    }

    /// Takes in one small read, in seconds, and the rate of the copy since the one before, in bytes
    /// a second. Answers the ceiling from now on; `None`: none.
    pub fn step(&mut self, read: f64, achieved: f64) -> Option<Rate> {
        self.peak = self.peak.max(achieved);
        // Before anything was copied there is nothing to slow down.
        if self.peak <= 0.0 {
            return None;
        }
        let least = (self.peak * LEAST).max(1.0);
        if read > BUSY * self.idle {
            // What was used, not what was allowed: a ceiling far above the rate would not be felt.
            let now = self.ceiling.unwrap_or(self.peak).min(achieved.max(least));
            self.ceiling = Some((now * CUT).max(least));
            self.cuts += 1;
        } else if let Some(ceiling) = self.ceiling {
            let next = ceiling + self.peak / STEPS;
            self.ceiling = (next < self.peak).then_some(next);
        }
        self.ceiling.map(|ceiling| Rate(ceiling as u64))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn on_idle(seconds: f64) -> Polite {
        Polite::learn(vec![seconds; 9]).unwrap()
    }

    /// A queue of one server: the time in it grows as 1 / (1 - load) (M/M/1; Kleinrock, Queueing
    /// Systems I, 1975, section 3.2, from memory).
    fn read_time(idle: f64, load: f64) -> f64 {
        idle / (1.0 - load.min(0.99))
    }

    #[test]
    fn it_finds_what_others_leave_and_takes_it_back_when_they_go() {
        let (idle, capacity) = (0.010, 200e6);
        let mut polite = on_idle(idle);
        let (mut rate, mut used) = (150e6, Vec::new());
        for step in 0..400 {
            let others = if step < 300 { 80e6 } else { 0.0 };
            let read = read_time(idle, (rate + others) / capacity);
            let ceiling = polite.step(read, rate);
            rate = ceiling.map_or(150e6, |c| c.0 as f64).min(150e6);
            used.push(rate);
        }
        // Three times idle is a load of two thirds: 133 MB/s in all, of which others take 80. A
        // saw between half of that and a step above it has three quarters as its mean.
        let mean = used[100..300].iter().sum::<f64>() / 200.0;
        let fair = capacity * 2.0 / 3.0 - 80e6;
        assert!((0.6 * fair..=1.05 * fair).contains(&mean), "{mean} of {fair}");
        assert!(used[100..300].iter().all(|r| *r <= fair + 150e6 / STEPS + 1.0));
        let mean = used[350..].iter().sum::<f64>() / 50.0;
        assert!(mean > 80e6, "alone again: {mean}");
    }

    #[test]
    fn two_copies_of_one_source_come_to_equal_shares() {
        // The point of Chiu and Jain: the cut shrinks the distance, the addition keeps it.
        let idle = 0.010;
        let (mut one, mut two) = (on_idle(idle), on_idle(idle));
        let mut rates = (190e6, 10e6);
        one.peak = 200e6;
        two.peak = 200e6;
        two.ceiling = Some(10e6);
        for _ in 0..200 {
            let read = read_time(idle, (rates.0 + rates.1) / 200e6);
            let next = |polite: &mut Polite, rate: f64| {
                polite.step(read, rate).map_or(200e6, |ceiling| ceiling.0 as f64)
            };
            rates = (next(&mut one, rates.0), next(&mut two, rates.1));
        }
        let distance = (rates.0 - rates.1).abs() / (rates.0 + rates.1);
        assert!(distance < 0.05, "{rates:?}");
    }

    #[test]
    fn a_fast_source_is_not_busy_by_noise() {
        let mut polite = on_idle(0.000_05);
        assert_eq!(polite.step(0.000_9, 1e9), None);
        assert_eq!(polite.cuts, 0);
        assert!(Polite::learn(Vec::new()).is_none());
    }

    proptest! {
        #[test]
        fn it_stays_within_its_bounds_and_always_recovers(
            seen in prop::collection::vec((0.0..1.0f64, 0.0..1e9f64), 1..200),
        ) {
            let mut polite = on_idle(0.010);
            let mut peak = 0.0f64;
            for (read, achieved) in seen {
                let before = polite.ceiling;
                peak = peak.max(achieved);
                let after = polite.step(read, achieved).map(|rate| rate.0 as f64);
                if let Some(after) = after {
                    prop_assert!(after <= peak && after + 1.0 >= peak / 64.0);
                }
                if read > 0.030 && peak > 0.0 {
                    let most = before.unwrap_or(peak) * 0.5;
                    prop_assert!(after.unwrap() <= most.max(peak / 64.0) + 1.0, "a cut halves");
                } else if let (Some(before), Some(after)) = (before, after) {
                    prop_assert!(after + 1.0 >= before, "calm never lowers");
                }
            }
            for _ in 0..17 {
                polite.step(0.010, 0.0);
            }
            prop_assert_eq!(polite.step(0.010, 0.0), None);
        }
    }
}
