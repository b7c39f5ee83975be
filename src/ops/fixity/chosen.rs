//! Which datasets a run reads, and in which order.

use super::order::parts;
use crate::ledger::BatchRow;
use crate::lifecycle::State;
use crate::moment::Moment;
use crate::names::nearest;
use crate::ops::batch::state_of;
use crate::ops::desk::Desk;
use crate::trouble::Trouble;
use std::collections::{BTreeMap, BTreeSet};

/// The datasets named, or all that have something verified, what was unread longest first: where a
/// run is ended each morning before it is through, none waits for ever. All their folders are there.
///
/// # Errors
/// `no-such-dataset` with the nearest names, `not-verified` where there is nothing to read against,
/// `mount-missing` where a folder is not there.
pub fn chosen(desk: &Desk<'_>, names: &[String]) -> Result<Vec<String>, Trouble> {
    let rows = desk.ledger.batches()?;
    let mut proven: BTreeMap<&str, Option<Moment>> = BTreeMap::new();
    for row in rows.iter().filter(|row| state_of(Some(row)) >= State::Verified) {
        let read = desk.ledger.fixity_last(row.id)?;
        let known = proven.entry(&row.dataset).or_default();
        *known = read.max(*known);
    }
    let mut chosen: Vec<String> = Vec::new();
    for name in names {
        if !proven.contains_key(name.as_str()) {
            return Err(nothing_proven(&rows, name));
        }
        if !chosen.contains(name) {
            chosen.push(name.clone());
        }
    }
    if names.is_empty() {
        let mut all: Vec<(&str, Option<Moment>)> = proven.into_iter().collect();
        all.sort_by_key(|(_, read)| *read);
        chosen.extend(all.into_iter().map(|(name, _)| name.to_string()));
    }
    for name in &chosen {
        parts(desk, name)?;
    }
    Ok(chosen)
}

fn nothing_proven(rows: &[BatchRow], name: &str) -> Trouble {
    let all: BTreeSet<&str> = rows.iter().map(|row| row.dataset.as_str()).collect();
    if all.contains(name) {
        let text = format!("no batch of the dataset {name} is verified");
        return Trouble::usage("not-verified", text)
            .mend("Run `poolward verify` first: fixity reads again what was proven once.");
    }
    let near = nearest(name, all.iter().copied(), 3).join(", ");
    let mend = match near.is_empty() {
        true => "`poolward plan` shows the datasets; what is copied and verified can be read again.".into(),
        false => format!("Did you mean one of these: {near}?"),
    };
    let shown = crate::names::shown(name.as_bytes());
    Trouble::usage(
        "no-such-dataset",
        format!("nothing was ever copied into a dataset {shown}"),
    )
    .mend(mend)
}
