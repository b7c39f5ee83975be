//! After a scan: recorded files whose times cannot tell whether they were edited since.
//!
//! Two kinds. Files that were so young when they were read that one more edit may have left them
//! the same size and times (hazard O3), and files of which only the time of their attributes has
//! moved, as an edit does that puts the time of modification back. Their content is held against
//! the ledger; what was read settles it, so each is read once. An edit that is found so is kept in
//! the ledger and brought by a later batch like any other change.
//!
//! The records are asked, not the two indexes, so it makes no difference whether the newest scan
//! looked at a project itself or took it over from the one before.

use super::as_begun::AsBegun;
use super::batch;
use super::content::Shelf;
use super::desk::Desk;
use super::second_read::{Suspect, thirds};
use super::settings::SourceSettings;
use super::{changes, gather, guard, store};
use crate::digest::Digest;
use crate::entry::{EntryKind, Identity};
use crate::index::Index;
use crate::ledger::{BatchRow, Content, ContentKey, Disagreement, Edit, FileRecord};
use crate::lifecycle::{COARSEST, Stands, settle, settles};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::plan::{Batch, Placed, Renames};
use crate::scan::content::{Job, Outcome, read};
use crate::scan::usual_threads;
use crate::survey::ProjectKey;
use crate::survey::changes::MOST_TOUCHED;
use crate::survey::twins::Part;
use crate::trouble::Trouble;
use crate::units::{Amount, counted};
use crate::world::OpenFolders;
use crate::world::OsFs;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::AtomicU64;

/// Most files between two times of saving, and their bytes.
const JOBS: (usize, u64) = (512, 256 << 20);

/// Bytes of files with new attributes that one scan reads; the next goes on. Without a bound new
/// permissions on a whole archive would turn a scan into a second reading of all of it.
const MOST_OF_TOUCHED: u64 = 16 << 30;

/// What reading again came to.
#[derive(Debug, Clone, Default)]
pub struct ReadAgain {
    /// Files and bytes that were read.
    pub read: Amount,
    /// Files that were edited although size and time are the same, with what they hold.
    pub edited: Vec<(RelPath, Amount)>,
    /// Reads that disagree without an edit.
    pub disagree: u64,
    /// Touched files of which nothing is known yet: they could not be read, or were too many.
    pub open: u64,
}

impl ReadAgain {
    /// What there is to say of it; nothing where nothing was in question.
    pub fn words(&self) -> Vec<String> {
        let mut said = Vec::new();
        let edited = counted(self.edited.len() as u64, "file");
        if self.read.files > 0 {
            let mut line = format!(
                "Read again, because times alone do not tell whether they were edited since they were copied: {}",
                self.read
            );
            line.push_str(&match self.edited.is_empty() {
                true => "; all are as they were copied.".to_string(),
                false => format!("; {edited} edited."),
            });
            said.push(line);
        }
        if self.disagree > 0 {
            said.push(format!(
                "{} gave other content without an edit: memory, a cable or a controller is bad, and release of \
                 this source is shut.",
                counted(self.disagree, "file")
            ));
        }
        if self.open > 0 {
            said.push(format!(
                "Of {} only the time of the attributes is new; whether they were edited is not known yet. \
                 Release reads them in any case.",
                counted(self.open, "file")
            ));
        }
        said
    }
}

/// A recorded file that is to be read.
struct Candidate {
    path: RelPath,
    record: FileRecord,
    /// What it is now.
    now: Identity,
}

/// Reads what is unsettled in the begun batches of one source.
///
/// # Errors
/// [`Trouble`] where the source is gone, index or ledger fail, or it had to stop; what was settled
/// until then stays.
pub(super) fn look(
    desk: &mut Desk<'_>,
    source: &SourceSettings,
    index: &Index,
) -> Result<ReadAgain, Trouble> {
    let mut found = ReadAgain::default();
    let mut rows = desk.ledger.batches()?;
    rows.retain(|row| row.source == source.name.0);
    if rows.is_empty() {
        return Ok(found);
    }
    let fs = guard::source(desk, source)?;
    let (touched, too_many) = touched(desk, source, index, &rows)?;
    found.open += too_many;
    let mut eye = Eye {
        shelf: Shelf::of(&desk.ledger, index)?,
        inodes_stay: gather::inodes_stay(source, index),
        renames: Renames::new(&desk.settings.renames),
        threads: usual_threads(&index.header().start.mount_type),
        fs,
    };
    for row in rows {
        let (locked, _) = store::locked_of(&row.body)?;
        let (mut young, mut rest) = eye.candidates(desk, &row, &locked.batch, &touched)?;
        let mut left = MOST_OF_TOUCHED;
        rest.retain(|one| {
            let reads = left >= one.now.size.0;
            left -= if reads { one.now.size.0 } else { 0 };
            found.open += u64::from(!reads);
            reads
        });
        young.append(&mut rest);
        eye.settle(desk, &row, young, &mut found)?;
    }
    if found.read.files > 0 {
        let words = format!(
            "{}: {} read again whose times do not tell, {} edited",
            source.name,
            found.read,
            counted(found.edited.len() as u64, "file")
        );
        desk.ledger.event(desk.now(), "source-read-again", &words)?;
    }
    Ok(found)
}

/// Files of which the newest scan sees other attributes than a begun batch's did, and how many more
/// there are than can be told one by one.
fn touched(
    desk: &Desk<'_>,
    source: &SourceSettings,
    index: &Index,
    rows: &[BatchRow],
) -> Result<(BTreeSet<RelPath>, u64), Trouble> {
    let (mut found, mut too_many) = (BTreeSet::new(), 0);
    for layer in layers(rows)? {
        let begun = AsBegun::new(desk, source, index, layer, |_| true)?;
        if begun.is_empty() {
            continue;
        }
        let differing = changes::since(&begun, index)?;
        match differing.touched > MOST_TOUCHED as u64 {
            true => too_many += differing.touched,
            false => found.extend(differing.touched_paths),
        }
    }
    Ok((found, too_many))
}

/// The indexes that projects were copied from, so that each layer has one for a project: a project
/// has as many as it has batches.
fn layers(rows: &[BatchRow]) -> Result<Vec<BTreeMap<ProjectKey, Digest>>, Trouble> {
    let mut layers: Vec<BTreeMap<ProjectKey, Digest>> = Vec::new();
    for row in rows {
        let (locked, _) = store::locked_of(&row.body)?;
        for placed in locked.batch.projects {
            let known = |layer: &BTreeMap<_, _>| layer.get(&placed.key) == Some(&row.index);
            if layers.iter().any(known) {
                continue;
            }
            match layers.iter_mut().find(|layer| !layer.contains_key(&placed.key)) {
                Some(layer) => drop(layer.insert(placed.key, row.index)),
                None => layers.push(BTreeMap::from([(placed.key, row.index)])),
            }
        }
    }
    Ok(layers)
}

/// One source, open.
struct Eye {
    shelf: Shelf,
    inodes_stay: bool,
    renames: Renames,
    threads: usize,
    fs: OsFs,
}

impl Eye {
    /// What is to be read of one batch: files that were too young, files that were touched.
    fn candidates(
        &self,
        desk: &Desk<'_>,
        row: &BatchRow,
        batch: &Batch,
        touched: &BTreeSet<RelPath>,
    ) -> Result<(Vec<Candidate>, Vec<Candidate>), Trouble> {
        let scans = desk.ledger.indexes(&row.source)?;
        let Some(scan) = scans.into_iter().find(|scan| scan.digest == row.index) else {
            return Ok((Vec::new(), Vec::new()));
        };
        let since = scan.scanned_at.plus_seconds(-COARSEST);
        let young = desk.ledger.young_records(row.id, &row.dataset, since)?;
        let known: BTreeSet<RelPath> = young.iter().map(|record| record.place.clone()).collect();
        let mut others = Vec::new();
        for path in touched {
            let Some(place) = place_of(batch, &self.renames, path).filter(|place| !known.contains(place))
            else {
                continue;
            };
            let record = desk.ledger.record_in(row.id, &row.dataset, &place)?;
            others.extend(record.map(|record| (path.clone(), record)));
        }
        let young = young
            .into_iter()
            .filter_map(|record| Some((path_of(batch, &self.renames, &record.place)?, record)));
        let mut open = OpenFolders::new(&self.fs);
        let mut weigh = |list: Vec<(RelPath, FileRecord)>| {
            let mut kept = Vec::new();
            for (path, record) in list {
                kept.extend(self.unsettled(desk, &mut open, path, record)?);
            }
            Ok::<_, Trouble>(kept)
        };
        Ok((weigh(young.collect())?, weigh(others)?))
    }

    /// The file as it is now, unless it is known to be what was recorded or its times tell already
    /// that it is not.
    fn unsettled(
        &self,
        desk: &Desk<'_>,
        open: &mut OpenFolders<'_>,
        path: RelPath,
        record: FileRecord,
    ) -> Result<Option<Candidate>, Trouble> {
        let Some((above, name)) = path.split() else {
            return Ok(None);
        };
        // What is gone or cannot be looked at is the scan's to tell.
        let Ok(entry) = open.get(&above).and_then(|folder| folder.stat(name)) else {
            return Ok(None);
        };
        let now = entry.identity();
        let same = entry.kind == EntryKind::File
            && (now.size, now.mtime) == (record.source.size, record.source.mtime)
            && (!self.inodes_stay || now.inode == record.source.inode);
        let kept = self.shelf.get(&desk.ledger, &path, &now)?;
        let settled = kept.whole == Some(record.hash) && settles(record.copied_at, kept.read_at);
        let wanted = same && !settled;
        Ok(wanted.then_some(Candidate { path, record, now }))
    }

    fn settle(
        &mut self,
        desk: &mut Desk<'_>,
        row: &BatchRow,
        candidates: Vec<Candidate>,
        found: &mut ReadAgain,
    ) -> Result<(), Trouble> {
        let (mut some, mut bytes) = (Vec::new(), 0u64);
        for one in candidates {
            bytes = bytes.saturating_add(one.now.size.0);
            some.push(one);
            if some.len() >= JOBS.0 || bytes >= JOBS.1 {
                self.some(desk, row, std::mem::take(&mut some), found)?;
                bytes = 0;
            }
        }
        self.some(desk, row, some, found)
    }

    /// Reads some and keeps what came of it, also where it was stopped on the way.
    fn some(
        &self,
        desk: &mut Desk<'_>,
        row: &BatchRow,
        some: Vec<Candidate>,
        found: &mut ReadAgain,
    ) -> Result<(), Trouble> {
        let job = |one: &Candidate| Job {
            path: one.path.clone(),
            identity: one.now,
            inodes_hold: self.inodes_stay,
            part: Part::Whole,
        };
        let (jobs, at): (Vec<Job>, _) = (some.iter().map(job).collect(), desk.now());
        let (stop, count) = (desk.stop, AtomicU64::new(0));
        let outcomes = read(
            &self.fs,
            &jobs,
            self.threads,
            &|| stop.is_set(),
            &count,
            &|_, _| {},
        );
        let (mut rows, mut odd): (Vec<(ContentKey, Content)>, Vec<(Candidate, Digest)>) = Default::default();
        let mut stopped = false;
        for (one, outcome) in some.into_iter().zip(outcomes) {
            match outcome {
                Outcome::Hashed(_, hash) => {
                    found.read.add(Amount::one(one.now.size));
                    match hash == one.record.hash {
                        true => rows.push(self.row(&one, hash, at)),
                        false => odd.push((one, hash)),
                    }
                }
                // The next scan sees what it has become.
                Outcome::Changed => {}
                Outcome::Unreadable(_) => found.open += 1,
                Outcome::Stopped => stopped = true,
            }
        }
        self.shelf.keep(&desk.ledger, &rows)?;
        if stopped {
            return Err(Trouble::interrupted());
        }
        self.odd(desk, row, odd, found)
    }

    fn row(&self, one: &Candidate, hash: Digest, at: Moment) -> (ContentKey, Content) {
        let content = Content {
            whole: Some(hash),
            read_at: at,
            ..Content::default()
        };
        (self.shelf.key(&one.path, &one.now), content)
    }

    /// Of files that gave other content than was recorded, a third read, past the cache, says
    /// whether they hold it or were only read wrong.
    fn odd(
        &self,
        desk: &mut Desk<'_>,
        row: &BatchRow,
        odd: Vec<(Candidate, Digest)>,
        found: &mut ReadAgain,
    ) -> Result<(), Trouble> {
        if odd.is_empty() {
            return Ok(());
        }
        let at_hand = batch::open(desk, row.clone())?;
        let suspect = |(one, _): &(Candidate, Digest)| -> Suspect {
            (one.path.clone(), one.record.place.clone(), one.record.clone())
        };
        let suspects: Vec<Suspect> = odd.iter().map(suspect).collect();
        let thirds = thirds(desk, &at_hand, &self.fs, &suspects)?;
        let (mut edits, mut events, mut rows) = (Vec::new(), Vec::new(), Vec::new());
        let at = desk.now();
        for (one, second) in odd {
            let Some(third) = thirds.get(&one.path).copied().flatten() else {
                found.open += 1;
                continue;
            };
            let stands = settle(&one.record.hash, &second, || third);
            if stands == Stands::Second {
                found.edited.push((one.path.clone(), Amount::one(one.now.size)));
                rows.push(self.row(&one, second, at));
                edits.push(Edit {
                    place: one.record.place,
                    recorded: one.record.hash,
                    now: second,
                    at,
                });
                continue;
            }
            found.disagree += 1;
            events.push(Disagreement {
                path: one.path,
                identity: one.now,
                earlier: one.record.hash,
                later: second,
                ranges: Vec::new(),
                at,
                settled_by: stands.word().to_string(),
            });
        }
        self.shelf.keep(&desk.ledger, &rows)?;
        desk.ledger.put_edits(&row.dataset, &edits)?;
        desk.ledger.put_read_disagreements(&row.source, row.id, &events)
    }
}

/// Where a file of a batch lies at the source.
fn path_of(batch: &Batch, renames: &Renames, place: &RelPath) -> Option<RelPath> {
    let at_source = |one: &Placed| Some(renames.at_source(&one.key, &place.below(&one.place)?));
    of_project(batch, at_source)
}

/// Where a batch puts what lies at this path of the source, if it is one of its own.
fn place_of(batch: &Batch, renames: &Renames, path: &RelPath) -> Option<RelPath> {
    let placed = |one: &Placed| {
        one.key.inside(path)?;
        Some(one.place.join_path(&renames.place(&one.key, path)))
    };
    of_project(batch, placed)
}

/// What the project says that something belongs to: folders before loose files, which lie around
/// them.
fn of_project(batch: &Batch, say: impl Fn(&Placed) -> Option<RelPath>) -> Option<RelPath> {
    let is_loose = |one: &&Placed| matches!(one.key, ProjectKey::Loose(_));
    let folders = batch.projects.iter().filter(|one| !is_loose(one));
    let loose = batch.projects.iter().filter(is_loose);
    folders.chain(loose).find_map(say)
}
