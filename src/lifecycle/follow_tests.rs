//! Renamed projects: what is told, against one who kept the tree in mind.

use super::follow::*;
use crate::entry::Identity;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::Bytes;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

fn path(text: &str) -> RelPath {
    RelPath::new(text).unwrap()
}

fn file(inode: u64, time: i64) -> Identity {
    Identity {
        size: Bytes(10),
        inode,
        mtime: Moment::from_seconds(time),
        ctime: Moment::from_seconds(time),
    }
}

fn inodes(of: &BTreeMap<RelPath, Seen>) -> BTreeMap<RelPath, u64> {
    of.iter().map(|(path, seen)| (path.clone(), seen.inode)).collect()
}

/// Every project has its own folder number and files; then names are dealt anew, files edited in
/// place, replaced by new ones, or removed.
fn worlds() -> impl Strategy<
    Value = (
        BTreeMap<RelPath, Seen>,
        BTreeMap<RelPath, Seen>,
        BTreeMap<RelPath, RelPath>,
    ),
> {
    let names = Just((0..9u32).collect::<Vec<_>>()).prop_shuffle();
    let fates = prop::collection::vec(prop::collection::vec(0..12u8, 1..14), 6);
    (names, fates).prop_map(|(names, fates)| {
        let (mut old, mut new, mut truth) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
        for (number, fates) in fates.iter().enumerate() {
            let name = path(&format!("p{number}"));
            let to = path(&format!("p{}", names[number]));
            let (mut before, mut now) = (BTreeMap::new(), BTreeMap::new());
            for (at, fate) in fates.iter().enumerate() {
                let (inside, inode) = (path(&format!("d/f{at}")), (100 * number + at) as u64);
                before.insert(inside.clone(), file(inode, 1));
                match fate {
                    0 => None,
                    1 => now.insert(inside, file(inode + 50, 2)),
                    2 | 3 => now.insert(inside, file(inode, 2)),
                    _ => now.insert(inside, file(inode, 1)),
                };
            }
            let inode = 1_000 + number as u64;
            old.insert(name.clone(), Seen { inode, files: before });
            new.insert(to.clone(), Seen { inode, files: now });
            // In tenths and halves, counted from the fates and not from the files.
            let lost = fates.iter().filter(|f| **f < 2).count();
            let same = fates.iter().filter(|f| **f > 3).count();
            let of = fates.len();
            if name != to && lost * 10 <= of && same * 2 >= of && same > 0 {
                truth.insert(name, to);
            }
        }
        (old, new, truth)
    })
}

proptest! {
    #[test]
    fn a_rename_is_told_exactly_where_there_was_one((old, new, truth) in worlds()) {
        let told: BTreeMap<RelPath, RelPath> = renamed_by_inode(&inodes(&old), &inodes(&new))
            .into_iter()
            .filter(|(from, to)| is_same_project(&old[from], &new[to]).is_ok())
            .collect();
        prop_assert_eq!(told, truth);
    }

    /// The moves are played on a table of names, as a file system would: nothing is ever replaced,
    /// and a run that is cut after any of them is gone on with.
    #[test]
    fn moves_replace_nothing_and_end_with_the_new_names(
        dealt in Just((0..6usize).collect::<Vec<_>>()).prop_shuffle(),
        outside in prop::collection::vec(any::<bool>(), 6),
    ) {
        let old: Vec<RelPath> = (0..6).map(|n| path(&format!("p{n}"))).collect();
        let new: Vec<RelPath> = (0..6)
            .map(|n| match outside[n] { true => path(&format!("q{n}")), false => old[dealt[n]].clone() })
            .collect();
        let all: Vec<_> = old.iter().cloned().zip(new).filter(|(a, b)| a != b).collect();
        let begun: BTreeSet<RelPath> = old.iter().cloned().collect();
        let all = with_free_names(all, &begun);
        let leaving: BTreeSet<_> = all.iter().map(|(from, _)| from.clone()).collect();
        for (_, to) in &all {
            prop_assert!(!begun.contains(to) || leaving.contains(to));
        }
        let mut table: BTreeMap<RelPath, usize> = BTreeMap::new();
        for (number, name) in old.iter().enumerate() {
            table.insert(name.clone(), number);
        }
        let folder = |from: &RelPath| old.iter().position(|name| name == from).unwrap();
        for _ in 0..20 {
            let aside = |n: usize| path(&format!("aside{n}"));
            let mut stand = Vec::new();
            for (number, (from, to)) in all.iter().enumerate() {
                let me = Some(&folder(from));
                let at = if table.get(to) == me { Standing::New }
                    else if table.get(&aside(number)) == me { Standing::Aside }
                    else { Standing::Old };
                stand.push((at, from, to));
            }
            let Some(next) = next_move(&stand) else { break };
            let (from, to) = match next {
                Move::ToNew(n) => (all[n].0.clone(), all[n].1.clone()),
                Move::Aside(n) => (all[n].0.clone(), aside(n)),
                Move::FromAside(n) => (aside(n), all[n].1.clone()),
            };
            let moved = table.remove(&from).unwrap();
            prop_assert!(table.insert(to, moved).is_none());
        }
        for (from, to) in &all {
            prop_assert_eq!(table.get(to), Some(&folder(from)));
        }
        prop_assert!(table.keys().all(|name| !name.as_bytes().starts_with(b"aside")));
    }
}

fn home(folder: &str, place: &str) -> Home {
    Home {
        destination: "main".into(),
        folder: path(folder),
        place: path(place),
    }
}

#[test]
fn only_another_name_in_the_same_folder_of_the_same_dataset_is_a_rename() {
    let from = home("2019", "under/fair");
    assert_eq!(is_a_rename(&from, &home("2019", "under/market")), Ok(()));
    assert_eq!(
        is_a_rename(&from, &home("2019", "other/fair")),
        Err(Refusal::Folder)
    );
    let refused = is_a_rename(&from, &home("2020", "under/fair")).unwrap_err();
    assert_eq!(refused, Refusal::Dataset(path("2020")));
    assert_eq!(
        refused.words(),
        "it goes to another dataset (2020) and is copied anew"
    );
    assert_eq!(
        is_a_rename(&home("fair", ""), &home("market", "")),
        Err(Refusal::OwnDataset)
    );
}

/// 5 % of 1,000 is 50.
#[test]
fn more_than_one_in_twenty_entries_missing_is_asked_about() {
    use super::lost_many;
    assert!(!lost_many(1_000, 950) && lost_many(1_000, 949));
    assert!(!lost_many(0, 0) && !lost_many(10, 30) && lost_many(u64::MAX, 0));
}

#[test]
fn a_number_that_two_folders_share_tells_nothing() {
    let of = |pairs: &[(&str, u64)]| {
        pairs
            .iter()
            .map(|(name, n)| (path(name), *n))
            .collect::<BTreeMap<_, _>>()
    };
    let old = of(&[("a", 1), ("b", 1), ("c", 2)]);
    assert_eq!(
        renamed_by_inode(&old, &of(&[("x", 1), ("y", 2)])),
        [(path("c"), path("y"))]
    );
    assert_eq!(renamed_by_inode(&old, &of(&[("x", 2), ("y", 2)])), []);
    let likely = renamed_by_likeness(&of(&[("a", 7), ("b", 8), ("c", 8)]), &of(&[("x", 7), ("y", 8)]));
    assert_eq!(likely, [(path("a"), path("x"))]);
}
