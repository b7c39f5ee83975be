//! One folder's entries in a compact form: what workers fill while they scan, and what blocks are
//! made from. About 100 bytes an entry and its name, no allocation an entry.

use crate::entry::{Entry, EntryKind, Listing, Named};
use crate::index::Totals;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::{Amount, Bytes};
use std::cmp::Ordering;

/// The facts of one entry in fixed width; what few entries have stands in [`Extra`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Row {
    pub start: u64,
    pub length: u32,
    pub kind: EntryKind,
    pub has_birth: bool,
    pub mode: u32,
    pub uid: u32,
    pub gid: u32,
    pub mtime_ns: u32,
    pub ctime_ns: u32,
    pub birth_ns: u32,
    pub size: u64,
    pub allocated: u64,
    pub mtime_s: i64,
    pub ctime_s: i64,
    pub birth_s: i64,
    pub inode: u64,
    pub links: u64,
}

/// What a symlink points to, or why an entry could not be read.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Extra {
    pub row: usize,
    pub target: Option<Vec<u8>>,
    pub error: Option<String>,
}

/// A folder and what it holds, ready for the index.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Folder {
    pub(super) path: RelPath,
    pub(super) names: Vec<u8>,
    pub(super) rows: Vec<Row>,
    pub(super) extras: Vec<Extra>,
}

impl Folder {
    /// A folder without entries so far.
    pub fn new(path: RelPath) -> Folder {
        Folder {
            path,
            ..Folder::default()
        }
    }

    /// A folder without entries so far, with room for some.
    pub fn with_room(path: RelPath, entries: usize, name_bytes: usize) -> Folder {
        Folder {
            path,
            names: Vec::with_capacity(name_bytes),
            rows: Vec::with_capacity(entries),
            extras: Vec::new(),
        }
    }

    /// Where it lies below the source's root.
    pub fn path(&self) -> &RelPath {
        &self.path
    }

    /// How many entries it holds.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether it holds none.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// About how many bytes it takes, the key that it is sorted by included.
    pub fn bytes(&self) -> usize {
        self.rows.len() * (size_of::<Row>() + 16) + self.names.len()
    }

    /// Adds an entry, in any order.
    pub fn push(&mut self, name: &[u8], entry: Entry) {
        let birth = entry.birth.unwrap_or_default();
        if entry.target.is_some() || entry.error.is_some() {
            self.extras.push(Extra {
                row: self.rows.len(),
                target: entry.target,
                error: entry.error,
            });
        }
        self.rows.push(Row {
            start: self.names.len() as u64,
            length: u32::try_from(name.len()).unwrap_or(u32::MAX),
            kind: entry.kind,
            has_birth: entry.birth.is_some(),
            mode: entry.mode,
            uid: entry.uid,
            gid: entry.gid,
            mtime_ns: entry.mtime.nanos,
            ctime_ns: entry.ctime.nanos,
            birth_ns: birth.nanos,
            size: entry.size.0,
            allocated: entry.allocated.0,
            mtime_s: entry.mtime.seconds,
            ctime_s: entry.ctime.seconds,
            birth_s: birth.seconds,
            inode: entry.inode,
            links: entry.links,
        });
        self.names.extend_from_slice(name);
    }

    /// Takes in the entries of another part of the same folder.
    pub fn append(&mut self, mut other: Folder) {
        let (names, rows) = (self.names.len() as u64, self.rows.len());
        self.names.append(&mut other.names);
        self.rows.extend(other.rows.iter().map(|row| Row {
            start: row.start + names,
            ..*row
        }));
        self.extras.extend(other.extras.into_iter().map(|extra| Extra {
            row: extra.row + rows,
            ..extra
        }));
    }

    pub(super) fn name_of(&self, row: &Row) -> &[u8] {
        let start = row.start as usize;
        self.names.get(start..start + row.length as usize).unwrap_or(b"")
    }

    /// Brings the entries into byte order of their names. A name that a server listed twice (its
    /// folder changed while it was read) is kept once.
    pub fn sort(&mut self) {
        let sorted = self
            .rows
            .windows(2)
            .all(|pair| self.name_of(&pair[0]) < self.name_of(&pair[1]));
        if sorted {
            return;
        }
        let order = self.name_order();
        let mut places = vec![
            usize::MAX;
            if self.extras.is_empty() {
                0
            } else {
                self.rows.len()
            }
        ];
        let mut rows: Vec<Row> = Vec::with_capacity(self.rows.len());
        let mut names = Vec::with_capacity(self.names.len());
        let mut last: Option<Row> = None;
        for at in order {
            let row = self.rows[at as usize];
            if last.is_some_and(|last| self.name_of(&last) == self.name_of(&row)) {
                continue;
            }
            if let Some(place) = places.get_mut(at as usize) {
                *place = rows.len();
            }
            let start = names.len() as u64;
            names.extend_from_slice(self.name_of(&row));
            rows.push(Row { start, ..row });
            last = Some(row);
        }
        for extra in &mut self.extras {
            extra.row = places[extra.row];
        }
        self.extras.retain(|extra| extra.row != usize::MAX);
        self.extras.sort_by_key(|extra| extra.row);
        self.rows = rows;
        self.names = names;
    }

    /// Row numbers in byte order of names. Names in one folder often begin alike, so the key that
    /// is compared first is the eight bytes after what all have in common.
    fn name_order(&self) -> Vec<u32> {
        let Some(first) = self.rows.first().map(|row| self.name_of(row)) else {
            return Vec::new();
        };
        let common = self.rows.iter().fold(first.len(), |common, row| {
            let name = self.name_of(row);
            first[..common]
                .iter()
                .zip(name)
                .take_while(|(a, b)| a == b)
                .count()
        });
        let mut keyed: Vec<(u64, u32)> = self
            .rows
            .iter()
            .zip(0u32..)
            .map(|(row, at)| (leading(&self.name_of(row)[common..]), at))
            .collect();
        let by = |a: &(u64, u32), b: &(u64, u32)| {
            let name = |at: u32| self.name_of(&self.rows[at as usize]);
            a.0.cmp(&b.0)
                .then_with(|| name(a.1)[common..].cmp(&name(b.1)[common..]))
                .then(a.1.cmp(&b.1))
        };
        keyed.sort_unstable_by(by);
        keyed.into_iter().map(|(_, at)| at).collect()
    }

    /// Adds its entries to totals.
    pub(super) fn count_into(&self, totals: &mut Totals) {
        for row in &self.rows {
            match row.kind {
                EntryKind::File => {
                    totals.files.add(Amount::one(Bytes(row.size)));
                    totals.allocated = totals.allocated.plus(Bytes(row.allocated));
                }
                EntryKind::Directory => totals.directories += 1,
                EntryKind::Symlink => totals.symlinks += 1,
                EntryKind::Special => totals.special += 1,
                EntryKind::Unknown => {}
            }
        }
        totals.entries += self.rows.len() as u64;
        totals.unreadable += self.extras.iter().filter(|e| e.error.is_some()).count() as u64;
    }

    /// The row of a name; the folder must be sorted.
    pub(super) fn find(&self, name: &[u8]) -> Option<usize> {
        self.rows.binary_search_by(|row| self.name_of(row).cmp(name)).ok()
    }

    /// Notes an error beside an entry.
    pub(super) fn set_error(&mut self, row: usize, error: String) {
        match self.extras.binary_search_by_key(&row, |extra| extra.row) {
            Ok(at) => self.extras[at].error = Some(error),
            Err(at) => self.extras.insert(
                at,
                Extra {
                    row,
                    target: None,
                    error: Some(error),
                },
            ),
        }
    }

    /// One entry in the words of floor 0; the folder must be sorted.
    pub(super) fn entry(&self, at: usize) -> Option<Entry> {
        let row = self.rows.get(at)?;
        let extra = self.extras.binary_search_by_key(&at, |extra| extra.row);
        let extra = extra.ok().map(|at| &self.extras[at]);
        let moment = |seconds, nanos| Moment { seconds, nanos };
        Some(Entry {
            kind: row.kind,
            size: Bytes(row.size),
            allocated: Bytes(row.allocated),
            mtime: moment(row.mtime_s, row.mtime_ns),
            ctime: moment(row.ctime_s, row.ctime_ns),
            birth: row.has_birth.then_some(moment(row.birth_s, row.birth_ns)),
            inode: row.inode,
            links: row.links,
            mode: row.mode,
            uid: row.uid,
            gid: row.gid,
            target: extra.and_then(|extra| extra.target.clone()),
            error: extra.and_then(|extra| extra.error.clone()),
        })
    }

    /// The listing in the words of floor 0; the folder must be sorted.
    pub(super) fn listing(&self) -> Listing {
        let named = |(at, row)| {
            Some(Named {
                name: self.name_of(row).to_vec(),
                entry: self.entry(at)?,
            })
        };
        Listing {
            folder: self.path.clone(),
            children: self.rows.iter().enumerate().filter_map(named).collect(),
        }
    }
}

/// The first eight bytes as a number that orders as they do; shorter names come first.
pub(super) fn leading(name: &[u8]) -> u64 {
    let mut bytes = [0u8; 8];
    let length = name.len().min(8);
    bytes[..length].copy_from_slice(&name[..length]);
    u64::from_be_bytes(bytes)
}

/// The order of folders in an index: parents before their children, siblings in byte order. A
/// slash counts as lower than any byte a name can hold.
pub(super) fn folder_order(a: &[u8], b: &[u8]) -> Ordering {
    let low = |byte: &u8| if *byte == b'/' { 0 } else { *byte };
    a.iter().map(low).cmp(b.iter().map(low))
}
