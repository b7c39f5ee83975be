//! Which batches of a dataset are read, in which order, and where their files lie now.

use crate::ledger::{BatchRow, FixityMark, FixityRound, FollowRow};
use crate::lifecycle::State;
use crate::lifecycle::fixity::Cost;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::ops::desk::Desk;
use crate::ops::{batch, guard, store};
use crate::trouble::Trouble;
use crate::units::Amount;
use crate::world::OsFs;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

/// One batch to be read.
pub(super) struct Part {
    pub row: BatchRow,
    /// The folder its places are relative to.
    pub target: OsFs,
    /// Whether that is not the dataset's own folder, but one given to `adopt`.
    pub elsewhere: bool,
}

/// A batch within a round.
pub(super) struct Standing {
    /// Its place in the list of parts.
    pub part: usize,
    /// The last record that was read.
    pub mark: Option<FixityMark>,
    /// What is left of it.
    pub left: Amount,
}

/// The batches of a dataset that are proven, each with its folder, all of which must be there; and
/// the names of those that are not proven.
///
/// # Errors
/// `mount-missing` or `mount-changed` where a folder is not there, `follow-unfinished` where folders
/// of the dataset are between two names.
pub(super) fn parts(desk: &Desk<'_>, dataset: &str) -> Result<(Vec<Part>, Vec<String>), Trouble> {
    let between = |row: &FollowRow| row.dataset == dataset;
    if let Some(row) = desk.ledger.follows()?.iter().find(|row| between(row)) {
        let text = format!(
            "{} is just being given another name at the destination",
            row.places.0
        );
        return Err(Trouble::stopped("follow-unfinished", text)
            .mend("Run `poolward plan --accept`, which goes on with it, then run the same command again."));
    }
    let (mut parts, mut skipped) = (Vec::new(), Vec::new());
    for row in desk
        .ledger
        .batches()?
        .into_iter()
        .filter(|row| row.dataset == dataset)
    {
        if batch::state_of(Some(&row)) < State::Verified {
            skipped.push(row.name);
            continue;
        }
        let (locked, at) = store::locked_of(&row.body)?;
        let target = match &at {
            Some(path) => {
                let fs = guard::open(Path::new(OsStr::from_bytes(path)), "adopt --at")?;
                let known = desk.ledger.names_at(dataset, &RelPath::root())?;
                guard::holds_any(&fs, known.iter().map(Vec::as_slice))?;
                fs
            }
            None => {
                let named = desk.settings.destination(&row.destination);
                let named = named.ok_or_else(|| no_destination(&row))?;
                guard::dataset_there(desk, named, &locked.dataset)?
            }
        };
        let elsewhere = at.is_some();
        parts.push(Part {
            row,
            target,
            elsewhere,
        });
    }
    Ok((parts, skipped))
}

fn no_destination(row: &BatchRow) -> Trouble {
    let (name, batch) = (&row.destination, &row.name);
    let text = format!("move.toml has no destination named {name}, but the batch {batch} needs it");
    Trouble::usage("settings-changed", text)
        .mend("Put it back as it was; batches that have begun keep their ends.")
}

/// The batches in the order in which a round reads them: what it has begun, then what was not read
/// for the longest time.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub(super) fn standings(
    desk: &Desk<'_>,
    parts: &[Part],
    round: &FixityRound,
) -> Result<Vec<Standing>, Trouble> {
    let mut found: Vec<((bool, Option<Moment>, i64), Standing)> = Vec::new();
    for (part, one) in parts.iter().enumerate() {
        let mark = desk.ledger.fixity_mark(round.id, one.row.id)?;
        let left = desk.ledger.fixity_left(one.row.id, mark.as_ref())?;
        let last = desk.ledger.fixity_last(one.row.id)?.max(one.row.verified_at);
        let key = (mark.is_none(), last, one.row.id);
        found.push((key, Standing { part, mark, left }));
    }
    found.sort_by_key(|(key, _)| *key);
    Ok(found.into_iter().map(|(_, standing)| standing).collect())
}

/// What reading so much costs.
pub(super) fn cost(amount: Amount) -> Cost {
    Cost::of(amount.files, amount.bytes)
}
