//! Whether the batches fit the pools they are meant for, in the order they come.

use super::notes::Remark;
use super::{After, Plan};
use crate::names::{BatchName, SourceName, nearest};
use crate::pool::FillLimit;
use crate::pool::staging::{Breach, PoolRoom, Room, Step, ends, fill};
use crate::units::Bytes;

/// What one destination offers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Offer {
    /// The destination's name.
    pub name: String,
    /// How full it may get.
    pub fill_limit: FillLimit,
    /// Space to be left free in any case.
    pub reserve: Bytes,
    /// In use beside what the needs count.
    pub used: Bytes,
    /// Usable from the start, as on the empty pool.
    pub at_once: Bytes,
    /// Usable beyond that, and what has to be over before.
    pub later: Option<(After, Bytes)>,
}

/// How one pool stands at the end of the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PoolFit {
    /// The destination's name.
    pub name: String,
    /// Usable in the end, as on the empty pool.
    pub usable: Bytes,
    /// In use beside the plan's batches.
    pub used: Bytes,
    /// What batches may take: the fill limit or the reserve, whichever is less, without what is in
    /// use.
    pub limit: Bytes,
    /// What they take.
    pub needed: Bytes,
    /// Whether the limit holds all the way.
    pub fits: bool,
}

/// The verdict on all pools.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fit {
    /// In the order of the destinations.
    pub pools: Vec<PoolFit>,
    /// The first batch that passes a limit, with the least change that helps.
    pub breach: Option<Breach>,
    /// Disks that never become free, as far as the plan goes.
    pub remarks: Vec<Remark>,
}

impl Fit {
    /// Whether everything fits.
    pub fn fits(&self) -> bool {
        self.breach.is_none() && self.pools.iter().all(|pool| pool.fits)
    }
}

/// Judges a plan whose first `begun` batches have begun. `needs` has a row for each batch in the
/// plan's order, with a column for each offer: what the batch would take there.
pub fn fit(plan: &Plan, begun: usize, offers: &[Offer], needs: &[Vec<Bytes>]) -> Fit {
    let mut remarks = Vec::new();
    let mut pools: Vec<PoolRoom> = offers.iter().map(|o| room(o, plan, &mut remarks)).collect();
    let steps: Vec<Step> = plan
        .batches
        .iter()
        .zip(needs)
        .enumerate()
        .map(|(at, (batch, needs))| {
            let home = plan.datasets.iter().find(|d| d.name == batch.dataset);
            let pool = home.map(|d| d.destination.clone()).unwrap_or_default();
            let names = offers.iter().map(|offer| offer.name.clone());
            let elsewhere: Vec<(String, Bytes)> = names.zip(needs.iter().copied()).collect();
            let needed = elsewhere.iter().find(|(name, _)| *name == pool);
            Step {
                batch: batch.name.clone(),
                needed: needed.map_or(Bytes::ZERO, |(_, needed)| *needed),
                pool,
                elsewhere,
                begun: at < begun,
            }
        })
        .collect();
    let fits = offers
        .iter()
        .zip(ends(&pools, &steps))
        .map(|(offer, end)| PoolFit {
            name: end.name,
            usable: end.usable,
            used: offer.used,
            limit: end.limit.minus(offer.used),
            needed: end.used.minus(offer.used),
            fits: end.over == Bytes::ZERO,
        });
    let fits: Vec<PoolFit> = fits.collect();
    let mut breach = fill(&pools, &steps).err();
    // A batch of the very source whose end frees the disks cannot wait for them.
    let wait = breach
        .as_ref()
        .and_then(|breach| waits_for_itself(breach, offers, plan));
    if let Some((at, remark)) = wait {
        remarks.push(remark);
        if let Some(pool) = pools.get_mut(at) {
            pool.rooms.retain(|room| room.after.is_none());
        }
        breach = fill(&pools, &steps).err();
    }
    Fit {
        pools: fits,
        breach,
        remarks,
    }
}

/// The pool that a breaking batch would wait for in a circle, and the sentence that says so.
fn waits_for_itself(breach: &Breach, offers: &[Offer], plan: &Plan) -> Option<(usize, Remark)> {
    let at = offers.iter().position(|offer| offer.name == breach.pool)?;
    let (After::Source(source), _) = offers.get(at)?.later.as_ref()? else {
        return None;
    };
    let batch = plan.batches.iter().find(|b| b.name == breach.batch)?;
    let mine = batch.source == *source && offers.get(at)?.at_once > Bytes::ZERO;
    mine.then(|| (at, circle(&breach.pool, source, &batch.name)))
}

fn circle(pool: &str, source: &SourceName, batch: &BatchName) -> Remark {
    Remark {
        code: "wait-circular",
        text: format!(
            "The disks of {pool} are free when all of {source} is released, but batch {batch} of {source} shall lie \
             on them: it would wait for itself. Send it to another pool."
        ),
    }
}

fn room(offer: &Offer, plan: &Plan, remarks: &mut Vec<Remark>) -> PoolRoom {
    let mut room = PoolRoom {
        reserve: offer.reserve,
        used: offer.used,
        ..PoolRoom::now(&offer.name, offer.at_once, offer.fill_limit)
    };
    if let Some((after, more)) = &offer.later {
        match frees(after, offer, plan) {
            Ok(batch) => room.rooms.push(Room {
                after: Some(batch),
                usable: *more,
            }),
            Err(remark) => remarks.push(remark),
        }
    }
    room
}

/// The batch with which the disks become free, or why they never do.
fn frees(after: &After, offer: &Offer, plan: &Plan) -> Result<BatchName, Remark> {
    let pool = offer.name.as_str();
    let never = |code, text| Err(Remark { code, text });
    let goes_there = |dataset: &str| {
        let homes = plan.datasets.iter();
        homes.filter(|d| d.destination == pool).any(|d| d.name == dataset)
    };
    match after {
        After::Batch(name) => {
            let Some(batch) = plan.batches.iter().find(|b| b.name == *name) else {
                let known = plan.batches.iter().map(|b| b.name.as_str());
                let near = nearest(name.as_str(), known, 3).join(", ");
                let text = format!(
                    "The disks of {pool} are free after batch {name}, which this plan does not have (near: {near})."
                );
                return never("wait-unknown", text);
            };
            Ok(batch.name.clone())
        }
        After::Source(source) => {
            let mine = || plan.batches.iter().filter(|b| b.source == *source);
            // What the pool has from the start may well be filled from there.
            let own = mine().find(|b| goes_there(&b.dataset));
            if let Some(own) = own.filter(|_| offer.at_once == Bytes::ZERO) {
                return Err(circle(pool, source, &own.name));
            }
            match mine().next_back() {
                Some(last) => Ok(last.name.clone()),
                None => never(
                    "wait-unknown",
                    format!(
                        "The disks of {pool} are free when all of {source} is released, which has no batch."
                    ),
                ),
            }
        }
    }
}
