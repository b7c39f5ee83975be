//! Fixity: how a reading of everything is cut into slices that cost the same, and what a file that
//! is not as it was recorded has gone through.
//!
//! A round reads every file once, in one fixed order. Each run makes a share of the round due and
//! reads what falls into it; a file is never cut. Nothing here knows the order, or what is read:
//! only how much stands before a file, and how much there is.

use crate::units::Bytes;
use std::fmt;

/// What one file costs beside its bytes, as bytes: a disk finds a file in about the time in which
/// it reads this much (common practice, no source).
const FILE_COST: u64 = 1 << 20;

/// A part of a round in millionths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Part(u32);

impl Part {
    /// Nothing.
    pub const NONE: Part = Part(0);
    /// All of it.
    pub const WHOLE: Part = Part(1_000_000);

    /// Reads `5`, `5%`, `2.5 %`: above 0 and up to 100, with four decimals at most.
    pub fn percent(text: &str) -> Option<Part> {
        let text = text.trim();
        let number = text.strip_suffix('%').map_or(text, str::trim_end);
        let (whole, decimals) = number.split_once('.').unwrap_or((number, "0"));
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        if !digits(whole) || !digits(decimals) || whole.len() > 3 || decimals.len() > 4 {
            return None;
        }
        let scaled = format!("{whole}{decimals:0<4}").parse::<u32>().ok()?;
        (1..=Part::WHOLE.0).contains(&scaled).then_some(Part(scaled))
    }

    /// From millionths, as they are kept; more than all is all.
    pub fn of_millionths(millionths: u64) -> Part {
        Part(u32::try_from(millionths).map_or(Part::WHOLE.0, |part| part.min(Part::WHOLE.0)))
    }

    /// In millionths.
    pub fn millionths(self) -> u64 {
        u64::from(self.0)
    }

    /// Both together, never more than all.
    pub fn plus(self, other: Part) -> Part {
        Part(self.0.saturating_add(other.0).min(Part::WHOLE.0))
    }
}

impl fmt::Display for Part {
    /// `5 %`, `2.5 %`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = format!("{}.{:04}", self.0 / 10_000, self.0 % 10_000);
        let text = text.trim_end_matches('0').trim_end_matches('.');
        write!(f, "{text} %")
    }
}

/// Work of reading: bytes, and so many for each file.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Cost(u128);

impl Cost {
    /// Of files and their bytes.
    pub fn of(files: u64, bytes: Bytes) -> Cost {
        Cost(u128::from(files) * u128::from(FILE_COST) + u128::from(bytes.0))
    }

    /// Both together.
    pub fn plus(self, other: Cost) -> Cost {
        Cost(self.0.saturating_add(other.0))
    }

    /// Which share of `total` this is, from 0 to 1; exactly 1 only where nothing is left.
    pub fn share_of(self, total: Cost) -> f64 {
        match total.0 {
            total if self.0 >= total => 1.0,
            total => (self.0 as f64 / total as f64).min(1.0 - f64::EPSILON),
        }
    }
}

/// Where a round stands when a run begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slice {
    /// How much of the round is due by the end of this run.
    pub due: Part,
    /// Its number in the round, from 1.
    pub number: u64,
    /// Whether it was begun and not ended yet.
    pub open: bool,
}

impl Slice {
    /// Before the first of a round.
    pub const BEFORE: Slice = Slice {
        due: Part::NONE,
        number: 0,
        open: false,
    };

    /// The slice that a run reads: one that was interrupted goes on, else the next begins. Without
    /// a share the round is read to its end.
    pub fn next(self, asked: Option<Part>) -> Slice {
        let due = match (asked, self.open) {
            (None, _) => Part::WHOLE,
            (Some(_), true) => self.due,
            (Some(part), false) => self.due.plus(part),
        };
        Slice {
            due,
            number: self.number + u64::from(!self.open),
            open: true,
        }
    }
}

/// How a slice is cut: what is due of everything, and where in a file its cut counts.
#[derive(Debug, Clone, Copy)]
pub struct Cut {
    goal: u128,
    /// 256ths of a file.
    phase: u8,
}

impl Cut {
    /// Of a dataset by its name: datasets of one large file each are read in different nights,
    /// although each has a round of its own.
    pub fn new(name: &str, total: Cost, due: Part) -> Cut {
        let phase = blake3::hash(name.as_bytes()).as_bytes()[0];
        let whole = u128::from(Part::WHOLE.0);
        Cut {
            goal: total.0.saturating_mul(u128::from(due.0)) / whole,
            phase,
        }
    }

    /// Whether a file belongs to what is due by now, with so much of the round before it. Once one
    /// does not, none after it does; where all is due, each does.
    pub fn takes(&self, before: Cost, file: Cost) -> bool {
        before.0 + file.0 * u128::from(self.phase) / 256 < self.goal
    }
}

/// What was seen to be different from what was recorded.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Differs {
    /// It is not there.
    pub absent: bool,
    /// It could not be read.
    pub unreadable: bool,
    /// Whoever runs this may not read it.
    pub denied: bool,
    /// It is no file where a file was, or the like.
    pub kind: bool,
    /// Its size.
    pub size: bool,
    /// Its modification time; `None` where none was kept to compare with.
    pub time: Option<bool>,
    /// Its content.
    pub content: bool,
}

/// What became of a file since it was recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fate {
    /// Size and time are as recorded, the content is not: nobody wrote it, or hid that.
    Rot,
    /// Its content or size is another, and so is its time: somebody wrote it.
    Changed,
    /// Its content is another, and no time was kept that could tell why.
    Content,
    /// Something of another kind has its place.
    Type,
    /// It is not there.
    Absent,
    /// It could not be read.
    Unreadable,
    /// Whoever ran this may not read it.
    Denied,
    /// Its time is another, its content the same.
    Touched,
    /// It was never recorded.
    Uninvited,
}

impl Fate {
    /// All of them.
    pub const ALL: [Fate; 9] = [
        Fate::Rot,
        Fate::Changed,
        Fate::Content,
        Fate::Type,
        Fate::Absent,
        Fate::Unreadable,
        Fate::Denied,
        Fate::Touched,
        Fate::Uninvited,
    ];

    /// The fixed word of JSON and of the ledger.
    pub fn word(self) -> &'static str {
        match self {
            Fate::Rot => "rot",
            Fate::Changed => "changed",
            Fate::Content => "content",
            Fate::Type => "type",
            Fate::Absent => "absent",
            Fate::Unreadable => "unreadable",
            Fate::Denied => "denied",
            Fate::Touched => "touched",
            Fate::Uninvited => "uninvited",
        }
    }

    /// The word read back.
    pub fn parse(word: &str) -> Option<Fate> {
        Fate::ALL.into_iter().find(|fate| fate.word() == word)
    }

    /// What it means, for a person.
    pub fn words(self) -> &'static str {
        match self {
            Fate::Rot => "size and time are as recorded, the content is not",
            Fate::Changed => "written since it was recorded: its time is another, and its size or content",
            Fate::Content => "the content is not as recorded; no time was kept that could tell why",
            Fate::Type => "something of another kind has its place, or that of a folder above it",
            Fate::Absent => "it is not there",
            Fate::Unreadable => "it could not be read",
            Fate::Denied => "whoever runs this may not read it, so nothing is known of it",
            Fate::Touched => "its time is another, its content as recorded",
            Fate::Uninvited => "it was never recorded",
        }
    }

    /// Whether somebody must look; the others are only listed.
    pub fn needs_you(self) -> bool {
        !matches!(self, Fate::Touched | Fate::Uninvited)
    }
}

/// What a file has gone through; `None` where it is as recorded.
pub fn fate(seen: Differs) -> Option<Fate> {
    if seen.absent {
        return Some(Fate::Absent);
    }
    if seen.unreadable {
        return Some(Fate::Unreadable);
    }
    if seen.denied {
        return Some(Fate::Denied);
    }
    if seen.kind {
        return Some(Fate::Type);
    }
    // Storage that rots keeps the length: whoever changed that has written.
    match (seen.size, seen.content, seen.time) {
        (true, ..) | (false, true, Some(true)) => Some(Fate::Changed),
        (false, true, Some(false)) => Some(Fate::Rot),
        (false, true, None) => Some(Fate::Content),
        (false, false, Some(true)) => Some(Fate::Touched),
        (false, false, _) => None,
    }
}
