//! The schedule over windows: when each batch is copied and verified, what holds it, how sure.
//!
//! Event-driven: between two events (a batch ends, a window opens, closes or changes its limit)
//! all rates are constant and shared max-min fairly. Three runs give low, likely and high; a
//! fourth with the binding stage out of the way names the next one.

mod engine;
#[cfg(test)]
mod tests;

use crate::forecast::demand::{Activity, Load, profile};
use crate::forecast::rates::{Basis, Network, Rates, STAGES, Stage};
use crate::forecast::spread::{Scales, scales};
use crate::forecast::windows::Windows;
use crate::forecast::{Job, Range};
use crate::moment::Moment;
use crate::names::BatchName;
use crate::units::{Bytes, Span};
use engine::{Engine, Period, Run, Track};

/// Closed for longer than a weekend counts as a long gap, in seconds.
const LONG_GAP: f64 = 72.0 * 3600.0;
/// An opening up to a day and the hour of a daylight-saving change is one night.
const ONE_NIGHT: f64 = 25.0 * 3600.0;

/// When a batch is verified.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VerifyOrder {
    /// As soon as it is copied, beside the copy of the next.
    Beside,
    /// Once the next one of its source is copied too, beside further copies.
    AfterNext,
    /// Once the next one is copied too, with nothing beside it.
    Alternate,
}

/// Under what the batches are carried out.
#[derive(Debug, Clone, PartialEq)]
pub struct Conditions {
    /// The network between the ends.
    pub network: Network,
    /// The user's hours.
    pub windows: Windows,
    /// Whether a batch may start though it will not end in this opening. If not, it waits for the
    /// next opening, and one too long for any is cut at the end of each.
    pub spanning: bool,
    /// When a batch is verified.
    pub verify: VerifyOrder,
    /// Whether batches of different sources are copied at the same time.
    pub sources_together: bool,
}

/// Why there is no finish.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Never {
    /// No window opens any more.
    NeverOpens,
    /// A stage with work has rate 0.
    NothingMoves(Stage),
    /// It would take more than a hundred years.
    TooFar,
}

impl Never {
    /// Why, to follow "No end can be seen: ".
    pub fn words(self) -> String {
        match self {
            Never::NeverOpens => "no window opens any more".into(),
            Never::NothingMoves(stage) => format!("{} at a rate of zero", stage.words()),
            Never::TooFar => "it would take more than a hundred years".into(),
        }
    }
}

/// A stretch of time in which nothing may run though work is left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// When it closes.
    pub from: Moment,
    /// When it opens again.
    pub until: Moment,
}

/// Something to tell beside the figures.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Note {
    /// The largest file of a batch takes longer than the longest opening at the given limits: it is
    /// copied in parts.
    FileOutlastsOpening {
        /// The batch.
        batch: BatchName,
        /// How long the file takes.
        file: Span,
        /// The longest opening.
        opening: Span,
    },
}

/// When one batch is done.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchForecast {
    /// Its name.
    pub name: BatchName,
    /// When its copy begins; `None`: never.
    pub copy_start: Option<Moment>,
    /// When it is copied.
    pub copy_end: Range<Option<Moment>>,
    /// When it is verified, or copied where it is not to be verified.
    pub end: Range<Option<Moment>>,
    /// Seconds of work, copying and verifying, without the time in which the windows are shut.
    pub seconds: Range<Span>,
    /// What holds it for most of that time.
    pub binding: Option<Stage>,
    /// In how many openings it is copied or verified.
    pub openings: u32,
}

/// When everything is done.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// In the order of the jobs.
    pub batches: Vec<BatchForecast>,
    /// When the first work begins.
    pub start: Option<Moment>,
    /// When the last work ends; `None`: never.
    pub finish: Range<Option<Moment>>,
    /// Seconds in which anything runs.
    pub seconds: Range<Span>,
    /// Nights with work: an opening of up to a day counts once, longer ones by the night, noon to
    /// noon.
    pub nights: u64,
    /// What holds it all for most of the time.
    pub binding: Option<Stage>,
    /// What would hold it next, were that out of the way.
    pub next: Option<Stage>,
    /// Closed stretches longer than a weekend.
    pub gaps: Vec<Gap>,
    /// Why there is no finish, where there is none.
    pub never: Option<Never>,
    /// How the binding stage's figure is known.
    pub basis: Basis,
    /// What else to tell.
    pub notes: Vec<Note>,
}

/// Works the batches through the windows from `now` on.
pub fn simulate(jobs: &[Job], rates: &Rates, conditions: &Conditions, now: Moment) -> Forecast {
    let level = scales(jobs, rates, &conditions.network, 1.0);
    let likely = Engine::new(jobs, rates, conditions, now, &level.likely).run();
    let nights = nights(&likely.periods, &conditions.windows, now);
    let scales = scales(jobs, rates, &conditions.network, nights as f64);
    let low = Engine::new(jobs, rates, conditions, now, &scales.low).run();
    let high = Engine::new(jobs, rates, conditions, now, &scales.high).run();
    let binding = binding(&likely.tracks);
    let three = Three {
        low,
        likely,
        high,
        now,
    };
    Forecast {
        batches: jobs
            .iter()
            .enumerate()
            .map(|(at, job)| three.batch(at, job, &scales))
            .collect(),
        start: three.start(),
        finish: three.range(|run| run.finish),
        seconds: three.seconds(jobs),
        nights,
        binding,
        next: binding.and_then(|stage| next_binding(jobs, rates, conditions, now, stage)),
        gaps: gaps(&three.likely.periods, now),
        never: never(jobs, rates, conditions, &three.likely),
        basis: binding.map_or(Basis::Declared, |stage| rates.basis(stage)),
        notes: notes(jobs, rates, conditions, &three.likely),
    }
}

/// What holds the work for most of the time, were one stage out of the way.
fn next_binding(
    jobs: &[Job],
    rates: &Rates,
    conditions: &Conditions,
    now: Moment,
    gone: Stage,
) -> Option<Stage> {
    let rates = rates.without(gone);
    let mut conditions = conditions.clone();
    match gone {
        Stage::Link => conditions.network.link = None,
        Stage::Window => conditions.windows.windows.iter_mut().for_each(|w| w.limit = None),
        _ => {}
    }
    let scales = scales(jobs, &rates, &conditions.network, 1.0);
    let run = Engine::new(jobs, &rates, &conditions, now, &scales.likely).run();
    binding(&run.tracks).filter(|stage| *stage != gone)
}

fn binding(tracks: &[Track]) -> Option<Stage> {
    let mut held = [0.0; STAGES.len()];
    for track in tracks {
        held.iter_mut().zip(track.held).for_each(|(all, one)| *all += one);
    }
    most_held(&held)
}

fn most_held(held: &[f64; STAGES.len()]) -> Option<Stage> {
    let most = STAGES.iter().zip(held).max_by(|a, b| a.1.total_cmp(b.1))?;
    (*most.1 > 0.0).then_some(*most.0)
}

fn nights(periods: &[Period], windows: &Windows, now: Moment) -> u64 {
    let of = |period: &Period| -> u64 {
        let Some(first) = period.first_work else { return 0 };
        if period.end - period.start <= ONE_NIGHT {
            return 1;
        }
        // Work that ends at noon sharp has not begun the next night.
        let last = (period.last_work - 1e-3).max(first);
        let (first, last) = (
            windows.night_of(later(now, first)),
            windows.night_of(later(now, last)),
        );
        u64::try_from(last.saturating_sub(first))
            .unwrap_or(0)
            .saturating_add(1)
    };
    periods.iter().map(of).fold(0, u64::saturating_add)
}

fn gaps(periods: &[Period], now: Moment) -> Vec<Gap> {
    let ends = std::iter::once(0.0).chain(periods.iter().map(|p| p.end));
    let pairs = ends.zip(periods.iter().map(|p| p.start));
    pairs
        .filter(|(end, start)| start - end > LONG_GAP)
        .map(|(end, start)| Gap {
            from: later(now, end),
            until: later(now, start),
        })
        .collect()
}

fn never(jobs: &[Job], rates: &Rates, conditions: &Conditions, run: &Run) -> Option<Never> {
    if run.finish.is_some() {
        return None;
    }
    let activities = jobs
        .iter()
        .flat_map(|job| activities(job).map(move |(a, load)| (job, a, load)));
    for (job, activity, load) in activities {
        let profile = profile(activity, job.source, load, rates, &conditions.network);
        if profile.alone.is_infinite() {
            return Some(Never::NothingMoves(profile.slowest));
        }
    }
    match (run.too_far, run.periods.is_empty(), run.worked > 0.0) {
        (_, false, false) => Some(Never::NothingMoves(Stage::Window)),
        (true, ..) => Some(Never::TooFar),
        _ => Some(Never::NeverOpens),
    }
}

/// What is to be done for a batch.
pub(crate) fn activities(job: &Job) -> impl Iterator<Item = (Activity, Load)> + use<> {
    let copy = (Activity::Copy, Load::new(job.amount, job.small));
    let all = Load::new(job.amount.plus(job.copied), job.small.plus(job.copied_small));
    let verify = job.verify.then_some((Activity::Verify, all));
    std::iter::once(copy).chain(verify)
}

fn notes(jobs: &[Job], rates: &Rates, conditions: &Conditions, run: &Run) -> Vec<Note> {
    let longest = run.periods.iter().map(|p| p.end - p.start).fold(0.0, f64::max);
    if conditions.windows.is_always() || longest <= 0.0 {
        return Vec::new();
    }
    let limits = conditions.windows.windows.iter().filter_map(|w| w.limit);
    let slowest = limits.map(|l| l.0).filter(|l| *l > 0).min();
    let mut notes = Vec::new();
    for job in jobs.iter().filter(|job| job.largest > Bytes::ZERO) {
        let load = Load {
            bytes: job.largest.0 as f64,
            small: 0.0,
            large: 1.0,
        };
        let profile = profile(Activity::Copy, job.source, load, rates, &conditions.network);
        let seconds = profile
            .alone
            .max(slowest.map_or(0.0, |l| profile.limited / l as f64));
        if seconds > longest {
            notes.push(Note::FileOutlastsOpening {
                batch: job.name.clone(),
                file: span(seconds, true),
                opening: span(longest, true),
            });
        }
    }
    notes
}

fn later(now: Moment, seconds: f64) -> Moment {
    let nanos = f64::from(now.nanos) / 1e9 + seconds.fract();
    let whole = seconds.trunc() + nanos.floor();
    Moment {
        seconds: now.seconds.saturating_add(whole as i64),
        nanos: (((nanos - nanos.floor()) * 1e9) as u32).min(999_999_999),
    }
}

/// Never nothing while work is left.
fn span(seconds: f64, any_work: bool) -> Span {
    Span::from_secs_f64(seconds).max(Span(u64::from(any_work)))
}

/// The three runs.
struct Three {
    low: Run,
    likely: Run,
    high: Run,
    now: Moment,
}

impl Three {
    fn range(&self, of: impl Fn(&Run) -> Option<f64>) -> Range<Option<Moment>> {
        let (low, likely, high) = (of(&self.low), of(&self.likely), of(&self.high));
        let moment = |t: Option<f64>| t.map(|t| later(self.now, t));
        // List scheduling has anomalies: a slower run may end a little sooner. The range holds the
        // likely end always.
        let low = match (low, likely) {
            (Some(low), Some(likely)) => Some(low.min(likely)),
            (low, _) => low,
        };
        let high = match (high, likely) {
            (Some(high), Some(likely)) => Some(high.max(likely)),
            _ => None,
        };
        Range {
            low: moment(low),
            likely: moment(likely),
            high: moment(high),
        }
    }

    fn start(&self) -> Option<Moment> {
        let first = self.likely.periods.iter().find_map(|p| p.first_work)?;
        Some(later(self.now, first))
    }

    fn seconds(&self, jobs: &[Job]) -> Range<Span> {
        let work = jobs
            .iter()
            .any(|j| activities(j).any(|(_, load)| !load.is_empty()));
        let of = |run: &Run| match run.finish {
            Some(_) => span(run.worked, work),
            None => Span::FOREVER,
        };
        let (low, likely, high) = (of(&self.low), of(&self.likely), of(&self.high));
        Range {
            low: low.min(likely),
            likely,
            high: high.max(likely),
        }
    }

    fn batch(&self, at: usize, job: &Job, scales: &Scales) -> BatchForecast {
        let end = |run: &Run| {
            let track = run.tracks.get(at)?;
            if job.verify {
                track.verify_end
            } else {
                track.copy_end
            }
        };
        let track = self.likely.tracks.get(at).cloned().unwrap_or_default();
        let seconds = track.copying + track.verifying;
        let work = activities(job).any(|(_, load)| !load.is_empty());
        let done = end(&self.likely).is_some();
        let (below, above) = scales.own.get(at).copied().unwrap_or((1.0, 1.0));
        let of = |factor: f64| {
            if done {
                span(seconds * factor, work)
            } else {
                Span::FOREVER
            }
        };
        BatchForecast {
            name: job.name.clone(),
            copy_start: track.copy_start.map(|t| later(self.now, t)),
            copy_end: self.range(|run| run.tracks.get(at)?.copy_end),
            end: self.range(end),
            seconds: Range {
                low: of(below),
                likely: of(1.0),
                high: of(above),
            },
            binding: most_held(&track.held),
            openings: track.openings,
        }
    }
}
