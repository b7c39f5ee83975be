//! A folder too long for memory: its parts are sorted and set aside as runs while it is read, and
//! merged into its blocks at the end.

use crate::index::block::Piece;
use crate::index::cutter::{BLOCK_ENTRIES, Cutter, Encoded, RUN_ENTRIES, cut_scattered, encode_one};
use crate::index::folder::{Extra, Folder, Row};
use crate::index::join::Held;
use crate::index::reader::Store;
use crate::index::table::BlockRef;
use crate::index::{Totals, cutter};
use crate::names::RelPath;
use crate::trouble::Trouble;
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};
use std::sync::Arc;

/// Merged blocks that are encoded at once: 32,768 entries take some 5 MB.
const AT_ONCE: usize = 8;

/// Some entries of one folder, sorted and set aside.
pub struct Run {
    pub(super) blocks: Vec<BlockRef>,
}

/// Sorts parts of a folder and hands encoded blocks of a run to `store`.
pub(super) fn cut_run(
    path: &RelPath,
    parts: Vec<Folder>,
    mut store: impl FnMut(Encoded) -> Result<(), Trouble>,
) -> Result<(), Trouble> {
    match Held::join(path.clone(), parts) {
        Held::Scattered(scattered) => cut_scattered(&scattered, RUN_ENTRIES, store),
        Held::Whole(folder) => {
            let mut cutter = Cutter::new(RUN_ENTRIES, |block| match block {
                cutter::Block::New(new) => store(new),
                cutter::Block::Stored(_) => Ok(()),
            });
            cutter.push(Arc::new(folder))?;
            cutter.finish()
        }
    }
}

/// The entries of all runs in order, each name once.
pub(super) struct Merged {
    path: RelPath,
    cursors: Vec<Cursor>,
    /// Those that are not at their end, by the name they stand at, the least last.
    order: Vec<usize>,
    last: Vec<u8>,
}

/// Where a run is read.
struct Cursor {
    store: Store,
    next: usize,
    folder: Folder,
    row: usize,
    /// How many rows with something beside them were passed.
    extra: usize,
}

impl Cursor {
    /// At the first entry of a run; `None` where it has none.
    fn open(store: Store) -> Result<Option<Cursor>, Trouble> {
        let mut cursor = Cursor {
            store,
            next: 0,
            folder: Folder::default(),
            row: 0,
            extra: 0,
        };
        Ok(cursor.settle()?.then_some(cursor))
    }

    fn name(&self) -> &[u8] {
        self.row().map_or(b"", |row| self.folder.name_of(row))
    }

    fn row(&self) -> Option<&Row> {
        self.folder.rows.get(self.row)
    }

    /// Goes on to the next entry, if there is one.
    fn advance(&mut self) -> Result<bool, Trouble> {
        self.extra += usize::from(self.beside().is_some());
        self.row += 1;
        self.settle()
    }

    fn settle(&mut self) -> Result<bool, Trouble> {
        while self.row >= self.folder.len() {
            if self.next >= self.store.blocks.len() {
                return Ok(false);
            }
            let mut folders = self.store.read(self.next)?;
            self.next += 1;
            self.folder = folders.pop().unwrap_or_default();
            (self.row, self.extra) = (0, 0);
        }
        Ok(true)
    }

    fn beside(&self) -> Option<&Extra> {
        let next = self.folder.extras.get(self.extra);
        next.filter(|extra| extra.row == self.row)
    }
}

impl Merged {
    pub fn new(path: RelPath, stores: Vec<Store>) -> Result<Merged, Trouble> {
        let mut merged = Merged {
            path,
            cursors: Vec::new(),
            order: Vec::new(),
            last: Vec::new(),
        };
        for store in stores {
            if let Some(cursor) = Cursor::open(store)? {
                merged.cursors.push(cursor);
                merged.put(merged.cursors.len() - 1);
            }
        }
        Ok(merged)
    }

    fn put(&mut self, cursor: usize) {
        let name = |at: &usize| self.cursors[*at].name();
        let at = self.order.partition_point(|other| name(other) > name(&cursor));
        self.order.insert(at, cursor);
    }

    /// The next entries, as many as fill a block; none at the end.
    fn stretch(&mut self) -> Result<Folder, Trouble> {
        let mut out = Folder::with_room(self.path.clone(), BLOCK_ENTRIES, 0);
        while out.len() < BLOCK_ENTRIES {
            let Some(least) = self.order.pop() else {
                break;
            };
            let cursor = &mut self.cursors[least];
            if let Some(row) = cursor.row().filter(|_| cursor.name() != self.last) {
                let (name, start) = (cursor.folder.name_of(row), out.names.len() as u64);
                out.extras.extend(cursor.beside().map(|extra| Extra {
                    row: out.rows.len(),
                    ..extra.clone()
                }));
                out.rows.push(Row { start, ..*row });
                out.names.extend_from_slice(name);
                self.last.clear();
                self.last.extend_from_slice(name);
            }
            if cursor.advance()? {
                self.put(least);
            }
        }
        Ok(out)
    }

    /// Encodes all there is as the blocks of its own that a long folder has, and counts it.
    pub fn cut(
        &mut self,
        totals: &mut Totals,
        mut store: impl FnMut(Encoded) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        let mut goes_on = false;
        loop {
            let mut pieces = Vec::with_capacity(AT_ONCE);
            while pieces.len() < AT_ONCE {
                let folder = self.stretch()?;
                if folder.is_empty() {
                    break;
                }
                folder.count_into(totals);
                let rows = 0..folder.len();
                let folder = Arc::new(folder);
                pieces.push((Piece { folder, rows }, goes_on));
                goes_on = true;
            }
            if pieces.is_empty() {
                return Ok(());
            }
            let encode = |(piece, goes_on): &(Piece, bool)| encode_one(std::slice::from_ref(piece), *goes_on);
            let encoded: Vec<Result<Encoded, Trouble>> = pieces.par_iter().map(encode).collect();
            encoded.into_iter().try_for_each(|block| store(block?))?;
        }
    }
}
