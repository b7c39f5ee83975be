//! Large folders, which have blocks of their own: the bytes hang on the entries alone, however the
//! folder came in, and what is noted late of one of their entries still finds it.

use crate::entry::{Entry, EntryKind, Listing, Piece};
use crate::index::cutter::BLOCK_ENTRIES;
use crate::index::tests::{file, folder_entry, rel, start};
use crate::index::{Folder, Held, Index, IndexWriter};
use crate::moment::Moment;
use crate::units::Bytes;
use std::path::Path;
use std::sync::Arc;

/// More than two blocks, and no round number.
const MANY: usize = 2 * BLOCK_ENTRIES + 4_321;

/// Entries by name, in byte order: files, some links and a folder.
fn entries() -> Vec<(Vec<u8>, Entry)> {
    let one = |n: usize| {
        let entry = match n {
            40_000 => folder_entry(),
            _ if n.is_multiple_of(9_001) => Entry {
                kind: EntryKind::Symlink,
                target: Some(format!("to/{n}").into_bytes()),
                ..file(9, 5)
            },
            _ => file(n as u64 * 7, 1_600_000_000 + n as i64 % 1_000),
        };
        (format!("frame_{n:07}.exr").into_bytes(), entry)
    };
    (0..MANY).map(one).collect()
}

fn folder(path: &str, entries: &[(Vec<u8>, Entry)]) -> Folder {
    let mut folder = Folder::new(rel(path));
    for (name, entry) in entries {
        folder.push(name, entry.clone());
    }
    folder
}

/// The same entries dealt out to parts, none of them in order.
fn parts(path: &str, entries: &[(Vec<u8>, Entry)]) -> Vec<Folder> {
    let deal = |part: usize| {
        let mine = entries.iter().skip(part).step_by(7).rev();
        folder(path, &mine.cloned().collect::<Vec<_>>())
    };
    (0..7).map(deal).collect()
}

/// An index of a long folder between two short ones, which came in by `push`.
fn written(at: &Path, failed: bool, push: impl FnOnce(&crate::index::SegmentWriter)) -> (Vec<u8>, Index) {
    let path = at.join("a.index");
    let writer = IndexWriter::begin(&path, &at.join("a.parts"), start(), false).unwrap();
    let root = writer.segment(Vec::new());
    root.push(folder("", &[(b"a".to_vec(), folder_entry())])).unwrap();
    root.finish().unwrap();
    let segment = writer.segment(vec![b"a".to_vec()]);
    push(&segment);
    segment
        .push(folder("a/zz", &[(b"last".to_vec(), file(1, 1))]))
        .unwrap();
    segment
        .push(folder("a", &[(b"m".to_vec(), folder_entry())]))
        .unwrap();
    if failed {
        segment.failed(&rel("a/m/frame_0040000.exr"), "permission denied");
    }
    segment.finish().unwrap();
    let index = writer.finish(Moment::from_seconds(9)).unwrap();
    (std::fs::read(&path).unwrap(), index)
}

fn long(index: &Index) -> Listing {
    let listings: Vec<Listing> = index.listings().map(Result::unwrap).collect();
    let paths: Vec<String> = listings.iter().map(|l| l.folder.lossy()).collect();
    assert_eq!(paths, ["", "a", "a/m", "a/zz"]);
    listings.into_iter().nth(2).unwrap()
}

#[test]
fn a_large_folder_gives_the_same_bytes_in_one_piece_and_in_parts() {
    let scratch = tempfile::tempdir().unwrap();
    let entries = entries();
    let (whole, index) = written(scratch.path(), false, |segment| {
        segment.push(folder("a/m", &entries)).unwrap();
    });
    let listing = long(&index);
    let found = listing
        .children
        .into_iter()
        .map(|child| (child.name, child.entry));
    assert!(found.eq(entries.iter().cloned()));
    assert_eq!(index.header().totals.entries, MANY as u64 + 3);
    let (parted, _) = written(scratch.path(), false, |segment| {
        let held = Held::join(rel("a/m"), parts("a/m", &entries));
        assert!(matches!(held, Held::Scattered(_)) && held.len() == MANY);
        segment.push_held(held).unwrap();
    });
    assert!(whole == parted);
    let heads: Vec<Listing> = index.heads().map(Result::unwrap).collect();
    let lengths: Vec<usize> = heads.iter().map(|head| head.children.len()).collect();
    assert_eq!(
        lengths,
        [1, 1, BLOCK_ENTRIES, 1],
        "a folder's first block and no more"
    );
    let below: Vec<Listing> = index.listings_below(&rel("a/m")).map(Result::unwrap).collect();
    assert_eq!((below.len(), below[0].children.len()), (1, MANY));
    for at in [0, 1, BLOCK_ENTRIES, 50_000, MANY - 1] {
        let path = rel("a/m").join(&entries[at].0).unwrap();
        assert_eq!(index.entry(&path).unwrap().as_ref(), Some(&entries[at].1));
    }
}

/// Parts set aside in any number of runs, with names that a server listed twice, in one run or in
/// two: the folder in one piece is the oracle, byte for byte.
#[test]
fn a_folder_that_was_set_aside_gives_the_same_bytes() {
    let scratch = tempfile::tempdir().unwrap();
    let entries = entries();
    for failed in [false, true] {
        let (whole, _) = written(scratch.path(), failed, |segment| {
            segment.push(folder("a/m", &entries)).unwrap();
        });
        for at_once in [1, 3, 7] {
            let (merged, _) = written(scratch.path(), failed, |segment| {
                let mut parts = parts("a/m", &entries);
                for (part, twice) in [(0, 7), (0, 7), (3, 1), (5, MANY - 1)] {
                    parts[part].push(&entries[twice].0, entries[twice].1.clone());
                }
                let runs = parts.chunks(at_once).map(|some| {
                    let aside = segment.set_parts_aside(&rel("a/m"), some.to_vec());
                    aside.unwrap()
                });
                let runs = runs.collect();
                assert_eq!(segment.push_runs(rel("a/m"), runs).unwrap(), MANY);
            });
            assert!(whole == merged, "{at_once} parts a run, failed: {failed}");
        }
    }
}

#[test]
fn what_is_noted_of_an_entry_of_a_large_folder_stands_beside_it() {
    let scratch = tempfile::tempdir().unwrap();
    let entries = entries();
    let (whole, index) = written(scratch.path(), true, |segment| {
        segment.push(folder("a/m", &entries)).unwrap();
    });
    let (parted, _) = written(scratch.path(), true, |segment| {
        segment
            .push_held(Held::join(rel("a/m"), parts("a/m", &entries)))
            .unwrap();
    });
    assert!(whole == parted);
    let listing = long(&index);
    let failed: Vec<_> = listing
        .children
        .iter()
        .filter(|child| child.entry.error.is_some())
        .collect();
    assert_eq!(failed.len(), 1);
    assert_eq!(failed[0].name, b"frame_0040000.exr");
    assert_eq!(failed[0].entry.error.as_deref(), Some("permission denied"));
    assert_eq!(listing.children.len(), MANY);
}

/// A server that lists a name twice in a long folder.
#[test]
fn a_name_that_was_listed_twice_is_kept_once() {
    let mut twice = parts("a/m", &entries());
    twice[3].push(b"frame_0000005.exr", file(1, 1));
    let held = Held::join(rel("a/m"), twice);
    assert_eq!(held.len(), MANY);
    assert!(matches!(held, Held::Whole(_)));
}

#[test]
fn an_interrupted_scan_keeps_a_large_root_listing() {
    let scratch = tempfile::tempdir().unwrap();
    let parts_file = scratch.path().join("a.parts");
    let writer = IndexWriter::begin(&scratch.path().join("a.index"), &parts_file, start(), true).unwrap();
    let entries = entries();
    let root = writer.segment(Vec::new());
    root.push_held(Held::join(rel(""), parts("", &entries))).unwrap();
    root.checkpoint().unwrap();
    drop(root);
    Arc::clone(&writer).keep_parts().unwrap();
    drop(writer);
    let index = Index::open(&parts_file).unwrap();
    assert!(!index.header().complete);
    let listing = index.listings().next().unwrap().unwrap();
    assert_eq!(listing.children.len(), MANY);
    let bytes: u64 = listing.children.iter().map(|child| child.entry.size.0).sum();
    let wanted: Bytes = entries
        .iter()
        .fold(Bytes::ZERO, |sum, (_, entry)| sum.plus(entry.size));
    assert_eq!(bytes, wanted.0);
}

/// What was written is the oracle: the pieces of a long folder end to end are the folder, each says
/// rightly where it begins and ends, and each name leads to the piece that it stands in.
#[test]
fn a_large_folder_is_read_in_pieces() {
    let scratch = tempfile::tempdir().unwrap();
    let entries = entries();
    let (_, index) = written(scratch.path(), false, |segment| {
        segment.push(folder("a/m", &entries)).unwrap();
    });
    for pieces in [index.pieces(), index.pieces_below(&rel("a"))] {
        let mut pieces: Vec<Piece> = pieces.map(Result::unwrap).collect();
        pieces.retain(|piece| !piece.listing.folder.is_root());
        let long: Vec<Piece> = pieces.drain(1..3).collect();
        let paths: Vec<String> = pieces.iter().map(|p| p.listing.folder.lossy()).collect();
        assert_eq!(paths, ["a", "a/zz"]);
        assert!(pieces.iter().all(|p| p.from.is_empty() && p.next.is_none()));
        assert!(long.iter().all(|p| p.listing.folder == rel("a/m")));
        let cut = entries[2 * BLOCK_ENTRIES].0.clone();
        assert_eq!((&long[0].from[..], long[0].next.as_ref()), (&b""[..], Some(&cut)));
        assert_eq!((&long[1].from, &long[1].next), (&cut, &None));
        let children = long.into_iter().flat_map(|piece| piece.listing.children);
        assert!(
            children
                .map(|child| (child.name, child.entry))
                .eq(entries.iter().cloned())
        );
    }
    let names = entries.iter().step_by(997).map(|(name, _)| name.as_slice());
    for name in names.chain([&b"a"[..], b"frame_0032767.x", b"zz"]) {
        let piece = index.piece_at(&rel("a/m"), name).unwrap().unwrap();
        assert!(piece.covers(name) && piece.listing.folder == rel("a/m"));
        let wanted = entries.iter().find(|(known, _)| known == name);
        let found = piece.listing.child(name);
        assert_eq!(found.map(|child| &child.entry), wanted.map(|(_, entry)| entry));
        assert!(piece.listing.children.len() <= BLOCK_ENTRIES);
    }
    assert_eq!(index.piece_at(&rel("a/none"), b"x").unwrap(), None);
    let short = index.piece_at(&rel("a/zz"), b"m").unwrap().unwrap();
    assert!(short.from.is_empty() && short.next.is_none() && short.listing.child(b"last").is_some());
}
