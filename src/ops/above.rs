//! The folders above the projects as begun batches knew them, piece by piece: thousands of loose files
//! may lie in one, so that it is merged from its indexes as it is read.

use super::as_begun::AsBegun;
use crate::entry::{Entry, Listing, Named};
use crate::index::Index;
use crate::names::RelPath;
use crate::survey::{Membership, Owner, ProjectKey};
use crate::trouble::Trouble;
use std::collections::BTreeMap;

/// Entries in a piece.
const PIECE: usize = 32_768;

/// What an entry's project must be for one of the indexes to have a say in it.
pub(super) type Wanted<'a> = Box<dyn Fn(&ProjectKey) -> bool + 'a>;

/// One folder, merged from what several indexes say.
pub(super) struct Above<'a> {
    folder: RelPath,
    /// In the order of their say: of one name the first has it.
    heads: Vec<Head<'a>>,
    /// Whether any index lists the folder at all.
    listed: bool,
}

/// Entries in byte order, the next one at hand.
struct Head<'a> {
    next: Option<Named>,
    rest: Box<dyn Iterator<Item = Result<Named, Trouble>> + 'a>,
}

impl Head<'_> {
    fn take(&mut self) -> Result<Option<Named>, Trouble> {
        let next = self.rest.next().transpose()?;
        Ok(std::mem::replace(&mut self.next, next))
    }
}

impl<'a> Above<'a> {
    pub(super) fn new(folder: RelPath) -> Above<'a> {
        Above {
            folder,
            heads: Vec::new(),
            listed: false,
        }
    }

    /// Adds single entries that are known.
    pub(super) fn add_known(&mut self, entries: BTreeMap<Vec<u8>, Entry>) -> Result<(), Trouble> {
        self.listed |= !entries.is_empty();
        let named = entries.into_iter();
        self.add(Box::new(named.map(|(name, entry)| Ok(Named { name, entry }))))
    }

    /// Adds what an index says of this folder, as far as it belongs to wanted projects or to none.
    pub(super) fn add_index(
        &mut self,
        index: &'a Index,
        membership: &'a Membership,
        wanted: Wanted<'a>,
    ) -> Result<(), Trouble> {
        let pieces = index.pieces_of(&self.folder);
        let mut pieces = pieces.map(|piece| Ok::<_, Trouble>(piece?.listing.children));
        let Some(first) = pieces.next().transpose()? else {
            return Ok(());
        };
        self.listed = true;
        let folder = self.folder.clone();
        let all = std::iter::once(Ok(first)).chain(pieces).flat_map(|children| {
            let (children, trouble) = match children {
                Ok(children) => (children, None),
                Err(trouble) => (Vec::new(), Some(Err(trouble))),
            };
            children.into_iter().map(Ok).chain(trouble)
        });
        let mine = move |child: &Result<Named, Trouble>| match child {
            Ok(child) => match membership.owner(&folder, child) {
                Owner::Project(key) => wanted(&key),
                Owner::Above => true,
            },
            Err(_) => true,
        };
        self.add(Box::new(all.filter(mine)))
    }

    fn add(
        &mut self,
        mut rest: Box<dyn Iterator<Item = Result<Named, Trouble>> + 'a>,
    ) -> Result<(), Trouble> {
        let next = rest.next().transpose()?;
        self.heads.push(Head { next, rest });
        Ok(())
    }

    /// The next entries. Of a folder that was listed and is empty, that once; `None` at the end.
    pub(super) fn piece(&mut self) -> Result<Option<Listing>, Trouble> {
        let mut children = Vec::new();
        while children.len() < PIECE {
            let names = self.heads.iter().filter_map(|head| head.next.as_ref());
            let Some(least) = names.map(|next| &next.name).min().cloned() else {
                break;
            };
            let mut first = None;
            for head in &mut self.heads {
                if head.next.as_ref().is_some_and(|next| next.name == least) {
                    first = first.or(head.take()?);
                }
            }
            children.extend(first);
        }
        let empty = children.is_empty() && !self.listed;
        self.listed = false;
        Ok((!empty).then(|| Listing {
            folder: self.folder.clone(),
            children,
        }))
    }
}

impl<'a> AsBegun<'a> {
    /// A folder above the projects: each of its entries from the index of its project.
    pub(super) fn above(&'a self, folder: &RelPath) -> Result<Above<'a>, Trouble> {
        let mut above = Above::new(folder.clone());
        let mut known: BTreeMap<Vec<u8>, Entry> = BTreeMap::new();
        for (key, at) in &self.of {
            if let ProjectKey::Folder(path) = key {
                let mine = path.split().filter(|(above, _)| above == folder);
                if let (Some((_, name)), Some(entry)) = (mine, self.olds[*at].entry(path)?) {
                    known.insert(name.to_vec(), entry);
                }
            }
        }
        above.add_known(known)?;
        for (at, old) in self.olds.iter().enumerate() {
            let loose = |(key, of): (&ProjectKey, &usize)| matches!(key, ProjectKey::Loose(_)) && *of == at;
            if self.of.iter().any(loose) {
                let mine = move |key: &ProjectKey| {
                    matches!(key, ProjectKey::Loose(_)) && self.of.get(key) == Some(&at)
                };
                above.add_index(old, &self.membership, Box::new(mine))?;
            }
        }
        let others = |key: &ProjectKey| !self.of.contains_key(key);
        above.add_index(self.new, &self.membership, Box::new(others))?;
        above.add_known(self.ways_down(folder)?)?;
        Ok(above)
    }

    /// The folders on the way to projects that are gone with all that was around them.
    fn ways_down(&self, folder: &RelPath) -> Result<BTreeMap<Vec<u8>, Entry>, Trouble> {
        let mut ways = BTreeMap::new();
        for (key, at) in &self.of {
            let ProjectKey::Folder(path) = key else { continue };
            let next = path.prefix(folder.depth() + 1);
            let Some(next) = next.filter(|next| next != path && path.below(folder).is_some()) else {
                continue;
            };
            let Some((_, name)) = next.split().filter(|(_, name)| !ways.contains_key(*name)) else {
                continue;
            };
            if let Some(entry) = self.olds[*at].entry(&next)? {
                ways.insert(name.to_vec(), entry);
            }
        }
        Ok(ways)
    }
}
