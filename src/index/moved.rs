//! An index with files at other places: what a scan would have seen, had they lain there then.

use crate::entry::Entry;
use crate::index::folder::Folder;
use crate::index::reader::Index;
use crate::index::{IndexWriter, SegmentWriter};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::survey::surveyor::BOUNDARY;
use crate::trouble::Trouble;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

/// What lies elsewhere.
#[derive(Debug, Clone, Default)]
pub struct Elsewhere {
    /// Files and symlinks: old path and new path. What the index does not have stays unknown.
    pub files: Vec<(RelPath, RelPath)>,
    /// Folders that come with them, where the index has none of that path.
    pub made: Vec<(RelPath, Entry)>,
    /// Folders that are no more; everything in them moves.
    pub emptied: BTreeSet<RelPath>,
    /// New times of folders.
    pub times: BTreeMap<RelPath, Moment>,
}

/// What comes into folders, by folder.
type Coming = BTreeMap<RelPath, Vec<(Vec<u8>, Entry)>>;

impl Index {
    /// Writes this index anew at `path` with files at other places. All facts of the files stay,
    /// the times of the scan too. The same moves give the same bytes.
    ///
    /// # Errors
    /// An index that can no longer be read; a disk that is full or refuses.
    pub fn with_moved(&self, path: &Path, moves: &Elsewhere) -> Result<Index, Trouble> {
        let header = self.header();
        let parts = path.with_extension("moved.parts");
        let writer = IndexWriter::begin(path, &parts, header.start.clone(), false)?;
        let mut leaving: BTreeSet<RelPath> = moves.emptied.clone();
        leaving.extend(moves.files.iter().map(|(from, _)| from.clone()));
        let mut out = Out {
            index: self,
            writer: &writer,
            open: None,
            coming: self.coming(moves)?,
        };
        for listing in self.listings() {
            let listing = listing?;
            if moves.emptied.contains(&listing.folder) {
                continue;
            }
            let mut written = Folder::new(listing.folder.clone());
            for child in listing.children {
                let Ok(at) = listing.folder.join(&child.name) else {
                    continue;
                };
                if !leaving.contains(&at) {
                    written.push(&child.name, timed(child.entry, moves.times.get(&at)));
                }
            }
            out.push(written)?;
        }
        out.end()?;
        if header.recounted {
            writer.counted_twice(&header.uneven);
        }
        writer.finish(header.ended)
    }

    /// The entries that come, in the folders they come into. A made folder has a listing even
    /// where nothing comes into it.
    fn coming(&self, moves: &Elsewhere) -> Result<Coming, Trouble> {
        let mut coming = Coming::new();
        let mut add = |path: &RelPath, entry: Entry| {
            if let Some((folder, name)) = path.split() {
                coming.entry(folder).or_default().push((name.to_vec(), entry));
            }
        };
        let mut made = Vec::new();
        for (path, entry) in &moves.made {
            if self.entry(path)?.is_none() {
                add(path, timed(entry.clone(), moves.times.get(path)));
                made.push(path);
            }
        }
        let mut files: Vec<_> = moves.files.iter().collect();
        // Neighbours lie in one block of the index.
        files.sort();
        for (from, to) in files {
            if let Some(entry) = self.entry(from)? {
                add(to, entry);
            }
        }
        for path in made {
            coming.entry(path.clone()).or_default();
        }
        Ok(coming)
    }
}

fn timed(mut entry: Entry, mtime: Option<&Moment>) -> Entry {
    entry.mtime = mtime.copied().unwrap_or(entry.mtime);
    entry
}

fn top_of(folder: &RelPath) -> Option<Vec<u8>> {
    folder.components().next().map(<[u8]>::to_vec)
}

/// The segments of the new index, one a folder in the root, and what still comes into their folders.
struct Out<'a> {
    index: &'a Index,
    writer: &'a Arc<IndexWriter>,
    open: Option<(Option<Vec<u8>>, SegmentWriter)>,
    coming: Coming,
}

impl Out<'_> {
    fn push(&mut self, mut folder: Folder) -> Result<(), Trouble> {
        let top = top_of(folder.path());
        if self.open.as_ref().is_none_or(|(of, _)| *of != top) {
            self.close()?;
            self.open = Some((top.clone(), self.begin(top)));
        }
        for (name, entry) in self.coming.remove(folder.path()).unwrap_or_default() {
            folder.push(&name, entry);
        }
        match &self.open {
            Some((_, segment)) => segment.push(folder),
            None => Ok(()),
        }
    }

    fn begin(&self, top: Option<Vec<u8>>) -> SegmentWriter {
        let header = self.index.header();
        let segment = self.writer.segment(top.iter().cloned().collect());
        if top.is_none() {
            header
                .boundaries
                .iter()
                .for_each(|at| segment.boundary(at, BOUNDARY));
            let passed = header.not_entered.iter().cloned();
            passed.for_each(|passed| segment.not_entered(passed));
        }
        segment
    }

    /// Ends the open segment, with the made folders below it, which the old index did not list.
    fn close(&mut self) -> Result<(), Trouble> {
        let Some((top, segment)) = self.open.take() else {
            return Ok(());
        };
        let first = top.clone().unwrap_or_default();
        let from = RelPath::new(first.clone()).unwrap_or_default();
        let near = self.coming.range(from..).map(|(folder, _)| folder);
        let mine = near
            .take_while(|folder| folder.as_bytes().starts_with(&first))
            .filter(|folder| top_of(folder) == top);
        for folder in mine.cloned().collect::<Vec<_>>() {
            segment.push(self.made(&folder))?;
        }
        segment.finish()
    }

    fn made(&mut self, folder: &RelPath) -> Folder {
        let mut written = Folder::new(folder.clone());
        for (name, entry) in self.coming.remove(folder).unwrap_or_default() {
            written.push(&name, entry);
        }
        written
    }

    /// Ends the last segment, and those of folders in the root that are new.
    fn end(mut self) -> Result<(), Trouble> {
        self.close()?;
        while let Some(folder) = self.coming.keys().next().cloned() {
            let made = self.made(&folder);
            self.push(made)?;
        }
        self.close()
    }
}
