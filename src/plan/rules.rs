//! The user's rules for a plan, as values: limits, order, tags, sources, destinations.
//!
//! Reading `move.toml` happens elsewhere; here is what was meant by it.

use super::only::Only;
use crate::moment::Moment;
use crate::names::{BatchName, RelPath, SourceName};
use crate::trouble::Trouble;
use crate::units::Bytes;
use regex::bytes::Regex;

/// What a dataset stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum By {
    /// One dataset a year, `undated` last.
    Year,
    /// One dataset a project.
    Project,
    /// One dataset a kind of file: that with the most bytes in the project.
    Kind,
    /// The datasets that the user's tags name; `untagged` takes the rest.
    Tag,
}

/// Which batches come first. A tag's `order` goes before all of these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Order {
    /// By the year of the batch's oldest project.
    OldestFirst,
    /// By the year of the batch's newest project, downwards.
    NewestFirst,
    /// By bytes.
    SmallestFirst,
    /// By bytes, downwards.
    LargestFirst,
    /// The user's tags by their `order`, then the most bytes first: what would be lost with the
    /// old box shrinks fastest.
    ExposureFirst,
}

/// Everything that shapes a plan beside the projects themselves.
#[derive(Debug, Clone)]
pub struct PlanRules {
    /// What a dataset stands for.
    pub by: By,
    /// No batch of more than one project is larger.
    pub batch_max: Bytes,
    /// No batch is smaller where its neighbours allow it; at most `batch_max`.
    pub batch_min: Bytes,
    /// Which batches come first.
    pub order: Order,
    /// Projects whose newest file is younger than this are in use and wait for the end.
    pub quiet_since: Option<Moment>,
    /// The day that ages in tags are counted from; `None`: no project is older than anything.
    pub as_of: Option<Moment>,
    /// Whether to begin with a small, typical batch.
    pub pilot: bool,
    /// The user's tags; the first that matches a project decides.
    pub tags: Vec<Tag>,
    /// Names to be changed on the way.
    pub renames: Vec<Rename>,
    /// Sources with settings of their own; others have none.
    pub sources: Vec<SourceRule>,
    /// Where datasets may lie; the first takes what no tag sends elsewhere. At least one.
    pub destinations: Vec<DestinationRule>,
}

/// Settings of one source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceRule {
    /// Its name.
    pub name: SourceName,
    /// Extra folder between the dataset and its projects; the root for none.
    pub under: RelPath,
}

/// One place that takes datasets.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DestinationRule {
    /// Its name.
    pub name: String,
    /// The parent dataset, `pool/archive`; `None` for plain folders.
    pub parent: Option<String>,
    /// It is only there after other batches: its own come when all else has moved.
    pub late: bool,
}

/// What has to be over before a pool has its disks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum After {
    /// This batch is released.
    Batch(BatchName),
    /// Every batch of this source is released.
    Source(SourceName),
}

/// A path of a source that gets another at the destination. The plan follows it for projects'
/// folders, the copy for what lies below them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rename {
    /// The path below the source's root.
    pub from: RelPath,
    /// What takes its place.
    pub to: RelPath,
}

/// Which projects a tag is for.
#[derive(Debug, Clone)]
pub enum Match {
    /// A regular expression, tried on the project's name: its path below the source.
    Pattern(Pattern),
    /// Names, as `survey` prints them.
    Projects(Vec<String>),
    /// All, as far as the tag's conditions go.
    All,
}

/// A regular expression that can be used.
#[derive(Debug, Clone)]
pub struct Pattern(Regex);

/// One rule of the user's. Texts may refer to named groups of the pattern: `${year}`.
#[derive(Debug, Clone)]
pub struct Tag {
    /// Which projects it is for.
    pub matches: Match,
    /// What it asks of them beside the name.
    pub only: Only,
    /// Sets the year. A group named `year` in the pattern does so by itself.
    pub year: Option<String>,
    /// Sets the dataset.
    pub dataset: Option<String>,
    /// Projects of one group stay in one dataset and, per source, in one batch.
    pub group: Option<String>,
    /// Sets the kind.
    pub kind: Option<String>,
    /// The project's folder at the destination, in place of its own path (`as` in `move.toml`).
    pub renamed: Option<String>,
    /// The destination.
    pub pool: Option<String>,
    /// Lower numbers first; projects without one come after all that have one.
    pub order: Option<i64>,
    /// The projects' batches wait until the user lets them go.
    pub hold: bool,
}

impl Pattern {
    /// Compiles a regular expression in the syntax of the regex crate.
    ///
    /// # Errors
    /// `bad-pattern` with what is wrong with it.
    pub fn new(text: &str) -> Result<Pattern, Trouble> {
        Regex::new(text).map(Pattern).map_err(|error| {
            let why = error.to_string();
            let why = why.lines().last().unwrap_or_default().trim().to_string();
            Trouble::usage("bad-pattern", format!("cannot read the pattern {text:?}: {why}"))
                .mend("Correct match = in this [[tag]]; a backslash needs 'single quotes' or doubling.")
        })
    }

    /// As it was written.
    pub fn as_str(&self) -> &str {
        self.0.as_str()
    }

    pub(super) fn regex(&self) -> &Regex {
        &self.0
    }
}

impl Tag {
    /// A tag that sets nothing yet.
    pub fn new(matches: Match) -> Tag {
        Tag {
            matches,
            only: Only::default(),
            year: None,
            dataset: None,
            group: None,
            kind: None,
            renamed: None,
            pool: None,
            order: None,
            hold: false,
        }
    }
}

impl PlanRules {
    /// Rules with the documented defaults: by year, 200 GB to 4 TB, oldest first, one destination.
    pub fn new(destination: DestinationRule) -> PlanRules {
        PlanRules {
            by: By::Year,
            batch_max: Bytes(4_000_000_000_000),
            batch_min: Bytes(200_000_000_000),
            order: Order::OldestFirst,
            quiet_since: None,
            as_of: None,
            pilot: true,
            tags: Vec::new(),
            renames: Vec::new(),
            sources: Vec::new(),
            destinations: vec![destination],
        }
    }

    /// The extra folder of a source; the root where it has none.
    pub fn under(&self, source: &SourceName) -> RelPath {
        let rule = self.sources.iter().find(|rule| rule.name == *source);
        rule.map(|rule| rule.under.clone()).unwrap_or_default()
    }
}
