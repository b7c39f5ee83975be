//! What changes from one plan to the next, as a value.

use super::Plan;
use crate::names::{BatchName, SourceName};
use crate::survey::ProjectKey;
use crate::units::Amount;
use std::collections::BTreeMap;

/// What differs between two plans; empty lists where nothing does.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Difference {
    /// Batches only in the new plan, in its order.
    pub added: Vec<BatchName>,
    /// Batches only in the old plan, in its order.
    pub removed: Vec<BatchName>,
    /// Batches in both that are not the same, in the new plan's order.
    pub changed: Vec<Changed>,
    /// Projects in another batch than before, by source and key.
    pub moved: Vec<Moved>,
    /// Batches that are in both come in another order.
    pub reordered: bool,
}

/// A batch of both plans that is not the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Changed {
    /// Its name.
    pub name: BatchName,
    /// Files and bytes in the old plan.
    pub before: Amount,
    /// Files and bytes in the new plan.
    pub after: Amount,
    /// Projects that come in.
    pub gained: u64,
    /// Projects that go out.
    pub lost: u64,
}

/// A project that changes its batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Moved {
    /// On which source.
    pub source: SourceName,
    /// Which project.
    pub key: ProjectKey,
    /// Its batch in the old plan; `None`: it is new.
    pub from: Option<BatchName>,
    /// Its batch in the new plan; `None`: it is gone.
    pub to: Option<BatchName>,
}

impl Difference {
    /// Whether the plans have the same batches with the same projects in the same order.
    pub fn is_empty(&self) -> bool {
        *self == Difference::default()
    }

    /// Whether the new plan only takes in what has come: no batch goes, none comes in another
    /// order, no project leaves its batch.
    pub fn is_growth(&self) -> bool {
        let stays = self.moved.iter().all(|project| project.from.is_none());
        let keeps = self.changed.iter().all(|batch| batch.lost == 0);
        self.removed.is_empty() && !self.reordered && stays && keeps
    }
}

/// The way from `old` to `new`. A project's delta batches do not count as its batch.
pub fn difference(old: &Plan, new: &Plan) -> Difference {
    let names = |plan: &Plan| -> Vec<BatchName> { plan.batches.iter().map(|b| b.name.clone()).collect() };
    let (before, after) = (names(old), names(new));
    let missing = |from: &[BatchName], among: &[BatchName]| -> Vec<BatchName> {
        let among: std::collections::BTreeSet<_> = among.iter().collect();
        from.iter()
            .filter(|name| !among.contains(name))
            .cloned()
            .collect()
    };
    let removed = missing(&before, &after);
    let added = missing(&after, &before);
    let kept = |all: &[BatchName], out: &[BatchName]| missing(all, out);
    Difference {
        reordered: kept(&before, &removed) != kept(&after, &added),
        changed: changed(old, new),
        moved: moved(old, new),
        added,
        removed,
    }
}

fn changed(old: &Plan, new: &Plan) -> Vec<Changed> {
    let olds: BTreeMap<_, _> = old.batches.iter().map(|b| (&b.name, b)).collect();
    let mut out = Vec::new();
    for after in &new.batches {
        let Some(before) = olds.get(&after.name).filter(|b| **b != after) else {
            continue;
        };
        let count = |of: &super::Batch, not_in: &super::Batch| {
            let there: std::collections::BTreeSet<_> = not_in.projects.iter().map(|p| &p.key).collect();
            let other_source = of.source != not_in.source;
            let news = of
                .projects
                .iter()
                .filter(|p| other_source || !there.contains(&p.key));
            news.count() as u64
        };
        out.push(Changed {
            name: after.name.clone(),
            before: before.amount,
            after: after.amount,
            gained: count(after, before),
            lost: count(before, after),
        });
    }
    out
}

fn moved(old: &Plan, new: &Plan) -> Vec<Moved> {
    type Homes<'a> = BTreeMap<(&'a SourceName, &'a ProjectKey), &'a BatchName>;
    fn homes(plan: &Plan) -> Homes<'_> {
        let whole = plan.batches.iter().filter(|b| !b.delta);
        whole
            .flat_map(|b| b.projects.iter().map(move |p| ((&b.source, &p.key), &b.name)))
            .collect()
    }
    let (before, after) = (homes(old), homes(new));
    let keys: std::collections::BTreeSet<_> = before.keys().chain(after.keys()).collect();
    let each = keys.into_iter().filter_map(|at| {
        let (from, to) = (before.get(at).copied(), after.get(at).copied());
        (from != to).then(|| Moved {
            source: at.0.clone(),
            key: at.1.clone(),
            from: from.cloned(),
            to: to.cloned(),
        })
    });
    each.collect()
}
