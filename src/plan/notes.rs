//! What a plan has to say beside itself: which rule decided, what is open, where limits gave way.

use crate::moment::Year;
use crate::names::{BatchName, SourceName};
use crate::survey::{ProjectKey, Question};
use crate::units::Bytes;

/// All of it. Lists are in a fixed order, so that the same input gives the same notes.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Notes {
    /// How each project that was placed anew came to its place, by source and key.
    pub decisions: Vec<Decision>,
    /// Tags that decided nothing.
    pub idle_tags: Vec<IdleTag>,
    /// Names in tags that no project has: (number of the tag from 1, the name, the nearest names).
    pub unknown_names: Vec<(usize, String, Vec<String>)>,
    /// What only the user can decide.
    pub questions: Vec<Question>,
    /// Batches outside the limits, and why they are.
    pub verdicts: Vec<Verdict>,
    /// Batches that the user's tags hold.
    pub held: Vec<BatchName>,
    /// Batches of projects in use.
    pub in_use: Vec<BatchName>,
    /// Anything else worth a line.
    pub remarks: Vec<Remark>,
}

/// How one project came to its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decision {
    /// On which source.
    pub source: SourceName,
    /// Which project.
    pub key: ProjectKey,
    /// Its year after tags.
    pub year: Option<Year>,
    /// The tag that matched first, counted from 1.
    pub tag: Option<usize>,
    /// Whether the tag set the year.
    pub year_by_tag: bool,
    /// The group it moves with.
    pub group: Option<String>,
    /// What the dataset was chosen by: `the year 2019`, `tag 2`.
    pub dataset_by: String,
    /// The dataset's name.
    pub dataset: String,
    /// Its files are too young: it waits for the end.
    pub in_use: bool,
    /// A tag holds it.
    pub held: bool,
}

/// A tag that decided nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IdleTag {
    /// Counted from 1.
    pub number: usize,
    /// It matches projects, but an earlier tag always comes first; that tag's number.
    pub behind: Option<usize>,
}

/// A batch outside the limits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    /// Which batch.
    pub batch: BatchName,
    /// What is wrong and cannot be helped.
    pub limit: Limit,
    /// Its bytes.
    pub bytes: Bytes,
}

/// Which limit gave way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Limit {
    /// One project or group alone is larger than the maximum.
    AboveMax,
    /// All there is, or all that fits beside its neighbours, is smaller than the minimum.
    BelowMin,
}

/// A line worth reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark {
    /// Fixed kebab-case word.
    pub code: &'static str,
    /// A sentence.
    pub text: String,
}

impl Verdict {
    /// A sentence.
    pub fn words(&self) -> String {
        let (name, bytes) = (&self.batch, self.bytes);
        match self.limit {
            Limit::AboveMax => format!(
                "Batch {name} has {bytes}, more than the maximum: one project or group is never split."
            ),
            Limit::BelowMin => format!(
                "Batch {name} has {bytes}, less than the minimum: nothing that may join it fits beside it."
            ),
        }
    }
}

impl IdleTag {
    /// A sentence.
    pub fn words(&self) -> String {
        match self.behind {
            None => format!("Tag {} matches no project.", self.number),
            Some(first) => format!(
                "Tag {} decides nothing: where it matches, tag {first} comes first.",
                self.number
            ),
        }
    }
}
