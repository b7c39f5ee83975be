//! Making a plan: settle each project, name the datasets, cut rows into batches, order and number
//! them.

use super::cut::cut;
use super::naming::{Home, datasets, places_differ};
use super::notes::{Decision, Limit, Notes, Remark, Verdict};
use super::pilot::{self, Candidate};
use super::rules::{By, Order, PlanRules};
use super::settle::{Class, Settled, Turn, settle, settle_late};
use super::tags;
use super::{Batch, Dataset, Inputs, LockedBatch, Placed, Plan};
use crate::names::{BatchName, SourceName, shown};
use crate::sizes::SizeHistogram;
use crate::survey::{ABOUT_DATE, ProjectKey, Question};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes, counted};
use std::collections::{BTreeMap, BTreeSet};

/// More datasets than this is worth a remark: creating and mounting them takes minutes.
const MANY_DATASETS: usize = 200;

/// What may share batches: one dataset, one source, one turn, one tag order; deltas apart.
type RowKey<'a> = (String, &'a SourceName, Class, bool);

/// Projects that never part, as numbers of the settled ones.
type Unit = Vec<usize>;

/// A batch without its name.
struct Draft<'a> {
    row: &'a RowKey<'a>,
    members: Vec<usize>,
    /// Its number in the row.
    seq: usize,
    pilot: bool,
}

/// Makes the plan. Pure: the same input gives the same plan, byte for byte, in whatever order the
/// projects come.
///
/// # Errors
/// Rules that cannot hold (`bad-rules`, `bad-tag`, `bad-pattern`), two projects on one path
/// (`places-collide`, `datasets-collide`), a dataset name over 255 bytes (`name-too-long`).
pub fn build(inputs: &Inputs<'_>, rules: &PlanRules) -> Result<(Plan, Notes), Trouble> {
    check_rules(rules)?;
    let begun = begun(inputs.locked);
    each_once(inputs)?;
    let fresh = inputs
        .projects
        .iter()
        .filter(|p| !begun.contains(&(&p.source, &p.key)));
    let mut settled = settle(fresh, rules)?;
    settled.extend(settle_late(inputs.late, inputs.locked, rules)?);
    let mut homes = datasets(&settled, inputs.locked, rules)?;
    places_differ(&settled, inputs.locked, rules)?;

    let rows = rows(&settled, &homes, rules);
    let mut drafts = drafts(&rows, &settled, None, rules);
    if inputs.locked.is_empty() && drafts.len() >= pilot::LEAST_BATCHES {
        if let Some(chosen) = find_pilot(&rows, &settled, rules) {
            drafts = self::drafts(&rows, &settled, Some(&chosen), rules);
        }
    }
    sort(&mut drafts, &settled, rules);
    let fresh_batches = numbered(&drafts, &settled, inputs.locked);

    let mut notes = notes(inputs, &settled, &homes, rules);
    for (batch, draft) in fresh_batches.iter().zip(&drafts) {
        note_batch(batch, draft, rules, &mut notes);
    }
    let mut batches: Vec<Batch> = inputs.locked.iter().map(|l| l.batch.clone()).collect();
    batches.extend(fresh_batches);
    let datasets = filled(&batches, &mut homes);
    if datasets.len() > MANY_DATASETS {
        notes.remarks.push(many_datasets(datasets.len()));
    }
    let mut unplanned = inputs.unplanned.to_vec();
    unplanned.sort_by(|a, b| (&a.source, &a.path, a.reason).cmp(&(&b.source, &b.path, b.reason)));
    let plan = Plan {
        datasets,
        batches,
        unplanned,
    };
    Ok((plan, notes))
}

fn check_rules(rules: &PlanRules) -> Result<(), Trouble> {
    let fail = |text: String, mend: &str| Err(Trouble::usage("bad-rules", text).mend(mend));
    if rules.destinations.is_empty() {
        return fail(
            "there is no destination".into(),
            "Add a [[destination]] to move.toml.",
        );
    }
    if rules.batch_max.0 == 0 {
        return fail(
            "batch-max is nothing".into(),
            "Set batch-max, for example \"4 TB\".",
        );
    }
    if rules.batch_min > rules.batch_max {
        return fail(
            format!(
                "batch-min ({}) is more than batch-max ({})",
                rules.batch_min, rules.batch_max
            ),
            "Make batch-min at most half of batch-max, so that projects can be cut into batches.",
        );
    }
    Ok(())
}

fn begun(locked: &[LockedBatch]) -> BTreeSet<(&SourceName, &ProjectKey)> {
    let each = locked
        .iter()
        .flat_map(|l| l.batch.projects.iter().map(|p| (&l.batch.source, &p.key)));
    each.collect()
}

fn each_once(inputs: &Inputs<'_>) -> Result<(), Trouble> {
    for list in [inputs.projects, inputs.late] {
        let mut seen = BTreeSet::new();
        for project in list {
            if !seen.insert((&project.source, &project.key)) {
                let name = shown(&tags::project_name(&project.key));
                return Err(Trouble::defect(format!(
                    "the project {name} of source {} was handed in twice",
                    project.source
                )));
            }
        }
    }
    Ok(())
}

/// The settled projects by what may share batches, as units in the order of date and name.
fn rows<'a>(
    settled: &'a [Settled<'_>],
    homes: &BTreeMap<Home, Dataset>,
    rules: &PlanRules,
) -> BTreeMap<RowKey<'a>, Vec<Unit>> {
    let mut rows: BTreeMap<RowKey<'a>, Vec<usize>> = BTreeMap::new();
    for (at, s) in settled.iter().enumerate() {
        let key = (dataset_name(s, homes, rules), &s.project.source, s.class, s.delta);
        rows.entry(key).or_default().push(at);
    }
    let units = |mut members: Vec<usize>| {
        if rules.order == Order::NewestFirst {
            // Stable: within a year the names still go upwards; the undated stay last.
            members.sort_by_key(|at| -settled[*at].year.map_or(0, |y| i32::from(y.0)));
        }
        in_units(&members, settled)
    };
    rows.into_iter()
        .map(|(key, members)| (key, units(members)))
        .collect()
}

fn dataset_name(s: &Settled<'_>, homes: &BTreeMap<Home, Dataset>, rules: &PlanRules) -> String {
    let destination = rules.destinations.get(s.destination);
    let home = (
        destination.map(|d| d.name.clone()).unwrap_or_default(),
        s.folder.clone(),
    );
    homes.get(&home).map(|d| d.name.clone()).unwrap_or_default()
}

/// A group stands where its first member does.
fn in_units(members: &[usize], settled: &[Settled<'_>]) -> Vec<Unit> {
    let mut units: Vec<Unit> = Vec::new();
    let mut groups: BTreeMap<&str, usize> = BTreeMap::new();
    for at in members {
        let group = settled[*at].wish.group.as_deref();
        match group.and_then(|g| groups.get(g)) {
            Some(unit) => units[*unit].push(*at),
            None => {
                if let Some(group) = group {
                    groups.insert(group, units.len());
                }
                units.push(vec![*at]);
            }
        }
    }
    units
}

/// The units chosen as pilot: the row, and the numbers of its units.
struct Chosen<'a> {
    row: &'a RowKey<'a>,
    units: Vec<usize>,
}

fn drafts<'a>(
    rows: &'a BTreeMap<RowKey<'a>, Vec<Unit>>,
    settled: &[Settled<'_>],
    chosen: Option<&Chosen<'a>>,
    rules: &PlanRules,
) -> Vec<Draft<'a>> {
    let mut drafts = Vec::new();
    for (row, units) in rows {
        let of_pilot = |at: usize| chosen.is_some_and(|c| c.row == row && c.units.contains(&at));
        let (first, rest): (Vec<_>, Vec<_>) = units.iter().enumerate().partition(|(at, _)| of_pilot(*at));
        if !first.is_empty() {
            drafts.push(Draft {
                row,
                members: first.into_iter().flat_map(|(_, unit)| unit.clone()).collect(),
                seq: 0,
                pilot: true,
            });
        }
        let rest: Vec<&Unit> = rest.into_iter().map(|(_, unit)| unit).collect();
        let sizes: Vec<Bytes> = rest.iter().map(|unit| amount(unit, settled).bytes).collect();
        for (seq, range) in cut(&sizes, rules.batch_min, rules.batch_max)
            .into_iter()
            .enumerate()
        {
            drafts.push(Draft {
                row,
                members: rest[range].iter().flat_map(|unit| unit.iter().copied()).collect(),
                seq,
                pilot: false,
            });
        }
    }
    drafts
}

fn amount(members: &[usize], settled: &[Settled<'_>]) -> Amount {
    members.iter().map(|at| settled[*at].project.amount).sum()
}

fn spread(members: &[usize], settled: &[Settled<'_>]) -> SizeHistogram {
    let mut sizes = SizeHistogram::default();
    for at in members {
        sizes.merge(&settled[*at].project.sizes);
    }
    sizes
}

fn find_pilot<'a>(
    rows: &'a BTreeMap<RowKey<'a>, Vec<Unit>>,
    settled: &[Settled<'_>],
    rules: &PlanRules,
) -> Option<Chosen<'a>> {
    if !rules.pilot || settled.len() < pilot::LEAST_PROJECTS {
        return None;
    }
    let all: Vec<usize> = (0..settled.len()).collect();
    let whole = spread(&all, settled);
    let range = pilot::range(amount(&all, settled).bytes, rules);
    let mut best: Option<(f64, Chosen<'a>)> = None;
    for (row, units) in rows.iter().filter(|(row, _)| row.2.turn == Turn::Ordinary) {
        let spreads: Vec<SizeHistogram> = units.iter().map(|unit| spread(unit, settled)).collect();
        let candidates: Vec<Candidate<'_>> = units
            .iter()
            .zip(&spreads)
            .map(|(unit, sizes)| Candidate {
                amount: amount(unit, settled),
                sizes,
            })
            .collect();
        if let Some((distance, units)) = pilot::choose(&candidates, &whole, &range) {
            if best.as_ref().is_none_or(|(known, _)| distance < *known) {
                best = Some((distance, Chosen { row, units }));
            }
        }
    }
    best.map(|(_, chosen)| chosen)
}

fn sort(drafts: &mut [Draft<'_>], settled: &[Settled<'_>], rules: &PlanRules) {
    drafts.sort_by_cached_key(|d| {
        let (dataset, source, class, delta) = d.row;
        let rank = rank(d, settled, rules.order);
        (
            !d.pilot,
            *class,
            rank,
            dataset.clone(),
            (*source).clone(),
            *delta,
            d.seq,
        )
    });
}

/// Where a batch stands by the order asked for; lower is earlier.
fn rank(draft: &Draft<'_>, settled: &[Settled<'_>], order: Order) -> i128 {
    let years = || draft.members.iter().filter_map(|at| settled[*at].year);
    let bytes = || i128::from(amount(&draft.members, settled).bytes.0);
    match order {
        Order::OldestFirst => years().min().map_or(i128::MAX, |y| i128::from(y.0)),
        Order::NewestFirst => years().max().map_or(i128::MAX, |y| -i128::from(y.0)),
        Order::SmallestFirst => bytes(),
        Order::LargestFirst | Order::ExposureFirst => -bytes(),
    }
}

/// Names continue after those that have begun, in the order of being carried out.
fn numbered(drafts: &[Draft<'_>], settled: &[Settled<'_>], locked: &[LockedBatch]) -> Vec<Batch> {
    let mut used: BTreeMap<&str, u32> = BTreeMap::new();
    for begun in locked {
        let name = begun.batch.name.as_str();
        let number = name
            .strip_prefix(begun.batch.dataset.as_str())
            .and_then(|rest| rest.strip_prefix('.'))
            .and_then(|rest| rest.parse::<u32>().ok());
        let known = used.entry(&begun.batch.dataset).or_default();
        *known = (*known).max(number.unwrap_or_default());
    }
    let mut batches = Vec::with_capacity(drafts.len());
    for draft in drafts {
        let (dataset, source, _, delta) = draft.row;
        let name = if draft.pilot {
            BatchName::typed("pilot")
        } else {
            let last = used.entry(dataset).or_default();
            *last = last.saturating_add(1);
            BatchName::numbered(dataset, *last)
        };
        batches.push(Batch {
            name,
            dataset: dataset.clone(),
            source: (*source).clone(),
            projects: draft.members.iter().map(|at| placed(&settled[*at])).collect(),
            amount: amount(&draft.members, settled),
            sizes: spread(&draft.members, settled),
            pilot: draft.pilot,
            delta: *delta,
        });
    }
    batches
}

fn placed(s: &Settled<'_>) -> Placed {
    Placed {
        key: s.project.key.clone(),
        place: s.place.clone(),
    }
}

/// The datasets that have batches, in the order of their first, with totals.
fn filled(batches: &[Batch], homes: &mut BTreeMap<Home, Dataset>) -> Vec<Dataset> {
    let mut by_name: BTreeMap<String, Dataset> = std::mem::take(homes)
        .into_values()
        .map(|dataset| (dataset.name.clone(), dataset))
        .collect();
    let mut order: Vec<&str> = Vec::new();
    for batch in batches {
        if let Some(dataset) = by_name.get_mut(&batch.dataset) {
            if !order.contains(&batch.dataset.as_str()) {
                order.push(&batch.dataset);
            }
            dataset.amount.add(batch.amount);
            dataset.sizes.merge(&batch.sizes);
        }
    }
    order
        .into_iter()
        .filter_map(|name| by_name.remove(name))
        .collect()
}

fn notes(
    inputs: &Inputs<'_>,
    settled: &[Settled<'_>],
    homes: &BTreeMap<Home, Dataset>,
    rules: &PlanRules,
) -> Notes {
    let names: BTreeSet<Vec<u8>> = inputs
        .projects
        .iter()
        .map(|p| tags::project_name(&p.key))
        .collect();
    let mut decisions: Vec<Decision> = settled
        .iter()
        .filter(|s| !s.delta)
        .map(|s| Decision {
            source: s.project.source.clone(),
            key: s.project.key.clone(),
            year: s.year,
            tag: s.wish.tag,
            year_by_tag: s.wish.year.is_some(),
            group: s.wish.group.clone(),
            dataset_by: s.dataset_by.clone(),
            dataset: dataset_name(s, homes, rules),
            in_use: s.class.turn == Turn::InUse,
            held: s.class.turn == Turn::Held,
        })
        .collect();
    decisions.sort_by(|a, b| (&a.source, &a.key).cmp(&(&b.source, &b.key)));
    let mut notes = Notes {
        idle_tags: tags::idle(rules, inputs.projects),
        unknown_names: tags::unknown(rules, &names),
        questions: questions(settled, rules),
        remarks: linked(settled, &decisions),
        ..Notes::default()
    };
    notes.decisions = decisions;
    notes
}

/// Every project without a year is a question, where years make the datasets.
fn questions(settled: &[Settled<'_>], rules: &PlanRules) -> Vec<Question> {
    if rules.by != By::Year {
        return Vec::new();
    }
    let open = settled
        .iter()
        .filter(|s| !s.delta && s.year.is_none() && s.folder.as_bytes() == b"undated")
        // A tag that says `undated` is an answer.
        .filter(|s| s.wish.dataset.is_none());
    open.map(|s| Question {
        project: s.project.key.clone(),
        source: s.project.source.clone(),
        about: ABOUT_DATE,
        text: format!("Nothing tells the year of {}. Which is it?", shown(&s.name)),
        tag: super::why::tag_lines(&s.name, "year = \"20..\""),
    })
    .collect()
}

/// Hard links between projects of different datasets cannot be kept.
fn linked(settled: &[Settled<'_>], decisions: &[Decision]) -> Vec<Remark> {
    let dataset: BTreeMap<(&SourceName, &ProjectKey), &str> = decisions
        .iter()
        .map(|d| ((&d.source, &d.key), d.dataset.as_str()))
        .collect();
    let torn = settled.iter().filter(|s| {
        let mine = dataset.get(&(&s.project.source, &s.project.key));
        let others = s.project.linked_with.iter();
        others
            .filter_map(|key| dataset.get(&(&s.project.source, key)))
            .any(|theirs| Some(theirs) != mine)
    });
    match torn.count() as u64 {
        0 => Vec::new(),
        n => vec![Remark {
            code: "links-across-datasets",
            text: format!(
                "{} share hard-linked files with projects of another dataset; those files become copies. \
                 A tag with the same dataset = for them keeps the links.",
                counted(n, "project")
            ),
        }],
    }
}

fn many_datasets(n: usize) -> Remark {
    Remark {
        code: "many-datasets",
        text: format!(
            "{n} datasets are many: creating and mounting them takes minutes at each import. \
             One a year with a folder a project is lighter."
        ),
    }
}

fn note_batch(batch: &Batch, draft: &Draft<'_>, rules: &PlanRules, notes: &mut Notes) {
    let bytes = batch.amount.bytes;
    let limit = if bytes > rules.batch_max {
        Some(Limit::AboveMax)
    } else if bytes < rules.batch_min && !batch.pilot && !batch.delta {
        Some(Limit::BelowMin)
    } else {
        None
    };
    notes.verdicts.extend(limit.map(|limit| Verdict {
        batch: batch.name.clone(),
        limit,
        bytes,
    }));
    match draft.row.2.turn {
        Turn::Held => notes.held.push(batch.name.clone()),
        Turn::InUse => notes.in_use.push(batch.name.clone()),
        Turn::Ordinary | Turn::Undated | Turn::Staged | Turn::Late => {}
    }
}
