//! What lies at the destination without having been sent there.

use crate::entry::EntryKind;
use crate::names::RelPath;
use crate::world::OpenFolders;
use crate::world::{Fault, FaultKind, Fs, Res};
use std::collections::BTreeSet;

/// Most uninvited files listed one by one below one uninvited folder; a folder of more is told by
/// its own name.
const MOST: usize = 10_000;

/// Something nobody sent.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Uninvited {
    /// Where it lies below the dataset's folder.
    pub place: RelPath,
    /// Whether it is a by-product of a desktop, listed but not blocking.
    pub by_product: bool,
    /// Whether it is a folder with nothing in it.
    pub empty_folder: bool,
}

/// Entries of one folder at the destination that are not among `expected`; files in uninvited
/// folders one by one. A folder that is missing has none.
///
/// # Errors
/// A [`Fault`] where the folder cannot be listed: it is unknown then, not clean.
pub fn uninvited(target: &dyn Fs, folder: &RelPath, expected: &BTreeSet<Vec<u8>>) -> Res<Vec<Uninvited>> {
    let mut open = OpenFolders::new(target);
    let held = match open.get(folder) {
        Ok(held) => held,
        Err(fault) if fault.kind == FaultKind::NotFound => return Ok(Vec::new()),
        Err(fault) => return Err(fault),
    };
    let mut found = Vec::new();
    for (name, kind) in held.list()? {
        // Our own folder at the destination's root holds the marker and the ledger's copy.
        if expected.contains(&name) || (folder.is_root() && name == b".poolward") {
            continue;
        }
        let place = joined(folder, &name)?;
        let by_product = is_by_product(&name);
        if kind == EntryKind::Directory && !by_product {
            below(&mut open, &place, &mut found)?;
        } else {
            found.push(Uninvited {
                place,
                by_product,
                empty_folder: false,
            });
        }
    }
    found.sort();
    Ok(found)
}

fn below(open: &mut OpenFolders<'_>, folder: &RelPath, found: &mut Vec<Uninvited>) -> Res<()> {
    let mut waiting = vec![folder.clone()];
    let mut mine = Vec::new();
    while let Some(next) = waiting.pop() {
        for (name, kind) in open.get(&next)?.list()? {
            let place = joined(&next, &name)?;
            match kind {
                EntryKind::Directory => waiting.push(place),
                _ => mine.push(Uninvited {
                    place,
                    by_product: is_by_product(&name),
                    empty_folder: false,
                }),
            }
        }
        if mine.len() > MOST {
            break;
        }
    }
    if mine.is_empty() || mine.len() > MOST {
        mine = vec![Uninvited {
            place: folder.clone(),
            by_product: false,
            empty_folder: mine.is_empty(),
        }];
    }
    found.append(&mut mine);
    Ok(())
}

fn joined(folder: &RelPath, name: &[u8]) -> Res<RelPath> {
    folder
        .join(name)
        .map_err(|_| Fault::ours("list", name, FaultKind::NameRefused, "a name no file can have"))
}

/// Names that desktops and file servers leave wherever they look (common practice, no source).
pub fn is_by_product(name: &[u8]) -> bool {
    let fixed: [&[u8]; 8] = [
        b".DS_Store",
        b".localized",
        b"Thumbs.db",
        b"desktop.ini",
        b".directory",
        b".Trashes",
        b".Spotlight-V100",
        b".fseventsd",
    ];
    fixed.contains(&name)
        || name.starts_with(b"._")
        || name.starts_with(b".Trash-")
        || name.starts_with(b".nfs")
}
