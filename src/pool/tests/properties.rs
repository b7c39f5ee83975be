//! What must hold for any pool and any files.

use crate::pool::blocks::FolderNames;
use crate::pool::{Ashift, Choice, Compression, Layout, Level, Priced, RecordSize, Space, SpaceTally};
use crate::units::Bytes;
use proptest::prelude::*;

fn layouts() -> impl Strategy<Value = Layout> {
    (0usize..5, 1u32..6, 0u32..16).prop_map(|(level, vdevs, more)| {
        let level = [
            Level::Stripe,
            Level::Mirror,
            Level::Raidz1,
            Level::Raidz2,
            Level::Raidz3,
        ][level];
        let (least, most) = level.widths();
        Layout::new(vdevs, (least + more).min(most), level, 0).unwrap()
    })
}

fn choices() -> impl Strategy<Value = Choice> {
    (0usize..RecordSize::COUNT * 2).prop_map(|at| Choice::all().nth(at).unwrap())
}

fn ashifts() -> impl Strategy<Value = Ashift> {
    (9u64..=16).prop_map(|n| Ashift::new(n).unwrap())
}

fn tally(ashift: Ashift, sizes: &[u64]) -> SpaceTally {
    let mut tally = SpaceTally::new(ashift);
    for size in sizes {
        tally.push(Bytes(*size));
    }
    tally
}

/// The data blocks of one file written out one by one, priced by laying sectors into rows: another
/// shape than the counting in `tally`, for files without a compressed tail.
fn sectors_laid_out(size: u64, record: u64, layout: Layout, ashift: Ashift) -> u64 {
    let mut total = 0;
    let mut at = 0;
    while at < size {
        let length = if size <= record { size } else { record };
        let sectors = (length.div_ceil(512) * 512).div_ceil(ashift.sector());
        total += lay(sectors, layout);
        at += record;
    }
    total
}

fn lay(data: u64, layout: Layout) -> u64 {
    let parity = u64::from(layout.level().parity());
    if parity == 0 {
        return data;
    }
    let (mut placed, mut left) = (0, data);
    while left > 0 {
        let row = left.min(u64::from(layout.width()) - parity);
        placed += row + parity;
        left -= row;
    }
    while placed % (parity + 1) != 0 {
        placed += 1;
    }
    placed
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn more_disks_never_hold_less(layout in layouts(), tb in 1u64..30) {
        let disk = Bytes(tb * 1_000_000_000_000);
        let usable = |l: Layout| Space::of(l, Ashift::FOUR_KIB, disk).unwrap().usable;
        let more = |vdevs, width| Layout::new(layout.vdevs() + vdevs, layout.width() + width, layout.level(), 0);
        prop_assert!(usable(more(1, 0).unwrap()) >= usable(layout));
        if let Ok(wider) = more(0, 1) {
            prop_assert!(usable(wider) >= usable(layout));
        }
    }

    #[test]
    fn larger_disks_never_hold_less(layout in layouts(), tb in 1u64..30, more in 1u64..20) {
        let usable = |b| Space::of(layout, Ashift::FOUR_KIB, Bytes(b)).unwrap().usable;
        let disk = tb * 1_000_000_000_000;
        prop_assert!(usable(disk + more * 100_000_000_000) >= usable(disk));
    }

    #[test]
    fn the_steps_of_a_pools_space_add_up(layout in layouts(), ashift in ashifts(), disk in (64u64 << 20)..1 << 56) {
        let space = Space::of(layout, ashift, Bytes(disk)).unwrap();
        let held = space.usable.0 + space.own_use.0 + space.slop.0 + space.embedded_log.0;
        prop_assert_eq!(held, space.after_parity.0);
        prop_assert!(space.after_parity <= space.pool_size);
        prop_assert!(space.pool_size <= space.raw);
    }

    /// To the largest numbers there are, a pool is counted or refused, never anything else; what is
    /// counted is less than the disks.
    #[test]
    fn pools_of_any_size_are_counted_or_refused(layout in layouts(), ashift in ashifts(), bits in 0u32..64, low in any::<u64>()) {
        let disk = Bytes(low >> bits);
        if let Ok(space) = Space::of(layout, ashift, disk) {
            prop_assert!(space.usable < space.raw);
            prop_assert_eq!(space.raw.0, disk.0 * u64::from(layout.data_disks()));
        } else {
            let whole = u128::from(disk.0) * u128::from(layout.data_disks());
            prop_assert!(disk.0 < 64 << 20 || whole > u128::from(u64::MAX));
        }
    }

    /// Ten exabytes in one file, or in many: nothing overflows, and more never takes less.
    #[test]
    fn files_of_any_size_are_priced(
        sizes in prop::collection::vec((any::<u64>(), 0u32..64), 1..8), layout in layouts(), choice in choices(), ashift in ashifts(),
    ) {
        let sizes: Vec<u64> = sizes.into_iter().map(|(size, bits)| size >> bits).collect();
        let mut one = tally(ashift, &sizes);
        let before = one.taken(layout, choice);
        let largest = sizes.iter().copied().max().unwrap_or(0);
        if choice.compression == Compression::Off && !layout.level().is_raidz() {
            prop_assert!(before.used.0 >= largest);
        }
        let again = one.clone();
        prop_assert!(one.merge(&again));
        let after = one.taken(layout, choice);
        prop_assert!(after.used >= before.used && after.alloc >= before.alloc);
        let mut priced = Priced::of(&again, layout);
        priced.add(&Priced::of(&again, layout));
        // Each part is rounded by itself: by a sector at most.
        prop_assert!(priced.taken(choice).used.0.abs_diff(after.used.0) <= 512 || after.used == Bytes(u64::MAX));
    }

    #[test]
    fn data_blocks_agree_with_sectors_laid_out_one_by_one(
        size in 1u64..40_000_000, layout in layouts(), choice in choices(), ashift in ashifts()
    ) {
        let record = choice.recordsize;
        let choice = Choice { recordsize: record, compression: Compression::Off };
        let of = |size| tally(ashift, &[size]).taken(layout, choice).alloc.0;
        let data = sectors_laid_out(size, record.bytes(), layout, ashift) * ashift.sector();
        let metadata = of(size) - of(0) - data;
        if size <= record.bytes() {
            prop_assert_eq!(metadata, 0);
        } else {
            // At least one indirect block, twice; at most all of its blocks uncompressed.
            let records = size.div_ceil(record.bytes());
            let each = lay(ashift.sectors(128 << 10), layout) * ashift.sector() * 2;
            prop_assert!(metadata >= lay(1, layout) * ashift.sector() * 2);
            prop_assert!(metadata <= (records.div_ceil(1_024) + 2) * each);
        }
    }

    #[test]
    fn allocation_is_never_below_content(
        sizes in prop::collection::vec(0u64..1 << 40, 0..20), layout in layouts(), choice in choices(), ashift in ashifts()
    ) {
        let tally = tally(ashift, &sizes);
        prop_assert!(tally.taken(layout, choice).alloc >= tally.content());
    }

    #[test]
    fn used_never_falls_as_a_file_grows(
        size in 0u64..1 << 26, more in 0u64..1 << 18, layout in layouts(), choice in choices(), ashift in ashifts()
    ) {
        let used = |size| tally(ashift, &[size]).taken(layout, choice).used;
        prop_assert!(used(size) <= used(size + more));
        prop_assert!(used(size) <= used(size + 1));
    }

    #[test]
    fn compression_never_takes_more(
        sizes in prop::collection::vec(0u64..1 << 30, 0..20), layout in layouts(), choice in choices(), ashift in ashifts()
    ) {
        let tally = tally(ashift, &sizes);
        let of = |compression| tally.taken(layout, Choice { recordsize: choice.recordsize, compression });
        prop_assert!(of(Compression::On).used <= of(Compression::Off).used);
    }

    #[test]
    fn datasets_add_up_to_the_whole(
        a in prop::collection::vec(0u64..1 << 34, 0..20), b in prop::collection::vec(0u64..1 << 34, 0..20),
        entries in 0u64..5_000, layout in layouts(), choice in choices()
    ) {
        let names = FolderNames { entries, bytes: entries * 20, longest: 20 };
        let mut one = tally(Ashift::FOUR_KIB, &a);
        one.push_directory(names);
        let mut two = tally(Ashift::FOUR_KIB, &b);
        two.push_symlink(200);
        let mut whole = tally(Ashift::FOUR_KIB, &[a, b].concat());
        whole.push_directory(names);
        whole.push_symlink(200);
        let sum = |f: fn(&crate::pool::Taken) -> u64| f(&one.taken(layout, choice)) + f(&two.taken(layout, choice));
        let all = whole.taken(layout, choice);
        // Shares of a block of dnodes are rounded down once in each.
        prop_assert!(all.alloc.0 - sum(|t| t.alloc.0) <= 1);
        prop_assert!(all.used.0 - sum(|t| t.used.0) <= 2);
        prop_assert!(one.merge(&two));
        prop_assert_eq!(one, whole);
    }

    #[test]
    fn holes_never_take_more_than_content_would(
        size in 0u64..1 << 34, data in 0u64..1 << 34, layout in layouts(), choice in choices()
    ) {
        let choice = Choice { recordsize: choice.recordsize, compression: Compression::Off };
        let mut sparse = SpaceTally::new(Ashift::FOUR_KIB);
        sparse.push_with_holes(Bytes(size), Bytes(data));
        let full = tally(Ashift::FOUR_KIB, &[size]);
        prop_assert!(sparse.taken(layout, choice).used <= full.taken(layout, choice).used);
    }

    #[test]
    fn nothing_panics_at_the_ends_of_the_range(size: u64, names: (u64, u64, u64), layout in layouts(), ashift in ashifts()) {
        let mut tally = SpaceTally::new(ashift);
        for size in [size, u64::MAX, 0, 1] {
            tally.push(Bytes(size));
            tally.push_with_holes(Bytes(u64::MAX), Bytes(size));
        }
        tally.push_directory(FolderNames { entries: names.0, bytes: names.1, longest: names.2 });
        tally.push_symlink(u64::MAX);
        prop_assert_eq!(tally.taken_by_choice(layout).len(), 22);
    }
}

#[test]
fn ten_exabytes_are_counted_without_overflow() {
    // 500 drives of 20 PB, which nobody makes: 10 EB raw.
    let layout = Layout::parse("50 x 10 raidz2").unwrap();
    let space = Space::of(layout, Ashift::FOUR_KIB, Bytes(20_000_000_000_000_000)).unwrap();
    assert_eq!(space.raw, Bytes(10_000_000_000_000_000_000));
    assert!(space.usable.0 > 7_500_000_000_000_000_000 && space.usable.0 < 8_000_000_000_000_000_000);
    let mut tally = SpaceTally::new(Ashift::FOUR_KIB);
    for _ in 0..10 {
        tally.push(Bytes(1_000_000_000_000_000_000));
    }
    for (choice, taken) in tally.taken_by_choice(layout) {
        let share = taken.alloc.0 as f64 / 10e18;
        assert!((1.24..1.60).contains(&share), "{choice}: {share}");
    }
}

#[test]
fn tallies_of_different_sectors_do_not_mix() {
    let mut a = SpaceTally::new(Ashift::FOUR_KIB);
    let b = tally(Ashift::new(9).unwrap(), &[1_000]);
    assert!(!a.merge(&b));
    assert_eq!(a.entries(), 0);
}
