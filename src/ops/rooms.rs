//! The space that a plan's batches take at their destinations, and what these offer.

use super::desk::Desk;
use super::gather::Surveyed;
use super::settings::DestinationSettings;
use super::{schedule, tally};
use crate::names::SourceName;
use crate::plan::fit::{Fit, Offer, fit};
use crate::plan::{After, Batch, Plan};
use crate::pool::{Ashift, FillLimit, Layout, Priced, Recommendation, Space, recommend_for};
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::{Fs, OsFs};
use std::collections::{BTreeMap, BTreeSet};

/// A plan against the pools.
#[derive(Debug, Clone)]
pub struct Rooms {
    /// Whether it fits, pool by pool.
    pub fit: Fit,
    /// What each dataset should be created with, in the plan's order.
    pub choices: Vec<Recommendation>,
    /// Whether each destination's layout was told, in the order of the settings.
    pub told: Vec<bool>,
}

/// One destination and how its blocks are laid out.
struct Pool {
    offer: Offer,
    /// What blocks are priced on; single disks where nobody told.
    layout: Layout,
    ashift: Ashift,
    /// The layout was told: the space is that of the whole pool, and all batches count.
    told: bool,
    /// The space counted is what is free now: what is copied counts no more.
    by_free: bool,
}

/// Measures a plan.
///
/// # Errors
/// [`Trouble`] where layouts do not add up or an index is damaged.
pub fn rooms(desk: &Desk<'_>, plan: &Plan, surveyed: &[Surveyed]) -> Result<Rooms, Trouble> {
    let settled = desk.settings.destinations.iter();
    let pools = settled.map(pool).collect::<Result<Vec<_>, _>>()?;
    let priced = priced(desk, plan, surveyed, &pools)?;
    let choices = choices(plan, &pools, &priced);
    let standings = schedule::standings(desk)?;
    let needs: Vec<Vec<Bytes>> = plan
        .batches
        .iter()
        .zip(&priced)
        .map(|(batch, prices)| {
            let standing = standings.get(batch.name.as_str()).copied().unwrap_or_default();
            let left = batch.amount.minus(standing.copied).minus(standing.superseded);
            let dataset = plan.datasets.iter().position(|d| d.name == batch.dataset);
            let choice = dataset.and_then(|at| choices.get(at));
            let of = |(pool, price): (&Pool, &Priced)| need(pool, price, choice, batch, left);
            pools.iter().zip(prices).map(of).collect()
        })
        .collect();
    let begun = desk.ledger.batches()?.len();
    let offers: Vec<Offer> = pools.iter().map(|pool| pool.offer.clone()).collect();
    Ok(Rooms {
        fit: fit(plan, begun, &offers, &needs),
        choices,
        told: pools.iter().map(|pool| pool.told).collect(),
    })
}

/// What one batch takes on one pool. Later files lie in their projects and are counted there.
fn need(pool: &Pool, price: &Priced, choice: Option<&Recommendation>, batch: &Batch, left: Amount) -> Bytes {
    if !pool.told {
        return left.bytes;
    }
    if batch.delta {
        return Bytes::ZERO;
    }
    let whole = match choice {
        // Its source may be emptied already; what it took is still on the pool.
        Some(choice) if price.content().0 > 0 => price.taken(choice.choice).used,
        _ => batch.amount.bytes,
    };
    match pool.by_free {
        false => whole,
        true => {
            let part = u128::from(whole.0) * u128::from(left.bytes.0);
            let part = part / u128::from(batch.amount.bytes.0.max(1));
            Bytes(u64::try_from(part).unwrap_or(u64::MAX)).min(whole)
        }
    }
}

/// What each batch's files take on each pool, whatever is chosen.
fn priced(
    desk: &Desk<'_>,
    plan: &Plan,
    surveyed: &[Surveyed],
    pools: &[Pool],
) -> Result<Vec<Vec<Priced>>, Trouble> {
    let mut home: BTreeMap<(SourceName, ProjectKey), usize> = BTreeMap::new();
    for (at, batch) in plan.batches.iter().enumerate().filter(|(_, b)| !b.delta) {
        for placed in &batch.projects {
            home.insert((batch.source.clone(), placed.key.clone()), at);
        }
    }
    let mut priced = vec![vec![Priced::default(); pools.len()]; plan.batches.len()];
    let sectors: BTreeSet<Ashift> = pools.iter().map(|pool| pool.ashift).collect();
    for ashift in sectors {
        tally::each_project(desk, surveyed, ashift, &mut |source, key, tally| {
            let Some(at) = home.get(&(source.clone(), key.clone())) else {
                return;
            };
            for (pool, sum) in pools.iter().zip(&mut priced[*at]) {
                if pool.ashift == ashift {
                    sum.add(&Priced::of(tally, pool.layout));
                }
            }
        })?;
    }
    Ok(priced)
}

/// The best choice for each dataset on its own pool.
fn choices(plan: &Plan, pools: &[Pool], priced: &[Vec<Priced>]) -> Vec<Recommendation> {
    let of = |dataset: &crate::plan::Dataset| {
        let at = pools.iter().position(|p| p.offer.name == dataset.destination);
        let mut sum = Priced::default();
        for (batch, prices) in plan.batches.iter().zip(priced) {
            if let Some(price) = at.and_then(|at| prices.get(at)) {
                if batch.dataset == dataset.name {
                    sum.add(price);
                }
            }
        }
        recommend_for(&sum)
    };
    plan.datasets.iter().map(of).collect()
}

fn pool(at: &DestinationSettings) -> Result<Pool, Trouble> {
    let ashift = at
        .ashift
        .map_or(Ok(Ashift::FOUR_KIB), |a| Ashift::new(u64::from(a)))?;
    let fill_limit = FillLimit::new(u64::from(at.fill_limit))?;
    let mut offer = Offer {
        name: at.name.clone(),
        fill_limit,
        reserve: at.reserve.unwrap_or_default(),
        used: Bytes::ZERO,
        at_once: Bytes::ZERO,
        later: None,
    };
    let Some((layout, disk)) = at.layout.as_deref().zip(at.disk_size) else {
        let space = OsFs::open(&at.path).and_then(|fs| fs.space());
        let (total, free) = space.map_or((Bytes::ZERO, Bytes::ZERO), |space| (space.total, space.free));
        offer.at_once = total.max(at.free.unwrap_or_default());
        offer.used = offer.at_once.minus(at.free.unwrap_or(free));
        return Ok(Pool {
            offer,
            layout: Layout::parse("1 x 1 stripe")?,
            ashift,
            told: false,
            by_free: true,
        });
    };
    let layout = Layout::parse(layout)?;
    let first = Space::of(layout, ashift, disk)?.usable;
    match (&at.after, &at.grows_to) {
        (None, _) => offer.at_once = first,
        (Some(after), None) => offer.later = Some((after.clone(), first)),
        (Some(after), Some(then)) => {
            offer.at_once = first;
            let grown = Space::of(Layout::parse(then)?, ashift, disk)?.usable;
            offer.later = Some((after.clone(), grown.minus(first)));
        }
    }
    if let Some(free) = at.free {
        offer.used = offer.at_once.minus(free);
    }
    Ok(Pool {
        offer,
        layout,
        ashift,
        told: true,
        by_free: at.free.is_some(),
    })
}

/// Why a batch cannot be copied yet: its pool has no disks before others are released. `None` once
/// the destination is there.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn too_early(desk: &Desk<'_>, plan: &Plan, batch: &Batch) -> Result<Option<Trouble>, Trouble> {
    let home = plan.datasets.iter().find(|d| d.name == batch.dataset);
    let at = home.and_then(|d| desk.settings.destination(&d.destination));
    let Some(at) = at.filter(|at| at.is_late() && !at.path.is_dir()) else {
        return Ok(None);
    };
    let waits = waits_for(desk, plan, at)?;
    if waits.is_empty() {
        return Ok(None);
    }
    let text = format!(
        "the batch {} goes to {}, which has its disks only when {} {} released",
        batch.name,
        at.name,
        waits.join(", "),
        if waits.len() == 1 { "is" } else { "are" }
    );
    let mend = format!(
        "Release what it waits for, build the pool, and mount it at {}.",
        at.path.display()
    );
    Ok(Some(Trouble::stopped("destination-waits", text).mend(mend)))
}

/// What is still to be over before a destination has its disks.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
fn waits_for(desk: &Desk<'_>, plan: &Plan, at: &DestinationSettings) -> Result<Vec<String>, Trouble> {
    let released: BTreeSet<String> = desk
        .ledger
        .batches()?
        .into_iter()
        .filter(|row| row.released_at.is_some())
        .map(|row| row.name)
        .collect();
    let wanted: Vec<String> = match &at.after {
        None => Vec::new(),
        Some(After::Batch(name)) => vec![name.to_string()],
        Some(After::Source(source)) => {
            let mine = plan.batches.iter().filter(|batch| batch.source == *source);
            mine.map(|batch| batch.name.to_string()).collect()
        }
    };
    Ok(wanted
        .into_iter()
        .filter(|name| !released.contains(name))
        .collect())
}
