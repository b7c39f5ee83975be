//! The sizes of everything to be moved, project by project, for the space they take.

use super::desk::Desk;
use super::gather::{self, Surveyed};
use crate::entry::{EntryKind, Named, Piece};
use crate::names::SourceName;
use crate::pool::{Ashift, FolderNames, SpaceTally};
use crate::survey::ProjectKey;
use crate::survey::exclude::Exclude;
use crate::survey::member::{Membership, Owner};
use crate::trouble::Trouble;
use std::collections::BTreeMap;

/// What is done with each part of a project.
pub type See<'a> = dyn FnMut(&SourceName, &ProjectKey, &SpaceTally) + 'a;

/// Hands in what is to be moved of each project, excluded entries left out. A project may come in
/// several parts; memory holds one at a time, of a long folder of loose files one a year.
///
/// # Errors
/// [`Trouble`] where an index is damaged.
pub fn each_project(
    desk: &Desk<'_>,
    surveyed: &[Surveyed],
    ashift: Ashift,
    see: &mut See<'_>,
) -> Result<(), Trouble> {
    for one in surveyed {
        let exclude = gather::exclude(&desk.settings, &one.source)?;
        let membership = gather::membership(&desk.settings, &one.source, &one.index);
        let mut parts = Parts {
            source: &one.source.name,
            ashift,
            open: None,
            see,
            names: FolderNames::default(),
            years: BTreeMap::new(),
        };
        for piece in one.index.pieces() {
            let piece = piece?;
            let folder = &piece.listing.folder;
            let out = exclude.rule_for_path(folder, EntryKind::Directory);
            if folder.is_root() || out.is_none() {
                parts.push(&piece, &exclude, &membership);
            }
        }
        parts.close();
    }
    Ok(())
}

/// One project after the other.
struct Parts<'a, 'b> {
    source: &'a SourceName,
    ashift: Ashift,
    open: Option<(ProjectKey, SpaceTally)>,
    see: &'a mut See<'b>,
    /// Of the pieces of the folder at hand so far.
    names: FolderNames,
    /// Its loose files by year, so that each is priced once however many pieces there are.
    years: BTreeMap<ProjectKey, SpaceTally>,
}

impl Parts<'_, '_> {
    fn push(&mut self, piece: &Piece, exclude: &Exclude, membership: &Membership) {
        let listing = &piece.listing;
        let kept = |child: &&Named| {
            let kind = child.entry.kind;
            exclude.rule_for(&listing.folder, &child.name, kind).is_none()
        };
        let children: Vec<&Named> = listing.children.iter().filter(kept).collect();
        if let Some(key) = membership.project_of_folder(&listing.folder) {
            let lengths = children.iter().map(|child| child.name.len() as u64);
            let names = &mut self.names;
            names.entries += children.len() as u64;
            names.bytes += lengths.clone().sum::<u64>();
            names.longest = names.longest.max(lengths.max().unwrap_or(0));
            let whole = piece.next.is_none().then(|| std::mem::take(names));
            let tally = self.tally(key);
            whole.into_iter().for_each(|names| tally.push_directory(names));
            children.iter().for_each(|child| count(tally, child));
            return;
        }
        // Loose files, year by year: thousands of them may lie in one folder.
        let owned = |child: &Named| match membership.owner(&listing.folder, child) {
            Owner::Project(key) if child.entry.kind != EntryKind::Directory => Some(key),
            _ => None,
        };
        let loose = children.iter().filter_map(|child| Some((owned(child)?, *child)));
        let mut loose: Vec<(ProjectKey, &Named)> = loose.collect();
        loose.sort_by(|a, b| a.0.cmp(&b.0));
        for (key, child) in loose {
            let fresh = || SpaceTally::new(self.ashift);
            match piece.is_whole() {
                true => count(self.tally(key), child),
                false => count(self.years.entry(key).or_insert_with(fresh), child),
            }
        }
        if piece.next.is_none() && !self.years.is_empty() {
            self.close();
            for (key, tally) in std::mem::take(&mut self.years) {
                (self.see)(self.source, &key, &tally);
            }
        }
    }

    /// The tally of a project; that of another one is handed in first.
    fn tally(&mut self, key: ProjectKey) -> &mut SpaceTally {
        if self.open.as_ref().is_none_or(|(open, _)| *open != key) {
            self.close();
        }
        let fresh = || (key, SpaceTally::new(self.ashift));
        &mut self.open.get_or_insert_with(fresh).1
    }

    fn close(&mut self) {
        if let Some((key, tally)) = self.open.take() {
            (self.see)(self.source, &key, &tally);
        }
    }
}

fn count(tally: &mut SpaceTally, child: &Named) {
    match child.entry.kind {
        EntryKind::File => tally.push(child.entry.size),
        EntryKind::Symlink => tally.push_symlink(child.entry.size.0),
        EntryKind::Directory | EntryKind::Special | EntryKind::Unknown => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::entry::{Entry, Listing};
    use crate::moment::Moment;
    use crate::names::RelPath;
    use crate::survey::exclude::ExcludeRules;

    fn listing(folder: &str, files: u64) -> Listing {
        let child = |n: u64| {
            let at = Moment::from_seconds(1_300_000_000 + n as i64 % 7 * 32_000_000);
            let kind = match n % 11 {
                5 => EntryKind::Symlink,
                _ => EntryKind::File,
            };
            Named {
                name: format!("{n:03}{}", "x".repeat(n as usize % 20)).into_bytes(),
                entry: Entry::plain(kind, n * n * 977, at),
            }
        };
        Listing {
            folder: RelPath::new(folder).unwrap(),
            children: (0..files).map(child).collect(),
        }
    }

    fn cut(whole: &Listing, size: usize) -> Vec<Piece> {
        let name = |at: usize| whole.children.get(at).map(|child| child.name.clone());
        let starts = (0..whole.children.len()).step_by(size);
        let piece = |start: usize| Piece {
            listing: Listing {
                folder: whole.folder.clone(),
                children: whole.children[start..whole.children.len().min(start + size)].to_vec(),
            },
            from: name(start).filter(|_| start > 0).unwrap_or_default(),
            next: name(start + size),
        };
        starts.map(piece).collect()
    }

    fn seen(pieces: &[Piece]) -> Vec<(ProjectKey, SpaceTally)> {
        let mut seen = Vec::new();
        let mut see = |_: &SourceName, key: &ProjectKey, tally: &SpaceTally| {
            seen.push((key.clone(), tally.clone()));
        };
        let mut parts = Parts {
            source: &SourceName("oldbox".into()),
            ashift: Ashift::new(12).unwrap(),
            open: None,
            see: &mut see,
            names: FolderNames::default(),
            years: BTreeMap::new(),
        };
        let exclude = Exclude::new(ExcludeRules::default(), 1).unwrap();
        let membership = Membership::new(1, chrono_tz::UTC, Moment::from_seconds(1_800_000_000));
        for piece in pieces {
            parts.push(piece, &exclude, &membership);
        }
        parts.close();
        seen
    }

    /// What a folder as a whole gives is the oracle.
    #[test]
    fn a_folder_in_pieces_takes_the_space_of_the_whole() {
        let (root, project) = (listing("", 150), listing("p", 100));
        let whole = seen(&[Piece::whole(root.clone()), Piece::whole(project.clone())]);
        assert!(whole.len() > 5, "several years and a project");
        for size in [1, 7, 99, 100, 149] {
            let pieces = [cut(&root, size), cut(&project, size)].concat();
            assert!(seen(&pieces) == whole, "pieces of {size}");
        }
    }
}
