//! A folder in pieces says what it says as a whole.

use super::*;
use crate::entry::Piece;
use crate::survey::changes::Move;
use crate::survey::hazards::beside::{At, Beside};
use crate::survey::hazards::siblings::each_alike;
use crate::trouble::Trouble;

/// A folder cut into pieces of these sizes, over and over.
fn cut(listing: &Listing, sizes: &[usize]) -> Vec<Piece> {
    let mut pieces: Vec<Piece> = Vec::new();
    let (mut rest, mut sizes) = (listing.children.as_slice(), sizes.iter().cycle());
    loop {
        let (some, others) = rest.split_at(rest.len().min(*sizes.next().unwrap()));
        pieces.push(Piece {
            from: some
                .first()
                .filter(|_| !pieces.is_empty())
                .map_or(Vec::new(), |child| child.name.clone()),
            next: others.first().map(|child| child.name.clone()),
            listing: Listing {
                folder: listing.folder.clone(),
                children: some.to_vec(),
            },
        });
        rest = others;
        if rest.is_empty() {
            return pieces;
        }
    }
}

fn all_cut(tree: &Tree, sizes: &[usize]) -> Vec<Piece> {
    tree.listings()
        .iter()
        .flat_map(|listing| cut(listing, sizes))
        .collect()
}

/// The survey of a tree in pieces; what is read once more is cut otherwise.
fn survey_in_pieces(tree: &Tree, sizes: &[usize], again: &[usize]) -> Survey {
    let others = all_cut(tree, again);
    let reread = |folder: &RelPath, name: &[u8]| -> Result<Option<Piece>, Trouble> {
        let wanted = |piece: &&Piece| piece.listing.folder == *folder && piece.covers(name);
        Ok(others.iter().find(wanted).cloned())
    };
    let rules = SurveyRules::usual(SourceName("oldbox".into()), chrono_tz::Europe::Berlin, now());
    let mut surveyor = Surveyor::new(rules);
    for piece in all_cut(tree, sizes) {
        surveyor.push_piece(&piece, &reread).unwrap();
    }
    if surveyor.wants_second_look() {
        for piece in all_cut(tree, sizes) {
            surveyor.push_again(&piece.listing);
        }
    }
    surveyor.finish()
}

/// Names that are partners, twins, locks and clips of each other.
const NAMES: &str = "(\\._|~\\$|\\.~lock\\.)?([aAk\u{212a}é:]|e\u{301}|c1|C2|:6b|:61){1,2}(\\.(mov|MOV|lock|lck|prproj|db|mp4|prproj\\.lock|a\\.lock|Thumbs\\.db)){0,2}";

fn some_entry() -> impl Strategy<Value = Entry> {
    let file = |size, mode| Entry {
        size: Bytes(size),
        allocated: Bytes(size),
        mode,
        ..entry(EntryKind::File)
    };
    let sizes = prop::sample::select(vec![0u64, 1, 5_000_000, 4_200_000_000]);
    prop_oneof![
        6 => (sizes, prop::sample::select(vec![0o644u32, 0o755, 0])).prop_map(move |(size, mode)| file(size, mode)),
        2 => ("(\\.\\./[pq]/|/)?", NAMES).prop_map(|(way, name)| Entry {
            target: Some(format!("{way}{name}").into_bytes()),
            ..entry(EntryKind::Symlink)
        }),
    ]
}

fn some_tree(most: usize) -> impl Strategy<Value = Tree> {
    let folders = "([pq]|PRIVATE|DCIM|x\\.app|x\\.lrdata)(/([pq]|DCIM|Cache|y\\.bundle))?|@eaDir";
    let files = prop::collection::btree_map((folders, NAMES), some_entry(), 0..most);
    files.prop_map(|files| {
        let mut tree = Tree::default();
        for ((folder, name), entry) in files {
            tree.put(format!("{folder}/{name}"), entry);
        }
        tree
    })
}

/// All in one folder, so that partners fall into different pieces.
fn crowded(most: usize) -> impl Strategy<Value = Tree> {
    let files = prop::collection::btree_map(NAMES, some_entry(), 0..most);
    files.prop_map(|files| {
        let mut tree = Tree::default();
        for (name, entry) in files {
            tree.put(format!("p.x/{name}"), entry);
        }
        tree
    })
}

fn sizes() -> impl Strategy<Value = Vec<usize>> {
    prop::collection::vec(1usize..6, 1..4)
}

fn listings(tree: &Tree, sizes: &[usize]) -> std::vec::IntoIter<Listing> {
    let pieces = all_cut(tree, sizes).into_iter();
    pieces.map(|piece| piece.listing).collect::<Vec<_>>().into_iter()
}

/// Everything there is to compare, over both ways of trust.
fn compared(old: &[Listing], new: &[Listing]) -> (Vec<Changes>, Vec<Move>) {
    let changes = |trust| compare(old.iter().cloned(), new.iter().cloned(), walk_order, trust);
    (
        vec![changes(InodeTrust::None), changes(InodeTrust::Stable)],
        moves(old.iter().cloned(), new.iter().cloned(), walk_order),
    )
}

proptest! {
    /// The whole is the oracle: every count, every example, every word.
    #[test]
    fn a_survey_in_pieces_is_the_survey_of_the_whole(tree in some_tree(24), sizes in sizes(), again in sizes()) {
        prop_assert_eq!(survey_in_pieces(&tree, &sizes, &again), tree.survey());
    }

    #[test]
    fn so_it_is_of_one_crowded_folder(tree in crowded(40), sizes in sizes(), again in sizes()) {
        prop_assert_eq!(survey_in_pieces(&tree, &sizes, &again), tree.survey());
    }

    /// Groups of one hash, however many names are read at a time: the oracle puts all in a map.
    #[test]
    fn names_of_one_hash_are_shown_together(hashes in prop::collection::vec(0u64..6, 0..30), at_once in 1usize..9, sizes in sizes()) {
        let mut tree = Tree::default();
        let name = |n: usize| format!("{n:03}");
        for n in 0..hashes.len() {
            tree.file(format!("p/{}", name(n)), 1);
        }
        let mut wanted: BTreeMap<u64, Vec<(u32, Vec<u8>)>> = BTreeMap::new();
        for (n, hash) in hashes.iter().enumerate() {
            wanted.entry(*hash).or_default().push((n as u32, name(n).into_bytes()));
        }
        wanted.retain(|_, names| names.len() > 1);
        let listing = tree.listings().pop().unwrap();
        let pieces = cut(&listing, &sizes);
        let reread = |_: &RelPath, name: &[u8]| Ok(pieces.iter().find(|piece| piece.covers(name)).cloned());
        let mut beside = Beside { at: At::piece(pieces.last().unwrap()), reread: &reread, far: &mut None };
        let mut seen: Vec<Vec<(u32, Vec<u8>)>> = Vec::new();
        let numbered = hashes.iter().copied().zip(0..).collect();
        each_alike(numbered, at_once, &mut beside, &mut |group| {
            seen.push(group.iter().map(|(n, name)| (*n, name.to_vec())).collect());
        }).unwrap();
        prop_assert_eq!(seen, wanted.into_values().collect::<Vec<_>>());
    }

    /// Two scans compared, each cut in its own way.
    #[test]
    fn changes_of_pieces_are_those_of_the_whole(
        old in crowded(20),
        new in crowded(20),
        shared in some_tree(12),
        inodes in prop::collection::vec(0u64..12, 1..20),
        a in sizes(),
        b in sizes(),
    ) {
        let (mut old, mut new) = (old, new);
        for (tree, step) in [(&mut old, 1), (&mut new, 3)] {
            for (path, entry) in &shared.entries {
                tree.entries.entry(path.clone()).or_insert_with(|| entry.clone());
            }
            for (n, entry) in tree.entries.values_mut().enumerate() {
                entry.inode = inodes[n * step % inodes.len()];
            }
        }
        let whole = compared(&old.listings(), &new.listings());
        let (old, new): (Vec<_>, Vec<_>) = (listings(&old, &a).collect(), listings(&new, &b).collect());
        prop_assert_eq!(compared(&old, &new), whole);
    }
}

#[test]
fn an_error_of_a_second_reading_ends_the_survey() {
    let mut tree = Tree::default();
    tree.file("p/._z", 1).file("p/m", 1).file("p/z", 1);
    let pieces = all_cut(&tree, &[1]);
    let rules = SurveyRules::usual(SourceName("oldbox".into()), chrono_tz::Europe::Berlin, now());
    let mut surveyor = Surveyor::new(rules);
    let fails = |_: &RelPath, _: &[u8]| Err(Trouble::stopped("index-io", "gone"));
    let mut answers = pieces
        .iter()
        .map(|piece| surveyor.push_piece(piece, &fails).is_err());
    assert!(answers.any(|failed| failed));
}
