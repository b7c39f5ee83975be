//! How sure a forecast is: factors on each batch's time for the low, likely and high run.
//!
//! What is wrong with a rate is wrong every night, so it does not average out; what a night brings
//! does, over the nights that are left. Both are kept apart: a cumulated time T over n nights is
//! spread by sqrt(rate's spread^2 + night's spread^2 / n).

use crate::forecast::Job;
use crate::forecast::demand::{Activity, Load, Part, parts};
use crate::forecast::fit::{Learned, NIGHT_PRIOR};
use crate::forecast::linalg::student_95;
use crate::forecast::rates::{Basis, Network, Rates};
use crate::forecast::simulate::activities;

/// Factors on the time of each batch, copy and verification.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Scales {
    /// For the run that is likely: the trend of the disks alone.
    pub likely: Vec<[f64; 2]>,
    /// So that each batch ends at the lower end of its range.
    pub low: Vec<[f64; 2]>,
    /// So that each batch ends at the upper end of its range.
    pub high: Vec<[f64; 2]>,
    /// The range of each batch's own seconds, as factors below and above 1.
    pub own: Vec<(f64, f64)>,
}

/// Work of one kind and source added up.
#[derive(Debug, Clone, Default)]
struct Group {
    /// Seconds at the likely rates.
    seconds: f64,
    /// How the seconds change with what was learned; `None` where nothing was.
    gradient: Option<[f64; 4]>,
    spread: f64,
    night: f64,
    freedom: f64,
}

impl Group {
    fn add(&mut self, other: &Group) {
        self.seconds += other.seconds;
        if let Some(theirs) = other.gradient {
            let mine = self.gradient.get_or_insert([0.0; 4]);
            mine.iter_mut().zip(theirs).for_each(|(a, b)| *a += b);
        }
        self.spread = other.spread;
        self.night = other.night;
        self.freedom = other.freedom;
    }

    /// Standard deviation in seconds of what does not average out.
    fn deviation(&self, learned: Option<&Learned>) -> f64 {
        match (self.gradient, learned) {
            (Some(gradient), Some(learned)) => learned.deviation(gradient),
            _ => self.spread * self.seconds,
        }
    }
}

/// The factors for these batches in this order, when they take `nights` nights.
pub fn scales(jobs: &[Job], rates: &Rates, network: &Network, nights: f64) -> Scales {
    let mut book = Book::new(jobs, rates, network);
    let per_night = book.total / nights.max(1.0);
    let mut out = Scales::default();
    let (mut low_before, mut high_before) = (0.0, 0.0);
    for Entry { groups, likely } in std::mem::take(&mut book.jobs) {
        let own = book.spread_of(&groups, per_night, false);
        for (at, group) in &groups {
            if let Some(sum) = book.sums.get_mut(*at) {
                sum.add(group);
            }
        }
        let mine: f64 = groups.iter().map(|g| g.1.seconds).sum();
        book.seconds += mine;
        let spread = book.spread_of(&[], per_night, true);
        let (low, high) = (book.seconds * (-spread).exp(), book.seconds * spread.exp());
        let factor = |now: f64, before: f64, least: f64| {
            let factor = (now - before) / mine;
            if factor.is_finite() {
                factor.max(least)
            } else {
                1.0
            }
        };
        let (below, above) = (factor(low, low_before, 0.05), factor(high, high_before, 1.0));
        (low_before, high_before) = (low, high);
        out.likely.push(likely);
        out.low.push(likely.map(|l| l * below.min(1.0)));
        out.high.push(likely.map(|l| l * above));
        out.own.push(((-own).exp(), own.exp()));
    }
    out
}

/// One batch: its groups by their number, and the factors its trend puts on copy and verification.
struct Entry {
    groups: Vec<(usize, Group)>,
    likely: [f64; 2],
}

/// All batches with what is known of their rates, and the running sums.
struct Book<'a> {
    rates: &'a Rates,
    jobs: Vec<Entry>,
    sums: Vec<Group>,
    seconds: f64,
    total: f64,
}

impl<'a> Book<'a> {
    fn new(jobs: &[Job], rates: &'a Rates, network: &Network) -> Book<'a> {
        let groups = rates.sources.len() + 1;
        let mut bytes_before = vec![0.0; groups];
        let mut book = Book {
            rates,
            jobs: Vec::new(),
            sums: vec![Group::default(); groups],
            seconds: 0.0,
            total: 0.0,
        };
        for job in jobs {
            let mut mine = Vec::new();
            let mut likely = [1.0; 2];
            for (activity, load) in activities(job) {
                let at = match activity {
                    Activity::Copy => job.source.min(groups.saturating_sub(2)),
                    Activity::Verify => groups - 1,
                };
                let before = bytes_before.get(at).copied().unwrap_or(0.0);
                let (group, factor) = book.group(activity, job.source, load, network, before);
                if let Some(b) = bytes_before.get_mut(at) {
                    *b += load.bytes;
                }
                likely[usize::from(activity == Activity::Verify)] = factor;
                if group.seconds.is_finite() {
                    book.total += group.seconds;
                    mine.push((at, group));
                }
            }
            book.jobs.push(Entry { groups: mine, likely });
        }
        book
    }

    /// One activity's time, how sure it is, and the factor its trend puts on it.
    fn group(
        &self,
        activity: Activity,
        source: usize,
        load: Load,
        network: &Network,
        before: f64,
    ) -> (Group, f64) {
        let parts = parts(activity, source, self.rates, network);
        let seconds_of = |p: &Part| p.seconds(load);
        let bytes = parts.iter().map(|p| p.byte_seconds(load)).fold(0.0, f64::max);
        let files: f64 = parts.iter().map(|p| p.file_seconds(load)).sum();
        let busiest = parts
            .iter()
            .max_by(|a, b| seconds_of(a).total_cmp(&seconds_of(b)));
        let basis = busiest.map_or(Basis::Default, |p| self.rates.basis_at(p.stage, source));
        let seconds = bytes + files;
        let learned = self
            .learned_of(activity, source)
            .filter(|_| basis == Basis::Fitted);
        match learned {
            Some(learned) => {
                let (factor, gradient) = learned.ahead(load, before);
                let group = Group {
                    seconds: seconds * factor,
                    gradient: Some(gradient),
                    spread: 0.0,
                    night: learned.night_spread,
                    freedom: learned.freedom,
                };
                (group, factor)
            }
            None => {
                let spread = basis.spread();
                (
                    Group {
                        seconds,
                        gradient: None,
                        spread,
                        night: NIGHT_PRIOR,
                        freedom: f64::INFINITY,
                    },
                    1.0,
                )
            }
        }
    }

    fn learned_of(&self, activity: Activity, source: usize) -> Option<&'a Learned> {
        match activity {
            Activity::Copy => self.rates.source(source)?.learned.as_ref(),
            Activity::Verify => self.rates.learned_verify.as_ref(),
        }
    }

    fn learned_at(&self, at: usize) -> Option<&'a Learned> {
        if at + 1 == self.sums.len() {
            self.learned_of(Activity::Verify, 0)
        } else {
            self.learned_of(Activity::Copy, at)
        }
    }

    /// The half-width of the 90 % range of a time, as a logarithm: of one batch, or of all so far.
    fn spread_of(&self, one: &[(usize, Group)], per_night: f64, so_far: bool) -> f64 {
        let sums = self.sums.iter().enumerate().filter(|_| so_far);
        let all = one.iter().map(|(at, group)| (*at, group)).chain(sums);
        let (mut seconds, mut steady, mut nightly, mut freedom) = (0.0, 0.0, 0.0, f64::INFINITY);
        for (at, group) in all.filter(|(_, g)| g.seconds > 0.0) {
            seconds += group.seconds;
            steady += group.deviation(self.learned_at(at));
            nightly += group.night * group.seconds;
            freedom = group.freedom.min(freedom);
        }
        if seconds <= 0.0 {
            return 0.0;
        }
        let nights = if per_night > 0.0 {
            (seconds / per_night).max(1.0)
        } else {
            1.0
        };
        let relative = ((steady / seconds).powi(2) + (nightly / seconds).powi(2) / nights).sqrt();
        (student_95(freedom) * relative).min(WIDEST)
    }
}

/// A range never spans more than a factor of 20 either way; beyond that it says nothing anyway.
const WIDEST: f64 = 3.0;
