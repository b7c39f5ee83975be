//! The simulation against worked examples and properties.

use super::*;
use crate::forecast::link::{Framing, RunsOn};
use crate::forecast::rates::{Pace, SourceRates};
use crate::forecast::windows::{parse_windows, parse_zone};
use crate::units::{Amount, Bytes, LinkSpeed, Rate};
use proptest::prelude::*;

const GB: u64 = 1_000_000_000;

fn at(text: &str) -> Moment {
    Moment::parse_rfc3339(text).unwrap()
}

fn pace(rate: u64) -> Pace {
    Pace {
        rate: Rate(rate),
        basis: Basis::Measured,
        ..Pace::unlimited()
    }
}

fn rates(read: &[u64]) -> Rates {
    let source = |r: &u64| SourceRates {
        read: pace(*r),
        ..SourceRates::defaults()
    };
    Rates {
        sources: read.iter().map(source).collect(),
        hash: Pace::unlimited(),
        write: Pace::unlimited(),
        verify_read: Pace::unlimited(),
        learned_verify: None,
    }
}

fn job(n: u32, source: usize, bytes: u64, verify: bool) -> Job {
    let amount = Amount {
        files: 1,
        bytes: Bytes(bytes),
    };
    Job::new(
        BatchName::numbered("2019", n),
        source,
        amount,
        Amount::default(),
        verify,
    )
}

fn conditions(spec: &str) -> Conditions {
    Conditions {
        network: Network {
            link: None,
            framing: Framing::default(),
            runs_on: RunsOn::Pool,
        },
        windows: Windows {
            windows: parse_windows(spec).unwrap(),
            ..Windows::always(parse_zone("Europe/Berlin").unwrap())
        },
        spanning: true,
        verify: VerifyOrder::Beside,
        sources_together: true,
    }
}

const NOW: &str = "2027-02-01T12:00:00+01:00";

fn seconds(batch: &BatchForecast) -> (f64, f64) {
    let of = |m: Option<Moment>| m.unwrap().seconds_since(at(NOW));
    (of(batch.copy_start), of(batch.end.likely))
}

fn near(got: f64, expected: f64) {
    assert!(
        (got - expected).abs() < 1e-3 + expected.abs() * 1e-9,
        "{got} {expected}"
    );
}

#[test]
fn one_batch_takes_its_bytes_over_the_rate() {
    let got = simulate(
        &[job(1, 0, 100 * GB, false)],
        &rates(&[100_000_000]),
        &conditions("always"),
        at(NOW),
    );
    near(seconds(&got.batches[0]).1, 1_000.0);
    near(got.seconds.likely.secs_f64(), 1_000.0);
    assert_eq!(got.binding, Some(Stage::SourceRead));
    assert_eq!(got.next, None);
    assert_eq!(got.nights, 1);
    assert_eq!(got.basis, Basis::Measured);
    assert!(got.finish.low < got.finish.likely && got.finish.likely < got.finish.high);
}

#[test]
fn two_sources_share_one_pool_and_the_longer_goes_on_alone() {
    let mut r = rates(&[100_000_000, 100_000_000]);
    r.write = pace(100_000_000);
    let jobs = [job(1, 0, 10 * GB, false), job(2, 1, 30 * GB, false)];
    let got = simulate(&jobs, &r, &conditions("always"), at(NOW));
    near(seconds(&got.batches[0]).1, 200.0);
    near(seconds(&got.batches[1]).1, 400.0);
    let alone = Conditions {
        sources_together: false,
        ..conditions("always")
    };
    let got = simulate(&jobs, &r, &alone, at(NOW));
    near(seconds(&got.batches[0]).1, 100.0);
    near(seconds(&got.batches[1]).1, 400.0);
}

#[test]
fn verification_comes_where_the_order_says() {
    let mut r = rates(&[100_000_000]);
    r.verify_read = pace(50_000_000);
    let jobs = [
        job(1, 0, 10 * GB, true),
        job(2, 0, 10 * GB, true),
        job(3, 0, 10 * GB, true),
    ];
    let ends = |verify| {
        let got = simulate(
            &jobs,
            &r,
            &Conditions {
                verify,
                ..conditions("always")
            },
            at(NOW),
        );
        got.batches
            .iter()
            .map(|b| seconds(b).1.round())
            .collect::<Vec<_>>()
    };
    // Copy needs 100 s of the source, verification 200 s of the pool's disks, which write for free.
    assert_eq!(ends(VerifyOrder::Beside), [300.0, 500.0, 700.0]);
    assert_eq!(ends(VerifyOrder::AfterNext), [400.0, 600.0, 800.0]);
    assert_eq!(ends(VerifyOrder::Alternate), [400.0, 700.0, 900.0]);
}

#[test]
fn the_pools_disks_are_shared_by_writing_and_reading_back() {
    let mut r = rates(&[1_000_000_000]);
    (r.write, r.verify_read) = (pace(100_000_000), pace(100_000_000));
    let jobs = [job(1, 0, 10 * GB, true), job(2, 0, 10 * GB, false)];
    let got = simulate(&jobs, &r, &conditions("always"), at(NOW));
    near(seconds(&got.batches[0]).1, 300.0);
    near(seconds(&got.batches[1]).1, 300.0);
    assert_eq!(got.binding, Some(Stage::DestinationWrite));
    assert_eq!(got.batches[0].seconds.likely.secs_up(), 300);
}

#[test]
fn work_pauses_where_windows_close_and_nights_are_counted() {
    let c = conditions("mon-sun 19:00-07:00");
    // 100 MB/s for 12 h is 4.32 TB a night: 10 TB take three nights, 27.8 h of work.
    let got = simulate(
        &[job(1, 0, 10_000 * GB, false)],
        &rates(&[100_000_000]),
        &c,
        at(NOW),
    );
    assert_eq!(got.nights, 3);
    assert_eq!(got.batches[0].openings, 3);
    near(got.seconds.likely.secs_f64(), 100_000.0);
    assert_eq!(got.start, Some(at("2027-02-01T19:00:00+01:00")));
    assert_eq!(got.finish.likely, Some(at("2027-02-03T22:46:40+01:00")));
    assert!(got.gaps.is_empty());
}

#[test]
fn a_window_limit_holds_and_is_named() {
    let c = conditions("mon-sun 19:00-07:00 50 MB/s");
    let got = simulate(
        &[job(1, 0, 2_160 * GB, false)],
        &rates(&[100_000_000]),
        &c,
        at(NOW),
    );
    assert_eq!(got.finish.likely, Some(at("2027-02-02T07:00:00+01:00")));
    assert_eq!(
        (got.binding, got.next),
        (Some(Stage::Window), Some(Stage::SourceRead))
    );
}

#[test]
fn a_batch_that_is_not_to_span_waits_for_the_next_opening_and_a_longer_one_is_cut() {
    let mut c = conditions("mon-sun 19:00-07:00");
    let jobs = [
        job(1, 0, 3_000 * GB, false),
        job(2, 0, 3_000 * GB, false),
        job(3, 0, 9_000 * GB, false),
    ];
    let spanning = simulate(&jobs, &rates(&[100_000_000]), &c, at(NOW));
    assert_eq!(spanning.batches[1].openings, 2);
    c.spanning = false;
    let got = simulate(&jobs, &rates(&[100_000_000]), &c, at(NOW));
    let starts: Vec<_> = got
        .batches
        .iter()
        .map(|b| b.copy_start.unwrap().local(c.windows.zone))
        .collect();
    assert_eq!(
        starts,
        [
            "Mon 2027-02-01 19:00 +01:00",
            "Tue 2027-02-02 19:00 +01:00",
            "Wed 2027-02-03 19:00 +01:00"
        ]
    );
    assert_eq!(
        got.batches.iter().map(|b| b.openings).collect::<Vec<_>>(),
        [1, 1, 3]
    );
    assert!(got.finish.likely >= spanning.finish.likely);
}

#[test]
fn what_never_ends_says_why_and_never_shows_no_time_left() {
    let c = conditions("always");
    let jobs = [job(1, 0, 100 * GB, true)];
    let stuck = simulate(&jobs, &rates(&[0]), &c, at(NOW));
    assert_eq!(stuck.never, Some(Never::NothingMoves(Stage::SourceRead)));
    assert_eq!((stuck.finish.likely, stuck.seconds.likely), (None, Span::FOREVER));
    let mut shut = c.clone();
    shut.windows.windows = parse_windows("mon 10:00-11:00").unwrap();
    shut.windows.windows[0].days = Default::default();
    let got = simulate(&jobs, &rates(&[1_000_000]), &shut, at(NOW));
    assert_eq!((got.never, got.finish.high), (Some(Never::NeverOpens), None));
    let nothing = conditions("mon-sun 00:00-24:00 0 MB/s");
    let got = simulate(&jobs, &rates(&[1_000_000]), &nothing, at(NOW));
    assert_eq!(got.never, Some(Never::NothingMoves(Stage::Window)));
    let slow = simulate(&jobs, &rates(&[1]), &conditions("mon 10:00-10:01"), at(NOW));
    assert_eq!(slow.never, Some(Never::TooFar));
    let fast = simulate(&[job(1, 0, 1, false)], &rates(&[u64::MAX]), &c, at(NOW));
    assert!(fast.seconds.low > Span(0) && fast.batches[0].seconds.low.secs_up() == 1);
}

#[test]
fn empty_files_and_no_batches_at_all_have_answers() {
    let mut c = conditions("always");
    let empty = Job::new(
        BatchName::numbered("2019", 1),
        0,
        Amount {
            files: 1_000,
            bytes: Bytes(0),
        },
        Amount {
            files: 1_000,
            bytes: Bytes(0),
        },
        true,
    );
    let mut r = rates(&[100_000_000]);
    r.sources[0].read.small_file = 0.01;
    let got = simulate(std::slice::from_ref(&empty), &r, &c, at(NOW));
    near(got.seconds.likely.secs_f64(), 10.0);
    let got = simulate(&[], &r, &c, at(NOW));
    assert_eq!(
        (got.finish.likely, got.seconds.likely, got.nights),
        (Some(at(NOW)), Span(0), 0)
    );
    c.windows.windows = parse_windows("mon-fri 19:00-07:00").unwrap();
    let nothing = Job {
        amount: Amount::default(),
        small: Amount::default(),
        ..empty
    };
    let got = simulate(&[nothing], &r, &c, at(NOW));
    assert_eq!(got.never, None);
}

#[test]
fn a_file_longer_than_the_longest_opening_is_told() {
    let mut jobs = [job(1, 0, 1_000 * GB, false)];
    jobs[0].largest = Bytes(1_000 * GB);
    let got = simulate(
        &jobs,
        &rates(&[100_000_000]),
        &conditions("mon-sun 01:00-02:00"),
        at(NOW),
    );
    assert!(matches!(got.notes[..], [Note::FileOutlastsOpening { .. }]));
    assert_eq!(got.batches[0].openings, 3);
}

#[test]
fn a_closed_stretch_longer_than_a_weekend_is_a_gap() {
    let got = simulate(
        &[job(1, 0, 1_000 * GB, false)],
        &rates(&[100_000_000]),
        &conditions("sun 10:00-12:00"),
        at(NOW),
    );
    assert_eq!(got.gaps.len(), 2);
    assert_eq!(got.gaps[0].until, at("2027-02-07T10:00:00+01:00"));
}

#[test]
fn the_link_binds_until_it_is_faster_than_the_disks() {
    let binding = |speed| {
        let mut c = conditions("always");
        c.network.link = Some(LinkSpeed(speed));
        let got = simulate(
            &[job(1, 0, 1_000 * GB, false)],
            &rates(&[200_000_000]),
            &c,
            at(NOW),
        );
        (got.binding, got.next)
    };
    assert_eq!(
        binding(1_000_000_000),
        (Some(Stage::Link), Some(Stage::SourceRead))
    );
    assert_eq!(
        binding(10_000_000_000),
        (Some(Stage::SourceRead), Some(Stage::Link))
    );
}

/// 80 TB over 1 GbE take 188.8275 h by frame arithmetic (RFC 6349 section 4.1.1), and an emulated
/// adapter makes 10 GbE no faster.
#[test]
fn eighty_terabytes_take_what_the_frames_allow() {
    let mut c = conditions("always");
    let mut r = rates(&[10_000_000_000]);
    r.sources[0].emulated_adapter = Some(LinkSpeed(1_000_000_000));
    for speed in [1_000_000_000, 10_000_000_000] {
        c.network.link = Some(LinkSpeed(speed));
        let got = simulate(&[job(1, 0, 80_000 * GB, false)], &r, &c, at(NOW));
        assert!((got.seconds.likely.secs_f64() / 3600.0 - 188.8275).abs() < 1e-3);
    }
}

#[test]
fn ten_thousand_batches_over_windows_end_in_order() {
    let jobs: Vec<Job> = (0..10_000)
        .map(|n| job(n, (n % 2) as usize, 20 * GB, true))
        .collect();
    let mut r = rates(&[100_000_000, 150_000_000]);
    (r.write, r.verify_read) = (pace(400_000_000), pace(400_000_000));
    let mut c = conditions("mon-fri 19:00-07:00 5 Gbit/s; sat,sun 00:00-24:00");
    c.network.link = Some(LinkSpeed(10_000_000_000));
    let got = simulate(&jobs, &r, &c, at(NOW));
    assert!(got.never.is_none());
    let ends: Vec<_> = got.batches.iter().step_by(2).map(|b| b.copy_end.likely).collect();
    assert!(ends.windows(2).all(|p| p[0] < p[1]));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn on_one_stream_a_faster_rate_or_a_longer_window_never_ends_later(
        sizes in prop::collection::vec(1u64..5_000, 1..6),
        rate in 50u64..500,
        faster in 0u64..300,
        from in 12u32..24,
        earlier in 0u32..6,
    ) {
        let jobs: Vec<Job> = sizes.iter().enumerate().map(|(n, gb)| job(n as u32, 0, gb * GB, false)).collect();
        let spec = |from: u32| format!("mon-fri {from:02}:00-07:00");
        let run = |rate: u64, from: u32| {
            simulate(&jobs, &rates(&[rate * 1_000_000]), &conditions(&spec(from)), at(NOW))
        };
        let base = run(rate, from);
        let total: u64 = sizes.iter().sum::<u64>() * GB;
        let worked = total as f64 / (rate as f64 * 1e6);
        prop_assert!((base.seconds.likely.secs_f64() - worked).abs() < 1e-3 + worked * 1e-9);
        prop_assert!(run(rate + faster, from).finish.likely <= base.finish.likely);
        prop_assert!(run(rate, from - earlier).finish.likely <= base.finish.likely);
        prop_assert!(base.finish.low <= base.finish.likely && base.finish.likely <= base.finish.high);
        // The oracle of another shape: minute by minute on the wall clock.
        let windows = conditions(&spec(from)).windows;
        let (mut left, mut minute) = (worked, 0i64);
        while left > 0.0 {
            if windows.is_open_at(at(NOW).plus_seconds(minute * 60)) {
                left -= 60.0;
            }
            minute += 1;
        }
        let end = base.finish.likely.unwrap().seconds_since(at(NOW));
        prop_assert!((end - (minute as f64 * 60.0 + left)).abs() < 0.01, "{} {}", end, minute);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]
    #[test]
    fn any_conditions_give_an_answer_in_order_or_say_why_there_is_none(
        jobs in prop::collection::vec((0usize..4, 0u64..3_000, 0u64..50_000, any::<bool>()), 0..12),
        read in prop::collection::vec(0u64..400, 1..3),
        spec in prop::sample::select(vec![
            "always", "mon-fri 19:00-07:00", "sun 02:30-03:15", "mon-sun 22:00-06:00 50 MB/s; tue 23:00-23:30 0 MB/s",
            "sat,sun 00:00-24:00; mon-fri 12:00-12:01 1 MB/s",
        ]),
        order in prop::sample::select(vec![VerifyOrder::Beside, VerifyOrder::AfterNext, VerifyOrder::Alternate]),
        runs_on in prop::sample::select(vec![RunsOn::Pool, RunsOn::Source, RunsOn::Between]),
        link in prop::option::of(1u64..10_000),
        spanning in any::<bool>(),
        sources_together in any::<bool>(),
    ) {
        let jobs: Vec<Job> = jobs
            .iter()
            .enumerate()
            .map(|(n, (source, gb, files, verify))| {
                let small = Amount { files: *files, bytes: Bytes(*files * 1_000) };
                let all = Amount { files: files + gb, bytes: Bytes(gb * GB + files * 1_000) };
                Job::new(BatchName::numbered("2019", n as u32), *source, all, small, *verify)
            })
            .collect();
        let mut r = Rates::defaults(read.len(), runs_on);
        for (source, rate) in r.sources.iter_mut().zip(&read) {
            source.read.rate = Rate(rate * 1_000_000);
        }
        let mut c = Conditions { spanning, verify: order, sources_together, ..conditions(spec) };
        c.network = Network { link: link.map(|m| LinkSpeed(m * 1_000_000)), framing: Framing::default(), runs_on };
        let got = simulate(&jobs, &r, &c, at(NOW));
        prop_assert_eq!(got.never.is_none(), got.finish.likely.is_some());
        for (job, batch) in jobs.iter().zip(&got.batches) {
            prop_assert!(got.never.is_some() || batch.end.likely.is_some());
            prop_assert!(batch.copy_start <= batch.copy_end.likely || batch.copy_end.likely.is_none());
            prop_assert!(!job.verify || batch.copy_end.likely <= batch.end.likely || batch.end.likely.is_none());
            prop_assert!(batch.end.likely <= got.finish.likely || got.finish.likely.is_none());
            prop_assert!(job.amount.files == 0 || batch.seconds.low > Span(0));
            prop_assert!(batch.seconds.low <= batch.seconds.likely && batch.seconds.likely <= batch.seconds.high);
        }
    }
}
