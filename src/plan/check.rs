//! A second look at a plan, by code that shares nothing with what made it.
//!
//! Whatever builds or edits a plan, this says what is wrong with it: projects lost or moved twice,
//! totals that do not add up, names or places that meet, limits that are passed without need.

use super::{Batch, Inputs, Plan, PlanRules};
use crate::names::{RelPath, SourceName};
use crate::survey::ProjectKey;
use crate::units::Amount;
use std::collections::{BTreeMap, BTreeSet};
use unicode_normalization::UnicodeNormalization;

/// Something that must not be in a plan.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Flaw {
    /// A project that no batch has.
    Missing(SourceName, ProjectKey),
    /// A project that several batches have.
    Twice(SourceName, ProjectKey),
    /// A project in a batch that no source has.
    Unknown(SourceName, ProjectKey),
    /// A batch whose totals are not those of its projects.
    Totals(String),
    /// A batch above the maximum that could have been cut.
    TooLarge(String),
    /// A batch without projects.
    Empty(String),
    /// Two batches of one name.
    SameName(String),
    /// A batch in a dataset that the plan does not have.
    NoDataset(String),
    /// Two projects on one path, also where case and normalization are not told apart.
    SamePlace(String),
    /// A dataset whose totals are not those of its batches.
    DatasetTotals(String),
    /// A begun batch that is not as it was begun.
    Altered(String),
}

/// Every flaw of a plan; none: it is sound.
pub fn check(plan: &Plan, inputs: &Inputs<'_>, rules: &PlanRules) -> BTreeSet<Flaw> {
    let mut flaws = BTreeSet::new();
    projects(plan, inputs, &mut flaws);
    batches(plan, inputs, rules, &mut flaws);
    places(plan, &mut flaws);
    for dataset in &plan.datasets {
        let sum: Amount = plan
            .batches
            .iter()
            .filter(|b| b.dataset == dataset.name)
            .map(|b| b.amount)
            .sum();
        if sum != dataset.amount {
            flaws.insert(Flaw::DatasetTotals(dataset.name.clone()));
        }
    }
    for locked in inputs.locked {
        if !plan.batches.contains(&locked.batch) {
            flaws.insert(Flaw::Altered(locked.batch.name.to_string()));
        }
    }
    flaws
}

/// Each project in exactly one batch; deltas come on top of what has begun.
fn projects(plan: &Plan, inputs: &Inputs<'_>, flaws: &mut BTreeSet<Flaw>) {
    let mut seen: BTreeMap<(&SourceName, &ProjectKey), u32> = BTreeMap::new();
    for batch in plan.batches.iter().filter(|batch| !batch.delta) {
        for placed in &batch.projects {
            *seen.entry((&batch.source, &placed.key)).or_default() += 1;
        }
    }
    let begun: BTreeSet<(&SourceName, &ProjectKey)> = inputs
        .locked
        .iter()
        .flat_map(|l| l.batch.projects.iter().map(move |p| (&l.batch.source, &p.key)))
        .collect();
    let known: BTreeSet<(&SourceName, &ProjectKey)> =
        inputs.projects.iter().map(|p| (&p.source, &p.key)).collect();
    for project in &known {
        if !seen.contains_key(project) {
            flaws.insert(Flaw::Missing(project.0.clone(), project.1.clone()));
        }
    }
    for (project, count) in seen {
        let (source, key) = (project.0.clone(), project.1.clone());
        if count > 1 {
            flaws.insert(Flaw::Twice(source.clone(), key.clone()));
        }
        if !known.contains(&project) && !begun.contains(&project) {
            flaws.insert(Flaw::Unknown(source, key));
        }
    }
}

fn batches(plan: &Plan, inputs: &Inputs<'_>, rules: &PlanRules, flaws: &mut BTreeSet<Flaw>) {
    let mut names = BTreeSet::new();
    let datasets: BTreeSet<&str> = plan.datasets.iter().map(|d| d.name.as_str()).collect();
    for batch in &plan.batches {
        let name = batch.name.to_string();
        if !names.insert(name.clone()) {
            flaws.insert(Flaw::SameName(name.clone()));
        }
        if !datasets.contains(batch.dataset.as_str()) {
            flaws.insert(Flaw::NoDataset(name.clone()));
        }
        if batch.projects.is_empty() {
            flaws.insert(Flaw::Empty(name.clone()));
        }
        let locked = inputs.locked.iter().any(|l| l.batch == *batch);
        if locked || batch.delta {
            continue;
        }
        if sum(batch, inputs) != batch.amount || batch.sizes.total() != batch.amount {
            flaws.insert(Flaw::Totals(name.clone()));
        }
        // Groups stay together whatever their size; without one, only a lone project may be larger.
        let grouped = rules.tags.iter().any(|tag| tag.group.is_some());
        if batch.amount.bytes > rules.batch_max && batch.projects.len() > 1 && !grouped {
            flaws.insert(Flaw::TooLarge(name));
        }
    }
}

fn sum(batch: &Batch, inputs: &Inputs<'_>) -> Amount {
    let of = |key: &ProjectKey| {
        let found = inputs
            .projects
            .iter()
            .find(|p| p.source == batch.source && p.key == *key);
        found.map(|p| p.amount).unwrap_or_default()
    };
    batch.projects.iter().map(|placed| of(&placed.key)).sum()
}

/// No two projects on one path, nor one inside another. Deltas go where their projects went.
fn places(plan: &Plan, flaws: &mut BTreeSet<Flaw>) {
    let mut taken: BTreeMap<Vec<u8>, String> = BTreeMap::new();
    for batch in plan.batches.iter().filter(|batch| !batch.delta) {
        let Some(dataset) = plan.datasets.iter().find(|d| d.name == batch.dataset) else {
            continue;
        };
        for placed in &batch.projects {
            let path = dataset.folder.join_path(&placed.place);
            let mut key = dataset.destination.clone().into_bytes();
            key.push(0);
            key.extend(folded(&path));
            if let Some(other) = taken.insert(key, path.to_string()) {
                flaws.insert(Flaw::SamePlace(other));
            }
        }
    }
}

/// Full case folding, then NFC: names that some client cannot tell apart. Bytes that are no UTF-8
/// stay as they are.
fn folded(path: &RelPath) -> Vec<u8> {
    match std::str::from_utf8(path.as_bytes()) {
        Ok(text) => caseless::default_case_fold_str(text)
            .nfc()
            .collect::<String>()
            .into_bytes(),
        Err(_) => path.as_bytes().to_vec(),
    }
}
