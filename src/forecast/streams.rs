//! How many streams to run at once: one more only while it pays.
//!
//! Disks that spin lose by reading in parallel, networks and flash gain (hazard P3), and nobody
//! can know which it is before trying. So each number is measured for a stretch and compared with
//! its neighbours: a stream more than another number must bring more than [`GAIN`] of the total
//! rate, or it is not worth its seeks.

/// A further stream must raise the total rate by this factor to stay.
pub const GAIN: f64 = 1.10;

/// Stretches after which the neighbours are tried again: the day's work at the source, its cache
/// and the files change.
const AGAIN: u32 = 120;

/// What is being found out.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Phase {
    /// The rate of the present number.
    Here,
    /// Whether one more than before pays; the rate of before.
    More(f64),
    /// Whether one fewer is as good; the rate of before.
    Fewer(f64),
    /// Nothing, for so many stretches more.
    Settled(u32),
}

/// The number of streams of one kind of work.
#[derive(Debug, Clone, PartialEq)]
pub struct Streams {
    now: usize,
    most: usize,
    phase: Phase,
    fixed: bool,
}

impl Streams {
    /// Always this many, at least 1.
    pub fn fixed(streams: usize) -> Streams {
        Streams {
            now: streams.max(1),
            most: streams.max(1),
            phase: Phase::Settled(0),
            fixed: true,
        }
    }

    /// Begins with `first` and finds a better number up to `most`; both at least 1.
    pub fn finding(first: usize, most: usize) -> Streams {
        let most = most.max(1);
        if most == 1 {
            return Streams::fixed(1);
        }
        Streams {
            now: first.clamp(1, most),
            most,
            phase: Phase::Here,
            fixed: false,
        }
    }

    /// How many now.
    pub fn now(&self) -> usize {
        self.now
    }

    /// How many there can ever be.
    pub fn most(&self) -> usize {
        self.most
    }

    /// Whether the number was found by measuring, and no neighbour is on trial.
    pub fn is_settled(&self) -> bool {
        matches!(self.phase, Phase::Settled(_))
    }

    /// Takes the total rate of one stretch at the present number (work a second, any unit) and
    /// sets the number for the next. Rates that are no positive number teach nothing.
    pub fn measured(&mut self, rate: f64) {
        if self.fixed || !rate.is_finite() || rate <= 0.0 {
            return;
        }
        match self.phase {
            Phase::Here if self.now < self.most => self.try_more(rate),
            Phase::Here => self.try_fewer(rate),
            Phase::More(before) if rate > before * GAIN && self.now < self.most => self.try_more(rate),
            Phase::More(before) if rate > before * GAIN => self.phase = Phase::Settled(AGAIN),
            Phase::More(before) => {
                self.now -= 1;
                self.try_fewer(before);
            }
            Phase::Fewer(before) if before > rate * GAIN => {
                self.now += 1;
                self.phase = Phase::Settled(AGAIN);
            }
            Phase::Fewer(_) => self.try_fewer(rate),
            Phase::Settled(0) => self.phase = Phase::Here,
            Phase::Settled(left) => self.phase = Phase::Settled(left - 1),
        }
    }

    fn try_more(&mut self, rate: f64) {
        self.now += 1;
        self.phase = Phase::More(rate);
    }

    fn try_fewer(&mut self, rate: f64) {
        if self.now == 1 {
            self.phase = Phase::Settled(AGAIN);
        } else {
            self.now -= 1;
            self.phase = Phase::Fewer(rate);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Runs until the number is settled; the rates are by number, from 1 on.
    fn settle(rates: &[f64], first: usize) -> usize {
        let mut streams = Streams::finding(first, rates.len());
        for _ in 0..4 * rates.len() {
            if streams.is_settled() {
                break;
            }
            streams.measured(rates[streams.now() - 1]);
        }
        assert!(streams.is_settled(), "it ends");
        streams.now()
    }

    proptest! {
        /// Oracle of another shape: the answers allowed are read off the whole table of rates,
        /// which the controller never sees. No neighbour above pays, and the last stream does.
        #[test]
        fn a_settled_number_pays_and_the_next_does_not(
            gains in proptest::collection::vec(0.5f64..2.0, 1..12), first in 1usize..12)
        {
            let rates: Vec<f64> = gains.iter().scan(100.0, |rate, gain| { *rate *= gain; Some(*rate) }).collect();
            let first = first.min(rates.len());
            let pays: Vec<bool> = (0..rates.len()).map(|at| at == 0 || rates[at] > rates[at - 1] * GAIN).collect();
            let found = settle(&rates, first);
            prop_assert!(pays[found - 1], "the last stream pays: {found} of {rates:?}");
            // Going up it stops before the first that does not pay; below that it went down.
            let next_pays = pays.get(found).copied().unwrap_or(false);
            prop_assert!(!next_pays || found < first, "{found} of {rates:?} from {first}");
        }

        #[test]
        fn any_rates_keep_it_between_one_and_the_most(
            rates in proptest::collection::vec(prop_oneof![Just(f64::NAN), Just(0.0), -1.0f64..1e12], 0..400),
            first in 0usize..20, most in 0usize..20)
        {
            let mut streams = Streams::finding(first, most);
            for rate in rates {
                streams.measured(rate);
                prop_assert!((1..=most.max(1)).contains(&streams.now()));
            }
        }
    }

    #[test]
    fn a_spinning_disk_gets_one_and_a_slow_network_all() {
        // Hazard P3: in parallel one disk fell to a fortieth; flash gained 2.5 times with 8.
        assert_eq!(settle(&[20.0, 3.0, 1.0, 0.5], 2), 1);
        assert_eq!(settle(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0], 4), 8);
        // A full link: more streams share it and gain nothing.
        assert_eq!(settle(&[117.0; 8], 4), 1);
    }

    #[test]
    fn what_the_user_fixed_stays() {
        let mut streams = Streams::fixed(3);
        [1.0, 100.0, 1.0]
            .into_iter()
            .for_each(|rate| streams.measured(rate));
        assert_eq!((streams.now(), streams.most()), (3, 3));
    }
}
