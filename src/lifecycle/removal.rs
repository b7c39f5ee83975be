//! Whether one file at a source may be removed: what the ledger knows, what lies there now, and
//! what its copy is now. In doubt it stays.

use crate::digest::Digest;
use crate::entry::{EntryKind, Identity};
use crate::moment::Moment;

/// How something compares with what the ledger knows of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Look {
    /// It is not there.
    Absent,
    /// It is the same in all that tells.
    Same,
    /// Its attributes were changed and nothing else, or its times cannot tell: its content decides.
    Touched,
    /// It is something else.
    Other,
}

/// What may be done with one file at a source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// It may be removed.
    Remove,
    /// It is not there any more.
    Gone,
    /// It stays, listed under this code, and the rest goes on once that is accepted.
    Stays(&'static str),
    /// Everything stops, for this reason.
    Stop(&'static str),
}

/// A copy that was edited at the destination.
pub const COPY_EDITED: &str = "copy-edited";

/// How something that lies there compares with what is known. Without inodes that hold, size and
/// times speak alone. `racy`: the known times are too young to tell one edit from the next.
pub fn compare(
    now: Option<(EntryKind, Identity)>,
    known: (EntryKind, Identity),
    inodes_hold: bool,
    racy: bool,
) -> Look {
    let Some(now) = now else { return Look::Absent };
    let facts =
        |(kind, id): (EntryKind, Identity)| (kind, id.size, id.mtime, inodes_hold.then_some(id.inode));
    match (facts(now) == facts(known), now.1.ctime == known.1.ctime && !racy) {
        (true, true) => Look::Same,
        (true, false) => Look::Touched,
        (false, _) => Look::Other,
    }
}

/// What may be done with a file, its content compared wherever [`compare`] has asked for that: what
/// is still [`Look::Touched`] counts as another.
pub fn verdict(proven: bool, source: Look, copy: Look) -> Verdict {
    match (source, copy) {
        (Look::Absent, _) => Verdict::Gone,
        _ if !proven => Verdict::Stop("files-not-verified"),
        (Look::Other | Look::Touched, _) => Verdict::Stop("changed-at-source"),
        (Look::Same, Look::Absent) => Verdict::Stop("copy-missing"),
        (Look::Same, Look::Other | Look::Touched) => Verdict::Stays(COPY_EDITED),
        (Look::Same, Look::Same) => Verdict::Remove,
    }
}

/// One in this many copies is read again from disk before its source goes. Where one copy in twenty
/// were damaged, 90 such files are enough to meet one with 99 % certainty (1 - 0.95^90).
const ONE_IN: u8 = 64;

/// Whether the copy with this hash is read again on the day of `now`: other files on another day.
pub fn is_sampled(hash: &Digest, now: Moment) -> bool {
    let day = now.seconds.div_euclid(86_400).to_le_bytes()[0];
    let first = hash.0.first().copied().unwrap_or_default();
    first.wrapping_add(day) % ONE_IN == 0
}

/// Why a removal stands still, in words; `count` files are concerned.
pub fn words(code: &str) -> &'static str {
    match code {
        "files-not-verified" => "files are not verified in a way that counts",
        "changed-at-source" => "files have changed at the source since they were copied",
        "new-at-source" => "entries at the source are on no list of ours",
        "copy-missing" => "files are not at the destination: the source holds the only copy",
        "copy-differs" => "copies read again from disk differ from what was verified",
        "not-a-folder" => {
            "folders at the source are something else now, or another file system is mounted there"
        }
        "aside-in-the-way" => "the folder to set projects aside in was made by someone else",
        "links-over-smb" => {
            "symlinks would be removed over a mount on which that can remove what they lead to"
        }
        _ => "entries are not as they were",
    }
}
