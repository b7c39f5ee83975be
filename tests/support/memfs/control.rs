//! What fails when: one counter over all calls of both ends, a plan, a log, and the clock.

use poolward::moment::Moment;
use poolward::world::{Clock, Fault, FaultKind, Res, Stop};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Plan {
    Nothing,
    /// Call number `at` fails, the ones after it work.
    Once {
        at: u64,
        kind: FaultKind,
    },
    /// Call number `at` and all after it fail.
    From {
        at: u64,
        kind: FaultKind,
    },
    /// The machine is gone at call number `at`.
    Crash {
        at: u64,
    },
}

/// One call.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Call {
    pub end: &'static str,
    pub doing: &'static str,
    pub name: Vec<u8>,
    pub at: u64,
    pub length: u64,
}

type Hook = Arc<dyn Fn(u64, &Call) -> Option<FaultKind> + Send + Sync>;

#[derive(Default)]
struct Inner {
    count: u64,
    crashed: bool,
    log: Vec<Call>,
    violations: Vec<String>,
}

/// Shared by both ends of a test.
pub struct Control {
    plan: Mutex<Plan>,
    inner: Mutex<Inner>,
    hook: Mutex<Option<Hook>>,
    pub clock: Arc<MemClock>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Control {
    pub fn new(clock: Arc<MemClock>) -> Arc<Control> {
        Arc::new(Control {
            plan: Mutex::new(Plan::Nothing),
            inner: Mutex::default(),
            hook: Mutex::new(None),
            clock,
        })
    }

    /// Starts counting anew under a plan.
    pub fn plan(&self, plan: Plan) {
        *lock(&self.plan) = plan;
        let mut inner = lock(&self.inner);
        (inner.count, inner.crashed) = (0, false);
        inner.log.clear();
    }

    /// Is asked before each call, with its number, and may make it fail or change the world.
    pub fn hook(&self, hook: impl Fn(u64, &Call) -> Option<FaultKind> + Send + Sync + 'static) {
        *lock(&self.hook) = Some(Arc::new(hook));
    }

    pub fn unhook(&self) {
        *lock(&self.hook) = None;
    }

    /// The machine is gone from now on.
    pub fn crash(&self) {
        lock(&self.inner).crashed = true;
    }

    pub fn count(&self) -> u64 {
        lock(&self.inner).count
    }

    pub fn crashed(&self) -> bool {
        lock(&self.inner).crashed
    }

    pub fn log(&self) -> Vec<Call> {
        lock(&self.inner).log.clone()
    }

    pub fn violation(&self, text: String) {
        lock(&self.inner).violations.push(text);
    }

    pub fn violations(&self) -> Vec<String> {
        lock(&self.inner).violations.clone()
    }

    /// Counts one call and says whether it fails.
    pub fn step(&self, call: Call) -> Res<()> {
        let number = {
            let mut inner = lock(&self.inner);
            inner.count += 1;
            inner.log.push(call.clone());
            inner.count
        };
        let hook = lock(&self.hook).clone();
        let hooked = hook.and_then(|hook| hook(number, &call));
        let planned = match *lock(&self.plan) {
            Plan::Once { at, kind } if number == at => Some(kind),
            Plan::From { at, kind } if number >= at => Some(kind),
            Plan::Crash { at } if number >= at => Some(FaultKind::Crash),
            _ => None,
        };
        let mut inner = lock(&self.inner);
        let kind = match planned.or(hooked) {
            _ if inner.crashed => FaultKind::Crash,
            Some(kind) => kind,
            None => return Ok(()),
        };
        inner.crashed |= kind == FaultKind::Crash;
        Err(Fault::ours(
            call.doing,
            &call.name,
            kind,
            format!("planned for call {number}"),
        ))
    }
}

/// A clock that passes a microsecond a look and waits in no time.
pub struct MemClock(AtomicU64);

impl MemClock {
    pub fn new() -> Arc<MemClock> {
        Arc::new(MemClock(AtomicU64::new(0)))
    }

    pub fn waited(&self) -> Duration {
        Duration::from_nanos(self.0.load(Ordering::SeqCst))
    }

    pub fn tick(&self) -> Moment {
        let nanos = self.0.fetch_add(1_007, Ordering::SeqCst);
        Moment {
            seconds: 1_800_000_000 + (nanos / 1_000_000_000) as i64,
            nanos: (nanos % 1_000_000_000) as u32,
        }
    }
}

impl Clock for MemClock {
    fn now(&self) -> Moment {
        self.tick()
    }

    fn ticks(&self) -> f64 {
        self.tick().seconds_since(Moment::default())
    }

    fn wait(&self, span: Duration, _stop: &Stop) {
        self.0.fetch_add(span.as_nanos() as u64, Ordering::SeqCst);
    }
}
