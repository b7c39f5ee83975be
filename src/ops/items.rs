//! The files of a batch, folder by folder, from its index.

use super::batch::AtHand;
use crate::entry::{Entry, EntryKind, Named, Piece};
use crate::index::{Index, Listings, Pieces};
use crate::names::RelPath;
use crate::plan::Placed;
use crate::survey::member::Owner;
use crate::survey::{ProjectKey, exclude::Exclude};
use crate::trouble::Trouble;
use std::collections::{BTreeMap, VecDeque};

/// One folder of a batch, or the next piece of one.
#[derive(Debug, Clone)]
pub struct BatchFolder {
    /// Its path below the source's root.
    pub from: RelPath,
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// Its entries that belong to the batch, folders among them; none that is left out.
    pub children: Vec<Named>,
    /// Entries that are left out, with the rule.
    pub excluded: Vec<(Named, String)>,
    /// Names that the source had there for other batches: of later files only some are this one's.
    pub others: Vec<Vec<u8>>,
    /// Names that change on the way, by their name at the source.
    pub renamed: BTreeMap<Vec<u8>, Vec<u8>>,
    /// The names that this piece stands for: from one on, up to the one that the next piece begins
    /// with. Empty and none of a whole folder.
    pub stretch: (Vec<u8>, Option<Vec<u8>>),
}

impl BatchFolder {
    /// The name at the destination of an entry of the source's folder.
    pub fn placed_name<'a>(&'a self, name: &'a [u8]) -> &'a [u8] {
        self.renamed.get(name).map_or(name, Vec::as_slice)
    }

    /// The place below the dataset's folder of an entry of the source's folder.
    pub fn place_of(&self, name: &[u8]) -> Option<RelPath> {
        self.place.join(self.placed_name(name)).ok()
    }

    /// The names that this piece stands for; none of them changes on the way where it is not all.
    pub fn stretch(&self) -> (&[u8], Option<&[u8]>) {
        (&self.stretch.0, self.stretch.1.as_deref())
    }

    /// The name at the source of what lies under this one at the destination.
    pub fn source_name<'a>(&'a self, placed: &'a [u8]) -> &'a [u8] {
        let mut renamed = self.renamed.iter();
        renamed
            .find(|(_, name)| name.as_slice() == placed)
            .map_or(placed, |(name, _)| name.as_slice())
    }
}

/// The folders of a batch, projects in their order.
pub struct Walk<'a> {
    at_hand: &'a AtHand,
    projects: VecDeque<&'a Placed>,
    current: Option<(&'a Placed, Content)>,
    ready: VecDeque<BatchFolder>,
    skipped: Option<RelPath>,
    in_pieces: bool,
}

/// The folders of a project.
enum Content {
    Whole(Listings),
    Pieces(Pieces),
}

impl Content {
    fn next(&mut self) -> Result<Option<Piece>, Trouble> {
        match self {
            Content::Whole(listings) => Ok(listings.next().transpose()?.map(Piece::whole)),
            Content::Pieces(pieces) => pieces.next().transpose(),
        }
    }
}

impl<'a> Walk<'a> {
    /// From the first project on.
    pub fn new(at_hand: &'a AtHand) -> Walk<'a> {
        Walk {
            at_hand,
            projects: at_hand.batch.projects.iter().collect(),
            current: None,
            ready: VecDeque::new(),
            skipped: None,
            in_pieces: false,
        }
    }

    /// Long folders of projects piece by piece, for those who need not see a folder as a whole. Where
    /// names change on the way or others have a part in a folder, it comes whole.
    pub fn in_pieces(self) -> Walk<'a> {
        Walk {
            in_pieces: self.at_hand.renames.is_empty() && self.at_hand.only.is_none(),
            ..self
        }
    }

    /// One project of the batch alone.
    pub fn of(at_hand: &'a AtHand, project: &'a Placed) -> Walk<'a> {
        Walk {
            projects: VecDeque::from([project]),
            ..Walk::new(at_hand)
        }
    }

    fn advance(&mut self) -> Result<Option<BatchFolder>, Trouble> {
        loop {
            if let Some(folder) = self.ready.pop_front() {
                match self.own(folder) {
                    Some(folder) => return Ok(Some(folder)),
                    None => continue,
                }
            }
            if let Some((placed, content)) = &mut self.current {
                match content.next()? {
                    Some(piece) => {
                        let placed = *placed;
                        if !self.is_left_out(&piece.listing.folder) {
                            let folder = self.folder_of(placed, piece)?;
                            if let Some(folder) = self.own(folder) {
                                return Ok(Some(folder));
                            }
                        }
                    }
                    None => self.current = None,
                }
                continue;
            }
            let Some(placed) = self.projects.pop_front() else {
                return Ok(None);
            };
            match &placed.key {
                ProjectKey::Folder(path) => {
                    let index = &self.at_hand.index;
                    let content = match self.in_pieces {
                        true => Content::Pieces(index.pieces_below(path)),
                        false => Content::Whole(index.listings_below(path)),
                    };
                    self.current = Some((placed, content));
                }
                ProjectKey::Loose(_) => self.loose(placed)?,
            }
        }
    }

    /// Of a batch of later files, what it brings in this folder; `None` where that is nothing.
    fn own(&self, mut folder: BatchFolder) -> Option<BatchFolder> {
        let Some(only) = &self.at_hand.only else {
            return Some(folder);
        };
        let (all, all_excluded) = (
            std::mem::take(&mut folder.children),
            std::mem::take(&mut folder.excluded),
        );
        let mine = |child: &Named| {
            folder
                .place_of(&child.name)
                .is_some_and(|place| only.contains(&place))
        };
        let (children, others): (Vec<_>, Vec<_>) = all.into_iter().partition(mine);
        let (excluded, left): (Vec<_>, Vec<_>) = all_excluded.into_iter().partition(|(child, _)| mine(child));
        let names = others.into_iter().chain(left.into_iter().map(|(child, _)| child));
        let others = names.map(|child| folder.placed_name(&child.name).to_vec());
        folder.others = others.collect();
        (folder.children, folder.excluded) = (children, excluded);
        (!folder.children.is_empty() || !folder.excluded.is_empty()).then_some(folder)
    }

    /// Listings come parents first, so everything below a folder left out follows it.
    fn is_left_out(&mut self, folder: &RelPath) -> bool {
        if self
            .skipped
            .as_ref()
            .is_some_and(|above| folder.below(above).is_some())
        {
            return true;
        }
        let out = !folder.is_root()
            && self
                .at_hand
                .exclude
                .rule_for_path(folder, EntryKind::Directory)
                .is_some();
        if out {
            self.skipped = Some(folder.clone());
        }
        out
    }

    fn folder_of(&self, placed: &Placed, piece: Piece) -> Result<BatchFolder, Trouble> {
        let listing = piece.listing;
        let renamed = self.renamed(&listing.folder, &listing.children)?;
        let (excluded, children) = sort_out(&self.at_hand.exclude, &listing.folder, listing.children);
        Ok(BatchFolder {
            place: place_of(self.at_hand, placed, &listing.folder),
            from: listing.folder,
            children,
            excluded,
            others: Vec::new(),
            renamed,
            stretch: (piece.from, piece.next),
        })
    }

    /// The names of a folder that change on the way. Two that would have one name stop the batch.
    fn renamed(&self, folder: &RelPath, children: &[Named]) -> Result<BTreeMap<Vec<u8>, Vec<u8>>, Trouble> {
        let mut renamed = BTreeMap::new();
        if self.at_hand.renames.is_empty() {
            return Ok(renamed);
        }
        let new_name = |name: &[u8]| {
            let path = folder.join(name).ok()?;
            self.at_hand.renames.of(&path).map(<[u8]>::to_vec)
        };
        for child in children {
            renamed.extend(new_name(&child.name).map(|name| (child.name.clone(), name)));
        }
        let taken = |child: &&Named| {
            let here = renamed.get(&child.name).unwrap_or(&child.name);
            renamed.iter().any(|(from, to)| *from != child.name && to == here)
        };
        match children.iter().find(taken) {
            None => Ok(renamed),
            Some(child) => Err(collides(folder, &child.name)),
        }
    }

    /// Loose files lie in the folders above the project depth.
    fn loose(&mut self, placed: &'a Placed) -> Result<(), Trouble> {
        let index = &self.at_hand.index;
        for folder in folders_above(index, self.at_hand.source.project_depth)? {
            let mine = |child: &Named| matches!(self.at_hand.membership.owner(&folder, child), Owner::Project(key) if key == placed.key);
            let mut children: Vec<Named> = Vec::new();
            for piece in index.pieces_of(&folder) {
                children.extend(piece?.listing.children.into_iter().filter(mine));
            }
            let renamed = self.renamed(&folder, &children)?;
            let (excluded, children) = sort_out(&self.at_hand.exclude, &folder, children);
            if !children.is_empty() || !excluded.is_empty() {
                let place = place_of(self.at_hand, placed, &folder);
                self.ready.push_back(BatchFolder {
                    from: folder,
                    place,
                    children,
                    excluded,
                    others: Vec::new(),
                    renamed,
                    stretch: Default::default(),
                });
            }
        }
        Ok(())
    }
}

impl Iterator for Walk<'_> {
    type Item = Result<BatchFolder, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        self.advance().transpose()
    }
}

/// Where a folder of a project lies below the dataset's folder.
fn place_of(at_hand: &AtHand, placed: &Placed, folder: &RelPath) -> RelPath {
    placed
        .place
        .join_path(&at_hand.renames.place(&placed.key, folder))
}

pub(super) fn collides(folder: &RelPath, name: &[u8]) -> Trouble {
    let name = String::from_utf8_lossy(name);
    Trouble::usage(
        "rename-collides",
        format!("a [[rename]] in {folder} gives two entries one name; {name:?} is one of them"),
    )
    .mend("Give it a name that nothing else in that folder has.")
}

pub(super) fn sort_out(
    exclude: &Exclude,
    folder: &RelPath,
    children: Vec<Named>,
) -> (Vec<(Named, String)>, Vec<Named>) {
    let mut out = Vec::new();
    let mut kept = Vec::with_capacity(children.len());
    for child in children {
        match exclude
            .rule_for(folder, &child.name, child.entry.kind)
            .map(str::to_string)
        {
            Some(rule) => out.push((child, rule)),
            None => kept.push(child),
        }
    }
    (out, kept)
}

/// The listed folders above the project depth: the root, and for deeper projects those below it.
pub(super) fn folders_above(index: &Index, depth: usize) -> Result<Vec<RelPath>, Trouble> {
    let mut found = Vec::new();
    let mut waiting = VecDeque::from([RelPath::root()]);
    while let Some(path) = waiting.pop_front() {
        let mut listed = false;
        for piece in index.pieces_of(&path) {
            let children = piece?.listing.children;
            listed = true;
            if path.depth() + 1 >= depth {
                break;
            }
            for child in children.iter().filter(|c| c.entry.kind == EntryKind::Directory) {
                waiting.extend(path.join(&child.name).ok());
            }
        }
        found.extend(listed.then_some(path));
    }
    Ok(found)
}

/// The folders of a batch that are dressed: those it holds, its projects' own, and the ones above
/// these that the source has too.
pub fn own_folders(at_hand: &AtHand) -> Result<Vec<(RelPath, RelPath, Entry)>, Trouble> {
    let mut found = Vec::new();
    for placed in &at_hand.batch.projects {
        let ProjectKey::Folder(path) = &placed.key else {
            continue;
        };
        let (mut from, mut place) = (path.clone(), placed.place.clone());
        // Names agree upwards as long as the place keeps the source's path.
        while !from.is_root() && !place.is_root() {
            if let Some(entry) = at_hand.index.entry(&from)? {
                found.push((from.clone(), place.clone(), entry));
            }
            let (Some((above, name)), Some((above_place, place_name))) = (from.split(), place.split()) else {
                break;
            };
            if name != place_name {
                break;
            }
            let next = (above, above_place);
            (from, place) = next;
        }
    }
    found.sort_by(|a, b| a.1.cmp(&b.1));
    found.dedup_by(|a, b| a.1 == b.1);
    Ok(found)
}
