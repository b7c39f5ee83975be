//! One segment of an index while it is written: what is held in memory, what is set aside, what is
//! encoded already.
//!
//! Folders stay in memory until the segment is finished; where it grows too large, what is there is
//! sorted and set aside as a run in a scratch file, and the runs are merged at the end. A large
//! folder takes neither way: it has blocks of its own, which are encoded as soon as it is whole, so
//! that its entries are held once and encoded once.

use crate::index::aside::{Merged, Run, cut_run};
use crate::index::block::Piece;
use crate::index::cutter::{
    BLOCK_ENTRIES, Block, Cutter, RUN_ENTRIES, cut_scattered, encode_one, has_own_blocks,
};
use crate::index::folder::{Folder, folder_order};
use crate::index::join::Held;
use crate::index::merge::{Merge, Next, Ready};
use crate::index::reader::{Folders, Store};
use crate::index::table::{self, BlockRef, RawSegment};
use crate::index::writer::{IndexWriter, locked};
use crate::index::{NotEntered, Totals};
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::collections::BTreeMap;
use std::sync::atomic::Ordering as Atomic;
use std::sync::{Arc, Mutex};

/// A run is not set aside below this, so that there are few to merge.
const LEAST_RUN: usize = 250_000;

/// Entries that are encoded once more for a checkpoint.
const MOST_CHECKPOINT: usize = 100_000;

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
    /// Large folders, encoded and stored.
    ready: Vec<Ready>,
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

impl SegmentWriter {
    pub(super) fn new(writer: Arc<IndexWriter>, tops: Vec<Vec<u8>>) -> SegmentWriter {
        SegmentWriter {
            writer,
            tops,
            state: Mutex::new(State::default()),
        }
    }

    /// Adds a folder whose listing is whole.
    ///
    /// # Errors
    /// A disk that is full or refuses, where a large segment is set aside.
    pub fn push(&self, mut folder: Folder) -> Result<(), Trouble> {
        folder.sort();
        let mut totals = Totals::default();
        folder.count_into(&mut totals);
        if has_own_blocks(folder.len()) {
            let path = folder.path().clone();
            let mut blocks = Vec::new();
            let mut cutter = self.final_cutter(&mut blocks);
            cutter.push(Arc::new(folder))?;
            cutter.finish()?;
            self.add_ready(Ready { path, blocks }, &totals);
            return Ok(());
        }
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

    /// Adds a folder as it was read, whose listing is whole.
    ///
    /// # Errors
    /// As [`SegmentWriter::push`].
    pub fn push_held(&self, folder: Held) -> Result<(), Trouble> {
        let scattered = match folder {
            Held::Whole(folder) => return self.push(folder),
            Held::Scattered(scattered) => scattered,
        };
        let (mut totals, mut blocks) = (Totals::default(), Vec::new());
        scattered.count_into(&mut totals);
        cut_scattered(&scattered, BLOCK_ENTRIES, |new| {
            blocks.push(locked(&self.writer.parts).add_block(&new.bytes, new.place)?);
            Ok(())
        })?;
        let path = scattered.path().clone();
        self.add_ready(Ready { path, blocks }, &totals);
        Ok(())
    }

    /// Sets parts of a folder aside that is too long for memory.
    ///
    /// # Errors
    /// A disk that is full or refuses.
    pub fn set_parts_aside(&self, path: &RelPath, parts: Vec<Folder>) -> Result<Run, Trouble> {
        let mut blocks = Vec::new();
        cut_run(path, parts, |new| {
            blocks.push(self.writer.scratch.add(&new.bytes, new.place)?);
            Ok(())
        })?;
        Ok(Run { blocks })
    }

    /// Adds a folder whose listing is whole and was set aside; they are more entries than two blocks
    /// hold. Says how many.
    ///
    /// # Errors
    /// As [`SegmentWriter::push`].
    pub fn push_runs(&self, path: RelPath, runs: Vec<Run>) -> Result<usize, Trouble> {
        let stores = runs.into_iter().map(|run| self.aside(run.blocks));
        let mut merged = Merged::new(path.clone(), stores.collect::<Result<_, _>>()?)?;
        let (mut totals, mut blocks) = (Totals::default(), Vec::new());
        merged.cut(&mut totals, |new| {
            blocks.push(locked(&self.writer.parts).add_block(&new.bytes, new.place)?);
            Ok(())
        })?;
        self.add_ready(Ready { path, blocks }, &totals);
        Ok(usize::try_from(totals.entries).unwrap_or(usize::MAX))
    }

    /// Blocks of the scratch file.
    fn aside(&self, blocks: Vec<BlockRef>) -> Result<Store, Trouble> {
        Ok(Store {
            file: self.writer.scratch.file()?,
            path: Arc::new(self.writer.scratch.beside.clone()),
            blocks: blocks.into(),
        })
    }

    fn add_ready(&self, ready: Ready, totals: &Totals) {
        let mut state = locked(&self.state);
        state.totals.add(totals);
        state.ready.push(ready);
    }

    /// Cuts blocks that go to the parts file.
    fn final_cutter<'a>(
        &'a self,
        blocks: &'a mut Vec<BlockRef>,
    ) -> Cutter<impl FnMut(Block) -> Result<(), Trouble> + 'a> {
        Cutter::new(BLOCK_ENTRIES, |block| {
            blocks.push(match block {
                Block::New(new) => locked(&self.writer.parts).add_block(&new.bytes, new.place)?,
                Block::Stored(place) => place,
            });
            Ok(())
        })
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
            ready: state.ready.clone(),
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
        let mut ready = std::mem::take(&mut state.ready);
        ready.sort_unstable_by(|a, b| folder_order(a.path.as_bytes(), b.path.as_bytes()));
        let runs = self.runs(state)?;
        let mut blocks = Vec::new();
        let mut cutter = self.final_cutter(&mut blocks);
        let failed = |path: &RelPath| state.failed.get(path.as_bytes());
        for next in Merge::new(folders, ready, runs) {
            match next? {
                Next::Folder(mut folder) => {
                    if let Some(failed) = failed(folder.path()) {
                        note_errors(Arc::make_mut(&mut folder), failed);
                    }
                    cutter.push(folder)?;
                }
                Next::Ready(ready) => match failed(&ready.path) {
                    None => cutter.add_stored(ready.blocks)?,
                    Some(failed) => cutter.add_stored(self.noted(ready, failed)?)?,
                },
            }
        }
        cutter.finish()?;
        Ok(blocks)
    }

    /// The blocks of a large folder with errors noted beside some of its entries. Only blocks that
    /// hold one of these are written anew.
    fn noted(&self, ready: Ready, failed: &[(Vec<u8>, String)]) -> Result<Vec<BlockRef>, Trouble> {
        let mut failed = failed.to_vec();
        failed.sort_by(|a, b| a.0.cmp(&b.0));
        let store = locked(&self.writer.parts).store(ready.blocks.clone().into())?;
        let mut blocks = Vec::with_capacity(ready.blocks.len());
        for (at, place) in ready.blocks.iter().enumerate() {
            let from = failed.partition_point(|(name, _)| *name < place.name);
            let next = ready.blocks.get(at + 1);
            let end = next.map_or(failed.len(), |next| {
                failed.partition_point(|(name, _)| *name < next.name)
            });
            let mine = &failed[from..end];
            if mine.is_empty() {
                blocks.push(place.clone());
                continue;
            }
            let mut folder = store.read(at)?.pop().unwrap_or_default();
            note_errors(&mut folder, mine);
            let rows = 0..folder.len();
            let folder = Arc::new(folder);
            let new = encode_one(&[Piece { folder, rows }], at > 0)?;
            blocks.push(locked(&self.writer.parts).add_block(&new.bytes, new.place)?);
        }
        Ok(blocks)
    }

    fn runs(&self, state: &mut State) -> Result<Vec<Folders>, Trouble> {
        let runs = std::mem::take(&mut state.runs).into_iter();
        runs.map(|blocks| Ok(Folders::new(self.aside(blocks)?, 0)))
            .collect()
    }

    /// Sorts folders into a run in the scratch file.
    fn set_aside(&self, mut folders: Vec<Arc<Folder>>) -> Result<Vec<BlockRef>, Trouble> {
        sort_folders(&mut folders);
        let mut blocks = Vec::new();
        let mut cutter = Cutter::new(RUN_ENTRIES, |block| {
            blocks.push(match block {
                Block::New(new) => self.writer.scratch.add(&new.bytes, new.place)?,
                Block::Stored(place) => place,
            });
            Ok(())
        });
        folders.into_iter().try_for_each(|folder| cutter.push(folder))?;
        cutter.finish()?;
        Ok(blocks)
    }
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
