//! What the agenda is told: batches, hours, holds, leases and scans as they are now.

use super::memory::Memory;
use crate::forecast::windows::{Opening, Windows};
use crate::ledger::BatchRow;
use crate::lifecycle::State;
use crate::lifecycle::agenda::{BatchFacts, Facts, Hours, Reading};
use crate::moment::Moment;
use crate::ops::batch::{self, state_of};
use crate::ops::desk::{Desk, is_alive};
use crate::ops::{away, late, rooms, schedule};
use crate::trouble::Trouble;
use chrono::NaiveDate;
use std::collections::{BTreeMap, BTreeSet};

/// No opening of a calendar is put together of more pieces than this.
const PIECES: usize = 4_000;

pub(super) fn gather(desk: &Desk<'_>, memory: &Memory) -> Result<Facts, Trouble> {
    let (now, windows) = (desk.now(), &desk.settings.windows);
    let plan = batch::plan(desk)?;
    let rows = rows(desk)?;
    let holds = desk.ledger.holds(now)?;
    let all_held = holds.iter().any(|held| held == "*");
    let busy = busy(desk)?;
    let out = away::out(&desk.ledger)?;
    let carried = |name: &str| {
        out.get(name)
            .is_some_and(|tasks| tasks.iter().any(|(task, _)| task.sets_aside()))
    };
    let needs = match desk.settings.spanning {
        true => BTreeMap::new(),
        false => needs(desk, &plan)?,
    };
    let mut batches = Vec::new();
    for planned in &plan.batches {
        let name = planned.name.as_str();
        let row = rows.get(name);
        let state = state_of(row);
        // A pool without disks holds its batches until a person has built it.
        let no_disks = rooms::too_early(desk, &plan, planned)?.is_some();
        batches.push(BatchFacts {
            held: no_disks
                || all_held
                || memory.tag_held.contains(name)
                || holds.iter().any(|held| held == name),
            busy: busy.contains(name),
            away: carried(name)
                || (row.is_none()
                    && planned.delta
                    && late::kin(&plan, planned).any(|kin| carried(kin.name.as_str()))),
            asked: memory.asked.contains(name),
            conflict: row.map_or(Ok(false), |row| has_conflict(desk, row))?,
            reading: reading(desk, memory, row, state)?,
            put_off: memory.put_off.contains(name),
            needs: needs.get(name).copied(),
            name: planned.name.clone(),
            state,
        });
    }
    Ok(Facts {
        now,
        today: windows.local_date(now).unwrap_or_default(),
        hours: hours(windows, now, desk.settings.spanning),
        spanning: desk.settings.spanning,
        rescan_daily: desk.settings.rescan == "daily",
        scanned_on: scanned_on(desk)?.max(memory.scanned_on),
        all_held,
        absent: memory.absent.clone(),
        stuck: memory.stuck.clone(),
        batches,
    })
}

fn rows(desk: &Desk<'_>) -> Result<BTreeMap<String, BatchRow>, Trouble> {
    let rows = desk.ledger.batches()?.into_iter();
    Ok(rows.map(|row| (row.name.clone(), row)).collect())
}

/// Batches that another process works on.
fn busy(desk: &Desk<'_>) -> Result<BTreeSet<String>, Trouble> {
    let leases = desk.ledger.leases()?.into_iter();
    let others = leases.filter(|(_, lease)| lease.process != std::process::id() && is_alive(lease));
    Ok(others.map(|(name, _)| name).collect())
}

fn has_conflict(desk: &Desk<'_>, row: &BatchRow) -> Result<bool, Trouble> {
    let failures = desk.ledger.failures(row.id)?;
    Ok(failures.iter().any(|f| f.code.starts_with("conflict")))
}

/// What this run has seen itself; else what the ledger says of the last time.
fn reading(
    desk: &Desk<'_>,
    memory: &Memory,
    row: Option<&BatchRow>,
    state: State,
) -> Result<Reading, Trouble> {
    let Some(row) = row.filter(|_| state == State::Copied) else {
        return Ok(Reading::NotYet);
    };
    if let Some(reading) = memory.readings.get(&row.name) {
        return Ok(*reading);
    }
    let differs = desk.ledger.differences(row.id)?.iter().any(|d| d.blocking);
    Ok(if differs {
        Reading::Unequal
    } else {
        Reading::NotYet
    })
}

/// Seconds that each batch is likely to take, by the forecast: its reading back is counted in, which
/// rather puts a batch off than cuts it.
fn needs(desk: &Desk<'_>, plan: &crate::plan::Plan) -> Result<BTreeMap<String, f64>, Trouble> {
    let forecast = schedule::forecast(desk, plan)?;
    let batches = forecast.batches.iter();
    let seconds = batches.map(|b| (b.name.as_str().to_string(), b.seconds.likely.secs_f64()));
    Ok(seconds.collect())
}

fn hours(windows: &Windows, now: Moment, spanning: bool) -> Hours {
    if !windows.is_open_at(now) {
        return Hours::Closed(windows.next_opening(now).map(|next| next.start));
    }
    if spanning {
        return Hours::Open {
            left: None,
            next: None,
        };
    }
    let mut openings = windows.openings(now).take(PIECES).peekable();
    let mut whole = || -> Option<Opening> {
        let mut one = openings.next()?;
        while let Some(more) = openings.next_if(|next| next.start == one.end) {
            one.end = more.end;
        }
        Some(one)
    };
    let length = |one: &Opening| one.end.seconds_since(one.start);
    let (this, next) = (whole(), whole());
    Hours::Open {
        left: this.as_ref().map(length),
        next: next.map(|one| (one.start, length(&one))),
    }
}

/// Local date of the oldest of the sources' last scans.
fn scanned_on(desk: &Desk<'_>) -> Result<Option<NaiveDate>, Trouble> {
    let mut oldest: Option<Moment> = None;
    for source in &desk.settings.sources {
        let Some(last) = desk.ledger.indexes(&source.name.0)?.pop() else {
            return Ok(None);
        };
        oldest = Some(oldest.map_or(last.scanned_at, |before| before.min(last.scanned_at)));
    }
    Ok(oldest.and_then(|at| desk.settings.windows.local_date(at)))
}

/// Every batch of the plan with its state and the files that could not be copied.
pub(super) fn states(desk: &Desk<'_>) -> Result<Vec<(String, State, u64)>, Trouble> {
    let rows = rows(desk)?;
    let one = |planned: &crate::plan::Batch| {
        let row = rows.get(planned.name.as_str());
        let failed = row.map_or(Ok(0), |row| desk.ledger.failures(row.id).map(|f| f.len() as u64));
        Ok((planned.name.as_str().to_string(), state_of(row), failed?))
    };
    batch::plan(desk)?.batches.iter().map(one).collect()
}
