//! This machine's own look at a file of which another machine says that it is done.

use crate::entry::{Entry, EntryKind, Identity};
use crate::ledger::FileRecord;
use crate::names::RelPath;
use crate::report::waybill::fits;
use crate::trouble::Trouble;
use crate::world::{Course, FaultKind};
use crate::world::{OpenFolders, trouble_of};

/// What lies at a place; `None`: nothing that can be opened there.
///
/// # Errors
/// [`Trouble`] where the destination as a whole no longer answers.
pub fn at(folders: &mut OpenFolders<'_>, place: &RelPath) -> Result<Option<Entry>, Trouble> {
    let Some((above, name)) = place.split() else {
        return Ok(None);
    };
    match folders.get(&above).and_then(|folder| folder.stat(name)) {
        Ok(entry) => Ok(Some(entry)),
        Err(fault) if fault.course() == Course::StopAll => Err(trouble_of(&fault)),
        Err(fault) if fault.kind == FaultKind::NotFound => Ok(None),
        Err(_) => Ok(None),
    }
}

/// In what a file is not as the receipt says; `None`: it is.
pub fn differs(seen: Option<&Entry>, kind: EntryKind, placed: &Identity) -> Option<&'static str> {
    let Some(seen) = seen else {
        return Some("nothing can be read at its place");
    };
    if seen.kind != kind {
        return Some("something of another kind lies at its place");
    }
    if seen.size != placed.size {
        return Some("the file at its place has another size");
    }
    (!fits(placed, &seen.identity(), false)).then_some("the file at its place was written to since")
}

/// How a file that was read back elsewhere stands here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stands {
    /// It is what is recorded.
    Same,
    /// It was touched: nothing is said against it, and nothing for it.
    Touched,
    /// It differs, by the fixed word.
    Differs(&'static str),
}

/// Holds what lies at a place against what is recorded of it. Numbers of files count only where the
/// mount keeps them.
pub fn stands(seen: Option<&Entry>, record: &FileRecord, inodes_hold: bool) -> Stands {
    let Some(seen) = seen else {
        return Stands::Differs("absent");
    };
    let (now, then) = (seen.identity(), record.placed);
    if seen.kind != record.kind {
        Stands::Differs("type")
    } else if now.size != then.size {
        Stands::Differs("size")
    } else if now.mtime != then.mtime {
        Stands::Differs("time")
    } else if now.ctime != then.ctime || (inodes_hold && now.inode != then.inode) {
        Stands::Touched
    } else {
        Stands::Same
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::digest::Digest;
    use crate::ledger::Proof;
    use crate::moment::Moment;
    use crate::units::Bytes;

    fn entry() -> Entry {
        let at = Moment {
            seconds: 5,
            nanos: 123_456_789,
        };
        Entry {
            allocated: Bytes(4096),
            ctime: Moment::from_seconds(9),
            inode: 3,
            ..Entry::plain(EntryKind::File, 7, at)
        }
    }

    /// Every single fact that can be another, one after the other.
    #[test]
    fn one_fact_after_the_other_is_told() {
        let record = FileRecord {
            place: RelPath::new("a").unwrap(),
            kind: EntryKind::File,
            source: entry().identity(),
            placed: entry().identity(),
            hash: Digest([0; 32]),
            copied_at: Moment::from_seconds(10),
            proof: Proof::Copied,
        };
        let with = |change: fn(&mut Entry)| {
            let mut seen = entry();
            change(&mut seen);
            let told = differs(Some(&seen), EntryKind::File, &record.placed).is_some();
            (stands(Some(&seen), &record, true), told)
        };
        let rows: [(fn(&mut Entry), Stands, bool); 7] = [
            (|_| {}, Stands::Same, false),
            (|e| e.kind = EntryKind::Symlink, Stands::Differs("type"), true),
            (|e| e.size = Bytes(8), Stands::Differs("size"), true),
            (|e| e.mtime.seconds += 1, Stands::Differs("time"), true),
            (|e| e.ctime.seconds += 1, Stands::Touched, false),
            (|e| e.inode += 1, Stands::Touched, false),
            // What another mount cuts off is no change for who did not see it before.
            (|e| e.mtime.nanos = 123_456_700, Stands::Differs("time"), false),
        ];
        for (at, (change, wanted, told)) in rows.into_iter().enumerate() {
            assert_eq!(with(change), (wanted, told), "{at}");
        }
        assert_eq!(stands(None, &record, true), Stands::Differs("absent"));
        assert!(differs(None, EntryKind::File, &record.placed).is_some());
        let mut moved = entry();
        moved.inode = 9;
        assert_eq!(stands(Some(&moved), &record, false), Stands::Same);
    }
}
