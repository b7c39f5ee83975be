//! Looking at all entries of one folder: one thread reads names, others look at them, and of a folder
//! that is too long for memory parts are set aside on the way.

use crate::entry::EntryKind;
use crate::index::{Folder, Run};
use crate::names::RelPath;
use crate::scan::look::{self, Names, Place};
use crate::scan::walk::{Ended, Lister, Segment, Walk, locked};
use rustix::fd::OwnedFd;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

/// Of folders with more entries than this only one is held at a time: a million take 150 MB.
const LARGE: usize = 100_000;

/// Bytes of a folder's entries that are held; then they are sorted and set aside. A million entries
/// with usual names take less. Later runs of the same folder are smaller, so that with all threads
/// at it no more than twice as much is held.
const MOST_HELD: usize = 192 << 20;

/// Pieces of a folder's names that wait for a thread; then the one that reads looks at some itself.
const MOST_WAITING: usize = 512;

impl Walk {
    /// Looks at every entry. While one thread reads on, others look at what was read.
    pub(super) fn look_at_all<'s>(
        &'s self,
        dir: &OwnedFd,
        path: &RelPath,
        segment: &Segment,
        token: &mut Option<LargeToken<'s>>,
    ) -> Result<Looked, Ended> {
        let looked = Mutex::new(Looked::default());
        let take_in = |names: &Names| {
            let part = self.look_at(dir, path, names);
            let full = locked(&looked).take_in(part);
            if let Some(full) = full {
                self.set_aside(path, segment, full, &looked);
            }
        };
        if self.lister == Lister::Gentle {
            let names = crate::scan::gentle::names(dir)?;
            match names.len() > LARGE {
                true => names.parts(LARGE).for_each(|some| take_in(&some)),
                false => take_in(&names),
            }
        } else {
            self.read_and_look(dir, &looked, &take_in, token)?;
        }
        let mut looked = looked.into_inner().unwrap_or_else(PoisonError::into_inner);
        if !looked.runs.is_empty() {
            let rest = Mutex::new(Looked::default());
            self.set_aside(path, segment, std::mem::take(&mut looked.pieces), &rest);
            looked.runs.append(&mut locked(&rest).runs);
        }
        Ok(looked)
    }

    fn read_and_look<'s>(
        &'s self,
        dir: &OwnedFd,
        looked: &Mutex<Looked>,
        take_in: &(impl Fn(&Names) + Sync),
        token: &mut Option<LargeToken<'s>>,
    ) -> Result<(), Ended> {
        let (waiting, mut later) = (AtomicUsize::new(0), false);
        let whole = rayon::in_place_scope(|scope| {
            let (waiting, mut read) = (&waiting, 0);
            look::read_names(dir, self.chunk, |names, last| {
                read += names.len();
                if read == names.len() && last {
                    take_in(&names);
                    return true;
                }
                if read > LARGE && token.is_none() {
                    *token = LargeToken::take(&self.large);
                    later = token.is_none();
                }
                if later || self.is_stopped() {
                    return false;
                }
                if waiting.fetch_add(1, Ordering::Relaxed) >= MOST_WAITING {
                    waiting.fetch_sub(1, Ordering::Relaxed);
                    take_in(&names);
                    return true;
                }
                scope.spawn(move |_| {
                    waiting.fetch_sub(1, Ordering::Relaxed);
                    take_in(&names);
                });
                true
            })
        });
        if later {
            let looked = locked(looked);
            let seen = looked.pieces.iter().map(|piece| piece.len() as u64).sum();
            self.entries.fetch_sub(seen, Ordering::Relaxed);
            self.bytes.fetch_sub(looked.bytes, Ordering::Relaxed);
            return Err(Ended::Later);
        }
        Ok(whole?)
    }

    /// Sets entries of a long folder aside. Meanwhile others go on looking.
    fn set_aside(&self, path: &RelPath, segment: &Segment, full: Vec<Folder>, into: &Mutex<Looked>) {
        match segment.writer().set_parts_aside(path, full) {
            Ok(run) => locked(into).runs.push(run),
            Err(trouble) => self.fail(trouble),
        }
    }

    /// Looks at some entries of a folder, one after the other.
    fn look_at(&self, dir: &OwnedFd, path: &RelPath, names: &Names) -> Part {
        let mut part = Part {
            folder: Folder::with_room(path.clone(), names.len(), names.byte_len()),
            folders: Vec::new(),
            bytes: 0,
        };
        for (name, told) in names.iter() {
            if self.is_stopped() {
                break;
            }
            let (entry, place) = look::look(dir, name, told);
            if entry.kind == EntryKind::File {
                part.bytes = part.bytes.wrapping_add(entry.size.0);
            }
            if let Some(place) = place {
                part.folders.push((name.to_bytes().to_vec(), place));
            }
            part.folder.push(name.to_bytes(), entry);
        }
        self.entries
            .fetch_add(part.folder.len() as u64, Ordering::Relaxed);
        self.bytes.fetch_add(part.bytes, Ordering::Relaxed);
        part
    }
}

/// What was seen of a folder so far.
#[derive(Default)]
pub(super) struct Looked {
    pub pieces: Vec<Folder>,
    held: usize,
    pub folders: Vec<(Vec<u8>, Place)>,
    bytes: u64,
    /// Whether anything was taken out of it to be set aside.
    begun: bool,
    /// What was set aside of it.
    pub runs: Vec<Run>,
}

impl Looked {
    /// Takes in some entries, and hands back all that are held where these are too many.
    fn take_in(&mut self, part: Part) -> Option<Vec<Folder>> {
        self.bytes = self.bytes.wrapping_add(part.bytes);
        self.folders.extend(part.folders);
        self.held += part.folder.bytes();
        self.pieces.push(part.folder);
        let most = match self.begun {
            true => MOST_HELD / rayon::current_num_threads().max(1),
            false => MOST_HELD,
        };
        (self.held > most).then(|| {
            (self.held, self.begun) = (0, true);
            std::mem::take(&mut self.pieces)
        })
    }
}

/// Some entries of a folder.
struct Part {
    folder: Folder,
    folders: Vec<(Vec<u8>, Place)>,
    bytes: u64,
}

/// The right to hold a large folder in memory.
pub(super) struct LargeToken<'w>(&'w AtomicBool);

impl LargeToken<'_> {
    fn take(large: &AtomicBool) -> Option<LargeToken<'_>> {
        let free = !large.swap(true, Ordering::AcqRel);
        free.then_some(LargeToken(large))
    }
}

impl Drop for LargeToken<'_> {
    fn drop(&mut self) {
        self.0.store(false, Ordering::Release);
    }
}
