//! Slices against a plain count of what each night reads; fates against a table.

use super::fixity::*;
use crate::units::Bytes;
use proptest::prelude::*;

/// Reads the files of a round night by night, as the hand does: in order, from where the last night
/// ended, until one is not due. Answers the numbers read in each night until the round ends.
fn nights(name: &str, sizes: &[u64], share: Part) -> Vec<Vec<usize>> {
    let cost = |size: &u64| Cost::of(1, Bytes(*size));
    let total = sizes.iter().map(cost).fold(Cost::default(), Cost::plus);
    let (mut next, mut before, mut slice) = (0, Cost::default(), Slice::BEFORE);
    let mut found = Vec::new();
    while next < sizes.len() {
        slice = slice.next(Some(share));
        let cut = Cut::new(name, total, slice.due);
        let mut read = Vec::new();
        while next < sizes.len() && cut.takes(before, cost(&sizes[next])) {
            read.push(next);
            before = before.plus(cost(&sizes[next]));
            next += 1;
        }
        found.push(read);
        slice.open = false;
        assert!(found.len() <= 1_000_000 / share.millionths() as usize + 1);
    }
    found
}

#[test]
fn percentages_are_read_exactly_or_refused() {
    for (text, millionths, shown) in [
        ("5", 50_000, "5 %"),
        ("5%", 50_000, "5 %"),
        ("2.5 %", 25_000, "2.5 %"),
        ("100", 1_000_000, "100 %"),
        ("0.0001", 1, "0.0001 %"),
        ("33.3333", 333_333, "33.3333 %"),
    ] {
        let part = Part::percent(text).unwrap();
        assert_eq!(
            (part.millionths(), part.to_string().as_str()),
            (millionths, shown)
        );
        assert_eq!(Part::of_millionths(millionths), part);
    }
    for text in [
        "", "%", "0", "0.0000", "-1", "101", "100.0001", "nan", "inf", "1e1", "5,5", "0.00001", ".5", "5.",
        "+5", "5 5", "٥",
    ] {
        assert_eq!(Part::percent(text), None, "{text}");
    }
}

/// One file each: with nothing to tell them apart they would all be read in one night.
#[test]
fn datasets_of_one_file_are_spread_over_the_nights() {
    let share = Part::percent("5").unwrap();
    let mut by_night = [0u32; 21];
    for year in 0..400 {
        let found = nights(&format!("project-{year}"), &[50 << 30], share);
        by_night[found.len()] += 1;
    }
    // 20 on average; six standard deviations of a binomial with p = 1/20 are 26.
    assert!(by_night[1..].iter().all(|n| *n > 0 && *n < 47), "{by_night:?}");
}

#[test]
fn an_interrupted_slice_goes_on_and_asks_for_no_more() {
    let five = Part::percent("5").unwrap();
    let first = Slice::BEFORE.next(Some(five));
    assert_eq!((first.due, first.number), (five, 1));
    assert_eq!(first.next(Some(five)), first);
    let closed = Slice { open: false, ..first };
    let second = closed.next(Some(five));
    assert_eq!((second.due.to_string().as_str(), second.number), ("10 %", 2));
    assert_eq!(second.next(None).due, Part::WHOLE);
}

/// Every combination of what may differ, against the rules in the order of the manual.
#[test]
fn rot_is_told_from_change_in_every_combination() {
    for bits in 0..192u32 {
        let bit = |n: u32| bits >> n & 1 == 1;
        let time = [Some(false), Some(true), None][(bits >> 6) as usize];
        let seen = Differs {
            absent: bit(0),
            unreadable: bit(1),
            kind: bit(2),
            size: bit(3),
            content: bit(4),
            denied: bit(5),
            time,
        };
        let rules: [(bool, Option<Fate>); 9] = [
            (seen.absent, Some(Fate::Absent)),
            (seen.unreadable, Some(Fate::Unreadable)),
            (seen.denied, Some(Fate::Denied)),
            (seen.kind, Some(Fate::Type)),
            (seen.size, Some(Fate::Changed)),
            (seen.content && time.is_none(), Some(Fate::Content)),
            (seen.content && time == Some(false), Some(Fate::Rot)),
            (seen.content, Some(Fate::Changed)),
            (time == Some(true), Some(Fate::Touched)),
        ];
        let wanted = rules.iter().find(|(holds, _)| *holds).and_then(|(_, fate)| *fate);
        assert_eq!(fate(seen), wanted, "{seen:?}");
    }
    for fate in Fate::ALL {
        assert_eq!(Fate::parse(fate.word()), Some(fate));
    }
}

proptest! {
    #[test]
    fn twenty_nights_read_everything_exactly_once(
        name in "[a-z]{1,8}", sizes in prop::collection::vec(0u64..1 << 34, 1..200),
    ) {
        let found = nights(&name, &sizes, Part::percent("5").unwrap());
        prop_assert!(found.len() <= 20);
        let all: Vec<usize> = found.concat();
        prop_assert_eq!(all, (0..sizes.len()).collect::<Vec<_>>());
    }

    #[test]
    fn every_night_costs_its_share_give_or_take_one_file(
        name in "[a-z]{1,8}", share in 1u64..=1_000_000, sizes in prop::collection::vec(0u64..1 << 34, 1..60),
    ) {
        let share = Part::of_millionths(share.max(10_000));
        let found = nights(&name, &sizes, share);
        let cost = |size: u64| u128::from(size) + (1 << 20);
        let total: u128 = sizes.iter().map(|size| cost(*size)).sum();
        let largest = sizes.iter().map(|size| cost(*size)).max().unwrap_or_default();
        let mut sum = 0;
        for (night, read) in found.iter().enumerate() {
            sum += read.iter().map(|n| cost(sizes[*n])).sum::<u128>();
            // What is read by the end of a night is what is due by then, give or take one file.
            let due = (u128::from(share.millionths()) * (night as u128 + 1)).min(1_000_000);
            prop_assert!(sum.abs_diff(total * due / 1_000_000) <= largest);
        }
        prop_assert_eq!(sum, total);
    }

    #[test]
    fn a_share_is_one_only_where_nothing_is_left(done in 0u64..1 << 40, left in 0u64..1 << 40) {
        let (done, all) = (Cost::of(0, Bytes(done)), Cost::of(0, Bytes(done + left)));
        let share = done.share_of(all);
        prop_assert_eq!(share == 1.0, left == 0);
        prop_assert!((0.0..=1.0).contains(&share));
    }
}
