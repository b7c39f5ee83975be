//! Writes a waybill line by line.

use super::facts::{Head, Listed, Task};
use super::line::{EntryLine, FolderLine, Line, TotalLine, VALUES_A_LINE, are_blocks_of};
use super::order::{Tree, is_component};
use super::reader::check_listed;
use super::{FORMAT, LONGEST};
use crate::digest::Digest;
use crate::names::RelPath;
use crate::report::sealed::{Sealing, wrong};
use std::io::{self, Write};

/// Bytes of the locked batch on one line.
const LOCKED_A_LINE: usize = 32 << 10;

/// Writes a waybill. Folders come parents before children (the root's own listing first), names in
/// byte order, as an index has them; then the names of others, then places that later batches have
/// taken, each in byte order.
pub struct Writer<W> {
    out: Sealing<W>,
    task: Task,
    tree: Tree,
    place: Option<RelPath>,
    stage: Stage,
    last: RelPath,
    total: TotalLine,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Stage {
    Entries,
    Others,
    Taken,
}

impl<W: Write> Writer<W> {
    /// Begins with the head and the batch as it was begun.
    ///
    /// # Errors
    /// What the writer below answers, or a head that no reader would take.
    pub fn begin(inner: W, head: &Head, locked: &str) -> io::Result<Writer<W>> {
        check_head(head).map_err(wrong)?;
        let mut out = Sealing::new(inner, LONGEST, None);
        out.line(&Line::Waybill(Box::new(head.clone())))?;
        let mut rest = locked;
        while !rest.is_empty() {
            let mut end = rest.len().min(LOCKED_A_LINE);
            while !rest.is_char_boundary(end) {
                end -= 1;
            }
            let (piece, more) = rest.split_at(end);
            out.line(&Line::Locked(piece.to_string()))?;
            rest = more;
        }
        Ok(Writer {
            out,
            task: head.task,
            tree: Tree::default(),
            place: None,
            stage: Stage::Entries,
            last: RelPath::root(),
            total: TotalLine::default(),
        })
    }

    /// Opens a folder of the source; `place` is where what lies in it goes, below the dataset's
    /// folder, for most of it.
    ///
    /// # Errors
    /// What the writer below answers, or a folder out of order.
    pub fn folder(&mut self, path: &RelPath, place: Option<&RelPath>) -> io::Result<()> {
        self.enter(Stage::Entries)?;
        self.tree.folder(path).map_err(wrong)?;
        self.place = place.cloned();
        self.out.line(&Line::Folder(FolderLine {
            path: path.clone(),
            place: place.cloned(),
        }))
    }

    /// Adds an entry of the open folder.
    ///
    /// # Errors
    /// What the writer below answers, or an entry that no reader would take.
    pub fn add(&mut self, listed: &Listed) -> io::Result<()> {
        self.enter(Stage::Entries)?;
        self.tree.entry(&listed.name, listed.entry.kind).map_err(wrong)?;
        check_listed(listed, self.task).map_err(wrong)?;
        let usual = self
            .place
            .as_ref()
            .and_then(|place| place.join(&listed.name).ok());
        if listed.mine && listed.place.is_none() && usual.is_some() {
            return Err(wrong(
                "an entry of the batch has no place, and its folder has one",
            ));
        }
        self.out
            .line(&Line::Entry(Box::new(EntryLine::of(listed, usual.as_ref()))))?;
        if let Some(record) = &listed.record {
            let count = record.values.len() as u64;
            if count > 0 && !are_blocks_of(record.source.size, count) {
                return Err(wrong("chaining values that are not those of a file of its size"));
            }
            for values in record.values.chunks(VALUES_A_LINE) {
                self.out.line(&Line::Values(values.to_vec()))?;
            }
        }
        self.total.entries += 1;
        if listed.is_asked(self.task) {
            self.total.asked += 1;
            self.total.bytes = self.total.bytes.saturating_add(listed.entry.size.0);
        }
        Ok(())
    }

    /// Adds a place that may hold something of others: it is not uninvited.
    ///
    /// # Errors
    /// What the writer below answers, or a place out of order.
    pub fn other(&mut self, place: &RelPath) -> io::Result<()> {
        self.enter(Stage::Others)?;
        self.rises(place)?;
        self.out.line(&Line::Other(place.clone()))
    }

    /// Adds a place that a later batch brings anew.
    ///
    /// # Errors
    /// What the writer below answers, or a place out of order.
    pub fn taken(&mut self, place: &RelPath) -> io::Result<()> {
        self.enter(Stage::Taken)?;
        self.rises(place)?;
        self.out.line(&Line::Taken(place.clone()))
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

    fn enter(&mut self, stage: Stage) -> io::Result<()> {
        if stage < self.stage {
            return Err(wrong("the parts of a waybill have their order"));
        }
        if stage > self.stage {
            self.stage = stage;
            self.last = RelPath::root();
        }
        Ok(())
    }

    fn rises(&mut self, place: &RelPath) -> io::Result<()> {
        if *place <= self.last {
            return Err(wrong("places are not in order, or one stands there twice"));
        }
        self.last = place.clone();
        Ok(())
    }
}

/// The last line of both documents.
pub(super) fn seal_line(seal: Digest) -> String {
    format!("{{\"seal\":\"{seal}\"}}\n")
}

/// What a head must hold: its words become names of files and parts of names at the destination.
pub(super) fn check_head(head: &Head) -> Result<(), &'static str> {
    if head.format != FORMAT {
        return Err("another format");
    }
    if !is_component(&head.batch) {
        return Err("the batch has a name that no file can have");
    }
    if !is_move(&head.move_id) {
        return Err("the number of the move is not letters and digits");
    }
    let words = [&head.dataset, &head.source.name, &head.destination.name];
    match words
        .into_iter()
        .any(|word| word.is_empty() || word.contains('\0'))
    {
        true => Err("a name is missing"),
        false => Ok(()),
    }
}

/// Whether this can be the number of a move.
pub(super) fn is_move(id: &str) -> bool {
    (1..=64).contains(&id.len()) && id.bytes().all(|byte| byte.is_ascii_alphanumeric())
}
