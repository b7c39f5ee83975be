//! verify: what is copied, read back and compared, and the manifest of what is proven.

use super::batch::{self, AtHand};
use super::desk::Desk;
use super::expected::Expected;
use super::items::Walk;
use super::stretch::{Done, Stretches};
use super::{late, manifest};
use crate::entry::{Entry, EntryKind};
use crate::ledger::{Attributes, Difference, FileRecord, Ledger, Proof};
use crate::lifecycle::{Event, State, after};
use crate::names::RelPath;
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use crate::units::{Amount, Span};
use crate::verify::compare::{Facts, attributes};
use crate::verify::{self as hand, Check, Outcome, Progress, Request};
use crate::world::Fs;
use std::collections::{BTreeSet, VecDeque};

/// Workers where the user named no number.
const STREAMS: usize = 4;

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
}

/// Reads one batch back. Files proven before are read again only with `again`.
///
/// # Errors
/// [`Trouble`] where the batch is not copied, or it had to stop; what was proven stays.
pub fn verify(
    desk: &mut Desk<'_>,
    name: &str,
    again: bool,
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
        one(desk, &at_hand, again, progress)
    })
}

fn one(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    again: bool,
    progress: &dyn Fn(Progress),
) -> Result<Verified, Trouble> {
    let id = at_hand.row.id;
    let state = after(batch::state_of(Some(&at_hand.row)), Event::VerifyBegins)?;
    let target = batch::target(desk, at_hand)?;
    let now = desk.now();
    desk.ledger.set_state(id, state.word(), now)?;
    let facts = facts_of(at_hand);
    let streams = desk.settings.streams.unwrap_or(STREAMS);
    let request = Request {
        target: &target,
        stop: desk.stop,
        streams,
        facts,
        inodes_hold: at_hand.inodes_hold,
    };
    let began = desk.clock.ticks();
    let mut checks = Checks::new(at_hand, desk.second_ledger()?, again)?;
    let (clock, dataset) = (desk.clock, at_hand.dataset.name.clone());
    let stretches = Stretches::new(desk, at_hand, "verify", began)?;
    let ledger = &mut desk.ledger;
    let mut note = |places: &[_]| ledger.mark_verified(id, &dataset, places, clock.now());
    let heard = |p: Progress| {
        stretches.at(clock.ticks(), clock.now(), heard(p));
        progress(p);
    };
    let outcome = match hand::verify(request, &mut checks, &mut note, &heard) {
        Ok(outcome) => outcome,
        Err(trouble) => {
            // The interruption is what the user hears of.
            let _ = stretches.finish(clock.ticks(), clock.now(), None, streams);
            return Err(trouble);
        }
    };
    let elapsed = Span::from_secs_f64(desk.clock.ticks() - began);
    let mut found = folders(desk, at_hand, &target, &checks, facts)?;
    let at = desk.now();
    found.extend(outcome.found.iter().map(|f| Difference {
        place: f.place.clone(),
        kind: f.kind.to_string(),
        ranges: f.ranges.clone(),
        blocking: true,
        at,
    }));
    // What was proven before and differs now is proven no more.
    let differing: Vec<RelPath> = outcome.found.iter().map(|f| f.place.clone()).collect();
    desk.ledger.mark_unproven(id, &at_hand.dataset.name, &differing)?;
    desk.ledger.put_differences(id, &found)?;
    let done = Done {
        all: outcome.read,
        small: outcome.small,
        waited: Span::default(),
    };
    stretches.finish(clock.ticks(), clock.now(), Some(done), streams)?;
    let state = settle(desk, at_hand, state, &found)?;
    desk.keep_ledger_copy()?;
    let (differences, listed) = found.into_iter().partition(|d| d.blocking);
    Ok(Verified {
        name: at_hand.row.name.clone(),
        state,
        outcome,
        differences,
        listed,
        elapsed,
    })
}

fn heard(p: Progress) -> Done {
    let all = Amount {
        files: p.files,
        bytes: p.bytes,
    };
    Done {
        all,
        small: p.small,
        waited: Span::default(),
    }
}

/// Verified is a batch of which every file is proven and nothing stands against it.
fn settle(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    state: State,
    found: &[Difference],
) -> Result<State, Trouble> {
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
    manifest::write(desk, at_hand)?;
    Ok(next)
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

/// The folders of the batch: missing ones, their own facts, and what nobody sent.
fn folders(
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
                let mut kinds = attributes(entry, entry.mtime, &seen, facts);
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

/// The files of a batch that are recorded, for reading back.
struct Checks<'a> {
    walk: Walk<'a>,
    at_hand: &'a AtHand,
    ledger: Ledger,
    again: bool,
    ready: VecDeque<Check>,
    folders: Vec<(RelPath, Entry)>,
    /// What may lie in each folder: what the source had there and what is recorded.
    expected: Expected,
    /// Whether any extended attributes are kept of this batch.
    has_attributes: bool,
}

impl<'a> Checks<'a> {
    fn new(at_hand: &'a AtHand, ledger: Ledger, again: bool) -> Result<Checks<'a>, Trouble> {
        let has_attributes = ledger.has_attributes(at_hand.row.id)?;
        let (ready, folders, expected) = (VecDeque::new(), Vec::new(), Expected::default());
        Ok(Checks {
            walk: Walk::new(at_hand),
            at_hand,
            ledger,
            again,
            ready,
            folders,
            expected,
            has_attributes,
        })
    }

    fn fill(&mut self) -> Result<bool, Trouble> {
        let Some(folder) = self.walk.next().transpose()? else {
            return Ok(false);
        };
        let (id, dataset) = (self.at_hand.row.id, &self.at_hand.dataset.name);
        let mut records = self.ledger.folder_records(id, dataset, &folder.place)?;
        let mut names: BTreeSet<Vec<u8>> = records.keys().cloned().chain(folder.others).collect();
        for child in folder.children {
            let Ok(place) = folder.place.join(&child.name) else {
                continue;
            };
            names.insert(child.name.clone());
            if child.entry.kind == EntryKind::Directory {
                if child.entry.error.is_none() {
                    self.folders.push((place, child.entry));
                }
            } else if let Some(record) = records.remove(&child.name) {
                self.push(record, child.entry)?;
            }
        }
        self.expected.add(folder.place, names);
        Ok(true)
    }

    fn push(&mut self, record: FileRecord, entry: Entry) -> Result<(), Trouble> {
        let proven = matches!(record.proof, Proof::Verified { .. });
        if proven && !self.again {
            return Ok(());
        }
        let values = self
            .ledger
            .blocks_of(self.at_hand.row.id, &self.at_hand.dataset.name, &record.place)?;
        let place = &record.place;
        let attributes = match self.has_attributes {
            true => self
                .ledger
                .attributes_at(self.at_hand.row.id, &self.at_hand.dataset.name, place)?,
            false => None,
        };
        self.ready.push_back(Check {
            record,
            entry,
            values,
            attributes,
        });
        Ok(())
    }
}

impl Iterator for Checks<'_> {
    type Item = Result<Check, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(check) = self.ready.pop_front() {
                return Some(Ok(check));
            }
            match self.fill() {
                Ok(true) => {}
                Ok(false) => return None,
                Err(trouble) => return Some(Err(trouble)),
            }
        }
    }
}
