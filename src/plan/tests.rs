//! Plans as values: hand-made cases, then properties against the separate check.

mod building;
mod fitting;
mod properties;
mod words;

use crate::moment::{Moment, Year};
use crate::names::{RelPath, SourceName};
use crate::plan::check::{Flaw, check};
use crate::plan::{
    Batch, DestinationRule, Inputs, LockedBatch, Match, Notes, Pattern, Plan, PlanRules, Tag, build,
};
use crate::sizes::SizeHistogram;
use crate::survey::{Confidence, Evidence, Kind, ProjectDate, ProjectKey, ProjectSummary};
use crate::units::{Amount, Bytes};

const MB: u64 = 1_000_000;

/// A project of so many files of one size each.
fn project(source: &str, name: &str, year: Option<u16>, files: u64, each: u64) -> ProjectSummary {
    let mut sizes = SizeHistogram::default();
    for _ in 0..files {
        sizes.push(Bytes(each));
    }
    let amount = sizes.total();
    ProjectSummary {
        source: SourceName(source.into()),
        key: ProjectKey::Folder(RelPath::new(name).unwrap()),
        amount,
        others: 1,
        sizes,
        kinds: vec![(Kind::Video, amount)],
        newest: None,
        date: ProjectDate {
            year: year.map(Year),
            evidence: Evidence::FolderDate,
            confidence: Confidence::High,
            words: String::new(),
            against: Vec::new(),
        },
        linked_with: Vec::new(),
    }
}

/// One file of so many megabytes on the source `nas`.
fn mb(name: &str, year: u16, size: u64) -> ProjectSummary {
    let year = Some(year).filter(|y| *y > 0);
    project("nas", name, year, 1, size * MB)
}

/// Batches of 40 to 100 MB, no pilot.
fn rules() -> PlanRules {
    let mut rules = PlanRules::new(DestinationRule {
        name: "pool".into(),
        parent: Some("pool/archive".into()),
        late: false,
    });
    (rules.batch_min, rules.batch_max, rules.pilot) = (Bytes(40 * MB), Bytes(100 * MB), false);
    rules
}

fn tag(pattern: &str) -> Tag {
    Tag::new(Match::Pattern(Pattern::new(pattern).unwrap()))
}

/// Builds, and holds the result to the check.
fn sound(inputs: &Inputs<'_>, rules: &PlanRules) -> (Plan, Notes) {
    let (plan, notes) = build(inputs, rules).unwrap();
    assert_eq!(check(&plan, inputs, rules), []);
    (plan, notes)
}

fn plan_of(projects: &[ProjectSummary], rules: &PlanRules) -> (Plan, Notes) {
    let inputs = Inputs {
        projects,
        ..Inputs::default()
    };
    sound(&inputs, rules)
}

/// `2019.1: a b` for each batch.
fn lines(plan: &Plan) -> Vec<String> {
    plan.batches.iter().map(line).collect()
}

fn line(batch: &Batch) -> String {
    let names = batch.projects.iter().map(|p| crate::plan::project_name(&p.key));
    let names: Vec<String> = names.map(|n| String::from_utf8_lossy(&n).into_owned()).collect();
    format!("{}: {}", batch.name, names.join(" "))
}

/// The first batches of a plan, begun.
fn begin(plan: &Plan, count: usize) -> Vec<LockedBatch> {
    let begun = plan.batches.iter().take(count);
    begun
        .map(|batch| LockedBatch {
            batch: batch.clone(),
            dataset: plan
                .datasets
                .iter()
                .find(|d| d.name == batch.dataset)
                .unwrap()
                .clone(),
        })
        .collect()
}
