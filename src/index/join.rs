//! One sorted folder from the parts that several threads have filled. For a folder of a million
//! entries this is the step that would leave all threads but one idle, so each pass over the
//! entries is shared between them.

use crate::index::folder::{Extra, Folder, Row, leading};
use crate::names::RelPath;
use rayon::iter::{IndexedParallelIterator, IntoParallelIterator, IntoParallelRefIterator, ParallelIterator};
use rayon::slice::{ParallelSlice, ParallelSliceMut};
use std::collections::HashMap;

/// Entries whose names are copied by one thread in one go.
const STRETCH: usize = 16_384;

/// An entry's place: the eight bytes of its name after what all names share, its part, its row.
type Key = (u64, u32, u32);

impl Folder {
    /// Joins parts of the same folder and brings the entries into byte order of their names.
    pub fn join(path: RelPath, mut parts: Vec<Folder>) -> Folder {
        if parts.len() < 2 {
            let mut folder = parts.pop().unwrap_or_default();
            folder.path = path;
            folder.sort();
            return folder;
        }
        let order = order_of(&parts);
        // Names whose next eight bytes differ are not looked at again.
        let same = |a: &Key, b: &Key| a.0 == b.0 && name_at(&parts, a) == name_at(&parts, b);
        let twice = order.par_windows(2).any(|pair| same(&pair[0], &pair[1]));
        if twice {
            return one_by_one(path, parts);
        }
        let mut starts = Vec::with_capacity(order.len());
        let lengths: Vec<u32> = order.par_iter().map(|key| row_at(&parts, key).length).collect();
        let mut end = 0u64;
        for length in lengths {
            starts.push(end);
            end += u64::from(length);
        }
        let place = |(key, start): (&Key, &u64)| Row {
            start: *start,
            ..*row_at(&parts, key)
        };
        Folder {
            path,
            rows: order.par_iter().zip(starts.par_iter()).map(place).collect(),
            names: names_of(&parts, &order, &starts, end as usize),
            extras: extras_of(&mut parts, &order),
        }
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

fn names_of(parts: &[Folder], order: &[Key], starts: &[u64], total: usize) -> Vec<u8> {
    let mut names = vec![0u8; total];
    let mut rest = names.as_mut_slice();
    let mut stretches = Vec::with_capacity(order.len() / STRETCH + 1);
    for (at, keys) in order.chunks(STRETCH).enumerate() {
        let from = starts[at * STRETCH] as usize;
        let to = starts
            .get((at + 1) * STRETCH)
            .map_or(total, |start| *start as usize);
        let (mine, others) = rest.split_at_mut(to - from);
        stretches.push((keys, mine));
        rest = others;
    }
    stretches.into_par_iter().for_each(|(keys, mine)| {
        let mut at = 0;
        for key in keys {
            let name = name_at(parts, key);
            mine[at..at + name.len()].copy_from_slice(name);
            at += name.len();
        }
    });
    names
}

fn extras_of(parts: &mut [Folder], order: &[Key]) -> Vec<Extra> {
    let mut by_place: HashMap<(u32, u32), Extra> = HashMap::new();
    for (part, at) in parts.iter_mut().zip(0u32..) {
        let extras = std::mem::take(&mut part.extras);
        by_place.extend(extras.into_iter().map(|extra| ((at, extra.row as u32), extra)));
    }
    if by_place.is_empty() {
        return Vec::new();
    }
    let placed = |(row, key): (usize, &Key)| {
        Some(Extra {
            row,
            ..by_place.remove(&(key.1, key.2))?
        })
    };
    order.iter().enumerate().filter_map(placed).collect()
}

/// The plain way, for a folder whose server listed a name twice.
fn one_by_one(path: RelPath, parts: Vec<Folder>) -> Folder {
    let mut folder = Folder::new(path);
    parts.into_iter().for_each(|part| folder.append(part));
    folder.sort();
    folder
}
