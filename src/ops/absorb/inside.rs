//! Whether a place that a receipt speaks of belongs to the batch.

use crate::names::RelPath;
use crate::ops::batch::AtHand;
use crate::survey::ProjectKey;
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
        let from = at_hand.renames.back(&placed.key, &inside);
        let seen = at_hand.index.entry(&from)?;
        let above = seen.is_some() && matches!(placed.key, ProjectKey::Loose(_));
        let ours = seen.is_some_and(|entry| {
            // Loose files are those of one year; folders between belong to all of them.
            let named = from.split().map(|(folder, name)| {
                let named = crate::entry::Named {
                    name: name.to_vec(),
                    entry: entry.clone(),
                };
                at_hand.membership.owner(&folder, &named)
            });
            let is_key = |owner| owner == crate::survey::member::Owner::Project(placed.key.clone());
            !above || entry.kind == crate::entry::EntryKind::Directory || named.is_some_and(is_key)
        });
        if ours {
            return Ok(true);
        }
    }
    Ok(false)
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
    let places = at_hand.batch.projects.iter().filter_map(|placed| {
        placed.key.inside(path)?;
        Some(placed.place.join_path(&at_hand.renames.place(&placed.key, path)))
    });
    for place in places {
        if is_of_batch(at_hand, &place)? {
            return Ok(true);
        }
    }
    Ok(false)
}
