//! Layouts side by side, advice, and recordsizes.

use crate::moment::Moment;
use crate::pool::disks::{OUTER_RATE, smallest};
use crate::pool::{
    Ashift, Candidate, Compression, FillLimit, Layout, LayoutRow, Question, RecordSize, SpaceTally,
    YearlyGrowth, advise, compare, recommend, sensible_layouts,
};
use crate::units::Bytes;

const TB: u64 = 1_000_000_000_000;
const DISK: Bytes = Bytes(14_000_519_643_136);

fn question(growth_tb: Option<u64>) -> Question {
    Question {
        disk: DISK,
        ashift: Ashift::FOUR_KIB,
        fill_limit: FillLimit::new(80).unwrap(),
        reserve: Bytes(200_000_000_000),
        content: Bytes(80 * TB),
        growth: growth_tb.map(|tb| YearlyGrowth {
            low: Bytes::ZERO,
            likely: Bytes(tb * TB),
            high: Bytes(2 * tb * TB),
        }),
        outer_rate: OUTER_RATE,
        now: Moment::parse_rfc3339("2027-02-01T00:00:00Z").unwrap(),
    }
}

fn rows(layouts: &[&str], needed_tb: u64, growth_tb: Option<u64>) -> Vec<LayoutRow> {
    let candidate = |text: &&str| Candidate {
        layout: Layout::parse(text).unwrap(),
        needed: Bytes(needed_tb * TB),
    };
    let candidates: Vec<Candidate> = layouts.iter().map(candidate).collect();
    compare(&candidates, &question(growth_tb)).unwrap()
}

#[test]
fn fifteen_disks_have_the_layouts_one_would_draw() {
    let found: Vec<String> = sensible_layouts(15)
        .unwrap()
        .iter()
        .map(Layout::to_string)
        .collect();
    for wanted in [
        "1 x 15 raidz2",
        "2 x 7 raidz2 + 1",
        "3 x 5 raidz2",
        "7 x 2 mirror + 1",
        "5 x 3 mirror",
        "3 x 5 raidz1",
    ] {
        assert!(found.iter().any(|f| f == wanted), "{wanted} not in {found:?}");
    }
    assert_eq!(sensible_layouts(1).unwrap()[0].to_string(), "1 x 1 stripe");
    assert_eq!(sensible_layouts(2).unwrap()[0].to_string(), "1 x 2 mirror");
    for disks in 1..200 {
        let found = sensible_layouts(disks).unwrap();
        assert!(
            !found.is_empty() && found.iter().all(|l| l.disks() == disks),
            "{disks}"
        );
    }
    assert!(sensible_layouts(0).is_err());
    assert!(sensible_layouts(u32::MAX).is_err());
}

#[test]
fn a_row_says_what_the_pool_will_look_like() {
    let row = &rows(&["2 x 7 raidz2 + 1"], 80, Some(10))[0];
    // `zfs list -p` of the measured pool: 130,393,595,683,608.
    assert!(row.space.usable.0.abs_diff(130_393_595_683_608) < 100_000);
    assert_eq!(row.limit, FillLimit::new(80).unwrap().of(row.space.usable));
    assert!(row.fits);
    assert_eq!((row.survives_any, row.grows_by_disks, row.streams), (2, 7, 2));
    assert_eq!(row.full_per_mille, 613);
    let fills = row.fills.unwrap();
    assert_eq!(fills.latest, None);
    // 24.3 TB of room at 10 TB a year: 2.43 years.
    let likely = fills.likely.unwrap().utc().unwrap().format("%Y-%m").to_string();
    assert_eq!(likely, "2029-07");
    assert!(fills.earliest.unwrap() < fills.likely.unwrap());
    // Six other disks, 61.3 % full.
    let wanted = DISK.0 as f64 * 6.0 * 0.613;
    assert!((row.rebuild_reads.0 as f64 / wanted - 1.0).abs() < 0.001);
}

#[test]
fn a_pool_that_is_too_small_is_full_today() {
    let row = &rows(&["1 x 6 raidz2"], 80, Some(10))[0];
    assert!(!row.fits && row.full_per_mille > 1_000);
    assert_eq!(row.fills.unwrap().likely, Some(question(None).now));
}

#[test]
fn the_users_own_layout_always_wins() {
    let rows = rows(
        &[
            "7 x 2 mirror + 1",
            "2 x 7 raidz2 + 1",
            "1 x 15 raidz2",
            "3 x 5 raidz1",
        ],
        70,
        None,
    );
    let asked = advise(&rows, true, DISK).unwrap();
    assert_eq!(asked.row, 0);
    assert!(
        asked.why[0].starts_with("Your layout 7 x 2 mirror + 1 is kept"),
        "{}",
        asked.why[0]
    );
    assert!(asked.why[1].contains("2 x 7 raidz2 + 1"), "{}", asked.why[1]);
    let unasked = advise(&rows, false, DISK).unwrap();
    assert_eq!(rows[unasked.row].layout.to_string(), "2 x 7 raidz2 + 1");
    assert!(advise(&[], true, DISK).is_none());
}

#[test]
fn where_nothing_fits_the_least_short_is_named() {
    let rows = rows(&["7 x 2 mirror", "2 x 7 raidz2"], 300, None);
    let advice = advise(&rows, false, DISK).unwrap();
    assert_eq!(advice.row, 1);
    assert!(advice.why[0].contains("more than the limit"), "{}", advice.why[0]);
}

#[test]
fn long_files_get_long_records() {
    let mut tally = SpaceTally::new(Ashift::FOUR_KIB);
    for n in 0..1_000 {
        tally.push(Bytes(500_000_000 + n * 7_919));
    }
    let wide = recommend(&tally, Layout::parse("1 x 12 raidz2").unwrap());
    assert_eq!(wide.choice.recordsize.to_string(), "1M");
    assert_eq!(wide.choice.compression, Compression::On);
    assert!(wide.saves.0 > 0 && wide.taken.used < wide.by_default.used);
    assert!(
        wide.words[0].contains("less than at the default 128K"),
        "{}",
        wide.words[0]
    );
    // A mirror has nothing to gain, but long files are read from end to end all the same.
    let mirror = recommend(&tally, Layout::parse("7 x 2 mirror").unwrap());
    assert_eq!(mirror.choice.recordsize.to_string(), "1M");
}

#[test]
fn small_files_keep_the_default() {
    let mut tally = SpaceTally::new(Ashift::FOUR_KIB);
    for n in 0..1_000 {
        tally.push(Bytes(20_000 + n));
    }
    let got = recommend(&tally, Layout::parse("2 x 7 raidz2").unwrap());
    assert_eq!(got.choice.recordsize, RecordSize::DEFAULT);
    let nothing = recommend(
        &SpaceTally::new(Ashift::FOUR_KIB),
        Layout::parse("2 x 7 raidz2").unwrap(),
    );
    assert_eq!(nothing.choice.recordsize, RecordSize::DEFAULT);
}

#[test]
fn of_mixed_disks_the_smallest_counts_and_is_said() {
    // Common rule, also md(4): all members are cut to the smallest; 4 + 4 + 8 + 8 TB count as 4 x 4.
    let (least, note) = smallest(&[8, 4, 4, 8].map(|tb| Bytes(tb * TB))).unwrap();
    assert_eq!(least, Bytes(4 * TB));
    assert!(note.unwrap().contains("smallest counts"));
    assert_eq!(smallest(&[DISK, DISK]).unwrap(), (DISK, None));
    assert!(smallest(&[]).is_err());
}
