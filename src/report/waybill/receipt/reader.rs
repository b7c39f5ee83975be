//! Reads a receipt back, with every check that can be made without its waybill.

use super::line::{Line, MOST_RANGES, RANGES_A_LINE, TotalLine, are_ranges, check_done, is_code};
use super::writer::{Beside, check_head, disagreement_key};
use super::{Answer, Came, Difference, Disagreement, Head, Lost};
use crate::digest::Digest;
use crate::names::RelPath;
use crate::report::sealed::{Bad, Lines};
use crate::report::waybill::LONGEST;
use crate::report::waybill::facts::Attributes;
use crate::report::waybill::order::Rising;
use crate::report::waybill::reader::{canonical, format_of, line, values};
use crate::report::waybill::writer::seal_line;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::io::BufRead;

/// What is handed on while a receipt is read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Part {
    /// The answer for one file.
    Answer(Box<Answer>),
    /// A folder, by its place, whose attributes were set and kept.
    Kept(RelPath, Attributes),
    /// A fact that the destination could not keep.
    Lost(Lost),
    /// A folder that could not be dressed: place, code, words.
    Troubled(RelPath, String, String),
    /// A difference, or what is only listed.
    Difference(Difference),
    /// Two reads that disagreed.
    Disagreement(Box<Disagreement>),
}

/// What a whole receipt holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Totals {
    /// What stands for all files.
    pub head: Head,
    /// Files that were done, and their bytes.
    pub done: Amount,
    /// Files that were not.
    pub failed: u64,
    /// BLAKE3 of the whole document.
    pub hash: Digest,
}

/// Reads a receipt, handing on its parts one by one. `key_of` is asked once for the key of the
/// waybill that the head names; it cannot trust the head beyond that. Nothing that was handed on
/// may be believed before this has answered well: the seal stands at the end.
///
/// # Errors
/// [`Bad`] for anything that is not exactly what [`super::Writer`] writes with this key, or what
/// `key_of` and `each` answer.
pub fn read(
    from: impl BufRead,
    key_of: impl FnOnce(&Head) -> Result<Digest, Trouble>,
    mut each: impl FnMut(Part) -> Result<(), Trouble>,
) -> Result<Totals, Bad> {
    let mut lines = Lines::new(from, LONGEST);
    let head = head(&mut lines)?;
    lines.key(&key_of(&head).map_err(Bad::Taker)?.0);
    let mut reading = Reading::default();
    let total = loop {
        let found = match line::<Line>(&mut lines)? {
            Line::Total(total) => break total,
            Line::Folder(path) => {
                reading.folder(path).map_err(|why| lines.bad(why))?;
                continue;
            }
            Line::Done(done) => {
                let (name, count) = (done.name.clone(), done.blocks);
                let path = reading.name(&name).map_err(|why| lines.bad(why))?;
                let values = values(&mut lines, count)?;
                let done = done.done(values).map_err(|why| lines.bad(why))?;
                check_done(&done).map_err(|why| lines.bad(why))?;
                reading.total.done += 1;
                reading.total.bytes = reading.total.bytes.saturating_add(done.size.0);
                let came = Came::Done(Box::new(done));
                Part::Answer(Box::new(Answer { path, came }))
            }
            other => part(&mut lines, &mut reading, other)?,
        };
        each(found).map_err(Bad::Taker)?;
    };
    if !reading.answered || total != reading.total {
        return Err(lines.bad("the total is not that of its lines"));
    }
    lines.sealed(seal_line)?;
    Ok(Totals {
        head,
        done: Amount {
            files: total.done,
            bytes: Bytes(total.bytes),
        },
        failed: total.failed,
        hash: lines.whole(),
    })
}

fn part(lines: &mut Lines<impl BufRead>, reading: &mut Reading, line: Line) -> Result<Part, Bad> {
    let mut beside = |stage, key, lines: &Lines<_>| reading.beside(stage, key).map_err(|why| lines.bad(why));
    let bytes = |path: &RelPath| path.as_bytes().to_vec();
    Ok(match line {
        Line::Failed(failed) => {
            let path = reading.name(&failed.name.clone()).map_err(|why| lines.bad(why))?;
            let came = failed.came().map_err(|why| lines.bad(why))?;
            reading.total.failed += 1;
            Part::Answer(Box::new(Answer { path, came }))
        }
        Line::Kept(kept) if kept.attributes.hold_together() => {
            beside(0, (bytes(&kept.place), Vec::new()), lines)?;
            Part::Kept(kept.place, kept.attributes)
        }
        Line::Lost(lost) if is_code(&lost.kind) => {
            beside(1, (lost.kind.clone().into_bytes(), bytes(&lost.place)), lines)?;
            Part::Lost(lost.into())
        }
        Line::Troubled(one) if is_code(&one.code) => {
            beside(2, (bytes(&one.place), Vec::new()), lines)?;
            Part::Troubled(one.place, one.code, one.text)
        }
        Line::Difference(one) => {
            let count = one.ranges;
            let one = one.difference(ranges(lines, count)?);
            beside(3, (bytes(&one.place), one.kind.clone().into_bytes()), lines)?;
            Part::Difference(one)
        }
        Line::Disagreement(one) => {
            let count = one.ranges;
            let one = one.disagreement(ranges(lines, count)?);
            beside(4, disagreement_key(&one), lines)?;
            Part::Disagreement(Box::new(one))
        }
        _ => return Err(lines.bad("a line that has no place here")),
    })
}

/// The ranges that follow, as many as were promised.
fn ranges(lines: &mut Lines<impl BufRead>, count: u64) -> Result<Vec<(u64, u64)>, Bad> {
    let mut found = Vec::new();
    if count > MOST_RANGES {
        return Err(lines.bad("more ranges than any file has"));
    }
    while (found.len() as u64) < count {
        let most = (count - found.len() as u64).min(RANGES_A_LINE as u64);
        match line::<Line>(lines)? {
            Line::Ranges(some) if some.len() as u64 == most => found.extend(some),
            _ => return Err(lines.bad("ranges are missing, or there are too many")),
        }
    }
    match are_ranges(&found) {
        true => Ok(found),
        false => Err(lines.bad("ranges that are none")),
    }
}

struct Reading {
    order: Rising,
    /// Whether the open folder has an answer; true before the first.
    answered: bool,
    beside: Beside,
    total: TotalLine,
}

impl Default for Reading {
    fn default() -> Reading {
        Reading {
            order: Rising::default(),
            answered: true,
            beside: Beside::default(),
            total: TotalLine::default(),
        }
    }
}

impl Reading {
    fn folder(&mut self, path: RelPath) -> Result<(), &'static str> {
        if self.beside.has_begun() || !self.answered {
            return Err("a folder that has no place here");
        }
        self.answered = false;
        self.order.folder(&path)
    }

    fn name(&mut self, name: &[u8]) -> Result<RelPath, &'static str> {
        if self.beside.has_begun() {
            return Err("an answer that has no place here");
        }
        self.answered = true;
        self.order.name(name)
    }

    fn beside(&mut self, stage: u8, key: (Vec<u8>, Vec<u8>)) -> Result<(), &'static str> {
        self.total.beside += 1;
        self.beside.add(stage, key)
    }
}

fn head(lines: &mut Lines<impl BufRead>) -> Result<Head, Bad> {
    let text = lines.next()?;
    format_of(&text, "receipt", lines)?;
    match canonical::<Line>(&text) {
        Ok(Line::Receipt(head)) => match check_head(&head) {
            Ok(()) => Ok(*head),
            Err(why) => Err(lines.bad(why)),
        },
        Ok(_) => Err(lines.bad("it does not begin like a receipt")),
        Err(why) => Err(lines.bad(why)),
    }
}
