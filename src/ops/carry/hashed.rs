//! hash-source: every file of the batch read at its own disks, for a second, independent reading.

use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::ledger::{Failure, FileRecord, GroupResult, Ledger, Proof, to_second};
use crate::moment::Moment;
use crate::ops::batch::{self, AtHand};
use crate::ops::desk::Desk;
use crate::ops::items::Walk;
use crate::ops::{guard, verify};
use crate::report::waybill::fits;
use crate::trouble::Trouble;
use crate::units::{Amount, Span};
use crate::verify::compare::{Facts, Seen};
use crate::verify::{self as hand, Check, Progress, Request};
use crate::world::OpenFolders;
use crate::world::{Fault, FaultKind, Fs, OsFs, ReadHow, Res};
use std::collections::{BTreeMap, VecDeque};

/// Files of one transaction, and their bytes.
const AT_ONCE: (usize, u64) = (4_096, 4 << 30);

/// What a reading of the source came to.
#[derive(Debug, Clone, Default)]
pub struct Hashed {
    /// The batch.
    pub name: String,
    /// Files hashed in this run, and their bytes.
    pub read: Amount,
    /// Files that were hashed by an earlier run.
    pub already: u64,
    /// How they were read: files by way.
    pub ways: BTreeMap<ReadHow, u64>,
    /// Files that could not be hashed.
    pub failures: Vec<Failure>,
    /// How long it took.
    pub elapsed: Span,
}

/// Reads what is not hashed yet. Files are recorded by their paths at the source.
///
/// # Errors
/// [`Trouble`] where the source is not there, or it had to stop; what was recorded stays.
pub(super) fn read(desk: &mut Desk<'_>, name: &str, progress: &dyn Fn(Progress)) -> Result<Hashed, Trouble> {
    let row = desk.ledger.batch(name)?;
    let row = row.ok_or_else(|| Trouble::defect("the batch of a waybill has no row"))?;
    let at_hand = batch::open(desk, row)?;
    let source = guard::source(desk, &at_hand.source)?;
    desk.ledger.clear_failures(at_hand.row.id)?;
    let began = desk.clock.ticks();
    let mut files = Files {
        walk: Walk::new(&at_hand),
        at_hand: &at_hand,
        ledger: desk.second_ledger()?,
        ready: VecDeque::new(),
        already: 0,
    };
    let mut notes = Notes {
        folders: OpenFolders::new(&source),
        inodes: desk.elsewhere.is_some_and(|here| here.inodes),
        group: GroupResult::default(),
        bytes: 0,
        hashed: Hashed {
            name: name.to_string(),
            ..Hashed::default()
        },
    };
    let request = request(desk, &source);
    let (clock, ledger) = (desk.clock, &mut desk.ledger);
    let mut each = |check: Check, seen: Res<Seen>| {
        notes.take(&check, seen, clock.now());
        let group = &notes.group;
        match group.records.len() + group.failures.len() >= AT_ONCE.0 || notes.bytes >= AT_ONCE.1 {
            true => notes.flush(ledger, &at_hand),
            false => Ok(()),
        }
    };
    let done = hand::read(request, &mut files, &mut each, progress);
    // What was read before it had to stop is kept.
    notes.flush(ledger, &at_hand)?;
    done?;
    source
        .is_there()
        .map_err(|fault| crate::copy::trouble_of(&fault))?;
    let mut hashed = notes.hashed;
    hashed.already = files.already;
    hashed.failures = desk.ledger.failures(at_hand.row.id)?;
    hashed.elapsed = Span::from_secs_f64(desk.clock.ticks() - began);
    Ok(hashed)
}

fn request<'a>(desk: &Desk<'a>, source: &'a OsFs) -> Request<'a> {
    Request {
        target: source,
        stop: desk.stop,
        streams: desk.settings.streams.unwrap_or(verify::STREAMS),
        facts: Facts {
            times: false,
            modes: false,
            owners: false,
            xattrs: false,
        },
        inodes_hold: false,
        disks: None,
    }
}

struct Notes<'a> {
    folders: OpenFolders<'a>,
    inodes: bool,
    group: GroupResult,
    bytes: u64,
    hashed: Hashed,
}

impl Notes<'_> {
    fn take(&mut self, check: &Check, seen: Res<Seen>, now: Moment) {
        let path = &check.record.place;
        match seen.and_then(|seen| self.judged(check, seen)) {
            Ok((seen, hash)) => {
                let identity = seen.facts.identity();
                let how = seen.how.unwrap_or(ReadHow::Direct);
                self.bytes += seen.bytes;
                self.hashed.read.add(Amount::one(identity.size));
                *self.hashed.ways.entry(how).or_default() += 1;
                let record = FileRecord {
                    place: path.clone(),
                    kind: EntryKind::File,
                    source: identity,
                    placed: identity,
                    hash,
                    copied_at: to_second(now),
                    proof: Proof::Verified { how, at: now },
                };
                self.group.records.push((record, seen.values, 1));
            }
            Err(fault) => {
                let code = match fault.kind {
                    FaultKind::NotFound => "gone-at-source",
                    FaultKind::Changed => "changing",
                    kind => kind.word(),
                };
                self.group.failures.push(Failure {
                    place: path.clone(),
                    code: code.to_string(),
                    text: fault.to_string(),
                    bytes: check.entry.size,
                    at: now,
                });
            }
        }
    }

    /// What was read counts where it is the file that is listed, and was the same all the while.
    fn judged(&mut self, check: &Check, seen: Seen) -> Res<(Seen, Digest)> {
        let path = &check.record.place;
        let refuse = |kind, words| Err(Fault::ours("hash", path.as_bytes(), kind, words));
        let before = seen.facts.identity();
        let listed = fits(&check.entry.identity(), &before, self.inodes);
        let (true, Some(hash)) = (listed && seen.facts.kind == EntryKind::File, seen.hash) else {
            return refuse(
                FaultKind::Another,
                "it is not the file that is listed: kind, size, time or number differ",
            );
        };
        let after = path
            .split()
            .map(|(above, name)| self.folders.get(&above)?.stat(name));
        let after = after.transpose()?.map(|facts| facts.identity());
        match after == Some(before) && seen.bytes == before.size.0 {
            true => Ok((seen, hash)),
            false => refuse(FaultKind::Changed, "it changed while it was read"),
        }
    }

    fn flush(&mut self, ledger: &mut Ledger, at_hand: &AtHand) -> Result<(), Trouble> {
        let group = std::mem::take(&mut self.group);
        self.bytes = 0;
        let row = &at_hand.row;
        ledger.record_group(row.id, &at_hand.dataset.name, &row.source, &group)
    }
}

/// The regular files of a batch that are not hashed yet, by their paths at the source.
struct Files<'a> {
    walk: Walk<'a>,
    at_hand: &'a AtHand,
    ledger: Ledger,
    ready: VecDeque<Check>,
    already: u64,
}

impl Files<'_> {
    fn fill(&mut self) -> Result<bool, Trouble> {
        let Some(folder) = self.walk.next().transpose()? else {
            return Ok(false);
        };
        let (id, dataset) = (self.at_hand.row.id, self.at_hand.dataset.name.as_str());
        let hashed = self.ledger.folder_records(id, dataset, &folder.from)?;
        for child in folder.children {
            let Ok(path) = folder.from.join(&child.name) else {
                continue;
            };
            if child.entry.kind != EntryKind::File {
                continue;
            }
            if hashed.contains_key(&child.name) {
                self.already += 1;
                continue;
            }
            let record = FileRecord {
                place: path,
                kind: EntryKind::File,
                source: child.entry.identity(),
                placed: child.entry.identity(),
                hash: Digest([0; 32]),
                copied_at: Moment::default(),
                proof: Proof::Copied,
            };
            self.ready.push_back(Check {
                record,
                entry: child.entry,
                values: Vec::new(),
                attributes: None,
                sha256: false,
                listed: Vec::new(),
            });
        }
        Ok(true)
    }
}

impl Iterator for Files<'_> {
    type Item = Result<Check, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(check) = self.ready.pop_front() {
                return Some(Ok(check));
            }
            match self.fill() {
                Ok(true) => {}
                Ok(false) => return None,
                Err(trouble) => return Some(Err(trouble)),
            }
        }
    }
}
