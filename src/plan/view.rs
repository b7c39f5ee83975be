//! A folder of relative links that looks like the old share, for programs and people that know
//! their way by it: which links it should hold, and what has to be done for that.

use crate::names::RelPath;
use std::collections::{BTreeMap, BTreeSet};

/// The folder's name below the destination.
pub const FOLDER: &str = "flat";

/// What lies in the folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Lies {
    /// A symlink, with the text it leads by.
    Link(Vec<u8>),
    /// A folder.
    Folder,
    /// Anything else.
    Other,
}

/// What is to be done, in this order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Steps {
    /// Links of ours that lead where nothing of the move is wanted any more.
    pub remove: Vec<RelPath>,
    /// Folders around them, deepest first, to be removed where they are empty then.
    pub empty: Vec<RelPath>,
    /// Links to be made, each with its text.
    pub make: Vec<(RelPath, Vec<u8>)>,
    /// Wanted links whose place something of somebody else's has: both are kept.
    pub conflicts: Vec<RelPath>,
    /// Wanted links that are there already.
    pub kept: u64,
}

/// The text of a link at `at` below the folder that leads to `place` below the destination.
pub fn text(at: &RelPath, place: &RelPath) -> Vec<u8> {
    let mut text = b"../".repeat(at.depth());
    text.extend_from_slice(place.as_bytes());
    text
}

/// Whether a link that lies there leads into a dataset of the move, written as [`text`] writes it.
/// Nobody else has reason to make such a link in this folder.
fn is_ours(at: &RelPath, leads: &[u8], datasets: &BTreeSet<RelPath>) -> bool {
    let rest = leads.strip_prefix(b"../".repeat(at.depth()).as_slice());
    let place = rest.and_then(|rest| RelPath::new(rest).ok());
    place.is_some_and(|place| datasets.iter().any(|dataset| place.below(dataset).is_some()))
}

/// What has to be done so that the links `wanted` (each with its text) are there, beside what is
/// found. `datasets` are the folders of the move's datasets below the destination.
pub fn steps(
    wanted: &BTreeMap<RelPath, Vec<u8>>,
    found: &BTreeMap<RelPath, Lies>,
    datasets: &BTreeSet<RelPath>,
) -> Steps {
    let mut steps = Steps::default();
    let mut gone = BTreeSet::new();
    for (at, lies) in found {
        let Lies::Link(leads) = lies else { continue };
        if wanted.get(at) != Some(leads) && is_ours(at, leads, datasets) {
            gone.insert(at);
            steps.remove.push(at.clone());
            steps.empty.extend(above(at));
        }
    }
    steps.empty.sort_by(|a, b| (b.depth(), a).cmp(&(a.depth(), b)));
    steps.empty.dedup();
    // A folder that holds something else is not empty then and stays.
    let goes = |at: &RelPath| gone.contains(at) || steps.empty.contains(at);
    let empties = |at: &RelPath| found.keys().all(|one| one.below(at).is_none() || goes(one));
    let cleared: BTreeSet<RelPath> = steps.empty.iter().filter(|at| empties(at)).cloned().collect();
    for (at, leads) in wanted {
        let way = above(at).into_iter();
        let blocked = way.into_iter().any(|folder| {
            wanted.contains_key(&folder)
                || matches!(found.get(&folder), Some(Lies::Link(_) | Lies::Other) if !gone.contains(&folder))
        });
        match found.get(at) {
            _ if blocked => steps.conflicts.push(at.clone()),
            Some(Lies::Link(lies)) if lies == leads => steps.kept += 1,
            Some(_) if !gone.contains(at) && !cleared.contains(at) => steps.conflicts.push(at.clone()),
            _ => steps.make.push((at.clone(), leads.clone())),
        }
    }
    steps
}

/// The folders above a path, without the root, deepest first.
fn above(at: &RelPath) -> Vec<RelPath> {
    let next = |path: &RelPath| path.split().map(|(folder, _)| folder);
    std::iter::successors(next(at), next)
        .filter(|folder| !folder.is_root())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn path(text: &str) -> RelPath {
        RelPath::new(text).unwrap()
    }

    #[test]
    fn a_link_leads_up_as_many_steps_as_it_lies_deep() {
        assert_eq!(text(&path("p"), &path("2019/p")), b"../2019/p");
        assert_eq!(
            text(&path("box/a/p"), &path("2019/box/a/p")),
            b"../../../2019/box/a/p"
        );
    }

    #[test]
    fn what_is_not_ours_is_never_removed() {
        let datasets = BTreeSet::from([path("2019")]);
        for (leads, ours) in [
            ("../2019/p", true),
            ("../2019x/p", false),
            ("../../2019/p", false),
            ("2019/p", false),
            ("../2019/../../etc", false),
            ("/etc/passwd", false),
            ("../2020/p", false),
        ] {
            let found = BTreeMap::from([(path("p"), Lies::Link(leads.into()))]);
            let steps = steps(&BTreeMap::new(), &found, &datasets);
            assert_eq!(!steps.remove.is_empty(), ours, "{leads}");
        }
    }

    /// A folder as a map, on which steps are done one by one as a file system would.
    fn done(steps: &Steps, found: &BTreeMap<RelPath, Lies>) -> BTreeMap<RelPath, Lies> {
        let mut now = found.clone();
        let is_empty = |now: &BTreeMap<RelPath, Lies>, at: &RelPath| {
            !now.keys().any(|one| one != at && one.below(at).is_some())
        };
        for at in &steps.remove {
            assert!(matches!(now.remove(at), Some(Lies::Link(_))));
        }
        for at in &steps.empty {
            if now.get(at) == Some(&Lies::Folder) && is_empty(&now, at) {
                now.remove(at);
            }
        }
        for (at, leads) in &steps.make {
            for folder in above(at) {
                let lies = now.entry(folder).or_insert(Lies::Folder);
                assert_eq!(*lies, Lies::Folder);
            }
            assert!(now.insert(at.clone(), Lies::Link(leads.clone())).is_none());
        }
        now
    }

    fn some_path() -> impl Strategy<Value = RelPath> {
        proptest::collection::vec(0..3u8, 1..4).prop_map(|parts| {
            let parts: Vec<String> = parts.iter().map(|p| format!("{p}")).collect();
            path(&parts.join("/"))
        })
    }

    proptest! {
        /// Whatever lies there: afterwards each wanted link is there or named as a conflict, nothing
        /// of somebody else's has changed, no other link of ours is left, and a second look finds
        /// nothing to do.
        #[test]
        fn steps_lead_to_what_is_wanted(
            places in proptest::collection::btree_map(some_path(), 0..3u8, 0..6),
            lying in proptest::collection::vec((some_path(), 0..4u8), 0..8),
        ) {
            let datasets = BTreeSet::from([path("d")]);
            let wanted: BTreeMap<RelPath, Vec<u8>> = places
                .iter()
                .map(|(at, n)| (at.clone(), text(at, &path(&format!("d/{n}")))))
                .collect();
            let mut found = BTreeMap::new();
            for (at, what) in lying {
                let lies = match what {
                    0 => Lies::Folder,
                    1 => Lies::Link(text(&at, &path("d/1"))),
                    2 => Lies::Link(b"elsewhere".to_vec()),
                    _ => Lies::Other,
                };
                // Only folders hold something.
                let free = above(&at).iter().all(|f| found.get(f).is_none_or(|l| *l == Lies::Folder))
                    && !found.keys().any(|one: &RelPath| one.below(&at).is_some());
                if free {
                    found.extend(above(&at).into_iter().map(|folder| (folder, Lies::Folder)));
                    found.insert(at, lies);
                }
            }
            let first = steps(&wanted, &found, &datasets);
            let now = done(&first, &found);
            for (at, leads) in &wanted {
                let there = now.get(at) == Some(&Lies::Link(leads.clone()));
                prop_assert!(there || first.conflicts.contains(at), "{at}");
            }
            for (at, lies) in &found {
                let foreign = match lies {
                    Lies::Folder => false,
                    Lies::Link(leads) => leads == b"elsewhere",
                    Lies::Other => true,
                };
                prop_assert!(!foreign || now.get(at) == Some(lies), "{at}");
            }
            for (at, lies) in &now {
                if let Lies::Link(leads) = lies {
                    prop_assert!(leads == b"elsewhere" || wanted.get(at) == Some(leads));
                }
            }
            let second = steps(&wanted, &now, &datasets);
            prop_assert!(second.make.is_empty() && second.remove.is_empty());
        }
    }
}
