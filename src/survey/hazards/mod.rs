//! What will go wrong: every sort of hazard, how often it was met, a few examples.

pub(super) mod beside;
pub(super) mod files;
pub(super) mod links;
pub(super) mod names;
pub(super) mod siblings;
pub(super) mod spelling;
mod table;

pub use table::Sort;

use crate::names::RelPath;
use crate::survey::Hazard;
use std::collections::BTreeMap;

/// How many examples are kept of anything.
pub const EXAMPLES: usize = 5;

/// One sort's record.
#[derive(Debug, Clone, Default)]
struct Row {
    count: u64,
    examples: Vec<RelPath>,
    /// Said instead of the table's sentence, where figures belong in it.
    words: Option<String>,
}

/// Counts hazards.
#[derive(Debug, Default)]
pub struct Tally {
    rows: BTreeMap<Sort, Row>,
}

impl Tally {
    /// Counts the entry `name` of `folder`.
    pub fn note(&mut self, sort: Sort, folder: &RelPath, name: &[u8]) {
        let row = self.rows.entry(sort).or_default();
        row.count += 1;
        if row.examples.len() < EXAMPLES {
            row.examples.extend(folder.join(name).ok());
        }
    }

    /// Counts a path.
    pub fn note_path(&mut self, sort: Sort, path: &RelPath) {
        self.note_many(sort, 1, std::iter::once(path.clone()));
    }

    /// Counts several at once.
    pub fn note_many(&mut self, sort: Sort, count: u64, examples: impl IntoIterator<Item = RelPath>) {
        if count == 0 {
            return;
        }
        let row = self.rows.entry(sort).or_default();
        row.count = row.count.saturating_add(count);
        let room = EXAMPLES.saturating_sub(row.examples.len());
        row.examples.extend(examples.into_iter().take(room));
    }

    /// Puts a sentence of its own in the place of the table's.
    pub fn say(&mut self, sort: Sort, words: String) {
        if let Some(row) = self.rows.get_mut(&sort) {
            row.words = Some(words);
        }
    }

    /// All that were met: gravest first, then by how many.
    pub fn finish(self) -> Vec<Hazard> {
        let mut found: Vec<Hazard> = self
            .rows
            .into_iter()
            .map(|(sort, row)| Hazard {
                kind: sort.kind(),
                effect: sort.effect(),
                count: row.count,
                examples: row.examples,
                words: row.words.unwrap_or_else(|| sort.words().to_string()),
            })
            .collect();
        found.sort_by_key(|hazard| (hazard.effect, std::cmp::Reverse(hazard.count), hazard.kind));
        found
    }
}
