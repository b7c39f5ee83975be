//! What was read of a source's files is kept under a key that names the very same file again.

use super::desk::Desk;
use crate::copy::Known;
use crate::digest::Digest;
use crate::entry::{Entry, EntryKind, Identity};
use crate::index::{Index, InodeClass};
use crate::ledger::{Content, ContentKey, EndRole, Ledger};
use crate::lifecycle::is_racy;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::Bytes;
use std::collections::HashSet;

/// From this size on the hash of every copied file is kept, and of smaller ones where something of
/// them is kept already: reading a short file again costs little, and a row for each of millions
/// would double the ledger.
const WORTH_KEEPING: Bytes = Bytes(1 << 20);

/// What is kept of one source.
#[derive(Debug, Clone)]
pub struct Shelf {
    /// The source and the identity of its mount.
    place: String,
    inodes: InodeClass,
}

impl Shelf {
    /// Of the source that this index has seen.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn of(ledger: &Ledger, index: &Index) -> Result<Shelf, Trouble> {
        let start = &index.header().start;
        let mount = ledger.end(EndRole::Source, &start.source.0)?.map(|end| end.mount);
        let known = mount.map(|m| format!("{}\n{}\n{}", m.kind, m.root, m.id.unwrap_or(m.source)));
        Ok(Shelf {
            place: format!("{}\n{}", start.source, known.unwrap_or_default()),
            inodes: start.inodes,
        })
    }

    /// The key of one file: by its inode alone only where that is known to stay.
    pub fn key(&self, path: &RelPath, identity: &Identity) -> ContentKey {
        let mut identity = *identity;
        if self.inodes == InodeClass::Worthless {
            identity.inode = 0;
        }
        let path = match self.inodes {
            InodeClass::Stable => Vec::new(),
            _ => Digest::of(path.as_bytes()).0[..16].to_vec(),
        };
        ContentKey { identity, path }
    }

    /// The name under which the ledger keeps it.
    pub fn place(&self) -> &str {
        &self.place
    }

    /// What is known of a file's content, for a copy or for taking it over. Nothing where no row is
    /// kept and none is worth keeping. A hash counts only if it was read long enough after the last
    /// change that one more would have left other times.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn known(&self, ledger: &Ledger, path: &RelPath, entry: &Entry) -> Result<Option<Known>, Trouble> {
        if entry.kind != EntryKind::File || entry.size == Bytes::ZERO {
            return Ok(None);
        }
        let identity = entry.identity();
        let key = self.key(path, &identity);
        let found = ledger.content(&self.place, &key)?;
        if found.is_none() && entry.size < WORTH_KEEPING {
            return Ok(None);
        }
        let settled = found.filter(|content| !is_racy(&identity, content.read_at));
        Ok(Some(Known {
            key,
            hash: settled.and_then(|content| content.whole),
        }))
    }

    /// What was read of a file before.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn get(&self, ledger: &Ledger, path: &RelPath, identity: &Identity) -> Result<Content, Trouble> {
        let found = ledger.content(&self.place, &self.key(path, identity))?;
        Ok(found.unwrap_or_default())
    }

    /// The same, under whichever key it was kept: what is known of the inodes of a source grows
    /// from scan to scan, and the key goes by that.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn get_either(
        &self,
        ledger: &Ledger,
        path: &RelPath,
        identity: &Identity,
    ) -> Result<Content, Trouble> {
        let key = self.key(path, identity);
        if let Some(found) = ledger.content(&self.place, &key)? {
            return Ok(found);
        }
        let class = match self.inodes {
            InodeClass::Worthless => return Ok(Content::default()),
            InodeClass::Stable => InodeClass::Session,
            InodeClass::Session | InodeClass::Unknown => InodeClass::Stable,
        };
        let other = Shelf {
            place: self.place.clone(),
            inodes: class,
        };
        other.get(ledger, path, identity)
    }

    /// Keeps what was read.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn keep(&self, ledger: &Ledger, rows: &[(ContentKey, Content)]) -> Result<(), Trouble> {
        ledger.keep_content(&self.place, rows)
    }
}

/// Forgets what was read of files that a new scan no longer sees as they were.
///
/// # Errors
/// [`Trouble`] where index or ledger fail.
pub fn forget_gone(desk: &mut Desk<'_>, index: &Index) -> Result<(), Trouble> {
    let shelf = Shelf::of(&desk.ledger, index)?;
    let mut gone: HashSet<ContentKey> = HashSet::new();
    desk.ledger.each_content(&shelf.place, &mut |key| {
        gone.insert(key);
    })?;
    if gone.is_empty() {
        return Ok(());
    }
    for piece in index.pieces() {
        let listing = piece?.listing;
        for child in listing
            .children
            .iter()
            .filter(|c| c.entry.kind == EntryKind::File)
        {
            if let Ok(path) = listing.folder.join(&child.name) {
                gone.remove(&shelf.key(&path, &child.entry.identity()));
            }
        }
    }
    let gone: Vec<ContentKey> = gone.into_iter().collect();
    desk.ledger.forget_content(&shelf.place, &gone)
}
