//! What else lies in the folder at hand, also where only a piece of it is in memory.

use crate::entry::{Listing, Named, Piece, is_between};
use crate::names::RelPath;
use crate::trouble::Trouble;

/// Reads the piece of a folder that an entry of this name stands in or would stand in once more;
/// `None` where there is no such folder.
pub type Reread<'a> = dyn Fn(&RelPath, &[u8]) -> Result<Option<Piece>, Trouble> + 'a;

/// Of a folder, the piece at hand.
#[derive(Clone, Copy)]
pub struct At<'a> {
    /// The folder and these entries of it.
    pub listing: &'a Listing,
    /// As [`Piece::from`].
    pub from: &'a [u8],
    /// As [`Piece::next`].
    pub next: Option<&'a [u8]>,
}

impl<'a> At<'a> {
    /// All of a folder.
    pub fn whole(listing: &'a Listing) -> At<'a> {
        At {
            listing,
            from: b"",
            next: None,
        }
    }

    /// A piece.
    pub fn piece(piece: &'a Piece) -> At<'a> {
        At {
            listing: &piece.listing,
            from: &piece.from,
            next: piece.next.as_deref(),
        }
    }

    fn covers(&self, name: &[u8]) -> bool {
        is_between(name, self.from, self.next)
    }
}

/// The folder at hand, in which names are looked up.
pub struct Beside<'a> {
    /// The piece at hand.
    pub at: At<'a>,
    /// Reads others.
    pub reread: &'a Reread<'a>,
    /// The last one that was read so. Partner files come in the order of their partners, so it
    /// answers all that lie in it.
    pub far: &'a mut Option<Piece>,
}

impl Beside<'_> {
    /// The entry of exactly this name.
    ///
    /// # Errors
    /// A piece that cannot be read once more.
    pub fn child(&mut self, name: &[u8]) -> Result<Option<&Named>, Trouble> {
        let at = self.piece_for(name)?;
        Ok(at.and_then(|at| at.listing.child(name)))
    }

    /// Whether an entry whose name begins so passes a test.
    ///
    /// # Errors
    /// As [`Beside::child`].
    pub fn any_beginning(&mut self, with: &[u8], test: impl Fn(&[u8]) -> bool) -> Result<bool, Trouble> {
        let mut from = with.to_vec();
        while let Some(at) = self.piece_for(&from)? {
            let children = &at.listing.children;
            let first = children.partition_point(|child| child.name < from);
            let mut alike = children[first..]
                .iter()
                .take_while(|child| child.name.starts_with(with));
            if alike.any(|child| test(&child.name)) {
                return Ok(true);
            }
            match at.next.filter(|next| next.starts_with(with)) {
                Some(next) => from = next.to_vec(),
                None => break,
            }
        }
        Ok(false)
    }

    /// Shows all names of the folder in byte order, each with its number.
    ///
    /// # Errors
    /// As [`Beside::child`].
    pub fn each(&mut self, see: &mut dyn FnMut(u32, &[u8])) -> Result<(), Trouble> {
        let (mut from, mut number) = (Vec::new(), 0u32);
        while let Some(at) = self.piece_for(&from)? {
            // A piece read once more may end within the one at hand.
            let first = at.listing.children.partition_point(|child| child.name < from);
            for child in &at.listing.children[first..] {
                see(number, &child.name);
                number = number.saturating_add(1);
            }
            match at.next {
                Some(next) => from = next.to_vec(),
                None => break,
            }
        }
        Ok(())
    }

    fn piece_for(&mut self, name: &[u8]) -> Result<Option<At<'_>>, Trouble> {
        if self.at.covers(name) {
            return Ok(Some(self.at));
        }
        if self.far.as_ref().is_none_or(|far| !far.covers(name)) {
            *self.far = (self.reread)(&self.at.listing.folder, name)?;
        }
        Ok(self.far.as_ref().map(At::piece))
    }
}
