//! Writing an index: segments arrive from many threads in any order, the file comes out the same.
//!
//! Memory stays bounded by [`MOST_BUFFERED`] entries, and one large folder, and not by the size of a
//! source: see [`super::segment`].

use crate::index::Start;
use crate::index::hashing::Hashing;
use crate::index::parts::{self, Parts, Segments};
use crate::index::reader::{self, Index, MAGIC, VERSION};
use crate::index::segment::SegmentWriter;
use crate::index::table::{self, BlockRef, RawSegment, RawTable, RawUneven};
use crate::index::{InodeClass, Totals, Uneven};
use crate::moment::Moment;
use crate::trouble::Trouble;
use std::collections::BTreeSet;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering as Atomic};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Entries held in memory over all segments before the next large one is set aside.
const MOST_BUFFERED: usize = 600_000;

/// Writes one index.
pub struct IndexWriter {
    path: PathBuf,
    start: Start,
    pub(super) parts: Mutex<Parts>,
    pub(super) finished: Mutex<Segments>,
    /// Segments of an interrupted scan that may be used again.
    kept: Mutex<Segments>,
    uneven: Mutex<Option<Vec<RawUneven>>>,
    pub(super) buffered: AtomicUsize,
    pub(super) most_buffered: usize,
    pub(super) scratch: Scratch,
}

/// Where runs wait; the file has no name and goes with us.
pub(super) struct Scratch {
    pub(super) beside: PathBuf,
    file: Mutex<Option<Arc<File>>>,
    end: AtomicU64,
}

impl IndexWriter {
    /// Starts an index that will stand at `path`, with its parts at `parts` meanwhile. Where the
    /// parts of an interrupted scan of the same source under the same rules are there and
    /// `resume` is set, their segments can be used again.
    ///
    /// # Errors
    /// Another scan that holds the parts; a folder that cannot be written.
    pub fn begin(
        path: &Path,
        parts: &Path,
        mut start: Start,
        resume: bool,
    ) -> Result<Arc<IndexWriter>, Trouble> {
        let mut file = Parts::open(parts)?;
        let found = if resume {
            parts::read(&file.file, parts)?
        } else {
            None
        };
        let kept = match found.filter(|found| same_scan(&table::start_of(&found.start), &start)) {
            Some(found) => {
                start.started = table::start_of(&found.start).started;
                file.cut(found.end)?;
                found.segments
            }
            None => {
                file.reset(&table::raw_start(&start))?;
                Segments::new()
            }
        };
        Ok(Arc::new(IndexWriter {
            path: path.to_path_buf(),
            start,
            parts: Mutex::new(file),
            finished: Mutex::new(Segments::new()),
            kept: Mutex::new(kept),
            uneven: Mutex::new(None),
            buffered: AtomicUsize::new(0),
            most_buffered: MOST_BUFFERED,
            scratch: Scratch {
                beside: parts.with_extension("scratch"),
                file: Mutex::new(None),
                end: AtomicU64::new(0),
            },
        }))
    }

    /// With another bound on what is held in memory.
    #[cfg(test)]
    pub(super) fn with_most_buffered(self: Arc<Self>, entries: usize) -> Arc<IndexWriter> {
        let mut writer = Arc::into_inner(self).unwrap();
        writer.most_buffered = entries;
        Arc::new(writer)
    }

    /// What was known at the start; of a scan gone on with, since when it runs.
    pub fn start(&self) -> &Start {
        &self.start
    }

    /// Takes over the segment of these top-level folders where an interrupted scan has finished
    /// it, and says what it holds.
    pub fn take_kept(&self, tops: &[Vec<u8>]) -> Option<Totals> {
        let segment = locked(&self.kept).remove(tops).filter(|segment| !segment.once)?;
        let totals = table::totals(&segment.totals);
        locked(&self.finished).insert(segment.tops.clone(), segment);
        Some(totals)
    }

    /// Makes the segments of a sealed index usable again like those of an interrupted scan, but for
    /// those that hold a top-level folder to be scanned again. Their bytes are taken over as they
    /// are.
    ///
    /// # Errors
    /// An index that can no longer be read; a disk that is full or refuses.
    pub fn keep_from(&self, before: &Index, again: &BTreeSet<Vec<u8>>) -> Result<(), Trouble> {
        for old in before.segments() {
            let stays = !old.once && !old.tops.is_empty();
            if !stays || old.tops.iter().any(|top| again.contains(top)) {
                continue;
            }
            let mut segment = old.clone();
            segment.blocks.clear();
            for place in &old.blocks {
                let bytes = before.encoded(place)?;
                segment
                    .blocks
                    .push(locked(&self.parts).add_block(&bytes, place.clone())?);
            }
            locked(&self.parts).add_segment(&segment)?;
            locked(&self.kept).insert(segment.tops.clone(), segment);
        }
        Ok(())
    }

    /// Opens the segment of these top-level folders, in byte order; of none: the root's own
    /// listing.
    pub fn segment(self: &Arc<Self>, tops: Vec<Vec<u8>>) -> SegmentWriter {
        SegmentWriter::new(Arc::clone(self), tops)
    }

    /// Notes that all folders were counted twice, and where the counts differ.
    pub fn counted_twice(&self, uneven: &[Uneven]) {
        let raw = |u: &Uneven| (u.folder.as_bytes().to_vec(), u.names.0, u.names.1);
        *locked(&self.uneven) = Some(uneven.iter().map(raw).collect());
    }

    /// Ends an interrupted scan: what is finished is made durable in the parts file.
    ///
    /// # Errors
    /// A disk that refuses.
    pub fn keep_parts(self: Arc<Self>) -> Result<(), Trouble> {
        let parts = locked(&self.parts);
        let synced = parts.file.sync_all();
        synced.map_err(|e| reader::cannot("write", &parts.path, &e))
    }

    /// Ends an interrupted scan that is not to be gone on with.
    pub fn drop_parts(self: Arc<Self>) {
        // Left behind, they would only be overwritten; that is no reason to fail.
        let _ = std::fs::remove_file(&locked(&self.parts).path);
    }

    /// Seals the index: written to the side, synced, renamed into place, the folder synced; then
    /// the parts are removed.
    ///
    /// # Errors
    /// A disk that is full or refuses; the parts stay.
    pub fn finish(self: Arc<Self>, ended: Moment) -> Result<Index, Trouble> {
        self.finish_classed(ended, &|_| None)
    }

    /// As [`IndexWriter::finish`]; `class` may say from the finished index how far its inode numbers
    /// can be trusted, and the index keeps that.
    ///
    /// # Errors
    /// A disk that is full or refuses; the parts stay.
    pub fn finish_classed(
        self: Arc<Self>,
        ended: Moment,
        class: &dyn Fn(&Index) -> Option<InodeClass>,
    ) -> Result<Index, Trouble> {
        let side = with_suffix(&self.path, ".part");
        let write = |class| {
            self.write_sealed(&side, ended, class)
                .map_err(|e| reader::cannot("write", &side, &e))
        };
        write(self.start.inodes)?;
        if let Some(found) = class(&Index::open(&side)?) {
            write(found)?;
        }
        std::fs::rename(&side, &self.path)
            .and_then(|()| sync_folder_of(&self.path))
            .map_err(|e| reader::cannot("write", &self.path, &e))?;
        // Left behind, the parts would only be scanned over; that is no reason to fail.
        let _ = std::fs::remove_file(&locked(&self.parts).path);
        Index::open(&self.path)
    }

    fn write_sealed(&self, side: &Path, ended: Moment, inodes: InodeClass) -> std::io::Result<()> {
        let mut start = self.start.clone();
        start.inodes = inodes;
        let mut output = Hashing::new(File::create(side)?);
        output.write(MAGIC)?;
        output.write(&VERSION.to_le_bytes())?;
        let parts = locked(&self.parts);
        let mut segments: Vec<RawSegment> = locked(&self.finished).values().cloned().collect();
        let mut bytes = Vec::new();
        for place in segments.iter_mut().flat_map(|segment| &mut segment.blocks) {
            bytes.resize(place.length as usize, 0);
            parts.file.read_exact_at(&mut bytes, place.offset)?;
            place.offset = output.position;
            output.write(&bytes)?;
        }
        let table = table::encode(&RawTable {
            start: table::raw_start(&start),
            ended: table::raw_moment(ended),
            complete: true,
            uneven: locked(&self.uneven).clone(),
            segments,
        });
        let table = table.map_err(std::io::Error::other)?;
        output.write(&table)?;
        output.write(&(table.len() as u64).to_le_bytes())?;
        output.seal()
    }
}

impl Scratch {
    pub(super) fn file(&self) -> Result<Arc<File>, Trouble> {
        let mut held = locked(&self.file);
        if let Some(file) = held.as_ref() {
            return Ok(Arc::clone(file));
        }
        let mut options = File::options();
        let options = options.read(true).write(true).create(true).truncate(true);
        let file = options
            .open(&self.beside)
            .and_then(|file| std::fs::remove_file(&self.beside).map(|()| Arc::new(file)))
            .map_err(|e| reader::cannot("write", &self.beside, &e))?;
        *held = Some(Arc::clone(&file));
        Ok(file)
    }

    pub(super) fn add(&self, bytes: &[u8], mut place: BlockRef) -> Result<BlockRef, Trouble> {
        place.offset = self.end.fetch_add(bytes.len() as u64, Atomic::Relaxed);
        self.file()?
            .write_all_at(bytes, place.offset)
            .map_err(|e| reader::cannot("write", &self.beside, &e))?;
        Ok(place)
    }
}

/// Whether parts can be gone on with: another mount of the same root is the same.
fn same_scan(old: &Start, new: &Start) -> bool {
    let key = |s: &Start| {
        (
            s.source.clone(),
            s.root.clone(),
            s.rules.clone(),
            s.mount_type.clone(),
        )
    };
    key(old) == key(new)
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

fn sync_folder_of(path: &Path) -> std::io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
}

pub(super) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
