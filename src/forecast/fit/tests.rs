//! Fits are checked on histories whose true rates are known.

use super::*;
use crate::forecast::Job;
use crate::forecast::link::{Framing, RunsOn};
use crate::forecast::rates::{Basis, Network, Rates, Stage};
use crate::forecast::simulate::{Conditions, VerifyOrder, simulate};
use crate::forecast::windows::{Windows, parse_windows};
use crate::moment::Moment;
use crate::names::BatchName;
use crate::units::LinkSpeed;

const PRIOR: Prior = Prior {
    pace: [1e-8, 0.004, 0.006],
    spread: 0.4,
    trend: 0.15,
    trend_spread: 0.15,
};
const GB: u64 = 1_000_000_000;

fn amount(files: u64, bytes: u64) -> Amount {
    Amount {
        files,
        bytes: Bytes(bytes),
    }
}

fn sample(small: Amount, large: Amount, seconds: f64, night: i64) -> Sample {
    let time = Span::from_secs_f64(seconds);
    Sample {
        activity: Activity::Copy,
        source: 0,
        small,
        large,
        time,
        streams: 4,
        night,
        limit: None,
    }
}

fn fit_all(samples: &[Sample], prior: &Prior, whole: u64) -> Option<Learned> {
    fit(&samples.iter().collect::<Vec<_>>(), prior, Bytes(whole))
}

fn mixes(pace: [f64; 3], nights: i64) -> Vec<Sample> {
    let one = |n: i64| {
        let (small, large) = (
            amount(1_000 * (n as u64 % 7), GB),
            amount(50 + 90 * (n as u64 % 5), 200 * GB),
        );
        let seconds = 201e9 * pace[0] + small.files as f64 * pace[1] + large.files as f64 * pace[2];
        sample(small, large, seconds, n / 3)
    };
    (0..nights * 3).map(one).collect()
}

fn off(got: f64, expected: f64) -> f64 {
    (got / expected - 1.0).abs()
}

#[test]
fn exact_samples_give_their_own_paces_back() {
    let truth = [5e-9, 0.05, 1.0];
    let flat = Prior {
        pace: [1e-8, 0.02, 0.5],
        trend: 0.0,
        trend_spread: 0.01,
        spread: 2.0,
    };
    let got = fit_all(&mixes(truth, 40), &flat, 24_000 * GB).unwrap();
    for (got, expected) in got.pace.iter().zip(truth) {
        assert!(off(*got, expected) < 0.08, "{got} {expected}");
    }
    assert_eq!((got.samples, got.nights), (120, 40));
    assert!(got.night_spread < 0.03 && got.noise < 0.03, "{got:?}");
}

#[test]
fn two_samples_move_the_forecast_but_do_not_overrule_everything() {
    // Twice as slow as believed, seen twice in one night: most of the way, not all of it.
    let slow = amount(1, 100 * GB);
    let two = [
        sample(Amount::default(), slow, 2_000.0, 0),
        sample(Amount::default(), slow, 2_000.0, 0),
    ];
    let got = fit_all(&two, &PRIOR, 10_000 * GB).unwrap();
    assert!(got.pace[0] > 1.7e-8 && got.pace[0] < 2.0e-8, "{:?}", got.pace);
    // What they say nothing about stays what it was.
    assert!(off(got.pace[1], PRIOR.pace[1]) < 0.05, "{:?}", got.pace);
    let one = fit_all(&two[..1], &PRIOR, 10_000 * GB).unwrap();
    assert!(one.pace[0] <= got.pace[0] && one.pace[0] > 1.5e-8);
}

#[test]
fn one_wild_sample_among_many_hardly_matters() {
    let mut samples = mixes([1e-8, 0.004, 0.006], 10);
    let clean = fit_all(&samples, &PRIOR, 12_000 * GB).unwrap().pace[0];
    samples[13].time = Span::from_secs_f64(samples[13].time.secs_f64() * 8.0);
    let wild = fit_all(&samples, &PRIOR, 12_000 * GB).unwrap().pace[0];
    assert!(off(wild, clean) < 0.08, "{wild} {clean}");
}

#[test]
fn samples_that_say_nothing_teach_nothing() {
    let limited = Sample {
        limit: Some(Rate(100_000_000)),
        ..sample(Amount::default(), amount(1, 100 * GB), 1_005.0, 0)
    };
    let empty = sample(Amount::default(), Amount::default(), 10.0, 0);
    let instant = sample(Amount::default(), amount(1, GB), 0.0, 0);
    assert_eq!(fit_all(&[limited, empty, instant], &PRIOR, GB), None);
    assert_eq!(fit_all(&[], &PRIOR, 0), None);
}

#[test]
fn only_empty_files_and_absurd_priors_give_finite_paces() {
    let empty = sample(amount(10_000, 0), Amount::default(), 50.0, 3);
    for pace in [[0.0; 3], [f64::INFINITY; 3], [f64::NAN, -1.0, 1e300], PRIOR.pace] {
        let got = fit_all(std::slice::from_ref(&empty), &Prior { pace, ..PRIOR }, 0).unwrap();
        assert!(
            got.pace.iter().all(|p| p.is_finite() && *p >= 0.0),
            "{pace:?} {got:?}"
        );
        assert!(got.deviation([0.0, 1_000.0, 0.0, 1.0]).is_finite());
    }
}

fn network(link: u64) -> Network {
    Network {
        link: Some(LinkSpeed(link)),
        framing: Framing::default(),
        runs_on: RunsOn::Pool,
    }
}

/// Samples at one rate, without files to speak of.
fn at_rate(rate: f64) -> Vec<Sample> {
    let one = |n: i64| sample(Amount::default(), amount(1, 400 * GB), 400e9 / rate, n);
    (0..20).map(one).collect()
}

#[test]
fn a_pace_near_the_links_is_the_links_and_the_disks_are_at_least_as_fast() {
    let got = learn(
        &Rates::defaults(1, RunsOn::Pool),
        &network(1_000_000_000),
        &at_rate(112e6),
        &[],
    );
    let source = &got.sources[0];
    assert_eq!(source.link_basis, Basis::Fitted);
    assert!(
        off(source.link_share, 112.0 / 117.685) < 0.1,
        "{}",
        source.link_share
    );
    assert_eq!(source.read.rate, Rate(150_000_000));
    assert_eq!(source.read.basis, Basis::Default);
}

#[test]
fn a_pace_far_below_the_links_is_the_default_disks() {
    let got = learn(
        &Rates::defaults(1, RunsOn::Pool),
        &network(10_000_000_000),
        &at_rate(80e6),
        &[],
    );
    let read = &got.sources[0].read;
    assert_eq!(read.basis, Basis::Fitted);
    assert!(off(read.rate.0 as f64, 80e6) < 0.15, "{}", read.rate);
    assert_eq!(got.sources[0].link_share, 1.0);
}

#[test]
fn a_pace_faster_than_believed_lifts_every_stage_that_was_believed_slower() {
    let got = learn(
        &Rates::defaults(1, RunsOn::Pool),
        &network(10_000_000_000),
        &at_rate(800e6),
        &[],
    );
    assert!(
        got.sources[0].read.rate.0 > 600_000_000,
        "{}",
        got.sources[0].read.rate
    );
    assert!(got.write.rate.0 > 600_000_000);
    assert_eq!(got.basis(Stage::DestinationWrite), Basis::Fitted);
    assert_eq!(got.basis(Stage::Hash), Basis::Default);
}

/// A small generator for these tests alone: SplitMix64 (Steele, Lea, Flood 2014; from memory).
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// A world with a known truth: nights of twelve hours that wander by 5 to 10 %, disks that lose up
/// to half of their speed towards the end, samples that differ by 5 %.
struct World {
    dice: Dice,
    pace: [f64; 3],
    wander: f64,
    slowing: f64,
    whole: f64,
    done: f64,
    night: i64,
    night_effect: f64,
    night_left: f64,
}

const NIGHT: f64 = 12.0 * 3600.0;

impl World {
    fn new(seed: u64) -> World {
        let mut dice = Dice(seed.wrapping_mul(0x1234_5678_9abc_def1));
        let prior = Rates::defaults(1, RunsOn::Pool);
        let pace = [1.0 / prior.sources[0].read.rate.0 as f64, 0.004, 0.008];
        let pace = pace.map(|p| p * (0.35 * dice.normal()).exp());
        let (wander, slowing) = (dice.between(0.05, 0.10), dice.between(0.0, 0.5));
        World {
            dice,
            pace,
            wander,
            slowing,
            whole: 0.0,
            done: 0.0,
            night: -1,
            night_effect: 1.0,
            night_left: 0.0,
        }
    }

    fn jobs(&mut self) -> Vec<Job> {
        let count = 8 + (self.dice.unit() * 40.0) as u32;
        let jobs: Vec<Job> = (0..count)
            .map(|n| {
                let small = amount((self.dice.unit() * 200_000.0) as u64, 5 * GB);
                let large = amount(
                    100 + (self.dice.unit() * 20_000.0) as u64,
                    (self.dice.between(0.3, 2.0) * 1e12) as u64,
                );
                Job::new(BatchName::numbered("2019", n), 0, small.plus(large), small, false)
            })
            .collect();
        self.whole = jobs.iter().map(|j| j.amount.bytes.0 as f64).sum();
        jobs
    }

    /// Copies a batch, a sample for each night of it.
    fn copy(&mut self, job: &Job) -> Vec<Sample> {
        let mut left: f64 = 1.0;
        let mut samples = Vec::new();
        while left > 1e-9 {
            if self.night_left < 60.0 {
                self.night += 1;
                self.night_left = NIGHT;
                self.night_effect = (self.wander * self.dice.normal()).exp();
            }
            let slow = 1.0 / (1.0 - self.slowing * self.done / self.whole);
            let flat: f64 = Load::new(job.amount, job.small)
                .columns()
                .iter()
                .zip(self.pace)
                .map(|(x, p)| x * p)
                .sum();
            let full = flat * slow * self.night_effect * (0.05 * self.dice.normal()).exp();
            let part = left.min(self.night_left / full);
            let of = |a: Amount| amount((a.files as f64 * part) as u64, (a.bytes.0 as f64 * part) as u64);
            samples.push(sample(
                of(job.small),
                of(job.amount.minus(job.small)),
                full * part,
                self.night,
            ));
            self.night_left -= full * part;
            self.done += job.amount.bytes.0 as f64 * part;
            left -= part;
        }
        samples
    }
}

fn seconds_of(samples: &[Sample]) -> f64 {
    samples.iter().map(|s| s.time.secs_f64()).sum()
}

/// One world: the range from what was seen of it, and what the rest really took.
fn forecast_in(seed: u64) -> (crate::forecast::Range<Span>, f64, f64) {
    let mut world = World::new(seed);
    let jobs = world.jobs();
    let seen = 1 + (world.dice.between(0.02, 0.8) * (jobs.len() - 1) as f64) as usize;
    let mut samples = Vec::new();
    for job in &jobs[..seen.min(jobs.len() - 1)] {
        samples.extend(world.copy(job));
    }
    let rest = &jobs[seen.min(jobs.len() - 1)..];
    let network = Network {
        link: None,
        framing: Framing::default(),
        runs_on: RunsOn::Pool,
    };
    let rates = learn(&Rates::defaults(1, RunsOn::Pool), &network, &samples, rest);
    let conditions = Conditions {
        network,
        windows: Windows {
            windows: parse_windows("mon-sun 19:00-07:00").unwrap(),
            ..Windows::always(chrono_tz::UTC)
        },
        spanning: true,
        verify: VerifyOrder::Beside,
        sources_together: true,
    };
    let now = Moment::parse_rfc3339("2027-02-01T19:00:00Z").unwrap();
    let got = simulate(rest, &rates, &conditions, now);
    let truth = rest.iter().map(|job| seconds_of(&world.copy(job))).sum();
    // From residuals alone: what a plain fit would call its range.
    let learned = rates.sources[0].learned.as_ref().unwrap();
    let narrow = 1.645 * learned.noise / (samples.len() as f64).sqrt().max(1.0);
    (got.seconds, truth, narrow)
}

/// 1,000 seeds with `POOLWARD_SLOW_TESTS` set, fewer by default. The range from residuals alone is
/// counted beside it, to show why the model has nights and a trend.
#[test]
fn the_range_holds_the_truth_nine_times_in_ten() {
    let seeds = if std::env::var_os("POOLWARD_SLOW_TESTS").is_some() {
        1_000
    } else {
        120
    };
    let (mut inside, mut inside_narrow, mut off_by) = (0, 0, Vec::new());
    for seed in 1..=seeds {
        let (range, truth, narrow) = forecast_in(seed);
        let likely = range.likely.secs_f64();
        inside += u32::from(range.low.secs_f64() <= truth && truth <= range.high.secs_f64());
        inside_narrow += u32::from((truth / likely - 1.0).abs() <= narrow);
        off_by.push((truth / likely - 1.0).abs());
    }
    off_by.sort_by(f64::total_cmp);
    let share = |n: u32| f64::from(n) / seeds as f64;
    println!(
        "covered {:.3}, from residuals alone {:.3}, median error {:.3}",
        share(inside),
        share(inside_narrow),
        off_by[off_by.len() / 2]
    );
    assert!((0.85..=0.97).contains(&share(inside)), "{}", share(inside));
    assert!(share(inside_narrow) < 0.6, "{}", share(inside_narrow));
    assert!(off_by[off_by.len() / 2] < 0.10);
}

#[test]
fn the_range_narrows_as_the_work_goes_on() {
    let mut world = World::new(77);
    let jobs = world.jobs();
    let network = Network {
        link: None,
        framing: Framing::default(),
        runs_on: RunsOn::Pool,
    };
    let mut samples = Vec::new();
    let mut widths = Vec::new();
    for (n, job) in jobs.iter().enumerate() {
        samples.extend(world.copy(job));
        let rest = &jobs[n + 1..];
        let rates = learn(&Rates::defaults(1, RunsOn::Pool), &network, &samples, rest);
        let conditions = Conditions {
            network,
            windows: Windows::always(chrono_tz::UTC),
            spanning: true,
            verify: VerifyOrder::Beside,
            sources_together: true,
        };
        let got = simulate(rest, &rates, &conditions, Moment::from_seconds(1_800_000_000));
        widths.push(got.seconds.high.secs_f64() - got.seconds.low.secs_f64());
    }
    let quarter = widths.len() / 4;
    assert!(
        widths[0] > widths[quarter] && widths[quarter] > widths[3 * quarter],
        "{widths:?}"
    );
    assert_eq!(widths.last(), Some(&0.0));
}

#[test]
fn an_hour_of_like_samples_overrules_a_default_that_is_far_off_and_narrows_the_range() {
    // Defaults: 150 MB/s from the source, 600 MB/s read back. Both turn out to be 100 MB/s.
    let rates = Rates::defaults(1, RunsOn::Pool);
    let network = Network {
        link: Some(LinkSpeed(10_000_000_000)),
        framing: Framing::default(),
        runs_on: RunsOn::Pool,
    };
    let mut samples = Vec::new();
    for (activity, count) in [(Activity::Copy, 40), (Activity::Verify, 20)] {
        for n in 0..count {
            let wobble = (n % 5) as f64 * 0.4 - 0.8;
            samples.push(Sample {
                activity,
                ..sample(Amount::default(), amount(3, 6 * GB), 60.0 + wobble, 1)
            });
        }
    }
    let jobs: Vec<Job> = (0..6)
        .map(|n| {
            let name = BatchName::numbered("2019", n + 1);
            Job::new(name, 0, amount(25, 50 * GB), Amount::default(), true)
        })
        .collect();
    let learned = learn(&rates, &network, &samples, &jobs);
    let mb = |rate: Rate| rate.0 as f64 / 1e6;
    assert!(
        off(mb(learned.sources[0].read.rate), 100.0) < 0.05,
        "{:?}",
        learned.sources[0].read.rate
    );
    assert!(
        off(mb(learned.verify_read.rate), 100.0) < 0.05,
        "{:?}",
        learned.verify_read.rate
    );
    let conditions = Conditions {
        network,
        windows: Windows::always(chrono_tz::UTC),
        spanning: true,
        verify: VerifyOrder::Alternate,
        sources_together: false,
    };
    let width = |rates: &Rates| {
        let seconds = simulate(&jobs, rates, &conditions, Moment::default()).seconds;
        println!("{seconds:?}");
        (seconds.high.secs_f64() - seconds.low.secs_f64()) / seconds.likely.secs_f64()
    };
    let (before, after) = (width(&rates), width(&learned));
    assert!(after < before / 2.0, "{before} then {after}");
}
