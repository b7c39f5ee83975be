//! Everything below a project against the list, and every file's copy against the ledger.

use super::{Ends, ListedFile, ListedFolder, Piece, Stay, Surprise, is_other, trouble_of};
use crate::digest::{Digest, TreeHasher};
use crate::entry::{Entry, EntryKind};
use crate::ledger::FileRecord;
use crate::lifecycle::removal::{Look, Verdict, compare, is_sampled, verdict};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::{Buffer, Fault, FaultKind, Folder, OpenHow, Res, reach, there};
use std::collections::{BTreeMap, HashMap};
use std::num::NonZeroU64;
use std::sync::Arc;

/// Surprises that are told by name; the others are counted.
const TOLD: usize = 20;
/// Bytes of one read.
const PIECE: NonZeroU64 = NonZeroU64::new(1 << 20).unwrap();

/// How deep a check goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// Facts alone; contents only where facts do not tell.
    Facts,
    /// The same, and a sample of copies is read again from disk, on this day.
    Sample(Moment),
}

/// What a check has found.
#[derive(Debug, Clone, Default)]
pub struct Checked {
    /// Files and bytes that may go.
    pub ready: Amount,
    /// Entries that are not there any more, of all kinds.
    pub gone: u64,
    /// What stops, by code.
    pub counts: BTreeMap<&'static str, u64>,
    /// The first of them.
    pub surprises: Vec<Surprise>,
    /// What stays.
    pub stays: Vec<Stay>,
    /// Files whose attributes alone were changed since the copy.
    pub touched: Vec<Stay>,
    /// Copies that were read again.
    pub reread: Amount,
}

impl Checked {
    fn stop(&mut self, code: &'static str, path: RelPath) {
        *self.counts.entry(code).or_default() += 1;
        if self.surprises.len() < TOLD {
            self.surprises.push(Surprise { code, path });
        }
    }

    /// Whether nothing stands against it.
    pub fn is_clean(&self) -> bool {
        self.counts.is_empty()
    }

    /// Adds what was found of another piece.
    pub fn add(&mut self, other: Checked) {
        self.ready.add(other.ready);
        self.reread.add(other.reread);
        self.gone += other.gone;
        for (code, count) in other.counts {
            *self.counts.entry(code).or_default() += count;
        }
        let room = TOLD.saturating_sub(self.surprises.len());
        self.surprises.extend(other.surprises.into_iter().take(room));
        self.stays.extend(other.stays);
        self.touched.extend(other.touched);
    }
}

/// Checks a piece that lies at `at`.
///
/// # Errors
/// [`Trouble`] where an end is gone or cannot be read; what is not as it must be is in the answer.
pub fn check(ends: Ends<'_>, piece: &Piece, at: &RelPath, depth: Depth) -> Result<Checked, Trouble> {
    let mut found = Checked::default();
    let mut eyes = Eyes::new(ends);
    let mut first = true;
    for folder in &piece.folders {
        if ends.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        let path = piece.folder_at(at, folder);
        let fail = |fault: &Fault| trouble_of(fault, &path);
        ends.source.is_there().map_err(|fault| fail(&fault))?;
        for copy in ends.copies {
            copy.fs.is_there().map_err(|fault| fail(&fault))?;
        }
        let held = match reach(ends.source, &path) {
            Ok(held) => held,
            Err(fault) if fault.kind == FaultKind::NotFound => {
                found.gone += folder.files.len() as u64;
                continue;
            }
            Err(fault) if is_other(&fault) => {
                found.stop("not-a-folder", path);
                continue;
            }
            Err(fault) => return Err(fail(&fault)),
        };
        if !piece.loose {
            uninvited(&*held, folder, &path, &mut found).map_err(|fault| fail(&fault))?;
        }
        for (name, file) in &folder.files {
            let Ok(place) = path.join(name) else { continue };
            let seen = eyes
                .weigh(&*held, name, file)
                .map_err(|fault| trouble_of(&fault, &place))?;
            (ends.told)(Amount::one(Bytes::ZERO));
            let size = file.record.source.size;
            match seen.verdict {
                Verdict::Remove => found.ready.add(amount_of(file)),
                Verdict::Gone => found.gone += 1,
                Verdict::Stays(code) => found.stays.push((place.clone(), code.into(), size)),
                Verdict::Stop(code) => found.stop(code, place.clone()),
            }
            if seen.touched {
                found
                    .touched
                    .push((place.clone(), "attributes-changed".into(), size));
            }
            let Depth::Sample(now) = depth else { continue };
            let asked = first || is_sampled(&file.record.hash, now);
            if seen.verdict == Verdict::Remove && file.record.kind == EntryKind::File && asked {
                first = false;
                match eyes.is_copy_whole(file) {
                    Ok(true) => found.reread.add(amount_of(file)),
                    Ok(false) => found.stop("copy-differs", place),
                    Err(fault) => return Err(trouble_of(&fault, &place)),
                }
            }
        }
    }
    Ok(found)
}

/// What lies in a folder and is on no list, and what stays there.
fn uninvited(held: &dyn Folder, folder: &ListedFolder, path: &RelPath, found: &mut Checked) -> Res<()> {
    for (name, _) in held.list()? {
        let Ok(place) = path.join(&name) else { continue };
        match folder.stays.get(&name) {
            Some((code, bytes)) => found.stays.push((place, code.clone(), *bytes)),
            None if folder.files.contains_key(&name) => {}
            // What it is now shows where it is entered.
            None if folder.folders.contains(&name) => {}
            None => found.stop("new-at-source", place),
        }
    }
    Ok(())
}

/// A symlink counts as a name and no bytes: as everywhere, only files are amounts.
pub(super) fn amount_of(file: &ListedFile) -> Amount {
    match file.record.kind {
        EntryKind::File => Amount::one(file.record.source.size),
        _ => Amount::default(),
    }
}

/// What was seen of one file.
pub(super) struct Seen {
    pub verdict: Verdict,
    /// Its facts at the source; what is removed must still have them.
    pub entry: Option<Entry>,
    /// Whether its attributes alone differ from what the index knows.
    pub touched: bool,
}

/// Looks at files of both ends; folders of copies stay open from one file to the next.
pub(super) struct Eyes<'a> {
    ends: Ends<'a>,
    copies: HashMap<(usize, RelPath), Option<Arc<dyn Folder>>>,
    buffer: Buffer,
}

impl<'a> Eyes<'a> {
    pub(super) fn new(ends: Ends<'a>) -> Eyes<'a> {
        Eyes {
            ends,
            copies: HashMap::new(),
            buffer: Buffer::new(PIECE),
        }
    }

    /// What may be done with one file.
    pub(super) fn weigh(&mut self, held: &dyn Folder, name: &[u8], file: &ListedFile) -> Res<Seen> {
        let record = &file.record;
        let entry = there(held.stat(name))?;
        let known = (record.kind, record.source);
        let now = entry.as_ref().map(|entry| (entry.kind, entry.identity()));
        let mut look = compare(now, known, self.ends.inodes_hold, file.racy);
        if let (Look::Touched, Some(entry)) = (look, &entry) {
            look = match self.content(held, name, entry, OpenHow::Plain)? == Some(record.hash) {
                true => Look::Same,
                false => Look::Other,
            };
        }
        let copy = match look {
            Look::Same => self.look_at_copy(&file.record, file.end)?,
            _ => Look::Absent,
        };
        let touched = look == Look::Same
            && record.kind == EntryKind::File
            && entry
                .as_ref()
                .is_some_and(|now| (now.mode, now.uid, now.gid) != file.attributes);
        Ok(Seen {
            verdict: verdict(file.proven, look, copy),
            entry,
            touched,
        })
    }

    fn look_at_copy(&mut self, record: &FileRecord, end: usize) -> Res<Look> {
        let Some((held, name)) = self.copy_of(record, end)? else {
            return Ok(Look::Absent);
        };
        let entry = there(held.stat(&name))?;
        let now = entry.as_ref().map(|entry| (entry.kind, entry.identity()));
        let inodes = self.ends.copies.get(end).is_some_and(|end| end.inodes_hold);
        match (compare(now, (record.kind, record.placed), inodes, false), entry) {
            (Look::Touched, Some(entry)) => {
                match self.content(&*held, &name, &entry, OpenHow::FromDisk)? == Some(record.hash) {
                    true => Ok(Look::Same),
                    false => Ok(Look::Other),
                }
            }
            (look, _) => Ok(look),
        }
    }

    /// Whether a copy, read from disk, has the hash that was recorded.
    pub(super) fn is_copy_whole(&mut self, file: &ListedFile) -> Res<bool> {
        let Some((held, name)) = self.copy_of(&file.record, file.end)? else {
            return Ok(false);
        };
        let Some(entry) = there(held.stat(&name))? else {
            return Ok(false);
        };
        Ok(self.content(&*held, &name, &entry, OpenHow::FromDisk)? == Some(file.record.hash))
    }

    fn copy_of(&mut self, record: &FileRecord, end: usize) -> Res<Option<(Arc<dyn Folder>, Vec<u8>)>> {
        let number = end;
        let (Some((above, name)), Some(end)) = (record.place.split(), self.ends.copies.get(end)) else {
            return Ok(None);
        };
        let key = (number, above);
        if !self.copies.contains_key(&key) {
            // Folders come one after the other; a handful is enough, each holds a descriptor.
            if self.copies.len() >= 16 {
                self.copies.clear();
            }
            let held = match reach(end.fs, &key.1) {
                Err(fault) if is_other(&fault) => None,
                other => there(other)?,
            };
            self.copies.insert(key.clone(), held);
        }
        let held = self.copies.get(&key).cloned().flatten();
        Ok(held.map(|held| (held, name.to_vec())))
    }

    /// The hash of a content; `None` where it is no file or changed while it was read.
    fn content(&mut self, held: &dyn Folder, name: &[u8], now: &Entry, how: OpenHow) -> Res<Option<Digest>> {
        if let Some(target) = &now.target {
            return Ok(Some(Digest::of(target)));
        }
        if now.kind != EntryKind::File {
            return Ok(None);
        }
        let file = match held.open(name, how) {
            Err(fault) if is_other(&fault) => return Ok(None),
            other => other?,
        };
        let mut hasher = TreeHasher::new();
        loop {
            if self.ends.stop.is_set() {
                return Err(Fault::ours("read", name, FaultKind::Crash, "interrupted"));
            }
            let length = file.read_at(hasher.position(), self.buffer.bytes_mut())?;
            hasher.update(&self.buffer.bytes()[..length]);
            (self.ends.told)(Amount {
                files: 0,
                bytes: Bytes(length as u64),
            });
            if hasher.position() >= now.size.0 || length == 0 {
                break;
            }
        }
        let whole = hasher.position() == now.size.0 && file.facts()?.identity() == now.identity();
        Ok(whole.then(|| hasher.finish().root))
    }
}

/// Looks at copies alone, for a batch that is to be signed off.
pub struct Copies<'a>(Eyes<'a>);

impl<'a> Copies<'a> {
    /// The first of the ends holds them.
    pub fn new(ends: Ends<'a>) -> Copies<'a> {
        Copies(Eyes::new(ends))
    }

    /// How the copy of a record compares with what was recorded of it; where its facts do not tell,
    /// it is read from disk. Never [`Look::Touched`].
    ///
    /// # Errors
    /// [`Trouble`] where it cannot be read.
    pub fn look(&mut self, record: &FileRecord) -> Result<Look, Trouble> {
        let looked = self.0.look_at_copy(record, 0);
        looked.map_err(|fault| trouble_of(&fault, &record.place))
    }
}
