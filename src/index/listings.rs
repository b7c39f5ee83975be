//! An index read folder by folder, in the words of floor 0.
//!
//! A folder longer than a block comes in parts. Each is turned into entries as it is decoded, so
//! that a folder of a million is never in memory in both forms.

use crate::entry::Listing;
use crate::index::folder::{Folder, folder_order};
use crate::index::reader::Store;
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::cmp::Ordering;
use std::collections::VecDeque;

/// Listings in order, decoded as they are asked for. After an error nothing more comes.
pub struct Listings {
    store: Store,
    next: usize,
    ready: VecDeque<Part>,
    below: RelPath,
    done: bool,
    /// Leaves out how long folders go on.
    heads: bool,
}

/// A folder as far as it was decoded.
enum Part {
    /// All of it in one block so far. What lies outside the wanted folder is never more than this.
    Block(Folder),
    Long(Listing),
}

impl Part {
    fn path(&self) -> &RelPath {
        match self {
            Part::Block(folder) => folder.path(),
            Part::Long(listing) => &listing.folder,
        }
    }

    fn listing(self) -> Listing {
        match self {
            Part::Block(folder) => folder.listing(),
            Part::Long(listing) => listing,
        }
    }
}

impl Listings {
    /// From a block on, as far as folders lie below `below`.
    pub(super) fn new(store: Store, next: usize, below: RelPath) -> Listings {
        Listings {
            store,
            next,
            ready: VecDeque::new(),
            below,
            done: false,
            heads: false,
        }
    }

    pub(super) fn heads_only(self) -> Listings {
        Listings { heads: true, ..self }
    }

    /// Decodes the next block, joining its first folder to one it goes on with.
    fn load(&mut self) -> Result<bool, Trouble> {
        let Some(place) = self.store.blocks.get(self.next) else {
            return Ok(false);
        };
        let goes_on = !place.name.is_empty();
        let after = self.store.blocks.get(self.next + 1);
        let holds_one = after.is_some_and(|after| !after.name.is_empty() && after.folder == place.folder);
        self.next += 1;
        if self.heads && goes_on && holds_one {
            return Ok(true);
        }
        let mut folders = self.store.read(self.next - 1)?.into_iter();
        if goes_on {
            let more = folders.next().filter(|_| !self.heads);
            // Without an open folder the stream began in the middle of one that is not wanted.
            let open = more.is_some().then(|| self.ready.pop_back()).flatten();
            if let (Some(more), Some(open)) = (more, open) {
                let mut open = open.listing();
                open.children.extend(more.listing().children);
                self.ready.push_back(Part::Long(open));
            }
        }
        self.ready.extend(folders.map(Part::Block));
        Ok(true)
    }

    fn next_part(&mut self) -> Result<Option<Part>, Trouble> {
        // The last folder of a block may go on in the next one.
        while self.ready.len() < 2 && self.load()? {}
        Ok(self.ready.pop_front())
    }
}

impl Iterator for Listings {
    type Item = Result<Listing, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        while !self.done {
            let part = match self.next_part() {
                Ok(part) => part?,
                Err(trouble) => {
                    self.done = true;
                    return Some(Err(trouble));
                }
            };
            if part.path().below(&self.below).is_some() {
                return Some(Ok(part.listing()));
            }
            self.done = folder_order(part.path().as_bytes(), self.below.as_bytes()) == Ordering::Greater;
        }
        None
    }
}
