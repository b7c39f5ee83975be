//! Files that got another place in the pool since: the content of one that is missing, under a name
//! that was never recorded. Both are still told as what they are; this says that they are one.

use crate::digest::{Digest, TreeHasher};
use crate::entry::EntryKind;
use crate::ledger::{FixityFound, FixityRound};
use crate::lifecycle::fixity::Fate;
use crate::names::RelPath;
use crate::ops::desk::Desk;
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::{Course, Folder, OpenFolders, OpenHow, OsFs, Res, Stop, interrupted};
use std::collections::{BTreeMap, BTreeSet};

/// A file that was recorded at one place and lies at another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Moved {
    /// Where it was recorded.
    pub from: RelPath,
    /// Where its content lies now.
    pub to: RelPath,
}

/// Pairs what a round misses with what nobody sent, by content. Only strangers that are as large as
/// something missing are read; of equal ones each is taken once. Empty files say nothing.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read, the mount is gone, or it was interrupted.
pub(super) fn moved(
    desk: &Desk<'_>,
    round: &FixityRound,
    target: &OsFs,
    strangers: &[FixityFound],
) -> Result<Vec<Moved>, Trouble> {
    let mut missing: BTreeMap<(Bytes, Digest), BTreeSet<RelPath>> = BTreeMap::new();
    for one in desk.ledger.fixity_found(round.id, None)? {
        if one.fate != Fate::Absent {
            continue;
        }
        let record = desk.ledger.record_at(&round.dataset, &one.place)?;
        if let Some(record) = record.filter(|record| record.kind == EntryKind::File) {
            let key = (record.source.size, record.hash);
            missing.entry(key).or_default().insert(one.place);
        }
    }
    let sizes: BTreeSet<Bytes> = missing.keys().map(|(size, _)| *size).collect();
    let (mut found, mut open) = (Vec::new(), OpenFolders::new(target));
    for one in strangers {
        let Some((above, name)) = one.place.split() else {
            continue;
        };
        let looked = open
            .get(&above)
            .and_then(|held| content(&*held, name, &sizes, desk.stop));
        let (size, hash) = match looked {
            Ok(Some(seen)) => seen,
            Ok(None) => continue,
            Err(_) if desk.stop.is_set() => return Err(Trouble::interrupted()),
            Err(fault) if fault.course() == Course::StopAll => return Err(crate::copy::trouble_of(&fault)),
            // What cannot be read is told as what it is, and no more.
            Err(_) => continue,
        };
        if let Some(from) = missing.get_mut(&(size, hash)).and_then(BTreeSet::pop_first) {
            let to = one.place.clone();
            found.push(Moved { from, to });
        }
    }
    Ok(found)
}

/// Size and hash of a file, where something missing is as large.
fn content(
    held: &dyn Folder,
    name: &[u8],
    sizes: &BTreeSet<Bytes>,
    stop: &Stop,
) -> Res<Option<(Bytes, Digest)>> {
    let now = held.stat(name)?;
    if now.kind != EntryKind::File || now.size.0 == 0 || !sizes.contains(&now.size) {
        return Ok(None);
    }
    let file = held.open(name, OpenHow::Plain)?;
    let (mut hasher, mut buffer) = (TreeHasher::new(), vec![0u8; 1 << 20]);
    loop {
        if stop.is_set() {
            return Err(interrupted(name));
        }
        match file.read_at(hasher.position(), &mut buffer)? {
            0 => break,
            length => hasher.update(&buffer[..length]),
        }
    }
    let whole = hasher.position() == now.size.0;
    Ok(whole.then(|| (now.size, hasher.finish().root)))
}
