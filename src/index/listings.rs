//! An index read folder by folder, in the words of floor 0.
//!
//! A folder longer than a block comes in parts. Each is turned into entries as it is decoded, so
//! that a folder of a million is never in memory in both forms; and who can do with a piece at a time
//! never has all of it in any form.

use crate::entry::{Listing, Piece};
use crate::index::cutter::BLOCK_ENTRIES;
use crate::index::folder::{Folder, folder_order};
use crate::index::reader::Store;
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::cmp::Ordering;
use std::collections::VecDeque;

/// A folder with no more entries than this comes in one piece, and longer ones in pieces that are
/// ended as soon as they have that many: some 15 MB.
const LEAST_PIECE: usize = 2 * BLOCK_ENTRIES;

/// Pieces of listings in order, decoded as they are asked for. After an error nothing more comes.
pub struct Pieces {
    store: Store,
    next: usize,
    begun: bool,
    ready: VecDeque<Part>,
    below: RelPath,
    done: bool,
    /// Leaves out how long folders go on.
    heads: bool,
    /// Leaves out what lies below the wanted folder.
    alone: bool,
}

/// A folder as far as it was decoded.
struct Part {
    held: Held,
    from: Vec<u8>,
    next: Option<Vec<u8>>,
}

enum Held {
    /// All in one block so far. What lies outside the wanted folder is never more than this.
    Block(Folder),
    Long(Listing),
}

impl Held {
    fn listing(self) -> Listing {
        match self {
            Held::Block(folder) => folder.listing(),
            Held::Long(listing) => listing,
        }
    }
}

impl Part {
    fn path(&self) -> &RelPath {
        match &self.held {
            Held::Block(folder) => folder.path(),
            Held::Long(listing) => &listing.folder,
        }
    }

    fn is_full(&self) -> bool {
        let length = match &self.held {
            Held::Block(folder) => folder.len(),
            Held::Long(listing) => listing.children.len(),
        };
        length >= LEAST_PIECE || self.next.is_none()
    }

    fn joined(self, more: Folder, next: Option<Vec<u8>>) -> Part {
        let mut listing = self.held.listing();
        listing.children.extend(more.listing().children);
        Part {
            held: Held::Long(listing),
            from: self.from,
            next,
        }
    }

    fn piece(self) -> Piece {
        Piece {
            listing: self.held.listing(),
            from: self.from,
            next: self.next,
        }
    }
}

impl Pieces {
    /// From a block on, as far as folders lie below `below`.
    pub(super) fn new(store: Store, next: usize, below: RelPath) -> Pieces {
        Pieces {
            store,
            next,
            begun: false,
            ready: VecDeque::new(),
            below,
            done: false,
            heads: false,
            alone: false,
        }
    }

    /// Only the wanted folder itself.
    pub(super) fn alone(self) -> Pieces {
        Pieces { alone: true, ..self }
    }

    /// Decodes the next block, joining its first folder to one it goes on with as long as that is no
    /// piece by itself.
    fn load(&mut self) -> Result<bool, Trouble> {
        let Some(place) = self.store.blocks.get(self.next) else {
            return Ok(false);
        };
        let from = place.name.clone();
        let goes_on = |block: usize| self.store.goes_on(block).filter(|_| !self.heads);
        let (after, holds_one) = (goes_on(self.next + 1), self.store.holds_one(self.next));
        let begun = std::mem::replace(&mut self.begun, true);
        self.next += 1;
        if self.heads && !from.is_empty() && holds_one {
            return Ok(true);
        }
        let mut folders = VecDeque::from(self.store.read(self.next - 1)?);
        let last = folders.len().saturating_sub(1);
        let mut first = 0;
        if !from.is_empty() {
            // A stream that began in the middle of a folder began in one that is not wanted.
            let more = folders.pop_front().filter(|_| begun && !self.heads);
            first = 1;
            if let Some(more) = more {
                let next = after.clone().filter(|_| last == 0);
                let is_open = self.ready.back().is_some_and(|open| !open.is_full());
                let open = if is_open { self.ready.pop_back() } else { None };
                self.ready.push_back(match open {
                    Some(open) => open.joined(more, next),
                    None => Part {
                        held: Held::Block(more),
                        from,
                        next,
                    },
                });
            }
        }
        let rest = folders.into_iter().zip(first..);
        self.ready.extend(rest.map(|(folder, at)| Part {
            held: Held::Block(folder),
            from: Vec::new(),
            next: after.clone().filter(|_| at == last),
        }));
        Ok(true)
    }

    fn next_part(&mut self) -> Result<Option<Part>, Trouble> {
        // The last folder of a block may go on in the next one.
        while self.ready.len() < 2 && self.ready.front().is_none_or(|part| !part.is_full()) && self.load()? {}
        Ok(self.ready.pop_front())
    }
}

impl Iterator for Pieces {
    type Item = Result<Piece, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        while !self.done {
            let part = match self.next_part() {
                Ok(part) => part?,
                Err(trouble) => {
                    self.done = true;
                    return Some(Err(trouble));
                }
            };
            let is_wanted = match self.alone {
                true => *part.path() == self.below,
                false => part.path().below(&self.below).is_some(),
            };
            if is_wanted {
                self.done = self.alone && part.next.is_none();
                return Some(Ok(part.piece()));
            }
            self.done = folder_order(part.path().as_bytes(), self.below.as_bytes()) == Ordering::Greater;
        }
        None
    }
}

/// Listings in order, decoded as they are asked for. After an error nothing more comes.
pub struct Listings {
    pieces: Pieces,
}

impl Listings {
    /// Joins pieces.
    pub(super) fn new(pieces: Pieces) -> Listings {
        Listings { pieces }
    }

    pub(super) fn heads_only(mut self) -> Listings {
        self.pieces.heads = true;
        self
    }
}

impl Iterator for Listings {
    type Item = Result<Listing, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut piece = match self.pieces.next()? {
            Ok(piece) => piece,
            Err(trouble) => return Some(Err(trouble)),
        };
        while piece.next.is_some() {
            match self.pieces.next() {
                None => break,
                Some(Err(trouble)) => return Some(Err(trouble)),
                Some(Ok(more)) => {
                    piece.listing.children.extend(more.listing.children);
                    piece.next = more.next;
                }
            }
        }
        Some(Ok(piece.listing))
    }
}
