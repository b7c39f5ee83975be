//! What a pool really holds and what these files really take: layouts, space, fill.
//!
//! The rules are those of OpenZFS, checked to the byte against tables measured on version 2.3.2
//! (`fixtures/zfs`). The pieces, in reading order:
//!
//! - [`layout`]: `2 x 7 raidz2 + 1` and what does not add up;
//! - [`geometry`]: what one block occupies on one vdev, and how `zfs list` counts it;
//! - [`space`]: from disks to the space available on the empty pool;
//! - [`records`], [`blocks`]: the blocks of one file at one recordsize;
//! - [`tally`]: the same for ten million files, kept so that any layout can be priced afterwards;
//! - [`priced`]: what some files take at every choice, added up by batch and dataset;
//! - [`mod@recommend`]: recordsize and compression for a dataset;
//! - [`disks`]: reading a whole disk, and read errors on the way;
//! - [`choice`]: layouts side by side and which to take;
//! - [`staging`]: several pools, disks that free up late, volume limits at the source;
//! - [`names`]: what a pool and a dataset may be called.

pub mod blocks;
pub mod choice;
pub mod disks;
pub mod geometry;
pub mod layout;
pub mod names;
pub mod priced;
pub mod recommend;
pub mod records;
pub mod space;
pub mod staging;
pub mod tally;

#[cfg(test)]
mod tests;

pub use blocks::FolderNames;
pub use choice::{
    Advice, Candidate, FillDates, LayoutRow, Question, YearlyGrowth, advise, compare, sensible_layouts,
};
pub use geometry::{Ashift, Geometry};
pub use layout::{Layout, Level};
pub use priced::Priced;
pub use recommend::{Recommendation, recommend, recommend_for};
pub use records::{Choice, Compression, RecordSize};
pub use space::{FillLimit, Space};
pub use tally::{SpaceTally, Taken};
