//! Takes a waybill in: the slice becomes an index, the batch a row, what was recorded records. Cut
//! short, it is done again from the start; the hash of the waybill is written last.

use super::bill::{Bill, pass};
use super::refused;
use super::room::TAKEN_IN;
use crate::digest::Digest;
use crate::entry::{Entry, EntryKind, Named};
use crate::index::{Folder, IndexWriter, SegmentWriter, Start};
use crate::ledger::{Attributes, BatchRow, FileRecord, GroupResult, IndexRow, Ledger, PlanRow, Proof};
use crate::lifecycle::State;
use crate::moment::Moment;
use crate::names::{RelPath, SourceName};
use crate::ops::batch;
use crate::ops::desk::Desk;
use crate::ops::store;
use crate::plan::{Placed, Plan};
use crate::report::waybill::{Listed, Part, Task};
use crate::survey::ProjectKey;
use crate::survey::member::Owner;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

/// The slice's file in the folder of indexes.
const SLICE: &str = "slice";
/// Records of one transaction.
const AT_ONCE: usize = 4_096;

/// Takes the waybill in, unless that was done before.
///
/// # Errors
/// [`Trouble`] where it changed since it was read, or the work folder cannot be written.
pub(super) fn fill(desk: &mut Desk<'_>, path: &Path, bill: &Bill) -> Result<(), Trouble> {
    if desk.ledger.meta(TAKEN_IN)?.is_some() {
        return Ok(());
    }
    let (index, body) = (slice(desk, path, bill)?, body(desk, bill)?);
    let name = &bill.head.batch;
    let ledger = &mut desk.ledger;
    // Before and after the batch itself: numbers say what came earlier.
    let before = begin(
        ledger,
        bill,
        index,
        &format!("{name} before"),
        &body,
        &bill.others,
    )?;
    let row = begin(ledger, bill, index, name, &body, &bill.brings)?;
    begin(ledger, bill, index, &format!("{name} after"), &body, &bill.taken)?;
    let plan = Plan {
        datasets: vec![bill.locked.dataset.clone()],
        batches: vec![bill.locked.batch.clone()],
        unplanned: Vec::new(),
    };
    ledger.store_plan(&PlanRow {
        made_at: bill.head.made,
        body: store::plan_text(&plan)?,
    })?;
    check_places(desk, path, bill)?;
    match bill.head.task {
        Task::Verify => {
            records(desk, path, bill, row.id)?;
            desk.ledger
                .set_state(row.id, State::Copied.word(), bill.head.made)?;
        }
        // What an earlier batch has placed, and this one may replace.
        Task::Copy => records(desk, path, bill, before.id)?,
        Task::HashSource => {}
    }
    desk.ledger.set_meta(TAKEN_IN, &bill.hash.to_string())
}

/// Reads the waybill once more; it must be the one that was checked.
fn again(
    desk: &Desk<'_>,
    path: &Path,
    bill: &Bill,
    mut each: impl FnMut(Part) -> Result<(), Trouble>,
) -> Result<(), Trouble> {
    let totals = pass(path, |part| match desk.stop.is_set() {
        true => Err(Trouble::interrupted()),
        false => each(part),
    })?;
    match totals.hash == bill.hash {
        true => Ok(()),
        false => Err(refused(path, "it changed while it was read")),
    }
}

/// Makes the index of what the waybill lists.
fn slice(desk: &mut Desk<'_>, path: &Path, bill: &Bill) -> Result<Digest, Trouble> {
    let folder = desk.folder.join("indexes");
    let writer = IndexWriter::begin(
        &folder.join(SLICE),
        &folder.join("slice.parts"),
        start(bill),
        false,
    )?;
    let mut slicing = Slicing {
        writer: &writer,
        segment: None,
        open: None,
        amount: Amount::default(),
        entries: 0,
    };
    again(desk, path, bill, |part| slicing.take(part))?;
    let (amount, entries) = slicing.end()?;
    let origin = &bill.head.source;
    let index = writer.finish(origin.ended)?;
    desk.ledger.keep_index(&IndexRow {
        digest: index.digest(),
        source: origin.name.clone(),
        file: SLICE.into(),
        scanned_at: origin.started,
        finished_at: origin.ended,
        amount,
        entries,
    })?;
    Ok(index.digest())
}

/// Refuses a list whose places are not those that the batch gives: the work goes by the batch, and
/// the receipt by the list.
fn check_places(desk: &Desk<'_>, path: &Path, bill: &Bill) -> Result<(), Trouble> {
    let Some(row) = desk.ledger.batch(&bill.head.batch)? else {
        return Err(Trouble::defect("the batch of a waybill has no row"));
    };
    let at_hand = batch::open(desk, row)?;
    let projects = &at_hand.batch.projects;
    let placed: HashMap<&ProjectKey, &Placed> = projects.iter().map(|one| (&one.key, one)).collect();
    let mut open = RelPath::root();
    again(desk, path, bill, |part| {
        match part {
            Part::Folder(folder, _) => open = folder,
            Part::Entry(listed) if listed.is_asked(bill.head.task) => {
                let (place, name) = (listed.place, listed.name);
                let named = Named {
                    name,
                    entry: listed.entry,
                };
                let expected = match at_hand.membership.owner(&open, &named) {
                    Owner::Project(key) => placed.get(&key).and_then(|one| {
                        let from = open.join(&named.name).ok()?;
                        Some(one.place.join_path(&at_hand.renames.place(&key, &from)))
                    }),
                    Owner::Above => None,
                };
                if expected != place {
                    return Err(refused(
                        path,
                        "it lists a file at a place that is not its batch's",
                    ));
                }
            }
            _ => {}
        }
        Ok(())
    })
}

/// Enters what home has recorded of the files.
fn records(desk: &mut Desk<'_>, path: &Path, bill: &Bill, batch: i64) -> Result<(), Trouble> {
    let mut ledger = desk.second_ledger()?;
    let (dataset, source) = (bill.head.dataset.as_str(), bill.head.source.name.as_str());
    let mut group = GroupResult::default();
    again(desk, path, bill, |part| {
        let Part::Entry(listed) = part else { return Ok(()) };
        gather(*listed, &mut group);
        if group.records.len() + group.attributes.len() < AT_ONCE {
            return Ok(());
        }
        ledger.record_group(batch, dataset, source, &std::mem::take(&mut group))
    })?;
    ledger.record_group(batch, dataset, source, &group)
}

fn gather(listed: Listed, group: &mut GroupResult) {
    let (links, kind) = (listed.entry.links, listed.entry.kind);
    let Some(place) = listed.place else { return };
    if let Some(record) = listed.record {
        let file = FileRecord {
            place: place.clone(),
            kind,
            source: record.source,
            placed: record.placed,
            hash: record.hash,
            copied_at: record.copied_at,
            proof: Proof::Copied,
        };
        group.records.push((file, record.values, links));
    }
    group.attributes.extend(listed.attributes.map(|kept| {
        let kept = Attributes {
            names: kept.names,
            hash: kept.hash,
        };
        (place, Some(kept))
    }));
}

/// The batch as it was begun; where its files lie in a folder apart, that is the one given here.
fn body(desk: &Desk<'_>, bill: &Bill) -> Result<String, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    let here = desk.settings.destinations.first();
    let apart = here
        .map(|at| at.path.as_os_str().as_bytes())
        .filter(|_| bill.apart);
    store::locked_text(&bill.locked, apart)
}

fn begin(
    ledger: &mut Ledger,
    bill: &Bill,
    index: Digest,
    name: &str,
    body: &str,
    places: &[RelPath],
) -> Result<BatchRow, Trouble> {
    let row = BatchRow {
        id: 0,
        name: name.to_string(),
        dataset: bill.head.dataset.clone(),
        source: bill.head.source.name.clone(),
        destination: bill.head.destination.name.clone(),
        index,
        state: State::Waiting.word().to_string(),
        begun_at: bill.head.made,
        copied_at: None,
        verified_at: None,
        released_at: None,
        body: body.to_string(),
    };
    ledger.begin_late(&row, places)
}

fn start(bill: &Bill) -> Start {
    let origin = &bill.head.source;
    Start {
        source: SourceName(origin.name.clone()),
        root: origin.root.clone(),
        root_entry: Entry {
            kind: EntryKind::Directory,
            size: Bytes::ZERO,
            allocated: Bytes::ZERO,
            mtime: Moment::default(),
            ctime: Moment::default(),
            birth: None,
            inode: 0,
            links: 1,
            mode: 0o755,
            uid: 0,
            gid: 0,
            target: None,
            error: None,
        },
        started: origin.started,
        mount_type: origin.mount.clone(),
        session: bill.hash.to_string(),
        inodes: bill.inodes,
        rules: "waybill".into(),
        tool: bill.head.version.clone(),
    }
}

struct Slicing<'a> {
    writer: &'a Arc<IndexWriter>,
    /// The segment of one top-level folder; of none, the root's own listing.
    segment: Option<(Option<Vec<u8>>, SegmentWriter)>,
    open: Option<Folder>,
    amount: Amount,
    entries: u64,
}

impl Slicing<'_> {
    fn take(&mut self, part: Part) -> Result<(), Trouble> {
        match part {
            Part::Folder(path, _) => self.folder(path)?,
            Part::Entry(listed) => {
                self.entries += 1;
                if listed.entry.kind == EntryKind::File {
                    self.amount.add(Amount::one(listed.entry.size));
                }
                if let Some(open) = &mut self.open {
                    open.push(&listed.name, listed.entry);
                }
            }
            Part::Other(_) | Part::Taken(_) => {}
        }
        Ok(())
    }

    fn folder(&mut self, path: RelPath) -> Result<(), Trouble> {
        self.close()?;
        let top = path.components().next().map(<[u8]>::to_vec);
        if self.segment.as_ref().is_none_or(|(open, _)| *open != top) {
            if let Some((_, done)) = self.segment.take() {
                done.finish()?;
            }
            let tops = top.iter().cloned().collect();
            self.segment = Some((top, self.writer.segment(tops)));
        }
        self.open = Some(Folder::new(path));
        Ok(())
    }

    fn close(&mut self) -> Result<(), Trouble> {
        match (self.open.take(), &self.segment) {
            (Some(folder), Some((_, segment))) => segment.push(folder),
            _ => Ok(()),
        }
    }

    fn end(mut self) -> Result<(Amount, u64), Trouble> {
        self.close()?;
        if let Some((_, done)) = self.segment.take() {
            done.finish()?;
        }
        Ok((self.amount, self.entries))
    }
}
