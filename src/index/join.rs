//! One folder from the parts that several threads have filled, in the order of names.
//!
//! A folder of a million entries would leave all threads but one idle here, so each pass over the
//! entries is shared between them; and it is never copied as a whole: the order is found by keys,
//! and each block gathers its own entries when it is encoded.

use crate::index::Totals;
use crate::index::cutter::has_own_blocks;
use crate::index::folder::{Extra, Folder, Row, leading};
use crate::names::RelPath;
use rayon::iter::{IndexedParallelIterator, IntoParallelRefIterator, ParallelIterator};
use rayon::slice::{ParallelSlice, ParallelSliceMut};
use std::ops::Range;

/// An entry's place: the eight bytes of its name after what all names share, its part, its row.
type Key = (u64, u32, u32);

/// A folder that was read.
pub enum Held {
    /// In one piece.
    Whole(Folder),
    /// A large one, as it was read, with the order of its entries beside it.
    Scattered(Scattered),
}

/// Parts of one folder and the order of their entries; no name twice.
pub struct Scattered {
    path: RelPath,
    parts: Vec<Folder>,
    order: Vec<Key>,
}

impl Held {
    /// Joins parts of the same folder.
    pub fn join(path: RelPath, mut parts: Vec<Folder>) -> Held {
        if parts.len() < 2 {
            let mut folder = parts.pop().unwrap_or_default();
            folder.path = path;
            folder.sort();
            return Held::Whole(folder);
        }
        let order = order_of(&parts);
        // Names whose next eight bytes differ are not looked at again.
        let same = |a: &Key, b: &Key| a.0 == b.0 && name_at(&parts, a) == name_at(&parts, b);
        let twice = order.par_windows(2).any(|pair| same(&pair[0], &pair[1]));
        if twice {
            return Held::Whole(one_by_one(path, parts));
        }
        let scattered = Scattered { path, parts, order };
        match has_own_blocks(scattered.len()) {
            true => Held::Scattered(scattered),
            false => Held::Whole(scattered.stretch(0..scattered.len())),
        }
    }

    /// How many entries it holds.
    pub fn len(&self) -> usize {
        match self {
            Held::Whole(folder) => folder.len(),
            Held::Scattered(scattered) => scattered.len(),
        }
    }

    /// Whether it holds none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

impl Scattered {
    pub(super) fn path(&self) -> &RelPath {
        &self.path
    }

    pub(super) fn len(&self) -> usize {
        self.order.len()
    }

    pub(super) fn count_into(&self, totals: &mut Totals) {
        self.parts.iter().for_each(|part| part.count_into(totals));
    }

    /// Some of its entries in order, in one piece.
    pub(super) fn stretch(&self, rows: Range<usize>) -> Folder {
        let keys = &self.order[rows];
        let bytes = keys
            .iter()
            .map(|key| row_at(&self.parts, key).length as usize)
            .sum();
        let mut folder = Folder::with_room(self.path.clone(), keys.len(), bytes);
        for key in keys {
            let part = &self.parts[key.1 as usize];
            let row = &part.rows[key.2 as usize];
            let extra = match part.extras.is_empty() {
                true => None,
                false => {
                    let at = part
                        .extras
                        .binary_search_by_key(&(key.2 as usize), |extra| extra.row);
                    at.ok().and_then(|at| part.extras.get(at))
                }
            };
            folder.extras.extend(extra.map(|extra| Extra {
                row: folder.rows.len(),
                ..extra.clone()
            }));
            folder.rows.push(Row {
                start: folder.names.len() as u64,
                ..*row
            });
            folder.names.extend_from_slice(part.name_of(row));
        }
        folder
    }
}

fn row_at<'p>(parts: &'p [Folder], key: &Key) -> &'p Row {
    &parts[key.1 as usize].rows[key.2 as usize]
}

fn name_at<'p>(parts: &'p [Folder], key: &Key) -> &'p [u8] {
    let part = &parts[key.1 as usize];
    part.name_of(&part.rows[key.2 as usize])
}

/// Names in one folder often begin alike, so what all share is not compared.
fn order_of(parts: &[Folder]) -> Vec<Key> {
    let first = parts
        .iter()
        .find_map(|part| part.rows.first().map(|row| part.name_of(row)));
    let Some(first) = first else {
        return Vec::new();
    };
    let shared = |part: &Folder| {
        part.rows.iter().fold(first.len(), |most, row| {
            first[..most]
                .iter()
                .zip(part.name_of(row))
                .take_while(|(a, b)| a == b)
                .count()
        })
    };
    let common = parts.par_iter().map(shared).min().unwrap_or(0);
    let mut order: Vec<Key> = parts
        .par_iter()
        .zip(0u32..parts.len() as u32)
        .flat_map_iter(|(part, at)| {
            let rows = part.rows.iter().zip(0u32..);
            rows.map(move |(row, number)| (leading(&part.name_of(row)[common..]), at, number))
        })
        .collect();
    order.par_sort_unstable_by(|a, b| {
        let rest = |key: &Key| &name_at(parts, key)[common..];
        a.0.cmp(&b.0).then_with(|| rest(a).cmp(rest(b)))
    });
    order
}

/// The plain way, for a folder whose server listed a name twice.
fn one_by_one(path: RelPath, parts: Vec<Folder>) -> Folder {
    let mut folder = Folder::new(path);
    parts.into_iter().for_each(|part| folder.append(part));
    folder.sort();
    folder
}
