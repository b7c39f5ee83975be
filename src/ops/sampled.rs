//! verify on a sample: some files of a batch drawn by lot, and what that proves of all of them.

use super::batch::{self, AtHand};
use super::checks::{Checks, Wanted};
use super::desk::Desk;
use super::verify::facts_of;
use super::witness::Witness;
use crate::ledger::Difference;
use crate::lifecycle::sampling::{Share, draw, fewer_than, needed};
use crate::lifecycle::{Event, State, after};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{counted, grouped};
use crate::verify::{self as hand, Outcome, Progress, Request};
use crate::world::Disks;
use std::collections::BTreeSet;
use std::io::Read;

/// How many files are drawn.
#[derive(Debug, Clone, Copy)]
pub enum Draw {
    /// So many.
    Files(u64),
    /// As many as it takes to say with a confidence that fewer than a share of all are bad.
    Until {
        /// The confidence.
        confidence: Share,
        /// The share.
        rate: Share,
    },
}

/// What a sample came to.
pub struct Sampled {
    /// The batch.
    pub name: String,
    /// Its state, which only a difference changes.
    pub state: State,
    /// Files of the batch.
    pub of: u64,
    /// Files drawn.
    pub drawn: u64,
    /// What they were drawn by.
    pub seed: u64,
    /// What was read.
    pub outcome: Outcome,
    /// What the disks delivered meanwhile.
    pub witness: Witness,
    /// What it proves, in one sentence.
    pub statement: String,
    /// What was found against the batch.
    pub differences: Vec<Difference>,
}

/// Reads some files of one batch back, drawn by lot. Nothing becomes verified by that; a difference
/// stands against the batch as any other.
///
/// # Errors
/// [`Trouble`] where the batch has no files yet, or it had to stop.
pub fn sample(
    desk: &mut Desk<'_>,
    name: &str,
    (wanted, seed): (Draw, Option<u64>),
    progress: &dyn Fn(Progress),
) -> Result<Sampled, Trouble> {
    let row = desk.ledger.batch(name)?.ok_or_else(|| not_copied(name))?;
    let seed = match seed {
        Some(seed) => seed,
        None => new_seed()?,
    };
    batch::alone(desk, name, |desk| {
        let at_hand = batch::open(desk, row)?;
        one(desk, &at_hand, wanted, seed, progress)
    })
}

fn one(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    wanted: Draw,
    seed: u64,
    progress: &dyn Fn(Progress),
) -> Result<Sampled, Trouble> {
    let target = batch::target(desk, at_hand)?;
    let of = count(desk, at_hand)?;
    if of == 0 {
        return Err(not_copied(&at_hand.row.name));
    }
    let drawn = match wanted {
        Draw::Files(files) => files.min(of),
        Draw::Until { confidence, rate } => needed(of, confidence, rate),
    };
    let disks = Disks::behind(&target);
    let request = Request {
        target: &target,
        stop: desk.stop,
        streams: desk.settings.streams.unwrap_or(super::verify::STREAMS),
        facts: facts_of(at_hand),
        inodes_hold: at_hand.inodes_hold,
        disks: disks.as_ref().ok(),
    };
    let picked = Wanted {
        picked: Some(draw(seed, of, drawn)),
        ..Wanted::default()
    };
    let mut checks = Checks::new(at_hand, desk.second_ledger()?, picked)?;
    let outcome = hand::verify(request, &mut checks, &mut |_| Ok(()), progress)?;
    let witness = Witness::of(&disks, &outcome);
    let differences = against(desk, at_hand, &outcome)?;
    let statement = match (differences.len(), witness.contradicts()) {
        (0, false) => proves(of, drawn, wanted),
        (0, true) => "part of it came from memory, so this proves nothing of the disks".to_string(),
        _ => "files differ, so nothing is proven of the others: verify all of them".to_string(),
    };
    let now = desk.now();
    let words = format!(
        "{}: {} of {} by seed {seed}: {statement}",
        at_hand.row.name,
        grouped(drawn),
        counted(of, "file")
    );
    desk.ledger.event(now, "sampled", &words)?;
    Ok(Sampled {
        state: batch::state_of(desk.ledger.batch(&at_hand.row.name)?.as_ref()),
        name: at_hand.row.name.clone(),
        of,
        drawn,
        seed,
        outcome,
        witness,
        statement,
        differences,
    })
}

/// Regular files in the order in which they are numbered.
fn count(desk: &Desk<'_>, at_hand: &AtHand) -> Result<u64, Trouble> {
    let none = Wanted {
        picked: Some(BTreeSet::new()),
        ..Wanted::default()
    };
    let mut checks = Checks::new(at_hand, desk.second_ledger()?, none)?;
    if let Some(check) = checks.next() {
        check?;
    }
    Ok(checks.seen)
}

/// What was found joins what stands against the batch already, and a verified one is so no more.
fn against(desk: &mut Desk<'_>, at_hand: &AtHand, outcome: &Outcome) -> Result<Vec<Difference>, Trouble> {
    if outcome.found.is_empty() {
        return Ok(Vec::new());
    }
    let (id, at) = (at_hand.row.id, desk.now());
    let found: Vec<Difference> = super::verify::against(outcome, at).collect();
    let places: Vec<RelPath> = found.iter().map(|one| one.place.clone()).collect();
    desk.ledger.mark_unproven(id, &at_hand.dataset.name, &places)?;
    let mut all = desk.ledger.differences(id)?;
    all.extend(found.clone());
    desk.ledger.put_differences(id, &all)?;
    desk.ledger.put_proof(id, None)?;
    let state = batch::state_of(Some(&at_hand.row));
    let next = after(state, Event::VerifyBegins).and_then(|state| after(state, Event::VerifyEndsUnequal));
    if let Ok(next) = next {
        desk.ledger.set_state(id, next.word(), at)?;
    }
    desk.keep_ledger_copy()?;
    Ok(found)
}

fn proves(of: u64, drawn: u64, wanted: Draw) -> String {
    let total = counted(of, "file");
    if drawn == of {
        return format!("all of {total} were read: none differs");
    }
    match wanted {
        Draw::Until { confidence, rate } => {
            format!("with {confidence} confidence fewer than {rate} of {total} differ")
        }
        Draw::Files(_) => {
            let open = Share::percent("95%").and_then(|share| fewer_than(of, drawn, share));
            format!(
                "with 95 % confidence fewer than {} of {total} differ",
                grouped(open.unwrap_or(of))
            )
        }
    }
}

fn not_copied(name: &str) -> Trouble {
    let words = format!("the batch {name} has no copied files yet");
    Trouble::usage("not-in-this-state", words).mend(format!("Run `poolward copy {name}` first."))
}

/// Eight bytes of the kernel's (urandom(4)).
fn new_seed() -> Result<u64, Trouble> {
    let mut bytes = [0u8; 8];
    let read = std::fs::File::open("/dev/urandom").and_then(|mut file| file.read_exact(&mut bytes));
    match read {
        // 53 bits: every reader of JSON takes the number as it is.
        Ok(()) => Ok(u64::from_le_bytes(bytes) >> 11),
        Err(e) => Err(
            Trouble::stopped("no-seed", format!("cannot read /dev/urandom: {e}"))
                .mend("Give a number of your own with --seed."),
        ),
    }
}
