//! status: where the move stands, plan against actual, and when it will be done.

use super::batch;
use super::desk::Desk;
use super::foretold;
use super::items::Walk;
use super::late;
use super::manifest;
use super::schedule::{self, known, standings};
use crate::entry::EntryKind;
use crate::forecast::rates::Basis;
use crate::forecast::simulate::Forecast;
use crate::ledger::BatchRow as LedgerRow;
use crate::lifecycle::{Flags, State};
use crate::names::BatchName;
use crate::plan::{Batch, Placed, Plan};
use crate::report::model::{
    self, BatchRow, End, Finish, Flag, Period, Progress, Proof, ReportModel, Standing,
};
use crate::trouble::Trouble;
use crate::units::Amount;
use crate::world::OpenFolders;
use crate::world::{Fs, OsFs, ReadHow};
use std::collections::BTreeMap;

/// Where the move stands.
pub struct Status {
    /// Ready to be shown.
    pub model: ReportModel,
    /// The forecast behind it.
    pub forecast: Forecast,
    /// Files that lie at their places though no copy of ours put them there, by waiting batch.
    pub arrived: BTreeMap<String, Amount>,
}

/// Looks where the move stands. With `look`, the destinations of waiting batches are searched for
/// files that other means have brought.
///
/// # Errors
/// [`Trouble`] where there is no plan or the ledger cannot be read.
pub fn status(desk: &Desk<'_>, look: bool) -> Result<Status, Trouble> {
    let plan = batch::plan(desk)?;
    let forecast = schedule::forecast(desk, &plan)?;
    let rows: BTreeMap<String, LedgerRow> = desk
        .ledger
        .batches()?
        .into_iter()
        .map(|row| (row.name.clone(), row))
        .collect();
    let standings = standings(desk)?;
    let holds = desk.ledger.holds(desk.now())?;
    let mut arrived = BTreeMap::new();
    let mut batches = Vec::new();
    for batch in &plan.batches {
        let name = batch.name.as_str();
        let row = rows.get(name);
        let standing = standings.get(name).copied().unwrap_or_default();
        if look && row.is_none() {
            let amount = arrived_of(desk, &plan, batch)?;
            if amount.files > 0 {
                arrived.insert(name.to_string(), amount);
            }
        }
        let held = holds.iter().any(|held| held == name || held == "*");
        let changed = late::later_batches(&plan, batch).next().is_some();
        let beside = Flags {
            held,
            changed,
            ..Flags::default()
        };
        batches.push(batch_row(desk, batch, row, standing, beside, &forecast)?);
    }
    let model = model_of(desk, &plan, batches, &forecast)?;
    Ok(Status {
        model,
        forecast,
        arrived,
    })
}

/// What lies at a destination.
fn arrived_at(plan: &Plan, batches: &[BatchRow], name: &str) -> Amount {
    let there = |dataset: &str| {
        let homes = plan.datasets.iter().filter(|d| d.destination == name);
        homes.map(|d| d.name.as_str()).any(|known| known == dataset)
    };
    let mine = batches.iter().filter(|batch| there(&batch.dataset));
    mine.map(|batch| batch.progress.copied).sum()
}

fn model_of(
    desk: &Desk<'_>,
    plan: &Plan,
    batches: Vec<BatchRow>,
    forecast: &Forecast,
) -> Result<ReportModel, Trouble> {
    let settings = &desk.settings;
    let end = |name: &str, path: &std::path::Path, amount| {
        use std::os::unix::ffi::OsStrExt;
        End {
            name: name.to_string(),
            path: path.as_os_str().as_bytes().to_vec(),
            amount,
        }
    };
    let mut totals = Progress::default();
    for batch in &batches {
        totals.planned.add(batch.progress.planned);
        totals.copied.add(batch.progress.copied);
        totals.verified.add(batch.progress.verified);
        totals.released.add(batch.progress.released);
    }
    let outcomes = foretold::outcomes(&foretold::all(desk)?, &batches);
    let mut sources = Vec::new();
    for source in &settings.sources {
        let amount = desk
            .ledger
            .indexes(&source.name.0)?
            .pop()
            .map(|row| row.amount)
            .unwrap_or_default();
        sources.push(end(&source.name.0, &source.path, amount));
    }
    let destinations = settings
        .destinations
        .iter()
        .map(|d| end(&d.name, &d.path, arrived_at(plan, &batches, &d.name)))
        .collect();
    Ok(ReportModel {
        title: desk
            .folder
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default(),
        move_id: desk.ledger.move_id()?,
        zone: settings.windows.zone,
        now: desk.now(),
        version: env!("CARGO_PKG_VERSION").to_string(),
        sources,
        destinations,
        space: Vec::new(),
        totals,
        finish: finish_of(forecast),
        durability: durability(desk),
        batches,
        outcomes,
        years: Vec::new(),
        kinds: Vec::new(),
        rates: Vec::new(),
        hazards: Vec::new(),
        left_behind: Vec::new(),
        exposed: None,
        read_again: super::fixity::told(desk)?,
        second_copy: Some(settings.second_copy.clone()).filter(|text| !text.is_empty()),
    })
}

fn durability(desk: &Desk<'_>) -> String {
    let classes = desk
        .settings
        .destinations
        .iter()
        .filter_map(|d| OsFs::open(&d.path).ok());
    let worst = classes.map(|fs| fs.durability()).max();
    worst
        .map_or("unknown", crate::world::Durability::word)
        .to_string()
}

fn finish_of(forecast: &Forecast) -> Option<Finish> {
    let range = known(&forecast.finish)?;
    let standing = match forecast.basis {
        Basis::Default => Standing::Default,
        Basis::Declared => Standing::Declared,
        Basis::Measured => Standing::Probed,
        Basis::Fitted => Standing::Forecast,
    };
    Some(Finish {
        low: range.low,
        likely: range.likely,
        high: range.high,
        standing,
    })
}

fn batch_row(
    desk: &Desk<'_>,
    batch: &Batch,
    row: Option<&LedgerRow>,
    standing: schedule::Standing,
    beside: Flags,
    forecast: &Forecast,
) -> Result<BatchRow, Trouble> {
    let state = batch::state_of(row);
    let flags = flags(desk, row, beside)?;
    let released = if state == State::Released {
        standing.verified
    } else {
        Amount::default()
    };
    let mine = forecast.batches.iter().find(|f| f.name == batch.name);
    let end = mine.and_then(|f| f.end.likely);
    let planned = mine.and_then(|f| {
        Some(Period {
            start: f.copy_start?,
            end: f.end.likely?,
        })
    });
    let actual = row.map(|row| Period {
        start: row.begun_at,
        end: row.verified_at.or(row.copied_at).unwrap_or(row.begun_at),
    });
    Ok(BatchRow {
        name: BatchName::typed(batch.name.as_str()),
        dataset: batch.dataset.clone(),
        source: batch.source.clone(),
        state,
        flags,
        projects: batch.projects.len() as u64,
        progress: Progress {
            planned: batch.amount.minus(standing.superseded),
            copied: standing.copied,
            verified: standing.verified,
            released,
        },
        planned,
        actual,
        forecast_end: if state >= State::Verified { None } else { end },
        proof: proof(desk, row, standing)?,
        reasons: reasons(desk, row, state)?,
    })
}

/// What is known to stand against a verified batch without looking at its source again.
fn reasons(desk: &Desk<'_>, row: Option<&LedgerRow>, state: State) -> Result<Vec<model::Reason>, Trouble> {
    let Some(row) = row.filter(|_| state == State::Verified) else {
        return Ok(Vec::new());
    };
    let facts = super::release::facts(desk, row, BTreeMap::new(), State::Verified)?;
    Ok(crate::lifecycle::gate(&facts)
        .iter()
        .map(super::report::reason)
        .collect())
}

fn flags(desk: &Desk<'_>, row: Option<&LedgerRow>, mut flags: Flags) -> Result<Vec<Flag>, Trouble> {
    if let Some(row) = row {
        for failure in desk.ledger.failures(row.id)? {
            match failure.code.as_str() {
                code if code.starts_with("conflict") => flags.conflict = true,
                "gone-at-source" | "changing" | "changed" => flags.changed = true,
                _ => flags.failed = true,
            }
        }
        flags.failed |= desk.ledger.differences(row.id)?.iter().any(|d| d.blocking);
    }
    let all = [
        (flags.failed, Flag::Failed),
        (flags.changed, Flag::Changed),
        (flags.held, Flag::Held),
        (flags.conflict, Flag::Conflict),
    ];
    Ok(all
        .into_iter()
        .filter(|(set, _)| *set)
        .map(|(_, flag)| flag)
        .collect())
}

fn proof(
    desk: &Desk<'_>,
    row: Option<&LedgerRow>,
    standing: schedule::Standing,
) -> Result<Option<Proof>, Trouble> {
    let Some(row) = row else { return Ok(None) };
    let Some(at) = row.verified_at else {
        return Ok(None);
    };
    let (_, _, ways) = desk.ledger.progress_of(row.id)?;
    let lists = desk.ledger.check_files(row.id)?;
    let (_, twice, between) = desk.ledger.beside_totals(row.id)?;
    let worst = ways.into_iter().max().unwrap_or(ReadHow::Unknown);
    Ok(Some(Proof {
        read_how: how(worst),
        read: Period {
            start: row.copied_at.unwrap_or(at),
            end: at,
        },
        compared: standing.verified.bytes,
        delivered: super::witness::delivered(desk, row.id, standing.verified.bytes)?,
        manifest: manifest::hash(desk, &row.name),
        proof: desk.ledger.proof(row.id)?.map(|proof| proof.hash),
        matched_old_list: lists.iter().map(|list| list.same).sum(),
        differing_old_list: lists.iter().map(|list| list.differing.len() as u64).sum(),
        source_twice: between.map(|(start, end)| (twice, Period { start, end })),
    }))
}

pub(super) fn how(how: ReadHow) -> model::ReadHow {
    match how {
        ReadHow::Direct => model::ReadHow::Direct,
        ReadHow::Evicted => model::ReadHow::Evicted,
        ReadHow::Server => model::ReadHow::Server,
        ReadHow::Unknown => model::ReadHow::Unknown,
    }
}

/// Files of a waiting batch that lie at their places by size and time. Proven is none of them.
fn arrived_of(desk: &Desk<'_>, plan: &Plan, batch: &Batch) -> Result<Amount, Trouble> {
    let Some(target) = home_of(desk, plan, batch) else {
        return Ok(Amount::default());
    };
    // Opening an index checks every byte of it: not for each of many batches of which nothing came.
    let mut open = OpenFolders::new(&target);
    let came = |placed: &Placed| placed.place.is_root() || open.get(&placed.place).is_ok();
    if !batch.projects.iter().any(came) {
        return Ok(Amount::default());
    }
    let at_hand = batch::preview(desk, plan, batch)?;
    let mut open = OpenFolders::new(&target);
    let mut arrived = Amount::default();
    for folder in Walk::new(&at_hand).in_pieces() {
        let folder = folder?;
        let Ok(held) = open.get(&folder.place) else {
            continue;
        };
        for child in folder
            .children
            .iter()
            .filter(|child| child.entry.kind == EntryKind::File)
        {
            let there = held.stat(folder.placed_name(&child.name));
            if there.is_ok_and(|seen| {
                seen.size == child.entry.size && seen.mtime.seconds == child.entry.mtime.seconds
            }) {
                arrived.add(Amount::one(child.entry.size));
            }
        }
    }
    Ok(arrived)
}

/// The folder of a batch's dataset, where it is there.
fn home_of(desk: &Desk<'_>, plan: &Plan, batch: &Batch) -> Option<OsFs> {
    use std::os::unix::ffi::OsStrExt;
    let dataset = plan.datasets.iter().find(|one| one.name == batch.dataset)?;
    let mut ends = desk.settings.destinations.iter();
    let end = ends.find(|end| end.name == dataset.destination)?;
    let folder = std::ffi::OsStr::from_bytes(dataset.folder.as_bytes());
    OsFs::open(&end.path.join(folder)).ok()
}
