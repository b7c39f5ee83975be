//! The parts file: what a scan has finished so far, record by record, each sealed by itself.
//!
//! It is never synced while the scan runs. A record that a crash tore off is known by its digest;
//! it and what follows are dropped, and those segments are scanned again.

use crate::digest::Digest;
use crate::index::reader::{self, Store, VERSION};
use crate::index::table::{self, BlockRef, RawSegment, RawStart};
use crate::trouble::Trouble;
use std::collections::{BTreeMap, HashSet};
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The first bytes of a parts file.
pub(super) const MAGIC: &[u8; 8] = b"PWPARTS\n";

const START: u8 = 1;
const BLOCK: u8 = 2;
const SEGMENT: u8 = 3;

/// Kind and length before the payload, digest after it.
const BEFORE: u64 = 9;
const AFTER: u64 = 32;

/// Segments by their top-level folders.
pub(super) type Segments = BTreeMap<Vec<Vec<u8>>, RawSegment>;

/// A parts file open for adding to.
pub(super) struct Parts {
    pub file: File,
    pub path: PathBuf,
    end: u64,
}

/// What a parts file holds.
pub(super) struct Found {
    pub start: RawStart,
    pub segments: Segments,
    /// Where the last whole record ends.
    pub end: u64,
    pub digest: Digest,
}

impl Parts {
    /// Opens or creates the file and takes its lock.
    pub fn open(path: &Path) -> Result<Parts, Trouble> {
        let file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(|e| reader::cannot("write", path, &e))?;
        rustix::fs::flock(&file, rustix::fs::FlockOperation::NonBlockingLockExclusive).map_err(|_| {
            Trouble::stopped("scan-running", "another scan of this source is running")
                .at(reader::path_bytes(path))
                .mend("Wait until it ends, or stop it first.")
        })?;
        Ok(Parts {
            file,
            path: path.to_path_buf(),
            end: 0,
        })
    }

    /// Starts afresh.
    pub fn reset(&mut self, start: &RawStart) -> Result<(), Trouble> {
        let mut head = MAGIC.to_vec();
        head.extend_from_slice(&VERSION.to_le_bytes());
        self.cut(0)?;
        self.write(&head)?;
        let start = table::encode(start).map_err(Trouble::defect)?;
        self.append(START, &start).map(|_| ())
    }

    /// Drops everything from `end` on.
    pub fn cut(&mut self, end: u64) -> Result<(), Trouble> {
        self.end = end;
        let cut = self.file.set_len(end);
        cut.and_then(|()| self.file.seek(SeekFrom::Start(end)).map(|_| ()))
            .map_err(|e| reader::cannot("write", &self.path, &e))
    }

    /// Adds a block; its place is set in the reference handed back.
    pub fn add_block(&mut self, bytes: &[u8], mut place: BlockRef) -> Result<BlockRef, Trouble> {
        place.offset = self.append(BLOCK, bytes)?;
        Ok(place)
    }

    /// Adds a finished segment, whose blocks are already there.
    pub fn add_segment(&mut self, segment: &RawSegment) -> Result<(), Trouble> {
        let bytes = table::encode(segment).map_err(Trouble::defect)?;
        self.append(SEGMENT, &bytes).map(|_| ())
    }

    /// Blocks of this file for reading; more can be added meanwhile.
    pub fn store(&self, blocks: Arc<[BlockRef]>) -> Result<Store, Trouble> {
        let file = self.file.try_clone();
        Ok(Store {
            file: Arc::new(file.map_err(|e| reader::cannot("read", &self.path, &e))?),
            path: Arc::new(self.path.clone()),
            blocks,
        })
    }

    fn append(&mut self, kind: u8, payload: &[u8]) -> Result<u64, Trouble> {
        let mut head = vec![kind];
        head.extend_from_slice(&(payload.len() as u64).to_le_bytes());
        self.write(&head)?;
        let offset = self.end;
        self.write(payload)?;
        self.write(seal(&head, payload).as_bytes())?;
        Ok(offset)
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), Trouble> {
        self.file
            .write_all(bytes)
            .map_err(|e| reader::cannot("write", &self.path, &e))?;
        self.end += bytes.len() as u64;
        Ok(())
    }
}

fn seal(head: &[u8], payload: &[u8]) -> blake3::Hash {
    let mut hasher = blake3::Hasher::new();
    hasher.update(head);
    hasher.update(payload);
    hasher.finalize()
}

/// Reads a parts file as far as it is whole. `None` where not even its start is.
pub(super) fn read(file: &File, path: &Path) -> Result<Option<Found>, Trouble> {
    let fail = |e: &std::io::Error| reader::cannot("read", path, e);
    let length = file.metadata().map_err(|e| fail(&e))?.len();
    let mut input = BufReader::with_capacity(1 << 20, file);
    input.seek(SeekFrom::Start(0)).map_err(|e| fail(&e))?;
    let mut head = [0u8; 12];
    if length < 12 {
        return Ok(None);
    }
    input.read_exact(&mut head).map_err(|e| fail(&e))?;
    if head[..8] != MAGIC[..] {
        return Ok(None);
    }
    reader::check_version(&head[8..], path)?;
    let mut whole = blake3::Hasher::new();
    whole.update(&head);
    let (mut start, mut segments, mut blocks) = (None, Segments::new(), HashSet::new());
    let mut end = 12u64;
    while let Some((kind, payload)) = next_record(&mut input, length - end).map_err(|e| fail(&e))? {
        let at = end + BEFORE;
        match kind {
            START => start = table::decode::<RawStart>(&payload),
            BLOCK => {
                blocks.insert((at, payload.len() as u64));
            }
            SEGMENT => {
                let segment = table::decode::<RawSegment>(&payload);
                let whole = |s: &RawSegment| s.blocks.iter().all(|b| blocks.contains(&(b.offset, b.length)));
                if let Some(segment) = segment.filter(whole) {
                    segments.insert(segment.tops.clone(), segment);
                }
            }
            _ => break,
        }
        whole.update(&payload);
        end = at + payload.len() as u64 + AFTER;
    }
    Ok(start.map(|start| Found {
        start,
        segments,
        end,
        digest: Digest(*whole.finalize().as_bytes()),
    }))
}

/// The next whole record; `None` at the end or where one is torn or damaged.
fn next_record(input: &mut impl Read, left: u64) -> std::io::Result<Option<(u8, Vec<u8>)>> {
    if left < BEFORE + AFTER {
        return Ok(None);
    }
    let mut head = [0u8; BEFORE as usize];
    input.read_exact(&mut head)?;
    let mut length = [0u8; 8];
    length.copy_from_slice(&head[1..]);
    let length = u64::from_le_bytes(length);
    if length > left - BEFORE - AFTER {
        return Ok(None);
    }
    let mut payload = vec![0u8; length as usize];
    input.read_exact(&mut payload)?;
    let mut digest = [0u8; AFTER as usize];
    input.read_exact(&mut digest)?;
    Ok((seal(&head, &payload) == digest).then_some((head[0], payload)))
}
