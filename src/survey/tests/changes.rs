//! Two scans compared.

use super::*;

fn changes_between(old: &Tree, new: &Tree) -> Changes {
    compare(
        old.listings().into_iter(),
        new.listings().into_iter(),
        walk_order,
        InodeTrust::Stable,
    )
}

fn numbered(inode: u64, size: u64) -> Entry {
    Entry {
        inode,
        size: Bytes(size),
        ..entry(EntryKind::File)
    }
}

#[test]
fn a_renamed_project_is_one_line() {
    let folder = |inode| Entry {
        inode,
        ..entry(EntryKind::Directory)
    };
    let mut old = Tree::default();
    old.put("acorn", folder(5))
        .put("acorn/a", numbered(6, 10))
        .put("acorn/s", folder(7));
    old.put("acorn/s/b", numbered(8, 20))
        .put("acorn/s/c", numbered(9, 30));
    let mut new = Tree::default();
    new.put("oak", folder(5))
        .put("oak/a", numbered(6, 10))
        .put("oak/s", folder(7));
    new.put("oak/s/b", numbered(8, 20))
        .put("oak/s/d", numbered(9, 30));
    let changes = changes_between(&old, &new);
    let moved: Vec<_> = changes
        .moved
        .iter()
        .map(|c| (c.from.clone().unwrap().lossy(), c.path.lossy(), c.amount.files))
        .collect();
    let wanted = [("acorn", "oak", 2), ("acorn/s/c", "oak/s/d", 1)];
    assert_eq!(moved, wanted.map(|(a, b, n)| (a.to_string(), b.to_string(), n)));
    assert!(changes.new.is_empty() && changes.gone.is_empty() && changes.changed.is_empty());
    // Where numbers mean nothing, the same is gone and new.
    let blind = compare(
        old.listings().into_iter(),
        new.listings().into_iter(),
        walk_order,
        InodeTrust::None,
    );
    assert_eq!((blind.moved.len(), blind.gone.len(), blind.new.len()), (0, 5, 5));
}

#[test]
fn what_could_not_be_listed_is_unknown_and_never_gone() {
    let mut old = Tree::default();
    old.file("a/x", 10).file("a/s/y", 20).file("b/z", 5);
    let mut new = Tree::default();
    new.put(
        "a",
        Entry {
            error: Some("EIO".into()),
            ..entry(EntryKind::Directory)
        },
    )
    .file("b/z", 5);
    let changes = changes_between(&old, &new);
    assert!(changes.gone.is_empty() && changes.new.is_empty());
    assert_eq!(changes.unknown.len(), 1);
    assert_eq!(
        changes.unknown[0].amount,
        Amount {
            files: 2,
            bytes: Bytes(30)
        }
    );
    let unmounted = compare(
        old.listings().into_iter(),
        std::iter::empty(),
        walk_order,
        InodeTrust::Stable,
    );
    assert!(unmounted.gone.is_empty());
    assert_eq!(unmounted.unknown[0].amount.files, 3);
}

fn trees() -> impl Strategy<Value = BTreeMap<String, (u64, u64)>> {
    prop::collection::btree_map("[a-c]/[a-d]", (0u64..1_000, 1u64..6), 0..10)
}

fn numbered_trees() -> impl Strategy<Value = BTreeMap<String, (u64, u64)>> {
    prop::collection::btree_map("[a-c]/[a-d]", (0u64..8, 1u64..4), 0..10)
}

#[test]
fn two_projects_that_change_names_are_two_lines() {
    let tree = |one: u64, two: u64| {
        let mut tree = Tree::default();
        for (name, number) in [("acorn", one), ("oak", two)] {
            let folder = Entry {
                inode: number,
                ..entry(EntryKind::Directory)
            };
            tree.put(name, folder);
            tree.put(format!("{name}/a"), numbered(number + 1, 10 + number));
            tree.put(format!("{name}/b"), numbered(number + 2, 10 + number));
        }
        tree
    };
    let changes = changes_between(&tree(10, 20), &tree(20, 10));
    let moved: Vec<_> = changes
        .moved
        .iter()
        .map(|c| (c.from.clone().unwrap().lossy(), c.path.lossy(), c.amount.files))
        .collect();
    let wanted = [("oak", "acorn", 2), ("acorn", "oak", 2)];
    assert_eq!(moved, wanted.map(|(a, b, n)| (a.to_string(), b.to_string(), n)));
    assert!(changes.new.is_empty() && changes.gone.is_empty() && changes.changed.is_empty());
}

proptest! {
    /// The oracle compares two maps of paths.
    #[test]
    fn changes_without_inodes_agree_with_comparing_maps(a in trees(), b in trees()) {
        let build = |files: &BTreeMap<String, (u64, u64)>| {
            let mut tree = Tree::default();
            for top in ["a", "b", "c"] {
                tree.put(top, entry(EntryKind::Directory));
            }
            for (path, (inode, size)) in files {
                tree.put(path, numbered(*inode, *size));
            }
            tree
        };
        let found = compare(build(&a).listings().into_iter(), build(&b).listings().into_iter(), walk_order, InodeTrust::None);
        let paths = |list: &[crate::survey::changes::Change]| list.iter().map(|c| c.path.lossy()).collect::<BTreeSet<_>>();
        let only = |x: &BTreeMap<String, (u64, u64)>, y: &BTreeMap<String, (u64, u64)>| x.keys().filter(|k| !y.contains_key(*k)).cloned().collect::<BTreeSet<_>>();
        prop_assert_eq!(paths(&found.gone), only(&a, &b));
        prop_assert_eq!(paths(&found.new), only(&b, &a));
        let changed: BTreeSet<String> = a.iter().filter(|(k, v)| b.get(*k).is_some_and(|w| w.1 != v.1)).map(|(k, _)| k.clone()).collect();
        prop_assert_eq!(paths(&found.changed), changed);
    }

    /// Who asks of every file where it is now, number by number. Numbers are drawn from few, so that
    /// names are exchanged, go round and are shared.
    #[test]
    fn moves_are_told_by_numbers_and_nothing_is_told_twice(a in numbered_trees(), b in numbered_trees()) {
        let build = |files: &BTreeMap<String, (u64, u64)>| {
            let mut tree = Tree::default();
            for top in ["a", "b", "c"] {
                tree.put(top, entry(EntryKind::Directory));
            }
            for (path, (inode, size)) in files {
                tree.put(path, numbered(*inode, *size));
            }
            tree
        };
        let found = changes_between(&build(&a), &build(&b));
        let homes = |tree: &BTreeMap<String, (u64, u64)>, other: &BTreeMap<String, (u64, u64)>, file: &(u64, u64)| {
            let another = |(at, f): &(&String, &(u64, u64))| *f == file && other.get(*at).is_none_or(|o| o.0 != file.0);
            tree.iter().filter(another).map(|(at, _)| at.clone()).collect::<Vec<_>>()
        };
        let mut moved: BTreeMap<String, String> = BTreeMap::new();
        for file in a.values() {
            if let ([from], [to]) = (homes(&a, &b, file).as_slice(), homes(&b, &a, file).as_slice()) {
                moved.insert(to.clone(), from.clone());
            }
        }
        let told: BTreeMap<String, String> = found.moved.iter()
            .map(|c| (c.path.lossy(), c.from.clone().unwrap().lossy())).collect();
        prop_assert_eq!(&told, &moved);
        let single = moves(build(&a).listings().into_iter(), build(&b).listings().into_iter(), walk_order);
        let single: BTreeMap<String, String> = single.iter().map(|m| (m.to.lossy(), m.from.lossy())).collect();
        prop_assert_eq!(&single, &moved);
        let left: BTreeSet<&String> = moved.values().collect();
        let (mut gone, mut new, mut changed) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
        for path in a.keys().chain(b.keys()) {
            let (was, is) = (a.get(path), b.get(path));
            let (went, came) = (left.contains(path), moved.contains_key(path));
            match (was, is) {
                (Some(_), None) if !went => drop(gone.insert(path.clone())),
                (None, Some(_)) if !came => drop(new.insert(path.clone())),
                (Some(was), Some(is)) => match (went, came) {
                    (true, false) => drop(new.insert(path.clone())),
                    (false, true) => drop(gone.insert(path.clone())),
                    (false, false) if was.1 != is.1 => drop(changed.insert(path.clone())),
                    _ => {}
                },
                _ => {}
            }
        }
        let paths = |list: &[crate::survey::changes::Change]| list.iter().map(|c| c.path.lossy()).collect::<BTreeSet<_>>();
        prop_assert_eq!((paths(&found.gone), paths(&found.new), paths(&found.changed)), (gone, new, changed));
    }
}
