//! Whether a plan keeps its promises, found out by other means than those it was made with.
//!
//! [`check`] takes the finished plan apart again: it counts projects, adds up totals, works out
//! where each project should stand from its own evidence and tag, and compares. It shares with the
//! making of plans only the reading of one tag. What it finds is a defect of the program or a plan
//! that was changed afterwards, never a mistake of the user's.

mod expected;
mod limits;
mod places;
mod sequence;

use super::{Dataset, Inputs, Plan, PlanRules, project_name};
use crate::names::{BatchName, SourceName, shown};
use crate::sizes::SizeHistogram;
use crate::survey::{ProjectKey, ProjectSummary, Unplanned};
use crate::units::Amount;
use std::collections::{BTreeMap, BTreeSet};

/// One broken promise.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Flaw {
    /// A project of a source is in no batch: (source, project).
    Lost(SourceName, String),
    /// A project is in more than one batch: (source, project).
    Twice(SourceName, String),
    /// A batch holds a project that nothing was handed in for: (batch, project).
    Unknown(BatchName, String),
    /// A batch without projects.
    Empty(BatchName),
    /// A batch that has begun is missing, changed or out of its order.
    Begun(BatchName),
    /// A batch's totals are not those of its projects.
    BatchTotals(BatchName),
    /// A dataset's totals are not those of its batches.
    DatasetTotals(String),
    /// What no batch can take is not what the surveys found.
    Unplanned,
    /// More than one project or group, above the maximum.
    AboveMax(BatchName),
    /// Below the minimum though joining or another cut with its neighbour would help.
    BelowMin(BatchName),
    /// A group is spread over batches of one source, or over datasets.
    GroupSplit(String),
    /// A batch mixes what must wait for different turns.
    Mixed(BatchName),
    /// Two batches of one name.
    NameTwice(BatchName),
    /// A batch is not called by its dataset and the next number: (name, the name it should have).
    Name(BatchName, BatchName),
    /// The batch that begins to teach the forecast is not the first, not alone, or not asked for.
    Pilot(BatchName),
    /// A batch comes before one that should be earlier: (earlier in the plan, should be earlier).
    Order(BatchName, BatchName),
    /// Projects of a batch are not in the order of their dates and names.
    Within(BatchName),
    /// A batch names a dataset that the plan has not.
    NoDataset(BatchName),
    /// A dataset is there twice, has no batch, an illegal name, or a name, folder or destination
    /// that no rule gives it.
    Dataset(String),
    /// Datasets are not in the order of their first batches.
    DatasetOrder,
    /// A project is in another dataset than its evidence and tag say: (source, project).
    Strayed(SourceName, String),
    /// A project lands on another path than its own: (source, project).
    Place(SourceName, String),
    /// Two projects land on one path or one inside the other, by case folding and normalization
    /// too.
    Collide(String, String),
}

impl Flaw {
    /// The flaw as one sentence.
    pub fn words(&self) -> String {
        match self {
            Flaw::Lost(source, name) => format!("{name} of source {source} is in no batch."),
            Flaw::Twice(source, name) => format!("{name} of source {source} is in more than one batch."),
            Flaw::Unknown(batch, name) => format!("Batch {batch} holds {name}, which no survey knows."),
            Flaw::Empty(batch) => format!("Batch {batch} holds nothing."),
            Flaw::Begun(batch) => {
                format!("Batch {batch} has begun, but the plan does not keep it as it was.")
            }
            Flaw::BatchTotals(batch) => format!("The totals of batch {batch} are not those of its projects."),
            Flaw::DatasetTotals(name) => {
                format!("The totals of dataset {name} are not those of its batches.")
            }
            Flaw::Unplanned => "What no batch can take differs from what the surveys found.".into(),
            Flaw::AboveMax(batch) => format!("Batch {batch} is above the maximum and could be cut."),
            Flaw::BelowMin(batch) => {
                format!("Batch {batch} is below the minimum though its neighbour could help.")
            }
            Flaw::GroupSplit(group) => format!("The group {group} is split."),
            Flaw::Mixed(batch) => format!("Batch {batch} mixes projects that wait for different turns."),
            Flaw::NameTwice(batch) => format!("Two batches are called {batch}."),
            Flaw::Name(batch, right) => format!("Batch {batch} should be called {right}."),
            Flaw::Pilot(batch) => format!("Batch {batch} cannot be the pilot."),
            Flaw::Order(first, second) => format!("Batch {second} should come before batch {first}."),
            Flaw::Within(batch) => format!("The projects of batch {batch} are out of order."),
            Flaw::NoDataset(batch) => format!("Batch {batch} fills a dataset that the plan does not have."),
            Flaw::Dataset(name) => format!("Dataset {name} is not one that the rules give."),
            Flaw::DatasetOrder => "The datasets are not in the order of their first batches.".into(),
            Flaw::Strayed(source, name) => format!("{name} of source {source} is in a wrong dataset."),
            Flaw::Place(source, name) => format!("{name} of source {source} lands on a wrong path."),
            Flaw::Collide(a, b) => format!("{a} and {b} land on one path or inside each other."),
        }
    }
}

/// A project of one source.
type Who<'a> = (&'a SourceName, &'a ProjectKey);

/// All that is wrong with a plan made from these inputs by these rules; empty where nothing is.
pub fn check(plan: &Plan, inputs: &Inputs<'_>, rules: &PlanRules) -> Vec<Flaw> {
    let mut flaws = Vec::new();
    begun_kept(plan, inputs, &mut flaws);
    each_once(plan, inputs, &mut flaws);
    batch_totals(plan, inputs, &mut flaws);
    datasets(plan, inputs, rules, &mut flaws);
    if sorted(inputs.unplanned) != sorted(&plan.unplanned) {
        flaws.push(Flaw::Unplanned);
    }
    let fresh = expected::Fresh::of(plan, inputs, rules);
    places::check(&fresh, plan, inputs, rules, &mut flaws);
    limits::check(&fresh, rules, &mut flaws);
    sequence::check(&fresh, inputs, rules, &mut flaws);
    flaws
}

fn name(key: &ProjectKey) -> String {
    shown(&project_name(key))
}

/// The batches that have begun stand first and are what they were.
fn begun_kept(plan: &Plan, inputs: &Inputs<'_>, flaws: &mut Vec<Flaw>) {
    for (at, begun) in inputs.locked.iter().enumerate() {
        if plan.batches.get(at) != Some(&begun.batch) {
            flaws.push(Flaw::Begun(begun.batch.name.clone()));
        }
    }
}

/// Every project is in exactly one batch, its later files in exactly one of those for such.
fn each_once(plan: &Plan, inputs: &Inputs<'_>, flaws: &mut Vec<Flaw>) {
    let mut ordinary: BTreeMap<Who<'_>, usize> = BTreeMap::new();
    let mut later: BTreeMap<Who<'_>, usize> = BTreeMap::new();
    let begun = inputs.locked.len();
    for (at, batch) in plan.batches.iter().enumerate() {
        if batch.projects.is_empty() {
            flaws.push(Flaw::Empty(batch.name.clone()));
        }
        for placed in &batch.projects {
            let who = (&batch.source, &placed.key);
            match (batch.delta, at < begun) {
                (false, _) => *ordinary.entry(who).or_default() += 1,
                (true, false) => *later.entry(who).or_default() += 1,
                // A project may get later files again and again.
                (true, true) => {}
            }
        }
    }
    let held: BTreeSet<Who<'_>> = inputs
        .locked
        .iter()
        .flat_map(|l| l.batch.projects.iter().map(|p| (&l.batch.source, &p.key)))
        .collect();
    let open = known(inputs.projects)
        .into_keys()
        .filter(|who| !held.contains(who));
    let lost = open.filter(|who| !ordinary.contains_key(who));
    let lost_late = known(inputs.late)
        .into_keys()
        .filter(|who| !later.contains_key(who));
    for (source, key) in lost.chain(lost_late) {
        flaws.push(Flaw::Lost(source.clone(), name(key)));
    }
    for ((source, key), _) in ordinary.iter().chain(&later).filter(|(_, count)| **count > 1) {
        flaws.push(Flaw::Twice((*source).clone(), name(key)));
    }
}

/// Totals of the batches that have not begun, from the projects handed in.
fn batch_totals(plan: &Plan, inputs: &Inputs<'_>, flaws: &mut Vec<Flaw>) {
    let fresh: BTreeMap<Who<'_>, &ProjectSummary> = known(inputs.projects);
    let late: BTreeMap<Who<'_>, &ProjectSummary> = known(inputs.late);
    for batch in plan.batches.iter().skip(inputs.locked.len()) {
        let mut amount = Amount::default();
        let mut sizes = SizeHistogram::default();
        for placed in &batch.projects {
            let list = if batch.delta { &late } else { &fresh };
            match list.get(&(&batch.source, &placed.key)) {
                Some(project) => {
                    amount.add(project.amount);
                    sizes.merge(&project.sizes);
                }
                None => flaws.push(Flaw::Unknown(batch.name.clone(), name(&placed.key))),
            }
        }
        if (amount, &sizes) != (batch.amount, &batch.sizes) {
            flaws.push(Flaw::BatchTotals(batch.name.clone()));
        }
    }
}

/// Projects by what they are called.
fn known(list: &[ProjectSummary]) -> BTreeMap<Who<'_>, &ProjectSummary> {
    list.iter().map(|p| ((&p.source, &p.key), p)).collect()
}

/// Every dataset once, filled by a batch, with their sums, in the order of the first of them.
fn datasets(plan: &Plan, inputs: &Inputs<'_>, rules: &PlanRules, flaws: &mut Vec<Flaw>) {
    let mut first: Vec<&str> = Vec::new();
    for batch in &plan.batches {
        if !plan.datasets.iter().any(|d| d.name == batch.dataset) {
            flaws.push(Flaw::NoDataset(batch.name.clone()));
        } else if !first.contains(&batch.dataset.as_str()) {
            first.push(&batch.dataset);
        }
    }
    let names: Vec<&str> = plan.datasets.iter().map(|d| d.name.as_str()).collect();
    if names != first {
        flaws.push(Flaw::DatasetOrder);
    }
    for (at, dataset) in plan.datasets.iter().enumerate() {
        let mut amount = Amount::default();
        let mut sizes = SizeHistogram::default();
        for batch in plan.batches.iter().filter(|b| b.dataset == dataset.name) {
            amount.add(batch.amount);
            sizes.merge(&batch.sizes);
        }
        if (amount, &sizes) != (dataset.amount, &dataset.sizes) {
            flaws.push(Flaw::DatasetTotals(dataset.name.clone()));
        }
        let again = plan.datasets.iter().take(at).any(|d| d.name == dataset.name);
        if again || !places::given(dataset, inputs, rules) {
            flaws.push(Flaw::Dataset(dataset.name.clone()));
        }
    }
}

fn sorted(list: &[Unplanned]) -> Vec<&Unplanned> {
    let mut list: Vec<&Unplanned> = list.iter().collect();
    list.sort_by(|a, b| {
        let key = |u: &Unplanned| {
            (
                u.source.clone(),
                u.path.clone(),
                u.reason,
                u.amount.files,
                u.amount.bytes,
            )
        };
        key(a).cmp(&key(b))
    });
    list
}

/// The dataset a batch fills.
fn dataset_of<'a>(plan: &'a Plan, name: &str) -> Option<&'a Dataset> {
    plan.datasets.iter().find(|d| d.name == name)
}
