//! Space of real files against the measured ones.

use crate::pool::blocks::FolderNames;
use crate::pool::{Ashift, Choice, Compression, Geometry, Layout, RecordSize, SpaceTally};
use crate::units::Bytes;
use std::collections::BTreeMap;

struct Row<'a> {
    line: &'a str,
    layout: Layout,
    choice: Choice,
    size: u64,
    copies: u64,
    st_blocks: u64,
    used: u64,
    alloc: u64,
}

fn rows() -> Vec<Row<'static>> {
    let table = include_str!("../../../fixtures/zfs/allocation.tsv");
    let row = |line: &'static str| {
        let f: Vec<&str> = line.split('\t').collect();
        let n = |i: usize| f[i].parse::<u64>().unwrap();
        let compression = if f[5] == "off" {
            Compression::Off
        } else {
            Compression::On
        };
        Row {
            line,
            layout: Layout::parse(&format!("1 x {} {}", f[1], f[0])).unwrap(),
            choice: Choice {
                recordsize: RecordSize::parse(f[4]).unwrap(),
                compression,
            },
            size: n(6),
            copies: n(7),
            st_blocks: n(8),
            used: n(10),
            alloc: n(12),
        }
    };
    table.lines().skip(1).map(row).collect()
}

fn names(copies: u64) -> FolderNames {
    FolderNames {
        entries: copies,
        bytes: copies * 8,
        longest: 8,
    }
}

/// Without the dnodes, which are shared out evenly in the tally.
fn blocks_alone(row: &Row) -> u64 {
    let mut tally = SpaceTally::new(Ashift::FOUR_KIB);
    for _ in 0..row.copies {
        tally.push(Bytes(row.size));
    }
    tally.push_directory(names(row.copies));
    let mut dnodes = SpaceTally::new(Ashift::FOUR_KIB);
    for _ in 0..=row.copies {
        dnodes.push_empty();
    }
    let alloc = |t: &SpaceTally| t.taken(row.layout, row.choice).alloc.0;
    alloc(&tally) - alloc(&dnodes)
}

/// Measured on OpenZFS 2.3.2, `fixtures/zfs/allocation.tsv`. The rows of one setting were written
/// one after the other into one dataset whose first two blocks of dnodes had 56 places left; taking
/// whole blocks of dnodes, every row agrees to the byte.
#[test]
fn used_space_replays_to_the_byte() {
    let mut dnodes: BTreeMap<(String, Choice), u64> = BTreeMap::new();
    for row in rows() {
        let geometry = Geometry::of(row.layout, Ashift::FOUR_KIB);
        let before = dnodes.entry((row.layout.to_string(), row.choice)).or_default();
        let blocks = |n: u64| n.saturating_sub(56).div_ceil(32);
        let after = *before + row.copies + 1;
        let new_blocks = blocks(after) - blocks(*before);
        *before = after;
        let alloc = blocks_alone(&row) + new_blocks * 2 * geometry.allocated(4096);
        assert_eq!(geometry.deflated(alloc), row.used, "{}", row.line);
    }
}

/// The same table, each row by itself with dnodes shared out evenly: within 1 % above 1 MiB and 3 %
/// below, but for the rows of empty files, whose whole use is one block of dnodes more or less.
#[test]
fn used_space_is_within_the_promised_range() {
    for row in rows() {
        let mut tally = SpaceTally::new(Ashift::FOUR_KIB);
        for _ in 0..row.copies {
            tally.push(Bytes(row.size));
        }
        tally.push_top(names(row.copies));
        let taken = tally.taken(row.layout, row.choice);
        let off = taken.used.0.abs_diff(row.used) as f64 / row.used as f64;
        let limit = match row.size {
            0 => 0.35,
            1..=1_048_576 => 0.03,
            _ => 0.01,
        };
        assert!(off <= limit, "{off} {} {}", taken.used.0, row.line);
        // The pool's own blocks, three copies of each, come and go beside the files.
        let own = Geometry::of(row.layout, Ashift::FOUR_KIB).allocated(1) * 24;
        assert!(
            taken.alloc.0.abs_diff(row.alloc) <= own + row.alloc / 100,
            "{} {}",
            taken.alloc.0,
            row.line
        );
    }
}

/// What `stat` shows of a file, less its dnode, is its blocks: no tolerance.
#[test]
fn blocks_of_one_file_agree_with_stat() {
    for row in rows() {
        let mut tally = SpaceTally::new(Ashift::FOUR_KIB);
        tally.push(Bytes(row.size));
        let mut dnode = SpaceTally::new(Ashift::FOUR_KIB);
        dnode.push_empty();
        let alloc = |t: &SpaceTally| t.taken(row.layout, row.choice).alloc.0;
        let deflated = Geometry::of(row.layout, Ashift::FOUR_KIB).deflated(alloc(&tally) - alloc(&dnode));
        assert_eq!((deflated + 256) / 512 * 512 + 512, row.st_blocks, "{}", row.line);
    }
}

/// Measured on OpenZFS 2.3.2, `fixtures/zfs/metadata.tsv`, each row in a fresh dataset. From 10,000
/// entries on within 1 %. Below, the first 56 dnodes find room in the two blocks a fresh dataset
/// has, which the tally does not count on: it may be two blocks of dnodes, twice, above the
/// measurement, and is within 3 % else.
#[test]
fn folders_and_links_are_within_three_percent() {
    let table = include_str!("../../../fixtures/zfs/metadata.tsv");
    for line in table.lines().skip(1) {
        let f: Vec<&str> = line.split('\t').collect();
        let n = |i: usize| f[i].parse::<u64>().unwrap();
        let layout = Layout::parse(&format!("1 x {} {}", f[1], f[0])).unwrap();
        let mut tally = SpaceTally::new(Ashift::FOUR_KIB);
        for _ in 0..n(5) {
            match f[3] {
                "empty_files" => tally.push_empty(),
                "symlinks_40" => tally.push_symlink(40),
                _ => tally.push_directory(FolderNames::default()),
            }
        }
        tally.push_top(FolderNames {
            entries: n(5),
            bytes: n(5) * n(4),
            longest: n(4),
        });
        let choice = Choice {
            recordsize: RecordSize::DEFAULT,
            compression: Compression::On,
        };
        let used = tally.taken(layout, choice).used.0;
        if n(5) >= 10_000 {
            assert!(used.abs_diff(n(6)) * 100 <= n(6), "{used} {line}");
        }
        let geometry = Geometry::of(layout, Ashift::FOUR_KIB);
        let fresh = geometry.deflated(4 * geometry.allocated(4_096));
        let (least, most) = (n(6) * 97 / 100, n(6) * 103 / 100 + fresh);
        assert!((least..=most).contains(&used), "{used} {line}");
    }
}
