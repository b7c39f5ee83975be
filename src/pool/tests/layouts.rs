//! Layouts as typed, and what bad ones get.

use crate::pool::disks::{parse_sizes, smallest};
use crate::pool::{Ashift, FillLimit, Layout, Level, RecordSize, Space};
use crate::units::Bytes;
use proptest::prelude::*;

#[test]
fn layouts_are_read_as_people_type_them() {
    for (text, vdevs, width, level, spares) in [
        ("2 x 7 raidz2", 2, 7, Level::Raidz2, 0),
        ("2x7 raidz2+1", 2, 7, Level::Raidz2, 1),
        ("7 x 2 mirror", 7, 2, Level::Mirror, 0),
        ("4 x 1 stripe", 4, 1, Level::Stripe, 0),
        ("1 × 15 RAIDZ2 + 1", 1, 15, Level::Raidz2, 1),
        ("1 x 5 raidz", 1, 5, Level::Raidz1, 0),
        ("5 x 3 mirror", 5, 3, Level::Mirror, 0),
    ] {
        assert_eq!(
            Layout::parse(text).unwrap(),
            Layout::new(vdevs, width, level, spares).unwrap(),
            "{text}"
        );
    }
}

#[test]
fn bad_layouts_get_the_nearest_sensible_one() {
    for (text, mend) in [
        ("2 x 2 raidz2", "1 x 4 raidz2"),
        ("1 x 1 raidz3", "1 x 5 raidz3"),
        ("4 x 2 stripe", "8 x 1 stripe"),
        ("3 x 1 mirror", "1 x 2 mirror"),
        ("0 x 7 raidz2", "1 x 4 raidz2"),
        ("2 x 0 raidz2", "1 x 4 raidz2"),
        ("2 x 7 raid6", "2 x 7 raidz2"),
        ("2 x 7 raidz4", "2 x 7 raidz"),
        ("7 x 2 mirorr", "7 x 2 mirror"),
        ("1 x 300 raidz2", "25 x 12 raidz2"),
    ] {
        let trouble = Layout::parse(text).unwrap_err();
        let told = trouble.mend.unwrap();
        assert!(told.contains(mend), "{text}: {told}");
    }
    let draid = Layout::parse("draid2:4d:14c:1s").unwrap_err();
    assert_eq!(draid.code, "layout-draid");
    assert!(draid.text.contains("dRAID"));
    for text in [
        "",
        "7",
        "x",
        "-1 x 7 raidz2",
        "2 x -7 raidz2",
        "2 x 7",
        "2 x 7 raidz2 +",
        "2 x 7 raidz2 + -1",
        "99999999999 x 2 mirror",
    ] {
        let trouble = Layout::parse(text).unwrap_err();
        assert!(trouble.mend.is_some(), "{text:?}");
    }
}

#[test]
fn a_layout_needs_its_disks() {
    let layout = Layout::parse("2 x 8 raidz2").unwrap();
    assert!(layout.check_disks(16).is_ok());
    let told = layout.check_disks(15).unwrap_err().mend.unwrap();
    assert!(told.contains("2 x 7 raidz2"), "{told}");
    assert_eq!(layout.check_disks(0).unwrap_err().code, "disks");
}

#[test]
fn sizes_of_disks_are_counted_and_the_smallest_counts() {
    let tb = |n: u64| Bytes(n * 1_000_000_000_000);
    assert_eq!(parse_sizes("14 TB").unwrap(), [tb(14)]);
    assert_eq!(parse_sizes("2 x 14 TB,12TB").unwrap(), [tb(14), tb(14), tb(12)]);
    let (least, said) = smallest(&parse_sizes("2 x 14 TB, 12 TB").unwrap()).unwrap();
    assert_eq!(least, tb(12));
    assert!(said.unwrap().contains("4.00 TB on 2 disks stay unused"));
    for bad in [
        "",
        ",",
        "14 TB,",
        "0 x 14 TB",
        "-1 x 14 TB",
        "99999999999 x 1 TB",
        "10001 x 1 TB",
        "a x 1 TB",
        "14",
    ] {
        assert!(parse_sizes(bad).is_err(), "{bad}");
    }
}

#[test]
fn absurd_numbers_are_refused() {
    for n in [0, 8, 17, u64::MAX] {
        assert!(Ashift::new(n).is_err());
    }
    for n in [0, 101, u64::MAX] {
        assert!(FillLimit::new(n).is_err());
    }
    let layout = Layout::parse("2 x 7 raidz2").unwrap();
    for bytes in [0, 1, (64 << 20) - 1, u64::MAX, u64::MAX / 13] {
        assert!(
            Space::of(layout, Ashift::FOUR_KIB, Bytes(bytes)).is_err(),
            "{bytes}"
        );
    }
    for text in ["", "8K", "32M", "100K", "1", "M"] {
        assert!(RecordSize::parse(text).is_err(), "{text:?}");
    }
    assert_eq!(RecordSize::parse("1 MiB").unwrap().bytes(), 1 << 20);
}

proptest! {
    #[test]
    fn no_text_makes_the_layout_parser_panic(text in "\\PC{0,40}") {
        let _ = (Layout::parse(&text), RecordSize::parse(&text), parse_sizes(&text));
    }

    /// What is offered instead of a layout with too many disks has few enough, and is a layout.
    #[test]
    fn what_is_offered_for_few_disks_fits_them(
        vdevs in 1u32..40, more in 0u32..20, level in 0usize..5, at_hand in 0u32..200,
    ) {
        let level = [Level::Stripe, Level::Mirror, Level::Raidz1, Level::Raidz2, Level::Raidz3][level];
        let width = (level.widths().0 + more).min(level.widths().1);
        let layout = Layout::new(vdevs, width, level, 0).unwrap();
        match layout.check_disks(at_hand) {
            Ok(()) => prop_assert!(layout.disks() <= at_hand),
            Err(trouble) if at_hand == 0 => prop_assert_eq!(trouble.code, "disks"),
            Err(trouble) => {
                let mend = trouble.mend.unwrap();
                let offered = mend.trim_start_matches("The nearest that fits is ").trim_end_matches('.');
                let offered = Layout::parse(offered).unwrap();
                prop_assert!(offered.disks() <= at_hand, "{}", mend);
                prop_assert!(offered.survives_any() <= layout.survives_any().max(1));
            }
        }
    }

    #[test]
    fn what_is_printed_parses_back(vdevs in 1u32..100, width in 1u32..255, level in 0usize..5, spares in 0u32..9) {
        let level = [Level::Stripe, Level::Mirror, Level::Raidz1, Level::Raidz2, Level::Raidz3][level];
        match Layout::new(vdevs, width, level, spares) {
            Ok(layout) => prop_assert_eq!(Layout::parse(&layout.to_string()).unwrap(), layout),
            // Whatever is offered instead is itself a layout.
            Err(trouble) => {
                let mend = trouble.mend.unwrap();
                let offered = mend.trim_start_matches("The nearest that does is ").trim_end_matches('.');
                prop_assert!(Layout::parse(offered).is_ok(), "{}", mend);
            }
        }
    }
}
