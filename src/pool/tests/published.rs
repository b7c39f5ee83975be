//! Published figures: sector tables, deflate ratios, slop, drive sizes, read errors.

use crate::pool::disks::{ReadErrors, WholeRead, drive_size};
use crate::pool::space::slop;
use crate::pool::{Ashift, Geometry, Layout, Level, Space};
use crate::units::{Bytes, Rate};

fn raidz(parity: u32, width: u32) -> Layout {
    let level = [Level::Raidz1, Level::Raidz2, Level::Raidz3][parity as usize - 1];
    Layout::new(1, width, level, 0).unwrap()
}

type SectorTable = (u32, &'static [u32], &'static [(u64, &'static [u64])]);

/// Sectors allocated for a block of so many data sectors, by width, in the layout of M. Ahrens's
/// published spreadsheet ("ZFS RAIDZ stripe width", 2014). The values were computed apart from this
/// code from the formula of `vdev_raidz_psize_to_asize`.
const SECTORS: [SectorTable; 3] = [
    (
        1,
        &[3, 4, 5, 6, 7, 8, 9, 10, 12],
        &[
            (1, &[2, 2, 2, 2, 2, 2, 2, 2, 2]),
            (2, &[4, 4, 4, 4, 4, 4, 4, 4, 4]),
            (3, &[6, 4, 4, 4, 4, 4, 4, 4, 4]),
            (4, &[6, 6, 6, 6, 6, 6, 6, 6, 6]),
            (5, &[8, 8, 8, 6, 6, 6, 6, 6, 6]),
            (6, &[10, 8, 8, 8, 8, 8, 8, 8, 8]),
            (7, &[12, 10, 10, 10, 10, 8, 8, 8, 8]),
            (8, &[12, 12, 10, 10, 10, 10, 10, 10, 10]),
            (16, &[24, 22, 20, 20, 20, 20, 18, 18, 18]),
            (32, &[48, 44, 40, 40, 38, 38, 36, 36, 36]),
            (256, &[384, 342, 320, 308, 300, 294, 288, 286, 280]),
        ],
    ),
    (
        2,
        &[4, 5, 6, 7, 8, 9, 10, 11, 12],
        &[
            (1, &[3, 3, 3, 3, 3, 3, 3, 3, 3]),
            (2, &[6, 6, 6, 6, 6, 6, 6, 6, 6]),
            (3, &[9, 6, 6, 6, 6, 6, 6, 6, 6]),
            (4, &[9, 9, 6, 6, 6, 6, 6, 6, 6]),
            (5, &[12, 9, 9, 9, 9, 9, 9, 9, 9]),
            (6, &[12, 12, 12, 12, 9, 9, 9, 9, 9]),
            (7, &[15, 15, 12, 12, 12, 9, 9, 9, 9]),
            (8, &[18, 15, 12, 12, 12, 12, 12, 12, 12]),
            (16, &[33, 30, 24, 24, 24, 24, 21, 21, 21]),
            (32, &[66, 54, 48, 48, 45, 42, 42, 42, 42]),
            (256, &[513, 429, 384, 360, 342, 330, 321, 315, 309]),
        ],
    ),
    (
        3,
        &[5, 6, 7, 8, 9, 10, 11, 12],
        &[
            (1, &[4, 4, 4, 4, 4, 4, 4, 4]),
            (2, &[8, 8, 8, 8, 8, 8, 8, 8]),
            (3, &[12, 8, 8, 8, 8, 8, 8, 8]),
            (4, &[12, 12, 8, 8, 8, 8, 8, 8]),
            (5, &[16, 12, 12, 8, 8, 8, 8, 8]),
            (6, &[16, 12, 12, 12, 12, 12, 12, 12]),
            (7, &[20, 16, 16, 16, 16, 12, 12, 12]),
            (8, &[20, 20, 16, 16, 16, 16, 12, 12]),
            (16, &[40, 36, 28, 28, 28, 28, 24, 24]),
            (32, &[80, 68, 56, 56, 52, 48, 44, 44]),
            (256, &[640, 516, 448, 412, 388, 368, 352, 344]),
        ],
    ),
];

/// (parity, width, sectors of 128 KiB, ratio), computed apart from this code by the formula of
/// module/zfs/vdev.c.
const RATIOS: [(u32, u32, u64, u64); 21] = [
    (1, 3, 48, 341),
    (1, 4, 44, 372),
    (1, 5, 40, 409),
    (1, 6, 40, 409),
    (1, 8, 38, 431),
    (1, 9, 36, 455),
    (2, 4, 66, 248),
    (2, 5, 54, 303),
    (2, 6, 48, 341),
    (2, 7, 48, 341),
    (2, 8, 45, 364),
    (2, 9, 42, 390),
    (2, 10, 42, 390),
    (2, 11, 42, 390),
    (2, 12, 42, 390),
    (3, 7, 56, 292),
    (3, 8, 56, 292),
    (3, 9, 52, 315),
    (3, 10, 48, 341),
    (3, 11, 44, 372),
    (3, 12, 44, 372),
];

#[test]
fn sectors_agree_with_the_raidz_tables() {
    for (parity, widths, rows) in SECTORS {
        for (data, row) in rows {
            for (width, sectors) in widths.iter().zip(*row) {
                let geometry = Geometry::of(raidz(parity, *width), Ashift::FOUR_KIB);
                assert_eq!(
                    geometry.allocated_sectors(*data),
                    *sectors,
                    "raidz{parity} {width} {data}"
                );
            }
        }
    }
}

/// lib/libzfs/libzfs_dataset.c, comment on raidz space accounting (raidz1 of 5, ashift 12), and
/// OpenZFS documentation, "RAIDZ, Space efficiency" (raidz1 of 3).
#[test]
fn worked_examples_of_the_openzfs_sources_come_out() {
    let five = Geometry::of(raidz(1, 5), Ashift::FOUR_KIB);
    assert_eq!(five.allocated(128 << 10), 160 << 10);
    assert_eq!(five.allocated(4 << 10), 8 << 10);
    assert_eq!(five.allocated(8 << 10), 16 << 10);
    let three = Geometry::of(raidz(1, 3), Ashift::FOUR_KIB);
    assert_eq!(three.allocated(128 << 10), 192 << 10);
}

#[test]
fn deflate_ratios_agree_with_the_table() {
    for (parity, width, sectors, ratio) in RATIOS {
        let geometry = Geometry::of(raidz(parity, width), Ashift::FOUR_KIB);
        assert_eq!(geometry.allocated_sectors(32), sectors);
        assert_eq!(geometry.deflate_ratio(), ratio, "raidz{parity} {width}");
    }
}

/// module/zfs/spa_misc.c: 1/32, at least 128 MiB but never more than half, at most 128 GiB.
#[test]
fn slop_agrees_with_its_rule() {
    const MIB: u64 = 1 << 20;
    const GIB: u64 = 1 << 30;
    const TIB: u64 = 1 << 40;
    let cases = [
        (64 * MIB, 32 * MIB),
        (256 * MIB, 128 * MIB),
        (GIB, 128 * MIB),
        (4 * GIB, 128 * MIB),
        (8 * GIB, 256 * MIB),
        (TIB, 32 * GIB),
        (2 * TIB, 64 * GIB),
        (4 * TIB, 128 * GIB),
        (100 * TIB, 128 * GIB),
        (200 * TIB, 128 * GIB),
    ];
    for (space, held) in cases {
        assert_eq!(slop(space, 0), held, "{space}");
    }
}

/// IDEMA LBA1-02/03 (80 GB is its own example) and SFF-8447 rev 0.5. The 14 TB count is the
/// high-capacity rule's, not IDEMA's.
#[test]
fn drives_have_the_published_number_of_blocks() {
    let cases = [
        (80, 156_301_488),
        (160, 312_581_808),
        (500, 976_773_168),
        (1_000, 1_953_525_168),
        (2_000, 3_907_029_168),
        (4_000, 7_814_037_168),
        (6_000, 11_721_045_168),
        (8_000, 15_628_053_168),
        (10_000, 19_532_873_728),
        (12_000, 23_437_770_752),
        (14_000, 27_344_764_928),
        (15_000, 29_297_213_440),
        (16_000, 31_251_759_104),
        (18_000, 35_156_656_128),
        (20_000, 39_063_650_304u64),
    ];
    for (gb, sectors) in cases {
        assert_eq!(drive_size(gb), Some(Bytes(sectors * 512)), "{gb} GB");
    }
    assert_eq!(drive_size(10), None);
    assert_eq!(drive_size(u64::MAX), None);
}

/// Published worked values: 3 TB 21 % and 2.4 %, 6 TB 38 % and 4.7 %; the others computed apart
/// from this code.
#[test]
fn read_errors_agree_with_published_values() {
    let cases = [
        (3_000, 14, 0.213_372_1),
        (3_000, 15, 0.023_714_3),
        (6_000, 14, 0.381_216_6),
        (6_000, 15, 0.046_866_2),
        (12_500, 14, 0.632_120_6),
        (12_500, 15, 0.095_162_6),
        (80_000, 14, 0.998_338_4),
        (210_000, 15, 0.813_626_0),
        (210_000, 16, 0.154_646_2),
    ];
    for (gb, exponent, chance) in cases {
        let errors = ReadErrors::of(Bytes(gb * 1_000_000_000), exponent);
        assert!((errors.chance - chance).abs() < 1e-6, "{gb} GB at 1e-{exponent}");
    }
    let whole = ReadErrors::of(Bytes(12_500_000_000_000), 14);
    assert!((whole.expected - 1.0).abs() < 1e-9);
}

/// Derived from the outer rate and a mean of three quarters of it: 16 TB at 255 MB/s take 17.43 h
/// and 23.24 h; 12 TB at 250 MB/s 13.33 h and 17.78 h; 18 TB at 270 MB/s 18.52 h and 24.69 h.
#[test]
fn a_whole_disk_takes_hours_to_read() {
    for (tb, rate, outer, mean) in [
        (16, 255, 17.43, 23.24),
        (12, 250, 13.33, 17.78),
        (18, 270, 18.52, 24.69),
    ] {
        let read = WholeRead::of(Bytes(tb * 1_000_000_000_000), Rate(rate * 1_000_000));
        assert!((read.at_outer_rate.secs_f64() / 3_600.0 - outer).abs() < 0.006);
        assert!((read.at_mean_rate.secs_f64() / 3_600.0 - mean).abs() < 0.006);
    }
}

/// OpenZFS documentation: N disks of size X with parity P hold about (N - P) x X; the classic RAID
/// figures for 14 TB drives (4: 42 and 28 TB; 12: 154, 140 and 84 TB) are never passed.
#[test]
fn usable_space_stays_below_the_rule_of_thumb() {
    let disk = Bytes(14_000_519_643_136);
    for (layout, ideal_tb) in [
        ("1 x 4 raidz1", 42),
        ("1 x 4 raidz2", 28),
        ("1 x 12 raidz1", 154),
        ("1 x 12 raidz2", 140),
        ("6 x 2 mirror", 84),
    ] {
        let layout = Layout::parse(layout).unwrap();
        let usable = Space::of(layout, Ashift::FOUR_KIB, disk).unwrap().usable.0;
        assert!(usable < ideal_tb * 1_001_000_000_000, "{layout}");
        assert!(usable > ideal_tb * 900_000_000_000, "{layout}");
    }
}
