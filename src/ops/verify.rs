//! verify: what is copied, read back and compared, and the manifest of what is proven.

use super::batch::{self, AtHand};
use super::checks::{Checks, Wanted};
use super::desk::Desk;
use super::manifest::Sha256State;
use super::old_lists::OldLists;
use super::readings::Readings;
use super::second_read::{self, SecondRead};
use super::stretch::{Done, Stretches};
use super::witness::{self, Witness};
use super::{late, manifest, proof};
use crate::entry::Entry;
use crate::ledger::{Attributes, CheckFileRow, Difference};
use crate::lifecycle::{Event, State, after};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use crate::units::Span;
use crate::verify::compare::{Facts, attributes};
use crate::verify::{self as hand, Outcome, Progress, Request};
use crate::world::{Disks, Fs, OsFs};
use std::collections::BTreeSet;

/// Workers where the user named no number.
pub(super) const STREAMS: usize = 4;

/// How a batch is read back.
#[derive(Debug, Clone, Copy, Default)]
pub struct How {
    /// Also what was proven before.
    pub again: bool,
    /// With SHA-256 of every file in the same read.
    pub sha256: bool,
    /// And the source once more.
    pub twice_at_source: bool,
}

/// What became of one batch.
pub struct Verified {
    /// Its name.
    pub name: String,
    /// Its state now.
    pub state: State,
    /// What was read.
    pub outcome: Outcome,
    /// What stands against the batch.
    pub differences: Vec<Difference>,
    /// What is only listed.
    pub listed: Vec<Difference>,
    /// How long it took.
    pub elapsed: Span,
    /// What the disks delivered meanwhile.
    pub witness: Witness,
    /// How far the SHA-256 manifest is.
    pub sha256: Sha256State,
    /// What the check files among its files say.
    pub check_files: Vec<CheckFileRow>,
    /// What a second reading of the source came to, where it was asked for.
    pub second_read: Option<SecondRead>,
    /// What hashes of its files say that were read at the source at other times.
    pub readings: Readings,
}

/// Reads one batch back. Files proven before are read again only where `how` asks for it.
///
/// # Errors
/// [`Trouble`] where the batch is not copied, or it had to stop; what was proven stays.
pub fn verify(
    desk: &mut Desk<'_>,
    name: &str,
    how: How,
    progress: &dyn Fn(Progress),
) -> Result<Verified, Trouble> {
    super::following::go_on(desk)?;
    let plan = batch::plan(desk)?;
    batch::named(&plan, &[name.to_string()])?;
    let Some(row) = desk.ledger.batch(name)? else {
        return Err(Trouble::usage(
            "not-in-this-state",
            format!("the batch {name} has not been copied yet"),
        )
        .mend(format!("Run `poolward copy {name}` first.")));
    };
    batch::alone(desk, name, |desk| {
        // Read again now that nobody else may change it.
        let row = desk.ledger.batch(name)?.unwrap_or(row);
        let at_hand = batch::open(desk, row)?;
        one(desk, &at_hand, how, progress)
    })
}

fn one(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    how: How,
    progress: &dyn Fn(Progress),
) -> Result<Verified, Trouble> {
    let id = at_hand.row.id;
    let state = after(batch::state_of(Some(&at_hand.row)), Event::VerifyBegins)?;
    let target = batch::target(desk, at_hand)?;
    let now = desk.now();
    desk.ledger.set_state(id, state.word(), now)?;
    let facts = facts_of(at_hand);
    let streams = desk.settings.streams.unwrap_or(STREAMS);
    let disks = Disks::behind(&target);
    let request = Request {
        target: &target,
        stop: desk.stop,
        streams,
        facts,
        inodes_hold: at_hand.inodes_hold,
        disks: disks.as_ref().ok(),
    };
    let (began, since) = (desk.clock.ticks(), desk.now());
    let (lists, listed) = OldLists::gather(at_hand, &target)?;
    let wanted = Wanted {
        again: how.again,
        sha256: how.sha256,
        listed,
        picked: None,
    };
    let mut checks = Checks::new(at_hand, desk.second_ledger()?, wanted)?;
    let mut outcome = timed(desk, at_hand, request, &mut checks, progress)?;
    let elapsed = Span::from_secs_f64(desk.clock.ticks() - began);
    let witness = Witness::of(&disks, &outcome);
    witness::settle(desk, at_hand, &witness, since, &mut outcome)?;
    let mut found = folders(desk, at_hand, &target, &checks, facts)?;
    let at = desk.now();
    found.extend(against(&outcome, at));
    // What was proven before and differs now is proven no more.
    let differing: Vec<RelPath> = outcome.found.iter().map(|f| f.place.clone()).collect();
    desk.ledger.mark_unproven(id, &at_hand.dataset.name, &differing)?;
    desk.ledger.put_differences(id, &found)?;
    let check_files = lists.settle(desk, at_hand)?;
    let readings = match checks.comparing.take() {
        Some(comparing) => comparing.settle(desk, at_hand)?,
        None => Readings::default(),
    };
    // Before the end is settled: the proof says what was read twice.
    let second_read = match how.twice_at_source {
        true => Some(second_read::read(desk, at_hand, how.again, progress)?),
        false => None,
    };
    let (state, sha256) = settle(desk, at_hand, state, &found, &target)?;
    desk.keep_ledger_copy()?;
    let (differences, listed) = found.into_iter().partition(|d| d.blocking);
    Ok(Verified {
        name: at_hand.row.name.clone(),
        state,
        outcome,
        differences,
        listed,
        elapsed,
        witness,
        sha256,
        check_files,
        second_read,
        readings,
    })
}

/// Reads back what `checks` names; what it took teaches the forecast.
fn timed(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    request: Request<'_>,
    checks: &mut Checks<'_>,
    progress: &dyn Fn(Progress),
) -> Result<Outcome, Trouble> {
    let (id, dataset) = (at_hand.row.id, at_hand.dataset.name.clone());
    let (clock, streams) = (desk.clock, request.streams);
    let stretches = Stretches::new(desk, at_hand, "verify", clock.ticks())?;
    let ledger = &mut desk.ledger;
    let mut note = |found: &[_]| ledger.mark_verified(id, &dataset, found, clock.now());
    let heard = |p: Progress| {
        stretches.at(clock.ticks(), clock.now(), p.into());
        progress(p);
    };
    let outcome = match hand::verify(request, checks, &mut note, &heard) {
        Ok(outcome) => outcome,
        Err(trouble) => {
            // The interruption is what the user hears of.
            let _ = stretches.finish(clock.ticks(), clock.now(), None, streams);
            return Err(trouble);
        }
    };
    let done = Done {
        all: outcome.read,
        small: outcome.small,
        waited: Span::default(),
    };
    stretches.finish(clock.ticks(), clock.now(), Some(done), streams)?;
    Ok(outcome)
}

/// What was found of files, as it stands against their batch.
pub(super) fn against(outcome: &Outcome, at: Moment) -> impl Iterator<Item = Difference> + '_ {
    outcome.found.iter().map(move |f| Difference {
        place: f.place.clone(),
        kind: f.kind.to_string(),
        ranges: f.ranges.clone(),
        blocking: true,
        at,
    })
}

/// Verified is a batch of which every file is proven and nothing stands against it.
pub(super) fn settle(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    state: State,
    found: &[Difference],
    target: &OsFs,
) -> Result<(State, Sha256State), Trouble> {
    let id = at_hand.row.id;
    let (copied, verified, _) = desk.ledger.progress_of(id)?;
    let failures = desk.ledger.failures(id)?;
    let conflict = failures
        .iter()
        .any(|failure| failure.code.starts_with("conflict"));
    let equal = !found.iter().any(|d| d.blocking) && copied == verified && !conflict;
    let event = if equal {
        Event::VerifyEndsEqual
    } else {
        Event::VerifyEndsUnequal
    };
    let next = after(state, event)?;
    let now = desk.now();
    desk.ledger.set_state(id, next.word(), now)?;
    let words = if equal {
        "equal in everything"
    } else {
        "with differences"
    };
    desk.ledger
        .event(now, "verified", &format!("{}: {words}", at_hand.row.name))?;
    let sha256 = manifest::write(desk, at_hand)?;
    match equal {
        true => proof::write(desk, at_hand, target)?,
        false => desk.ledger.put_proof(id, None)?,
    }
    Ok((next, sha256))
}

/// Which facts this destination is held to.
pub(super) fn facts_of(at_hand: &AtHand) -> Facts {
    let keeps = |fact: &str| !at_hand.destination.accept.iter().any(|accepted| accepted == fact);
    Facts {
        times: keeps("time"),
        modes: keeps("mode"),
        owners: keeps("owner"),
        xattrs: keeps("xattr") && keeps("acl"),
    }
}

/// The words for the facts that are compared beside content, size, kind and links.
pub(super) fn compared(at_hand: &AtHand) -> Vec<String> {
    let facts = facts_of(at_hand);
    let all = [
        ("time", facts.times),
        ("mode", facts.modes),
        ("owner", facts.owners),
        ("xattr", facts.xattrs),
    ];
    let mine = all.iter().filter(|(_, is)| *is);
    mine.map(|(fact, _)| fact.to_string()).collect()
}

/// The folders of the batch: missing ones, their own facts, and what nobody sent.
pub(super) fn folders(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    target: &dyn Fs,
    checks: &Checks<'_>,
    facts: Facts,
) -> Result<Vec<Difference>, Trouble> {
    let at = desk.now();
    let mut found = Vec::new();
    let mut open = crate::copy::OpenFolders::new(target);
    let difference = |place: &RelPath, kind: &str, blocking| Difference {
        place: place.clone(),
        kind: kind.to_string(),
        ranges: Vec::new(),
        blocking,
        at,
    };
    let mut visited = BTreeSet::new();
    let others = desk.settings.sources.iter().map(|source| source.under.clone());
    for (place, mut names) in checks.expected.each(&others.collect::<Vec<_>>()) {
        names.extend(late::names_of_others(desk, at_hand, place)?);
        let seen = hand::uninvited(target, place, &names).map_err(|fault| crate::copy::trouble_of(&fault))?;
        for one in seen {
            if one.by_product {
                visited.extend(one.place.split().map(|(above, _)| above));
            }
            found.push(difference(&one.place, "uninvited", !one.by_product));
        }
    }
    let own = project_folders(at_hand)?;
    let mine = own.iter().chain(&checks.folders);
    // A folder that a later batch brings something into has its times from there.
    for (place, entry) in mine.filter(|(place, _)| !at_hand.taken.contains(place)) {
        let kept = match checks.has_attributes && facts.xattrs {
            true => desk
                .ledger
                .attributes_at(at_hand.row.id, &at_hand.dataset.name, place)?,
            false => None,
        };
        match open.get(place).and_then(|folder| look(&*folder, kept.as_ref())) {
            Ok((seen, lost)) => {
                let wanted = checks.permissions.applied(entry);
                let mut kinds = attributes(&wanted, entry.mtime, &seen, facts);
                kinds.extend(lost.then_some("xattr"));
                // What a desktop leaves in a folder changes the folder's time, and no more.
                let by_visit = |kind: &str| kind == "time" && visited.contains(place);
                found.extend(
                    kinds
                        .into_iter()
                        .map(|kind| difference(place, kind, !by_visit(kind))),
                );
            }
            Err(fault) if fault.kind == crate::world::FaultKind::NotFound => {
                found.push(difference(place, "absent", true));
            }
            Err(_) => found.push(difference(place, "type", true)),
        }
    }
    for failure in desk.ledger.failures(at_hand.row.id)? {
        if failure.code == "gone-at-source" {
            found.push(difference(&failure.place, "gone-at-source", false));
        }
    }
    Ok(found)
}

/// A folder's own facts, and whether it has lost an attribute it had kept.
fn look(folder: &dyn crate::world::Folder, kept: Option<&Attributes>) -> crate::world::Res<(Entry, bool)> {
    let lost = match kept {
        Some(kept) => !kept.hold_in(&folder.xattrs(b"")?),
        None => false,
    };
    Ok((folder.own_facts()?, lost))
}

/// The folder of each project itself. One that is the dataset's own folder is the pool's to set up.
fn project_folders(at_hand: &AtHand) -> Result<Vec<(RelPath, Entry)>, Trouble> {
    let mut found = Vec::new();
    for placed in &at_hand.batch.projects {
        if let (ProjectKey::Folder(path), false) = (&placed.key, placed.place.is_root()) {
            found.extend(
                at_hand
                    .index
                    .entry(path)?
                    .map(|entry| (placed.place.clone(), entry)),
            );
        }
    }
    Ok(found)
}
