//! The sealed file: round trips, damage, and joins against an oracle of another shape.

use crate::entry::{Entry, EntryKind, Listing, Named};
use crate::index::block::{self, Piece};
use crate::index::columns::RawColumn;
use crate::index::cutter::BLOCK_ENTRIES;
use crate::index::{Folder, Held, Index, IndexWriter, NotEntered, Start};
use crate::moment::Moment;
use crate::names::{RelPath, SourceName};
use crate::trouble::Trouble;
use crate::units::Bytes;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A tree as plain maps: the oracle.
pub(super) type Tree = BTreeMap<RelPath, BTreeMap<Vec<u8>, Entry>>;

pub(super) fn rel(path: &str) -> RelPath {
    RelPath::new(path).unwrap()
}

pub(super) fn file(size: u64, seconds: i64) -> Entry {
    let at = Moment { seconds, nanos: 7 };
    Entry {
        kind: EntryKind::File,
        size: Bytes(size),
        allocated: Bytes(size.next_multiple_of(4096)),
        mtime: at,
        ctime: at,
        birth: None,
        inode: size + 100,
        links: 1,
        mode: 0o644,
        uid: 1000,
        gid: 100,
        target: None,
        error: None,
    }
}

pub(super) fn folder_entry() -> Entry {
    Entry {
        kind: EntryKind::Directory,
        ..file(4096, 1_500_000_000)
    }
}

pub(super) fn start() -> Start {
    Start {
        source: SourceName("oldbox".into()),
        root: b"/mnt/oldbox/archive".to_vec(),
        root_entry: folder_entry(),
        started: Moment::from_seconds(1_800_000_000),
        mount_type: "nfs4".into(),
        session: "b 7".into(),
        inodes: Default::default(),
        rules: "snapshots".into(),
        tool: "poolward 0.1.0".into(),
    }
}

pub(super) fn folder_of(path: &RelPath, children: &BTreeMap<Vec<u8>, Entry>) -> Folder {
    let mut folder = Folder::new(path.clone());
    // Backwards, so that sorting has something to do.
    for (name, entry) in children.iter().rev() {
        folder.push(name, entry.clone());
    }
    folder
}

fn top_of(path: &RelPath) -> Vec<Vec<u8>> {
    path.components()
        .next()
        .map(|top| vec![top.to_vec()])
        .unwrap_or_default()
}

/// Writes all segments but those in `without`, in the order that `tops` gives.
fn write_segments(writer: &Arc<IndexWriter>, tree: &Tree, without: &BTreeSet<Vec<Vec<u8>>>) {
    let mut segments: BTreeMap<Vec<Vec<u8>>, Vec<Folder>> = BTreeMap::new();
    for (path, children) in tree.iter().rev() {
        segments
            .entry(top_of(path))
            .or_default()
            .push(folder_of(path, children));
    }
    for (tops, folders) in segments
        .into_iter()
        .rev()
        .filter(|(tops, _)| !without.contains(tops))
    {
        let segment = writer.segment(tops);
        folders
            .into_iter()
            .for_each(|folder| segment.push(folder).unwrap());
        segment.finish().unwrap();
    }
}

pub(super) fn write(folder: &Path, tree: &Tree, most: usize) -> PathBuf {
    let path = folder.join("a.index");
    let writer = IndexWriter::begin(&path, &folder.join("a.parts"), start(), false).unwrap();
    let writer = writer.with_most_buffered(most);
    write_segments(&writer, tree, &BTreeSet::new());
    writer.finish(Moment::from_seconds(1_800_000_100)).unwrap();
    path
}

/// Parents before children, siblings in byte order: sorted by lists of components.
pub(super) fn listings_of(tree: &Tree) -> Vec<Listing> {
    let mut ordered: Vec<_> = tree.iter().collect();
    ordered.sort_by_key(|(path, _)| path.components().map(<[u8]>::to_vec).collect::<Vec<_>>());
    let children = |c: &BTreeMap<Vec<u8>, Entry>| {
        c.iter()
            .map(|(name, entry)| Named {
                name: name.clone(),
                entry: entry.clone(),
            })
            .collect()
    };
    ordered
        .into_iter()
        .map(|(path, c)| Listing {
            folder: path.clone(),
            children: children(c),
        })
        .collect()
}

fn refused(path: &Path) -> Trouble {
    match Index::open(path) {
        Ok(_) => panic!("{} was opened", path.display()),
        Err(trouble) => trouble,
    }
}

pub(super) fn small_tree() -> Tree {
    let mut tree = Tree::new();
    tree.insert(
        rel(""),
        BTreeMap::from([
            (b"acorn".to_vec(), folder_entry()),
            (b"acorn-2".to_vec(), folder_entry()),
            (b"loose.mov".to_vec(), file(77, 1_400_000_000)),
        ]),
    );
    tree.insert(
        rel("acorn"),
        BTreeMap::from([
            (b"IMG_0001.JPG".to_vec(), file(3_000_000, 1_400_000_001)),
            (b"IMG_0002.JPG".to_vec(), file(3_100_000, 1_400_000_002)),
            (b"sub".to_vec(), folder_entry()),
        ]),
    );
    tree.insert(rel("acorn/sub"), BTreeMap::new());
    tree.insert(
        rel("acorn-2"),
        BTreeMap::from([(b"x\xff\n".to_vec(), file(0, -5))]),
    );
    tree
}

prop_compose! {
    fn any_moment()(seconds: i64, nanos: u32) -> Moment {
        Moment { seconds, nanos }
    }
}

prop_compose! {
    fn any_entry()(
        kind in prop::sample::select(vec![EntryKind::File, EntryKind::Symlink, EntryKind::Special, EntryKind::Unknown]),
        numbers in any::<[u64; 4]>(),
        ids in any::<[u32; 3]>(),
        mtime in any_moment(),
        other in prop::option::of(any_moment()),
        birth in prop::option::of(prop::option::of(any_moment())),
        target in prop::option::of(prop::collection::vec(any::<u8>(), 0..20)),
        error in prop::option::of(".{0,9}"),
    ) -> Entry {
        Entry {
            kind,
            size: Bytes(numbers[0]),
            allocated: Bytes(numbers[1]),
            inode: numbers[2],
            links: numbers[3],
            mode: ids[0],
            uid: ids[1],
            gid: ids[2],
            mtime,
            ctime: other.unwrap_or(mtime),
            birth: birth.map(|birth| birth.unwrap_or(mtime)),
            target,
            error,
        }
    }
}

fn any_name() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(any::<u8>(), 1..6)
        .prop_map(|mut name| {
            name.iter_mut()
                .filter(|b| **b == 0 || **b == b'/')
                .for_each(|b| *b = b'-');
            name
        })
        .prop_filter("no way up", |name| name != b"." && name != b"..")
}

pub(super) fn any_tree() -> impl Strategy<Value = Tree> {
    let item = (
        prop::collection::vec(any_name(), 1..5),
        any_entry(),
        any::<bool>(),
    );
    prop::collection::vec(item, 0..40).prop_map(|items| {
        let mut tree = Tree::from([(RelPath::root(), BTreeMap::new())]);
        for (parts, entry, empty_folder) in items {
            let mut at = RelPath::root();
            let (name, folders) = parts.split_last().unwrap();
            for part in folders {
                tree.entry(at.clone())
                    .or_default()
                    .insert(part.clone(), folder_entry());
                at = at.join(part).unwrap();
                tree.entry(at.clone()).or_default();
            }
            let below = at.join(name).unwrap();
            if empty_folder {
                tree.entry(at).or_default().insert(name.clone(), folder_entry());
                tree.entry(below).or_default();
            } else if !tree.contains_key(&below) {
                tree.entry(at).or_default().insert(name.clone(), entry);
            }
        }
        tree
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_tree_survives_writing_and_reading(tree in any_tree(), most in prop::sample::select(vec![2usize, 9, 1 << 20])) {
        let folder = tempfile::tempdir().unwrap();
        let index = Index::open(&write(folder.path(), &tree, most)).unwrap();
        let read: Vec<Listing> = index.listings().map(Result::unwrap).collect();
        prop_assert_eq!(&read, &listings_of(&tree));
        prop_assert_eq!(index.header().totals.entries, tree.values().map(|c| c.len() as u64).sum::<u64>());
        for (path, children) in &tree {
            for (name, entry) in children {
                let found = index.entry(&path.join(name).unwrap()).unwrap();
                prop_assert_eq!(found.as_ref(), Some(entry));
            }
            let below: Vec<Listing> = index.listings_below(path).map(Result::unwrap).collect();
            let expected: Vec<Listing> = listings_of(&tree).into_iter().filter(|l| l.folder.below(path).is_some()).collect();
            prop_assert_eq!(below, expected);
        }
    }

    /// The oracle is a map by name, filled in the order of arrival.
    #[test]
    fn parts_are_joined_in_byte_order(parts in prop::collection::vec(prop::collection::vec((any_name(), any_entry()), 0..9), 0..6)) {
        let mut expected: BTreeMap<Vec<u8>, Vec<Entry>> = BTreeMap::new();
        let folders = parts.iter().map(|part| {
            let mut folder = Folder::new(rel("x"));
            for (name, entry) in part {
                folder.push(name, entry.clone());
                expected.entry(name.clone()).or_default().push(entry.clone());
            }
            folder
        });
        let folders: Vec<Folder> = folders.collect();
        let Held::Whole(joined) = Held::join(rel("x"), folders) else { panic!("it is short") };
        let joined = joined.listing();
        let names: Vec<&Vec<u8>> = joined.children.iter().map(|c| &c.name).collect();
        prop_assert_eq!(names, expected.keys().collect::<Vec<_>>());
        for child in &joined.children {
            prop_assert!(expected[&child.name].contains(&child.entry));
        }
    }

    #[test]
    fn columns_hold_any_numbers(values in prop::collection::vec(any::<u64>(), 0..200)) {
        prop_assert_eq!(RawColumn::pack(&values).unpack(), Some(values));
    }

    #[test]
    fn no_bytes_make_the_decoder_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = block::decode(&bytes);
    }
}

#[test]
fn a_block_with_a_byte_flipped_never_makes_the_decoder_panic() {
    let tree = small_tree();
    let folder = Arc::new({
        let mut folder = folder_of(&rel("acorn"), &tree[&rel("acorn")]);
        folder.sort();
        folder
    });
    let good = block::encode(&[Piece {
        rows: 0..folder.len(),
        folder,
    }])
    .unwrap();
    for at in 0..good.len() {
        let mut bad = good.clone();
        bad[at] ^= 0x41;
        let _ = block::decode(&bad);
    }
}

#[test]
fn any_flipped_byte_and_any_cut_is_refused() {
    let scratch = tempfile::tempdir().unwrap();
    let good = std::fs::read(write(scratch.path(), &small_tree(), 1 << 20)).unwrap();
    let bad = scratch.path().join("bad.index");
    for at in 0..good.len() {
        let mut bytes = good.clone();
        bytes[at] ^= 1 << (at % 8);
        std::fs::write(&bad, &bytes).unwrap();
        let trouble = refused(&bad);
        assert!(
            !trouble.text.contains('\n') && trouble.mend.is_some(),
            "byte {at}"
        );
    }
    for length in 0..good.len() {
        std::fs::write(&bad, &good[..length]).unwrap();
        assert_ne!(refused(&bad).code, "defect", "cut at {length}");
    }
    std::fs::write(&bad, [good.as_slice(), b"\0"].concat()).unwrap();
    assert_eq!(refused(&bad).code, "index-damaged");
}

#[test]
fn a_newer_format_is_refused_by_name() {
    let scratch = tempfile::tempdir().unwrap();
    let path = write(scratch.path(), &small_tree(), 1 << 20);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[8] = 2;
    // As a newer program would have sealed it.
    let end = bytes.len() - 32;
    let digest = blake3::hash(&bytes[..end]);
    bytes[end..].copy_from_slice(digest.as_bytes());
    std::fs::write(&path, &bytes).unwrap();
    assert_eq!(refused(&path).code, "index-newer");
}

#[test]
fn a_folder_of_many_blocks_is_one_listing() {
    let scratch = tempfile::tempdir().unwrap();
    let count = 2 * BLOCK_ENTRIES as u64 + 5;
    let children = (0..count).map(|n| {
        (
            format!("IMG_{n:07}.JPG").into_bytes(),
            file(n, 1_400_000_000 + n as i64),
        )
    });
    let mut tree = small_tree();
    tree.insert(rel("acorn"), children.collect());
    let index = Index::open(&write(scratch.path(), &tree, 1 << 20)).unwrap();
    let lengths: Vec<usize> = index.listings().map(|l| l.unwrap().children.len()).collect();
    assert_eq!(lengths, [3, count as usize, 0, 1]);
    for n in [0, 1, 32_760, 32_768, count - 1] {
        let entry = index.entry(&rel(&format!("acorn/IMG_{n:07}.JPG"))).unwrap();
        assert_eq!(entry.map(|e| e.size), Some(Bytes(n)));
    }
    assert_eq!(index.entry(&rel("acorn/IMG_9999999.JPG")).unwrap(), None);
    assert_eq!(index.listings_below(&rel("acorn-2")).count(), 1);
}

#[test]
fn the_same_tree_gives_the_same_bytes_however_it_arrives() {
    let scratch = tempfile::tempdir().unwrap();
    let tree = small_tree();
    let plain = std::fs::read(write(scratch.path(), &tree, 1 << 20)).unwrap();
    let set_aside = std::fs::read(write(scratch.path(), &tree, 1)).unwrap();
    assert_eq!(plain, set_aside);
}

#[test]
fn an_interrupted_scan_goes_on_and_ends_with_the_same_listings() {
    let scratch = tempfile::tempdir().unwrap();
    let (path, parts) = (scratch.path().join("a.index"), scratch.path().join("a.parts"));
    let tree = small_tree();
    let acorn = vec![b"acorn".to_vec()];
    let writer = IndexWriter::begin(&path, &parts, start(), true).unwrap();
    write_segments(&writer, &tree, &BTreeSet::from([acorn.clone()]));
    writer.keep_parts().unwrap();

    let partial = Index::open(&parts).unwrap();
    assert!(!partial.header().complete);
    assert_eq!(partial.listings().count(), 2);

    // A torn last record is dropped, what stands before it is kept.
    let mut bytes = std::fs::read(&parts).unwrap();
    bytes.extend_from_slice(b"\x02\xff\x00\x00");
    std::fs::write(&parts, &bytes).unwrap();
    let later = Start {
        started: Moment::from_seconds(1_900_000_000),
        ..start()
    };
    let writer = IndexWriter::begin(&path, &parts, later, true).unwrap();
    assert_eq!(writer.take_kept(&acorn), None);
    assert_eq!(
        writer.take_kept(&[b"acorn-2".to_vec()]).map(|t| t.entries),
        Some(1)
    );
    assert_eq!(writer.take_kept(&[]).map(|t| t.entries), Some(3));
    let rest = BTreeSet::from([vec![b"acorn-2".to_vec()], vec![]]);
    write_segments(&writer, &tree, &rest);
    let index = writer.finish(Moment::from_seconds(1_900_000_001)).unwrap();
    assert!(index.header().complete && !parts.exists());
    assert_eq!(index.header().started(), start().started);
    assert_eq!(
        index.listings().map(Result::unwrap).collect::<Vec<_>>(),
        listings_of(&tree)
    );
}

#[test]
fn a_damaged_part_is_scanned_again() {
    let scratch = tempfile::tempdir().unwrap();
    let (path, parts) = (scratch.path().join("a.index"), scratch.path().join("a.parts"));
    let writer = IndexWriter::begin(&path, &parts, start(), true).unwrap();
    write_segments(&writer, &small_tree(), &BTreeSet::new());
    writer.keep_parts().unwrap();
    let good = std::fs::read(&parts).unwrap();
    let every = [vec![], vec![b"acorn".to_vec()], vec![b"acorn-2".to_vec()]];
    for at in (0..good.len()).step_by(7) {
        let mut bytes = good.clone();
        bytes[at] ^= 0x10;
        std::fs::write(&parts, &bytes).unwrap();
        // A changed version number is refused; anything else costs at least one segment.
        if let Ok(writer) = IndexWriter::begin(&path, &parts, start(), true) {
            let kept = every
                .iter()
                .filter(|tops| writer.take_kept(tops).is_some())
                .count();
            assert!(kept < 3, "byte {at}");
        }
    }
    // Under other rules nothing is used again.
    std::fs::write(&parts, &good).unwrap();
    let other = Start {
        rules: "none".into(),
        ..start()
    };
    let writer = IndexWriter::begin(&path, &parts, other, true).unwrap();
    assert!(every.iter().all(|tops| writer.take_kept(tops).is_none()));
    assert_eq!(
        IndexWriter::begin(&path, &parts, start(), true)
            .map(|_| ())
            .unwrap_err()
            .code,
        "scan-running"
    );
}

#[test]
fn what_failed_and_what_was_not_entered_is_kept() {
    let scratch = tempfile::tempdir().unwrap();
    for most in [1, 1 << 20] {
        let path = scratch.path().join("a.index");
        let writer = IndexWriter::begin(&path, &scratch.path().join("a.parts"), start(), false).unwrap();
        let writer = writer.with_most_buffered(most);
        let mut tree = small_tree();
        tree.remove(&rel("acorn/sub"));
        write_segments(&writer, &tree, &BTreeSet::from([vec![b"acorn".to_vec()]]));
        let segment = writer.segment(vec![b"acorn".to_vec()]);
        segment
            .push(folder_of(&rel("acorn"), &tree[&rel("acorn")]))
            .unwrap();
        segment.failed(&rel("acorn/sub"), "permission denied");
        segment.boundary(&rel("acorn/sub2"), "elsewhere");
        let rule = NotEntered {
            path: rel("acorn/#snapshot"),
            rule: "snapshots".into(),
        };
        segment.not_entered(rule.clone());
        segment.finish().unwrap();
        let index = writer.finish(Moment::from_seconds(0)).unwrap();
        let sub = index.entry(&rel("acorn/sub")).unwrap().unwrap();
        assert_eq!(sub.error.as_deref(), Some("permission denied"));
        assert_eq!(index.header().totals.unreadable, 1);
        assert_eq!(index.header().boundaries, [rel("acorn/sub2")]);
        assert_eq!(index.header().not_entered, [rule]);
        assert_eq!(index.header().totals.files.files, 4);
    }
}
