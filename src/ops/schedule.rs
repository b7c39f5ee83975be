//! The forecast of what is left: from the plan and the ledger's facts to jobs, rates, conditions.

use super::desk::Desk;
use crate::forecast::demand::Activity;
use crate::forecast::fit::{Sample, learn};
use crate::forecast::link::Framing;
use crate::forecast::rates::{Network, Probed, Rates};
use crate::forecast::simulate::{Conditions, Forecast, VerifyOrder, simulate};
use crate::forecast::{Job, Range, whatif};
use crate::moment::Moment;
use crate::plan::Plan;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::collections::BTreeMap;

/// Files below this size are small.
const SMALL: Bytes = Bytes(1 << 20);

/// How far one batch has come, by the ledger.
#[derive(Debug, Clone, Copy, Default)]
pub struct Standing {
    /// Copied.
    pub copied: Amount,
    /// Of these verified.
    pub verified: Amount,
    /// Of what was planned, what later batches have brought anew since.
    pub superseded: Amount,
}

/// How far each begun batch has come.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn standings(desk: &Desk<'_>) -> Result<BTreeMap<String, Standing>, Trouble> {
    let mut found = BTreeMap::new();
    for row in desk.ledger.batches()? {
        let (copied, verified, _) = desk.ledger.progress_of(row.id)?;
        let superseded = desk.ledger.superseded(row.id)?;
        let standing = Standing {
            copied,
            verified,
            superseded,
        };
        found.insert(row.name, standing);
    }
    Ok(found)
}

/// The forecast of what is left of a plan.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read or the settings make no frame.
pub fn forecast(desk: &Desk<'_>, plan: &Plan) -> Result<Forecast, Trouble> {
    let jobs = jobs(desk, plan)?;
    let conditions = conditions(desk)?;
    let rates = rates(desk, &conditions, &jobs)?;
    Ok(simulate(&jobs, &rates, &conditions, desk.now()))
}

/// What the samples have done to the range of what is left; `None` where there are none yet.
///
/// # Errors
/// [`Trouble`] as for [`forecast`].
pub fn narrowed(desk: &Desk<'_>, plan: &Plan) -> Result<Option<String>, Trouble> {
    if desk.ledger.samples()?.is_empty() {
        return Ok(None);
    }
    let jobs = jobs(desk, plan)?;
    let conditions = conditions(desk)?;
    let work = |rates: &Rates| simulate(&jobs, rates, &conditions, desk.now()).seconds;
    let before = work(&untaught(desk, &conditions)?);
    let after = work(&rates(desk, &conditions, &jobs)?);
    Ok(whatif::narrowed(&before, &after))
}

/// The settings as conditions.
///
/// # Errors
/// [`Trouble`] for a frame size no network has.
pub fn conditions(desk: &Desk<'_>) -> Result<Conditions, Trouble> {
    let settings = &desk.settings;
    let framing = Framing::checked(u64::from(settings.mtu))?;
    Ok(Conditions {
        network: Network {
            link: settings.link,
            framing,
            runs_on: settings.runs_on,
        },
        windows: settings.windows.clone(),
        spanning: settings.spanning,
        verify: VerifyOrder::Alternate,
        sources_together: false,
    })
}

/// The newest probe of each end in the place of defaults.
fn probed(desk: &Desk<'_>, conditions: &Conditions, rates: &mut Rates) -> Result<(), Trouble> {
    let settings = &desk.settings;
    let first = settings
        .destinations
        .first()
        .map(|destination| destination.name.as_str());
    for probe in desk.ledger.probes()? {
        let read = Probed {
            rate: probe.read_rate,
            file_cost: probe.read_cost,
        };
        match probe.role.as_str() {
            "source" => {
                let place = settings
                    .sources
                    .iter()
                    .position(|source| source.name.0 == probe.name);
                if let Some(place) = place {
                    rates.probe_source(place, &conditions.network, read);
                }
            }
            "destination" if first == Some(probe.name.as_str()) => {
                let write = Probed {
                    rate: probe.write_rate,
                    file_cost: probe.write_cost,
                };
                // What a cache may have answered says nothing of the disks.
                let from_disk = matches!(probe.read_how.as_str(), "direct" | "evicted");
                rates.probe_destination(write, if from_disk { read } else { Probed::default() });
            }
            "machine" => {
                let hash = Probed {
                    rate: probe.hash_rate,
                    file_cost: None,
                };
                rates.hash = rates.hash.clone().probed(hash);
            }
            _ => {}
        }
    }
    Ok(())
}

/// What each stage can do before anything was timed: declared, probed, else default.
fn untaught(desk: &Desk<'_>, conditions: &Conditions) -> Result<Rates, Trouble> {
    let settings = &desk.settings;
    let mut rates = Rates::defaults(settings.sources.len(), settings.runs_on);
    for (source, mine) in settings.sources.iter().zip(&mut rates.sources) {
        if let Some(rate) = source.read_rate {
            mine.read = mine.read.clone().declared(rate);
        }
        mine.link = source.link;
        mine.emulated_adapter = source.emulated_adapter;
    }
    probed(desk, conditions, &mut rates)?;
    Ok(rates)
}

/// What each stage can do: declared, probed, else default, else learned from the work so far.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn rates(desk: &Desk<'_>, conditions: &Conditions, jobs: &[Job]) -> Result<Rates, Trouble> {
    let settings = &desk.settings;
    let rates = untaught(desk, conditions)?;
    let place = |name: &str| settings.sources.iter().position(|source| source.name.0 == name);
    let sample = |kept: crate::ledger::Sample| {
        Some(Sample {
            activity: if kept.task == "verify" {
                Activity::Verify
            } else {
                Activity::Copy
            },
            source: place(&kept.source)?,
            small: kept.small,
            large: kept.large,
            time: kept.span,
            streams: kept.streams,
            night: settings.windows.night_of(kept.at),
            limit: None,
        })
    };
    let mut samples: Vec<Sample> = desk.ledger.samples()?.into_iter().filter_map(sample).collect();
    // Stretches of a run that goes on, or was cut off, do not know yet how many streams ran.
    let known = samples
        .iter()
        .rev()
        .map(|s| s.streams)
        .find(|streams| *streams > 0);
    for one in samples.iter_mut().filter(|s| s.streams == 0) {
        one.streams = known.unwrap_or(1);
    }
    Ok(learn(&rates, &conditions.network, &samples, jobs))
}

/// What is left of each batch, in the plan's order.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn jobs(desk: &Desk<'_>, plan: &Plan) -> Result<Vec<Job>, Trouble> {
    let standings = standings(desk)?;
    let place = |name: &str| {
        desk.settings
            .sources
            .iter()
            .position(|source| source.name.0 == name)
    };
    let job = |batch: &crate::plan::Batch| {
        let small = batch.sizes.below(SMALL);
        let standing = standings.get(batch.name.as_str()).copied().unwrap_or_default();
        let left = batch.amount.minus(standing.copied).minus(standing.superseded);
        let mut job = Job::new(
            batch.name.clone(),
            place(&batch.source.0).unwrap_or(0),
            left,
            small,
            true,
        );
        // Of a batch half done nobody counted the small ones apart: the same share is assumed.
        job.small = share(small, left, batch.amount);
        job.copied = standing.copied.minus(standing.verified);
        job.copied_small = share(small, job.copied, batch.amount);
        job
    };
    Ok(plan
        .batches
        .iter()
        .map(job)
        .filter(|job| job.amount.files + job.copied.files > 0)
        .collect())
}

fn share(small: Amount, part: Amount, whole: Amount) -> Amount {
    let of = |small: u64, part: u64, whole: u64| {
        let exact = u128::from(small) * u128::from(part) / u128::from(whole.max(1));
        u64::try_from(exact).unwrap_or(u64::MAX).min(part)
    };
    Amount {
        files: of(small.files, part.files, whole.files),
        bytes: Bytes(of(small.bytes.0, part.bytes.0, whole.bytes.0)),
    }
}

/// A range of which every end is known, or nothing.
pub fn known(range: &Range<Option<Moment>>) -> Option<Range<Moment>> {
    Some(Range {
        low: range.low?,
        likely: range.likely?,
        high: range.high?,
    })
}
