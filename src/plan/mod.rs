//! What we intend: projects placed into datasets and cut into batches.
//!
//! A plan is a value. It is made from surveys, the user's rules and what has begun already, sees
//! no clock, and is checked by separate code ([`check`]).

mod build;
pub mod check;
mod cut;
pub mod difference;
pub mod fit;
mod naming;
mod notes;
mod only;
mod pilot;
mod renames;
mod rules;
mod settle;
mod tags;
pub mod view;
pub mod why;
pub mod zfs;

#[cfg(test)]
mod tests;

pub use build::build;
pub use notes::{Decision, IdleTag, Limit, Notes, Remark, Verdict};
pub use only::{Days, Only, parse_kind, parse_years};
pub use renames::Renames;
pub use rules::{After, By, DestinationRule, Match, Order, Pattern, PlanRules, Rename, SourceRule, Tag};
pub use tags::{applies, project_name, unanswered, wished};

use crate::names::{BatchName, RelPath, SourceName};
use crate::sizes::SizeHistogram;
use crate::survey::{ProjectKey, ProjectSummary, Unplanned};
use crate::units::Amount;

/// The whole intention.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// Datasets in the order their first batch comes.
    pub datasets: Vec<Dataset>,
    /// Batches in the order they are carried out.
    pub batches: Vec<Batch>,
    /// What is in no batch, and why.
    pub unplanned: Vec<Unplanned>,
}

/// A container on the pool.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dataset {
    /// Legal dataset name, one component: `2019`.
    pub name: String,
    /// With the pool and the parent, `pool/archive/2019`; `None` where the destination is plain
    /// folders.
    pub full_name: Option<String>,
    /// The `[[destination]]` it lies on.
    pub destination: String,
    /// Its folder below the destination's path; the real name where the dataset has a slug.
    pub folder: RelPath,
    /// What its batches bring.
    pub amount: Amount,
    /// The spread of its file sizes.
    pub sizes: SizeHistogram,
}

/// The unit of work: whole projects of one dataset and one source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Batch {
    /// Its name; once begun never used again.
    pub name: BatchName,
    /// The dataset it fills.
    pub dataset: String,
    /// The source it comes from.
    pub source: SourceName,
    /// Its projects with their places.
    pub projects: Vec<Placed>,
    /// Files and bytes.
    pub amount: Amount,
    /// The spread of its file sizes.
    pub sizes: SizeHistogram,
    /// A small first batch that the forecast learns from.
    pub pilot: bool,
    /// Later files of projects that were moved before.
    pub delta: bool,
}

/// A project and where it lands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Placed {
    /// Which project of the batch's source.
    pub key: ProjectKey,
    /// Its folder below the dataset's folder; the root where the project is the dataset.
    pub place: RelPath,
}

/// What a plan is made from beside the rules.
#[derive(Debug, Clone, Copy, Default)]
pub struct Inputs<'a> {
    /// All projects of all sources, in any order.
    pub projects: &'a [ProjectSummary],
    /// Files of projects whose batch has begun that no begun batch holds: new or changed since.
    /// Each has only those files in its totals.
    pub late: &'a [ProjectSummary],
    /// Batches that have begun, finished ones included, in the order they began.
    pub locked: &'a [LockedBatch],
    /// What the surveys found that no batch can take.
    pub unplanned: &'a [Unplanned],
}

/// A batch that has begun: kept as it is, whatever the rules say now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LockedBatch {
    /// The batch, byte for byte.
    pub batch: Batch,
    /// The dataset it fills. Name, destination and folder are kept; its totals are made anew.
    pub dataset: Dataset,
}
