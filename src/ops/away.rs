//! Batches that another machine works on: they are left alone at home until its receipt is entered
//! or the waybill is taken back.

use super::desk::Desk;
use super::late;
use crate::ledger::{Ledger, WaybillRow};
use crate::lifecycle::waybills::{Known, Task, set_aside_by};
use crate::moment::Moment;
use crate::plan::{Batch, Plan};
use crate::trouble::Trouble;
use std::collections::BTreeMap;

/// The waybill that keeps a batch from being worked on here.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn waybill_of(ledger: &Ledger, batch: &str) -> Result<Option<WaybillRow>, Trouble> {
    let mut rows = ledger.waybills(Some(batch))?;
    let known: Vec<Known> = rows.iter().map(WaybillRow::known).collect();
    Ok(set_aside_by(&known).map(|at| rows.swap_remove(at)))
}

/// What is out of each batch: task and since when, in the order of writing. Of a batch that is set
/// aside, the waybill that does that stands first.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn out(ledger: &Ledger) -> Result<BTreeMap<String, Vec<(Task, Moment)>>, Trouble> {
    use crate::lifecycle::waybills::Standing;
    let mut out: BTreeMap<String, Vec<(Task, Moment)>> = BTreeMap::new();
    let rows = ledger.waybills(None)?.into_iter();
    for row in rows.filter(|row| row.standing == Standing::Out) {
        out.entry(row.batch).or_default().push((row.task, row.written_at));
    }
    for tasks in out.values_mut() {
        tasks.sort_by_key(|(task, _)| !task.sets_aside());
    }
    Ok(out)
}

/// Why a batch cannot be worked on here, where another machine has it.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn words(desk: &Desk<'_>, batch: &str) -> Result<Option<String>, Trouble> {
    let Some(row) = waybill_of(&desk.ledger, batch)? else {
        return Ok(None);
    };
    let since = row.written_at.local(desk.settings.windows.zone);
    Ok(Some(format!(
        "the batch {batch} is carried by another machine: a waybill for {} is out since {since}",
        row.task.word()
    )))
}

/// Refuses work at home on a batch that another machine has.
///
/// # Errors
/// `carried-elsewhere`, with the mend.
pub fn refuse(desk: &Desk<'_>, batch: &str) -> Result<(), Trouble> {
    let Some(text) = words(desk, batch)? else {
        return Ok(());
    };
    Err(Trouble::stopped("carried-elsewhere", text).mend(format!(
        "Enter its receipt with `poolward absorb`, or take the waybill back with `poolward hold {batch} --off`; its receipt is refused then."
    )))
}

/// Refuses to begin a batch of later files while another machine has one that holds files of the same
/// projects: it would take places from under the other's hands.
///
/// # Errors
/// `carried-elsewhere`, with the mend.
pub fn refuse_kin(desk: &Desk<'_>, plan: &Plan, batch: &Batch) -> Result<(), Trouble> {
    if !batch.delta || desk.ledger.batch(batch.name.as_str())?.is_some() {
        return Ok(());
    }
    late::kin(plan, batch).try_for_each(|other| refuse(desk, other.name.as_str()))
}
