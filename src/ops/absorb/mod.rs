//! absorb: what another machine answers, checked and entered.
//!
//! Nothing is believed before the whole receipt was read once and its seal, which only who had the
//! waybill could make, fits. Then it is held against the list at home, answer by answer, and every
//! file at the destination is looked at through this machine's own mount. All of it is entered in
//! one transaction, the waybill's end with it: a crash leaves all or nothing.

mod copied;
mod hashed;
mod inside;
mod look;
mod receipt;
mod verified;

use super::batch::{self, AtHand};
use super::desk::Desk;
use super::view::View;
use crate::ledger::{Answered, Disagreement, WaybillRow};
use crate::lifecycle::State;
use crate::lifecycle::waybills::{Answer, Known, Task, answer};
use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::units::Amount;
use receipt::Receipt;
use std::path::{Path, PathBuf};

/// What became of one receipt.
pub struct Absorbed {
    /// Its file.
    pub path: PathBuf,
    /// The batch and the task, as far as it could be read.
    pub about: Option<(String, Task)>,
    /// Whether it was entered now.
    pub entered: bool,
    /// What it brought, or why it is refused.
    pub came: Result<Brought, Trouble>,
}

/// What a receipt brought.
#[derive(Debug, Clone, Default)]
pub struct Brought {
    /// The machine, as it tells its name.
    pub machine: String,
    /// Files that count as done, and their bytes.
    pub done: Amount,
    /// Files that do not.
    pub failed: u64,
    /// Of these, files that are not at the destination as the receipt says.
    pub not_as_answered: u64,
    /// Files that changed at the source, so that nothing is said of them.
    pub changed: u64,
    /// Differences that stand against the batch.
    pub differences: u64,
    /// Files read back in a way that does not count.
    pub not_counted: u64,
    /// Reads of the source that disagree.
    pub disagreed: u64,
    /// What became of the folder of links.
    pub view: Option<View>,
    /// The batch's state now; none where it has not begun.
    pub state: Option<State>,
}

/// Takes in receipts, each for itself: one that is refused keeps no other from being entered.
///
/// # Errors
/// An interruption; what is wrong with a single receipt stands in its place of the answer.
pub fn absorb(desk: &mut Desk<'_>, paths: &[PathBuf]) -> Result<Vec<Absorbed>, Trouble> {
    super::following::go_on(desk)?;
    let mut all = Vec::new();
    for path in paths {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        all.push(one(desk, path));
    }
    if all.iter().any(|one| one.entered) {
        desk.keep_ledger_copy()?;
    }
    Ok(all)
}

fn one(desk: &mut Desk<'_>, path: &Path) -> Absorbed {
    let mut absorbed = Absorbed {
        path: path.to_path_buf(),
        about: None,
        entered: false,
        came: Ok(Brought::default()),
    };
    absorbed.came = Receipt::open(desk, path).and_then(|receipt| {
        absorbed.about = Some((receipt.row.batch.clone(), receipt.row.task));
        let (entered, brought) = settle(desk, &receipt)?;
        absorbed.entered = entered;
        Ok(brought)
    });
    absorbed
}

/// Decides on a receipt whose seal fits, and enters it.
fn settle(desk: &mut Desk<'_>, receipt: &Receipt) -> Result<(bool, Brought), Trouble> {
    match standing(desk, receipt)? {
        Answer::Enter(_) => {}
        Answer::Entered(_) => return Ok((false, again(desk, receipt)?)),
        Answer::Unknown => return Err(receipt.unknown()),
        Answer::Withdrawn => {
            let text = format!(
                "{} answers a waybill that was taken back or replaced",
                receipt.shown()
            );
            return Err(Trouble::stopped("waybill-withdrawn", text)
                .mend("Nothing of it was entered. Write the waybill anew with `poolward waybill`, or do the work here."));
        }
        Answer::Already => {
            let text = format!(
                "{} answers a waybill for which another receipt was entered",
                receipt.shown()
            );
            return Err(Trouble::stopped("already-absorbed", text)
                .mend("Nothing of it was entered: one answer is taken for each batch and task."));
        }
    }
    let brought = match receipt.row.task {
        Task::HashSource => hashed::enter(desk, receipt),
        task => {
            let name = receipt.row.batch.clone();
            batch::here_alone(desk, &name, |desk| match task {
                Task::Copy => copied::enter(desk, receipt),
                _ => verified::enter(desk, receipt),
            })
        }
    };
    Ok((true, brought?))
}

fn standing(desk: &Desk<'_>, receipt: &Receipt) -> Result<Answer, Trouble> {
    let rows = desk.ledger.waybills(Some(&receipt.row.batch))?;
    let known: Vec<Known> = rows.iter().map(WaybillRow::known).collect();
    Ok(answer(&known, receipt.row.task, receipt.row.hash, receipt.hash))
}

/// The very same receipt once more: only what a crash may have left to be done is done.
fn again(desk: &mut Desk<'_>, receipt: &Receipt) -> Result<Brought, Trouble> {
    let row = desk.ledger.batch(&receipt.row.batch)?;
    let mut brought = Brought {
        machine: receipt.head.machine.clone(),
        state: row.as_ref().map(|row| batch::state_of(Some(row))),
        ..Brought::default()
    };
    if let (Task::Verify, Some(row), Some(State::Verifying)) = (receipt.row.task, row, brought.state) {
        let name = row.name.clone();
        brought.state = Some(batch::here_alone(desk, &name, |desk| {
            let at_hand = batch::open(desk, row)?;
            verified::finish(desk, &at_hand)
        })?);
    }
    Ok(brought)
}

/// The batch as it was when its waybill was written.
fn at_hand(desk: &mut Desk<'_>, receipt: &Receipt) -> Result<AtHand, Trouble> {
    let name = &receipt.row.batch;
    let found = match desk.ledger.batch(name)? {
        Some(row) => batch::open(desk, row)?,
        None => {
            let plan = batch::plan(desk)?;
            let chosen = batch::named(&plan, std::slice::from_ref(name)).map_err(|_| receipt.outdated())?;
            let chosen = chosen.first().ok_or_else(|| receipt.outdated())?;
            batch::preview(desk, &plan, chosen)?
        }
    };
    if found.index.digest() == receipt.row.index {
        return Ok(found);
    }
    // A list of hashes is good for the index it was made from, though that is not the newest.
    let mut row = found.row;
    row.index = receipt.row.index;
    let only = found.only;
    let mut older = batch::open(desk, row).map_err(|_| receipt.outdated())?;
    older.only = only;
    Ok(older)
}

/// Who answers, and when it is entered.
fn answered(desk: &Desk<'_>, receipt: &Receipt) -> Answered {
    Answered {
        waybill: receipt.row.id,
        receipt: receipt.hash,
        machine: receipt.head.machine.clone(),
        at: desk.now(),
    }
}

/// Two reads that the other machine saw disagree, of a file of the batch.
fn disagreement(
    receipt: &Receipt,
    at_hand: &AtHand,
    one: crate::report::waybill::receipt::Disagreement,
    now: Moment,
) -> Result<Disagreement, Trouble> {
    let words = ["earlier-read", "later-read", "none"];
    if !inside::is_source_of_batch(at_hand, &one.path)? || !words.contains(&one.settled_by.as_str()) {
        let why = format!("it tells of reads of {}, which is not the batch's", one.path);
        return Err(receipt.refused(&why));
    }
    Ok(Disagreement {
        path: one.path,
        identity: one.identity,
        earlier: one.earlier,
        later: one.later,
        ranges: one.ranges,
        at: receipt.time(one.at, now),
        settled_by: one.settled_by,
    })
}
