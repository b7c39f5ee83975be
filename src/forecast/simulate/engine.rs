//! The simulation itself: from event to event over the openings, rates shared max-min fairly.

use crate::forecast::Job;
use crate::forecast::demand::{Activity, Load, Profile, Resources, profile};
use crate::forecast::fair::{Demand, Grant, max_min};
use crate::forecast::rates::{Rates, Stage};
use crate::forecast::simulate::{Conditions, VerifyOrder};
use crate::forecast::windows::{Opening, Openings};
use crate::moment::Moment;
use std::collections::VecDeque;

/// Nothing is followed further than this: a hundred years, in seconds.
const HORIZON: f64 = 100.0 * 365.25 * 86_400.0;
/// So many pieces in a row without any work moving mean that nothing ever will.
const IDLE_PIECES: u32 = 1_000;
/// Seconds below which two events are one.
const TICK: f64 = 1e-6;

/// What happened to one batch; times in seconds from the start.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Track {
    pub copy_start: Option<f64>,
    pub copy_end: Option<f64>,
    pub verify_end: Option<f64>,
    /// Seconds of work while open, copying and verifying.
    pub copying: f64,
    pub verifying: f64,
    /// Seconds by the stage that held it.
    pub held: [f64; 6],
    /// In how many openings it was worked on.
    pub openings: u32,
}

/// A stretch without a closed moment in it, and when work ran in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Period {
    pub start: f64,
    pub end: f64,
    pub first_work: Option<f64>,
    pub last_work: f64,
}

/// The whole run.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Run {
    pub tracks: Vec<Track>,
    pub periods: Vec<Period>,
    /// Seconds in which anything moved.
    pub worked: f64,
    /// When all was done; `None` where that never comes.
    pub finish: Option<f64>,
    /// Whether it ended by the hundred-year bound rather than for want of an opening or a rate.
    pub too_far: bool,
}

struct Doing {
    job: usize,
    activity: Activity,
    left: f64,
    profile: Profile,
    /// The period in which it last moved.
    period: Option<usize>,
}

pub struct Engine<'a> {
    jobs: &'a [Job],
    rates: &'a Rates,
    conditions: &'a Conditions,
    now: Moment,
    /// How much longer each batch takes to copy and to verify than the rates say.
    scale: &'a [[f64; 2]],
    ids: Resources,
    lanes: Vec<VecDeque<usize>>,
    ready: VecDeque<usize>,
    held_back: Vec<Option<usize>>,
    doing: Vec<Doing>,
    openings: Openings<'a>,
    next_piece: Option<Opening>,
    run: Run,
    time: f64,
    idle: u32,
}

impl<'a> Engine<'a> {
    pub fn new(
        jobs: &'a [Job],
        rates: &'a Rates,
        conditions: &'a Conditions,
        now: Moment,
        scale: &'a [[f64; 2]],
    ) -> Engine<'a> {
        let sources = rates.sources.len().max(1);
        let lane_count = if conditions.sources_together { sources } else { 1 };
        let mut lanes = vec![VecDeque::new(); lane_count];
        for (at, job) in jobs.iter().enumerate() {
            if let Some(lane) = lanes.get_mut(job.source.min(lane_count - 1)) {
                lane.push_back(at);
            }
        }
        let mut openings = conditions.windows.openings(now);
        let next_piece = openings.next();
        Engine {
            jobs,
            rates,
            conditions,
            now,
            scale,
            ids: Resources::new(sources),
            held_back: vec![None; lane_count],
            lanes,
            ready: VecDeque::new(),
            doing: Vec::new(),
            openings,
            next_piece,
            run: Run {
                tracks: vec![Track::default(); jobs.len()],
                ..Run::default()
            },
            time: 0.0,
            idle: 0,
        }
    }

    pub fn run(mut self) -> Run {
        while self.anything_left() {
            let Some(piece) = self.next_piece else {
                return self.run;
            };
            self.next_piece = self.openings.next();
            let start = piece.start.seconds_since(self.now).max(self.time);
            let end = piece.end.seconds_since(self.now);
            if start > HORIZON || self.idle > IDLE_PIECES {
                self.run.too_far = start > HORIZON;
                return self.run;
            }
            self.enter(start, end);
            self.work_until(end, &self.ids.capacities(piece.limit), piece);
        }
        self.run.finish = Some(self.time);
        self.run
    }

    fn anything_left(&self) -> bool {
        !self.doing.is_empty()
            || !self.ready.is_empty()
            || self.held_back.iter().any(Option::is_some)
            || self.lanes.iter().any(|lane| !lane.is_empty())
    }

    /// Goes on at the start of a piece, in a new period unless it touches the last one.
    fn enter(&mut self, start: f64, end: f64) {
        match self.run.periods.last_mut() {
            Some(period) if (start - period.end).abs() < TICK => period.end = end,
            _ => self.run.periods.push(Period {
                start,
                end,
                first_work: None,
                last_work: start,
            }),
        }
        self.time = start;
        self.idle += 1;
    }

    fn work_until(&mut self, end: f64, capacities: &[f64], piece: Opening) {
        loop {
            self.start_what_can(piece);
            if !self.anything_left() {
                return;
            }
            let grants = self.share(capacities);
            let rates = self.doing.iter().zip(&grants).filter(|(_, g)| g.rate > 0.0);
            let first_done = rates.map(|(d, g)| d.left / g.rate).fold(f64::INFINITY, f64::min);
            if first_done.is_finite() {
                self.advance(
                    first_done.min(end - self.time).max(0.0),
                    &grants,
                    capacities.len(),
                );
                self.finish_done(&grants);
            } else {
                self.time = end;
            }
            if self.time >= end - TICK {
                return;
            }
        }
    }

    fn share(&self, capacities: &[f64]) -> Vec<Grant> {
        let mut all = capacities.to_vec();
        let mut demands = Vec::with_capacity(self.doing.len());
        for doing in &self.doing {
            let mut uses: Vec<(usize, f64)> = doing.profile.uses.iter().map(|u| (u.0, u.1)).collect();
            uses.push((self.ids.limit(), doing.profile.limited));
            uses.push((all.len(), doing.profile.alone));
            all.push(1.0);
            // Bytes a second rise together, the trade's notion of a fair share.
            let bytes = self.load(doing.job, doing.activity).bytes.max(1.0);
            demands.push(Demand {
                uses,
                weight: 1.0 / bytes,
            });
        }
        max_min(&all, &demands)
    }

    fn advance(&mut self, step: f64, grants: &[Grant], fixed: usize) {
        let Some(at) = self.run.periods.len().checked_sub(1) else {
            return;
        };
        for (doing, grant) in self.doing.iter_mut().zip(grants) {
            doing.left = (doing.left - grant.rate * step).max(0.0);
            let Some(track) = self.run.tracks.get_mut(doing.job) else {
                continue;
            };
            let stage = match grant.held_by {
                Some(r) if r == self.ids.limit() => Stage::Window,
                Some(r) if r < fixed => doing
                    .profile
                    .uses
                    .iter()
                    .find(|u| u.0 == r)
                    .map_or(doing.profile.slowest, |u| u.2),
                _ => doing.profile.slowest,
            };
            if let Some(held) = track.held.get_mut(stage.index()) {
                *held += step;
            }
            match doing.activity {
                Activity::Copy => track.copying += step,
                Activity::Verify => track.verifying += step,
            }
            if doing.period != Some(at) {
                doing.period = Some(at);
                track.openings += 1;
            }
        }
        if let Some(period) = self.run.periods.get_mut(at) {
            period.first_work.get_or_insert(self.time);
            period.last_work = self.time + step;
        }
        self.time += step;
        self.run.worked += step;
        self.idle = 0;
    }

    /// Ends what has no work left.
    fn finish_done(&mut self, grants: &[Grant]) {
        let mut done = Vec::new();
        let mut grants = grants.iter();
        self.doing.retain(|doing| {
            let rate = grants.next().map_or(0.0, |g| g.rate);
            let over = rate > 0.0 && doing.left <= rate * TICK;
            if over {
                done.push((doing.job, doing.activity));
            }
            !over
        });
        for (job, activity) in done {
            self.ended(job, activity);
        }
    }

    fn ended(&mut self, job: usize, activity: Activity) {
        let time = self.time;
        let Some(track) = self.run.tracks.get_mut(job) else {
            return;
        };
        match activity {
            Activity::Verify => track.verify_end = Some(time),
            Activity::Copy => {
                track.copy_end = Some(time);
                self.copied(job);
            }
        }
    }

    /// A copy is done: its verification is ready now, or once the next copy of its lane is.
    fn copied(&mut self, job: usize) {
        let verify = self.jobs.get(job).is_some_and(|j| j.verify).then_some(job);
        if self.conditions.verify == VerifyOrder::Beside {
            self.ready.extend(verify);
            return;
        }
        let lane = self.lane_of(job);
        let Some(waiting) = self.held_back.get_mut(lane) else {
            return;
        };
        self.ready.extend(waiting.take());
        *waiting = verify;
        if self.lanes.get(lane).is_none_or(VecDeque::is_empty) {
            self.ready.extend(waiting.take());
        }
    }

    fn lane_of(&self, job: usize) -> usize {
        self.jobs
            .get(job)
            .map_or(0, |j| j.source.min(self.lanes.len().saturating_sub(1)))
    }

    fn load(&self, job: usize, activity: Activity) -> Load {
        let Some(job) = self.jobs.get(job) else {
            return Load::default();
        };
        match activity {
            Activity::Copy => Load::new(job.amount, job.small),
            Activity::Verify => Load::new(job.amount.plus(job.copied), job.small.plus(job.copied_small)),
        }
    }

    fn start_what_can(&mut self, piece: Opening) {
        // A batch without work ends where it starts and may let the next one start.
        loop {
            let before = (
                self.ready.len(),
                self.lanes.iter().map(VecDeque::len).sum::<usize>(),
            );
            self.start_verify();
            for lane in 0..self.lanes.len() {
                self.start_copy(lane, piece);
            }
            if before
                == (
                    self.ready.len(),
                    self.lanes.iter().map(VecDeque::len).sum::<usize>(),
                )
            {
                return;
            }
        }
    }

    fn start_verify(&mut self) {
        let busy = match self.conditions.verify {
            VerifyOrder::Alternate => !self.doing.is_empty(),
            _ => self.doing.iter().any(|d| d.activity == Activity::Verify),
        };
        if !busy {
            if let Some(job) = self.ready.pop_front() {
                self.begin(job, Activity::Verify);
            }
        }
    }

    fn start_copy(&mut self, lane: usize, piece: Opening) {
        let busy = self.doing.iter().any(|d| match d.activity {
            Activity::Copy => self.lane_of(d.job) == lane,
            Activity::Verify => self.conditions.verify == VerifyOrder::Alternate,
        });
        let waits = self.conditions.verify == VerifyOrder::Alternate && !self.ready.is_empty();
        let Some(&job) = self.lanes.get(lane).and_then(VecDeque::front) else {
            return;
        };
        if busy || waits || !(self.conditions.spanning || self.fits(job, piece)) {
            return;
        }
        if let Some(queue) = self.lanes.get_mut(lane) {
            queue.pop_front();
        }
        self.begin(job, Activity::Copy);
    }

    /// Whether a batch that is not to span openings may start now: it ends before work must stop,
    /// or the opening has just begun, so that waiting for the next gains nothing sure.
    fn fits(&self, job: usize, piece: Opening) -> bool {
        if self
            .run
            .periods
            .last()
            .is_some_and(|p| self.time - p.start < TICK)
        {
            return true;
        }
        let profile = self.profile(job, Activity::Copy);
        let later = self.next_piece.into_iter().chain(self.openings.clone());
        let mut left = 1.0;
        let mut from = self.time;
        for piece in std::iter::once(piece).chain(later).take(IDLE_PIECES as usize) {
            let start = piece.start.seconds_since(self.now);
            let end = piece.end.seconds_since(self.now);
            if start > from + TICK {
                return false;
            }
            let limited = piece.limit.map_or(0.0, |l| profile.limited / l.0 as f64);
            left -= (end - from) / profile.alone.max(limited);
            from = end;
            if left <= TICK {
                return true;
            }
        }
        false
    }

    fn profile(&self, job: usize, activity: Activity) -> Profile {
        let source = self.jobs.get(job).map_or(0, |j| j.source);
        let load = self.load(job, activity);
        let mut profile = profile(activity, source, load, self.rates, &self.conditions.network);
        let scale = self
            .scale
            .get(job)
            .map_or(1.0, |s| s[usize::from(activity == Activity::Verify)]);
        profile.alone *= scale;
        for used in &mut profile.uses {
            used.1 *= scale;
        }
        profile
    }

    fn begin(&mut self, job: usize, activity: Activity) {
        if activity == Activity::Copy {
            if let Some(track) = self.run.tracks.get_mut(job) {
                track.copy_start = Some(self.time);
            }
        }
        let profile = self.profile(job, activity);
        if self.load(job, activity).is_empty() || (profile.alone <= 0.0 && profile.limited <= 0.0) {
            self.ended(job, activity);
            return;
        }
        self.doing.push(Doing {
            job,
            activity,
            left: 1.0,
            profile,
            period: None,
        });
    }
}
