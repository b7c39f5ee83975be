//! The receipt of a verification: files count as read back where they still are what is recorded.

use super::receipt::Receipt;
use super::{Brought, answered, inside, look};
use crate::ledger::{Difference, Entering, FileRecord, Ledger, ReadBack, Witnessed};
use crate::lifecycle::{Event, State, after};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::ops::batch::{self, AtHand};
use crate::ops::checks::{Checks, Wanted};
use crate::ops::desk::Desk;
use crate::ops::guard;
use crate::ops::verify::{facts_of, folders, settle};
use crate::ops::waybill::records::Asked;
use crate::report::waybill::receipt::{Came, Done, Part};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::OpenFolders;
use crate::world::{OsFs, ReadHow};
use look::Stands;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

/// Words of what can differ; of those in the first list nothing is ever let pass.
const ALWAYS: [&str; 9] = [
    "content",
    "type",
    "size",
    "mode",
    "owner",
    "xattr",
    "link",
    "absent",
    "unreadable",
];
const AS_TOLD: [&str; 3] = ["time", "uninvited", "gone-at-source"];

/// Enters a receipt that may be entered.
///
/// # Errors
/// [`Trouble`] where it is refused or the destination is missing; nothing is entered then.
pub(super) fn enter(desk: &mut Desk<'_>, receipt: &Receipt) -> Result<Brought, Trouble> {
    let at_hand = super::at_hand(desk, receipt)?;
    let state = after(batch::state_of(Some(&at_hand.row)), Event::VerifyBegins)?;
    receipt.same_list(&at_hand, &desk.ledger)?;
    let target = guard::dataset_seen(desk, &at_hand.destination, &at_hand.dataset)?;
    let mut brought = Brought {
        machine: receipt.head.machine.clone(),
        ..Brought::default()
    };
    let seen = looks(desk, receipt, &at_hand, &target, &mut brought)?;
    let own = own_folders(desk, &at_hand, &target)?;
    let (reader, now) = (desk.second_ledger()?, desk.now());
    let accepted = desk.settings.accept_read.clone();
    let by = answered(desk, receipt);
    let batch = (
        at_hand.row.id,
        at_hand.dataset.name.as_str(),
        at_hand.row.source.as_str(),
    );
    let blocking = desk.ledger.absorb(batch, &by, |entering| {
        let told = record(receipt, &at_hand, (&reader, entering), seen, &accepted, now)?;
        let found = joined(told, own);
        entering.differences(&found)?;
        if let Some(witnessed) = witnessed(receipt, now) {
            entering.witnessed(&witnessed)?;
        }
        entering.no_proof()?;
        entering.no_forecast()?;
        entering.state(state.word(), now)?;
        Ok(found.iter().filter(|one| one.blocking).count() as u64)
    })?;
    brought.differences = blocking;
    let words = format!(
        "{}: {} read back by {}",
        at_hand.row.name, brought.done, brought.machine
    );
    desk.ledger.event(now, "absorbed", &words)?;
    brought.state = Some(finish(desk, &at_hand)?);
    Ok(brought)
}

/// Decides what the entered answers make of the batch, with manifest and proof.
///
/// # Errors
/// [`Trouble`] where the destination is missing or they cannot be written.
pub(super) fn finish(desk: &mut Desk<'_>, at_hand: &AtHand) -> Result<State, Trouble> {
    let target = batch::target(desk, at_hand)?;
    let found = desk.ledger.differences(at_hand.row.id)?;
    let (state, _) = settle(desk, at_hand, State::Verifying, &found, &target)?;
    Ok(state)
}

/// The folders of the batch as this machine sees them: missing ones, their own facts, uninvited names.
fn own_folders(desk: &Desk<'_>, at_hand: &AtHand, target: &OsFs) -> Result<Vec<Difference>, Trouble> {
    let mut checks = Checks::new(at_hand, desk.second_ledger()?, Wanted::default())?;
    for check in checks.by_ref() {
        check?;
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
    }
    folders(desk, at_hand, target, &checks, facts_of(at_hand))
}

/// Holds every answer against the record and against what lies at the destination.
fn looks(
    desk: &Desk<'_>,
    receipt: &Receipt,
    at_hand: &AtHand,
    target: &OsFs,
    brought: &mut Brought,
) -> Result<Vec<Stands>, Trouble> {
    let inodes_hold = target.mount().keeps_inodes();
    let mut open = OpenFolders::new(target);
    let mut all = Vec::new();
    let each = |asked: Asked, came: Came| {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        let stands = match came {
            Came::Failed { .. } => Stands::Touched,
            Came::Done(done) => {
                let record = equal(receipt, &asked, &done)?;
                let there = look::at(&mut open, &asked.place)?;
                let stands = look::stands(there.as_ref(), record, inodes_hold);
                if stands == Stands::Same {
                    brought.done.add(Amount::one(asked.entry.size));
                    let counts = desk.settings.accept_read.contains(&how(&done));
                    brought.not_counted += u64::from(!counts);
                } else {
                    brought.not_as_answered += 1;
                }
                stands
            }
        };
        brought.failed += u64::from(stands != Stands::Same);
        all.push(stands);
        Ok(())
    };
    receipt.walk(at_hand, &desk.ledger, each, |_| Ok(()))?;
    Ok(all)
}

/// The record that a file was found equal to; a receipt that calls another content equal is none.
fn equal<'a>(receipt: &Receipt, asked: &'a Asked, done: &Done) -> Result<&'a FileRecord, Trouble> {
    let record = asked.record.as_ref().filter(|record| {
        let same = record.hash == done.hash && record.kind == done.kind;
        same && record.source.size == done.size
    });
    record.ok_or_else(|| {
        receipt.refused(&format!(
            "it calls {} equal, with another content than was recorded",
            asked.path
        ))
    })
}

/// How a file was read; what has no content was not read in any way that could be doubted.
fn how(done: &Done) -> ReadHow {
    match done.how {
        None => ReadHow::Direct,
        Some(how) => ReadHow::parse(how.word()).unwrap_or(ReadHow::Unknown),
    }
}

fn record(
    receipt: &Receipt,
    at_hand: &AtHand,
    (reader, entering): (&Ledger, &Entering<'_>),
    seen: Vec<Stands>,
    accepted: &[ReadHow],
    now: Moment,
) -> Result<Vec<Difference>, Trouble> {
    let mut seen = seen.into_iter();
    let found = RefCell::new(Vec::new());
    let failed = RefCell::new(BTreeMap::new());
    receipt.walk(
        at_hand,
        reader,
        |asked, came| {
            let stands = seen.next().unwrap_or(Stands::Touched);
            match (came, stands) {
                (Came::Failed { code, .. }, _) => drop(failed.borrow_mut().insert(asked.place, code)),
                (Came::Done(_), Stands::Differs(kind)) => {
                    found
                        .borrow_mut()
                        .push(difference(asked.place, kind, Vec::new(), now));
                }
                (Came::Done(_), Stands::Touched) => {}
                (Came::Done(done), Stands::Same) => {
                    let how = how(&done);
                    if accepted.contains(&how) {
                        let read = ReadBack {
                            place: asked.place,
                            hash: done.hash,
                            how,
                            sha256: done.sha256,
                            listed: None,
                        };
                        entering.verified(&read, receipt.time(done.at, now))?;
                    }
                }
            }
            Ok(())
        },
        |part| {
            found.borrow_mut().push(beside(receipt, at_hand, part, now)?);
            Ok(())
        },
    )?;
    let mut found = found.into_inner();
    // What failed and is told of by no difference stands against the batch all the same.
    let told: BTreeSet<RelPath> = found.iter().map(|one| one.place.clone()).collect();
    let untold = failed
        .into_inner()
        .into_iter()
        .filter(|(place, _)| !told.contains(place));
    for (place, code) in untold.collect::<Vec<_>>() {
        let kind = if code == "absent" { "absent" } else { "unreadable" };
        found.push(difference(place, kind, Vec::new(), now));
    }
    Ok(found)
}

fn beside(receipt: &Receipt, at_hand: &AtHand, part: Part, now: Moment) -> Result<Difference, Trouble> {
    let Part::Difference(one) = part else {
        return Err(receipt.refused("it tells of what a reading back does not bring"));
    };
    let within = match one.kind.as_str() {
        "uninvited" => inside::lies_in_batch(at_hand, &one.place)?,
        _ => inside::is_of_batch(at_hand, &one.place)?,
    };
    if !within {
        let why = format!("it tells of {}, which is not the batch's", one.place);
        return Err(receipt.refused(&why));
    }
    let always = ALWAYS.contains(&one.kind.as_str());
    if !always && !AS_TOLD.contains(&one.kind.as_str()) {
        return Err(receipt.refused("it tells of a difference that there is none of"));
    }
    Ok(Difference {
        place: one.place,
        kind: one.kind,
        ranges: one.ranges,
        blocking: always || one.blocking,
        at: now,
    })
}

fn difference(place: RelPath, kind: &str, ranges: Vec<(u64, u64)>, at: Moment) -> Difference {
    Difference {
        place,
        kind: kind.to_string(),
        ranges,
        blocking: true,
        at,
    }
}

/// Both lists, each difference once; what stands against the batch in either does so.
fn joined(told: Vec<Difference>, own: Vec<Difference>) -> Vec<Difference> {
    let mut all: BTreeMap<(RelPath, String), Difference> = BTreeMap::new();
    for one in told.into_iter().chain(own) {
        let key = (one.place.clone(), one.kind.clone());
        match all.get_mut(&key) {
            Some(before) => before.blocking |= one.blocking,
            None => drop(all.insert(key, one)),
        }
    }
    all.into_values().collect()
}

fn witnessed(receipt: &Receipt, now: Moment) -> Option<Witnessed> {
    let seen = receipt.head.witness.as_ref()?;
    Some(Witnessed {
        at: receipt.time(receipt.head.ended, now),
        due: Bytes(seen.due),
        delivered: match seen.delivered {
            Some(bytes) => Ok(Bytes(bytes)),
            None => Err(seen.why.clone().unwrap_or_default()),
        },
    })
}
