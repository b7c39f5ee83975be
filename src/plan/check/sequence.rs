//! Names and order: numbers without gaps, the pilot first, every batch in its turn.

use super::Flaw;
use super::expected::{Fresh, FreshBatch, Member, Wait};
use crate::names::{BatchName, SourceName};
use crate::plan::Inputs;
use crate::plan::rules::{Order, PlanRules};
use crate::units::Bytes;
use std::collections::{BTreeMap, BTreeSet};

/// Where a member stands by date.
type DatePlace = (i32, i32, Vec<u8>);

pub(super) fn check(fresh: &Fresh<'_>, inputs: &Inputs<'_>, rules: &PlanRules, flaws: &mut Vec<Flaw>) {
    names(fresh, inputs, flaws);
    pilot(fresh, inputs, rules, flaws);
    order(fresh, rules, flaws);
    for of in &fresh.batches {
        if !in_date_order(of, rules.order == Order::NewestFirst) {
            flaws.push(Flaw::Within(of.batch.name.clone()));
        }
    }
}

/// Names go on from the highest number that has begun, one by one, and none is there twice.
fn names(fresh: &Fresh<'_>, inputs: &Inputs<'_>, flaws: &mut Vec<Flaw>) {
    let mut seen: BTreeSet<&BatchName> = inputs.locked.iter().map(|l| &l.batch.name).collect();
    let mut next: BTreeMap<&str, u32> = BTreeMap::new();
    for begun in inputs.locked.iter().map(|l| &l.batch) {
        let (head, number) = begun.name.as_str().rsplit_once('.').unwrap_or_default();
        let number: u32 = number.parse().unwrap_or_default();
        if head == begun.dataset {
            let last = next.entry(&begun.dataset).or_default();
            *last = number.max(*last);
        }
    }
    for batch in fresh.batches.iter().map(|of| of.batch) {
        if !seen.insert(&batch.name) {
            flaws.push(Flaw::NameTwice(batch.name.clone()));
        }
        let right = if batch.pilot {
            "pilot".to_string()
        } else {
            let last = next.entry(&batch.dataset).or_default();
            *last = last.saturating_add(1);
            format!("{}.{last}", batch.dataset)
        };
        if batch.name.as_str() != right {
            flaws.push(Flaw::Name(batch.name.clone(), BatchName::typed(&right)));
        }
    }
}

/// A pilot is the first of a move that has not begun, waits for nothing, and is at most a
/// twentieth of all.
fn pilot(fresh: &Fresh<'_>, inputs: &Inputs<'_>, rules: &PlanRules, flaws: &mut Vec<Flaw>) {
    let all: Bytes = fresh.batches.iter().map(|of| of.batch.amount.bytes).sum();
    for (at, of) in fresh.batches.iter().enumerate().filter(|(_, of)| of.batch.pilot) {
        let first = at == 0 && inputs.locked.is_empty();
        let small = of.batch.amount.bytes.0 <= all.0 / 20;
        let free = of.members.iter().all(|m| m.wait == Wait::None);
        if !(rules.pilot && first && small && free && !of.batch.delta) {
            flaws.push(Flaw::Pilot(of.batch.name.clone()));
        }
    }
}

/// What a batch is sorted by.
type Standing<'a> = (Wait, (bool, i64), i128, &'a str, &'a SourceName, bool, DatePlace);

fn standing<'a>(of: &FreshBatch<'a>, order: Order) -> Option<Standing<'a>> {
    let first = of.members.first()?;
    let years = || of.members.iter().filter_map(|m| m.year.map(|y| i128::from(y.0)));
    let bytes = i128::from(of.batch.amount.bytes.0);
    let rank = match order {
        Order::OldestFirst => years().min().unwrap_or(i128::MAX),
        Order::NewestFirst => years().max().map_or(i128::MAX, |year| -year),
        Order::SmallestFirst => bytes,
        Order::LargestFirst | Order::ExposureFirst => -bytes,
    };
    let by_date = first.date_place(order == Order::NewestFirst);
    let batch = of.batch;
    Some((
        first.wait,
        first.order,
        rank,
        &batch.dataset,
        &batch.source,
        batch.delta,
        by_date,
    ))
}

fn order(fresh: &Fresh<'_>, rules: &PlanRules, flaws: &mut Vec<Flaw>) {
    let after_pilot: Vec<_> = fresh.batches.iter().filter(|of| !of.batch.pilot).collect();
    for (one, next) in after_pilot.iter().zip(after_pilot.iter().skip(1)) {
        if standing(one, rules.order) > standing(next, rules.order) {
            let names = (one.batch.name.clone(), next.batch.name.clone());
            flaws.push(Flaw::Order(names.0, names.1));
        }
    }
}

/// Groups lie together, each where its first member does; all else goes by date and name.
fn in_date_order(of: &FreshBatch<'_>, newest_first: bool) -> bool {
    let mut met: BTreeSet<&str> = BTreeSet::new();
    let mut head: Option<DatePlace> = None;
    let mut before: Option<&Member<'_>> = None;
    for member in &of.members {
        let place = member.date_place(newest_first);
        let group = member.wish.group.as_deref();
        let joins = group.is_some() && before.is_some_and(|b| b.wish.group.as_deref() == group);
        let least = if joins {
            before.map(|b| b.date_place(newest_first))
        } else {
            head.replace(place.clone())
        };
        let again = !joins && group.is_some_and(|g| !met.insert(g));
        if again || least.is_some_and(|least| least > place) {
            return false;
        }
        before = Some(member);
    }
    true
}
