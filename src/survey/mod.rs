//! What a source holds and what will go wrong with it: entries pushed in, bounded totals out.
//!
//! A [`Surveyor`] takes the listings of one index and keeps totals by year, kind, size and
//! project, the evidence for each project's date, and the hazards. It reads nothing itself.
//!
//! What grows, beside one folder's listing while it is looked at: a project's totals and its days
//! since 1990, packed as soon as the walk has left it (below 1 KB for most projects); 8 bytes a folder, to know one that appears twice; about 100 bytes a file with several
//! names; symbolic links up to 500,000; entries in no batch up to 100,000. Nothing grows with the
//! number of ordinary files: hazards keep a count and five examples each.
//!
//! - [`rules`]: what a survey needs to know beforehand.
//! - [`exclude`]: what is left out, one matcher for every command.
//! - [`member`]: which project something belongs to, and its path inside.
//! - [`kinds`]: what a file is by the ending of its name.
//! - `calendar`: years and days in one zone, plausible times.
//! - `dates`, [`headers`]: evidence for the year of a project.
//! - [`hazards`]: what will go wrong.
//! - [`mod@growth`], [`changes`]: what comes in a year, what came since the last scan.
//! - [`twins`]: files with identical content.
//! - [`surveyor`], `finish`: the totals, and what is made of them.
//! - [`together()`]: the totals of several sources.

mod calendar;
pub mod changes;
mod dates;
pub mod exclude;
mod finish;
pub mod growth;
pub mod hazards;
pub mod headers;
pub mod kinds;
pub mod member;
mod project;
mod questions;
pub mod rules;
mod samples;
mod small;
pub mod spread;
pub mod surveyor;
#[cfg(test)]
mod tests;
mod together;
pub mod twins;

pub use changes::{Changes, compare};
pub use exclude::{Exclude, ExcludeRules};
pub use growth::{Grown, growth};
pub use headers::{HeaderDate, HeaderKind, HeaderReader, Next};
pub use member::{Membership, Owner};
pub use questions::leave_open;
pub use rules::SurveyRules;
pub use samples::Sample;
pub use surveyor::Surveyor;
pub use together::{Together, together};

use crate::moment::{Moment, Year};
use crate::names::{RelPath, SourceName};
use crate::sizes::SizeHistogram;
use crate::units::{Amount, Bytes};
use std::collections::BTreeMap;

/// Which project of a source something belongs to.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ProjectKey {
    /// A folder at the source's project depth.
    Folder(RelPath),
    /// The loose files above or at that depth whose own time lies in this year; `None` for those
    /// without a plausible time.
    Loose(Option<Year>),
}

/// What a file is by the ending of its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Moving pictures.
    Video,
    /// Sound.
    Audio,
    /// Still pictures, camera raw files included.
    Picture,
    /// Files of editing programs: sequences, compositions, sessions.
    Edit,
    /// Text, tables, slides, portable documents.
    Document,
    /// Packed folders and disk images.
    Archive,
    /// By-products that a program can make again.
    Cache,
    /// Anything else.
    Other,
}

/// What a project's year rests on, strongest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Evidence {
    /// The user's rule in `move.toml`.
    Tag,
    /// A date written out in the folder's name.
    FolderDate,
    /// Dates in the names of clips.
    ClipNames,
    /// Dates inside media headers, agreed by most originals.
    MediaHeaders,
    /// The oldest plausible modification time of originals.
    OldestOriginal,
    /// The median of plausible modification times, weighted by bytes.
    MedianTime,
    /// Nothing that can be believed.
    Nothing,
}

/// How far a date can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Confidence {
    /// Weak or contradicted: ask.
    Low,
    /// One good source.
    Medium,
    /// Written out, or several sources agree.
    High,
}

/// The year a project is filed under and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProjectDate {
    /// `None`: undated.
    pub year: Option<Year>,
    /// What it rests on.
    pub evidence: Evidence,
    /// How far it can be trusted.
    pub confidence: Confidence,
    /// The evidence in words: `the name begins with 2019-03-04`.
    pub words: String,
    /// What other sources say, where they disagree: (evidence, year).
    pub against: Vec<(Evidence, Year)>,
}

/// One project and its totals.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProjectSummary {
    /// The source it lies on.
    pub source: SourceName,
    /// Which project.
    pub key: ProjectKey,
    /// Files to be moved (excluded ones are not counted here).
    pub amount: Amount,
    /// Folders, symlinks and other entries without content, to be moved as well.
    pub others: u64,
    /// The spread of its file sizes.
    pub sizes: SizeHistogram,
    /// Files and bytes by kind, largest first, empty ones left out.
    pub kinds: Vec<(Kind, Amount)>,
    /// Newest plausible modification time of a file.
    pub newest: Option<Moment>,
    /// The year it is filed under.
    pub date: ProjectDate,
    /// Files on this project that share their inode with another project's.
    pub linked_with: Vec<ProjectKey>,
}

/// What a hazard leads to if nothing is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Effect {
    /// Something cannot be moved until it is decided.
    Blocks,
    /// Something would be lost or changed.
    Loses,
    /// Untidy, worth knowing.
    Untidy,
}

/// One sort of trouble found in the tree.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hazard {
    /// Fixed kebab-case word, `name-not-utf8`.
    pub kind: &'static str,
    /// What it leads to.
    pub effect: Effect,
    /// How many entries.
    pub count: u64,
    /// A few of them, the first met.
    pub examples: Vec<RelPath>,
    /// What it means and what Poolward does about it, in one sentence.
    pub words: String,
}

/// A question about a project's year.
pub const ABOUT_DATE: &str = "date";
/// A question whether a folder is a project.
pub const ABOUT_PROJECT: &str = "project";
/// A question whether to walk into another file system.
pub const ABOUT_BOUNDARY: &str = "boundary";

/// Something only the user can decide.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// The project it is about.
    pub project: ProjectKey,
    /// On which source.
    pub source: SourceName,
    /// What is asked: [`ABOUT_DATE`], [`ABOUT_PROJECT`] or [`ABOUT_BOUNDARY`].
    pub about: &'static str,
    /// The question.
    pub text: String,
    /// Lines to put at the end of `move.toml`. What belongs under a heading further up is a remark.
    pub tag: String,
}

/// Bytes a year the archive grows by: a slope and its 90 % range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Growth {
    /// Low end.
    pub low: Bytes,
    /// Most likely.
    pub likely: Bytes,
    /// High end.
    pub high: Bytes,
}

/// A rule of exclusion and what it removes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excluded {
    /// The rule's name: `snapshots`, `recycle`, `thumbnails`, or the user's pattern.
    pub rule: String,
    /// What it removes. Of a snapshot view, which is never entered, only the folder is known.
    pub amount: Amount,
    /// A few of them.
    pub examples: Vec<RelPath>,
}

/// Something that is in no batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unplanned {
    /// On which source.
    pub source: SourceName,
    /// Where.
    pub path: RelPath,
    /// Fixed kebab-case word: `boundary`, `unreadable`, `special`, `undecided`.
    pub reason: &'static str,
    /// What is known of it.
    pub amount: Amount,
}

/// All that is known of one source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Survey {
    /// Entries of each sort: (files, directories, symlinks, special).
    pub counts: Counts,
    /// Projects in byte order of their keys.
    pub projects: Vec<ProjectSummary>,
    /// Files and bytes by kind, largest first.
    pub kinds: Vec<(Kind, Amount)>,
    /// The spread of file sizes.
    pub sizes: SizeHistogram,
    /// What will go wrong, gravest first.
    pub hazards: Vec<Hazard>,
    /// What only the user can decide.
    pub questions: Vec<Question>,
    /// What the exclusions remove.
    pub excluded: Vec<Excluded>,
    /// What is in no batch.
    pub unplanned: Vec<Unplanned>,
}

/// The projects of one year.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct YearTotal {
    /// `None`: undated.
    pub year: Option<Year>,
    /// How many projects.
    pub projects: u64,
    /// What they hold.
    pub amount: Amount,
}

impl Survey {
    /// Projects, files and bytes by the year the project is filed under, oldest first, undated
    /// last.
    pub fn years(&self) -> Vec<YearTotal> {
        let mut years: BTreeMap<(bool, Option<Year>), YearTotal> = BTreeMap::new();
        for project in &self.projects {
            let year = project.date.year;
            let row = years.entry((year.is_none(), year)).or_insert(YearTotal {
                year,
                projects: 0,
                amount: Amount::default(),
            });
            row.projects += 1;
            row.amount.add(project.amount);
        }
        years.into_values().collect()
    }
}

/// Entries by sort, excluded ones included.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Regular files and their logical bytes.
    pub files: Amount,
    /// Bytes allocated for files.
    pub allocated: Bytes,
    /// Directories.
    pub directories: u64,
    /// Symbolic links.
    pub symlinks: u64,
    /// FIFOs, sockets, devices.
    pub special: u64,
    /// Folders that could not be listed and entries that could not be examined.
    pub unreadable: u64,
}
