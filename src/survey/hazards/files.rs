//! Trouble with single files: links, holes, modes, times, names that mean something.

use crate::entry::{Entry, EntryKind, Named};
use crate::names::RelPath;
use crate::survey::Kind;
use crate::survey::calendar::{DAY, Doubt};
use crate::survey::hazards::beside::Beside;
use crate::survey::hazards::{Sort, Tally};
use crate::survey::kinds;
use crate::survey::rules::SurveyRules;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::collections::BTreeMap;

/// Files smaller than this may lie inside the inode and have no blocks of their own.
const INLINE: u64 = 1 << 20;
/// Owners told apart; a source with more has one cause.
const OWNERS: usize = 256;
/// From so many files on, a share says something.
const ENOUGH: u64 = 20;

/// Counts that become a hazard only as a share of the whole.
#[derive(Debug, Default)]
pub struct Shares {
    files: u64,
    whole_seconds: u64,
    even_seconds: u64,
    media: u64,
    executable: u64,
    births: u64,
    /// Some file has blocks, so the mount tells of them.
    tells_blocks: bool,
    unallocated: u64,
    owners: BTreeMap<(u32, u32), Amount>,
    first_executable: Option<RelPath>,
    cache: Amount,
    /// Logical and stored bytes of sparse files.
    sparse: (Bytes, Bytes),
}

impl Shares {
    /// Takes in one file.
    pub fn push(&mut self, folder: &RelPath, child: &Named, kind: Kind) {
        let entry = &child.entry;
        self.files += 1;
        self.whole_seconds += u64::from(entry.mtime.nanos == 0);
        self.even_seconds += u64::from(entry.mtime.nanos == 0 && entry.mtime.seconds % 2 == 0);
        self.births += u64::from(entry.birth.is_some());
        self.tells_blocks |= entry.allocated.0 > 0;
        self.unallocated += u64::from(entry.size.0 >= INLINE && entry.allocated.0 == 0);
        if matches!(kind, Kind::Video | Kind::Audio | Kind::Picture) {
            self.media += 1;
            if entry.mode & 0o111 != 0 {
                self.executable += 1;
                if self.first_executable.is_none() {
                    self.first_executable = folder.join(&child.name).ok();
                }
            }
        }
        if kind == Kind::Cache && child.name != b".DS_Store" {
            self.cache.add(Amount::one(entry.size));
        }
        if entry.size.0 >= INLINE && entry.allocated.0 > 0 && entry.is_sparse() {
            self.sparse.0 = self.sparse.0.plus(entry.size);
            self.sparse.1 = self.sparse.1.plus(entry.allocated);
        }
        let owner = (entry.uid, entry.gid);
        if self.owners.len() < OWNERS || self.owners.contains_key(&owner) {
            self.owners.entry(owner).or_default().add(Amount::one(entry.size));
        }
    }

    /// Reports the shares.
    pub fn finish(self, small: Amount, tally: &mut Tally) {
        if self.files >= ENOUGH && self.even_seconds == self.files {
            tally.note_many(Sort::TwoSeconds, self.files, None);
        } else if self.files >= ENOUGH && self.whole_seconds == self.files {
            tally.note_many(Sort::WholeSeconds, self.files, None);
        }
        if self.executable * 2 > self.media {
            tally.note_many(Sort::MediaExecutable, self.executable, self.first_executable);
            tally.say(
                Sort::MediaExecutable,
                format!(
                    "{} % of the media files are marked as programs, a leftover of the old share: the marks \
                     are kept unless [permissions] says otherwise.",
                    self.executable * 100 / self.media.max(1)
                ),
            );
        }
        tally.say(
            Sort::CacheMedia,
            format!(
                "Files that a program can make again, {}: they are moved unless you leave them out.",
                self.cache.bytes
            ),
        );
        tally.say(
            Sort::Sparse,
            format!(
                "Less is stored than the files are long, {} of {}: zeros are written as holes again, and the \
                 plan counts the full length.",
                self.sparse.1, self.sparse.0
            ),
        );
        tally.note_many(Sort::BirthTime, self.births, None);
        // Where no file has blocks the mount simply does not tell them.
        if self.unallocated > 0 && !self.tells_blocks {
            tally.say(
                Sort::NothingAllocated,
                "This mount reports no stored blocks for any file, so stored sizes and holes are unknown: \
                 every byte is read."
                    .to_string(),
            );
        }
        if small.files * 2 > self.files && small.files >= ENOUGH {
            tally.note_many(Sort::SmallFiles, small.files, None);
        }
        report_owners(&self.owners, tally);
    }
}

fn report_owners(owners: &BTreeMap<(u32, u32), Amount>, tally: &mut Tally) {
    if owners.len() < 2 {
        return;
    }
    let mut rows: Vec<_> = owners.iter().collect();
    rows.sort_by_key(|(_, amount)| std::cmp::Reverse(amount.files));
    let shown: Vec<String> = rows
        .iter()
        .take(4)
        .map(|((uid, gid), amount)| format!("{uid}:{gid} ({amount})"))
        .collect();
    tally.note_many(Sort::Owners, owners.len() as u64, None);
    tally.say(
        Sort::Owners,
        format!(
            "The files belong to several user and group numbers, most to {}: they are kept, and must mean \
             the same people on the new box.",
            shown.join(", ")
        ),
    );
}

/// Reports what a file's own facts tell, its name's spelling apart.
pub fn check(rules: &SurveyRules, folder: &RelPath, child: &Named, doubt: Option<Doubt>, tally: &mut Tally) {
    let entry = &child.entry;
    let mut note = |sort| tally.note(sort, folder, &child.name);
    match doubt {
        Some(Doubt::Future) => note(Sort::TimeFuture),
        Some(Doubt::Epoch) => note(Sort::TimeEpoch),
        None => {}
    }
    if rules
        .scanned
        .is_some_and(|scanned| is_racy(entry, scanned.seconds))
    {
        note(Sort::Racy);
    }
    if entry.size.0 >= INLINE {
        if entry.allocated.0 == 0 {
            note(Sort::NothingAllocated);
        } else if entry.is_sparse() {
            note(Sort::Sparse);
        }
    }
    if entry.mode & 0o6000 != 0 {
        note(Sort::SetId);
    }
}

fn is_racy(entry: &Entry, scanned: i64) -> bool {
    let from = scanned.saturating_sub(2);
    (from..from.saturating_add(DAY)).contains(&entry.mtime.seconds)
}

/// Reports a mode that shuts its own owner out.
pub fn check_mode(folder: &RelPath, child: &Named, tally: &mut Tally) {
    let needed = match child.entry.kind {
        EntryKind::File => 0o400,
        EntryKind::Directory => 0o500,
        _ => return,
    };
    if child.entry.mode & needed != needed {
        tally.note(Sort::OwnerLocked, folder, &child.name);
    }
}

/// Reports files whose names mean something: partner files, locks, leftovers, lists of hashes.
///
/// # Errors
/// A piece of the folder that cannot be read once more.
pub fn check_meaning(
    beside: &mut Beside<'_>,
    child: &Named,
    kind: Kind,
    tally: &mut Tally,
) -> Result<(), Trouble> {
    let (folder, name) = (&beside.at.listing.folder, child.name.as_slice());
    match name.first() {
        Some(b'.') => check_dotted(beside, child, tally)?,
        Some(b'~') if name.starts_with(b"~$") => tally.note(Sort::LooksInUse, folder, name),
        _ => {}
    }
    if kind == Kind::Edit && kinds::is_edit_project(name) {
        tally.note(Sort::EditPaths, folder, name);
    }
    if kind == Kind::Cache && name != b".DS_Store" {
        tally.note(Sort::CacheMedia, folder, name);
    }
    let sort = match kinds::ending(name) {
        // The log beside a database is there while it is open, or after a crash; `prlock` has no
        // other use. Unsaved work is kept beside a document under these endings while it is open
        // (common practice, no source).
        Some(b"prlock" | b"db-wal" | b"sqlite-wal" | b"db-journal" | b"sqlite-journal") => Sort::LooksInUse,
        Some(b"autosave" | b"asv") => Sort::LooksInUse,
        Some(b"swp") if name.starts_with(b".") => Sort::LooksInUse,
        Some(b"lock" | b"lck" | b"lok") if is_held(beside, name)? => Sort::LooksInUse,
        Some(b"mhl" | b"md5" | b"sha1" | b"sha256" | b"sha512" | b"xxh" | b"b3" | b"blake3") => {
            Sort::HashList
        }
        Some(b"crdownload" | b"part" | b"partial") => Sort::NetworkLeftover,
        Some(b"ini") if name.eq_ignore_ascii_case(b"desktop.ini") => Sort::DesktopMetadata,
        Some(b"db") if name.eq_ignore_ascii_case(b"thumbs.db") => Sort::DesktopMetadata,
        _ => return Ok(()),
    };
    tally.note(sort, folder, name);
    Ok(())
}

/// Whether the file that a lock's name speaks of lies beside it: `cut.mov.lock` beside `cut.mov`, or
/// `cut.lock` beside a project of that name. A lock alone says nothing: package managers call lists
/// of versions so (`Cargo.lock` beside `Cargo.toml`, `Gemfile.lock` beside `Gemfile`). Common
/// practice, no source.
fn is_held(beside: &mut Beside<'_>, name: &[u8]) -> Result<bool, Trouble> {
    let Some(dot) = name.iter().rposition(|b| *b == b'.') else {
        return Ok(false);
    };
    let (stem, with_dot) = (&name[..dot], &name[..=dot]);
    if kinds::ending(stem).is_some() && beside.child(stem)?.is_some() {
        return Ok(true);
    }
    beside.any_beginning(with_dot, |name| {
        kinds::kind_of(name).0 == Kind::Edit && kinds::is_edit_project(name)
    })
}

fn check_dotted(beside: &mut Beside<'_>, child: &Named, tally: &mut Tally) -> Result<(), Trouble> {
    let name = child.name.as_slice();
    let folder = &beside.at.listing.folder;
    if let Some(of) = name.strip_prefix(b"._") {
        match beside.child(of)? {
            Some(file) => {
                tally.note(Sort::ForkPartner, folder, name);
                if file.entry.kind == EntryKind::File && file.entry.size.0 == 0 {
                    tally.note(Sort::ForkHoldsData, folder, of);
                }
            }
            None => tally.note(Sort::ForkOrphan, folder, name),
        }
    } else if name.starts_with(b".nfs") || name.starts_with(b".smbdelete") {
        tally.note(Sort::NetworkLeftover, folder, name);
    } else if name == b".DS_Store" {
        tally.note(Sort::DesktopMetadata, folder, name);
    } else if name.starts_with(b".~lock.") {
        tally.note(Sort::LooksInUse, folder, name);
    }
    Ok(())
}
