//! The repairs that a copy begins with: files with bad ranges by the last verification, and
//! repairs that an earlier run left open.

use super::batch::AtHand;
use super::desk::Desk;
use super::items::Walk;
use crate::copy::{self as hand, Ends, Pace, Progress, Repair, Repaired, Task};
use crate::ledger::{Difference, Ranges};
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Repairs in place what can be; the rest stays outstanding for the copy.
pub(super) fn repair(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    ends: Ends<'_>,
    task: &Task,
    pace: &Arc<Pace>,
    progress: &dyn Fn(Progress),
) -> Result<Repaired, Trouble> {
    let wanted = wanted(desk, at_hand)?;
    if wanted.is_empty() {
        return Ok(Repaired::default());
    }
    let repaired = hand::repair(ends, task, &mut desk.ledger, &wanted, pace, progress)?;
    let now = desk.now();
    let words = format!("{}: {} in place", at_hand.row.name, repaired.amount);
    desk.ledger.event(now, "repaired", &words)?;
    Ok(repaired)
}

/// Files whose content alone differs, in ranges that are not all of it, and those in which only
/// owner or permission bits are others than wanted, with no range: they are dressed anew.
fn in_place(differences: Vec<Difference>) -> BTreeMap<RelPath, Ranges> {
    let mut otherwise = BTreeSet::new();
    let mut found: BTreeMap<RelPath, Ranges> = BTreeMap::new();
    for one in differences.into_iter().filter(|d| d.blocking) {
        match one.kind.as_str() {
            "content" if !one.ranges.is_empty() => found.entry(one.place).or_default().extend(one.ranges),
            "mode" | "owner" => drop(found.entry(one.place).or_default()),
            _ => drop(otherwise.insert(one.place)),
        }
    }
    found.retain(|place, _| !otherwise.contains(place));
    found
}

fn wanted(desk: &Desk<'_>, at_hand: &AtHand) -> Result<Vec<Repair>, Trouble> {
    let (id, dataset) = (at_hand.row.id, &at_hand.dataset.name);
    let mut places = in_place(desk.ledger.differences(id)?);
    let open: BTreeMap<RelPath, Ranges> = desk.ledger.repairs_of(id, dataset)?.into_iter().collect();
    places.extend(open.clone());
    let mut wanted = Vec::new();
    if places.is_empty() {
        return Ok(wanted);
    }
    let folders: BTreeSet<RelPath> = places.keys().filter_map(|place| Some(place.split()?.0)).collect();
    for folder in Walk::new(at_hand) {
        let folder = folder?;
        if !folders.contains(&folder.place) {
            continue;
        }
        let mut records = desk.ledger.folder_records(id, dataset, &folder.place)?;
        for child in &folder.children {
            let (Ok(from), Some(place)) = (folder.from.join(&child.name), folder.place_of(&child.name))
            else {
                continue;
            };
            let (Some(ranges), Some(record)) = (
                places.get(&place),
                records.remove(folder.placed_name(&child.name)),
            ) else {
                continue;
            };
            let bad: u64 = ranges.iter().map(|(from, to)| to - from).sum();
            let begun = open.contains_key(&place);
            // Bad from end to end it is copied anew, beside the old one.
            if begun || ranges.is_empty() || bad < record.source.size.0 {
                wanted.push(Repair {
                    from,
                    values: desk.ledger.blocks_of(id, dataset, &place)?,
                    record,
                    ranges: ranges.clone(),
                    begun,
                });
            }
        }
    }
    Ok(wanted)
}
