//! What was forecast of a batch when it began, against what it took.

use super::desk::Desk;
use super::schedule;
use crate::ledger::Foretold;
use crate::lifecycle::State;
use crate::plan::{Batch, Plan};
use crate::report::model::{BatchRow, Outcome};
use crate::trouble::Trouble;
use std::collections::BTreeMap;

/// Keeps the forecast of a batch that has not begun; of one that has, what was kept stands.
///
/// # Errors
/// [`Trouble`] where there is no forecast to be made or the ledger cannot be written.
pub fn keep(desk: &mut Desk<'_>, plan: &Plan, batch: &Batch) -> Result<(), Trouble> {
    if desk.ledger.batch(batch.name.as_str())?.is_some() {
        return Ok(());
    }
    let forecast = schedule::forecast(desk, plan)?;
    let Some(mine) = forecast.batches.iter().find(|one| one.name == batch.name) else {
        return Ok(());
    };
    let told = Foretold {
        batch: batch.name.as_str().to_string(),
        at: desk.now(),
        work: [mine.seconds.low, mine.seconds.likely, mine.seconds.high],
        end: [mine.end.low, mine.end.likely, mine.end.high],
        basis: forecast.basis.name().to_string(),
        taken: Default::default(),
    };
    desk.ledger.foretell(&told)
}

/// All that was kept, by batch.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn all(desk: &Desk<'_>) -> Result<BTreeMap<String, Foretold>, Trouble> {
    let rows = desk.ledger.foretold()?;
    Ok(rows.into_iter().map(|row| (row.batch.clone(), row)).collect())
}

/// The finished batches among these, forecast against actual.
pub fn outcomes(told: &BTreeMap<String, Foretold>, batches: &[BatchRow]) -> Vec<Outcome> {
    let finished = batches.iter().filter(|batch| batch.state >= State::Verified);
    let one = |batch: &BatchRow| {
        let told = told.get(batch.name.as_str())?;
        let [low, likely, high] = told.work;
        Some(Outcome {
            name: batch.name.clone(),
            amount: batch.progress.planned,
            foretold: likely,
            range: (low, high),
            taken: told.taken,
        })
    };
    finished.filter_map(one).collect()
}
