//! verify --twice-at-source: the source is read once more, on its own and past the cache, and held
//! against what was recorded when it was copied. Two reads that disagree are decided by a third.

use super::batch::AtHand;
use super::checks::refilled;
use super::desk::Desk;
use super::guard;
use super::items::Walk;
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::ledger::{Disagreement, Edit, Ledger, ReadBack};
use crate::lifecycle::{Stands, settle};
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, counted};
use crate::verify::compare::Facts;
use crate::verify::{self as hand, Check, Outcome, Progress, Request};
use crate::world::OsFs;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// What the second reading came to.
#[derive(Debug, Clone, Default)]
pub struct SecondRead {
    /// Files and bytes read.
    pub read: Amount,
    /// Files of which both reads agree.
    pub agree: u64,
    /// Files of which they do not.
    pub disagree: Vec<Disagreement>,
    /// Files that are no longer what was copied, so that nothing is said of them.
    pub changed: Vec<RelPath>,
    /// Files that could not be read.
    pub unreadable: Vec<RelPath>,
}

/// Reads the source of a batch again. Files read twice before are passed over unless `again`.
///
/// # Errors
/// [`Trouble`] where the source is not there, or it had to stop; what agreed until then is kept.
pub(super) fn read(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    again: bool,
    progress: &dyn Fn(Progress),
) -> Result<SecondRead, Trouble> {
    let source = guard::source(desk, &at_hand.source)?;
    let places = RefCell::new(BTreeMap::new());
    let mut checks = Again {
        walk: Walk::new(at_hand).in_pieces(),
        at_hand,
        ledger: desk.second_ledger()?,
        again,
        ready: VecDeque::new(),
        places: &places,
    };
    let (id, dataset) = (at_hand.row.id, at_hand.dataset.name.clone());
    let request = request(desk, &source);
    let (clock, ledger) = (desk.clock, &mut desk.ledger);
    let mut note = |found: &[ReadBack]| {
        let places = places.borrow();
        let found: Vec<(RelPath, Digest)> = found
            .iter()
            .filter_map(|one| Some((place_of(&places, &one.place)?, one.hash)))
            .collect();
        ledger.mark_read_again(id, &dataset, &found, clock.now())
    };
    let outcome = hand::verify(request, &mut checks, &mut note, progress)?;
    let places = places.into_inner();
    let found = decide(desk, at_hand, &source, outcome, &places)?;
    let now = desk.now();
    desk.ledger
        .put_read_disagreements(&at_hand.row.source, id, &found.disagree)?;
    let words = format!(
        "{}: {} read a second time, {} agree, {} do not",
        at_hand.row.name,
        found.read,
        counted(found.agree, "file"),
        found.disagree.len()
    );
    desk.ledger.event(now, "source-read-again", &words)?;
    Ok(found)
}

fn request<'a>(desk: &Desk<'a>, source: &'a OsFs) -> Request<'a> {
    Request {
        target: source,
        stop: desk.stop,
        streams: desk.settings.streams.unwrap_or(super::verify::STREAMS),
        // A changed time tells a file that was written to since.
        facts: Facts {
            times: true,
            modes: false,
            owners: false,
            xattrs: false,
        },
        // Which names belong to one file is not asked here.
        inodes_hold: false,
        disks: None,
    }
}

/// Sorts out what was found, and reads a third time what gave other content.
fn decide(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    source: &OsFs,
    outcome: Outcome,
    places: &BTreeMap<RelPath, RelPath>,
) -> Result<SecondRead, Trouble> {
    let mut found = SecondRead {
        read: outcome.read,
        agree: outcome.equal,
        ..SecondRead::default()
    };
    let mut kinds: BTreeMap<&RelPath, BTreeSet<&str>> = BTreeMap::new();
    for one in &outcome.found {
        kinds.entry(&one.place).or_default().insert(one.kind);
    }
    let mut open = crate::copy::OpenFolders::new(source);
    let mut suspects = Vec::new();
    for (from, kinds) in kinds {
        let Some(place) = place_of(places, from) else {
            continue;
        };
        if kinds.contains("unreadable") {
            found.unreadable.push(place);
            continue;
        }
        let record = desk.ledger.record_at(&at_hand.dataset.name, &place)?;
        let record = record.filter(|_| kinds.iter().eq(["content"].iter()));
        let (Some(record), Some((above, name))) = (record, from.split()) else {
            found.changed.push(place);
            continue;
        };
        // Whoever wrote into it and put its time back has left a newer ctime.
        let now = open.get(&above).and_then(|folder| folder.stat(name));
        match now.is_ok_and(|now| now.ctime == record.source.ctime) {
            true => suspects.push((from.clone(), place, record)),
            false => found.changed.push(place),
        }
    }
    let thirds = thirds(desk, at_hand, source, &suspects)?;
    let mut edits = Vec::new();
    for (from, place, record) in suspects {
        let second = outcome.hashes.get(&from).copied().unwrap_or(record.hash);
        let third = thirds.get(&from).copied().flatten();
        let ranges = outcome.found.iter().find(|f| f.place == from);
        let stands = settle(&Some(record.hash), &Some(second), || third);
        if stands == Stands::Second {
            edits.push(Edit {
                place,
                recorded: record.hash,
                now: second,
                at: desk.now(),
            });
        }
        found.disagree.push(Disagreement {
            path: from,
            identity: record.source,
            earlier: record.hash,
            later: second,
            ranges: ranges.map(|f| f.ranges.clone()).unwrap_or_default(),
            at: desk.now(),
            settled_by: stands.word().to_string(),
        });
    }
    // What was copied wrong is brought right by a later batch.
    desk.ledger.put_edits(&at_hand.dataset.name, &edits)?;
    Ok(found)
}

/// A file whose reads disagree: its path at the source, its place, its record.
pub(super) type Suspect = (RelPath, RelPath, crate::ledger::FileRecord);

/// What a third read gives, by path at the source; `None` where it failed.
pub(super) fn thirds(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    source: &OsFs,
    suspects: &[Suspect],
) -> Result<BTreeMap<RelPath, Option<Digest>>, Trouble> {
    let mut checks = Vec::new();
    for (from, place, record) in suspects {
        if let Some(entry) = at_hand.index.entry(from)? {
            let values = desk
                .ledger
                .blocks_of(at_hand.row.id, &at_hand.dataset.name, place)?;
            let mut record = record.clone();
            record.place = from.clone();
            checks.push(Ok(plain(record, entry, values)));
        }
    }
    let mut found = BTreeMap::new();
    let mut equal = Vec::new();
    let mut note = |same: &[ReadBack]| {
        equal.extend(same.iter().map(|one| (one.place.clone(), Some(one.hash))));
        Ok(())
    };
    let outcome = hand::verify(request(desk, source), &mut checks.into_iter(), &mut note, &|_| {})?;
    found.extend(outcome.hashes.into_iter().map(|(from, hash)| (from, Some(hash))));
    found.extend(equal);
    Ok(found)
}

fn plain(
    record: crate::ledger::FileRecord,
    entry: crate::entry::Entry,
    values: Vec<crate::digest::BlockValue>,
) -> Check {
    Check {
        record,
        entry,
        values,
        attributes: None,
        sha256: false,
        listed: Vec::new(),
    }
}

/// Where a file of the source lies at the destination, by the folders passed.
fn place_of(places: &BTreeMap<RelPath, RelPath>, from: &RelPath) -> Option<RelPath> {
    if let Some(renamed) = places.get(from) {
        return Some(renamed.clone());
    }
    let (above, name) = from.split()?;
    places.get(&above)?.join(name).ok()
}

/// The recorded files of a batch, by their paths at the source.
struct Again<'a> {
    walk: Walk<'a>,
    at_hand: &'a AtHand,
    ledger: Ledger,
    again: bool,
    ready: VecDeque<Check>,
    /// Folders passed, and files with another name there: at the source, at the destination.
    places: &'a RefCell<BTreeMap<RelPath, RelPath>>,
}

impl Again<'_> {
    fn fill(&mut self) -> Result<bool, Trouble> {
        let Some(mut folder) = self.walk.next().transpose()? else {
            return Ok(false);
        };
        let (id, dataset) = (self.at_hand.row.id, self.at_hand.dataset.name.as_str());
        let mut records = self
            .ledger
            .some_records(id, dataset, &folder.place, folder.stretch())?;
        self.places
            .borrow_mut()
            .insert(folder.from.clone(), folder.place.clone());
        for child in std::mem::take(&mut folder.children) {
            let Some(mut record) = records.remove(folder.placed_name(&child.name)) else {
                continue;
            };
            let before = self.ledger.beside(id, dataset, &record)?.source_again;
            let Ok(from) = folder.from.join(&child.name) else {
                continue;
            };
            if record.kind != EntryKind::File || (before.is_some() && !self.again) {
                continue;
            }
            let values = self.ledger.blocks_of(id, dataset, &record.place)?;
            if folder.renamed.contains_key(&child.name) {
                let place = std::mem::replace(&mut record.place, from.clone());
                self.places.borrow_mut().insert(from.clone(), place);
            }
            record.place = from;
            self.ready.push_back(plain(record, child.entry, values));
        }
        Ok(true)
    }
}

impl Iterator for Again<'_> {
    type Item = Result<Check, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        refilled(self, |all| all.ready.pop_front(), Self::fill)
    }
}
