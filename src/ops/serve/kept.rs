//! What was made last is shown for a while, so that many who look cost no more than one.

use crate::trouble::Trouble;
use crate::world::Clock;
use std::sync::{Mutex, PoisonError};

/// Seconds that a picture is shown at least.
const FRESH: f64 = 5.0;
/// A picture is shown this many times as long as it took to make, so that serving never takes more
/// than about a twentieth of one processor from the work.
const TIMES: f64 = 20.0;
/// Seconds that a picture is shown at most.
const STALE: f64 = 600.0;
/// Seconds for which it is said that there is none.
const FAILED: f64 = 2.0;

/// The last picture of one kind, or why there is none, with the time until which it counts.
pub(super) struct Kept<T>(Mutex<Option<(f64, Result<T, Trouble>)>>);

impl<T> Default for Kept<T> {
    fn default() -> Self {
        Kept(Mutex::default())
    }
}

impl<T: Clone> Kept<T> {
    /// What is kept, or a new one where that is too old. Whoever comes while it is made waits for it.
    pub(super) fn fresh(
        &self,
        clock: &dyn Clock,
        make: impl FnOnce() -> Result<T, Trouble>,
    ) -> Result<T, Trouble> {
        // A maker that panicked has left what was there before.
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let start = clock.ticks();
        if let Some((_, made)) = kept.as_ref().filter(|(until, _)| start < *until) {
            return made.clone();
        }
        let made = make();
        let now = clock.ticks();
        let hold = match &made {
            Ok(_) => ((now - start) * TIMES).clamp(FRESH, STALE),
            Err(_) => FAILED,
        };
        *kept = Some((now + hold, made.clone()));
        made
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Moment;
    use crate::world::Stop;
    use std::sync::atomic::{AtomicU64, Ordering};
    use std::time::Duration;

    /// A clock that stands until it is moved, in thousandths of a second.
    #[derive(Default)]
    struct Hands(AtomicU64);

    impl Hands {
        fn pass(&self, milliseconds: u64) {
            self.0.fetch_add(milliseconds, Ordering::SeqCst);
        }
    }

    impl Clock for Hands {
        fn now(&self) -> Moment {
            Moment::default()
        }
        fn ticks(&self) -> f64 {
            self.0.load(Ordering::SeqCst) as f64 / 1000.0
        }
        fn wait(&self, _: Duration, _: &Stop) {}
    }

    /// Makes `next`, taking so long; answers what is shown.
    fn shown(kept: &Kept<u32>, clock: &Hands, next: u32, takes: u64) -> u32 {
        let make = || {
            clock.pass(takes);
            Ok(next)
        };
        kept.fresh(clock, make).unwrap()
    }

    #[test]
    fn a_picture_is_shown_in_proportion_to_what_it_cost() {
        for (takes, held) in [
            (0, 5_000),
            (100, 5_000),
            (1_000, 20_000),
            (10_000, 200_000),
            (90_000, 600_000),
        ] {
            let (kept, clock) = (Kept::default(), Hands::default());
            assert_eq!(shown(&kept, &clock, 1, takes), 1);
            clock.pass(held - 1);
            assert_eq!(shown(&kept, &clock, 2, 0), 1);
            clock.pass(1);
            assert_eq!(shown(&kept, &clock, 3, 0), 3);
        }
    }

    #[test]
    fn a_failure_is_not_shown_for_long_and_a_panic_leaves_what_was() {
        let (kept, clock) = (Kept::default(), Hands::default());
        let fails = || Err(Trouble::stopped("away", "it is away"));
        assert_eq!(kept.fresh(&clock, fails).unwrap_err().code, "away");
        clock.pass(1_999);
        assert!(kept.fresh(&clock, || Ok(1)).is_err());
        clock.pass(1);
        assert_eq!(shown(&kept, &clock, 2, 0), 2);
        clock.pass(10_000);
        let broken = std::panic::AssertUnwindSafe(|| kept.fresh(&clock, || panic!("on purpose")));
        assert!(std::panic::catch_unwind(broken).is_err());
        assert_eq!(shown(&kept, &clock, 3, 0), 3);
    }

    #[test]
    fn those_who_come_while_it_is_made_wait_for_the_same_one() {
        let (kept, clock) = (Kept::default(), Hands::default());
        let made = AtomicU64::new(0);
        std::thread::scope(|threads| {
            for _ in 0..10 {
                threads.spawn(|| {
                    let make = || Ok(made.fetch_add(1, Ordering::SeqCst));
                    assert_eq!(kept.fresh(&clock, make), Ok(0));
                });
            }
        });
        assert_eq!(made.into_inner(), 1);
    }
}
