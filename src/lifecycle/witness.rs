//! The disks as a witness: whether what was compared can have come from them.

use crate::units::Bytes;

/// Files up to this size may lie in the metadata of a file system, which is cached by its own
/// rules (btrfs(5), max_inline: at most the smaller of 2,048 bytes and a page by default).
const INLINE: u64 = 4_096;

/// Bytes that the disks must deliver when a file is read from front to back: holes are none of
/// them, and neither are files that may lie in metadata.
pub fn due(size: Bytes, allocated: Bytes) -> Bytes {
    match size.0 <= INLINE {
        true => Bytes::ZERO,
        false => size.min(allocated),
    }
}

/// Whether disks that delivered this much can have been read for all that was due. Other readers
/// can only add to what they deliver, so enough proves little and too little proves much; a tenth
/// is left for ends of files and for what lay in memory beside them.
pub fn is_from_disk(due: Bytes, delivered: Bytes) -> bool {
    u128::from(delivered.0) * 10 >= u128::from(due.0) * 9
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_little_is_told_from_enough() {
        let rows = [
            (0, 0, true),
            (1, 0, false),
            (1_000, 899, false),
            (1_000, 900, true),
            (1_000, 5_000, true),
            (u64::MAX, u64::MAX, true),
            (u64::MAX, u64::MAX / 2, false),
        ];
        for (due, delivered, wanted) in rows {
            assert_eq!(
                is_from_disk(Bytes(due), Bytes(delivered)),
                wanted,
                "{due} {delivered}"
            );
        }
    }

    #[test]
    fn holes_and_small_files_are_not_due() {
        let rows = [
            (4_096, 4_096, 0),
            (4_097, 8_192, 4_097),
            (1 << 30, 65_536, 65_536),
            (0, 0, 0),
        ];
        for (size, allocated, wanted) in rows {
            assert_eq!(due(Bytes(size), Bytes(allocated)), Bytes(wanted));
        }
    }
}
