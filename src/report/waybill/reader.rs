//! Reads a waybill back, with every check that can be made.

use super::facts::{Head, Listed, Task};
use super::line::{EntryLine, FolderLine, Line, TotalLine, are_blocks_of};
use super::order::Tree;
use super::writer::{check_head, seal_line};
use super::{FORMAT, LONGEST};
use crate::digest::{BlockValue, Digest};
use crate::entry::EntryKind;
use crate::names::RelPath;
use crate::report::sealed::{Bad, Lines};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::io::BufRead;

/// Most bytes of the locked batch: a hundred thousand projects with the longest paths there are
/// take less.
const MOST_LOCKED: usize = 1 << 28;

/// What is handed on while a waybill is read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Part {
    /// A folder below the source's root begins; where what lies in it goes, for most of it.
    Folder(RelPath, Option<RelPath>),
    /// An entry of that folder.
    Entry(Box<Listed>),
    /// A place that may hold something of others.
    Other(RelPath),
    /// A place that a later batch brings anew.
    Taken(RelPath),
}

/// What a whole waybill holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Totals {
    /// What stands for all files.
    pub head: Head,
    /// The batch as it was begun, in the stored form of `ops`.
    pub locked: String,
    /// Entries of the index slice.
    pub entries: u64,
    /// Files that are asked for, and their bytes.
    pub asked: Amount,
    /// BLAKE3 of the whole document.
    pub hash: Digest,
}

/// Reads a waybill, handing on its parts one by one. Nothing that was handed on may be believed
/// before this has answered well: the seal stands at the end.
///
/// # Errors
/// [`Bad`] for anything that is not exactly what [`super::Writer`] writes, or what `each` answers.
pub fn read(from: impl BufRead, mut each: impl FnMut(Part) -> Result<(), Trouble>) -> Result<Totals, Bad> {
    let mut lines = Lines::new(from, LONGEST);
    let head = head(&mut lines)?;
    let mut reading = Reading {
        task: head.task,
        tree: Tree::default(),
        place: None,
        last: RelPath::root(),
        stage: 0,
        total: TotalLine::default(),
    };
    let mut locked = String::new();
    let total = loop {
        match line::<Line>(&mut lines)? {
            Line::Locked(piece) if reading.stage == 0 && !piece.is_empty() => {
                locked.push_str(&piece);
                if locked.len() > MOST_LOCKED {
                    return Err(lines.bad("its batch is longer than any can be"));
                }
            }
            Line::Entry(entry) => {
                reading.enter(1).map_err(|why| lines.bad(why))?;
                let values = values(&mut lines, entry.blocks())?;
                let listed = reading.entry(*entry, values).map_err(|why| lines.bad(why))?;
                each(Part::Entry(Box::new(listed))).map_err(Bad::Taker)?;
            }
            Line::Total(total) => break total,
            other => {
                let part = reading.part(other).map_err(|why| lines.bad(why))?;
                each(part).map_err(Bad::Taker)?;
            }
        }
    };
    if total != reading.total {
        return Err(lines.bad("the total is not that of its entries"));
    }
    lines.sealed(seal_line)?;
    Ok(Totals {
        head,
        locked,
        entries: total.entries,
        asked: Amount {
            files: total.asked,
            bytes: Bytes(total.bytes),
        },
        hash: lines.whole(),
    })
}

struct Reading {
    task: Task,
    tree: Tree,
    place: Option<RelPath>,
    last: RelPath,
    /// 0 before the first folder, then 1, others 2, taken 3.
    stage: u8,
    total: TotalLine,
}

impl Reading {
    fn part(&mut self, line: Line) -> Result<Part, &'static str> {
        match line {
            Line::Folder(FolderLine { path, place }) => {
                self.enter(1)?;
                self.tree.folder(&path)?;
                self.place = place.clone();
                Ok(Part::Folder(path, place))
            }
            Line::Other(place) => {
                self.enter(2)?;
                self.rises(&place)?;
                Ok(Part::Other(place))
            }
            Line::Taken(place) => {
                self.enter(3)?;
                self.rises(&place)?;
                Ok(Part::Taken(place))
            }
            _ => Err("a line that has no place here"),
        }
    }

    fn entry(&mut self, line: EntryLine, values: Vec<BlockValue>) -> Result<Listed, &'static str> {
        self.tree.entry(&line.name, line.kind())?;
        let usual = self.place.as_ref().and_then(|place| place.join(&line.name).ok());
        let again = line.clone();
        let listed = line.listed(usual.clone(), values)?;
        check_listed(&listed, self.task)?;
        if EntryLine::of(&listed, usual.as_ref()) != again {
            return Err("it is not in the form that is written");
        }
        self.total.entries += 1;
        if listed.is_asked(self.task) {
            self.total.asked += 1;
            self.total.bytes = self.total.bytes.saturating_add(listed.entry.size.0);
        }
        Ok(listed)
    }

    fn enter(&mut self, stage: u8) -> Result<(), &'static str> {
        if stage < self.stage {
            return Err("a line that has no place here");
        }
        if stage > self.stage {
            self.stage = stage;
            self.last = RelPath::root();
        }
        Ok(())
    }

    fn rises(&mut self, place: &RelPath) -> Result<(), &'static str> {
        if *place <= self.last {
            return Err("places are not in order, or one stands there twice");
        }
        self.last = place.clone();
        Ok(())
    }
}

/// What an entry must hold to be worked on.
pub(super) fn check_listed(listed: &Listed, task: Task) -> Result<(), &'static str> {
    let kind = listed.entry.kind;
    if listed.entry.target.is_some() && kind != EntryKind::Symlink {
        return Err("a target of what is no symlink");
    }
    if listed.is_asked(task) && task.needs_destination() && listed.place.is_none() {
        return Err("a file of the batch has no place");
    }
    if listed.place.as_ref().is_some_and(RelPath::is_root) {
        return Err("a place that is the dataset's own folder");
    }
    if listed
        .attributes
        .as_ref()
        .is_some_and(|kept| !kept.hold_together())
    {
        return Err("attributes that are none");
    }
    let recorded = listed.record.is_some();
    if recorded && !(listed.mine && matches!(kind, EntryKind::File | EntryKind::Symlink)) {
        return Err("a record of what is no file of the batch");
    }
    match recorded && listed.place.is_none() {
        true => Err("a record without a place"),
        false => Ok(()),
    }
}

fn head(lines: &mut Lines<impl BufRead>) -> Result<Head, Bad> {
    let text = lines.next()?;
    format_of(&text, "waybill", lines)?;
    match canonical::<Line>(&text) {
        Ok(Line::Waybill(head)) => match check_head(&head) {
            Ok(()) => Ok(*head),
            Err(why) => Err(lines.bad(why)),
        },
        Ok(_) => Err(lines.bad("it does not begin like a waybill")),
        Err(why) => Err(lines.bad(why)),
    }
}

/// Refuses a document of another make before anything else is asked of its head.
pub(super) fn format_of(text: &str, name: &str, lines: &Lines<impl BufRead>) -> Result<(), Bad> {
    #[derive(Deserialize)]
    struct Version {
        format: u32,
    }
    let begins = format!("{{\"{name}\":");
    let body = text.strip_prefix(&begins).and_then(|rest| rest.strip_suffix('}'));
    let Some(body) = body else {
        return Err(lines.bad(format!("it does not begin like a {name}")));
    };
    match serde_json::from_str::<Version>(body) {
        Ok(version) if version.format != FORMAT => Err(Bad::Format {
            found: version.format,
            known: FORMAT,
        }),
        _ => Ok(()),
    }
}

/// The next line, in its one form.
pub(super) fn line<L: Serialize + DeserializeOwned>(lines: &mut Lines<impl BufRead>) -> Result<L, Bad> {
    let text = lines.next()?;
    canonical(&text).map_err(|why| lines.bad(why))
}

pub(super) fn canonical<L: Serialize + DeserializeOwned>(text: &str) -> Result<L, String> {
    let line: L = serde_json::from_str(text).map_err(|e| e.to_string())?;
    match serde_json::to_string(&line).is_ok_and(|again| again == text) {
        true => Ok(line),
        false => Err("it is not in the form that is written".into()),
    }
}

/// The chaining values that follow, as many as were promised.
pub(super) fn values(lines: &mut Lines<impl BufRead>, count: u64) -> Result<Vec<BlockValue>, Bad> {
    let mut found: Vec<BlockValue> = Vec::new();
    if count > super::MOST_VALUES as u64 {
        return Err(lines.bad("more chaining values than any file has"));
    }
    while (found.len() as u64) < count {
        #[derive(Serialize, Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Values {
            #[serde(with = "crate::report::sealed::as_values")]
            values: Vec<BlockValue>,
        }
        let left = count - found.len() as u64;
        let values = line::<Values>(lines)?.values;
        let most = (super::line::VALUES_A_LINE as u64).min(left);
        if values.len() as u64 != most {
            return Err(lines.bad("chaining values are missing, or there are too many"));
        }
        found.extend(values);
    }
    Ok(found)
}

/// Whether a file may have so many values: none, or one a block.
pub(super) fn may_have(size: Bytes, count: u64) -> bool {
    count == 0 || are_blocks_of(size, count)
}
