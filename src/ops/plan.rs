//! plan: datasets, batches, order, schedule, and whether it fits.

use super::desk::Desk;
use super::follow::{self, Renamed};
use super::gather::{self, Surveyed};
use super::{following, late, schedule, store};
use crate::entry::EntryKind;
use crate::forecast::simulate::Forecast;
use crate::ledger::PlanRow;
use crate::plan::difference::{Difference, difference};
use crate::plan::{self, DestinationRule, Inputs, LockedBatch, Notes, Plan, PlanRules, SourceRule};
use crate::pool::{Ashift, FillLimit, FolderNames, Layout, Space, SpaceTally, recommend};
use crate::survey::{ProjectSummary, Unplanned};
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::{Fs, OsFs};

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
    /// Whether the user has accepted it.
    pub accepted: bool,
    /// Whether it was stored.
    pub written: bool,
    /// Whether it fits.
    pub room: Room,
    /// Projects, for explanations.
    pub projects: Vec<ProjectSummary>,
    /// The rules it was made by.
    pub rules: PlanRules,
}

/// Space at the first destination.
#[derive(Debug, Clone, Copy)]
pub struct Room {
    /// What the pool or file system can hold in all.
    pub usable: Bytes,
    /// What may be used of it by the fill limit.
    pub limit: Bytes,
    /// What the move needs.
    pub needed: Bytes,
    /// Whether that stays within the limit.
    pub fits: bool,
}

/// Makes the plan; stores it unless something has begun and the user has not accepted yet.
///
/// # Errors
/// [`Trouble`] where a source was not scanned or the rules cannot hold.
pub fn plan(desk: &mut Desk<'_>, accept: bool) -> Result<Planned, Trouble> {
    let surveyed = gather::surveys(desk)?;
    let projects: Vec<ProjectSummary> = surveyed.iter().flat_map(|s| s.survey.projects.clone()).collect();
    let unplanned: Vec<Unplanned> = surveyed.iter().flat_map(|s| s.survey.unplanned.clone()).collect();
    following::go_on(desk)?;
    let renamed = match accept {
        true => following::all(desk, &projects)?,
        false => follow::find(desk, &projects)?,
    };
    let mut locked = locked(desk)?;
    if !accept {
        follow::as_followed(&mut locked, &renamed);
    }
    let late = late::summaries(&late::all(desk)?, &projects);
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
    let before = desk
        .ledger
        .plan()?
        .map(|row| store::plan_of(&row.body))
        .transpose()?;
    let changes = before.as_ref().map(|before| difference(before, &plan));
    let same =
        changes.as_ref().is_some_and(Difference::is_empty) && renamed.iter().all(|r| r.verdict.is_err());
    let written = locked.is_empty() || accept || same || before.is_none();
    if written {
        let row = PlanRow {
            made_at: desk.now(),
            body: store::plan_text(&plan)?,
        };
        desk.ledger.store_plan(&row)?;
    }
    let forecast = schedule::forecast(desk, &plan)?;
    let room = room(desk, &surveyed)?;
    Ok(Planned {
        plan,
        notes,
        forecast,
        difference: changes,
        renamed,
        accepted: accept,
        written,
        room,
        projects,
        rules,
    })
}

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
    };
    PlanRules {
        by: settings.by,
        batch_max: settings.batch_max,
        batch_min: settings.batch_min,
        order: settings.order,
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

/// Whether it fits the first destination: by its layout where the user told it, else by what the
/// file system says.
fn room(desk: &Desk<'_>, surveyed: &[Surveyed]) -> Result<Room, Trouble> {
    let Some(at) = desk.settings.destinations.first() else {
        return Err(Trouble::defect("settings without a destination"));
    };
    let content: Bytes = surveyed.iter().map(|s| s.survey.sizes.total().bytes).sum();
    let fill = FillLimit::new(u64::from(at.fill_limit))?;
    if let (Some(layout), Some(disk)) = (&at.layout, at.disk_size) {
        let layout = Layout::parse(layout)?;
        let ashift = at
            .ashift
            .map_or(Ok(Ashift::FOUR_KIB), |a| Ashift::new(u64::from(a)))?;
        let usable = Space::of(layout, ashift, disk)?.usable;
        let needed = recommend(&tally(desk, surveyed, ashift)?, layout).taken.used;
        let limit = fill.of(usable);
        return Ok(Room {
            usable,
            limit,
            needed,
            fits: needed <= limit,
        });
    }
    let space = OsFs::open(&at.path).and_then(|fs| fs.space());
    let (total, free) = space.map_or((Bytes::ZERO, Bytes::ZERO), |space| (space.total, space.free));
    let free = at.free.unwrap_or(free);
    let copied: Bytes = schedule::standings(desk)?.values().map(|s| s.copied.bytes).sum();
    let limit = fill.of(total).minus(total.minus(free));
    let needed = content.minus(copied);
    Ok(Room {
        usable: free,
        limit,
        needed,
        fits: needed <= limit,
    })
}

/// The sizes of everything to be moved, for the space they take.
///
/// # Errors
/// [`Trouble`] where an index is damaged.
pub fn tally(desk: &Desk<'_>, surveyed: &[Surveyed], ashift: Ashift) -> Result<SpaceTally, Trouble> {
    let mut tally = SpaceTally::new(ashift);
    for one in surveyed {
        let exclude = gather::exclude(&desk.settings, &one.source)?;
        for listing in one.index.listings() {
            let listing = listing?;
            if !listing.folder.is_root()
                && exclude
                    .rule_for_path(&listing.folder, EntryKind::Directory)
                    .is_some()
            {
                continue;
            }
            let lengths = listing.children.iter().map(|child| child.name.len() as u64);
            tally.push_directory(FolderNames {
                entries: listing.children.len() as u64,
                bytes: lengths.clone().sum(),
                longest: lengths.max().unwrap_or(0),
            });
            for child in &listing.children {
                match child.entry.kind {
                    EntryKind::File => tally.push(child.entry.size),
                    EntryKind::Symlink => tally.push_symlink(child.entry.size.0),
                    EntryKind::Directory | EntryKind::Special | EntryKind::Unknown => {}
                }
            }
        }
    }
    Ok(tally)
}
