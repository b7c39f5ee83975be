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

/// What was set aside is not where it was put, and nobody here has removed it.
pub const ASIDE_MISSING: &str = "aside-missing";

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
        "copy-missing" => {
            "files are not at the destination, and the source holds the only copy (`poolward fixity` lists them)"
        }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Bytes;

    const LOOKS: [Look; 4] = [Look::Absent, Look::Same, Look::Touched, Look::Other];

    /// Every combination of what may differ, against a list of the only ones that are the same.
    #[test]
    fn only_what_agrees_in_all_that_tells_is_the_same() {
        let known = Identity {
            inode: 7,
            size: Bytes(10),
            mtime: Moment::from_seconds(100),
            ctime: Moment::from_seconds(101),
        };
        for bits in 0..128u32 {
            let bit = |n: u32| bits >> n & 1 == 1;
            let [kind, inode, size, mtime, ctime, holds, racy] = [0, 1, 2, 3, 4, 5, 6].map(bit);
            let now = Identity {
                inode: 7 + u64::from(inode),
                size: Bytes(10 + u64::from(size)),
                mtime: Moment::from_seconds(100 + i64::from(mtime)),
                ctime: Moment::from_seconds(101 + i64::from(ctime)),
            };
            let kind = if kind { EntryKind::Symlink } else { EntryKind::File };
            let look = compare(Some((kind, now)), (EntryKind::File, known), holds, racy);
            let expected = match bits & 0b111_1111 {
                // Nothing differs, or an inode where none holds.
                0b010_0000 | 0b000_0000 | 0b000_0010 => Look::Same,
                // The ctime, the doubt about times, or both.
                0b001_0000 | 0b001_0010 | 0b011_0000 => Look::Touched,
                0b100_0000 | 0b100_0010 | 0b110_0000 => Look::Touched,
                0b101_0000 | 0b101_0010 | 0b111_0000 => Look::Touched,
                _ => Look::Other,
            };
            assert_eq!(look, expected, "{bits:07b}");
        }
        assert_eq!(compare(None, (EntryKind::File, known), true, false), Look::Absent);
    }

    #[test]
    fn one_combination_alone_removes_a_file() {
        for proven in [false, true] {
            for source in LOOKS {
                for copy in LOOKS {
                    let removes = verdict(proven, source, copy) == Verdict::Remove;
                    assert_eq!(removes, (proven, source, copy) == (true, Look::Same, Look::Same));
                }
            }
        }
        assert_eq!(
            verdict(true, Look::Same, Look::Absent),
            Verdict::Stop("copy-missing")
        );
        assert_eq!(
            verdict(true, Look::Same, Look::Other),
            Verdict::Stays(COPY_EDITED)
        );
    }

    #[test]
    fn every_copy_is_sampled_once_in_64_days() {
        for first in 0..=255u8 {
            let mut hash = Digest([0; 32]);
            hash.0[0] = first;
            let days = (0..64).filter(|day| is_sampled(&hash, Moment::from_seconds(day * 86_400)));
            assert_eq!(days.count(), 1);
        }
    }

    #[test]
    fn every_stop_has_words_of_its_own() {
        for source in LOOKS {
            for copy in LOOKS {
                if let Verdict::Stop(code) = verdict(true, source, copy) {
                    assert_ne!(words(code), words("no such code"));
                }
            }
        }
    }
}
