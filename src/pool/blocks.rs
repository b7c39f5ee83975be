//! The blocks that files, folders and links are made of, and how many sectors each comes to.
//!
//! Data blocks are exact: they agree to the byte with the measured tables. Metadata is always
//! compressed by lz4 and written twice; how far it shrinks depends on its content, so a few numbers
//! here are read off the measured pools and marked so. They stand for well under 1 % of any file
//! above 1 MiB.

use crate::pool::geometry::Ashift;

/// The most bytes that fit into a block pointer, so that no block is needed
/// (`BPE_PAYLOAD_SIZE`, include/sys/spa.h).
const EMBEDDED_MAX: u64 = 112;

/// An indirect block: 128 KiB that hold 1,024 block pointers (`DN_MAX_INDBLKSHIFT`).
const INDIRECT: u64 = 128 << 10;

/// Block pointers in an indirect block.
pub(crate) const POINTERS: u64 = INDIRECT / POINTER;

const POINTER: u64 = 128;

/// Copies of each metadata block (`redundant_metadata=all`, the default).
pub(crate) const METADATA_COPIES: u64 = 2;

/// Dnodes in one 16 KiB block of them, at 512 bytes each (`dnodesize=legacy`).
pub(crate) const DNODES_PER_BLOCK: u64 = 32;

const DNODE_BLOCK: u64 = 16 << 10;

/// What a block of 32 dnodes shrinks to. Measured: at most 4,096 bytes, for empty files and for
/// files with data alike; 3,584 is a guess that matters for sectors of 512 bytes only.
const DNODE_BLOCK_SHRUNK: u64 = 3_584;

/// How lz4 sees block pointers: eighths of a byte for each, where records lie at multiples of their
/// own size (mirrors and single disks) and where they do not (raidz). A checksum of 32 bytes does
/// not shrink; the rest nearly vanishes. Measured: 39.98 to 40.8, and 40.8 to 43.9 bytes.
const POINTER_EIGHTHS: [u64; 2] = [324, 332];

/// The same for the pointers to metadata, which hold two addresses. Measured on 10,000 files.
const METADATA_POINTER: u64 = 55;

/// What a file of at most one record needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct OneBlock {
    /// Sectors without compression; 0 for an empty file.
    pub sectors: u64,
    /// Whether compression makes it fit into its block pointer.
    pub vanishes: bool,
}

/// The most a compressed block may take: 7/8 of it in whole sectors, or what fits a block pointer
/// where that is less than a sector (`zio_get_compression_max_size`, module/zfs/zio_compress.c).
fn compressed_max(length: u64, ashift: Ashift) -> u64 {
    let most = length - length / 8;
    let whole = most - most % ashift.sector();
    if whole < ashift.sector() {
        EMBEDDED_MAX
    } else {
        whole
    }
}

/// Sectors of a block of `length` bytes that lz4 would shrink to `shrunk`; 0 where it fits into the
/// block pointer and may.
fn sectors(length: u64, shrunk: u64, ashift: Ashift) -> u64 {
    if shrunk > compressed_max(length, ashift) {
        ashift.sectors(length)
    } else if shrunk <= EMBEDDED_MAX {
        0
    } else {
        ashift.sectors(shrunk)
    }
}

/// What lz4 makes of `content` bytes that do not shrink, followed by zeros up to `length`. From the
/// lz4 block format: a token, run lengths in steps of 255, the literals, a two-byte offset, five
/// closing literals; ZFS puts its own length of four bytes in front.
fn with_zero_tail(content: u64, length: u64) -> u64 {
    let run = |n: u64| if n >= 15 { 1 + (n - 15) / 255 } else { 0 };
    let zeros = length.saturating_sub(content);
    if zeros < 12 {
        return 4 + 1 + run(length) + length;
    }
    let literals = content + 1;
    let matched = zeros - 1 - 5;
    4 + 1 + run(literals) + literals + 2 + run(matched.saturating_sub(4)) + 1 + 5
}

/// A file of at most one record: rounded up to 512 bytes, then to sectors.
pub(crate) fn one_block(size: u64, ashift: Ashift) -> OneBlock {
    if size == 0 {
        return OneBlock {
            sectors: 0,
            vanishes: true,
        };
    }
    let length = size.div_ceil(512).saturating_mul(512);
    OneBlock {
        sectors: ashift.sectors(length),
        // Beyond one unit of 512 bytes the zero tail is under an eighth and saves nothing.
        vanishes: length == 512 && with_zero_tail(size, length) <= EMBEDDED_MAX,
    }
}

/// Sectors of the last record, `content` bytes of it in use, where the dataset compresses.
/// `content` is 1 to `record`.
pub(crate) fn last_record(content: u64, record: u64, ashift: Ashift) -> u64 {
    sectors(record, with_zero_tail(content, record), ashift)
}

/// Sectors of an indirect block with `pointers` in use, 1 to 1,024; `raidz` as records lie there.
pub(crate) fn indirect(pointers: u64, raidz: bool, ashift: Ashift) -> u64 {
    let each = POINTER_EIGHTHS[usize::from(raidz)];
    let rest = INDIRECT.saturating_sub(pointers * POINTER);
    let shrunk = 16 + pointers * each / 8 + rest / 255;
    sectors(INDIRECT, shrunk.max(EMBEDDED_MAX + 1), ashift)
}

/// Sectors of one full block of dnodes.
pub(crate) fn dnode_block(ashift: Ashift) -> u64 {
    sectors(DNODE_BLOCK, DNODE_BLOCK_SHRUNK, ashift)
}

/// Sectors of one full indirect block above blocks of metadata.
pub(crate) fn metadata_indirect(pointers: u64, ashift: Ashift) -> u64 {
    let pointers = pointers.min(POINTERS);
    let shrunk = 16 + pointers * METADATA_POINTER + (INDIRECT - pointers * POINTER) / 255;
    sectors(INDIRECT, shrunk, ashift)
}

/// What is known of the names in a folder.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FolderNames {
    /// How many entries.
    pub entries: u64,
    /// The lengths of their names added up.
    pub bytes: u64,
    /// The longest of them.
    pub longest: u64,
}

/// The longest name that a small folder can hold (`MZAP_NAME_LEN`, less its NUL).
const SMALL_NAME_MAX: u64 = 49;

/// Entries of a small folder: 128 KiB of 64 bytes each, less the head.
const SMALL_ENTRIES_MAX: u64 = 2_047;

/// Blocks of a large folder.
const LEAF: u64 = 16 << 10;

/// 24-byte chunks in one of them (`ZAP_LEAF_NUMCHUNKS`, include/sys/zap_leaf.h).
const LEAF_CHUNKS: u64 = 638;

/// Calls `each(sectors, how many)` for the blocks of a folder, one copy.
///
/// Up to 2,047 entries with names up to 49 bytes it is one block of 64 bytes an entry (module/zfs/
/// zap_micro.c), else a hash table of 16 KiB leaves that split in two when full (zap_leaf.c). How
/// far names shrink is read off the measured folders.
pub(crate) fn folder(names: FolderNames, ashift: Ashift, mut each: impl FnMut(u64, u64)) {
    let n = names.entries.min(1 << 40);
    let mean = names.bytes.min(n.saturating_mul(1_023)) / n.max(1);
    if n == 0 {
        return;
    }
    if n <= SMALL_ENTRIES_MAX && names.longest <= SMALL_NAME_MAX {
        let length = (64 + 64 * n).div_ceil(512) * 512;
        let shrunk = 20 + n * (12 + mean / 2) + length / 255;
        return each(sectors(length, shrunk, ashift), 1);
    }
    let chunks = 2 + (mean + 1).div_ceil(21);
    let leaves = n.div_ceil((LEAF_CHUNKS / chunks).max(1)).next_power_of_two();
    let shrunk = (n.div_ceil(leaves) * (24 + mean * 3 / 4)).max(EMBEDDED_MAX + 1);
    each(sectors(LEAF, shrunk, ashift), leaves);
    // The head with its table of leaves, and the indirect block above all of them.
    each(1, 1);
    let pointers = leaves + 1;
    each(metadata_indirect(pointers, ashift), pointers.div_ceil(POINTERS));
}

/// Sectors of one copy of what a link's target needs outside its dnode; 0 for short targets. The
/// limit is the room left beside the other attributes; from memory.
pub(crate) fn link_target(bytes: u64) -> u64 {
    u64::from(bytes > 140)
}
