//! The order in which folders and names stand: parents before their children, siblings in byte
//! order, no name twice.

use crate::entry::EntryKind;
use crate::names::RelPath;
use std::cmp::Ordering;

/// Follows the listings of a tree: every folder must have been seen in the folder above it.
#[derive(Debug, Default)]
pub(super) struct Tree {
    /// Folders that were seen and may still come, the next one last.
    waiting: Vec<RelPath>,
    /// Folders seen in the one that is open.
    inside: Vec<RelPath>,
    open: Option<RelPath>,
    last: Vec<u8>,
}

impl Tree {
    /// Opens a folder.
    pub fn folder(&mut self, path: &RelPath) -> Result<(), &'static str> {
        if self.open.is_none() {
            if !path.is_root() {
                return Err("the root's own listing does not come first");
            }
        } else {
            self.waiting.extend(self.inside.drain(..).rev());
            loop {
                match self.waiting.pop() {
                    Some(next) if next == *path => break,
                    Some(_) => {}
                    None => return Err("folders are not in order, or one is in none that stands before it"),
                }
            }
        }
        self.open = Some(path.clone());
        self.last.clear();
        Ok(())
    }

    /// Takes in an entry of the open folder; answers its path.
    pub fn entry(&mut self, name: &[u8], kind: EntryKind) -> Result<RelPath, &'static str> {
        let open = self.open.as_ref().ok_or("an entry stands outside any folder")?;
        let path = named(open, name, &mut self.last)?;
        if kind == EntryKind::Directory {
            self.inside.push(path.clone());
        }
        Ok(path)
    }
}

/// Follows names in folders that need not all be there.
#[derive(Debug, Default)]
pub(super) struct Rising {
    open: Option<RelPath>,
    last: Vec<u8>,
}

impl Rising {
    /// Opens a folder.
    pub fn folder(&mut self, path: &RelPath) -> Result<(), &'static str> {
        if self
            .open
            .as_ref()
            .is_some_and(|open| order(open, path) != Ordering::Less)
        {
            return Err("folders are not in order, or one stands there twice");
        }
        self.open = Some(path.clone());
        self.last.clear();
        Ok(())
    }

    /// Takes in a name of the open folder; answers its path.
    pub fn name(&mut self, name: &[u8]) -> Result<RelPath, &'static str> {
        let open = self.open.as_ref().ok_or("a name stands outside any folder")?;
        named(open, name, &mut self.last)
    }
}

fn named(open: &RelPath, name: &[u8], last: &mut Vec<u8>) -> Result<RelPath, &'static str> {
    let path = open.join(name).map_err(|_| "a name that no file can have")?;
    if name <= last.as_slice() {
        return Err("names are not in order, or one stands there twice");
    }
    last.clear();
    last.extend_from_slice(name);
    Ok(path)
}

/// Parents before children, siblings in byte order: a slash counts as lower than any byte of a name.
pub(super) fn order(a: &RelPath, b: &RelPath) -> Ordering {
    let low = |byte: &u8| if *byte == b'/' { 0 } else { *byte };
    a.as_bytes().iter().map(low).cmp(b.as_bytes().iter().map(low))
}

/// Whether a text can be one component of a path, as the name of a file of ours is.
pub(super) fn is_component(text: &str) -> bool {
    let plain = !text.starts_with('-') && !text.chars().any(char::is_control);
    plain && text.len() <= 200 && RelPath::root().join(text.as_bytes()).is_ok()
}
