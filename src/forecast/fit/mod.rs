//! Rates from the work done so far: seconds = bytes x a + small files x b + large files x c.
//!
//! Non-negative least squares with robust weights, held by a prior so that two samples do not
//! overrule everything. Two things that residuals alone would hide are in the model: a night has a
//! pace of its own (a random effect of 5 to 10 %), and disks slow down towards their inner tracks
//! (a slow trend; the whole surface differs by a factor of two from rim to hub). A range from
//! residuals alone holds the truth in less than half of all cases.

mod learn;
#[cfg(test)]
mod tests;

use crate::forecast::demand::{Activity, Load};
use crate::forecast::linalg::Rows;
use crate::units::{Amount, Bytes, Rate, Span};

pub use learn::learn;

/// How far one night's pace is from another's before any night was seen: 7 % (common practice, no
/// source).
pub const NIGHT_PRIOR: f64 = 0.07;
/// How far samples of one night differ, before any was seen (common practice, no source).
const NOISE_PRIOR: f64 = 0.06;
/// How many nights, or samples, these two count for.
const PRIOR_WEIGHT: f64 = 4.0;
/// Degrees of freedom of the prior's own doubt. A default can be off by far more than its spread
/// (600 MB/s on a shelf of old disks): as a Student t with few degrees, what lies far from it lets
/// go of it (Lange, Little and Taylor, Robust Statistical Modeling Using the t Distribution, 1989;
/// from memory).
const PRIOR_TAIL: f64 = 1.0;
/// Residuals beyond so many spreads weigh less (Huber, Robust Statistics, 1981; from memory).
const HUBER: f64 = 1.345;
/// A sample this short is spread twice as much (in variance) as a long one, in seconds.
const SHORT: f64 = 10.0;
/// Weight of samples taken with another number of streams than the newest.
const OTHER_STREAMS: f64 = 0.25;
/// No disk loses more of its speed than this from its first byte to its last.
const MOST_LOST: f64 = 0.85;
/// Gauss-Newton rounds; the model is nearly linear and settles in three or four.
const ROUNDS: usize = 8;
/// Below these a pace counts as nothing: seconds a byte, seconds a file.
const LEAST: [f64; 3] = [1e-12, 1e-5, 1e-5];

/// A stretch of work as the ledger records it.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// Copying or verifying.
    pub activity: Activity,
    /// Which source, by its place in `move.toml`.
    pub source: usize,
    /// Files under 1 MiB.
    pub small: Amount,
    /// Larger files.
    pub large: Amount,
    /// How long it took, pauses left out.
    pub time: Span,
    /// How many streams ran.
    pub streams: u32,
    /// Which night, as [`crate::forecast::windows::Windows::night_of`] counts them.
    pub night: i64,
    /// The rate limit that held meanwhile.
    pub limit: Option<Rate>,
}

/// What is believed before any sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Seconds a byte, a small file, a large file.
    pub pace: [f64; 3],
    /// How far each may be off, as a share of it.
    pub spread: f64,
    /// What share of the speed is lost from the first byte of the source to the last.
    pub trend: f64,
    /// How far that may be off.
    pub trend_spread: f64,
}

/// What the samples of one activity and source taught.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// Seconds a byte, a small file, a large file, at the source's first byte.
    pub pace: [f64; 3],
    /// What share of the speed is lost from the first byte to the last.
    pub trend: f64,
    /// How much the four depend on each other and on what was not seen.
    pub covariance: [[f64; 4]; 4],
    /// How far one night's pace is from another's.
    pub night_spread: f64,
    /// How far samples of one night differ.
    pub noise: f64,
    /// Degrees of freedom of the spreads.
    pub freedom: f64,
    /// Samples used.
    pub samples: usize,
    /// Nights they are from.
    pub nights: usize,
    /// Bytes they moved.
    pub done: f64,
    /// Bytes there are in all.
    pub whole: f64,
}

impl Sample {
    /// Its work.
    pub fn load(&self) -> Load {
        Load::new(self.small.plus(self.large), self.small)
    }

    /// Whether it says anything about the stages: it has work, took time, and was not simply held
    /// by a limit.
    fn tells(&self) -> bool {
        let seconds = self.time.secs_f64();
        let free = self
            .limit
            .is_none_or(|l| self.load().bytes < 0.9 * l.0 as f64 * seconds);
        !self.load().is_empty() && self.time.0 > 0 && self.time != Span::FOREVER && free
    }
}

impl Learned {
    fn rise(&self, share: f64) -> f64 {
        rise(self.trend, share.clamp(0.0, 1.0))
    }

    fn share(&self, bytes: f64) -> f64 {
        if self.whole > 0.0 {
            (bytes / self.whole).clamp(0.0, 1.0)
        } else {
            0.0
        }
    }

    /// The paces where the work stands now.
    pub fn pace_now(&self) -> [f64; 3] {
        let rise = self.rise(self.share(self.done));
        self.pace.map(|p| p * rise)
    }

    /// For work that begins `before` bytes from now: the factor on [`Learned::pace_now`], and how
    /// its seconds change with each of the four figures.
    pub fn ahead(&self, load: Load, before: f64) -> (f64, [f64; 4]) {
        let share = self.share(self.done + before + load.bytes / 2.0);
        let rise = self.rise(share);
        let [a, b, c] = load.columns();
        let seconds = a * self.pace[0] + b * self.pace[1] + c * self.pace[2];
        (
            rise / self.rise(self.share(self.done)),
            [a * rise, b * rise, c * rise, seconds * share * rise * rise],
        )
    }

    /// Standard deviation in seconds of work with this gradient, nights left out.
    pub fn deviation(&self, gradient: [f64; 4]) -> f64 {
        let rows = self.covariance.iter().zip(gradient);
        let sum: f64 = rows
            .map(|(row, g)| g * row.iter().zip(gradient).map(|(c, h)| c * h).sum::<f64>())
            .sum();
        sum.max(0.0).sqrt()
    }
}

/// How much slower it is at a share of the source than at its start, where the speed falls evenly
/// and `lost` is gone at the end. Disks at even angular speed and even density along the track
/// lose half from rim to hub; the even fall lies close to that.
fn rise(lost: f64, share: f64) -> f64 {
    1.0 / (1.0 - lost * share).max(1.0 - MOST_LOST)
}

/// One sample, ready for the fit.
struct Point {
    x: [f64; 3],
    seconds: f64,
    share: f64,
    night: i64,
    /// Variance beside that of a long sample of the newest kind, over its robust weight.
    variance: f64,
    weight: f64,
}

/// Fits the samples of one activity and source, in the order they were taken. `whole` is what the
/// source holds in all. `None` where no sample tells anything.
pub fn fit(samples: &[&Sample], prior: &Prior, whole: Bytes) -> Option<Learned> {
    let whole = whole.0 as f64;
    let (mut points, done) = points(samples, whole);
    let prior = usable(prior, &points)?;
    let scale = [0, 1, 2].map(|c: usize| prior.pace[c].max(LEAST[c]));
    // From where the samples are, not from where the default is: seen from there every sample of a
    // link that is ten times slower would look like an outlier.
    let ratio = typical_ratio(&points, &prior);
    let mut state = State {
        pace: prior.pace.map(|pace| pace * ratio),
        trend: prior.trend,
        noise: NOISE_PRIOR,
        night: NIGHT_PRIOR,
    };
    let mut rows = Rows::default();
    for _ in 0..ROUNDS {
        rows = state.rows(&points, &prior, scale);
        let found = rows.non_negative(&[3]);
        let &[a, b, c, trend] = found.as_slice() else {
            return None;
        };
        state.pace = [a * scale[0], b * scale[1], c * scale[2]];
        state.trend = trend.clamp(-1.0, MOST_LOST);
        state.spreads(&mut points);
    }
    let covariance = rows.covariance();
    let unit = [scale[0], scale[1], scale[2], 1.0];
    let mut out = [[0.0; 4]; 4];
    for (r, row) in out.iter_mut().enumerate() {
        for (c, cell) in row.iter_mut().enumerate() {
            let known = covariance
                .get(r)
                .and_then(|row| row.get(c))
                .copied()
                .unwrap_or(0.0);
            *cell = known * unit[r] * unit[c];
        }
    }
    let nights = nights(&points).len();
    Some(Learned {
        pace: state.pace,
        trend: state.trend,
        covariance: out,
        night_spread: state.night,
        noise: state.noise,
        freedom: PRIOR_WEIGHT * 2.0 + nights as f64 - 1.0,
        samples: points.len(),
        nights,
        done,
        whole: whole.max(done),
    })
}

fn points(samples: &[&Sample], whole: f64) -> (Vec<Point>, f64) {
    let streams = samples.last().map_or(0, |s| s.streams);
    let total: f64 = samples.iter().map(|s| s.load().bytes).sum();
    let whole = whole.max(total).max(1.0);
    let mut done = 0.0;
    let mut points = Vec::new();
    for sample in samples {
        let load = sample.load();
        let seconds = sample.time.secs_f64();
        if sample.tells() {
            let other = if sample.streams == streams {
                1.0
            } else {
                OTHER_STREAMS
            };
            points.push(Point {
                x: load.columns(),
                seconds,
                share: (done + load.bytes / 2.0) / whole,
                night: sample.night,
                variance: (1.0 + SHORT / seconds) / other,
                weight: 1.0,
            });
        }
        done += load.bytes;
    }
    points.sort_by_key(|p| p.night);
    (points, done)
}

/// By how much the samples took longer than the prior let expect, in the middle of them.
fn typical_ratio(points: &[Point], prior: &Prior) -> f64 {
    let expected = |p: &Point| p.x.iter().zip(prior.pace).map(|(x, pace)| x * pace).sum::<f64>();
    let mut ratios: Vec<f64> = points
        .iter()
        .map(|p| p.seconds / (expected(p) * rise(prior.trend, p.share)))
        .filter(|ratio| ratio.is_finite() && *ratio > 0.0)
        .collect();
    ratios.sort_by(f64::total_cmp);
    ratios.get(ratios.len() / 2).copied().unwrap_or(1.0)
}

/// The prior with what is no number replaced by what the samples took on the whole.
fn usable(prior: &Prior, points: &[Point]) -> Option<Prior> {
    let seconds: f64 = points.iter().map(|p| p.seconds).sum();
    let sum = |c: usize| points.iter().map(|p| p.x[c]).sum::<f64>();
    if points.is_empty() {
        return None;
    }
    let mut out = *prior;
    for (column, pace) in out.pace.iter_mut().enumerate() {
        if !pace.is_finite() || *pace < 0.0 {
            *pace = if sum(column) > 0.0 {
                seconds / sum(column)
            } else {
                0.0
            };
        }
    }
    out.spread = if prior.spread > 0.0 { prior.spread } else { 0.4 };
    Some(out)
}

fn nights(points: &[Point]) -> Vec<&[Point]> {
    points.chunk_by(|a, b| a.night == b.night).collect()
}

struct State {
    pace: [f64; 3],
    trend: f64,
    noise: f64,
    night: f64,
}

impl State {
    fn flat(&self, point: &Point) -> f64 {
        let sum: f64 = point.x.iter().zip(self.pace).map(|(x, p)| x * p).sum();
        // Where the paces have shrunk to nothing for this mix, the sample itself is the measure.
        if sum > point.seconds * 1e-3 {
            sum
        } else {
            point.seconds
        }
    }

    fn rise(&self, point: &Point) -> f64 {
        rise(self.trend, point.share)
    }

    /// The linearised problem, each row relative to what is expected, whitened night by night,
    /// with the prior as rows of its own.
    fn rows(&self, points: &[Point], prior: &Prior, scale: [f64; 3]) -> Rows {
        let mut rows = Rows::default();
        for night in nights(points) {
            let spread = |p: &Point| self.noise * (p.variance / p.weight).sqrt();
            // One common effect for the night: V = D + t^2 11'. With s = D^-1/2 1, the rows times
            // I - (1 - 1/sqrt(1 + t^2 s's)) ss'/s's have covariance I.
            let square: f64 = night.iter().map(|p| spread(p).powi(-2)).sum();
            let shrink = (1.0 - (1.0 + self.night.powi(2) * square).sqrt().recip()) / square;
            let plain: Vec<[f64; 5]> = night
                .iter()
                .map(|p| self.row(p, scale).map(|v| v / spread(p)))
                .collect();
            let mut common = [0.0; 5];
            for (row, p) in plain.iter().zip(night) {
                common.iter_mut().zip(row).for_each(|(c, v)| *c += v / spread(p));
            }
            for (row, p) in plain.iter().zip(night) {
                let white: Vec<f64> = row
                    .iter()
                    .zip(common)
                    .map(|(v, c)| v - shrink * c / spread(p))
                    .collect();
                let (left, right) = white.split_at(4);
                rows.push(left.to_vec(), right.first().copied().unwrap_or(0.0));
            }
        }
        for (column, scale) in scale.iter().enumerate() {
            let mut left = vec![0.0; 4];
            let middle = prior.pace[column] / scale;
            let spread = (prior.spread * middle).max(prior.spread);
            let far = (self.pace[column] / scale - middle) / spread;
            let loose = ((PRIOR_TAIL + far * far) / (PRIOR_TAIL + 1.0)).sqrt().max(1.0);
            let spread = spread * loose;
            left[column] = 1.0 / spread;
            rows.push(left, middle / spread);
        }
        let spread = prior.trend_spread.max(1e-3);
        rows.push(vec![0.0, 0.0, 0.0, 1.0 / spread], prior.trend / spread);
        rows
    }

    /// One row: four columns and the right side.
    fn row(&self, point: &Point, scale: [f64; 3]) -> [f64; 5] {
        let (flat, rise) = (self.flat(point), self.rise(point));
        let expected = flat * rise;
        let of = |c: usize| point.x[c] * scale[c] * rise / expected;
        let slope = point.share * rise;
        let at = self
            .pace
            .iter()
            .zip(scale)
            .enumerate()
            .map(|(c, (p, s))| of(c) * p / s)
            .sum::<f64>();
        [
            of(0),
            of(1),
            of(2),
            slope,
            point.seconds / expected - 1.0 + at + slope * self.trend,
        ]
    }

    /// The spreads within and between nights from the residuals, and the robust weights.
    fn spreads(&mut self, points: &mut [Point]) {
        let (mut within, mut between) = (0.0, 0.0);
        let (mut free, mut count) = (0.0, 0.0);
        let mut start = 0;
        let sizes: Vec<usize> = nights(points).iter().map(|n| n.len()).collect();
        for size in sizes {
            let Some(night) = points.get_mut(start..start + size) else {
                return;
            };
            start += size;
            let residual = |s: &State, p: &Point| p.seconds / (s.flat(p) * s.rise(p)) - 1.0;
            let heavy: f64 = night.iter().map(|p| p.weight / p.variance).sum();
            let mean = night
                .iter()
                .map(|p| residual(self, p) * p.weight / p.variance)
                .sum::<f64>()
                / heavy;
            for p in night.iter_mut() {
                let off = (residual(self, p) - mean) / p.variance.sqrt();
                let far = off.abs() / (self.noise * HUBER);
                p.weight = if far > 1.0 { 1.0 / far } else { 1.0 };
                within += p.weight * off * off;
            }
            free += size as f64 - 1.0;
            count += 1.0;
            between += (mean * mean - self.noise.powi(2) / heavy).max(0.0);
        }
        self.noise = ((PRIOR_WEIGHT * NOISE_PRIOR.powi(2) + within) / (PRIOR_WEIGHT + free))
            .sqrt()
            .max(0.005);
        let nights = (count - 1.0f64).max(0.0);
        self.night = ((PRIOR_WEIGHT * NIGHT_PRIOR.powi(2) + between) / (PRIOR_WEIGHT + nights))
            .sqrt()
            .max(0.005);
    }
}
