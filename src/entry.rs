//! One thing found in a source tree, and the facts that tell whether it is still the same thing.

use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::Bytes;

/// What kind of thing a directory entry is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum EntryKind {
    /// A regular file.
    File,
    /// A directory.
    Directory,
    /// A symbolic link.
    Symlink,
    /// A FIFO, socket or device: recorded, never copied.
    Special,
    /// Its attributes could not be read; the error stands beside it.
    Unknown,
}

/// Everything the index keeps of one entry, its name apart. All facts are the entry's own; no
/// symbolic link is followed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// What it is.
    pub kind: EntryKind,
    /// Logical size in bytes; of a symlink the length of its target.
    pub size: Bytes,
    /// Bytes allocated on the source (`st_blocks` times 512).
    pub allocated: Bytes,
    /// Last change of the content.
    pub mtime: Moment,
    /// Last change of the attributes.
    pub ctime: Moment,
    /// Birth time, where the file system tells it.
    pub birth: Option<Moment>,
    /// Inode number; its worth depends on the source's class.
    pub inode: u64,
    /// Number of names (hard links).
    pub links: u64,
    /// Permission bits, set-id and sticky bits (07777).
    pub mode: u32,
    /// Owner's number.
    pub uid: u32,
    /// Group's number.
    pub gid: u32,
    /// What a symlink points to, byte for byte.
    pub target: Option<Vec<u8>>,
    /// For a directory whose listing or an entry whose attributes failed: the error in words.
    pub error: Option<String>,
}

/// The facts by which a file is known again. Never holds a device number: it changes with the
/// mount.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Identity {
    /// Inode number.
    pub inode: u64,
    /// Logical size.
    pub size: Bytes,
    /// Last change of the content.
    pub mtime: Moment,
    /// Last change of the attributes.
    pub ctime: Moment,
}

/// Owner and permission bits that the user wants instead of the ones a file had. What is `None` is
/// carried as it was.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Permissions {
    /// Number of the owner.
    pub uid: Option<u32>,
    /// Number of the group.
    pub gid: Option<u32>,
    /// Permission bits of directories (07777).
    pub directories: Option<u32>,
    /// Permission bits of files (07777).
    pub files: Option<u32>,
}

impl Permissions {
    /// The bits that an entry of this kind gets; `None` where they are carried. A symlink has none
    /// of its own.
    pub fn mode(&self, kind: EntryKind) -> Option<u32> {
        match kind {
            EntryKind::Directory => self.directories,
            EntryKind::File => self.files,
            EntryKind::Symlink | EntryKind::Special | EntryKind::Unknown => None,
        }
    }

    /// An entry of the source as it should be at the destination.
    pub fn applied(&self, entry: &Entry) -> Entry {
        Entry {
            mode: self.mode(entry.kind).unwrap_or(entry.mode),
            uid: self.uid.unwrap_or(entry.uid),
            gid: self.gid.unwrap_or(entry.gid),
            ..entry.clone()
        }
    }
}

impl Entry {
    /// The facts by which this entry is known again.
    pub fn identity(&self) -> Identity {
        Identity {
            inode: self.inode,
            size: self.size,
            mtime: self.mtime,
            ctime: self.ctime,
        }
    }

    /// Whether fewer bytes are stored than the file is long by a tenth or more (a sparse file, or
    /// a compressing file system).
    pub fn is_sparse(&self) -> bool {
        self.kind == EntryKind::File && self.allocated.0 < self.size.0 / 10 * 9
    }
}

/// An entry with its name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// The name within its folder: one component, raw bytes.
    pub name: Vec<u8>,
    /// Its facts.
    pub entry: Entry,
}

/// What one folder holds. The index is written and read folder by folder, parents before their
/// children, children in byte order of their names; a folder that could not be listed is an entry
/// of its parent with an error and has no listing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listing {
    /// The folder below the source's root.
    pub folder: RelPath,
    /// Its entries in byte order of their names.
    pub children: Vec<Named>,
}

/// A stretch of what one folder holds: all of it, or of a long folder some ten thousand entries. The
/// pieces of a folder follow each other in byte order, so that no folder is ever in memory as a
/// whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// The folder and these entries of it.
    pub listing: Listing,
    /// No entry before this name belongs to it; empty where the folder begins here.
    pub from: Vec<u8>,
    /// The name that the next piece begins with; none where the folder ends here.
    pub next: Option<Vec<u8>>,
}

impl Piece {
    /// All of a folder.
    pub fn whole(listing: Listing) -> Piece {
        Piece {
            listing,
            from: Vec::new(),
            next: None,
        }
    }

    /// Whether it is all of its folder.
    pub fn is_whole(&self) -> bool {
        self.from.is_empty() && self.next.is_none()
    }

    /// Whether an entry of this name would stand in this piece.
    pub fn covers(&self, name: &[u8]) -> bool {
        is_between(name, &self.from, self.next.as_deref())
    }
}

/// Whether a name stands in the stretch of a folder from one name on up to another, that one left
/// out; to the end where there is none.
pub fn is_between(name: &[u8], from: &[u8], next: Option<&[u8]>) -> bool {
    from <= name && next.is_none_or(|next| name < next)
}

impl Listing {
    /// The entry of exactly this name.
    pub fn child(&self, name: &[u8]) -> Option<&Named> {
        let found = self
            .children
            .binary_search_by(|child| child.name.as_slice().cmp(name));
        found.ok().and_then(|at| self.children.get(at))
    }
}

#[cfg(test)]
impl Entry {
    /// Something with one name, of user and group 0 with mode 644, all its times the same: what most
    /// tests begin with.
    pub fn plain(kind: EntryKind, size: u64, at: Moment) -> Entry {
        Entry {
            kind,
            size: Bytes(size),
            allocated: Bytes(0),
            mtime: at,
            ctime: at,
            birth: None,
            inode: 1,
            links: 1,
            mode: 0o644,
            uid: 0,
            gid: 0,
            target: None,
            error: None,
        }
    }
}
