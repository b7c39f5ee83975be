//! How far inode numbers can be trusted, found by looking at the same files twice.

use crate::entry::{EntryKind, Identity};
use crate::index::{Index, InodeClass};
use crate::names::RelPath;
use crate::scan::look;
use crate::trouble::Trouble;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::ffi::CString;
use std::path::Path;

/// Files looked at in one folder; the sample is to reach many folders.
const A_FOLDER: usize = 8;

/// Files that are looked at twice.
const SAMPLE: usize = 1_000;

/// Fewer unchanged files than this tell nothing.
const LEAST: usize = 3;

/// What some files were seen to be at one time.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct InodeLook {
    /// The life of the mount at that time, as in [`crate::index::Start`].
    pub session: String,
    /// Files with one name only, and what they were.
    pub files: BTreeMap<RelPath, Identity>,
}

impl InodeLook {
    /// The look that an index has kept: up to `most` files.
    ///
    /// # Errors
    /// An index that can no longer be read.
    pub fn of_index(index: &Index, most: usize) -> Result<InodeLook, Trouble> {
        let mut look = InodeLook {
            session: index.header().start.session.clone(),
            files: BTreeMap::new(),
        };
        for listing in index.heads() {
            let listing = listing?;
            let single =
                |named: &&crate::entry::Named| named.entry.kind == EntryKind::File && named.entry.links == 1;
            for named in listing.children.iter().filter(single).take(A_FOLDER) {
                if let Ok(path) = listing.folder.join(&named.name) {
                    look.files.insert(path, named.entry.identity());
                }
            }
            if look.files.len() >= most {
                break;
            }
        }
        Ok(look)
    }

    /// Looks at the same files again where the source is mounted now; those that are gone are
    /// left out.
    ///
    /// # Errors
    /// A root that cannot be read.
    pub fn again(&self, root: &Path) -> Result<InodeLook, Trouble> {
        let fd = super::open_root(root)?;
        let (_, place) = look::look_at_open(&fd).map_err(|e| super::no_source(root, e))?;
        let mut files = BTreeMap::new();
        for path in self.files.keys() {
            let Some((folder, name)) = path.split() else {
                continue;
            };
            let (Ok(dir), Ok(name)) = (look::open_below(&fd, folder.as_bytes()), CString::new(name)) else {
                continue;
            };
            let (entry, _) = look::look(&dir, &name, EntryKind::Unknown);
            if entry.kind == EntryKind::File {
                files.insert(path.clone(), entry.identity());
            }
        }
        Ok(InodeLook {
            session: super::mounts::of(&fd, &place).session,
            files,
        })
    }
}

/// Compares two looks at the same source.
///
/// Only files whose size and time of modification are the same in both are compared. All numbers
/// alike over a restart or remount: stable. Alike within one life of the mount, or changed by a
/// remount: session. Changed within one life, or one number for several files: worthless.
pub fn classify_inodes(first: &InodeLook, second: &InodeLook) -> InodeClass {
    let unchanged: Vec<(&Identity, &Identity)> = first
        .files
        .iter()
        .filter_map(|(path, was)| Some((was, second.files.get(path)?)))
        .filter(|(was, is)| (was.size, was.mtime) == (is.size, is.mtime))
        .collect();
    if unchanged.len() < LEAST {
        return InodeClass::Unknown;
    }
    let mut users: HashMap<u64, usize> = HashMap::new();
    unchanged
        .iter()
        .for_each(|(_, is)| *users.entry(is.inode).or_default() += 1);
    if users.values().any(|n| *n > 1) {
        return InodeClass::Worthless;
    }
    // Two files of one size and time that changed names, each with its own number, tell of no change.
    let had = |is: &Identity| (is.inode, is.size, is.mtime);
    let before: HashSet<_> = first.files.values().map(had).collect();
    let alike = unchanged
        .iter()
        .all(|(was, is)| was.inode == is.inode || before.contains(&had(is)));
    match (alike, first.session == second.session) {
        (true, false) => InodeClass::Stable,
        (true, true) | (false, false) => InodeClass::Session,
        (false, true) => InodeClass::Worthless,
    }
}

/// The class after a look was repeated: what is known already is kept where the new pair of looks,
/// both in one life of the mount or too few, can say less.
pub fn class_after(before: InodeClass, same_session: bool, found: InodeClass) -> InodeClass {
    match (before, found) {
        (_, InodeClass::Unknown) => before,
        (InodeClass::Stable | InodeClass::Worthless, InodeClass::Session) if same_session => before,
        _ => found,
    }
}

/// Looks at a part of what a source's last index saw once more, and says how far its inode numbers
/// can be trusted. A source that cannot be looked at tells nothing new; the scan will say why.
pub fn look_again(index: &Index, root: &Path) -> InodeClass {
    let before = index.header().start.inodes;
    let looks = InodeLook::of_index(index, SAMPLE).and_then(|first| Ok((first.again(root)?, first)));
    match looks {
        Ok((second, first)) => class_after(
            before,
            first.session == second.session,
            classify_inodes(&first, &second),
        ),
        Err(_) => before,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every triple, against the rule said the other way round: two looks in one life of the mount
    /// take no earlier verdict back, unless they see numbers change.
    #[test]
    fn a_verdict_is_kept_until_a_pair_of_looks_says_more() {
        use InodeClass::{Session, Stable, Unknown, Worthless};
        for before in [Unknown, Stable, Session, Worthless] {
            for found in [Unknown, Stable, Session, Worthless] {
                for same_session in [false, true] {
                    let says_more = match found {
                        Unknown => false,
                        Session => !same_session || matches!(before, Unknown | Session),
                        Stable | Worthless => true,
                    };
                    let expected = if says_more { found } else { before };
                    assert_eq!(class_after(before, same_session, found), expected);
                }
            }
        }
    }
}
