//! Folders in order in, encoded blocks in order out. Where a block ends depends on the entries
//! alone, never on timing, so the same tree gives the same blocks.

use crate::index::block::{self, Piece};
use crate::index::folder::Folder;
use crate::index::join::Scattered;
use crate::index::table::BlockRef;
use crate::trouble::Trouble;
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};
use std::sync::Arc;

/// Entries in a full block. An empty folder counts as one.
pub(super) const BLOCK_ENTRIES: usize = 32_768;

/// The same in a run set aside: while runs are merged, two blocks of each are in memory.
pub(super) const RUN_ENTRIES: usize = 4_096;

/// Whether a folder of so many entries has blocks of its own: where the next folder begins a new
/// one, they can be encoded before it is known what comes before and after.
pub(super) fn has_own_blocks(entries: usize) -> bool {
    entries > 2 * BLOCK_ENTRIES
}

/// This many full blocks are encoded at once, by as many threads as there are.
const AT_ONCE: usize = 32;

/// An encoded block; the offset in its reference is set by whoever stores it.
pub(super) struct Encoded {
    pub bytes: Vec<u8>,
    pub place: BlockRef,
}

/// A block in order.
pub(super) enum Block {
    /// Encoded just now, to be stored.
    New(Encoded),
    /// Stored before.
    Stored(BlockRef),
}

/// Cuts folders into blocks and hands the encoded ones to `store` in order.
pub(super) struct Cutter<S> {
    full: Vec<Vec<Piece>>,
    open: Vec<Piece>,
    filled: usize,
    block: usize,
    store: S,
}

impl<S: FnMut(Block) -> Result<(), Trouble>> Cutter<S> {
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
        if has_own_blocks(folder.len()) {
            self.close()?;
        }
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
                break;
            }
        }
        match has_own_blocks(folder.len()) {
            true => self.close(),
            false => Ok(()),
        }
    }

    /// Adds the blocks of a folder that has its own.
    pub fn add_stored(&mut self, blocks: Vec<BlockRef>) -> Result<(), Trouble> {
        self.close()?;
        self.encode()?;
        blocks
            .into_iter()
            .try_for_each(|block| (self.store)(Block::Stored(block)))
    }

    /// Ends the open block.
    fn close(&mut self) -> Result<(), Trouble> {
        if self.open.is_empty() {
            return Ok(());
        }
        self.full.push(std::mem::take(&mut self.open));
        self.filled = 0;
        if self.full.len() == AT_ONCE {
            self.encode()?;
        }
        Ok(())
    }

    /// Encodes what is left.
    pub fn finish(mut self) -> Result<(), Trouble> {
        self.close()?;
        self.encode()
    }

    fn encode(&mut self) -> Result<(), Trouble> {
        let full = std::mem::take(&mut self.full);
        let one = |pieces: &Vec<Piece>| {
            let goes_on = pieces.first().is_some_and(|piece| piece.rows.start > 0);
            encode_one(pieces, goes_on)
        };
        let encoded: Vec<Result<Encoded, Trouble>> = if full.len() == 1 {
            full.iter().map(one).collect()
        } else {
            full.par_iter().map(one).collect()
        };
        for block in encoded {
            (self.store)(Block::New(block?))?;
        }
        Ok(())
    }
}

/// Cuts a large folder that was never in one piece into the blocks that [`Cutter`] would make of it;
/// `block` entries fill one.
pub(super) fn cut_scattered(
    folder: &Scattered,
    block: usize,
    mut store: impl FnMut(Encoded) -> Result<(), Trouble>,
) -> Result<(), Trouble> {
    let starts: Vec<usize> = (0..folder.len()).step_by(block).collect();
    let encode = |start: &usize| {
        let end = (*start + block).min(folder.len());
        let piece = Piece {
            folder: Arc::new(folder.stretch(*start..end)),
            rows: 0..end - *start,
        };
        encode_one(&[piece], *start > 0)
    };
    for some in starts.chunks(AT_ONCE) {
        let encoded: Vec<Result<Encoded, Trouble>> = some.par_iter().map(encode).collect();
        encoded.into_iter().try_for_each(|block| store(block?))?;
    }
    Ok(())
}

/// Encodes a block; `goes_on`: with a folder that an earlier one began.
pub(super) fn encode_one(pieces: &[Piece], goes_on: bool) -> Result<Encoded, Trouble> {
    let bytes = block::encode(pieces).map_err(Trouble::defect)?;
    let first = pieces.first();
    let name = first
        .filter(|_| goes_on)
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
