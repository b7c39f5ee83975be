//! A token bucket with tickets: pure, handed the time.
//!
//! Bytes are asked for in order and let through in order. Between any two moments no more is let
//! through than the rate allows, plus one second's worth; the piece that overdraws waits for its
//! own tokens first, so a small rate and a large piece cannot starve. The rate may change at any
//! time, for those who wait as well.

use crate::units::Rate;

/// Tokens that may gather while nobody asks, in seconds of the rate.
const BURST: f64 = 1.0;

/// Tokens and who waits for them.
#[derive(Debug, Clone)]
pub(super) struct Bucket {
    rate: Option<Rate>,
    /// Tokens in hand, in bytes; below 0 what is asked for and not yet let through.
    credit: f64,
    /// Bytes asked for since the beginning.
    asked: u64,
    /// The last time it was told.
    at: f64,
}

impl Bucket {
    /// Empty at `at`, in seconds of any clock that never runs backwards. No rate: no limit.
    pub fn new(rate: Option<Rate>, at: f64) -> Bucket {
        Bucket {
            rate,
            credit: 0.0,
            asked: 0,
            at,
        }
    }

    /// The limit from now on.
    pub fn set_rate(&mut self, rate: Option<Rate>, at: f64) {
        self.advance(at);
        if self.rate != rate {
            self.rate = rate;
            // Without a limit nobody waits, and nothing is saved for later.
            self.credit = match rate {
                None => 0.0,
                Some(rate) => self.credit.min(burst(rate)),
            };
        }
    }

    /// Takes a ticket for so many bytes.
    pub fn ask(&mut self, bytes: u64) -> u64 {
        self.asked = self.asked.saturating_add(bytes);
        if self.rate.is_some() {
            self.credit -= bytes as f64;
        }
        self.asked
    }

    /// How long the holder of a ticket waits, in seconds, if the rate stays; 0: go.
    pub fn wait_for(&mut self, ticket: u64, at: f64) -> f64 {
        self.advance(at);
        let Some(rate) = self.rate else { return 0.0 };
        let behind = self.asked.saturating_sub(ticket) as f64;
        let missing = -(self.credit + behind);
        // A thousandth of a byte is rounding, not a debt.
        if missing <= 1e-3 {
            return 0.0;
        }
        missing / bytes_per_second(rate)
    }

    fn advance(&mut self, at: f64) {
        let passed = (at - self.at).max(0.0);
        self.at = self.at.max(at);
        if let Some(rate) = self.rate {
            self.credit = (self.credit + bytes_per_second(rate) * passed).min(burst(rate));
        }
    }
}

/// A rate of nothing would never end; closing is not a rate.
fn bytes_per_second(rate: Rate) -> f64 {
    rate.0.max(1) as f64
}

fn burst(rate: Rate) -> f64 {
    BURST * bytes_per_second(rate)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// What happens next: time passes, somebody asks, or the rate changes.
    #[derive(Debug, Clone)]
    enum Step {
        Pass(f64),
        Ask(u64),
        Rate(u64),
    }

    fn steps() -> impl Strategy<Value = Vec<Step>> {
        let step = prop_oneof![
            (0.0..3.0f64).prop_map(Step::Pass),
            (0..20_000_000u64).prop_map(Step::Ask),
            (1..50_000_000u64).prop_map(Step::Rate),
        ];
        prop::collection::vec(step, 1..120)
    }

    proptest! {
        /// The definition of a token bucket (RFC 2697 section 3: what passes in any time is bounded
        /// by rate times time plus burst), here by adding up areas, whatever the rate does.
        #[test]
        fn never_more_than_rate_times_time_plus_burst(first in 1..50_000_000u64, steps in steps()) {
            let mut bucket = Bucket::new(Some(Rate(first)), 0.0);
            let (mut now, mut rate) = (0.0, first);
            let mut waiting: Vec<(u64, u64)> = Vec::new();
            // (time, bytes let through so far, what the rates would have let through so far)
            let mut history = vec![(0.0, 0u64, 0.0f64)];
            let (mut through, mut area, mut largest_rate) = (0u64, 0.0f64, first);
            for step in steps {
                match step {
                    Step::Pass(seconds) => {
                        now += seconds;
                        area += seconds * rate as f64;
                    }
                    Step::Ask(bytes) => {
                        let ticket = bucket.ask(bytes);
                        waiting.push((ticket, bytes));
                    }
                    Step::Rate(new) => {
                        rate = new;
                        largest_rate = largest_rate.max(new);
                        bucket.set_rate(Some(Rate(new)), now);
                    }
                }
                waiting.retain(|(ticket, bytes)| {
                    let go = bucket.wait_for(*ticket, now) == 0.0;
                    through += if go { *bytes } else { 0 };
                    !go
                });
                history.push((now, through, area));
                for (_, before, area_before) in &history {
                    let moved = (through - before) as f64;
                    // A piece pays while it waits, so the pieces in hand at the beginning of a
                    // stretch may have paid before it: that is the burst of the largest piece.
                    let most = area - area_before + largest_rate as f64 * BURST + 20_000_000.0;
                    prop_assert!(moved <= most + 1.0, "{moved} of {most}");
                }
                // From the beginning, nothing was paid before.
                prop_assert!(through as f64 <= area + 1.0);
            }
            // Nobody starves: after the time that was told, the last in the queue goes.
            if let Some((last, _)) = waiting.last() {
                let wait = bucket.wait_for(*last, now);
                prop_assert!(wait.is_finite());
                prop_assert_eq!(bucket.wait_for(*last, now + wait * 1.000_001 + 1e-6), 0.0);
            }
        }
    }

    #[test]
    fn those_who_wait_go_in_order_and_by_the_new_rate() {
        let mut bucket = Bucket::new(Some(Rate(1_000)), 0.0);
        let (one, two) = (bucket.ask(1_000), bucket.ask(1_000));
        assert_eq!((bucket.wait_for(one, 0.0), bucket.wait_for(two, 0.0)), (1.0, 2.0));
        bucket.set_rate(Some(Rate(4_000)), 0.5);
        assert_eq!(bucket.wait_for(one, 0.5), 0.125);
        bucket.set_rate(None, 0.5);
        assert_eq!((bucket.wait_for(one, 0.5), bucket.wait_for(two, 0.5)), (0.0, 0.0));
    }
}
