//! An index with files at other places, against a map of the tree in which they were moved by hand.

use super::tests::{Tree, any_tree, folder_entry, listings_of, rel, write};
use crate::entry::{Entry, EntryKind, Listing};
use crate::index::{Elsewhere, Index};
use crate::moment::Moment;
use crate::names::RelPath;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

fn files_of(tree: &Tree) -> Vec<(RelPath, Entry)> {
    let below = |(folder, children): (&RelPath, &BTreeMap<Vec<u8>, Entry>)| {
        let file = |(name, entry): (&Vec<u8>, &Entry)| (folder.join(name).unwrap(), entry.clone());
        children.iter().map(file).collect::<Vec<_>>()
    };
    let all = tree.iter().flat_map(below);
    all.filter(|(_, entry)| entry.kind != EntryKind::Directory)
        .collect()
}

/// Moves as drawn: which file, into which folder, a new one below that, under which name. Two files
/// may change names. What finds a name taken stays.
fn moved(tree: &Tree, drawn: &[(usize, usize, bool, u8)]) -> (Elsewhere, Tree) {
    let (files, folders) = (files_of(tree), tree.keys().cloned().collect::<Vec<_>>());
    let (mut moves, mut after) = (Elsewhere::default(), tree.clone());
    let mut used: BTreeSet<RelPath> = BTreeSet::new();
    for (file, folder, into_new, name) in drawn {
        let (Some((from, entry)), Some(folder)) = (
            files.get(file % files.len().max(1)),
            folders.get(folder % folders.len()),
        ) else {
            continue;
        };
        let mut folder = folder.clone();
        let parent = folder.clone();
        if *into_new {
            folder = folder.join(b"new").unwrap();
        }
        let to = folder.join(&[*name % 4 + b'w']).unwrap();
        let in_way = after
            .get(&parent)
            .and_then(|c| c.get(&b"new"[..]))
            .map(|e| e.kind);
        let blocked = *into_new && in_way.is_some_and(|kind| kind != EntryKind::Directory);
        let taken = after
            .get(&folder)
            .is_some_and(|c| c.contains_key(to.split().unwrap().1));
        if blocked || taken || used.contains(from) {
            continue;
        }
        used.insert(from.clone());
        if *into_new && !after.contains_key(&folder) {
            moves.made.push((folder.clone(), folder_entry()));
            let inside = after.entry(parent).or_default();
            inside.insert(b"new".to_vec(), folder_entry());
        }
        let (old_folder, old_name) = from.split().unwrap();
        after.get_mut(&old_folder).unwrap().remove(old_name);
        let name = to.split().unwrap().1.to_vec();
        after.entry(folder).or_default().insert(name, entry.clone());
        moves.files.push((from.clone(), to));
    }
    (moves, after)
}

fn read(index: &Index) -> Vec<Listing> {
    index.listings().map(Result::unwrap).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn moved_files_stand_where_a_scan_would_see_them(
        tree in any_tree(),
        drawn in prop::collection::vec((any::<usize>(), any::<usize>(), any::<bool>(), any::<u8>()), 0..12),
        late in any::<Option<usize>>(),
    ) {
        let scratch = tempfile::tempdir().unwrap();
        let index = Index::open(&write(scratch.path(), &tree, 1 << 20)).unwrap();
        let (mut moves, mut after) = moved(&tree, &drawn);
        // One folder gets another time, too.
        let folders: Vec<RelPath> = after.keys().filter(|path| !path.is_root()).cloned().collect();
        if let Some(folder) = late.and_then(|n| folders.get(n % folders.len().max(1))) {
            let (above, name) = folder.split().unwrap();
            let time = Moment::from_seconds(77);
            moves.times.insert(folder.clone(), time);
            after.get_mut(&above).unwrap().get_mut(name).unwrap().mtime = time;
        }
        let new = index.with_moved(&scratch.path().join("b.index"), &moves).unwrap();
        prop_assert_eq!(read(&new), listings_of(&after));
        let entries: u64 = after.values().map(|children| children.len() as u64).sum();
        prop_assert_eq!(new.header().totals.entries, entries);
        prop_assert_eq!(new.header().start.started, index.header().start.started);
        // Made again, it is the same; of nothing, it is the old one.
        let again = index.with_moved(&scratch.path().join("c.index"), &moves).unwrap();
        prop_assert_eq!(again.digest(), new.digest());
    }
}

#[test]
fn names_go_round_and_emptied_folders_are_gone() {
    let file = |inode| Entry {
        kind: EntryKind::File,
        inode,
        ..folder_entry()
    };
    let children = |list: &[(&str, Entry)]| -> BTreeMap<Vec<u8>, Entry> {
        list.iter()
            .map(|(name, entry)| (name.as_bytes().to_vec(), entry.clone()))
            .collect()
    };
    let mut tree = Tree::new();
    tree.insert(RelPath::root(), children(&[("p", folder_entry())]));
    tree.insert(
        rel("p"),
        children(&[("a", file(1)), ("b", file(2)), ("old", folder_entry())]),
    );
    tree.insert(
        rel("p/old"),
        children(&[("c", file(3)), ("deep", folder_entry())]),
    );
    tree.insert(rel("p/old/deep"), children(&[]));
    let scratch = tempfile::tempdir().unwrap();
    let index = Index::open(&write(scratch.path(), &tree, 1 << 20)).unwrap();
    let pair = |from: &str, to: &str| (rel(from), rel(to));
    let moves = Elsewhere {
        files: vec![
            pair("p/a", "p/b"),
            pair("p/b", "p/a"),
            pair("p/old/c", "q/c"),
            pair("p/old/never", "p/never"),
        ],
        made: vec![(rel("q"), folder_entry()), (rel("q/empty"), folder_entry())],
        emptied: BTreeSet::from([rel("p/old"), rel("p/old/deep")]),
        times: BTreeMap::new(),
    };
    let new = index.with_moved(&scratch.path().join("b.index"), &moves).unwrap();
    let mut after = Tree::new();
    after.insert(
        RelPath::root(),
        children(&[("p", folder_entry()), ("q", folder_entry())]),
    );
    after.insert(rel("p"), children(&[("a", file(2)), ("b", file(1))]));
    after.insert(rel("q"), children(&[("c", file(3)), ("empty", folder_entry())]));
    after.insert(rel("q/empty"), children(&[]));
    assert_eq!(read(&new), listings_of(&after));
}
