//! The clock and the wish to stop, as values that tests can replace.

use crate::moment::Moment;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Tells the time.
pub trait Clock: Send + Sync {
    /// Wall-clock time.
    fn now(&self) -> Moment;
    /// Seconds that never run backwards, from some fixed point.
    fn ticks(&self) -> f64;
    /// Waits, at most this long; ends early when `stop` is set.
    fn wait(&self, span: Duration, stop: &Stop);
}

/// The machine's own clock.
pub struct SystemClock {
    start: Instant,
}

#[expect(clippy::disallowed_methods, reason = "this is the clock that all others ask")]
impl Default for SystemClock {
    fn default() -> Self {
        SystemClock {
            start: Instant::now(),
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the clock that all others ask")]
impl Clock for SystemClock {
    fn now(&self) -> Moment {
        match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(since) => Moment {
                seconds: i64::try_from(since.as_secs()).unwrap_or(i64::MAX),
                nanos: since.subsec_nanos(),
            },
            // A clock before 1970 is not set; zero shows as such.
            Err(_) => Moment::default(),
        }
    }

    fn ticks(&self) -> f64 {
        self.start.elapsed().as_secs_f64()
    }

    fn wait(&self, span: Duration, stop: &Stop) {
        let end = Instant::now() + span;
        while !stop.is_set() {
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            // A tenth of a second is short for a person and long for the machine.
            std::thread::sleep(left.min(Duration::from_millis(100)));
        }
    }
}

/// Set when someone asks us to end; the hands look at it between files and between buffers.
#[derive(Clone, Default)]
pub struct Stop {
    own: Arc<AtomicBool>,
    above: Option<Arc<AtomicBool>>,
}

impl Stop {
    /// Not set.
    pub fn new() -> Stop {
        Stop::default()
    }

    /// One that is set whenever `above` is, and can be set and cleared for itself: a pause.
    pub fn below(above: &Stop) -> Stop {
        Stop {
            own: Arc::default(),
            above: Some(above.flag()),
        }
    }

    /// The flag itself, for a signal handler.
    pub fn flag(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.own)
    }

    /// Asks to end.
    pub fn set(&self) {
        self.own.store(true, Ordering::SeqCst);
    }

    /// Takes its own request back; one from above stands.
    pub fn clear(&self) {
        if self.above.is_some() {
            self.own.store(false, Ordering::SeqCst);
        }
    }

    /// Whether someone has asked.
    pub fn is_set(&self) -> bool {
        self.own.load(Ordering::Relaxed)
            || self
                .above
                .as_ref()
                .is_some_and(|above| above.load(Ordering::Relaxed))
    }

    /// Whether it is more than a pause: asked from above, or there is nothing above.
    pub fn is_final(&self) -> bool {
        self.above.as_ref().unwrap_or(&self.own).load(Ordering::Relaxed)
    }
}
