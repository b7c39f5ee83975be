//! Writes a receipt line by line.

use super::line::{
    DifferenceLine, DisagreementLine, DoneLine, FailedLine, KeptLine, Line, MOST_RANGES, RANGES_A_LINE,
    TotalLine, TroubledLine, are_ranges, check_done, is_code,
};
use super::{Answer, Came, Difference, Disagreement, Head, Lost};
use crate::digest::Digest;
use crate::names::RelPath;
use crate::report::sealed::{Sealing, wrong};
use crate::report::waybill::facts::Attributes;
use crate::report::waybill::line::VALUES_A_LINE;
use crate::report::waybill::order::Rising;
use crate::report::waybill::writer::{is_move, seal_line};
use crate::report::waybill::{FORMAT, LONGEST};
use std::io::{self, Write};

/// Writes a receipt. Answers come in the waybill's order; then folders whose attributes were kept, what
/// was lost (by kind, then place), folders that had trouble, differences (by place, then kind) and
/// reads that disagreed (by path, then time), each in byte order.
pub struct Writer<W> {
    out: Sealing<W>,
    order: Rising,
    folder: Option<RelPath>,
    beside: Beside,
    total: TotalLine,
}

impl<W: Write> Writer<W> {
    /// Begins with the head; `key` is the waybill's.
    ///
    /// # Errors
    /// What the writer below answers, or a head that no reader would take.
    pub fn begin(inner: W, head: &Head, key: &Digest) -> io::Result<Writer<W>> {
        check_head(head).map_err(wrong)?;
        let mut out = Sealing::new(inner, LONGEST, Some(&key.0));
        out.line(&Line::Receipt(Box::new(head.clone())))?;
        Ok(Writer {
            out,
            order: Rising::default(),
            folder: None,
            beside: Beside::default(),
            total: TotalLine::default(),
        })
    }

    /// Adds the answer for one file.
    ///
    /// # Errors
    /// What the writer below answers, or an answer that no reader would take.
    pub fn answer(&mut self, answer: &Answer) -> io::Result<()> {
        let (above, name) = answer.path.split().ok_or_else(|| wrong("the root is no file"))?;
        if self.beside.has_begun() {
            return Err(wrong("answers come before what is beside them"));
        }
        if self.folder.as_ref() != Some(&above) {
            self.order.folder(&above).map_err(wrong)?;
            self.out.line(&Line::Folder(above.clone()))?;
            self.folder = Some(above);
        }
        self.order.name(name).map_err(wrong)?;
        match &answer.came {
            Came::Failed { code, text } if is_code(code) => {
                self.total.failed += 1;
                self.out.line(&Line::Failed(FailedLine::of(name, code, text)))
            }
            Came::Failed { .. } => Err(wrong("a code that is no word")),
            Came::Done(done) => {
                check_done(done).map_err(wrong)?;
                self.total.done += 1;
                self.total.bytes = self.total.bytes.saturating_add(done.size.0);
                self.out.line(&Line::Done(Box::new(DoneLine::of(name, done))))?;
                for values in done.values.chunks(VALUES_A_LINE) {
                    self.out.line(&Line::Values(values.to_vec()))?;
                }
                Ok(())
            }
        }
    }

    /// Adds a folder whose attributes were set and kept.
    ///
    /// # Errors
    /// What the writer below answers, or a place out of order.
    pub fn kept(&mut self, place: &RelPath, attributes: &Attributes) -> io::Result<()> {
        self.add(0, (place.as_bytes().to_vec(), Vec::new()))?;
        self.out.line(&Line::Kept(KeptLine {
            place: place.clone(),
            attributes: attributes.clone(),
        }))
    }

    /// Adds a fact that the destination could not keep.
    ///
    /// # Errors
    /// What the writer below answers, or one out of order.
    pub fn lost(&mut self, lost: &Lost) -> io::Result<()> {
        self.add(
            1,
            (lost.kind.clone().into_bytes(), lost.place.as_bytes().to_vec()),
        )?;
        self.out.line(&Line::Lost(lost.into()))
    }

    /// Adds a folder that could not be dressed.
    ///
    /// # Errors
    /// What the writer below answers, or a place out of order.
    pub fn troubled(&mut self, place: &RelPath, code: &str, text: &str) -> io::Result<()> {
        self.add(2, (place.as_bytes().to_vec(), Vec::new()))?;
        self.out.line(&Line::Troubled(TroubledLine {
            place: place.clone(),
            code: code.to_string(),
            text: text.to_string(),
        }))
    }

    /// Adds a difference, or what is only listed.
    ///
    /// # Errors
    /// What the writer below answers, or one out of order.
    pub fn difference(&mut self, one: &Difference) -> io::Result<()> {
        self.add(3, (one.place.as_bytes().to_vec(), one.kind.clone().into_bytes()))?;
        self.out.line(&Line::Difference(DifferenceLine::of(one)))?;
        self.ranges(&one.ranges)
    }

    /// Adds two reads that disagreed.
    ///
    /// # Errors
    /// What the writer below answers, or one out of order.
    pub fn disagreement(&mut self, one: &Disagreement) -> io::Result<()> {
        self.add(4, disagreement_key(one))?;
        self.out
            .line(&Line::Disagreement(Box::new(DisagreementLine::of(one))))?;
        self.ranges(&one.ranges)
    }

    /// Ends with totals and seal; answers the BLAKE3 of the whole document and the writer below.
    ///
    /// # Errors
    /// What the writer below answers.
    pub fn end(mut self) -> io::Result<(Digest, W)> {
        self.out.line(&Line::Total(self.total.clone()))?;
        let seal = seal_line(self.out.seal());
        self.out.end(&seal)
    }

    fn add(&mut self, stage: u8, key: (Vec<u8>, Vec<u8>)) -> io::Result<()> {
        self.beside.add(stage, key).map_err(wrong)?;
        self.total.beside += 1;
        Ok(())
    }

    fn ranges(&mut self, ranges: &[(u64, u64)]) -> io::Result<()> {
        if !are_ranges(ranges) || ranges.len() as u64 > MOST_RANGES {
            return Err(wrong("ranges that are none"));
        }
        for some in ranges.chunks(RANGES_A_LINE) {
            self.out.line(&Line::Ranges(some.to_vec()))?;
        }
        Ok(())
    }
}

pub(super) fn disagreement_key(one: &Disagreement) -> (Vec<u8>, Vec<u8>) {
    // Times in an order that bytes have too: the sign bit turned, highest byte first.
    let mut key = ((one.at.seconds as u64) ^ (1 << 63)).to_be_bytes().to_vec();
    key.extend_from_slice(&one.at.nanos.to_be_bytes());
    key.extend_from_slice(&one.later.0);
    (one.path.as_bytes().to_vec(), key)
}

/// What comes after the answers, in its order and each of it once.
#[derive(Debug, Default)]
pub(super) struct Beside {
    stage: Option<u8>,
    last: (Vec<u8>, Vec<u8>),
}

impl Beside {
    pub fn has_begun(&self) -> bool {
        self.stage.is_some()
    }

    pub fn add(&mut self, stage: u8, key: (Vec<u8>, Vec<u8>)) -> Result<(), &'static str> {
        let goes_on = self.stage == Some(stage);
        if self.stage.is_some_and(|open| open > stage) || (goes_on && key <= self.last) {
            return Err("what is beside the answers is not in order, or stands there twice");
        }
        (self.stage, self.last) = (Some(stage), key);
        Ok(())
    }
}

pub(super) fn check_head(head: &Head) -> Result<(), &'static str> {
    if head.format != FORMAT {
        return Err("another format");
    }
    if !is_move(&head.move_id) {
        return Err("the number of the move is not letters and digits");
    }
    let named = crate::report::waybill::order::is_component(&head.batch);
    let source = head.task.reads_source() == head.source.is_some();
    let destination = head.task.needs_destination() == head.destination.is_some();
    match (named, source && destination) {
        (false, _) => Err("the batch has a name that no file can have"),
        (_, false) => Err("its ends are not those of its task"),
        _ => Ok(()),
    }
}
