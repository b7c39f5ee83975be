//! Writing an index: segments arrive from many threads in any order, the file comes out the same.
//!
//! A segment keeps its folders in memory until it is finished. Where one grows too large, what is
//! there is sorted and set aside as a run in a scratch file, and the runs are merged at the end, so
//! memory stays bounded by [`MOST_BUFFERED`] entries and not by the size of a source.

use crate::index::Start;
use crate::index::cutter::{BLOCK_ENTRIES, Cutter, RUN_ENTRIES};
use crate::index::folder::{Folder, folder_order};
use crate::index::hashing::Hashing;
use crate::index::merge::Merge;
use crate::index::parts::{self, Parts, Segments};
use crate::index::reader::{self, Folders, Index, MAGIC, Store, VERSION};
use crate::index::table::{self, BlockRef, RawSegment, RawTable, RawUneven};
use crate::index::{InodeClass, NotEntered, Totals, Uneven};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering as Atomic};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Entries held in memory over all segments before the next large one is set aside.
const MOST_BUFFERED: usize = 600_000;

/// A run is not set aside below this, so that there are few to merge.
const LEAST_RUN: usize = 250_000;

/// Entries that are encoded once more for a checkpoint.
const MOST_CHECKPOINT: usize = 100_000;

/// Writes one index.
pub struct IndexWriter {
    path: PathBuf,
    start: Start,
    parts: Mutex<Parts>,
    finished: Mutex<Segments>,
    /// Segments of an interrupted scan that may be used again.
    kept: Mutex<Segments>,
    uneven: Mutex<Option<Vec<RawUneven>>>,
    buffered: AtomicUsize,
    most_buffered: usize,
    scratch: Scratch,
}

/// Takes the folders of one segment, from several threads at once.
pub struct SegmentWriter {
    writer: Arc<IndexWriter>,
    tops: Vec<Vec<u8>>,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    folders: Vec<Arc<Folder>>,
    buffered: usize,
    runs: Vec<Vec<BlockRef>>,
    /// What failed, by the folder it lies in: (name, error).
    failed: BTreeMap<Vec<u8>, Vec<(Vec<u8>, String)>>,
    totals: Totals,
    boundaries: Vec<Vec<u8>>,
    not_entered: Vec<(Vec<u8>, String)>,
    once: bool,
}

impl State {
    /// Keeps words for the entry of a folder; it lies in a folder of this segment.
    fn note(&mut self, path: &RelPath, words: &str) {
        if let Some((parent, name)) = path.split() {
            let noted = self.failed.entry(parent.as_bytes().to_vec()).or_default();
            noted.push((name.to_vec(), words.to_string()));
        }
    }
}

/// Where runs wait; the file has no name and goes with us.
struct Scratch {
    beside: PathBuf,
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
        SegmentWriter {
            writer: Arc::clone(self),
            tops,
            state: Mutex::new(State::default()),
        }
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

impl SegmentWriter {
    /// Adds a folder whose listing is whole.
    ///
    /// # Errors
    /// A disk that is full or refuses, where a large segment is set aside.
    pub fn push(&self, mut folder: Folder) -> Result<(), Trouble> {
        folder.sort();
        let mut totals = Totals::default();
        folder.count_into(&mut totals);
        let count = folder.len() + 1;
        let all = self.writer.buffered.fetch_add(count, Atomic::Relaxed) + count;
        let mut state = locked(&self.state);
        state.totals.add(&totals);
        state.folders.push(Arc::new(folder));
        state.buffered += count;
        let most = self.writer.most_buffered;
        if all <= most || state.buffered < LEAST_RUN.min(most) {
            return Ok(());
        }
        let folders = std::mem::take(&mut state.folders);
        let count = std::mem::take(&mut state.buffered);
        drop(state);
        let run = self.set_aside(folders)?;
        self.writer.buffered.fetch_sub(count, Atomic::Relaxed);
        locked(&self.state).runs.push(run);
        Ok(())
    }

    /// Notes that a folder could not be listed; the folder it lies in must be in this segment.
    pub fn failed(&self, path: &RelPath, error: &str) {
        let mut state = locked(&self.state);
        state.totals.unreadable += 1;
        state.note(path, error);
    }

    /// Notes a folder where another file system begins, and the words that stand beside its entry:
    /// nobody who reads the entry alone may take it for an empty folder.
    pub fn boundary(&self, path: &RelPath, words: &str) {
        let mut state = locked(&self.state);
        state.boundaries.push(path.as_bytes().to_vec());
        state.note(path, words);
    }

    /// Notes a folder that a rule keeps us out of.
    pub fn not_entered(&self, folder: NotEntered) {
        let mut state = locked(&self.state);
        state
            .not_entered
            .push((folder.path.as_bytes().to_vec(), folder.rule));
    }

    /// A scan that goes on after an interruption is to look at this segment again.
    pub fn never_keep(&self) {
        locked(&self.state).once = true;
    }

    /// Puts what is there so far into the parts, for those who read them after an interruption,
    /// unless that would cost as much as the scan itself.
    ///
    /// # Errors
    /// A disk that is full or refuses.
    pub fn checkpoint(&self) -> Result<(), Trouble> {
        let state = locked(&self.state);
        if state.buffered > MOST_CHECKPOINT || !state.runs.is_empty() {
            return Ok(());
        }
        let mut copy = State {
            folders: state.folders.clone(),
            ..State::default()
        };
        let totals = state.totals;
        drop(state);
        let blocks = self.encode(&mut copy)?;
        locked(&self.writer.parts).add_segment(&RawSegment {
            tops: self.tops.clone(),
            blocks,
            totals: table::raw_totals(&totals),
            boundaries: Vec::new(),
            not_entered: Vec::new(),
            once: true,
        })
    }

    /// Ends the segment: from now on an interrupted scan need not look there again.
    ///
    /// # Errors
    /// A disk that is full or refuses.
    pub fn finish(&self) -> Result<(), Trouble> {
        let mut state = std::mem::take(&mut *locked(&self.state));
        let buffered = state.buffered;
        let blocks = self.encode(&mut state)?;
        self.writer.buffered.fetch_sub(buffered, Atomic::Relaxed);
        let segment = RawSegment {
            tops: self.tops.clone(),
            blocks,
            totals: table::raw_totals(&state.totals),
            boundaries: state.boundaries,
            not_entered: state.not_entered,
            once: state.once,
        };
        locked(&self.writer.parts).add_segment(&segment)?;
        locked(&self.writer.finished).insert(self.tops.clone(), segment);
        Ok(())
    }

    /// Encodes all folders in order into the parts file.
    fn encode(&self, state: &mut State) -> Result<Vec<BlockRef>, Trouble> {
        let mut folders = std::mem::take(&mut state.folders);
        sort_folders(&mut folders);
        let runs = self.runs(state)?;
        let mut blocks = Vec::new();
        let mut cutter = Cutter::new(BLOCK_ENTRIES, |block| {
            blocks.push(locked(&self.writer.parts).add_block(&block.bytes, block.place)?);
            Ok(())
        });
        for folder in Merge::new(folders, runs) {
            let mut folder = folder?;
            if let Some(failed) = state.failed.get(folder.path().as_bytes()) {
                note_errors(Arc::make_mut(&mut folder), failed);
            }
            cutter.push(folder)?;
        }
        cutter.finish()?;
        Ok(blocks)
    }

    fn runs(&self, state: &mut State) -> Result<Vec<Folders>, Trouble> {
        let runs = std::mem::take(&mut state.runs);
        if runs.is_empty() {
            return Ok(Vec::new());
        }
        let file = self.writer.scratch.file()?;
        let path = Arc::new(self.writer.scratch.beside.clone());
        let open = |blocks: Vec<BlockRef>| {
            let store = Store {
                file: Arc::clone(&file),
                path: Arc::clone(&path),
                blocks: blocks.into(),
            };
            Folders::new(store, 0)
        };
        Ok(runs.into_iter().map(open).collect())
    }

    /// Sorts folders into a run in the scratch file.
    fn set_aside(&self, mut folders: Vec<Arc<Folder>>) -> Result<Vec<BlockRef>, Trouble> {
        sort_folders(&mut folders);
        let mut blocks = Vec::new();
        let mut cutter = Cutter::new(RUN_ENTRIES, |block| {
            blocks.push(self.writer.scratch.add(&block.bytes, block.place)?);
            Ok(())
        });
        folders.into_iter().try_for_each(|folder| cutter.push(folder))?;
        cutter.finish()?;
        Ok(blocks)
    }
}

impl Scratch {
    fn file(&self) -> Result<Arc<File>, Trouble> {
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

    fn add(&self, bytes: &[u8], mut place: BlockRef) -> Result<BlockRef, Trouble> {
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

fn sort_folders(folders: &mut [Arc<Folder>]) {
    folders.sort_unstable_by(|a, b| folder_order(a.path().as_bytes(), b.path().as_bytes()));
}

fn note_errors(folder: &mut Folder, failed: &[(Vec<u8>, String)]) {
    for (name, error) in failed {
        if let Some(row) = folder.find(name) {
            folder.set_error(row, error.clone());
        }
    }
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

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
