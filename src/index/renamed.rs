//! An index with other names: what a scan would have seen, had folders been called so then.

use crate::index::folder::Folder;
use crate::index::reader::Index;
use crate::index::{IndexWriter, SegmentWriter};
use crate::names::RelPath;
use crate::survey::surveyor::BOUNDARY;
use crate::trouble::Trouble;
use std::path::Path;

impl Index {
    /// Writes this index anew at `path` with folders under other names: `renames` holds old path
    /// and new path, both in one folder, the old paths as they stand in this index. All facts stay,
    /// the times of the scan too. The same renames give the same bytes.
    ///
    /// # Errors
    /// An index that can no longer be read; a disk that is full or refuses.
    pub fn with_renamed(&self, path: &Path, renames: &[(RelPath, RelPath)]) -> Result<Index, Trouble> {
        let header = self.header();
        let parts = path.with_extension("renamed.parts");
        let writer = IndexWriter::begin(path, &parts, header.start.clone(), false)?;
        let mut open: Option<(Option<Vec<u8>>, SegmentWriter)> = None;
        for listing in self.listings() {
            let listing = listing?;
            let folder = renamed(&listing.folder, renames);
            let top = folder.components().next().map(<[u8]>::to_vec);
            if open.as_ref().is_none_or(|(of, _)| *of != top) {
                if let Some((_, segment)) = open.take() {
                    segment.finish()?;
                }
                let segment = writer.segment(top.iter().cloned().collect());
                if top.is_none() {
                    header
                        .boundaries
                        .iter()
                        .for_each(|at| segment.boundary(&renamed(at, renames), BOUNDARY));
                    for passed in &header.not_entered {
                        let mut passed = passed.clone();
                        passed.path = renamed(&passed.path, renames);
                        segment.not_entered(passed);
                    }
                }
                open = Some((top, segment));
            }
            let mut written = Folder::new(folder);
            for child in listing.children {
                let new = listing
                    .folder
                    .join(&child.name)
                    .ok()
                    .map(|old| renamed(&old, renames));
                let name = new
                    .as_ref()
                    .and_then(|new| new.split())
                    .map(|(_, name)| name.to_vec());
                written.push(&name.unwrap_or(child.name), child.entry);
            }
            if let Some((_, segment)) = &open {
                segment.push(written)?;
            }
        }
        if let Some((_, segment)) = open {
            segment.finish()?;
        }
        if header.recounted {
            let mut uneven = header.uneven.clone();
            uneven
                .iter_mut()
                .for_each(|one| one.folder = renamed(&one.folder, renames));
            writer.counted_twice(&uneven);
        }
        writer.finish(header.ended)
    }
}

/// A path under the new names; all renames at once, so that two can change places.
fn renamed(path: &RelPath, renames: &[(RelPath, RelPath)]) -> RelPath {
    let under = |(old, new): &(RelPath, RelPath)| Some(new.join_path(&path.below(old)?));
    renames.iter().find_map(under).unwrap_or_else(|| path.clone())
}
