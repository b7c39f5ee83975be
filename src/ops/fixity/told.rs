//! What the ledger knows of readings again, for status and report.

use crate::ledger::FixityRound;
use crate::ops::desk::Desk;
use crate::ops::status::how;
use crate::report::again::{ReadAgain, Round};
use crate::trouble::Trouble;

/// Every dataset that was read again, by name: the last round that ended, and the one that runs.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn told(desk: &Desk<'_>) -> Result<Vec<ReadAgain>, Trouble> {
    let mut rows = Vec::new();
    for dataset in desk.ledger.fixity_datasets()? {
        let mut row = ReadAgain {
            dataset,
            through: None,
            running: None,
        };
        for round in desk.ledger.fixity_rounds(&row.dataset, 2)? {
            match round.ended_at {
                None => row.running = Some(shown(desk, round)?),
                Some(_) if row.through.is_none() => row.through = Some(shown(desk, round)?),
                Some(_) => {}
            }
        }
        rows.push(row);
    }
    Ok(rows)
}

fn shown(desk: &Desk<'_>, round: FixityRound) -> Result<Round, Trouble> {
    Ok(Round {
        began: round.began_at,
        ended: round.ended_at,
        read: round.read,
        how: round.how.map(how),
        found: desk.ledger.fixity_counts(round.id)?,
    })
}
