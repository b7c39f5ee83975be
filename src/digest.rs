//! BLAKE3 over whole files and over their 16 MiB blocks at once.
//!
//! BLAKE3 is a tree. A block of 16 MiB (2^14 chunks of 1,024 bytes) that begins at a multiple of
//! 16 MiB is a whole subtree, so its chaining value can be kept and the root computed from the
//! values alone. That is what lets a copy go on inside a file without reading it again, and what
//! names the bad range of a damaged one. The root equals the ordinary BLAKE3 hash of the file.
//! Source: the BLAKE3 paper, section 2.1 and 5.1.2, and the `hazmat` module of the blake3 crate.

use blake3::hazmat::{self, HasherExt, Mode};
use std::fmt;

/// Length of a block in bytes: 16 MiB.
pub const BLOCK: u64 = 16 << 20;

/// A BLAKE3 hash.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(pub [u8; 32]);

/// The chaining value of one block that is not the whole file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct BlockValue(pub [u8; 32]);

impl Digest {
    /// The hash of bytes at hand.
    pub fn of(bytes: &[u8]) -> Digest {
        Digest(*blake3::hash(bytes).as_bytes())
    }

    /// Reads 64 lower-case hex digits.
    pub fn parse(hex: &str) -> Option<Digest> {
        if hex.bytes().any(|b| b.is_ascii_uppercase()) {
            return None;
        }
        blake3::Hash::from_hex(hex).ok().map(|h| Digest(*h.as_bytes()))
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&blake3::Hash::from(self.0).to_hex())
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// Hashes a file from front to back, keeping the value of each block.
#[derive(Clone)]
pub struct TreeHasher {
    /// Values of the blocks before the open one.
    values: Vec<BlockValue>,
    /// The open block. It is closed only when a byte after it arrives, since a lone block is a
    /// root and has no chaining value.
    open: blake3::Hasher,
    filled: u64,
}

/// What a [`TreeHasher`] found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TreeDigest {
    /// The ordinary BLAKE3 hash of the file.
    pub root: Digest,
    /// One value a block; empty for a file of one block or less.
    pub values: Vec<BlockValue>,
}

impl Default for TreeHasher {
    fn default() -> Self {
        TreeHasher::new()
    }
}

impl TreeHasher {
    /// At the start of a file.
    pub fn new() -> TreeHasher {
        TreeHasher::resume(Vec::new())
    }

    /// After the blocks whose values are known; the next byte is at `values.len() * BLOCK`.
    pub fn resume(values: Vec<BlockValue>) -> TreeHasher {
        let mut open = blake3::Hasher::new();
        open.set_input_offset(values.len() as u64 * BLOCK);
        TreeHasher {
            values,
            open,
            filled: 0,
        }
    }

    /// Bytes taken in so far, those before a resume included.
    pub fn position(&self) -> u64 {
        self.values.len() as u64 * BLOCK + self.filled
    }

    /// Takes in the next bytes.
    pub fn update(&mut self, mut bytes: &[u8]) {
        while !bytes.is_empty() {
            if self.filled == BLOCK {
                self.close_block();
            }
            let room = (BLOCK - self.filled).min(bytes.len() as u64) as usize;
            self.open.update(&bytes[..room]);
            self.filled += room as u64;
            bytes = &bytes[room..];
        }
    }

    fn close_block(&mut self) {
        self.values.push(BlockValue(self.open.finalize_non_root()));
        self.open = blake3::Hasher::new();
        self.open.set_input_offset(self.values.len() as u64 * BLOCK);
        self.filled = 0;
    }

    /// The values of the blocks that are whole and known not to be the file's only one.
    pub fn closed(&self) -> &[BlockValue] {
        &self.values
    }

    /// Ends the file.
    pub fn finish(mut self) -> TreeDigest {
        if self.values.is_empty() {
            return TreeDigest {
                root: Digest(*self.open.finalize().as_bytes()),
                values: Vec::new(),
            };
        }
        if self.filled > 0 {
            self.values.push(BlockValue(self.open.finalize_non_root()));
        }
        match root_of(&self.values) {
            Some(root) => TreeDigest {
                root,
                values: self.values,
            },
            // Resumed after exactly one block with nothing following: the caller broke the rule
            // that a lone block is never kept, and no root can be had from its value.
            None => TreeDigest {
                root: Digest([0; 32]),
                values: self.values,
            },
        }
    }
}

/// The value of block `index` from its bytes, for a file of more than one block.
pub fn block_value(index: u64, bytes: &[u8]) -> BlockValue {
    let mut hasher = blake3::Hasher::new();
    hasher.set_input_offset(index * BLOCK);
    hasher.update(bytes);
    BlockValue(hasher.finalize_non_root())
}

/// The hash of a file from the values of its blocks; `None` for fewer than two.
pub fn root_of(values: &[BlockValue]) -> Option<Digest> {
    if values.len() < 2 {
        return None;
    }
    let (left, right) = halves(values);
    let root = hazmat::merge_subtrees_root(&merged(left), &merged(right), Mode::Hash);
    Some(Digest(*root.as_bytes()))
}

fn merged(values: &[BlockValue]) -> [u8; 32] {
    if let [one] = values {
        return one.0;
    }
    let (left, right) = halves(values);
    hazmat::merge_subtrees_non_root(&merged(left), &merged(right), Mode::Hash)
}

/// The left subtree holds the largest power of two of blocks that leaves something to the right.
fn halves(values: &[BlockValue]) -> (&[BlockValue], &[BlockValue]) {
    values.split_at(values.len().next_power_of_two() / 2)
}

/// The byte ranges (start, end exclusive) in which two files of the same length differ by their
/// block values; neighbouring blocks are joined. A file of one block is one range.
pub fn differing_ranges(ours: &[BlockValue], theirs: &[BlockValue], length: u64) -> Vec<(u64, u64)> {
    if ours.len() < 2 || ours.len() != theirs.len() {
        return vec![(0, length)];
    }
    let mut ranges: Vec<(u64, u64)> = Vec::new();
    for (index, (a, b)) in ours.iter().zip(theirs).enumerate() {
        if a == b {
            continue;
        }
        let start = index as u64 * BLOCK;
        let end = (start + BLOCK).min(length);
        match ranges.last_mut() {
            Some(last) if last.1 == start => last.1 = end,
            _ => ranges.push((start, end)),
        }
    }
    ranges
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pattern(length: usize) -> Vec<u8> {
        (0..length).map(|i| (i % 251) as u8).collect()
    }

    /// Around every boundary that matters the root is the ordinary hash of the crate's own
    /// whole-input function.
    #[test]
    fn the_root_is_the_ordinary_hash_at_every_boundary() {
        let b = BLOCK as usize;
        let data = pattern(5 * b + 3);
        for length in [
            0,
            1,
            1024,
            b - 1,
            b,
            b + 1,
            2 * b,
            2 * b + 1,
            3 * b,
            3 * b + 1025,
            4 * b,
            5 * b + 3,
        ] {
            let mut hasher = TreeHasher::new();
            for piece in data[..length].chunks(7_654_321) {
                hasher.update(piece);
            }
            let found = hasher.finish();
            assert_eq!(found.root, Digest::of(&data[..length]), "{length}");
            assert_eq!(
                found.values.len(),
                if length <= b { 0 } else { length.div_ceil(b) }
            );
        }
    }

    #[test]
    fn a_resumed_hash_ends_at_the_same_root() {
        let b = BLOCK as usize;
        let data = pattern(3 * b + 17);
        let mut first = TreeHasher::new();
        first.update(&data[..2 * b + 1]);
        let kept = first.closed().to_vec();
        assert_eq!(kept.len(), 2);
        let mut second = TreeHasher::resume(kept);
        assert_eq!(second.position(), 2 * BLOCK);
        second.update(&data[2 * b..]);
        assert_eq!(second.finish().root, Digest::of(&data));
    }

    #[test]
    fn a_flipped_bit_names_its_block() {
        let b = BLOCK as usize;
        let good = pattern(4 * b + 9);
        let mut bad = good.clone();
        bad[2 * b + 5] ^= 1;
        bad[4 * b + 1] ^= 1;
        let values = |data: &[u8]| {
            let mut h = TreeHasher::new();
            h.update(data);
            h.finish().values
        };
        let ranges = differing_ranges(&values(&good), &values(&bad), good.len() as u64);
        assert_eq!(ranges, [(2 * BLOCK, 3 * BLOCK), (4 * BLOCK, 4 * BLOCK + 9)]);
        assert_eq!(block_value(1, &good[b..2 * b]), values(&good)[1]);
    }

    #[test]
    fn hex_is_lower_case_and_parses_back() {
        let digest = Digest::of(b"abc");
        // Derived with the PyPI blake3 package.
        assert_eq!(
            digest.to_string(),
            "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85"
        );
        assert_eq!(Digest::parse(&digest.to_string()), Some(digest));
        assert_eq!(Digest::parse(&digest.to_string().to_uppercase()), None);
    }
}
