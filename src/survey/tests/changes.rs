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

    /// With inodes nothing is lost: gone and moved-from together are what is missing now.
    #[test]
    fn moves_only_pair_what_is_gone_with_what_is_new(a in trees(), b in trees()) {
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
        for moved in &found.moved {
            let from = moved.from.clone().unwrap().lossy();
            prop_assert_eq!(a[&from], b[&moved.path.lossy()]);
            prop_assert!(!b.contains_key(&from) && !a.contains_key(&moved.path.lossy()));
        }
        let missing = a.keys().filter(|k| !b.contains_key(*k)).count();
        prop_assert_eq!(found.gone.len() + found.moved.len(), missing);
    }
}
