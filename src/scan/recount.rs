//! Counting twice: every folder's names once more, by another way.
//!
//! Servers are known to leave names out of long listings without an error. jwalk reads the tree
//! again in parallel, names and types only, by path and in other portions than the walk did; a
//! folder where the two counts differ either changes right now or is not listed completely, and
//! nothing may be concluded from a name that is missing there.
//!
//! jwalk is not the walk itself: it opens by path (one can be too long, and a link put in its way
//! is followed), touches times of access, holds a long folder back until it is read to its end, and
//! waits by spinning. Measured on a million entries and two cores, jwalk with attributes read
//! relative to a handle and nothing kept took 0.43 of the time of GNU find; the walk by handles
//! takes 0.44 to 0.52 with the finished index.

use crate::index::Uneven;
use crate::names::RelPath;
use crate::scan::walk::locked;
use jwalk::{Parallelism, WalkDirGeneric};
use std::collections::HashMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// How many names each folder had, by a hash of its path: 16 bytes a folder.
#[derive(Debug, Default)]
pub(super) struct Counts(Mutex<HashMap<u64, u32>>);

impl Counts {
    /// Notes what the walk saw.
    pub fn note(&self, folder: &RelPath, names: usize) {
        let names = u32::try_from(names).unwrap_or(u32::MAX);
        locked(&self.0).insert(key(folder.as_bytes()), names);
    }

    fn get(&self, folder: &[u8]) -> Option<u32> {
        locked(&self.0).get(&key(folder)).copied()
    }
}

fn key(folder: &[u8]) -> u64 {
    let mut hasher = DefaultHasher::new();
    folder.hash(&mut hasher);
    hasher.finish()
}

/// Reads the names of all noted folders again and hands back those whose number differs, in byte
/// order. A folder that cannot be read by path (too long, or gone meanwhile) is left out.
pub(super) fn recount(
    root: &Path,
    counts: &Arc<Counts>,
    threads: usize,
    stop: impl Fn() -> bool,
) -> Vec<Uneven> {
    let uneven = Arc::new(Mutex::new(Vec::new()));
    let (found, known, base) = (Arc::clone(&uneven), Arc::clone(counts), root.to_path_buf());
    let walk = WalkDirGeneric::<((), ())>::new(root)
        .skip_hidden(false)
        .follow_links(false)
        .parallelism(Parallelism::RayonNewPool(threads))
        .process_read_dir(move |depth, path, (), children| {
            let Some(folder) = depth.and_then(|_| below(&base, path)) else {
                return;
            };
            if let Some(first) = known.get(folder.as_bytes()) {
                let second = u32::try_from(children.len()).unwrap_or(u32::MAX);
                let whole = children.iter().all(Result::is_ok);
                if !whole || first != second {
                    let names = (first.into(), second.into());
                    locked(&found).push(Uneven {
                        folder: folder.clone(),
                        names,
                    });
                }
            }
            // Only folders that the walk has entered are counted again.
            children.retain(|child| {
                let name = child
                    .as_ref()
                    .ok()
                    .filter(|c| c.file_type.is_dir())
                    .map(|c| &c.file_name);
                let path = name.and_then(|name| folder.join(name.as_bytes()).ok());
                path.is_some_and(|path| known.get(path.as_bytes()).is_some())
            });
        });
    for _ in walk {
        if stop() {
            break;
        }
    }
    let mut uneven = std::mem::take(&mut *locked(&uneven));
    uneven.sort();
    uneven
}

fn below(root: &PathBuf, path: &Path) -> Option<RelPath> {
    RelPath::new(path.strip_prefix(root).ok()?.as_os_str().as_bytes()).ok()
}
