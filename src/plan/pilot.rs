//! The pilot: whole projects of one dataset and source, few bytes, sizes spread like the whole's.
//!
//! It aims at 1 to 5 % of all bytes and at most half of `batch-min`, so that it ends soon even in
//! a large move. It is left out where it would teach nothing: fewer than four projects, fewer than
//! three batches without it, or no projects small enough.

use super::rules::PlanRules;
use crate::sizes::SizeHistogram;
use crate::units::{Amount, Bytes};
use std::ops::RangeInclusive;

/// Fewest projects of a move that gets a pilot.
pub(super) const LEAST_PROJECTS: usize = 4;
/// Fewest batches without the pilot of a move that gets one.
pub(super) const LEAST_BATCHES: usize = 3;
/// Fewest files of a pilot: a rate fitted to fewer says nothing of the cost per file.
const LEAST_FILES: u64 = 8;
/// Most units of a pilot; bounds the search.
const MOST_UNITS: usize = 12;
/// Most units of a row that are tried, those nearest to the whole alone; bounds the search.
const MOST_TRIED: usize = 160;

/// A unit that may join.
pub(super) struct Candidate<'a> {
    /// Its bytes and files.
    pub amount: Amount,
    /// Their spread.
    pub sizes: &'a SizeHistogram,
}

/// The bytes a pilot may have.
pub(super) fn range(total: Bytes, rules: &PlanRules) -> RangeInclusive<u64> {
    let part = |percent: u128| (u128::from(total.0) * percent / 100) as u64;
    let mut most = part(5);
    if rules.batch_min.0 > 0 {
        most = most.min(rules.batch_min.0 / 2);
    }
    most = most.min(rules.batch_max.0);
    part(1).min(most / 4).max(1)..=most
}

/// The best subset of one row: its distance from the whole and the numbers of its units.
///
/// Grown unit by unit, each time by the one that brings the spread nearest to the whole's; the
/// nearest of all stages within the range is taken.
pub(super) fn choose(
    row: &[Candidate<'_>],
    whole: &SizeHistogram,
    range: &RangeInclusive<u64>,
) -> Option<(f64, Vec<usize>)> {
    let mut tried: Vec<(f64, usize)> = row
        .iter()
        .enumerate()
        .filter(|(_, c)| c.amount.files > 0 && c.amount.bytes.0 <= *range.end())
        .map(|(at, c)| (c.sizes.distance(whole), at))
        .collect();
    tried.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    tried.truncate(MOST_TRIED);
    let mut free: Vec<usize> = tried.into_iter().map(|(_, at)| at).collect();
    let (mut taken, mut sizes, mut amount) = (Vec::new(), SizeHistogram::default(), Amount::default());
    let mut best: Option<(f64, Vec<usize>)> = None;
    while taken.len() < MOST_UNITS {
        let next = free
            .iter()
            .enumerate()
            .filter_map(|(slot, at)| {
                let unit = row.get(*at)?;
                let fits = amount.bytes.plus(unit.amount.bytes).0 <= *range.end();
                let mut joined = sizes.clone();
                joined.merge(unit.sizes);
                fits.then(|| (joined.distance(whole), slot))
            })
            .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let Some((distance, slot)) = next else {
            break;
        };
        let at = free.remove(slot);
        taken.push(at);
        sizes.merge(row[at].sizes);
        amount.add(row[at].amount);
        let enough = amount.bytes.0 >= *range.start() && amount.files >= LEAST_FILES;
        if enough && best.as_ref().is_none_or(|(known, _)| distance < *known) {
            best = Some((distance, taken.clone()));
        }
    }
    best.map(|(distance, mut units)| {
        units.sort_unstable();
        (distance, units)
    })
}
