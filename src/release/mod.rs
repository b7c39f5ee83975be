//! Removing at a source: the one place that does, and only what the ledger calls verified.
//!
//! Three steps lie between a released batch and an empty place, each a command of its own:
//!
//! 1. **Check** (`check.rs`): every entry below a project, by handle, against the list of what the
//!    ledger knows of it, and every file's copy at the destination. Whatever is on no list, has
//!    changed, or has no copy is a [`Surprise`]; one is enough and nothing is done.
//! 2. **Set aside** (`aside.rs`): a) the ledger notes that the project is going; b) a dated folder
//!    beside it is made; c) the project is renamed into it, replacing nothing; d) both folders'
//!    names are made durable; e) the ledger notes that it lies aside. A crash after a) or b): it
//!    lies where it lay, and the note says so. After c) or d): the name is found aside and noted.
//!    Bringing back takes the same steps the other way.
//! 3. **Empty** (`empty.rs`): a) everything is checked once more; b) the ledger notes that the
//!    project is being emptied, and that it cannot be brought back; c) deepest first, each file on the list is compared and removed by
//!    handle, each folder's removals noted after it; d) folders go where they are empty; e) the
//!    ledger notes the end. A crash anywhere: what is gone is gone by this list, the next run goes on.
//!
//! Nothing is walked for its own sake: what is removed are names from the list, never what a
//! listing found. No symlink is followed and no mount crossed, since every folder is entered by
//! handle from the root. Between the last look at a file and its removal another program could
//! still put another file in its place; no call of POSIX closes that gap, so the folder that holds
//! projects aside is open to its owner alone.

mod aside;
mod check;
mod empty;

pub use aside::{Going, Settled, bring_back, clear_away, lies, set_aside, settle};
pub use check::{Checked, Copies, Depth, check};
pub use empty::{Emptied, empty, uninvited};

use crate::ledger::FileRecord;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::{Fault, FaultKind, Fs, Stop};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Both ends of a removal.
#[derive(Clone, Copy)]
pub struct Ends<'a> {
    /// The source.
    pub source: &'a dyn Fs,
    /// The folders that hold the copies; a listed file says in which its own lies.
    pub copies: &'a [CopyEnd<'a>],
    /// Whether a source's inodes tell its files, now and over a remount.
    pub inodes_hold: bool,
    /// Whether to end.
    pub stop: &'a Stop,
    /// Is told of work as it is done: files compared, and bytes read for that, since the last time.
    pub told: &'a dyn Fn(Amount),
}

/// A folder that holds copies.
#[derive(Clone, Copy)]
pub struct CopyEnd<'a> {
    /// It.
    pub fs: &'a dyn Fs,
    /// Whether its inodes tell its files over a remount.
    pub inodes_hold: bool,
}

/// One file or symlink of the list.
#[derive(Debug, Clone)]
pub struct ListedFile {
    /// What the ledger knows of it.
    pub record: FileRecord,
    /// The batch that recorded it.
    pub batch: i64,
    /// The dataset of that batch.
    pub dataset: Arc<str>,
    /// Which of the ends holds its copy.
    pub end: usize,
    /// Whether it was read back in a way that counts.
    pub proven: bool,
    /// Whether its times are too young to tell one edit from the next.
    pub racy: bool,
    /// Mode, owner and group that the index knows.
    pub attributes: (u32, u32, u32),
}

/// One folder of the list.
#[derive(Debug, Clone, Default)]
pub struct ListedFolder {
    /// Its path below the project; the root for the project's own folder.
    pub inside: RelPath,
    /// Files and symlinks that may go.
    pub files: BTreeMap<Vec<u8>, ListedFile>,
    /// Subfolders that go where they are empty at last.
    pub folders: BTreeSet<Vec<u8>>,
    /// What is known and stays: its code and size.
    pub stays: BTreeMap<Vec<u8>, (String, Bytes)>,
}

/// What is set aside as one: a project's folder, or one loose file.
#[derive(Debug, Clone)]
pub struct Piece {
    /// Where it lies, or lay, below the source's root.
    pub path: RelPath,
    /// Whether it is one file. It is listed in the only folder then.
    pub loose: bool,
    /// Its folders, parents first.
    pub folders: Vec<ListedFolder>,
}

/// Something that is not as it must be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Surprise {
    /// Fixed kebab-case word.
    pub code: &'static str,
    /// Where, below the source's root as it lies now.
    pub path: RelPath,
}

/// Something that stays at the source: where, its code, its size.
pub type Stay = (RelPath, String, Bytes);

impl Piece {
    /// Where one of its folders lies while the piece lies at `at`.
    fn folder_at(&self, at: &RelPath, folder: &ListedFolder) -> RelPath {
        match (self.loose, at.split()) {
            (true, Some((above, _))) => above,
            _ => at.join_path(&folder.inside),
        }
    }
}

/// What stops a removal, in the user's words.
fn trouble_of(fault: &Fault, path: &RelPath) -> Trouble {
    let trouble = |code, mend: &str| {
        let text = format!("{fault} ({path})");
        Trouble::stopped(code, text).at_rel(path).mend(mend)
    };
    let again = "then run the same command again: every step that was done is recorded.";
    match fault.kind {
        FaultKind::Crash => Trouble::interrupted(),
        FaultKind::ReadOnly => trouble(
            "source-read-only",
            &format!("Mount the old share for writing (its export may be read-only too), {again}"),
        ),
        FaultKind::Denied => trouble(
            "source-denied",
            &format!("Run as a user who may rename and remove there, {again}"),
        ),
        FaultKind::Busy => trouble(
            "source-busy",
            &format!("Something holds it: a mount on it, or a program that works there. End that, {again}"),
        ),
        FaultKind::Gone => trouble("mount-gone", &format!("Mount it again, {again}")),
        _ => trouble("release-stopped", &format!("Look at it, {again}")),
    }
}

/// Whether an error says that a name leads to something else than it must.
fn is_other(fault: &Fault) -> bool {
    matches!(fault.kind, FaultKind::WrongKind | FaultKind::Unsupported)
}
