//! The seam: the few things the hands need of file systems, the clock and the wish to stop.
//!
//! [`Fs`] is one end of a move (a source's root, a dataset's folder at the destination). From it
//! come [`Folder`]s by name, never by path, so that a symlink swapped in cannot lead outside.
//! `os.rs` is the real one; fakes that fail or lose unsynced work live in `tests/`.

mod accounts;
mod disks;
mod fault;
mod identity;
mod notifier;
mod open;
mod os;
mod os_file;
mod os_move;
mod stop;

pub use accounts::Accounts;
pub use disks::Disks;
pub use fault::{Course, Fault, FaultKind, interrupted, there, trouble_of};
pub use identity::{MountIdentity, MountTable};
pub use notifier::notify;
pub use open::{OpenFolders, reach};
pub use os::OsFs;
pub use os_file::Buffer;
pub use stop::{Clock, Stop, SystemClock};

use crate::entry::{Entry, EntryKind};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::Bytes;
use std::sync::Arc;

/// The outcome of one call at the seam.
pub type Res<T> = Result<T, Fault>;

/// One end of a move.
pub trait Fs: Send + Sync {
    /// The root folder, opened anew.
    ///
    /// # Errors
    /// A [`Fault`] where it is gone or refused.
    fn root(&self) -> Res<Arc<dyn Folder>>;

    /// Space on the file system the root lies on.
    ///
    /// # Errors
    /// A [`Fault`] where the file system does not answer.
    fn space(&self) -> Res<Space>;

    /// Makes everything written below the root so far durable: data, metadata and names, through
    /// a handle opened before the first write, so that a write error since then is reported.
    ///
    /// # Errors
    /// A [`Fault`] for any write that did not reach the disk.
    fn sync(&self) -> Res<()>;

    /// How far a sync of this file system can be believed.
    fn durability(&self) -> Durability;

    /// The least sure way by which files have got their names here so far.
    fn publishes(&self) -> Publish {
        Publish::Unseen
    }

    /// Whether the path it was opened by still leads to it: an end that was unmounted under us can
    /// be written to through what is held open, and nobody would find it there.
    ///
    /// # Errors
    /// A [`Fault`] of kind `Gone` where it does not, or where the mount does not answer.
    fn is_there(&self) -> Res<()> {
        Ok(())
    }
}

/// A folder held open.
pub trait Folder: Send + Sync {
    /// Names and kinds of what lies in it, in no order. An error after some entries is an error
    /// of the whole: a listing is complete or it is none.
    ///
    /// # Errors
    /// A [`Fault`] where the listing failed anywhere.
    fn list(&self) -> Res<Vec<(Vec<u8>, EntryKind)>>;

    /// The facts of one entry, no link followed.
    ///
    /// # Errors
    /// A [`Fault`], of kind `NotFound` where there is no such entry.
    fn stat(&self, name: &[u8]) -> Res<Entry>;

    /// The facts of the folder itself.
    ///
    /// # Errors
    /// A [`Fault`] where the file system does not answer.
    fn own_facts(&self) -> Res<Entry>;

    /// Opens a subfolder; a symlink in its place is refused.
    ///
    /// # Errors
    /// A [`Fault`] where it is missing, no folder, or on another mount than this folder.
    fn enter(&self, name: &[u8]) -> Res<Arc<dyn Folder>>;

    /// Makes a subfolder, open to its owner alone until it is dressed.
    ///
    /// # Errors
    /// A [`Fault`], of kind `Exists` where something has the name.
    fn make_folder(&self, name: &[u8]) -> Res<()>;

    /// Opens a file for reading.
    ///
    /// # Errors
    /// A [`Fault`] where it is missing, no regular file or not readable.
    fn open(&self, name: &[u8], how: OpenHow) -> Res<Box<dyn FileIn>>;

    /// Creates a file that must not exist yet, open to its owner alone until it is dressed.
    ///
    /// # Errors
    /// A [`Fault`], of kind `Exists` where something has the name.
    fn stage(&self, name: &[u8], expected: Bytes) -> Res<Box<dyn FileOut>>;

    /// Opens a file of ours again for writing, to go on or to repair a range.
    ///
    /// # Errors
    /// A [`Fault`] where it is missing or no regular file.
    fn reopen(&self, name: &[u8]) -> Res<Box<dyn FileOut>>;

    /// Creates a symlink that must not exist yet.
    ///
    /// # Errors
    /// A [`Fault`].
    fn make_symlink(&self, name: &[u8], target: &[u8]) -> Res<()>;

    /// Creates another name for the file `from`, a path below the root of the same end.
    ///
    /// # Errors
    /// A [`Fault`].
    fn make_link(&self, name: &[u8], from: &RelPath) -> Res<()>;

    /// Gives a staged entry its name, replacing nothing.
    ///
    /// # Errors
    /// A [`Fault`], of kind `Exists` where the name is taken.
    fn publish(&self, staged: &[u8], name: &[u8]) -> Res<()>;

    /// Gives a staged entry the name of a file of ours, which goes away.
    ///
    /// # Errors
    /// A [`Fault`].
    fn replace(&self, staged: &[u8], name: &[u8]) -> Res<()>;

    /// Removes a file or symlink, but only one with this inode, size and mtime.
    ///
    /// # Errors
    /// A [`Fault`], of kind `Changed` where it is another.
    fn remove(&self, name: &[u8], expected: &Entry) -> Res<()>;

    /// Removes an empty subfolder.
    ///
    /// # Errors
    /// A [`Fault`], of kind `NotEmpty` where it is not.
    fn remove_folder(&self, name: &[u8]) -> Res<()>;

    /// Renames an entry of this folder into one of its subfolders under the same name, replacing
    /// nothing. No symlink is followed on the way, and no mount is crossed.
    ///
    /// # Errors
    /// A [`Fault`], of kind `Exists` where the name is taken there, of kind `Unsupported` where an
    /// end cannot do this at all.
    fn move_into(&self, name: &[u8], subfolder: &[u8]) -> Res<()> {
        let _ = subfolder;
        Err(Fault::ours(
            "move",
            name,
            FaultKind::Unsupported,
            "this file system cannot do it",
        ))
    }

    /// The way back of [`Folder::move_into`].
    ///
    /// # Errors
    /// As there.
    fn move_out(&self, subfolder: &[u8], name: &[u8]) -> Res<()> {
        let _ = subfolder;
        Err(Fault::ours(
            "move",
            name,
            FaultKind::Unsupported,
            "this file system cannot do it",
        ))
    }

    /// Renames an entry, given by its path below the root of the same end, into this folder under
    /// `name`, replacing nothing. No symlink is followed on the way, and no mount is crossed.
    ///
    /// # Errors
    /// A [`Fault`], of kind `Exists` where the name is taken here, of kind `Unsupported` where an
    /// end cannot do this at all.
    fn bring(&self, from: &RelPath, name: &[u8]) -> Res<()> {
        let _ = from;
        Err(Fault::ours(
            "move",
            name,
            FaultKind::Unsupported,
            "this file system cannot do it",
        ))
    }

    /// Sets owner, mode and times of a subfolder or symlink, in that order, as far as it can.
    ///
    /// # Errors
    /// A [`Fault`] only where nothing could be tried; what was refused is in the answer.
    fn dress(&self, name: &[u8], dress: &Dress) -> Res<Vec<Loss>>;

    /// Extended attributes of a subfolder or of the folder itself (empty name).
    ///
    /// # Errors
    /// A [`Fault`]; an end without extended attributes has none.
    fn xattrs(&self, name: &[u8]) -> Res<Vec<Xattr>>;

    /// Makes the names in this folder durable.
    ///
    /// # Errors
    /// A [`Fault`].
    fn sync_names(&self) -> Res<()>;
}

/// A file held open for reading; several threads may read at once.
pub trait FileIn: Send + Sync {
    /// Its facts now.
    ///
    /// # Errors
    /// A [`Fault`].
    fn facts(&self) -> Res<Entry>;

    /// Reads at an offset; 0 at the end. With a direct way of reading the buffer, offset and
    /// length are multiples of [`ALIGN`].
    ///
    /// # Errors
    /// A [`Fault`].
    fn read_at(&self, offset: u64, into: &mut [u8]) -> Res<usize>;

    /// Extended attributes.
    ///
    /// # Errors
    /// A [`Fault`]; an end without extended attributes has none.
    fn xattrs(&self) -> Res<Vec<Xattr>>;

    /// How its bytes reach us.
    fn read_how(&self) -> ReadHow;

    /// Makes durable what any program of this machine has written into it.
    ///
    /// # Errors
    /// A [`Fault`] for any write that did not reach the disk.
    fn sync(&self) -> Res<()>;
}

/// A file held open for writing; several threads may write different ranges at once.
pub trait FileOut: Send + Sync {
    /// Writes all of the bytes at an offset.
    ///
    /// # Errors
    /// A [`Fault`].
    fn write_at(&self, offset: u64, bytes: &[u8]) -> Res<()>;

    /// Sets the length; what was not written below it are zeros.
    ///
    /// # Errors
    /// A [`Fault`].
    fn set_length(&self, length: Bytes) -> Res<()>;

    /// Sets owner, mode, extended attributes and times, in that order, as far as it can.
    ///
    /// # Errors
    /// A [`Fault`] only where nothing could be tried; what was refused is in the answer.
    fn dress(&self, dress: &Dress) -> Res<Vec<Loss>>;

    /// Makes content and length durable.
    ///
    /// # Errors
    /// A [`Fault`] for any write that did not reach the disk.
    fn sync(&self) -> Res<()>;

    /// Its facts now.
    ///
    /// # Errors
    /// A [`Fault`].
    fn facts(&self) -> Res<Entry>;

    /// The extended attributes that it has now.
    ///
    /// # Errors
    /// A [`Fault`]; an end without extended attributes has none.
    fn xattrs(&self) -> Res<Vec<Xattr>>;
}

/// Buffers and offsets of direct reads and writes are multiples of this many bytes.
pub const ALIGN: usize = 4096;

/// How a file is to be opened for reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OpenHow {
    /// Through the page cache, front to back.
    Plain,
    /// Past the page cache where the file system lets us, else with the pages evicted first.
    FromDisk,
}

/// How bytes read back have reached us: what a verification is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ReadHow {
    /// Direct reads, past the page cache.
    Direct,
    /// Pages dropped first, then read.
    Evicted,
    /// Whatever the server of a network mount answered with.
    Server,
    /// Nothing can be said.
    Unknown,
}

impl ReadHow {
    /// The fixed word of the settings and of JSON.
    pub fn word(self) -> &'static str {
        match self {
            ReadHow::Direct => "direct",
            ReadHow::Evicted => "evicted",
            ReadHow::Server => "server",
            ReadHow::Unknown => "unknown",
        }
    }

    /// The word read back.
    pub fn parse(word: &str) -> Option<ReadHow> {
        [
            ReadHow::Direct,
            ReadHow::Evicted,
            ReadHow::Server,
            ReadHow::Unknown,
        ]
        .into_iter()
        .find(|how| how.word() == word)
    }
}

/// How far a sync can be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Durability {
    /// A local file system with a sync that reaches its disks.
    Local,
    /// A network mount whose server said that it is durable.
    ServerSaid,
    /// A mount that promises nothing.
    Unproven,
}

impl Durability {
    /// The fixed word of JSON.
    pub fn word(self) -> &'static str {
        match self {
            Durability::Local => "local",
            Durability::ServerSaid => "server-said",
            Durability::Unproven => "unproven",
        }
    }
}

/// How files get their names at an end, the surest way first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Publish {
    /// None was given one yet.
    Unseen,
    /// A rename that replaces nothing.
    Rename,
    /// A second name, then the staged one is removed: a crash between leaves both.
    Link,
    /// A look, then a rename: another program could put a file there in between.
    Checked,
}

impl Publish {
    /// The fixed word of JSON and of the ledger.
    pub fn word(self) -> &'static str {
        match self {
            Publish::Unseen => "unseen",
            Publish::Rename => "rename",
            Publish::Link => "link",
            Publish::Checked => "checked-rename",
        }
    }
}

/// Space on a file system.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Space {
    /// Its whole size.
    pub total: Bytes,
    /// What we may still write.
    pub free: Bytes,
}

/// One extended attribute.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Xattr {
    /// Its name with the namespace, `user.tag`.
    pub name: Vec<u8>,
    /// Its value.
    pub value: Vec<u8>,
}

impl Xattr {
    /// The kind of [`Loss`] where it is not kept.
    pub fn kind(&self) -> &'static str {
        Xattr::kind_of(&self.name)
    }

    /// The kind of [`Loss`] of an attribute of this name.
    pub fn kind_of(name: &[u8]) -> &'static str {
        if name.starts_with(b"system.posix_acl") {
            "acl"
        } else {
            "xattr"
        }
    }
}

/// What an entry gets after its content: everything a copy carries beside bytes and names.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Dress {
    /// Owner and group; `None` leaves them.
    pub owner: Option<(u32, u32)>,
    /// Permission bits; `None` leaves them.
    pub mode: Option<u32>,
    /// Extended attributes to set.
    pub xattrs: Vec<Xattr>,
    /// Modification time.
    pub mtime: Option<Moment>,
}

/// A fact the destination could not keep.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Loss {
    /// Fixed word: `owner`, `mode`, `time`, `xattr`, `acl`.
    pub kind: &'static str,
    /// Why, in words.
    pub why: String,
}

impl Loss {
    /// All kinds.
    pub const KINDS: [&'static str; 5] = ["owner", "mode", "time", "xattr", "acl"];
}
