//! Opening and reading an index, one block in memory at a time.

use crate::digest::Digest;
use crate::entry::{Entry, Piece};
use crate::index::block;
use crate::index::folder::{Folder, folder_order};
use crate::index::listings::{Listings, Pieces};
use crate::index::parts;
use crate::index::table::{self, BlockRef, RawSegment, RawTable};
use crate::index::{Header, Start};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::cmp::Ordering;
use std::collections::VecDeque;
use std::fs::File;
use std::io::Read;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// The first bytes of a sealed index.
pub(super) const MAGIC: &[u8; 8] = b"PWINDEX\n";

/// The format that this program writes; it reads no newer one.
pub(super) const VERSION: u32 = 1;

/// Magic, version, length of the table, digest.
const LEAST: u64 = 8 + 4 + 8 + 32;

/// One index, open for reading. Its bytes were checked against its digest.
pub struct Index {
    header: Header,
    digest: Digest,
    store: Store,
    segments: Vec<RawSegment>,
    /// The block that [`Index::entry`] looked into last.
    last: Mutex<Option<(usize, Arc<Vec<Folder>>)>>,
}

/// A file and the blocks in it, in order.
#[derive(Clone)]
pub(super) struct Store {
    pub file: Arc<File>,
    pub path: Arc<PathBuf>,
    pub blocks: Arc<[BlockRef]>,
}

impl Index {
    /// Opens a sealed index or the parts of an unfinished scan, and checks every byte of it.
    ///
    /// # Errors
    /// A file that cannot be read, is no index, is damaged or cut short, or is of a newer format.
    pub fn open(path: &Path) -> Result<Index, Trouble> {
        let file = File::open(path).map_err(|e| cannot("read", path, &e))?;
        let mut head = [0u8; 8];
        match file.read_exact_at(&mut head, 0) {
            Ok(()) if head == *parts::MAGIC => open_parts(file, path),
            Ok(()) if head == *MAGIC => open_sealed(file, path),
            Err(e) if e.kind() != std::io::ErrorKind::UnexpectedEof => Err(cannot("read", path, &e)),
            _ => Err(Trouble::stopped("not-an-index", "this file is not an index")
                .at(path_bytes(path))
                .mend("Run poolward scan to make one; a half-written or foreign file can be moved away.")),
        }
    }

    /// What the index says of itself.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The digest of its content.
    pub fn digest(&self) -> Digest {
        self.digest
    }

    /// The folders in the root whose walk is finished, in byte order. Of a whole index that is every
    /// one that was entered; of the parts of an interrupted scan only those can be relied on.
    pub fn finished_tops(&self) -> Vec<&[u8]> {
        let tops = self.segments.iter().flat_map(|segment| &segment.tops);
        tops.map(Vec::as_slice).collect()
    }

    /// The segments, and a block's encoded bytes, for those who take them over unchanged.
    pub(super) fn segments(&self) -> &[RawSegment] {
        &self.segments
    }

    pub(super) fn encoded(&self, place: &BlockRef) -> Result<Vec<u8>, Trouble> {
        let mut bytes = vec![0; usize::try_from(place.length).unwrap_or(usize::MAX)];
        let read = self.store.file.read_exact_at(&mut bytes, place.offset);
        read.map_err(|e| cannot("read", &self.store.path, &e))?;
        Ok(bytes)
    }

    /// Every folder that could be listed, parents before their children.
    pub fn listings(&self) -> Listings {
        Listings::new(self.pieces())
    }

    /// The same, long folders piece by piece: for all who need not see a folder as a whole.
    pub fn pieces(&self) -> Pieces {
        Pieces::new(self.store.clone(), 0, RelPath::root())
    }

    /// The same, of each folder only as much as lies in the block it begins in. Nothing else is
    /// decoded, so that a folder of millions costs no more than any other.
    pub fn heads(&self) -> Listings {
        self.listings().heads_only()
    }

    /// The folder `path` and those below it, parents before their children; nothing where there
    /// is no such folder. Only the blocks that hold them are read.
    pub fn listings_below(&self, path: &RelPath) -> Listings {
        Listings::new(self.pieces_below(path))
    }

    /// The same, long folders piece by piece.
    pub fn pieces_below(&self, path: &RelPath) -> Pieces {
        let first = self.first_block(path.as_bytes(), b"");
        Pieces::new(self.store.clone(), first, path.clone())
    }

    /// One folder alone, piece by piece; nothing where it was not listed.
    pub fn pieces_of(&self, path: &RelPath) -> Pieces {
        self.pieces_below(path).alone()
    }

    /// The piece of a folder that an entry of this name stands in or would stand in; `None` where
    /// that folder was not listed.
    ///
    /// # Errors
    /// A block that can no longer be read.
    pub fn piece_at(&self, path: &RelPath, name: &[u8]) -> Result<Option<Piece>, Trouble> {
        let wanted = path.as_bytes();
        for at in self.first_block(wanted, name)..self.store.blocks.len() {
            let block = &self.store.blocks[at];
            if folder_order(&block.folder, wanted) == Ordering::Greater {
                break;
            }
            let folders = self.block(at)?;
            let Some(number) = folders.iter().position(|f| f.path() == path) else {
                continue;
            };
            let goes_on = number + 1 == folders.len();
            return Ok(Some(Piece {
                listing: folders[number].listing(),
                from: match number {
                    0 => block.name.clone(),
                    _ => Vec::new(),
                },
                next: self.store.goes_on(at + 1).filter(|_| goes_on),
            }));
        }
        Ok(None)
    }

    /// The facts of one entry; `None` where the scan saw none of that path. The root is
    /// [`Header`]'s.
    ///
    /// # Errors
    /// A block that can no longer be read.
    pub fn entry(&self, path: &RelPath) -> Result<Option<Entry>, Trouble> {
        let Some((parent, name)) = path.split() else {
            return Ok(Some(self.header.start.root_entry.clone()));
        };
        let parent = parent.as_bytes();
        for at in self.first_block(parent, name)..self.store.blocks.len() {
            if folder_order(&self.store.blocks[at].folder, parent) == Ordering::Greater {
                break;
            }
            for folder in self.block(at)?.iter().filter(|f| f.path().as_bytes() == parent) {
                if let Some(row) = folder.find(name) {
                    return Ok(folder.entry(row));
                }
            }
        }
        Ok(None)
    }

    /// The first block that can hold this folder and name.
    fn first_block(&self, folder: &[u8], name: &[u8]) -> usize {
        let before = |b: &BlockRef| match folder_order(&b.folder, folder) {
            Ordering::Less => true,
            Ordering::Equal => b.name.is_empty() || b.name.as_slice() <= name,
            Ordering::Greater => false,
        };
        self.store.blocks.partition_point(before).saturating_sub(1)
    }

    fn block(&self, at: usize) -> Result<Arc<Vec<Folder>>, Trouble> {
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((kept, folders)) = last.as_ref() {
            if *kept == at {
                return Ok(Arc::clone(folders));
            }
        }
        let folders = Arc::new(self.store.read(at)?);
        *last = Some((at, Arc::clone(&folders)));
        Ok(folders)
    }
}

fn open_sealed(file: File, path: &Path) -> Result<Index, Trouble> {
    let fail = |e: &std::io::Error| cannot("read", path, e);
    let mut version = [0u8; 4];
    let length = file.metadata().map_err(|e| fail(&e))?.len();
    if length < LEAST {
        return Err(damaged(path, "it is cut short"));
    }
    file.read_exact_at(&mut version, 8).map_err(|e| fail(&e))?;
    check_version(&version, path)?;
    let mut digest = [0u8; 32];
    file.read_exact_at(&mut digest, length - 32)
        .map_err(|e| fail(&e))?;
    let found = content_digest(&file, length - 32).map_err(|e| fail(&e))?;
    if found.0 != digest {
        return Err(damaged(path, "its content does not match its digest"));
    }
    let mut size = [0u8; 8];
    file.read_exact_at(&mut size, length - 40).map_err(|e| fail(&e))?;
    let size = u64::from_le_bytes(size);
    let start = (length - 40).checked_sub(size).filter(|start| *start >= 12);
    let start = start.ok_or_else(|| damaged(path, "its table has no place"))?;
    let mut bytes = vec![0u8; size as usize];
    file.read_exact_at(&mut bytes, start).map_err(|e| fail(&e))?;
    let table: RawTable = table::decode(&bytes).ok_or_else(|| damaged(path, "its table is not whole"))?;
    assemble(file, path, table, found)
}

fn open_parts(file: File, path: &Path) -> Result<Index, Trouble> {
    let found = parts::read(&file, path)?.ok_or_else(|| damaged(path, "it is cut short"))?;
    let table = RawTable {
        ended: found.start.started,
        start: found.start,
        complete: false,
        uneven: None,
        segments: found.segments.into_values().collect(),
    };
    assemble(file, path, table, found.digest)
}

fn assemble(file: File, path: &Path, table: RawTable, digest: Digest) -> Result<Index, Trouble> {
    let header = table::header_of(&table).ok_or_else(|| damaged(path, "its header is not whole"))?;
    let blocks: Vec<BlockRef> = table.segments.iter().flat_map(|s| s.blocks.clone()).collect();
    Ok(Index {
        header,
        digest,
        segments: table.segments,
        store: Store {
            file: Arc::new(file),
            path: Arc::new(path.to_path_buf()),
            blocks: blocks.into(),
        },
        last: Mutex::new(None),
    })
}

fn content_digest(file: &File, length: u64) -> std::io::Result<Digest> {
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0u8; 1 << 20];
    let mut input = file.take(length);
    loop {
        match input.read(&mut buffer)? {
            0 => return Ok(Digest(*hasher.finalize().as_bytes())),
            n => hasher.update(&buffer[..n]),
        };
    }
}

impl Store {
    /// The name with which a block goes on with the folder that the one before it ends in.
    pub(super) fn goes_on(&self, at: usize) -> Option<Vec<u8>> {
        let name = self.blocks.get(at).map(|block| block.name.clone());
        name.filter(|name| !name.is_empty())
    }

    /// Whether a block holds part of one folder only, which goes on after it.
    pub(super) fn holds_one(&self, at: usize) -> bool {
        let after = self.blocks.get(at + 1).filter(|after| !after.name.is_empty());
        after.is_some_and(|after| {
            self.blocks
                .get(at)
                .is_some_and(|block| block.folder == after.folder)
        })
    }

    /// Decodes one block.
    pub(super) fn read(&self, at: usize) -> Result<Vec<Folder>, Trouble> {
        let Some(place) = self.blocks.get(at) else {
            return Ok(Vec::new());
        };
        let length = usize::try_from(place.length).unwrap_or(usize::MAX);
        if length > 1 << 30 {
            return Err(damaged(&self.path, "a block is longer than any can be"));
        }
        let mut bytes = vec![0u8; length];
        self.file
            .read_exact_at(&mut bytes, place.offset)
            .map_err(|e| cannot("read", &self.path, &e))?;
        block::decode(&bytes).ok_or_else(|| damaged(&self.path, "a block does not hold together"))
    }
}

/// Whole folders from consecutive blocks.
pub(super) struct Folders {
    store: Store,
    next: usize,
    ready: VecDeque<Folder>,
    failed: bool,
}

impl Folders {
    pub fn new(store: Store, next: usize) -> Folders {
        Folders {
            store,
            next,
            ready: VecDeque::new(),
            failed: false,
        }
    }

    /// The path of the next folder, without decoding all of a long one.
    pub fn next_path(&mut self) -> Option<Result<&[u8], Trouble>> {
        if self.ready.is_empty() && !self.failed {
            if let Err(trouble) = self.load() {
                self.failed = true;
                return Some(Err(trouble));
            }
        }
        self.ready.front().map(|folder| Ok(folder.path().as_bytes()))
    }

    /// Decodes the next block, joining its first folder to one it goes on with.
    fn load(&mut self) -> Result<bool, Trouble> {
        let Some(place) = self.store.blocks.get(self.next) else {
            return Ok(false);
        };
        let goes_on = !place.name.is_empty();
        let mut folders = self.store.read(self.next)?.into_iter();
        self.next += 1;
        if goes_on {
            // Without an open folder the stream began in the middle of one that is not wanted.
            if let (Some(open), Some(more)) = (self.ready.back_mut(), folders.next()) {
                open.append(more);
            }
        }
        self.ready.extend(folders);
        Ok(true)
    }
}

impl Iterator for Folders {
    type Item = Result<Folder, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        // The last folder of a block may go on in the next one.
        while self.ready.len() < 2 {
            match self.load() {
                Ok(true) => {}
                Ok(false) => break,
                Err(trouble) => {
                    self.failed = true;
                    return Some(Err(trouble));
                }
            }
        }
        self.ready.pop_front().map(Ok)
    }
}

impl Header {
    /// How long the scan took, as far as the clock can be trusted.
    pub fn seconds(&self) -> f64 {
        self.ended.seconds_since(self.start.started).max(0.0)
    }

    /// When the scan started.
    pub fn started(&self) -> Moment {
        let Start { started, .. } = self.start;
        started
    }
}

/// Refuses a format newer than ours, or none that ever was.
pub(super) fn check_version(bytes: &[u8], path: &Path) -> Result<(), Trouble> {
    let mut version = [0u8; 4];
    if bytes.len() == 4 {
        version.copy_from_slice(bytes);
    }
    match u32::from_le_bytes(version) {
        VERSION => Ok(()),
        0 => Err(damaged(path, "it has no version")),
        newer => Err(Trouble::stopped(
            "index-newer",
            format!("this index has format {newer}, and this program reads up to {VERSION}"),
        )
        .at(path_bytes(path))
        .mend("Use the newer Poolward that wrote it, or scan again with this one.")),
    }
}

/// An index that cannot be believed.
pub(super) fn damaged(path: &Path, why: &str) -> Trouble {
    Trouble::stopped("index-damaged", format!("this index is damaged: {why}"))
        .at(path_bytes(path))
        .mend(
            "Run poolward scan to make it anew; of a source already removed, take it back from the ledger's copy.",
        )
}

/// A system call on a file of ours that failed.
pub(super) fn cannot(what: &str, path: &Path, error: &std::io::Error) -> Trouble {
    let (code, mend) = match error.kind() {
        std::io::ErrorKind::NotFound => (
            "index-missing",
            "Run poolward scan first, or check that the move folder is whole.",
        ),
        std::io::ErrorKind::StorageFull => (
            "no-space",
            "Make room on the disk of the move folder and run the same command again.",
        ),
        _ => (
            "index-io",
            "Check the disk of the move folder and its permissions, then run the same command again.",
        ),
    };
    Trouble::stopped(code, format!("cannot {what} the index: {error}"))
        .at(path_bytes(path))
        .mend(mend)
}

pub(super) fn path_bytes(path: &Path) -> Vec<u8> {
    path.as_os_str().as_bytes().to_vec()
}
