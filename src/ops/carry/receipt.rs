//! The receipt: every file that the waybill lists, answered from the ledger of the work.

use super::bill::{Bill, pass};
use super::refused;
use super::room::{Room, STARTED};
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::ledger::{self, FileRecord, Proof};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::ops::desk::{Desk, machine};
use crate::ops::manifest::aside;
use crate::report::model;
use crate::report::waybill::receipt::{
    Answer, Came, DestinationEnd, Difference, Disagreement, Done, Head, Lost, SourceEnd, Totals, Witness,
    Writer,
};
use crate::report::waybill::{Attributes, FORMAT, Listed, MOST_VALUES, Part, Task, fits};
use crate::trouble::Trouble;
use crate::world::{Fs, OsFs};
use std::collections::{BTreeMap, HashMap};
use std::fs::File;
use std::io::{BufReader, Write};
use std::path::Path;

/// What was written.
pub(super) struct Written {
    /// BLAKE3 of all of it.
    pub hash: Digest,
    /// Files answered as done, and the others.
    pub answered: (u64, u64),
}

/// Reads a receipt to this waybill.
pub(super) fn read(path: &Path, bill: &Bill) -> Result<Totals, Trouble> {
    use crate::report::waybill::receipt::read;
    let damaged = |why: String| Trouble::stopped("receipt-refused", why);
    let file = File::open(path).map_err(|e| damaged(e.to_string()))?;
    let key = |head: &Head| match head.waybill == bill.hash {
        true => Ok(bill.head.key),
        false => Err(damaged("it answers another waybill".into())),
    };
    read(BufReader::new(file), key, |_| Ok(())).map_err(|bad| damaged(bad.to_string()))
}

/// Writes the receipt. Where nothing has happened since the one that lies there, it stays as it is.
///
/// # Errors
/// [`Trouble`] where it cannot be written, or the ledger does not answer.
pub(super) fn write(desk: &Desk<'_>, waybill: &Path, bill: &Bill, room: &Room) -> Result<Written, Trouble> {
    let mut head = head(desk, bill)?;
    if let Ok(before) = read(&room.receipt, bill) {
        head.ended = before.head.ended;
        let mut nowhere = std::io::sink();
        if document(desk, waybill, bill, &head, &mut nowhere)?.hash == before.hash {
            return Ok(Written {
                hash: before.hash,
                answered: (before.done.files, before.failed),
            });
        }
        head.ended = desk.now();
    }
    aside(&room.receipt, |out| document(desk, waybill, bill, &head, out))
}

fn head(desk: &Desk<'_>, bill: &Bill) -> Result<Head, Trouble> {
    let task = bill.head.task;
    let started = desk.ledger.meta(STARTED)?.and_then(|text| text.parse().ok());
    let first = |path: Option<&Path>| path.and_then(|path| OsFs::open(path).ok());
    let source = desk.settings.sources.first().map(|source| source.path.as_path());
    let source = first(source.filter(|_| task.reads_source()));
    Ok(Head {
        format: FORMAT,
        version: env!("CARGO_PKG_VERSION").to_string(),
        waybill: bill.hash,
        move_id: bill.head.move_id.clone(),
        batch: bill.head.batch.clone(),
        task,
        machine: machine(),
        started: Moment::from_seconds(started.unwrap_or_default()),
        ended: desk.now(),
        source: task.reads_source().then(|| SourceEnd {
            mount: source.map_or_else(String::new, |fs| fs.mount().kind.clone()),
            inodes: desk.elsewhere.is_some_and(|here| here.inodes),
        }),
        destination: match task.needs_destination() {
            true => Some(destination(desk, bill)?),
            false => None,
        },
        witness: match task {
            Task::Verify => witness(desk, bill)?,
            _ => None,
        },
    })
}

fn destination(desk: &Desk<'_>, bill: &Bill) -> Result<DestinationEnd, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    let folder = std::ffi::OsStr::from_bytes(bill.locked.dataset.folder.as_bytes());
    let goal = desk.settings.destinations.first().map(|at| at.path.clone());
    let path = goal.unwrap_or_default();
    let path = if bill.apart { path } else { path.join(folder) };
    let fs = OsFs::open(&path).map_err(|fault| crate::copy::trouble_of(&fault))?;
    let kept = desk
        .ledger
        .promises()?
        .into_iter()
        .find(|one| one.dataset == bill.head.dataset);
    Ok(DestinationEnd {
        mount: fs.mount().kind.clone(),
        durability: fs.durability().word().to_string(),
        publish: kept.map_or_else(|| fs.publishes().word().to_string(), |one| one.publish),
    })
}

/// What the disks delivered over all runs together; not known where any of them was not watched.
fn witness(desk: &Desk<'_>, bill: &Bill) -> Result<Option<Witness>, Trouble> {
    let Some(row) = desk.ledger.batch(&bill.head.batch)? else {
        return Ok(None);
    };
    let seen = desk.ledger.witnessed(row.id)?;
    if seen.is_empty() {
        return Ok(None);
    }
    let delivered: Result<Vec<u64>, String> = seen
        .iter()
        .map(|one| one.delivered.clone().map(|b| b.0))
        .collect();
    Ok(Some(Witness {
        due: seen.iter().map(|one| one.due.0).sum(),
        delivered: delivered.as_ref().ok().map(|all| all.iter().sum()),
        why: delivered.err(),
    }))
}

fn document(
    desk: &Desk<'_>,
    waybill: &Path,
    bill: &Bill,
    head: &Head,
    out: &mut dyn Write,
) -> Result<Written, Trouble> {
    let row = desk.ledger.batch(&bill.head.batch)?;
    let id = row
        .ok_or_else(|| Trouble::defect("the batch of a waybill has no row"))?
        .id;
    let fail = |e: std::io::Error| {
        Trouble::stopped("report-denied", format!("cannot write the receipt: {e}"))
            .mend("Make room on the disk it lies on, then run the same command again; the work is kept.")
    };
    let mut answers = Answers::new(desk, bill, id)?;
    let mut writer = Writer::begin(out, head, &bill.head.key).map_err(fail)?;
    let mut answered = (0, 0);
    let totals = pass(waybill, |part| {
        let Some(answer) = answers.of(part)? else {
            return Ok(());
        };
        match answer.came {
            Came::Done(_) => answered.0 += 1,
            Came::Failed { .. } => answered.1 += 1,
        }
        writer.answer(&answer).map_err(fail)
    })?;
    if totals.hash != bill.hash {
        return Err(refused(waybill, "it changed while it was read"));
    }
    answers.beside(&mut writer, fail)?;
    let (hash, _) = writer.end().map_err(fail)?;
    Ok(Written { hash, answered })
}

/// Answers in the waybill's order.
struct Answers<'a> {
    desk: &'a Desk<'a>,
    task: Task,
    batch: i64,
    dataset: &'a str,
    inodes: bool,
    has_attributes: bool,
    /// The open folder of the source.
    folder: RelPath,
    /// Records of the folder that was asked for last.
    records: Option<(RelPath, HashMap<Vec<u8>, FileRecord>)>,
    /// Failures without an answer so far: code and words by place.
    failures: BTreeMap<RelPath, (String, String)>,
    differences: Vec<Difference>,
    /// What differs of a file, by place.
    differing: BTreeMap<RelPath, Vec<String>>,
    /// Folders whose attributes were kept.
    kept: BTreeMap<RelPath, Attributes>,
}

impl<'a> Answers<'a> {
    fn new(desk: &'a Desk<'a>, bill: &'a Bill, batch: i64) -> Result<Answers<'a>, Trouble> {
        let task = bill.head.task;
        let failures = desk.ledger.failures(batch)?.into_iter();
        let found = match task {
            Task::Verify => desk.ledger.differences(batch)?,
            _ => Vec::new(),
        };
        let mut differing: BTreeMap<RelPath, Vec<String>> = BTreeMap::new();
        for one in found.iter().filter(|one| one.blocking) {
            differing
                .entry(one.place.clone())
                .or_default()
                .push(one.kind.clone());
        }
        let difference = |one: ledger::Difference| Difference {
            place: one.place,
            kind: one.kind,
            ranges: one.ranges,
            blocking: one.blocking,
        };
        Ok(Answers {
            desk,
            task,
            batch,
            dataset: &bill.head.dataset,
            inodes: desk.elsewhere.is_some_and(|here| here.inodes),
            has_attributes: task == Task::Copy && desk.ledger.has_attributes(batch)?,
            folder: RelPath::root(),
            records: None,
            failures: failures.map(|one| (one.place, (one.code, one.text))).collect(),
            differences: found.into_iter().map(difference).collect(),
            differing,
            kept: BTreeMap::new(),
        })
    }

    fn of(&mut self, part: Part) -> Result<Option<Answer>, Trouble> {
        let listed = match part {
            Part::Folder(path, _) => {
                self.folder = path;
                return Ok(None);
            }
            Part::Entry(listed) => listed,
            Part::Other(_) | Part::Taken(_) => return Ok(None),
        };
        if let (EntryKind::Directory, Some(place), true) =
            (listed.entry.kind, &listed.place, self.has_attributes)
        {
            if let Some(kept) = self.attributes(place)? {
                self.kept.insert(place.clone(), kept);
            }
        }
        if !listed.is_asked(self.task) {
            return Ok(None);
        }
        let path = self.folder.join(&listed.name);
        let path = path.map_err(|e| Trouble::defect(e.to_string()))?;
        // Hashes of a source are recorded by its own paths.
        let place = match self.task {
            Task::HashSource => path.clone(),
            _ => listed.place.clone().unwrap_or_default(),
        };
        let came = self.came(&listed, &place)?;
        Ok(Some(Answer { path, came }))
    }

    fn came(&mut self, listed: &Listed, place: &RelPath) -> Result<Came, Trouble> {
        if let Some((code, text)) = self.failures.remove(place) {
            return Ok(Came::Failed { code, text });
        }
        let failed = |code: &str, text: &str| Came::Failed {
            code: code.into(),
            text: text.into(),
        };
        if let Some(kinds) = self.differing.get(place) {
            let code = match kinds.as_slice() {
                [one] if one == "absent" || one == "unreadable" => one.as_str(),
                _ => "differs",
            };
            return Ok(failed(code, &format!("it differs: {}", kinds.join(", "))));
        }
        let Some(record) = self.record(place)? else {
            return Ok(failed("not-done", "nothing was recorded of it"));
        };
        let same = listed.entry.kind == record.kind;
        let same = same && fits(&listed.entry.identity(), &record.source, self.inodes);
        if self.task.reads_source() && !same {
            return Ok(failed("changed", "it is not the file that is listed"));
        }
        match (self.task, record.proof) {
            (Task::Verify, Proof::Copied | Proof::Adopted) => Ok(failed("not-done", "it was not read back")),
            _ => self.done(place, record).map(Box::new).map(Came::Done),
        }
    }

    fn done(&self, place: &RelPath, record: FileRecord) -> Result<Done, Trouble> {
        let (task, copy) = (self.task, self.task == Task::Copy);
        let mut values = match task {
            Task::Verify => Vec::new(),
            _ => self.desk.ledger.blocks_of(self.batch, self.dataset, place)?,
        };
        if values.len() > MOST_VALUES {
            values.clear();
        }
        let (how, at) = match record.proof {
            Proof::Verified { how, at } => (
                model::ReadHow::ALL
                    .into_iter()
                    .find(|one| one.word() == how.word()),
                at,
            ),
            Proof::Copied | Proof::Adopted => (None, record.copied_at),
        };
        Ok(Done {
            kind: record.kind,
            size: record.source.size,
            source: task.reads_source().then_some(record.source),
            placed: copy.then_some(record.placed),
            hash: record.hash,
            values,
            sha256: None,
            at,
            how,
            adopted: copy && record.proof == Proof::Adopted,
            attributes: match self.has_attributes {
                true => self.attributes(place)?,
                false => None,
            },
        })
    }

    fn record(&mut self, place: &RelPath) -> Result<Option<FileRecord>, Trouble> {
        let Some((above, name)) = place.split() else {
            return Ok(None);
        };
        if self.records.as_ref().is_none_or(|(folder, _)| *folder != above) {
            let found = self
                .desk
                .ledger
                .folder_records(self.batch, self.dataset, &above)?;
            self.records = Some((above, found));
        }
        Ok(self
            .records
            .as_mut()
            .and_then(|(_, records)| records.remove(name)))
    }

    fn attributes(&self, place: &RelPath) -> Result<Option<Attributes>, Trouble> {
        let kept = self.desk.ledger.attributes_at(self.batch, self.dataset, place)?;
        Ok(kept.map(|kept| Attributes {
            names: kept.names,
            hash: kept.hash,
        }))
    }

    /// What is told beside the files.
    fn beside<W: Write>(
        self,
        writer: &mut Writer<W>,
        fail: impl Fn(std::io::Error) -> Trouble + Copy,
    ) -> Result<(), Trouble> {
        for (place, kept) in &self.kept {
            writer.kept(place, kept).map_err(fail)?;
        }
        if self.task == Task::Copy {
            self.desk.ledger.each_loss(self.batch, |place, kind, why| {
                let (kind, why) = (kind.to_string(), why.to_string());
                writer.lost(&Lost { place, kind, why }).map_err(fail)
            })?;
            for (place, (code, text)) in &self.failures {
                writer.troubled(place, code, text).map_err(fail)?;
            }
        }
        for one in &self.differences {
            writer.difference(one).map_err(fail)?;
        }
        let source = self.desk.settings.sources.first();
        let source = source.map_or("", |source| source.name.0.as_str());
        let mut all = self.desk.ledger.read_disagreements(source)?;
        all.sort_by(|a, b| (&a.path, a.at, a.later).cmp(&(&b.path, b.at, b.later)));
        all.dedup_by(|a, b| (&a.path, a.at, a.later) == (&b.path, b.at, b.later));
        for one in all {
            let told = Disagreement {
                path: one.path,
                identity: one.identity,
                earlier: one.earlier,
                later: one.later,
                ranges: one.ranges,
                at: one.at,
                settled_by: one.settled_by,
            };
            writer.disagreement(&told).map_err(fail)?;
        }
        Ok(())
    }
}
