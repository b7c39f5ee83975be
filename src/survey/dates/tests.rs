//! Names, weighing and copy days.

use super::names::*;
use super::spikes::{CopyDays, copy_days};
use super::*;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::survey::{Confidence, Evidence};
use chrono::{Datelike, NaiveDate};
use proptest::prelude::*;

fn calendar() -> Calendar {
    let now = Moment::parse_rfc3339("2027-02-03T12:00:00Z").unwrap();
    Calendar::new(chrono_tz::Europe::Berlin, now)
}

fn year_of(name: &str) -> Option<u16> {
    match read_folder(name.as_bytes(), &calendar()) {
        Reading::Clear(date) => Some(date.year.0),
        _ => None,
    }
}

#[test]
fn dates_written_out_are_read() {
    for (name, year) in [
        ("2019-03-04 acorn", 2019),
        ("acorn_20190304", 2019),
        ("acorn20190304b", 2019),
        ("2019_3_4", 2019),
        ("04.03.2019 acorn", 2019),
        ("acorn 31-12-2018", 2018),
        ("2019-03 acorn", 2019),
        ("2019-Q3", 2019),
        ("acorn 2019", 2019),
        ("2019", 2019),
        ("2018-2019 acorn", 2018),
        ("201913 acorn 2018", 2018),
        ("1998_harvest", 1998),
        ("201903", 0),
        ("20190304101500", 2019),
    ] {
        let wanted = (year > 0).then_some(year);
        assert_eq!(year_of(name), wanted, "{name}");
    }
}

#[test]
fn numbers_that_are_no_dates_are_not_read() {
    for name in [
        "acorn",
        "1080p",
        "2160",
        "v2019",
        "IMG2019",
        "1920x1080",
        "2019x",
        "20191399",
        "1989",
        "2031",
        "2019304",
        "00000000",
        "",
    ] {
        assert_eq!(year_of(name), None, "{name}");
    }
}

/// ISO 8601 week dates; the examples are well known, recomputed with GNU date.
#[test]
fn weeks_of_iso_8601_are_of_the_year_of_their_day() {
    for (name, year) in [
        ("2004-W53-6", 2005),
        ("2004W537", 2005),
        ("2007-W01-1", 2007),
        ("2008-W52-7", 2008),
        ("2009-W01-1", 2008),
        ("2009-W53-7", 2010),
        ("2025-W01-1", 2024),
        ("2026-W01-4", 2026),
        ("2020-W53", 2020),
    ] {
        assert_eq!(year_of(name), Some(year), "{name}");
    }
    assert_eq!(
        year_of("2019-W53"),
        Some(2019),
        "no such week: the year alone, if anything"
    );
}

fn six(name: &str) -> Six {
    match read_folder(name.as_bytes(), &calendar()) {
        Reading::Six(six) => six,
        other => panic!("{name}: {other:?}"),
    }
}

#[test]
fn six_digits_alone_are_ambiguous() {
    for name in ["030412 acorn", "12-11-10", "101112"] {
        assert_eq!(agreed_order(&[six(name)], &calendar()), None, "{name}");
        assert!(six(name).years(&calendar()).len() > 1);
    }
    assert_eq!(
        agreed_order(&[six("181231")], &calendar()),
        Some(Order::YearFirst)
    );
}

#[test]
fn siblings_settle_the_order_of_six_digits() {
    let names = [
        "030412", "170330", "180131", "190424", "111210", "201105", "211231",
    ];
    let all: Vec<Six> = names.map(six).to_vec();
    assert_eq!(agreed_order(&all, &calendar()), Some(Order::YearFirst));
    let date = six("030412").read(Order::YearFirst, &calendar()).unwrap();
    assert_eq!(date.date, NaiveDate::from_ymd_opt(2003, 4, 12));
    let days_first: Vec<Six> = ["310119", "040319", "250718", "300917", "281216"]
        .map(six)
        .to_vec();
    assert_eq!(agreed_order(&days_first, &calendar()), Some(Order::DayFirst));
}

fn day(text: &str) -> DayNumber {
    text.parse::<NaiveDate>().unwrap().num_days_from_ce()
}

fn originals(days: &[(&str, u64)]) -> DateTally {
    let mut tally = DateTally::default();
    for (text, count) in days {
        for _ in 0..*count {
            tally.push_time(day(text), 1000, true);
        }
    }
    tally
}

fn written(name: &str) -> Written {
    let key = ProjectKey::Folder(RelPath::new(name).unwrap());
    NameReader::of([&key].into_iter(), &calendar()).read(&key, &calendar())
}

fn weighed(name: &str, tally: &DateTally) -> Weighed {
    weigh(&written(name), tally, &CopyDays::default(), &calendar())
}

#[test]
fn a_date_in_the_name_goes_before_all_else_and_stands_where_times_agree() {
    let found = weighed(
        "2019-03-04 acorn",
        &originals(&[("2019-03-05", 3), ("2019-06-01", 9)]),
    );
    assert_eq!(found.date.year, Some(Year(2019)));
    assert_eq!(found.date.evidence, Evidence::FolderDate);
    assert_eq!(found.date.confidence, Confidence::High);
    assert_eq!(found.ask, None);
}

#[test]
fn a_contradicted_name_is_asked_about() {
    let found = weighed("2019 acorn", &originals(&[("2017-03-05", 9), ("2017-06-01", 9)]));
    assert_eq!(found.date.year, Some(Year(2019)));
    assert_eq!(found.date.confidence, Confidence::Low);
    assert_eq!(
        found.date.against,
        [
            (Evidence::OldestOriginal, Year(2017)),
            (Evidence::MedianTime, Year(2017))
        ]
    );
    assert!(found.ask.is_some());
    assert_eq!(found.choices.len(), 2);
}

#[test]
fn one_old_clip_and_late_edits_contradict_nothing() {
    let mut tally = originals(&[("2011-03-05", 1), ("2019-06-01", 9)]);
    for _ in 0..50 {
        tally.push_time(day("2020-02-01"), 9000, false);
    }
    assert_eq!(weighed("2019 acorn", &tally).ask, None);
}

#[test]
fn a_shoot_over_new_year_is_of_the_year_it_began() {
    let tally = originals(&[("2018-12-30", 5), ("2019-01-04", 30)]);
    assert_eq!(weighed("acorn", &tally).date.year, Some(Year(2018)));
    let found = weighed("2019-01-02 acorn", &tally);
    assert_eq!((found.date.year, found.ask), (Some(Year(2019)), None));
}

#[test]
fn headers_need_sixty_percent_and_go_before_file_times() {
    let mut tally = originals(&[("2021-05-03", 10), ("2021-08-03", 5)]);
    tally.header_years = BTreeMap::from([(Year(2018), 3), (Year(2021), 2)]);
    let found = weighed("acorn", &tally);
    assert_eq!(
        (found.date.year, found.date.evidence),
        (Some(Year(2018)), Evidence::MediaHeaders)
    );
    assert!(found.ask.is_some());
    tally.header_years = BTreeMap::from([(Year(2015), 2), (Year(2018), 2), (Year(2021), 1)]);
    assert_eq!(weighed("acorn", &tally).date.evidence, Evidence::OldestOriginal);
}

#[test]
fn clip_names_count_from_a_tenth_of_the_clips_on_and_day_folders_stand_in() {
    let mut tally = originals(&[("2021-05-03", 60), ("2021-07-03", 60)]);
    for _ in 0..3 {
        tally.push_clip(Year(2017));
    }
    assert_eq!(weighed("acorn", &tally).date.year, Some(Year(2021)));
    tally.push_folder(Year(2020));
    let found = weighed("acorn", &tally);
    assert_eq!(
        (found.date.year, found.date.evidence),
        (Some(Year(2020)), Evidence::ClipNames)
    );
    for _ in 0..20 {
        tally.push_clip(Year(2017));
    }
    assert_eq!(weighed("acorn", &tally).date.year, Some(Year(2017)));
}

#[test]
fn nothing_to_go_by_is_undated_and_asked() {
    let found = weighed("acorn", &DateTally::default());
    assert_eq!((found.date.year, found.date.evidence), (None, Evidence::Nothing));
    assert!(found.ask.is_some());
}

#[test]
fn a_copy_day_over_several_projects_is_no_evidence() {
    let reset = || originals(&[("2021-05-03", 20)]);
    let mut kept = reset();
    kept.push_time(day("2016-02-03"), 5, true);
    let projects = [reset(), reset(), kept.clone(), originals(&[("2014-01-05", 3)])];
    let copied = copy_days(projects.iter());
    assert_eq!(copied.days, [day("2021-05-03")].into());
    assert_eq!(copied.files, 60);
    let found = |tally: &DateTally| weigh(&Written::Nothing, tally, &copied, &calendar()).date.year;
    assert_eq!(found(&reset()), None);
    assert_eq!(found(&kept), Some(Year(2016)));
}

#[test]
fn the_shoot_of_one_weekend_in_one_project_is_no_copy_day() {
    let projects = [
        originals(&[("2021-05-03", 500)]),
        originals(&[("2019-02-03", 40), ("2019-02-20", 9)]),
        originals(&[("2014-01-05", 3)]),
    ];
    assert!(copy_days(projects.iter()).days.is_empty());
}

proptest! {
    #[test]
    fn no_name_makes_the_reader_panic(name in prop::collection::vec(any::<u8>(), 0..40)) {
        let calendar = calendar();
        if let Reading::Six(six) = read_folder(&name, &calendar) {
            six.years(&calendar);
        }
        read_clip(&name, &calendar);
    }

    #[test]
    fn any_evidence_is_weighed_without_a_panic(days in prop::collection::vec((700_000i32..740_000, any::<u64>(), any::<bool>()), 0..20), clips in prop::collection::vec(1990u16..2028, 0..6), name in "[0-9-]{1,8}") {
        let mut tally = DateTally::default();
        for (day, bytes, original) in days {
            tally.push_time(day, bytes, original);
        }
        clips.into_iter().for_each(|year| tally.push_clip(Year(year)));
        let copied = copy_days([&tally, &tally, &tally].into_iter());
        let found = weigh(&written(&name), &tally, &copied, &calendar());
        prop_assert_eq!(found.date.year.is_none(), found.date.evidence == Evidence::Nothing);
        prop_assert_eq!(found.ask.is_some(), found.date.confidence == Confidence::Low);
    }

    #[test]
    fn digits_and_separators_never_panic_and_give_plausible_years(name in "[0-9W._ -]{0,24}") {
        let calendar = calendar();
        if let Reading::Clear(date) = read_folder(name.as_bytes(), &calendar) {
            prop_assert!((1990..=2027).contains(&date.year.0), "{:?}", date);
        }
    }

    /// Every plausible day, written in four ways, is read back to its year.
    #[test]
    fn a_day_written_out_is_read_back(number in 726_500i32..739_900) {
        let date = NaiveDate::from_num_days_from_ce_opt(number).unwrap();
        for format in ["%Y-%m-%d", "%Y%m%d", "%d.%m.%Y", "%G-W%V-%u"] {
            let name = format!("acorn {} b", date.format(format));
            prop_assert_eq!(year_of(&name), u16::try_from(date.year()).ok(), "{}", name);
        }
    }
}
