//! Usable space against the measured pools.

use crate::pool::{Ashift, Layout, Level, Space};
use crate::units::Bytes;

fn level(word: &str) -> Level {
    Layout::parse(&format!("1 x {} {word}", if word == "stripe" { 1 } else { 5 }))
        .unwrap()
        .level()
}

/// Measured on OpenZFS 2.3.2, `fixtures/zfs/capacity.tsv`. Available plus the few blocks a fresh
/// pool uses itself agrees to the byte; available alone within 0.01 % on pools above 100 GB.
#[test]
fn usable_space_agrees_with_every_measured_pool() {
    let table = include_str!("../../../fixtures/zfs/capacity.tsv");
    let mut rows = 0;
    for line in table.lines().skip(1) {
        let f: Vec<&str> = line.split('\t').collect();
        let n = |i: usize| f[i].parse::<u64>().unwrap();
        let layout = Layout::new(n(3) as u32, n(4) as u32, level(f[2]), n(5) as u32).unwrap();
        let space = Space::of(layout, Ashift::new(n(6)).unwrap(), Bytes(n(1))).unwrap();
        assert_eq!(space.pool_size.0, n(7), "{line}");
        assert_eq!(space.usable.0 + space.own_use.0, n(10) + n(11), "{line}");
        assert_eq!(space.raw.0, n(1) * n(3) * n(4), "{line}");
        let off = space.usable.0.abs_diff(n(10));
        assert!(off < 400_000, "{off} {line}");
        if n(10) > 100_000_000_000 {
            assert!(off * 10_000 <= n(10), "{line}");
        }
        rows += 1;
    }
    assert_eq!(rows, 151);
}

/// Measured on OpenZFS 2.3.2, `fixtures/zfs/topology.tsv` (disks of 14,000,519,643,136 bytes): a
/// raidz vdev widened by one disk after the other, and fresh ones beside it.
#[test]
fn a_widened_raidz_holds_what_was_measured() {
    let table = include_str!("../../../fixtures/zfs/topology.tsv");
    let disk = Bytes(14_000_519_643_136);
    let mut rows = 0;
    for line in table.lines().skip(1) {
        let f: Vec<&str> = line.split('\t').collect();
        let wide = match f[1].split_once("-> ") {
            Some((_, rest)) => rest.trim_end_matches(" wide").parse::<u32>().ok(),
            None => None,
        };
        let words: Vec<&str> = f[0].split_whitespace().collect();
        let &[case, level, width] = words.as_slice() else {
            continue;
        };
        if !case.starts_with("raidz_") || f[1].starts_with("after") {
            continue;
        }
        let width: u32 = width.trim_start_matches('w').parse().unwrap();
        let layout = Layout::parse(&format!("1 x {width} {level}")).unwrap();
        let by = wide.unwrap_or(width) - width;
        let space = Space::widened(layout, by, Ashift::FOUR_KIB, disk).unwrap();
        assert_eq!(space.pool_size.0, f[2].parse::<u64>().unwrap(), "{line}");
        let measured = f[5].parse::<u64>().unwrap() + f[6].parse::<u64>().unwrap();
        assert_eq!(space.usable.0 + space.own_use.0, measured, "{line}");
        rows += 1;
    }
    assert!(rows >= 8, "{rows}");
    let mirror = Layout::parse("7 x 2 mirror").unwrap();
    assert!(Space::widened(mirror, 1, Ashift::FOUR_KIB, disk).is_err());
}
