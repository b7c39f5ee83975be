//! Several pools filled batch by batch, disks that free up on the way, and volume limits at the
//! source.
//!
//! Steps are counted, not timed: what is free depends on which batches are done, never on when.

use crate::names::BatchName;
use crate::pool::space::FillLimit;
use crate::trouble::Trouble;
use crate::units::Bytes;

/// Usable space that a pool has, at once or after a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Room {
    /// The batch whose end frees the disks; `None`: there from the start.
    pub after: Option<BatchName>,
    /// Usable space, as on an empty pool.
    pub usable: Bytes,
}

/// A pool and all the space it will ever have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PoolRoom {
    /// The name of the destination.
    pub name: String,
    /// How full it may get.
    pub fill_limit: FillLimit,
    /// Space to be left free in any case.
    pub reserve: Bytes,
    /// In use before the first batch.
    pub used: Bytes,
    /// Its space, part by part.
    pub rooms: Vec<Room>,
}

/// One batch on its way to one pool, in the order of the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// The batch.
    pub batch: BatchName,
    /// The destination's name.
    pub pool: String,
    /// Space it takes there, as `zfs list` counts it.
    pub needed: Bytes,
    /// What it would take on other pools, by their names; on one not named, as much as here.
    pub elsewhere: Vec<(String, Bytes)>,
    /// It has begun: it keeps its place and its turn.
    pub begun: bool,
}

/// How full a pool is at the end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PoolEnd {
    /// The destination's name.
    pub name: String,
    /// In use.
    pub used: Bytes,
    /// The limit that holds then.
    pub limit: Bytes,
    /// Usable then, as on an empty pool.
    pub usable: Bytes,
    /// The most by which it passes its limit on the way.
    pub over: Bytes,
}

/// The batch that first breaks a limit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Breach {
    /// The batch.
    pub batch: BatchName,
    /// Its place among the steps.
    pub at: usize,
    /// The pool.
    pub pool: String,
    /// Space missing there at that step.
    pub missing: Bytes,
    /// The least change that helps.
    pub change: Change,
}

/// What would make a breaking batch fit, the lightest first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Change {
    /// Carry it out after this batch, which frees the disks it waits for.
    After(BatchName),
    /// Send this batch, the smallest that makes enough room, to another pool that holds it.
    Elsewhere {
        /// The batch to send.
        batch: BatchName,
        /// Where to.
        pool: String,
    },
    /// Raise the fill limit to so many percent, at most 95.
    RaiseLimit(u8),
    /// Give the pool so much more usable space.
    MoreSpace(Bytes),
    /// The destination is none of the pools: name one of them.
    KnownPool,
}

/// Up to this a limit is raised before more space is asked for: the vendor's figure for data that
/// is written once (Oracle ZFS blog, 2016-08-12).
const RAISE_TO: u8 = 95;

impl PoolRoom {
    /// A pool that is there from the start.
    pub fn now(name: impl Into<String>, usable: Bytes, fill_limit: FillLimit) -> PoolRoom {
        PoolRoom {
            name: name.into(),
            fill_limit,
            reserve: Bytes::ZERO,
            used: Bytes::ZERO,
            rooms: vec![Room { after: None, usable }],
        }
    }

    /// Usable space that is there from the start, or that this batch frees.
    fn room(&self, after: Option<&BatchName>) -> Bytes {
        let rooms = self.rooms.iter().filter(|room| room.after.as_ref() == after);
        rooms.map(|room| room.usable).sum()
    }

    fn limit(&self, usable: Bytes, fill_limit: FillLimit) -> Bytes {
        fill_limit.of(usable).min(usable.minus(self.reserve))
    }
}

/// Fills the pools step by step.
///
/// # Errors
/// The first batch that would take a pool past its limit, with the least change that helps.
pub fn fill(pools: &[PoolRoom], steps: &[Step]) -> Result<Vec<PoolEnd>, Breach> {
    let mut walk = Walk::new(pools);
    for (at, step) in steps.iter().enumerate() {
        let Some((pool, missing)) = walk.take(step) else {
            return Err(breach(at, step, step.needed, Change::KnownPool));
        };
        if missing.0 > 0 {
            let change = least_change(pools, pool, steps, at);
            return Err(breach(at, step, missing, change));
        }
    }
    Ok(ends(pools, steps))
}

/// How full the pools are when all is carried out, whatever limits are passed on the way.
pub fn ends(pools: &[PoolRoom], steps: &[Step]) -> Vec<PoolEnd> {
    let mut walk = Walk::new(pools);
    let mut over = vec![Bytes::ZERO; pools.len()];
    for step in steps {
        let Some((pool, missing)) = walk.take(step) else {
            continue;
        };
        for (at, known) in pools.iter().enumerate() {
            if known.name == pool.name {
                over[at] = over[at].max(missing);
            }
        }
    }
    let end = |((pool, state), over): ((&PoolRoom, &State), Bytes)| PoolEnd {
        name: pool.name.clone(),
        used: state.used,
        limit: pool.limit(state.usable, pool.fill_limit),
        usable: state.usable,
        over,
    };
    pools.iter().zip(&walk.states).zip(over).map(end).collect()
}

/// The pools as they stand after some steps.
struct Walk<'a> {
    pools: &'a [PoolRoom],
    states: Vec<State>,
}

#[derive(Clone, Copy)]
struct State {
    used: Bytes,
    usable: Bytes,
}

impl<'a> Walk<'a> {
    fn new(pools: &'a [PoolRoom]) -> Walk<'a> {
        let state = |pool: &PoolRoom| State {
            used: pool.used,
            usable: pool.room(None),
        };
        Walk {
            pools,
            states: pools.iter().map(state).collect(),
        }
    }

    /// Carries one step out: its pool and what is missing there; `None` for an unknown pool. Disks
    /// that the step frees count from the next step on.
    fn take(&mut self, step: &Step) -> Option<(&'a PoolRoom, Bytes)> {
        let at = self.pools.iter().position(|pool| pool.name == step.pool)?;
        let (pool, state) = (self.pools.get(at)?, self.states.get_mut(at)?);
        state.used = state.used.plus(step.needed);
        // What takes nothing breaks nothing, however full others have made the pool.
        let missing = match step.needed {
            Bytes(0) => Bytes::ZERO,
            _ => state.used.minus(pool.limit(state.usable, pool.fill_limit)),
        };
        for (pool, state) in self.pools.iter().zip(&mut self.states) {
            state.usable = state.usable.plus(pool.room(Some(&step.batch)));
        }
        Some((pool, missing))
    }
}

/// Whether all these steps stay within all limits.
fn passes(pools: &[PoolRoom], steps: &[Step]) -> bool {
    let mut walk = Walk::new(pools);
    steps
        .iter()
        .all(|step| walk.take(step).is_some_and(|(_, missing)| missing.0 == 0))
}

/// The pool as it stands when the breaking step is carried out, that step included.
fn at_breach(pools: &[PoolRoom], pool: &PoolRoom, steps: &[Step], at: usize) -> State {
    let mut walk = Walk::new(pools);
    for step in steps.iter().take(at) {
        walk.take(step);
    }
    let place = pools.iter().position(|other| other.name == pool.name);
    let state = place.and_then(|place| walk.states.get(place)).copied();
    let mut state = state.unwrap_or(State {
        used: pool.used,
        usable: pool.room(None),
    });
    state.used = state
        .used
        .plus(steps.get(at).map_or(Bytes::ZERO, |step| step.needed));
    state
}

fn breach(at: usize, step: &Step, missing: Bytes, change: Change) -> Breach {
    Breach {
        batch: step.batch.clone(),
        at,
        pool: step.pool.clone(),
        missing,
        change,
    }
}

/// The lightest change after which the steps up to the breaking one pass.
fn least_change(pools: &[PoolRoom], pool: &PoolRoom, steps: &[Step], at: usize) -> Change {
    wait_for(pools, steps, at)
        .or_else(|| elsewhere(pools, pool, steps, at))
        .or_else(|| raise(pool, at_breach(pools, pool, steps, at)))
        .unwrap_or_else(|| more_space(pool, at_breach(pools, pool, steps, at)))
}

/// A later batch that frees disks, after which the breaking one fits.
fn wait_for(pools: &[PoolRoom], steps: &[Step], at: usize) -> Option<Change> {
    let wanted = steps.get(at).filter(|step| !step.begun)?;
    let pool = pools.iter().find(|pool| pool.name == wanted.pool)?;
    let later = steps.iter().enumerate().skip(at + 1);
    let frees = |step: &Step| {
        pool.rooms
            .iter()
            .any(|room| room.after.as_ref() == Some(&step.batch))
    };
    for (to, step) in later.filter(|(_, step)| frees(step)) {
        let mut moved = steps.to_vec();
        moved.get_mut(at..=to)?.rotate_left(1);
        if moved.get(..=to).is_some_and(|moved| passes(pools, moved)) {
            return Some(Change::After(step.batch.clone()));
        }
    }
    None
}

/// The smallest batch of this pool, up to the breaking one, that another pool can take instead.
fn elsewhere(pools: &[PoolRoom], pool: &PoolRoom, steps: &[Step], at: usize) -> Option<Change> {
    let here = steps.iter().enumerate().take(at + 1);
    let mut movable: Vec<(usize, &Step)> = here
        .filter(|(_, step)| step.pool == pool.name && !step.begun)
        .collect();
    movable.sort_by_key(|(place, step)| (step.needed, std::cmp::Reverse(*place)));
    for (place, step) in movable {
        for other in pools.iter().filter(|other| other.name != pool.name) {
            let mut sent = steps.get(..=at)?.to_vec();
            let moved = sent.get_mut(place)?;
            let price = step.elsewhere.iter().find(|(name, _)| *name == other.name);
            moved.needed = price.map_or(step.needed, |(_, needed)| *needed);
            moved.pool.clone_from(&other.name);
            if passes(pools, &sent) {
                return Some(Change::Elsewhere {
                    batch: step.batch.clone(),
                    pool: other.name.clone(),
                });
            }
        }
    }
    None
}

/// The smallest higher limit that holds what is used.
fn raise(pool: &PoolRoom, state: State) -> Option<Change> {
    (pool.fill_limit.percent() + 1..=RAISE_TO)
        .find(|percent| {
            FillLimit::new(u64::from(*percent))
                .is_ok_and(|limit| state.used <= pool.limit(state.usable, limit))
        })
        .map(Change::RaiseLimit)
}

/// The least usable space that takes the limit over what is used.
fn more_space(pool: &PoolRoom, state: State) -> Change {
    let used = u128::from(state.used.0);
    let by_percent = (used * 100).div_ceil(u128::from(pool.fill_limit.percent()));
    let by_reserve = used + u128::from(pool.reserve.0);
    let wanted = u64::try_from(by_percent.max(by_reserve)).unwrap_or(u64::MAX);
    Change::MoreSpace(Bytes(wanted).minus(state.usable))
}

impl Breach {
    /// As an error for a person.
    pub fn trouble(&self) -> Trouble {
        let text = format!(
            "batch {} takes the destination {} past its fill limit by {}",
            self.batch,
            self.pool,
            self.missing.binary()
        );
        let mend = match &self.change {
            Change::After(batch) => format!(
                "Let it come after batch {batch}, which frees the disks: hold = true in a [[tag]] for its projects until then."
            ),
            Change::Elsewhere { batch, pool } => {
                format!("Send batch {batch} to {pool}: pool = \"{pool}\" in a [[tag]] for its projects.")
            }
            Change::RaiseLimit(percent) => format!("Raise fill-limit of {} to {percent}.", self.pool),
            Change::MoreSpace(bytes) => {
                format!(
                    "Give {} at least {} more usable space.",
                    self.pool,
                    bytes.binary()
                )
            }
            Change::KnownPool => format!(
                "There is no destination {}; put it back into move.toml.",
                self.pool
            ),
        };
        Trouble::usage("pool-full", text).mend(mend)
    }
}

/// Checks that a volume of a source can take what is still to come to it: what people go on writing
/// there until the move is over. Some boxes limit a volume (108 TB for one: common practice, no
/// source); the limit is declared as `volume-limit`.
///
/// # Errors
/// `volume-limit` with what is too much and into how many volumes it would go.
pub fn check_volume(source: &str, limit: Bytes, there: Bytes, coming: Bytes) -> Result<(), Trouble> {
    let total = u128::from(there.0) + u128::from(coming.0);
    if total <= u128::from(limit.0) {
        return Ok(());
    }
    let over = u64::try_from(total - u128::from(limit.0)).unwrap_or(u64::MAX);
    let mend = match total.div_ceil(u128::from(limit.0.max(1))) {
        _ if limit.0 == 0 => "Give volume-limit a size above 0, for example \"108 TB\".".to_string(),
        volumes => format!(
            "Free {} there in time, or spread it over {volumes} volumes.",
            Bytes(over)
        ),
    };
    let text = format!(
        "{coming} more on {source} beside {there} pass its volume limit of {limit} by {}",
        Bytes(over)
    );
    Err(Trouble::usage("volume-limit", text).mend(mend))
}
