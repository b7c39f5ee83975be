//! What went wrong at the seam, classed by what can be done about it.

use crate::names::shown;
use crate::trouble::Trouble;
use rustix::io::Errno;
use std::fmt;

/// One failed call.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct Fault {
    /// What was tried: `read`, `publish`.
    pub doing: &'static str,
    /// The name it was tried on, raw.
    pub name: Vec<u8>,
    /// Its class.
    pub kind: FaultKind,
    /// The system's words, where it said any.
    pub words: String,
}

/// Classes of faults.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FaultKind {
    /// No such entry.
    NotFound,
    /// Something has the name already.
    Exists,
    /// Not the entry that was expected.
    Changed,
    /// Not the entry that a list names, however often it is looked at.
    Another,
    /// Reads of one unchanged file that gave different content each time.
    Disagrees,
    /// A folder that is not empty.
    NotEmpty,
    /// No space, or a quota is full.
    NoSpace,
    /// The end is read-only.
    ReadOnly,
    /// Permission denied.
    Denied,
    /// The name is refused by the file system.
    NameRefused,
    /// The file is larger than the file system allows.
    TooLarge,
    /// A folder where a file should be, or the reverse, or a symlink in the way.
    WrongKind,
    /// The medium could not be read or written.
    Medium,
    /// Something holds it: a mount on it, a file that is in use.
    Busy,
    /// The mount is gone, stale or not answering.
    Gone,
    /// The file system cannot do this.
    Unsupported,
    /// A crash that a test has put in.
    Crash,
    /// Anything else.
    Other,
}

/// What to do after a fault on one file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Course {
    /// Try the same again after a pause.
    Retry,
    /// Give this file up, go on with the others.
    ThisFile,
    /// Stop everything.
    StopAll,
}

impl Fault {
    /// From a system error.
    pub fn os(doing: &'static str, name: &[u8], error: Errno) -> Fault {
        let words = std::io::Error::from_raw_os_error(error.raw_os_error()).to_string();
        // The number in brackets says nothing to the user that the words do not.
        let words = words
            .split(" (os error")
            .next()
            .unwrap_or_default()
            .to_lowercase();
        Fault {
            doing,
            name: name.to_vec(),
            kind: FaultKind::of(error),
            words,
        }
    }

    /// One of our own making.
    pub fn ours(doing: &'static str, name: &[u8], kind: FaultKind, words: impl Into<String>) -> Fault {
        Fault {
            doing,
            name: name.to_vec(),
            kind,
            words: words.into(),
        }
    }

    /// What to do about it.
    pub fn course(&self) -> Course {
        match self.kind {
            FaultKind::NoSpace | FaultKind::ReadOnly | FaultKind::Gone | FaultKind::Crash => Course::StopAll,
            FaultKind::Medium | FaultKind::Other => Course::Retry,
            FaultKind::NotFound
            | FaultKind::Exists
            | FaultKind::Changed
            | FaultKind::Another
            | FaultKind::Disagrees
            | FaultKind::NotEmpty
            | FaultKind::Denied
            | FaultKind::NameRefused
            | FaultKind::TooLarge
            | FaultKind::WrongKind
            | FaultKind::Busy
            | FaultKind::Unsupported => Course::ThisFile,
        }
    }
}

impl FaultKind {
    fn of(error: Errno) -> FaultKind {
        match error {
            Errno::NOENT => FaultKind::NotFound,
            Errno::EXIST => FaultKind::Exists,
            Errno::NOTEMPTY => FaultKind::NotEmpty,
            Errno::NOSPC | Errno::DQUOT => FaultKind::NoSpace,
            Errno::ROFS => FaultKind::ReadOnly,
            Errno::ACCESS | Errno::PERM => FaultKind::Denied,
            Errno::NAMETOOLONG | Errno::ILSEQ | Errno::INVAL => FaultKind::NameRefused,
            Errno::FBIG | Errno::OVERFLOW => FaultKind::TooLarge,
            Errno::ISDIR | Errno::NOTDIR | Errno::LOOP | Errno::NXIO => FaultKind::WrongKind,
            Errno::IO => FaultKind::Medium,
            Errno::BUSY | Errno::TXTBSY => FaultKind::Busy,
            Errno::STALE | Errno::NOTCONN | Errno::NODEV | Errno::TIMEDOUT | Errno::HOSTDOWN => {
                FaultKind::Gone
            }
            Errno::OPNOTSUPP | Errno::NOSYS | Errno::XDEV => FaultKind::Unsupported,
            _ => FaultKind::Other,
        }
    }

    /// The fixed word of JSON and of the ledger.
    pub fn word(self) -> &'static str {
        match self {
            FaultKind::NotFound => "not-found",
            FaultKind::Exists => "in-the-way",
            FaultKind::Changed | FaultKind::Another => "changed",
            FaultKind::Disagrees => "reads-disagree",
            FaultKind::NotEmpty => "not-empty",
            FaultKind::NoSpace => "no-space",
            FaultKind::ReadOnly => "read-only",
            FaultKind::Denied => "denied",
            FaultKind::NameRefused => "name-refused",
            FaultKind::TooLarge => "too-large",
            FaultKind::WrongKind => "wrong-kind",
            FaultKind::Medium => "medium",
            FaultKind::Busy => "busy",
            FaultKind::Gone => "mount-gone",
            FaultKind::Unsupported => "unsupported",
            FaultKind::Crash => "crash",
            FaultKind::Other => "other",
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cannot {} {}: {}", self.doing, shown(&self.name), self.words)
    }
}

/// Why everything stops, with what to do about it.
pub fn trouble_of(fault: &Fault) -> Trouble {
    let name = shown(&fault.name);
    let trouble = |code, mend: &str| {
        Trouble::stopped(code, fault.to_string())
            .at(fault.name.clone())
            .mend(mend)
    };
    match fault.kind {
        FaultKind::NoSpace => trouble(
            "no-space",
            "Make room at the destination (or raise its quota), then run the same command again; what was placed stays placed.",
        ),
        FaultKind::ReadOnly => trouble(
            "read-only",
            "Mount the destination for writing, then run the same command again.",
        ),
        FaultKind::Gone => trouble(
            "mount-gone",
            "Mount it again, then run the same command again; it goes on where it was.",
        ),
        FaultKind::Crash => Trouble::interrupted(),
        FaultKind::Denied => trouble(
            "denied",
            "Run as a user who may read the source and write the destination.",
        ),
        FaultKind::Medium => trouble(
            "medium",
            "Check the disks and cables of that side before going on.",
        ),
        FaultKind::NotFound
        | FaultKind::Exists
        | FaultKind::Changed
        | FaultKind::Another
        | FaultKind::Disagrees
        | FaultKind::NotEmpty
        | FaultKind::NameRefused
        | FaultKind::TooLarge
        | FaultKind::WrongKind
        | FaultKind::Unsupported
        | FaultKind::Busy
        | FaultKind::Other => Trouble::stopped("copy-stopped", fault.to_string())
            .at(fault.name.clone())
            .mend(format!("Look at {name}, then run the same command again.")),
    }
}

/// What is not there is no fault.
///
/// # Errors
/// Any other [`Fault`].
pub fn there<T>(looked: Result<T, Fault>) -> Result<Option<T>, Fault> {
    match looked {
        Ok(found) => Ok(Some(found)),
        Err(fault) if fault.kind == FaultKind::NotFound => Ok(None),
        Err(fault) => Err(fault),
    }
}

/// What stops everything where a user asks to end.
pub fn interrupted(name: &[u8]) -> Fault {
    Fault::ours("copy", name, FaultKind::Crash, "interrupted")
}
