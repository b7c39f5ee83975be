//! Whether a place that a receipt speaks of belongs to the batch.

use crate::entry::EntryKind;
use crate::names::RelPath;
use crate::ops::batch::AtHand;
use crate::plan::Placed;
use crate::survey::ProjectKey;
use crate::survey::member::Owner;
use crate::trouble::Trouble;

/// Whether a place is one of the batch's files or folders, or a folder on the way to them.
///
/// # Errors
/// [`Trouble`] where the index cannot be read.
pub fn is_of_batch(at_hand: &AtHand, place: &RelPath) -> Result<bool, Trouble> {
    for placed in &at_hand.batch.projects {
        if placed.place.below(place).is_some() {
            return Ok(true);
        }
        let Some(inside) = place.below(&placed.place) else {
            continue;
        };
        if is_of_project(at_hand, placed, &at_hand.renames.at_source(&placed.key, &inside))? {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Whether a path at the source was seen, and belongs to a project of the batch.
fn is_of_project(at_hand: &AtHand, placed: &Placed, from: &RelPath) -> Result<bool, Trouble> {
    let Some(entry) = at_hand.index.entry(from)? else {
        return Ok(false);
    };
    if matches!(placed.key, ProjectKey::Folder(_)) || entry.kind == EntryKind::Directory {
        return Ok(true);
    }
    // Of loose files only those of its year.
    let owner = at_hand.membership.owner_at(from, &entry);
    Ok(owner == Owner::Project(placed.key.clone()))
}

/// Whether something uninvited can lie at a place: in a folder of the batch.
///
/// # Errors
/// [`Trouble`] where the index cannot be read.
pub fn lies_in_batch(at_hand: &AtHand, place: &RelPath) -> Result<bool, Trouble> {
    match place.split() {
        Some((above, _)) if above.is_root() => Ok(true),
        Some((above, _)) => is_of_batch(at_hand, &above),
        None => Ok(false),
    }
}

/// Whether a path at the source is one of the batch's.
///
/// # Errors
/// [`Trouble`] where the index cannot be read.
pub fn is_source_of_batch(at_hand: &AtHand, path: &RelPath) -> Result<bool, Trouble> {
    for placed in &at_hand.batch.projects {
        if placed.key.inside(path).is_some() && is_of_project(at_hand, placed, path)? {
            return Ok(true);
        }
    }
    Ok(false)
}
