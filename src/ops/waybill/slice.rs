//! The part of an index that one batch needs, in the index's own order: its projects, its loose
//! files, and the folders on the way to them.

use crate::entry::{Entry, EntryKind, Listing, Named};
use crate::index::Listings;
use crate::lifecycle::waybills::Task;
use crate::names::RelPath;
use crate::ops::batch::AtHand;
use crate::ops::items::{folders_above, sort_out};
use crate::plan::Placed;
use crate::survey::ProjectKey;
use crate::survey::member::Owner;
use crate::trouble::Trouble;
use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};

/// One folder of the slice.
#[derive(Debug, Clone)]
pub struct SliceFolder {
    /// Its path below the source's root.
    pub path: RelPath,
    /// Where what lies in it goes, below the dataset's folder; none above the projects.
    pub place: Option<RelPath>,
    /// Its entries that belong to the batch or lead to such.
    pub entries: Vec<SliceEntry>,
}

/// One entry of the slice.
#[derive(Debug, Clone)]
pub struct SliceEntry {
    /// Its name.
    pub name: Vec<u8>,
    /// Its facts.
    pub entry: Entry,
    /// Whether it is the batch's to bring.
    pub mine: bool,
    /// Its place below the dataset's folder; the folder of a dataset itself has none.
    pub place: Option<RelPath>,
}

impl SliceFolder {
    /// The folders at the destination that its entries come to lie in.
    pub fn places(&self) -> Vec<RelPath> {
        match &self.place {
            Some(place) => vec![place.clone()],
            None => {
                let placed = self.entries.iter().filter_map(|entry| entry.place.as_ref());
                placed.filter_map(|place| Some(place.split()?.0)).collect()
            }
        }
    }
}

enum Stop<'a> {
    Way(RelPath),
    Project(&'a RelPath, &'a Placed),
}

impl Stop<'_> {
    fn path(&self) -> &RelPath {
        match self {
            Stop::Way(path) => path,
            Stop::Project(path, _) => path,
        }
    }
}

/// The folders of a slice, parents before their children, the root's first.
pub struct Slice<'a> {
    at_hand: &'a AtHand,
    task: Task,
    stops: VecDeque<Stop<'a>>,
    current: Option<(&'a Placed, Listings)>,
    /// The folder left out last: what is below it follows.
    skipped: Option<RelPath>,
    projects: BTreeMap<&'a RelPath, &'a Placed>,
    loose: HashMap<&'a ProjectKey, &'a Placed>,
    /// Folders above the projects that are listed.
    ways: BTreeSet<RelPath>,
}

impl<'a> Slice<'a> {
    /// What a batch needs for a task.
    ///
    /// # Errors
    /// [`Trouble`] where the index cannot be read.
    pub fn new(at_hand: &'a AtHand, task: Task) -> Result<Slice<'a>, Trouble> {
        let (mut projects, mut loose) = (BTreeMap::new(), HashMap::new());
        for placed in &at_hand.batch.projects {
            match &placed.key {
                ProjectKey::Folder(path) => drop(projects.insert(path, placed)),
                key @ ProjectKey::Loose(_) => drop(loose.insert(key, placed)),
            }
        }
        let mut ways = BTreeSet::from([RelPath::root()]);
        for path in projects.keys() {
            ways.extend((0..path.depth()).filter_map(|depth| path.prefix(depth)));
        }
        if !loose.is_empty() {
            let above = folders_above(&at_hand.index, at_hand.source.project_depth)?;
            ways.extend(above);
        }
        let mut stops: Vec<Stop<'a>> = ways.iter().cloned().map(Stop::Way).collect();
        stops.extend(projects.iter().map(|(path, placed)| Stop::Project(path, placed)));
        // Component by component: parents first, siblings in byte order.
        stops.sort_by(|a, b| a.path().components().cmp(b.path().components()));
        Ok(Slice {
            at_hand,
            task,
            stops: stops.into(),
            current: None,
            skipped: None,
            projects,
            loose,
            ways,
        })
    }

    fn advance(&mut self) -> Result<Option<SliceFolder>, Trouble> {
        loop {
            if let Some((placed, listings)) = &mut self.current {
                let placed = *placed;
                match listings.next().transpose()? {
                    Some(listing) => {
                        if let Some(folder) = self.inside(placed, listing) {
                            return Ok(Some(folder));
                        }
                    }
                    None => self.current = None,
                }
                continue;
            }
            match self.stops.pop_front() {
                None => return Ok(None),
                Some(Stop::Project(path, placed)) => {
                    self.current = Some((placed, self.at_hand.index.listings_below(path)));
                }
                Some(Stop::Way(path)) => {
                    if !path.is_root() && self.is_left_out(&path) {
                        continue;
                    }
                    if let Some(above) = self.above(path)? {
                        return Ok(Some(above));
                    }
                }
            }
        }
    }

    /// Whether the batch brings what goes to this place.
    fn is_mine(&self, place: &RelPath, kind: EntryKind) -> bool {
        let brought = |only: &BTreeSet<RelPath>| only.contains(place);
        let moved_on = self.task == Task::Copy && kind != EntryKind::Directory;
        self.at_hand.only.as_ref().is_none_or(brought) && !(moved_on && self.at_hand.taken.contains(place))
    }

    /// Whether the batch brings anything below a folder's place.
    fn leads_on(&self, place: &RelPath) -> bool {
        let Some(only) = &self.at_hand.only else {
            return true;
        };
        // The lowest name there is comes before everything inside.
        let first = match place.join(&[1]) {
            Ok(lowest) => only.range(lowest..).next(),
            Err(_) => None,
        };
        first.is_some_and(|next| next.below(place).is_some())
    }

    fn inside(&mut self, placed: &Placed, listing: Listing) -> Option<SliceFolder> {
        let inside = placed.key.inside(&listing.folder).unwrap_or_default();
        let place = self.place(placed, &listing.folder);
        if self.is_left_out(&listing.folder) || !(inside.is_root() || self.leads_on(&place)) {
            return None;
        }
        let (_, children) = sort_out(&self.at_hand.exclude, &listing.folder, listing.children);
        let entries = children
            .into_iter()
            .filter_map(|child| self.below(child, &listing.folder, &place));
        Some(SliceFolder {
            entries: entries.collect(),
            path: listing.folder,
            place: Some(place),
        })
    }

    /// Where something of a project lies below the dataset's folder.
    fn place(&self, placed: &Placed, path: &RelPath) -> RelPath {
        placed
            .place
            .join_path(&self.at_hand.renames.place(&placed.key, path))
    }

    fn below(&self, child: Named, folder: &RelPath, above: &RelPath) -> Option<SliceEntry> {
        let path = folder.join(&child.name).ok()?;
        let name = self.at_hand.renames.of(&path).unwrap_or(&child.name);
        let place = above.join(name).ok()?;
        let kind = child.entry.kind;
        let mine = self.is_mine(&place, kind);
        let kept = mine || (kind == EntryKind::Directory && self.leads_on(&place));
        kept.then_some(SliceEntry {
            name: child.name,
            entry: child.entry,
            mine,
            place: Some(place),
        })
    }

    /// As `items::Walk` has it: listings come parents first.
    fn is_left_out(&mut self, folder: &RelPath) -> bool {
        let below = |above: &RelPath| folder.below(above).is_some();
        if self.skipped.as_ref().is_some_and(below) {
            return true;
        }
        let rule = self.at_hand.exclude.rule_for_path(folder, EntryKind::Directory);
        if rule.is_some() {
            self.skipped = Some(folder.clone());
        }
        rule.is_some()
    }

    /// A folder above the projects: the way to them, and loose files.
    fn above(&self, path: RelPath) -> Result<Option<SliceFolder>, Trouble> {
        let (mut entries, mut listed) = (Vec::new(), false);
        for piece in self.at_hand.index.pieces_of(&path) {
            listed = true;
            let (_, children) = sort_out(&self.at_hand.exclude, &path, piece?.listing.children);
            let mine = children.into_iter();
            entries.extend(mine.filter_map(|child| self.on_the_way(&path, child)));
        }
        Ok(listed.then_some(SliceFolder {
            entries,
            path,
            place: None,
        }))
    }

    fn on_the_way(&self, folder: &RelPath, child: Named) -> Option<SliceEntry> {
        let path = folder.join(&child.name).ok()?;
        if let Some(placed) = self.projects.get(&path) {
            let place = Some(&placed.place).filter(|place| !place.is_root());
            return Some(SliceEntry {
                mine: place.is_none_or(|place| self.is_mine(place, child.entry.kind)),
                place: place.cloned(),
                name: child.name,
                entry: child.entry,
            });
        }
        if self.ways.contains(&path) {
            return Some(SliceEntry {
                name: child.name,
                entry: child.entry,
                mine: false,
                place: None,
            });
        }
        let Owner::Project(key) = self.at_hand.membership.owner(folder, &child) else {
            return None;
        };
        let placed = self.loose.get(&key)?;
        placed.key.inside(&path)?;
        let place = self.place(placed, &path);
        let mine = self.is_mine(&place, child.entry.kind);
        mine.then_some(SliceEntry {
            name: child.name,
            entry: child.entry,
            mine,
            place: Some(place),
        })
    }
}

impl Iterator for Slice<'_> {
    type Item = Result<SliceFolder, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        self.advance().transpose()
    }
}
