//! Check files that lie among the files of a batch: lists of hashes that somebody made years ago.
//! What is read back anyway is held against them.

use super::batch::AtHand;
use super::checks::Listed;
use super::desk::Desk;
use super::items::Walk;
use crate::entry::EntryKind;
use crate::ledger::CheckFileRow;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::report::manifest::{
    Algorithm, CheckFile, place_of_line, read_bare_digest, read_check_file, with_slashes,
};
use crate::trouble::Trouble;
use crate::world::OpenFolders;
use crate::world::{Folder, Fs, OpenHow, Res};
use std::collections::BTreeMap;

/// Largest check file that is read; a line is a hundred bytes or so.
const LARGEST: u64 = 64 << 20;
/// Most lines that are held at once.
const MOST: usize = 2_000_000;

/// One check file: what its lines name.
struct Found {
    place: RelPath,
    mtime: Moment,
    lines: Vec<RelPath>,
    unread: u64,
}

/// The check files of a batch.
#[derive(Default)]
pub(super) struct OldLists {
    found: Vec<Found>,
}

impl OldLists {
    /// Finds and reads them at the destination, where they lie as they were at the source. Answers
    /// what they say by place.
    ///
    /// # Errors
    /// [`Trouble`] where the index cannot be read. A list that cannot be read is one that the
    /// verification itself finds unreadable.
    pub(super) fn gather(at_hand: &AtHand, target: &dyn Fs) -> Result<(OldLists, Listed), Trouble> {
        let (mut lists, mut listed) = (OldLists::default(), Listed::new());
        let mut open = OpenFolders::new(target);
        let mut left = MOST;
        for folder in Walk::new(at_hand) {
            let folder = folder?;
            let files = folder.children.iter().filter(|c| c.entry.kind == EntryKind::File);
            for child in files {
                let Some(algorithm) = Algorithm::of_file_name(&child.name) else {
                    continue;
                };
                let read = open
                    .get(&folder.place)
                    .and_then(|held| content(&*held, folder.placed_name(&child.name)));
                let (Ok(bytes), Some(place)) = (read, folder.place_of(&child.name)) else {
                    continue;
                };
                let mut found = Found {
                    place,
                    mtime: child.entry.mtime,
                    lines: Vec::new(),
                    unread: u64::from(bytes.is_none()),
                };
                let bytes = bytes.unwrap_or_default();
                let file = lines_of(&bytes, &child.name, algorithm);
                // A file that only has such a name, like a drawing, is no list.
                if file.listed.is_empty() && found.unread == 0 {
                    continue;
                }
                found.unread += file.unread.len() as u64;
                for line in file.listed {
                    let place = leads_to(&mut open, &folder.place, &child.name, &line.path);
                    match place.filter(|_| left > 0) {
                        Some(place) => {
                            left -= 1;
                            found.lines.push(place.clone());
                            let known = listed.entry(place).or_default();
                            if !known.contains(&(line.algorithm, line.digest.clone())) {
                                known.push((line.algorithm, line.digest));
                            }
                        }
                        None => found.unread += 1,
                    }
                }
                lists.found.push(found);
            }
        }
        Ok((lists, listed))
    }

    /// Records what the lines came to, after the reading.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger does not answer.
    pub(super) fn settle(&self, desk: &mut Desk<'_>, at_hand: &AtHand) -> Result<Vec<CheckFileRow>, Trouble> {
        let (id, dataset) = (at_hand.row.id, at_hand.dataset.name.as_str());
        let mut known: BTreeMap<&RelPath, Option<Option<bool>>> = BTreeMap::new();
        let mut rows = Vec::new();
        for list in &self.found {
            let mut row = CheckFileRow {
                place: list.place.clone(),
                mtime: list.mtime,
                same: 0,
                differing: Vec::new(),
                absent: 0,
                uncompared: 0,
                unread: list.unread,
            };
            for place in &list.lines {
                let agrees = match known.get(place) {
                    Some(agrees) => *agrees,
                    None => {
                        let record = desk.ledger.record_at(dataset, place)?;
                        let beside = record.map(|record| desk.ledger.beside(id, dataset, &record));
                        let agrees = beside.transpose()?.map(|beside| beside.listed);
                        known.insert(place, agrees);
                        agrees
                    }
                };
                match agrees {
                    None => row.absent += 1,
                    Some(None) => row.uncompared += 1,
                    Some(Some(true)) => row.same += 1,
                    Some(Some(false)) => row.differing.push(place.clone()),
                }
            }
            rows.push(row);
        }
        desk.ledger.put_check_files(id, &rows)?;
        Ok(rows)
    }
}

/// The lines of a list. One without a name belongs to the file the list is named after, and counts
/// only where it is all that the list says.
fn lines_of(bytes: &[u8], name: &[u8], algorithm: Algorithm) -> CheckFile {
    match read_bare_digest(bytes, name) {
        Some(only) => CheckFile {
            listed: vec![only],
            unread: Vec::new(),
        },
        None => read_check_file(bytes, Some(algorithm)),
    }
}

/// Where a line leads: to the name as it stands there, or, where no such name exists, to the path
/// that backslashes make of it.
fn leads_to(open: &mut OpenFolders<'_>, folder: &RelPath, list: &[u8], path: &[u8]) -> Option<RelPath> {
    let literal = place_of_line(folder, list, path);
    let Some(slashes) = with_slashes(path) else {
        return literal;
    };
    let mut exists = |place: &RelPath| {
        let (above, name) = place.split()?;
        open.get(&above).and_then(|held| held.stat(name)).ok()
    };
    match literal.filter(|place| exists(place).is_some()) {
        Some(place) => Some(place),
        None => place_of_line(folder, list, &slashes),
    }
}

/// A file's content; `None` where it is larger than any list that is read.
fn content(folder: &dyn Folder, name: &[u8]) -> Res<Option<Vec<u8>>> {
    let file = folder.open(name, OpenHow::Plain)?;
    let size = file.facts()?.size.0;
    if size > LARGEST {
        return Ok(None);
    }
    let mut bytes = Vec::new();
    let mut piece = vec![0u8; 1 << 16];
    while (bytes.len() as u64) <= LARGEST {
        match file.read_at(bytes.len() as u64, &mut piece)? {
            0 => break,
            length => bytes.extend_from_slice(piece.get(..length).unwrap_or_default()),
        }
    }
    Ok(Some(bytes))
}
