//! How fast existing files are read, past the cache.

use super::{IN_FLIGHT, Nest, STEP, Tools, cost};
use crate::names::RelPath;
use crate::units::{Bytes, Rate, Span};
use crate::world::{ALIGN, Buffer, Course, FileIn, Folder, Fs, OpenHow, ReadHow, Res};
use std::num::NonZeroU64;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Of each large file so much is read, around its middle.
const OF_EACH: u64 = 64 << 20;
/// Less than this says nothing about a rate.
const LEAST_BYTES: u64 = 8 << 20;
/// Fewer files say nothing about their cost.
const LEAST_FILES: u64 = 8;
/// Largest small file that is read.
const SMALL: u64 = 1 << 20;

/// What reading large files has shown.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Large {
    /// Bytes a second; `None` where there was too little to read.
    pub rate: Option<Rate>,
    /// Bytes read.
    pub bytes: Bytes,
    /// The least sure way they were read.
    pub read_how: Option<ReadHow>,
    /// Files that could not be read.
    pub unreadable: u64,
}

/// What reading small files has shown.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Small {
    /// Seconds for each, with as many in flight as a copy has; `None` where there were too few.
    pub cost: Option<f64>,
    /// Files read.
    pub files: u64,
    /// The least sure way they were read.
    pub read_how: Option<ReadHow>,
    /// Files that could not be read.
    pub unreadable: u64,
}

/// Reads parts of large files, one after the other, for at most `seconds`.
///
/// # Errors
/// A fault that would stop everything: the mount is gone, or somebody stopped. A file that cannot
/// be read is counted.
pub fn read_large(fs: &dyn Fs, paths: &[RelPath], tools: Tools<'_>, seconds: f64) -> Res<Large> {
    let root = fs.root()?;
    let mut buffer = Buffer::new(NonZeroU64::new(STEP as u64).unwrap_or(NonZeroU64::MIN));
    let (mut out, mut spent) = (Large::default(), 0.0);
    for path in paths {
        tools.go_on()?;
        if spent >= seconds {
            break;
        }
        match part(&root, path, buffer.bytes_mut(), tools, seconds - spent) {
            Ok((bytes, took, how)) => {
                spent += took;
                out.bytes = out.bytes.plus(Bytes(bytes));
                out.read_how = out.read_how.max(Some(how));
            }
            Err(fault) if fault.course() == Course::StopAll => return Err(fault),
            Err(_) => out.unreadable += 1,
        }
    }
    if out.bytes.0 >= LEAST_BYTES && spent > 0.0 {
        out.rate = Some(Rate::from_work(out.bytes, Span::from_secs_f64(spent)));
    }
    Ok(out)
}

/// Reads back what [`super::write_large`] has written.
///
/// # Errors
/// As for [`read_large`].
pub fn read_back(fs: &dyn Fs, nest: &Nest, tools: Tools<'_>, seconds: f64) -> Res<Large> {
    read_large(fs, &[nest.path(super::write::LARGE)?], tools, seconds)
}

/// The small files that [`super::small_file_cost`] has written.
///
/// # Errors
/// Never for names of ours.
pub fn small_ones(nest: &Nest, count: u64) -> Res<Vec<RelPath>> {
    let path = |number| nest.path(&super::write::small_name(number));
    (0..count).map(path).collect()
}

fn part(
    root: &Arc<dyn Folder>,
    path: &RelPath,
    into: &mut [u8],
    tools: Tools<'_>,
    seconds: f64,
) -> Res<(u64, f64, ReadHow)> {
    let file = open(root, path)?;
    let size = file.facts()?.size.0;
    let align = ALIGN as u64;
    let mut at = size.saturating_sub(OF_EACH) / 2 / align * align;
    let (end, began) = (at.saturating_add(OF_EACH).min(size), tools.clock.ticks());
    let (mut done, mut took) = (0, 0.0);
    while at < end && took < seconds {
        tools.go_on()?;
        let read = file.read_at(at, into)? as u64;
        if read == 0 {
            break;
        }
        (at, done) = (at + read, done + read);
        took = tools.clock.ticks() - began;
    }
    Ok((done, took, file.read_how()))
}

/// Opens and reads small files whole, several at a time, for at most `seconds`. `rate` is what
/// large files are read at.
///
/// # Errors
/// As for [`read_large`].
pub fn read_small(
    fs: &dyn Fs,
    paths: &[RelPath],
    tools: Tools<'_>,
    seconds: f64,
    rate: Option<Rate>,
) -> Res<Small> {
    let (root, next) = (fs.root()?, AtomicUsize::new(0));
    let sum = Mutex::new((Small::default(), 0u64));
    let began = tools.clock.ticks();
    let work = || -> Res<()> {
        let mut buffer = Buffer::new(NonZeroU64::new(SMALL + ALIGN as u64).unwrap_or(NonZeroU64::MIN));
        while tools.clock.ticks() - began < seconds {
            tools.go_on()?;
            let Some(path) = paths.get(next.fetch_add(1, Ordering::Relaxed)) else {
                break;
            };
            let read = open(&root, path).and_then(|file| {
                let bytes = file.read_at(0, buffer.bytes_mut())?;
                Ok((bytes, file.read_how()))
            });
            let mut sum = sum.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            match read {
                Ok((bytes, how)) => {
                    sum.0.files += 1;
                    sum.0.read_how = sum.0.read_how.max(Some(how));
                    sum.1 += bytes as u64;
                }
                Err(fault) if fault.course() == Course::StopAll => return Err(fault),
                Err(_) => sum.0.unreadable += 1,
            }
        }
        Ok(())
    };
    super::write::side_by_side(IN_FLIGHT, &work)?;
    let took = tools.clock.ticks() - began;
    let (mut out, bytes) = sum
        .into_inner()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    if out.files >= LEAST_FILES {
        let per_byte = rate.map_or(0.0, |rate| 1.0 / rate.0.max(1) as f64);
        out.cost = cost(took, bytes, out.files, per_byte);
    }
    Ok(out)
}

/// Opens a file below a root, no link followed.
pub(super) fn open(root: &Arc<dyn Folder>, path: &RelPath) -> Res<Box<dyn FileIn>> {
    let (above, name) = path.split().unwrap_or_default();
    let mut folder = Arc::clone(root);
    for part in above.components() {
        folder = folder.enter(part)?;
    }
    folder.open(name, OpenHow::FromDisk)
}
