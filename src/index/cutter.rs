//! Folders in order in, encoded blocks in order out. Where a block ends depends on the entries
//! alone, never on timing, so the same tree gives the same blocks.

use crate::index::block::{self, Piece};
use crate::index::folder::Folder;
use crate::index::table::BlockRef;
use crate::trouble::Trouble;
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};
use std::sync::Arc;

/// Entries in a full block. An empty folder counts as one.
pub(super) const BLOCK_ENTRIES: usize = 32_768;

/// The same in a run set aside: while runs are merged, two blocks of each are in memory.
pub(super) const RUN_ENTRIES: usize = 4_096;

/// This many full blocks are encoded at once, by as many threads as there are.
const AT_ONCE: usize = 32;

/// An encoded block; the offset in its reference is set by whoever stores it.
pub(super) struct Encoded {
    pub bytes: Vec<u8>,
    pub place: BlockRef,
}

/// Cuts folders into blocks and hands the encoded ones to `store` in order.
pub(super) struct Cutter<S> {
    full: Vec<Vec<Piece>>,
    open: Vec<Piece>,
    filled: usize,
    block: usize,
    store: S,
}

impl<S: FnMut(Encoded) -> Result<(), Trouble>> Cutter<S> {
    /// With nothing in it; `block` entries fill a block.
    pub fn new(block: usize, store: S) -> Cutter<S> {
        Cutter {
            full: Vec::new(),
            open: Vec::new(),
            filled: 0,
            block,
            store,
        }
    }

    /// Adds the next folder in order; it must be sorted.
    pub fn push(&mut self, folder: Arc<Folder>) -> Result<(), Trouble> {
        let mut from = 0;
        loop {
            let room = (self.block - self.filled).min(folder.len() - from);
            let rows = from..from + room;
            from = rows.end;
            self.filled += room.max(1);
            self.open.push(Piece {
                folder: Arc::clone(&folder),
                rows,
            });
            if self.filled >= self.block {
                self.close()?;
            }
            if from == folder.len() {
                return Ok(());
            }
        }
    }

    fn close(&mut self) -> Result<(), Trouble> {
        self.full.push(std::mem::take(&mut self.open));
        self.filled = 0;
        if self.full.len() == AT_ONCE {
            self.encode()?;
        }
        Ok(())
    }

    /// Encodes what is left.
    pub fn finish(mut self) -> Result<(), Trouble> {
        if !self.open.is_empty() {
            self.full.push(std::mem::take(&mut self.open));
        }
        self.encode()
    }

    fn encode(&mut self) -> Result<(), Trouble> {
        let full = std::mem::take(&mut self.full);
        let encoded: Vec<Result<Encoded, Trouble>> = if full.len() == 1 {
            full.iter().map(|pieces| encode_one(pieces)).collect()
        } else {
            full.par_iter().map(|pieces| encode_one(pieces)).collect()
        };
        for block in encoded {
            (self.store)(block?)?;
        }
        Ok(())
    }
}

fn encode_one(pieces: &[Piece]) -> Result<Encoded, Trouble> {
    let bytes = block::encode(pieces).map_err(Trouble::defect)?;
    let first = pieces.first();
    let name = first
        .filter(|piece| piece.rows.start > 0)
        .and_then(|piece| piece.folder.rows.get(piece.rows.start))
        .zip(first)
        .map(|(row, piece)| piece.folder.name_of(row).to_vec());
    Ok(Encoded {
        place: BlockRef {
            offset: 0,
            length: bytes.len() as u64,
            entries: pieces.iter().map(|piece| piece.rows.len() as u64).sum(),
            folder: first.map_or(Vec::new(), |piece| piece.folder.path().as_bytes().to_vec()),
            name: name.unwrap_or_default(),
        },
        bytes,
    })
}
