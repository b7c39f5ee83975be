//! Limits of batches: what is too large could not be cut, what is too small could not be joined,
//! and what belongs together stayed so.

use super::Flaw;
use super::expected::{Fresh, FreshBatch, Wait};
use crate::names::SourceName;
use crate::plan::rules::{Order, PlanRules};
use std::collections::{BTreeMap, BTreeSet};

/// What may share a batch: dataset, source, turn, tag order, later files or first ones.
type Row<'a> = (&'a str, &'a SourceName, Wait, (bool, i64), bool);

pub(super) fn check(fresh: &Fresh<'_>, rules: &PlanRules, flaws: &mut Vec<Flaw>) {
    for of in &fresh.batches {
        if of.batch.amount.bytes > rules.batch_max && parts(of) > 1 {
            flaws.push(Flaw::AboveMax(of.batch.name.clone()));
        }
        let waits: BTreeSet<_> = of.members.iter().map(|m| (m.wait, m.order)).collect();
        if waits.len() > 1 {
            flaws.push(Flaw::Mixed(of.batch.name.clone()));
        }
    }
    groups_whole(fresh, flaws);
    small_ones(fresh, rules, flaws);
}

/// Into how many a batch could be cut: a group counts once.
fn parts(of: &FreshBatch<'_>) -> usize {
    let groups: BTreeSet<&String> = of.members.iter().filter_map(|m| m.wish.group.as_ref()).collect();
    let single = of.members.iter().filter(|m| m.wish.group.is_none()).count();
    groups.len() + single
}

fn groups_whole(fresh: &Fresh<'_>, flaws: &mut Vec<Flaw>) {
    for (group, members) in fresh.groups() {
        let datasets: BTreeSet<&str> = members.iter().map(|(of, _)| of.batch.dataset.as_str()).collect();
        let batches: BTreeSet<_> = members.iter().map(|(of, _)| &of.batch.name).collect();
        let sources: BTreeSet<_> = members.iter().map(|(of, _)| &of.batch.source).collect();
        if datasets.len() > 1 || batches.len() != sources.len() {
            flaws.push(Flaw::GroupSplit(group.to_string()));
        }
    }
}

/// Two neighbours by date that, joined or cut elsewhere between them, would fall less short of the
/// minimum. The best cut of a row is also the best of any two neighbours in it.
fn small_ones(fresh: &Fresh<'_>, rules: &PlanRules, flaws: &mut Vec<Flaw>) {
    let mut rows: BTreeMap<Row<'_>, Vec<&FreshBatch<'_>>> = BTreeMap::new();
    for of in fresh.batches.iter().filter(|of| !of.batch.pilot) {
        if let Some(first) = of.members.first() {
            let batch = of.batch;
            let row = (
                batch.dataset.as_str(),
                &batch.source,
                first.wait,
                first.order,
                batch.delta,
            );
            rows.entry(row).or_default().push(of);
        }
    }
    let newest_first = rules.order == Order::NewestFirst;
    for row in rows.values_mut() {
        row.sort_by_cached_key(|of| of.members.first().map(|m| m.date_place(newest_first)));
        for (one, next) in row.iter().zip(row.iter().skip(1)) {
            let (a, b) = (sizes(one), sizes(next));
            if least_missing(&[a.clone(), b.clone()].concat(), rules)
                < missing(&a, rules) + missing(&b, rules)
            {
                let small = if missing(&a, rules) > 0 { one } else { next };
                flaws.push(Flaw::BelowMin(small.batch.name.clone()));
            }
        }
    }
}

/// Bytes of what cannot be parted, in the order of the batch.
fn sizes(of: &FreshBatch<'_>) -> Vec<u128> {
    let mut sizes: Vec<u128> = Vec::new();
    let mut before: Option<&String> = None;
    for member in &of.members {
        let bytes = u128::from(member.project.amount.bytes.0);
        let group = member.wish.group.as_ref();
        match sizes.last_mut() {
            Some(last) if group.is_some() && group == before => *last += bytes,
            _ => sizes.push(bytes),
        }
        before = group;
    }
    sizes
}

/// What one batch of these lacks of the minimum.
fn missing(sizes: &[u128], rules: &PlanRules) -> u128 {
    u128::from(rules.batch_min.0).saturating_sub(sizes.iter().sum())
}

/// The least that one or two batches of these lack together, no batch above the maximum unless it
/// cannot be parted.
fn least_missing(sizes: &[u128], rules: &PlanRules) -> u128 {
    let legal = |part: &[u128]| part.len() < 2 || part.iter().sum::<u128>() <= u128::from(rules.batch_max.0);
    let cuts = (1..=sizes.len()).map(|at| sizes.split_at(at));
    let lacks = cuts
        .filter(|(a, b)| legal(a) && legal(b))
        .map(|(a, b)| missing(a, rules) + if b.is_empty() { 0 } else { missing(b, rules) });
    lacks.min().unwrap_or(u128::MAX)
}
