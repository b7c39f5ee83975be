//! Bytes from a seed: the same on every machine, and no two seeds alike.

/// `size` bytes that follow from `seed` alone. A longer file of a seed begins with the shorter one.
pub fn content(seed: u64, size: usize) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(size + 8);
    let mut state = seed;
    while bytes.len() < size {
        bytes.extend_from_slice(&next(&mut state).to_le_bytes());
    }
    bytes.truncate(size);
    bytes
}

/// SplitMix64: Steele, Lea and Flood, "Fast Splittable Pseudorandom Number Generators" (2014);
/// constants from memory; `tests/rig.rs` checks the first outputs.
fn next(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
