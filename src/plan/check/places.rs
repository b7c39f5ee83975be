//! Datasets and paths: whether each project lands where its own rules say, and nobody on another.

use super::expected::{Fresh, FreshBatch, Member};
use super::{Flaw, dataset_of, name};
use crate::names::RelPath;
use crate::plan::rules::{By, PlanRules};
use crate::plan::{Dataset, Inputs, Plan};
use crate::pool::names::{check_dataset, slug};
use caseless::Caseless;
use std::collections::{BTreeMap, BTreeSet};
use unicode_normalization::UnicodeNormalization;

/// Whether a dataset is one that has begun, or has a legal name made from its folder and the
/// parent of a destination in the rules.
pub(super) fn given(dataset: &Dataset, inputs: &Inputs<'_>, rules: &PlanRules) -> bool {
    let begun = inputs.locked.iter().map(|l| &l.dataset);
    let home = |d: &Dataset| (d.destination.clone(), d.folder.clone());
    if let Some(known) = begun.into_iter().find(|d| home(d) == home(dataset)) {
        return known.name == dataset.name && known.full_name == dataset.full_name;
    }
    let Some(rule) = rules.destinations.iter().find(|d| d.name == dataset.destination) else {
        return false;
    };
    let full_name = rule
        .parent
        .as_ref()
        .map(|parent| format!("{parent}/{}", dataset.name));
    let whole = dataset.full_name.as_deref().unwrap_or(&dataset.name);
    full_name == dataset.full_name
        && !dataset.name.contains('/')
        && dataset.name.starts_with(&slug(dataset.folder.as_bytes()))
        && check_dataset(whole.as_bytes()).is_ok()
}

pub(super) fn check(
    fresh: &Fresh<'_>,
    plan: &Plan,
    inputs: &Inputs<'_>,
    rules: &PlanRules,
    flaws: &mut Vec<Flaw>,
) {
    let heads = heads(fresh);
    for of in &fresh.batches {
        let Some(dataset) = dataset_of(plan, &of.batch.dataset) else {
            continue;
        };
        for member in &of.members {
            let group = member.wish.group.as_deref();
            let head = group.and_then(|g| heads.get(g).copied()).unwrap_or(member);
            let (right_dataset, right_place) = if of.batch.delta {
                follows(of, member, dataset, inputs)
            } else {
                (
                    stands(head, dataset, rules),
                    own_place(member, rules).as_ref() == Some(&member.placed.place),
                )
            };
            let who = (of.batch.source.clone(), name(&member.placed.key));
            if !right_dataset {
                flaws.push(Flaw::Strayed(who.0.clone(), who.1.clone()));
            }
            if !right_place {
                flaws.push(Flaw::Place(who.0, who.1));
            }
        }
    }
    collisions(plan, flaws);
}

/// The earliest member of each group: its dataset is the group's.
fn heads<'f, 'a>(fresh: &'f Fresh<'a>) -> BTreeMap<&'f str, &'f Member<'a>> {
    let first = |members: Vec<(&'f FreshBatch<'a>, &'f Member<'a>)>| {
        let members = members.into_iter().map(|(_, member)| member);
        members.min_by_key(|m| {
            (
                m.date_place(false),
                m.project.source.clone(),
                m.placed.key.clone(),
            )
        })
    };
    let groups = fresh.groups().into_iter();
    groups
        .filter_map(|(group, members)| Some((group, first(members)?)))
        .collect()
}

/// Whether the dataset is the one that this project asks for.
fn stands(head: &Member<'_>, dataset: &Dataset, rules: &PlanRules) -> bool {
    let destination = match &head.wish.pool {
        Some(pool) => Some(pool),
        None => rules.destinations.first().map(|d| &d.name),
    };
    destination == Some(&dataset.destination) && head.wanted_folder(rules).as_ref() == Some(&dataset.folder)
}

/// The folder below its dataset's: the root where the project is the dataset.
fn own_place(member: &Member<'_>, rules: &PlanRules) -> Option<RelPath> {
    let alone = member.wish.dataset.is_none() && member.wish.group.is_none();
    if rules.by == By::Project && alone {
        return Some(RelPath::root());
    }
    member.own_path(rules)
}

/// Later files go where their project went first: (dataset, place).
fn follows(of: &FreshBatch<'_>, member: &Member<'_>, dataset: &Dataset, inputs: &Inputs<'_>) -> (bool, bool) {
    let homes = inputs.locked.iter().filter(|l| l.batch.source == of.batch.source);
    let found = homes
        .flat_map(|l| l.batch.projects.iter().map(move |p| (l, p)))
        .find(|(_, placed)| placed.key == member.placed.key);
    found.map_or((false, false), |(home, placed)| {
        (
            home.dataset.name == dataset.name,
            placed.place == member.placed.place,
        )
    })
}

/// Looks above each project's path, component by component, for another's.
fn collisions(plan: &Plan, flaws: &mut Vec<Flaw>) {
    let mut all: Vec<(Vec<Vec<u8>>, String)> = Vec::new();
    for batch in plan.batches.iter().filter(|b| !b.delta) {
        let Some(dataset) = dataset_of(plan, &batch.dataset) else {
            continue;
        };
        for placed in &batch.projects {
            let path = dataset.folder.join_path(&placed.place);
            let mut parts = vec![dataset.destination.clone().into_bytes()];
            parts.extend(path.components().map(fold));
            all.push((parts, name(&placed.key)));
        }
    }
    // The program's own folder at each destination counts as a project there.
    let destinations: BTreeSet<&str> = plan.datasets.iter().map(|d| d.destination.as_str()).collect();
    for destination in destinations {
        let own = vec![destination.as_bytes().to_vec(), b".poolward".to_vec()];
        all.push((own, ".poolward".into()));
    }
    let mut paths: BTreeMap<&[Vec<u8>], &str> = BTreeMap::new();
    for (parts, name) in &all {
        if let Some(other) = paths.insert(parts, name) {
            flaws.push(Flaw::Collide(other.to_string(), name.clone()));
        }
    }
    for (parts, name) in &all {
        for depth in 1..parts.len() {
            if let Some(other) = parts.get(..depth).and_then(|above| paths.get(above)) {
                flaws.push(Flaw::Collide(other.to_string(), name.clone()));
            }
        }
    }
}

/// Canonical caseless form (Unicode definition D145) of each piece that is text; other bytes stay.
fn fold(name: &[u8]) -> Vec<u8> {
    let pieces = name.utf8_chunks().map(|chunk| {
        let text: String = chunk.valid().chars().nfd().default_case_fold().nfd().collect();
        [text.as_bytes(), chunk.invalid()].concat()
    });
    pieces.collect::<Vec<_>>().concat()
}
