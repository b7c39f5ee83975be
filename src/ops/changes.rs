//! What a new scan differs in from the one before, in all and for each planned batch.

use super::as_begun::AsBegun;
use super::desk::Desk;
use super::scan::{Scanned, open_index};
use super::{batch, gather};
use crate::entry::{Listing, Piece};
use crate::index::Index;
use crate::names::RelPath;
use crate::plan::Batch;
use crate::survey::ProjectKey;
use crate::survey::changes::{Change, Changes, InodeTrust, Move, compare, moves, walk_order};
use crate::survey::exclude::Exclude;
use crate::trouble::Trouble;
use crate::units::Amount;
use std::collections::BTreeMap;

/// Files and bytes that differ.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Not there before.
    pub new: Amount,
    /// Another size, time or kind than before.
    pub changed: Amount,
    /// Not there any more.
    pub gone: Amount,
    /// There under another path.
    pub moved: Amount,
}

/// What differs, in all and by batch. Loose files count in all only.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Differing {
    /// In all.
    pub all: Counts,
    /// In the projects of each batch of the stored plan.
    pub batches: BTreeMap<String, Counts>,
}

/// What these scans differ in from the ones before; `None` where every source was scanned for the
/// first time.
///
/// # Errors
/// [`Trouble`] where an index is damaged.
pub fn changes(desk: &Desk<'_>, scanned: &[Scanned]) -> Result<Option<Differing>, Trouble> {
    let planned = match desk.ledger.plan()? {
        Some(_) => batch::plan(desk)?.batches,
        None => Vec::new(),
    };
    let mut found = None;
    for one in scanned {
        let Some(before) = &one.before else { continue };
        let old = open_index(desk, &one.row.source, before.digest)?;
        let exclude = gather::exclude(&desk.settings, &one.source)?;
        let trust = gather::trust(&one.source, &old, &one.index);
        let differing = between(&old, &one.index, trust)?;
        let mine: Vec<&Batch> = planned.iter().filter(|b| b.source == one.source.name).collect();
        let found = found.get_or_insert_with(Differing::default);
        count(&differing, &exclude, &mine, found);
        for (path, amount) in &one.read_again.edited {
            found.all.changed.add(*amount);
            add_to_batch(&mine, path, *amount, |c| &mut c.changed, found);
        }
    }
    Ok(found)
}

/// What one index differs in from another. A block that cannot be read ends the comparison: half of
/// one would call the rest gone.
///
/// # Errors
/// [`Trouble`] for a block that cannot be read.
pub fn between(old: &Index, new: &Index, trust: InodeTrust) -> Result<Changes, Trouble> {
    read_both(old.pieces().map(listing), new, |old, new| {
        compare(old, new, walk_order, trust)
    })
}

/// The same of what begun batches knew.
///
/// # Errors
/// As [`between`].
pub fn since(begun: &AsBegun<'_>, new: &Index) -> Result<Changes, Trouble> {
    read_both(begun.listings(), new, |old, new| {
        compare(old, new, walk_order, InodeTrust::None)
    })
}

/// Every single entry of begun batches that has another path in the newer index, by inode numbers
/// that hold.
///
/// # Errors
/// As [`between`].
pub fn moves_since(begun: &AsBegun<'_>, new: &Index) -> Result<Vec<Move>, Trouble> {
    read_both(begun.listings(), new, |old, new| moves(old, new, walk_order))
}

fn listing(piece: Result<Piece, Trouble>) -> Result<Listing, Trouble> {
    piece.map(|piece| piece.listing)
}

type Read<'a> = &'a mut dyn Iterator<Item = Listing>;

fn read_both<T>(
    old: impl Iterator<Item = Result<Listing, Trouble>>,
    new: &Index,
    work: impl FnOnce(Read<'_>, Read<'_>) -> T,
) -> Result<T, Trouble> {
    let (mut old_fault, mut new_fault) = (None, None);
    let found = work(
        &mut readable(old, &mut old_fault),
        &mut readable(new.pieces().map(listing), &mut new_fault),
    );
    match old_fault.or(new_fault) {
        Some(trouble) => Err(trouble),
        None => Ok(found),
    }
}

fn readable(
    listings: impl Iterator<Item = Result<Listing, Trouble>>,
    fault: &mut Option<Trouble>,
) -> impl Iterator<Item = Listing> {
    listings.map_while(|listing| match listing {
        Ok(listing) => Some(listing),
        Err(trouble) => {
            *fault = Some(trouble);
            None
        }
    })
}

fn count(found: &Changes, exclude: &Exclude, batches: &[&Batch], into: &mut Differing) {
    let lists: [(&[Change], fn(&mut Counts) -> &mut Amount); 4] = [
        (&found.new, |c| &mut c.new),
        (&found.changed, |c| &mut c.changed),
        (&found.gone, |c| &mut c.gone),
        (&found.moved, |c| &mut c.moved),
    ];
    for (list, field) in lists {
        for change in list.iter().filter(|change| !is_left_out(exclude, change)) {
            field(&mut into.all).add(change.amount);
            add_to_batch(batches, &change.path, change.amount, field, into);
        }
    }
}

fn add_to_batch(
    batches: &[&Batch],
    path: &RelPath,
    amount: Amount,
    field: fn(&mut Counts) -> &mut Amount,
    into: &mut Differing,
) {
    if let Some(batch) = batches.iter().find(|batch| holds(batch, path)) {
        let counts = into.batches.entry(batch.name.as_str().to_string()).or_default();
        field(counts).add(amount);
    }
}

fn is_left_out(exclude: &Exclude, change: &Change) -> bool {
    exclude.rule_for_path(&change.path, change.kind).is_some()
}

fn holds(batch: &Batch, path: &RelPath) -> bool {
    batch.projects.iter().any(|placed| match &placed.key {
        ProjectKey::Folder(folder) => path.below(folder).is_some(),
        ProjectKey::Loose(_) => false,
    })
}
