//! One waybill as it is written: the head from plan and settings, the list from index and ledger.

use super::records::{ListHash, RecordedFolder, Records};
use super::slice::{SliceEntry, SliceFolder};
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::index::InodeClass;
use crate::ledger::FileRecord;
use crate::lifecycle::waybills::{Task, key};
use crate::names::RelPath;
use crate::ops::batch::AtHand;
use crate::ops::desk::Desk;
use crate::ops::items::collides;
use crate::ops::late;
use crate::ops::manifest::denied;
use crate::ops::permissions::permissions;
use crate::ops::verify::compared;
use crate::report::waybill::{
    Attributes, FORMAT, Goal, Head, Listed, MOST_VALUES, Origin, Owned, Record, Settings, Writer,
};
use crate::trouble::Trouble;
use crate::units::Amount;
use std::collections::BTreeSet;
use std::io::Write;
use std::os::unix::ffi::OsStrExt;

/// What was written.
pub struct Document {
    /// BLAKE3 of all its bytes.
    pub hash: Digest,
    /// BLAKE3 over what it asks for.
    pub listed: Digest,
    /// Files it asks for, and their bytes.
    pub asked: Amount,
}

/// Writes the waybill of a batch.
///
/// # Errors
/// [`Trouble`] where it cannot be written, or index or ledger do not answer.
pub fn write<W: Write>(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    task: Task,
    head: &Head,
    out: W,
) -> Result<Document, Trouble> {
    let fail = |e: std::io::Error| denied("the waybill", &e);
    let mut writer = Writer::begin(out, head, &at_hand.row.body).map_err(fail)?;
    let (mut list, mut asked) = (ListHash::default(), Amount::default());
    let has_attributes = task == Task::Verify && desk.ledger.has_attributes(at_hand.row.id)?;
    let mut folders = BTreeSet::new();
    for folder in Records::new(at_hand, task, &desk.ledger)? {
        let folder = folder?;
        if !at_hand.renames.is_empty() {
            one_name_each(&folder.folder)?;
        }
        folders.extend(folder.folder.places());
        writer
            .folder(&folder.folder.path, folder.folder.place.as_ref())
            .map_err(fail)?;
        for listed in listed(desk, at_hand, task, &folder, has_attributes)? {
            writer.add(&listed).map_err(fail)?;
        }
        for one in folder.asked(task) {
            list.add(&one, task);
            asked.add(Amount::one(one.entry.size));
        }
    }
    if task == Task::Verify {
        for place in others(desk, at_hand, &folders)? {
            writer.other(&place).map_err(fail)?;
        }
    }
    for place in at_hand.taken.iter().filter(|_| task != Task::HashSource) {
        writer.taken(place).map_err(fail)?;
    }
    let (hash, _) = writer.end().map_err(fail)?;
    Ok(Document {
        hash,
        listed: list.finish(),
        asked,
    })
}

/// Two entries that a rename gives one place stop the waybill as they stop a copy.
fn one_name_each(folder: &SliceFolder) -> Result<(), Trouble> {
    let mut taken = BTreeSet::new();
    for entry in &folder.entries {
        if entry.place.as_ref().is_some_and(|place| !taken.insert(place)) {
            return Err(collides(&folder.path, &entry.name));
        }
    }
    Ok(())
}

fn listed(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    task: Task,
    folder: &RecordedFolder,
    has_attributes: bool,
) -> Result<Vec<Listed>, Trouble> {
    let (id, dataset) = (at_hand.row.id, at_hand.dataset.name.as_str());
    let mut lines = Vec::with_capacity(folder.records.len());
    for (entry, record) in folder.folder.entries.iter().zip(&folder.records) {
        let record = match task {
            Task::Verify => record.clone(),
            Task::Copy if record.is_none() => earlier(desk, at_hand, entry)?,
            Task::Copy | Task::HashSource => None,
        };
        let attributes = match &entry.place {
            Some(place) if has_attributes && entry.mine => desk.ledger.attributes_at(id, dataset, place)?,
            _ => None,
        };
        lines.push(Listed {
            name: entry.name.clone(),
            entry: entry.entry.clone(),
            mine: entry.mine,
            place: entry.place.clone(),
            attributes: attributes.map(|kept| Attributes {
                names: kept.names,
                hash: kept.hash,
            }),
            record: record
                .map(|record| recorded(desk, at_hand, &record))
                .transpose()?,
        });
    }
    Ok(lines)
}

/// What an earlier batch has placed where a batch of later files brings its own: it may be replaced,
/// and nothing else may.
fn earlier(desk: &Desk<'_>, at_hand: &AtHand, entry: &SliceEntry) -> Result<Option<FileRecord>, Trouble> {
    let brought = matches!(entry.entry.kind, EntryKind::File | EntryKind::Symlink) && entry.mine;
    match &entry.place {
        Some(place) if brought && at_hand.only.is_some() => {
            desk.ledger.record_at(&at_hand.dataset.name, place)
        }
        _ => Ok(None),
    }
}

fn recorded(desk: &Desk<'_>, at_hand: &AtHand, record: &FileRecord) -> Result<Record, Trouble> {
    let (id, dataset) = (at_hand.row.id, &at_hand.dataset.name);
    let mut values = desk.ledger.blocks_of(id, dataset, &record.place)?;
    if values.len() > MOST_VALUES {
        values.clear();
    }
    Ok(Record {
        hash: record.hash,
        source: record.source,
        placed: record.placed,
        copied_at: record.copied_at,
        values,
    })
}

/// What may lie in the batch's folders beside its own: what other batches have brought, and the
/// folders of other sources.
fn others(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    folders: &BTreeSet<RelPath>,
) -> Result<BTreeSet<RelPath>, Trouble> {
    let mut found = BTreeSet::new();
    for folder in folders {
        let names = late::names_of_others(desk, at_hand, folder)?;
        // What is recorded of the batch itself stands in the list already.
        let own = desk
            .ledger
            .folder_records(at_hand.row.id, &at_hand.dataset.name, folder)?;
        let names = names.iter().filter(|name| !own.contains_key(*name));
        found.extend(names.filter_map(|name| folder.join(name).ok()));
    }
    for source in &desk.settings.sources {
        let under = &source.under;
        found.extend((1..=under.depth()).filter_map(|depth| under.prefix(depth)));
    }
    Ok(found)
}

/// What stands for the whole of it. Nothing in it hangs on the time of day: the same facts give the
/// same bytes.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read.
pub fn head(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    task: Task,
    secret: &[u8; 32],
    round: u64,
) -> Result<Head, Trouble> {
    let (row, index) = (&at_hand.row, at_hand.index.header());
    let made = match task {
        Task::Copy => row.begun_at,
        Task::Verify => row.copied_at.unwrap_or(row.begun_at),
        Task::HashSource => index.ended,
    };
    let inodes = match at_hand.source.cross.is_empty() {
        true => index.start.inodes,
        false => InodeClass::Worthless,
    };
    let goal = &at_hand.destination;
    let settings = &desk.settings;
    let permissions = permissions(&at_hand.permissions)?;
    Ok(Head {
        format: FORMAT,
        version: env!("CARGO_PKG_VERSION").to_string(),
        made: crate::ledger::to_second(made),
        move_id: desk.ledger.move_id()?,
        batch: row.name.clone(),
        task,
        dataset: row.dataset.clone(),
        index: at_hand.index.digest(),
        key: Digest(key(secret, &row.name, task, at_hand.index.digest(), round)),
        only: at_hand.only.is_some(),
        source: Origin {
            name: at_hand.source.name.0.clone(),
            root: index.start.root.clone(),
            mount: index.start.mount_type.clone(),
            started: index.started(),
            ended: index.ended,
            inodes: inodes.word().to_string(),
            project_depth: u32::try_from(at_hand.source.project_depth).unwrap_or(u32::MAX),
            under: at_hand.source.under.clone(),
        },
        destination: Goal {
            name: goal.name.clone(),
            path: goal.path.as_os_str().as_bytes().to_vec(),
            dataset: goal.dataset.clone(),
            accept: goal.accept.clone(),
            reserve: goal.reserve.map(|bytes| bytes.0),
            root_disk: goal.root_disk,
        },
        settings: Settings {
            zone: settings.windows.zone.name().to_string(),
            accept_read: settings
                .accept_read
                .iter()
                .map(|how| how.word().to_string())
                .collect(),
            compared: compared(at_hand),
            streams: settings.streams.and_then(|streams| u32::try_from(streams).ok()),
            streams_large_max: u32::try_from(settings.streams_large_max).unwrap_or(u32::MAX),
            permissions: Owned {
                uid: permissions.uid,
                gid: permissions.gid,
                directories: permissions.directories,
                files: permissions.files,
            },
        },
    })
}
