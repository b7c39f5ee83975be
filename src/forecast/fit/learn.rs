//! From fitted paces to stages: which stage a pace that was seen belongs to.
//!
//! A sample times a whole copy, not its stages. What was seen is put on the stage that explains it
//! best, and every other stage is known to be at least as fast as what was seen.

use crate::forecast::Job;
use crate::forecast::demand::{Activity, Part, parts};
use crate::forecast::fit::{Learned, Prior, Sample, fit};
use crate::forecast::rates::{Basis, Network, Pace, Rates, Stage};
use crate::forecast::simulate::activities;
use crate::units::{Bytes, Rate};

/// A pace so near to what a stage is believed to do is that stage's.
const NEAR: f64 = 1.15;

/// So many bytes pass most of the surface of the disks; fewer stay within some of its zones, where
/// the speed hardly changes (common practice, no source).
const SURFACE: f64 = 1e13;

/// The rates with everything the samples teach. `network` is the one they were taken on, `jobs`
/// what is left. Samples in the order they were taken.
pub fn learn(rates: &Rates, network: &Network, samples: &[Sample], jobs: &[Job]) -> Rates {
    let mut out = rates.clone();
    for source in 0..rates.sources.len() {
        let Some(learned) = fit_of(rates, network, samples, jobs, Activity::Copy, source) else {
            continue;
        };
        assign(&mut out, network, Activity::Copy, source, &learned);
        if let Some(from) = out.sources.get_mut(source) {
            from.learned = Some(learned);
        }
    }
    if let Some(learned) = fit_of(rates, network, samples, jobs, Activity::Verify, 0) {
        assign(&mut out, network, Activity::Verify, 0, &learned);
        out.learned_verify = Some(learned);
    }
    out
}

fn fit_of(
    rates: &Rates,
    network: &Network,
    samples: &[Sample],
    jobs: &[Job],
    activity: Activity,
    source: usize,
) -> Option<Learned> {
    let mine = |a: Activity, s: usize| a == activity && (a == Activity::Verify || s == source);
    let samples: Vec<&Sample> = samples.iter().filter(|s| mine(s.activity, s.source)).collect();
    let ahead = jobs
        .iter()
        .flat_map(|job| activities(job).map(move |(a, load)| (a, job.source, load)));
    let left: f64 = ahead
        .filter(|(a, s, _)| mine(*a, *s))
        .map(|(_, _, load)| load.bytes)
        .sum();
    let done: Bytes = samples.iter().map(|s| s.small.plus(s.large).bytes).sum();
    let whole = done.plus(Bytes(left as u64));
    fit(&samples, &prior(rates, network, activity, source, whole), whole)
}

/// What the stages let expect. Where disks hold the work, it slows towards their inner tracks.
fn prior(rates: &Rates, network: &Network, activity: Activity, source: usize, whole: Bytes) -> Prior {
    let parts = parts(activity, source, rates, network);
    let slowest = slowest(&parts).map_or(Stage::Hash, |p| p.stage);
    let disks = !matches!(slowest, Stage::Link | Stage::Hash);
    let surface = (whole.0 as f64 / SURFACE).clamp(0.02, 1.0);
    Prior {
        pace: [
            parts.iter().map(|p| p.per_byte).fold(0.0, f64::max),
            parts.iter().map(|p| p.per_file[0]).sum(),
            parts.iter().map(|p| p.per_file[1]).sum(),
        ],
        spread: rates.basis_at(slowest, source).spread(),
        trend: surface * if disks { 0.18 } else { 0.05 },
        trend_spread: surface * if disks { 0.18 } else { 0.08 },
    }
}

fn slowest(parts: &[Part]) -> Option<&Part> {
    parts.iter().max_by(|a, b| a.per_byte.total_cmp(&b.per_byte))
}

fn assign(rates: &mut Rates, network: &Network, activity: Activity, source: usize, learned: &Learned) {
    let [byte, small, large] = learned.pace_now();
    let parts = parts(activity, source, rates, network);
    let believed: Vec<(Stage, f64)> = parts.iter().map(|p| (p.stage, p.per_byte)).collect();
    let costs = parts.iter().fold([0.0; 2], |sum, p| {
        [sum[0] + p.per_file[0], sum[1] + p.per_file[1]]
    });
    let main = blamed(rates, source, &believed, byte);
    for (stage, pace) in &believed {
        // The one that explains it, and all that were believed slower than what was seen.
        if Some(*stage) == main || *pace > byte {
            set_rate(rates, network, *stage, source, byte);
        }
    }
    let first = if activity == Activity::Copy {
        Stage::SourceRead
    } else {
        Stage::VerifyRead
    };
    let second = if activity == Activity::Copy {
        Stage::DestinationWrite
    } else {
        first
    };
    for (seen, known, which) in [(small, costs[0], 0), (large, costs[1], 1)] {
        scale_cost(rates, source, first, second, [seen, known], which);
    }
}

/// The stage that a pace is put on: the slowest, where the pace is near what it is believed to do
/// or faster; otherwise the slowest of those whose figure is only a default, since a measured one
/// does not turn out far off.
fn blamed(rates: &Rates, source: usize, believed: &[(Stage, f64)], byte: f64) -> Option<Stage> {
    let slowest = believed.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    if byte <= slowest.1 * NEAR {
        return Some(slowest.0);
    }
    let weak = believed
        .iter()
        .filter(|(stage, _)| rates.basis_at(*stage, source) == Basis::Default);
    Some(weak.max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or(slowest).0)
}

fn stage_pace(rates: &mut Rates, stage: Stage, source: usize) -> Option<&mut Pace> {
    match stage {
        Stage::SourceRead => rates.sources.get_mut(source).map(|s| &mut s.read),
        Stage::Hash => Some(&mut rates.hash),
        Stage::DestinationWrite => Some(&mut rates.write),
        Stage::VerifyRead => Some(&mut rates.verify_read),
        Stage::Link | Stage::Window => None,
    }
}

fn set_rate(rates: &mut Rates, network: &Network, stage: Stage, source: usize, byte: f64) {
    let rate = if byte > 0.0 { (1.0 / byte).min(1e18) } else { 1e18 };
    if stage == Stage::Link {
        if let Some(from) = rates.sources.get_mut(source) {
            let plain = crate::forecast::rates::SourceRates {
                link_share: 1.0,
                ..from.clone()
            };
            if let Some(port) = network.source_port(&plain).filter(|p| p.0 > 0) {
                from.link_share = rate / port.0 as f64;
                from.link_basis = Basis::Fitted;
            }
        }
        return;
    }
    if stage == Stage::SourceRead {
        if let Some(from) = rates.sources.get_mut(source) {
            from.ceiling = from.ceiling.map(|c| Rate(c.0.max(rate as u64)));
        }
    }
    if let Some(pace) = stage_pace(rates, stage, source) {
        pace.rate = Rate((rate as u64).max(1));
        pace.basis = Basis::Fitted;
        pace.from = "fitted to the work so far";
    }
}

/// Puts a cost per file that was seen on the stages that have one, in the shares they had.
fn scale_cost(
    rates: &mut Rates,
    source: usize,
    first: Stage,
    second: Stage,
    seen_known: [f64; 2],
    which: usize,
) {
    let [seen, known] = seen_known;
    let stages = if first == second {
        vec![first]
    } else {
        vec![first, second]
    };
    for (at, stage) in stages.into_iter().enumerate() {
        let Some(pace) = stage_pace(rates, stage, source) else {
            continue;
        };
        let cost = if which == 0 {
            &mut pace.small_file
        } else {
            &mut pace.large_file
        };
        *cost = match (known > 0.0, at) {
            (true, _) => *cost * seen / known,
            (false, 0) => seen,
            (false, _) => 0.0,
        };
    }
}
