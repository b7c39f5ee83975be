//! waybill: what another machine needs for one task of one batch, written as one sealed file.
//!
//! A copy or a verification is set aside at home in the same step: the row that says so is durable
//! before the file has its name, so that no file ever goes out whose work is also done here.

mod array;
mod document;
pub mod records;
mod slice;

use super::batch::{self, AtHand};
use super::copy::task_of;
use super::desk::Desk;
use super::manifest::aside_closed;
use super::{away, rooms};
use crate::copy::{Ends, give_up_leftovers};
use crate::digest::Digest;
use crate::ledger::WaybillRow;
use crate::lifecycle::waybills::{Known, Standing, Task, may_write, next_round, next_task, round};
use crate::lifecycle::{Event, State, after};
use crate::plan::{Batch, Plan};
use crate::report::waybill::Head;
use crate::trouble::{Class, Trouble};
use crate::units::Amount;
use std::io::Read;
use std::path::{Path, PathBuf};

/// What is asked for.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Batches by name; none: the next one that can be carried, or with `all` every one.
    pub batches: Vec<String>,
    /// Every batch.
    pub all: bool,
    /// What is to be done; none: what each batch needs next.
    pub tasks: Vec<Task>,
    /// The folder to write to; none: `waybills/` in the move folder.
    pub out: Option<PathBuf>,
}

/// A waybill that was written.
#[derive(Debug, Clone)]
pub struct Written {
    /// The batch.
    pub batch: String,
    /// What it asks for.
    pub task: Task,
    /// Where it lies.
    pub path: PathBuf,
    /// BLAKE3 of all its bytes.
    pub hash: Digest,
    /// Files it asks for, and their bytes.
    pub asked: Amount,
}

/// What could not be written.
#[derive(Debug, Clone)]
pub struct Unwritten {
    /// The batch.
    pub batch: String,
    /// What was asked for; none: anything.
    pub task: Option<Task>,
    /// Why, as a lower-case fragment.
    pub why: String,
}

/// What came of it.
#[derive(Debug, Clone, Default)]
pub struct Wrote {
    /// In the order of the plan.
    pub written: Vec<Written>,
    /// What was asked for and could not be.
    pub unwritten: Vec<Unwritten>,
    /// The script for a scheduler, where every batch was asked for.
    pub script: Option<PathBuf>,
}

/// Writes waybills.
///
/// # Errors
/// [`Trouble`] for names that do not exist, and where something had to stop; what was written until
/// then is out.
pub fn write(desk: &mut Desk<'_>, request: &Request) -> Result<Wrote, Trouble> {
    super::following::go_on(desk)?;
    let plan = batch::plan(desk)?;
    let folder = match &request.out {
        Some(folder) => folder.clone(),
        None => desk.folder.join("waybills"),
    };
    let named = match request.batches.is_empty() {
        true => plan.batches.clone(),
        false => batch::named(&plan, &request.batches)?,
    };
    let mut wrote = Wrote::default();
    for chosen in named {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        one_batch(desk, &plan, &chosen, request, &folder, &mut wrote)?;
        let one_is_enough = request.batches.is_empty() && !request.all;
        if one_is_enough && !wrote.written.is_empty() {
            break;
        }
    }
    if request.all && !wrote.written.is_empty() {
        wrote.script = Some(array::write(&folder, &wrote.written)?);
    }
    if !wrote.written.is_empty() {
        desk.keep_ledger_copy()?;
    }
    Ok(wrote)
}

fn one_batch(
    desk: &mut Desk<'_>,
    plan: &Plan,
    chosen: &Batch,
    request: &Request,
    folder: &Path,
    wrote: &mut Wrote,
) -> Result<(), Trouble> {
    let name = chosen.name.as_str().to_string();
    let state = batch::state_of(desk.ledger.batch(&name)?.as_ref());
    let by_state = request.tasks.is_empty();
    let tasks = match by_state {
        true => next_task(state).into_iter().collect(),
        false => request.tasks.clone(),
    };
    let named = !request.batches.is_empty();
    let mut not = |task, why: String| {
        wrote.unwritten.push(Unwritten {
            batch: name.clone(),
            task,
            why,
        })
    };
    if tasks.is_empty() && named {
        not(None, "it is verified already; only hash-source is left".into());
    }
    for task in tasks {
        if let Err(why) = may_write(state, task) {
            not(Some(task), why.into());
            continue;
        }
        match one_task(desk, plan, chosen, task, folder) {
            Ok(written) => wrote.written.push(written),
            // What stops one batch is no reason to leave out the others.
            Err(trouble) if !named && trouble.class == Class::Stopped && passes(trouble.code) => {
                not(Some(task), trouble.text);
            }
            Err(trouble) => return Err(trouble),
        }
    }
    Ok(())
}

/// Troubles of one batch alone.
fn passes(code: &str) -> bool {
    matches!(
        code,
        "held" | "batch-busy" | "destination-waits" | "adopted-elsewhere" | "carried-elsewhere"
    )
}

fn one_task(
    desk: &mut Desk<'_>,
    plan: &Plan,
    chosen: &Batch,
    task: Task,
    folder: &Path,
) -> Result<Written, Trouble> {
    let name = chosen.name.as_str();
    if task == Task::HashSource {
        let at_hand = match desk.ledger.batch(name)? {
            Some(row) => batch::open(desk, row)?,
            None => batch::preview(desk, plan, chosen)?,
        };
        return put(desk, &at_hand, task, folder);
    }
    super::copy::refuse_held(desk, name)?;
    batch::here_alone(desk, name, |desk| {
        // Looked at again now that nobody else may change it.
        let row = desk.ledger.batch(name)?;
        let state = batch::state_of(row.as_ref());
        may_write(state, task)
            .map_err(|why| Trouble::stopped("not-in-this-state", format!("{name}: {why}")))?;
        let at_hand = match (task, row) {
            (Task::Verify, Some(row)) => batch::open(desk, row)?,
            _ => begun(desk, plan, chosen, state)?,
        };
        if at_hand.at.is_some() {
            let text = format!("the batch {name} was adopted from a folder of its own");
            return Err(Trouble::stopped("adopted-elsewhere", text)
                .mend(format!("Read it back here: `poolward verify {name}`.")));
        }
        put(desk, &at_hand, task, folder)
    })
}

/// A batch that is to be copied elsewhere: it begins, and what was left half done here is removed.
fn begun(desk: &mut Desk<'_>, plan: &Plan, chosen: &Batch, state: State) -> Result<AtHand, Trouble> {
    if let Some(trouble) = rooms::too_early(desk, plan, chosen)? {
        return Err(trouble);
    }
    away::refuse_kin(desk, plan, chosen)?;
    let mut at_hand = batch::take_up(desk, plan, chosen, None)?;
    let (id, dataset) = (at_hand.row.id, at_hand.dataset.name.clone());
    if !desk.ledger.intents_of(id, &dataset)?.is_empty() {
        let (source, target) = batch::ends(desk, &at_hand)?;
        let task = task_of(desk, &at_hand)?;
        let ends = Ends {
            source: &source,
            target: &target,
            clock: desk.clock,
            stop: desk.stop,
        };
        give_up_leftovers(ends, &task, &mut desk.ledger)?;
    }
    let next = after(state, Event::CopyBegins)?;
    if next != state {
        let now = desk.now();
        desk.ledger.set_state(id, next.word(), now)?;
        at_hand.row.state = next.word().to_string();
    }
    Ok(at_hand)
}

/// Writes one file; the ledger knows of it before it has its name.
fn put(desk: &mut Desk<'_>, at_hand: &AtHand, task: Task, folder: &Path) -> Result<Written, Trouble> {
    let name = at_hand.row.name.clone();
    let secret = desk.ledger.waybill_secret(fresh()?)?;
    let (head, number) = head_of(desk, at_hand, task, &secret)?;
    // The first is called by batch and task; later ones never meet what answered an earlier one.
    let path = folder.join(match number {
        0 => format!("{name}.{}.waybill", task.word()),
        _ => format!("{name}.{}-{}.waybill", task.word(), number + 1),
    });
    // Whoever reads its key can make a receipt that is believed.
    let row = aside_closed(&path, |out| {
        let document = document::write(desk, at_hand, task, &head, out)?;
        let row = WaybillRow {
            id: 0,
            batch: name.clone(),
            task,
            hash: document.hash,
            listed: document.listed,
            index: at_hand.index.digest(),
            written_at: desk.now(),
            standing: Standing::Out,
            settled_at: None,
            receipt: None,
            machine: None,
        };
        let row = desk.ledger.put_waybill(&row)?;
        Ok((row, document.asked))
    });
    let (row, asked) = row.map_err(|trouble| match trouble.code {
        "report-denied" => trouble.mend("Make room there, or name another folder with --out."),
        _ => trouble,
    })?;
    let words = format!("{name}: {}, {asked}", task.word());
    desk.ledger.event(desk.now(), "waybill", &words)?;
    Ok(Written {
        batch: name,
        task,
        path,
        hash: row.hash,
        asked,
    })
}

/// The head of a waybill and its number: those of the one which is out, where the facts are still the
/// same.
fn head_of(desk: &Desk<'_>, at_hand: &AtHand, task: Task, secret: &[u8; 32]) -> Result<(Head, u64), Trouble> {
    let rows = desk.ledger.waybills(Some(&at_hand.row.name))?;
    let known: Vec<Known> = rows.iter().map(WaybillRow::known).collect();
    let number = round(&known, task);
    let head = document::head(desk, at_hand, task, secret, number)?;
    let is_out = |row: &&WaybillRow| row.task == task && row.standing == Standing::Out;
    let Some(out) = rows.iter().find(is_out) else {
        return Ok((head, number));
    };
    let same = document::write(desk, at_hand, task, &head, std::io::sink())?;
    if same.hash == out.hash {
        return Ok((head, number));
    }
    let next = next_round(&known, task);
    Ok((document::head(desk, at_hand, task, secret, next)?, next))
}

/// Thirty-two bytes of the kernel's (urandom(4)).
fn fresh() -> Result<[u8; 32], Trouble> {
    let mut bytes = [0; 32];
    let read = std::fs::File::open("/dev/urandom").and_then(|mut file| file.read_exact(&mut bytes));
    read.map(|()| bytes).map_err(|e| {
        Trouble::stopped("no-seed", format!("cannot read /dev/urandom: {e}"))
            .mend("Look why this machine has no random numbers, then run the same command again.")
    })
}
