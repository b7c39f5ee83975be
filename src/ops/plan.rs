//! plan: datasets, batches, order, schedule, and whether it fits.

use super::desk::Desk;
use super::follow::{self, Renamed};
use super::gather::{self, Surveyed};
use super::moves::{self, Found};
use super::rooms::{self, Rooms};
use super::{following, late, moving, schedule, store};
use crate::forecast::simulate::Forecast;
use crate::ledger::PlanRow;
use crate::plan::difference::{Difference, difference};
use crate::plan::{self, DestinationRule, Inputs, LockedBatch, Notes, Plan, PlanRules, Remark, SourceRule};
use crate::pool::staging::check_volume;
use crate::survey::{Growth, ProjectSummary, Unplanned};
use crate::trouble::Trouble;
use crate::units::Bytes;
use std::collections::BTreeSet;

/// A plan and what goes with it.
pub struct Planned {
    /// The plan.
    pub plan: Plan,
    /// What it rests on.
    pub notes: Notes,
    /// When.
    pub forecast: Forecast,
    /// Against the plan before, where there was one.
    pub difference: Option<Difference>,
    /// Begun projects with another name at the source; followed at the destination where their
    /// verdict allows it and the plan was accepted.
    pub renamed: Vec<Renamed>,
    /// Files of begun batches that lie elsewhere at the source; followed in the same way.
    pub moved: Found,
    /// Whether the user has accepted it.
    pub accepted: bool,
    /// Whether it was stored.
    pub written: bool,
    /// Whether it fits, and what the datasets should be created with.
    pub rooms: Rooms,
    /// Projects, for explanations.
    pub projects: Vec<ProjectSummary>,
    /// The rules it was made by.
    pub rules: PlanRules,
}

/// A plan that is not stored yet, and what it was made from.
pub struct Draft {
    /// The plan.
    pub plan: Plan,
    /// What it rests on.
    pub notes: Notes,
    /// The surveys, without their projects.
    pub surveyed: Vec<Surveyed>,
    /// How much the archive grows a year; only worked out for a draft.
    pub growth: Option<Growth>,
    /// All their projects.
    projects: Vec<ProjectSummary>,
    /// The rules it was made by.
    rules: PlanRules,
    /// Begun projects with another name at the source.
    renamed: Vec<Renamed>,
    /// Files of begun batches that lie elsewhere there.
    moved: Found,
    /// How many batches have begun; they come first.
    begun: usize,
}

/// The plan as it would be made now; nothing is stored or followed.
///
/// # Errors
/// [`Trouble`] where a source was not scanned or the rules cannot hold.
pub fn draft(desk: &Desk<'_>) -> Result<Draft, Trouble> {
    let mut surveyed = gather::surveys(desk)?;
    let growth = gather::growth(&surveyed, desk.now(), desk.settings.windows.zone);
    let projects = projects_of(&mut surveyed);
    let renamed = follow::find(desk, &projects)?;
    let moved = moves::find(desk, &renamed)?;
    let mut draft = drafted(desk, surveyed, projects, (renamed, moved), false)?;
    draft.growth = growth;
    Ok(draft)
}

/// All projects, taken out of their surveys: there may be very many.
fn projects_of(surveyed: &mut [Surveyed]) -> Vec<ProjectSummary> {
    let mut all = Vec::new();
    for one in surveyed {
        match all.is_empty() {
            true => all = std::mem::take(&mut one.survey.projects),
            false => all.append(&mut one.survey.projects),
        }
    }
    all
}

fn drafted(
    desk: &Desk<'_>,
    surveyed: Vec<Surveyed>,
    projects: Vec<ProjectSummary>,
    (renamed, moved): (Vec<Renamed>, Found),
    followed: bool,
) -> Result<Draft, Trouble> {
    let unplanned: Vec<Unplanned> = surveyed.iter().flat_map(|s| s.survey.unplanned.clone()).collect();
    let mut locked = locked(desk)?;
    let mut coming = BTreeSet::new();
    if !followed {
        follow::as_followed(&mut locked, &renamed);
        coming = moved.coming();
    }
    let late = late::summaries(&late::all_but(desk, &coming)?, &projects);
    let rules = rules(desk);
    let inputs = Inputs {
        projects: &projects,
        late: &late,
        locked: &locked,
        unplanned: &unplanned,
    };
    let (plan, notes) = plan::build(&inputs, &rules)?;
    // A second opinion by other code, before anything rests on it.
    if let Some(flaw) = plan::check::check(&plan, &inputs, &rules).first() {
        return Err(Trouble::defect(format!(
            "the plan does not hold: {}",
            flaw.words()
        )));
    }
    Ok(Draft {
        plan,
        notes,
        surveyed,
        begun: locked.len(),
        growth: None,
        projects,
        rules,
        renamed,
        moved,
    })
}

/// Makes the plan; stores it unless something has begun and the user has not accepted yet.
///
/// # Errors
/// [`Trouble`] where a source was not scanned or the rules cannot hold.
pub fn plan(desk: &mut Desk<'_>, accept: bool) -> Result<Planned, Trouble> {
    let mut surveyed = gather::surveys(desk)?;
    let filled = surveyed
        .iter()
        .map(|one| Filled::of(desk, one))
        .collect::<Vec<_>>();
    let projects = projects_of(&mut surveyed);
    following::go_on(desk)?;
    let renamed = match accept {
        true => following::all(desk, &projects)?,
        false => follow::find(desk, &projects)?,
    };
    let moved = match accept {
        true => moving::all(desk)?,
        false => moves::find(desk, &renamed)?,
    };
    let Draft {
        plan,
        mut notes,
        surveyed,
        projects,
        rules,
        renamed,
        moved,
        begun,
        growth: _,
    } = drafted(desk, surveyed, projects, (renamed, moved), accept)?;
    let before = desk
        .ledger
        .plan()?
        .map(|row| store::plan_of(&row.body))
        .transpose()?;
    let changes = before.as_ref().map(|before| difference(before, &plan));
    let at_rest = renamed.iter().all(|r| r.verdict.is_err()) && moved.is_at_rest();
    let same = changes.as_ref().is_some_and(Difference::is_empty) && at_rest;
    let written = begun == 0 || accept || same || before.is_none();
    if written {
        let row = PlanRow {
            made_at: desk.now(),
            body: store::plan_text(&plan)?,
        };
        desk.ledger.store_plan(&row)?;
    }
    let forecast = schedule::forecast(desk, &plan)?;
    let rooms = rooms::rooms(desk, &plan, &surveyed)?;
    notes.remarks.extend(rooms.fit.remarks.iter().cloned());
    notes.remarks.extend(volumes(desk, &surveyed, &filled, &forecast));
    Ok(Planned {
        plan,
        notes,
        forecast,
        difference: changes,
        renamed,
        moved,
        accepted: accept,
        written,
        rooms,
        projects,
        rules,
    })
}

/// What lies on a source's volume, and comes there in a year.
struct Filled {
    there: Bytes,
    yearly: Bytes,
}

impl Filled {
    fn of(desk: &Desk<'_>, one: &Surveyed) -> Filled {
        let grown = gather::growth(std::slice::from_ref(one), desk.now(), desk.settings.windows.zone);
        Filled {
            there: one.survey.projects.iter().map(|p| p.amount.bytes).sum(),
            yearly: grown.map_or(Bytes::ZERO, |growth| growth.high),
        }
    }
}

/// Whether people fill a source's volume before the move is over.
fn volumes(desk: &Desk<'_>, surveyed: &[Surveyed], filled: &[Filled], forecast: &Forecast) -> Vec<Remark> {
    let end = forecast.finish.high.or(forecast.finish.likely);
    let seconds = end.map_or(0, |end| end.seconds.saturating_sub(desk.now().seconds).max(0));
    let over = |(one, filled): (&Surveyed, &Filled)| {
        let limit = one.source.volume_limit?;
        let coming = u128::from(filled.yearly.0) * u128::from(seconds.unsigned_abs()) / YEAR_SECONDS;
        let coming = Bytes(u64::try_from(coming).unwrap_or(u64::MAX));
        let trouble = check_volume(&one.source.name.0, limit, filled.there, coming).err()?;
        let mend = trouble.mend.unwrap_or_default();
        Some(Remark {
            code: "volume-limit",
            text: format!("Before the move is over, {}. {mend}", trouble.text),
        })
    };
    surveyed.iter().zip(filled).filter_map(over).collect()
}

/// An average Gregorian year (365.2425 days).
const YEAR_SECONDS: u128 = 31_556_952;

/// Batches that have begun, as they were begun.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn locked(desk: &Desk<'_>) -> Result<Vec<LockedBatch>, Trouble> {
    desk.ledger
        .batches()?
        .iter()
        .map(|row| Ok(store::locked_of(&row.body)?.0))
        .collect()
}

/// The settings as rules of the plan.
pub fn rules(desk: &Desk<'_>) -> PlanRules {
    let settings = &desk.settings;
    let destination = |d: &super::settings::DestinationSettings| DestinationRule {
        name: d.name.clone(),
        parent: d.dataset.clone(),
        late: d.is_late(),
    };
    PlanRules {
        by: settings.by,
        batch_max: settings.batch_max,
        batch_min: settings.batch_min,
        order: settings.order,
        as_of: Some(desk.now()),
        quiet_since: Some(desk.now().plus_seconds(-86_400 * i64::from(settings.quiet_days))),
        pilot: true,
        tags: settings.tags.clone(),
        renames: settings.renames.clone(),
        sources: settings
            .sources
            .iter()
            .map(|s| SourceRule {
                name: s.name.clone(),
                under: s.under.clone(),
            })
            .collect(),
        destinations: settings.destinations.iter().map(destination).collect(),
    }
}
