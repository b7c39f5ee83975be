//! status --cutover: the facts behind the check list.

use super::desk::Desk;
use super::settings::SourceSettings;
use super::{batch, gather, late, release, schedule};
use crate::entry::EntryKind;
use crate::ledger::IndexRow;
use crate::lifecycle::State;
use crate::lifecycle::cutover::{Cutover, Line, cutover};
use crate::moment::Moment;
use crate::plan::Plan;
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use crate::units::Amount;
use std::collections::BTreeSet;

/// What only the user can say: that the old share is frozen, that its old name leads to the new
/// tree.
pub const CONFIRMED: [&str; 2] = ["frozen", "alias"];

/// Records that the user confirms one of [`CONFIRMED`], from now on.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be written.
pub fn confirm(desk: &Desk<'_>, what: &str) -> Result<(), Trouble> {
    let now = desk.now();
    desk.ledger.set_meta(
        &format!("confirmed-{what}"),
        &format!("{}.{:09}", now.seconds, now.nanos),
    )?;
    desk.ledger.event(now, "confirmed", what)
}

/// A moment to the nanosecond: a file written in the second before a freeze is not written after it.
fn whole(text: &str) -> Option<Moment> {
    let (seconds, nanos) = text.split_once('.')?;
    Some(Moment {
        seconds: seconds.parse().ok()?,
        nanos: nanos.parse().ok()?,
    })
}

/// The check list as it stands.
///
/// # Errors
/// [`Trouble`] where there is no plan, or ledger or an index cannot be read.
pub fn list(desk: &Desk<'_>) -> Result<Vec<Line>, Trouble> {
    let plan = batch::plan(desk)?;
    let confirmed = |what: &str| -> Result<Option<Moment>, Trouble> {
        let kept = desk.ledger.meta(&format!("confirmed-{what}"))?;
        Ok(kept.and_then(|text| whole(&text)))
    };
    let mut facts = Cutover {
        frozen: confirmed("frozen")?,
        alias: confirmed("alias")?,
        planned: desk.ledger.plan()?.map(|plan| plan.made_at),
        restore_test: !desk.ledger.restores()?.is_empty(),
        second_copy: !desk.settings.second_copy.is_empty(),
        now: desk.now(),
        ..Cutover::default()
    };
    scans(desk, &mut facts)?;
    batches(desk, &plan, &mut facts)?;
    amounts(desk, &plan, &mut facts)?;
    Ok(cutover(&facts))
}

/// When the sources were scanned last, and what those scans show written since the freeze.
fn scans(desk: &Desk<'_>, facts: &mut Cutover) -> Result<(), Trouble> {
    let mut rows: Vec<(&SourceSettings, Option<IndexRow>)> = Vec::new();
    for source in &desk.settings.sources {
        rows.push((source, desk.ledger.indexes(&source.name.0)?.pop()));
    }
    let all = rows.iter().all(|(_, row)| row.is_some());
    let began = rows.iter().filter_map(|(_, row)| row.as_ref());
    facts.scanned = began.clone().map(|row| row.scanned_at).min().filter(|_| all);
    facts.scan_ended = began.map(|row| row.finished_at).max().filter(|_| all);
    let Some(frozen) = facts.frozen else {
        return Ok(());
    };
    for (source, row) in rows {
        let Some(row) = row else { continue };
        let index = super::scan::open_index(desk, &source.name.0, row.digest)?;
        let exclude = gather::exclude(&desk.settings, source)?;
        for piece in index.pieces() {
            let listing = piece?.listing;
            let written = |child: &&crate::entry::Named| {
                child.entry.kind == EntryKind::File && child.entry.mtime.max(child.entry.ctime) > frozen
            };
            let wanted = |child: &&crate::entry::Named| {
                let path = listing.folder.join(&child.name);
                path.is_ok_and(|path| exclude.rule_for_path(&path, child.entry.kind).is_none())
            };
            facts.written_since += listing.children.iter().filter(written).filter(wanted).count() as u64;
        }
    }
    Ok(())
}

/// How far the batches are.
fn batches(desk: &Desk<'_>, plan: &Plan, facts: &mut Cutover) -> Result<(), Trouble> {
    let mut waited = Some(Moment::default());
    for one in &plan.batches {
        let row = desk.ledger.batch(one.name.as_str())?;
        let state = batch::state_of(row.as_ref());
        facts.unverified += u64::from(state < State::Verified);
        facts.unreleased += u64::from(state == State::Verified);
        if row.is_none() {
            facts.outstanding.add(one.amount);
        }
        let sheet = desk.ledger.sheet(one.name.as_str())?.map(|sheet| sheet.at);
        let since = row.and_then(|row| row.released_at).max(sheet);
        waited = match (waited, since.filter(|_| state == State::Released)) {
            (Some(waited), Some(since)) => Some(waited.max(since)),
            _ => None,
        };
    }
    for (_, late) in late::all(desk)? {
        facts.outstanding.add(late.amount);
    }
    let days = 86_400 * i64::from(desk.settings.waiting_days);
    facts.waited = waited.map(|since| since.plus_seconds(days));
    Ok(())
}

/// What lies at both ends, of the projects that the last scans still see: what a release has taken
/// away at the source is proven by its own sheet.
fn amounts(desk: &Desk<'_>, plan: &Plan, facts: &mut Cutover) -> Result<(), Trouble> {
    let mut seen: BTreeSet<(String, ProjectKey)> = BTreeSet::new();
    for surveyed in gather::surveys(desk)? {
        for project in &surveyed.survey.projects {
            facts.at_source.add(project.amount);
            seen.insert((project.source.0.clone(), project.key.clone()));
        }
    }
    for one in &plan.unplanned {
        facts.left_behind.add(one.amount);
    }
    let standings = schedule::standings(desk)?;
    for one in &plan.batches {
        let here = |key: &ProjectKey| seen.contains(&(one.source.0.clone(), key.clone()));
        let Some(row) = desk.ledger.batch(one.name.as_str())? else {
            continue;
        };
        if !one.projects.iter().any(|placed| here(&placed.key)) {
            continue;
        }
        if let Some(standing) = standings.get(one.name.as_str()) {
            facts.at_destination.add(standing.verified);
        }
        let at_hand = batch::open(desk, row)?;
        for failure in desk.ledger.failures(at_hand.row.id)? {
            if failure.code != "gone-at-source" {
                facts.left_behind.add(Amount::one(failure.bytes));
            }
        }
        for (_, code, bytes) in release::left_behind(desk, &at_hand)? {
            if code == "unreadable" {
                facts.left_behind.add(Amount::one(bytes));
            }
        }
    }
    Ok(())
}
