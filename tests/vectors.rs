//! The published BLAKE3 vectors (test_vectors.json of the BLAKE3 team's reference repository, 35
//! lengths), and SHA-256 of the same bytes as a check of the fixture itself.

use poolward::digest::{BLOCK, Digest, TreeHasher};
use sha2::{Digest as _, Sha256};
use std::path::Path;

fn vectors() -> Vec<(usize, String, String)> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/blake3-vectors.tsv");
    let text = std::fs::read_to_string(path).unwrap();
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| {
            let mut cells = line.split('\t').map(str::to_string);
            let length = cells.next().unwrap().parse().unwrap();
            (length, cells.next().unwrap(), cells.next().unwrap())
        })
        .collect()
}

fn input(length: usize) -> Vec<u8> {
    (0..length).map(|i| (i % 251) as u8).collect()
}

#[test]
fn all_35_published_vectors_agree() {
    let vectors = vectors();
    assert_eq!(vectors.len(), 35);
    for (length, blake3, sha256) in vectors {
        let bytes = input(length);
        let hex: String = Sha256::digest(&bytes)
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect();
        assert_eq!(hex, sha256, "the fixture itself, {length}");
        assert_eq!(Digest::of(&bytes).to_string(), blake3, "{length}");
        let mut hasher = TreeHasher::new();
        for piece in bytes.chunks(777) {
            hasher.update(piece);
        }
        assert_eq!(hasher.finish().root.to_string(), blake3, "{length} in pieces");
    }
}

/// The same input far past the published lengths, across block boundaries, against the crate's own
/// function for a whole input.
#[test]
fn the_tree_of_blocks_agrees_at_random_lengths() {
    let mut state = 0x2545_f491_4f6c_dd1du64;
    for _ in 0..12 {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let length = usize::try_from(state % (4 * BLOCK)).unwrap();
        let bytes = input(length);
        let mut hasher = TreeHasher::new();
        hasher.update(&bytes);
        assert_eq!(hasher.finish().root, Digest::of(&bytes), "{length}");
    }
}
