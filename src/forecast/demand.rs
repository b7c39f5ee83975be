//! What a copy or a verification needs of each stage, given where Poolward runs.
//!
//! A network port carries both ways at once, so what comes in and what goes out are two resources.
//! The pool's disks write and read back in turn, so these two stages share one.

use crate::forecast::link::RunsOn;
use crate::forecast::rates::{Network, Pace, Rates, Stage, per_byte};
use crate::units::{Amount, Rate};

/// The two kinds of work of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Activity {
    /// From the source to the pool.
    Copy,
    /// Reading back from the pool.
    Verify,
}

/// How much work: bytes, and files by size class.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Load {
    /// All bytes.
    pub bytes: f64,
    /// Files under 1 MiB.
    pub small: f64,
    /// Larger files.
    pub large: f64,
}

/// What an activity needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Resource, seconds of it for the whole activity, and the stage it belongs to.
    pub uses: Vec<(usize, f64, Stage)>,
    /// Seconds for the whole activity with nothing beside it and no limit.
    pub alone: f64,
    /// The stage that is busiest meanwhile.
    pub slowest: Stage,
    /// Bytes that count against a window's limit.
    pub limited: f64,
}

/// Which resource has which number, for a given number of sources.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Resources {
    sources: usize,
}

impl Load {
    /// From an amount and the part of it that is files under 1 MiB.
    pub fn new(total: Amount, small: Amount) -> Load {
        let few = small.files.min(total.files);
        Load {
            bytes: total.bytes.0 as f64,
            small: few as f64,
            large: (total.files - few) as f64,
        }
    }

    /// As the columns of the fit.
    pub fn columns(self) -> [f64; 3] {
        [self.bytes, self.small, self.large]
    }

    /// Whether there is anything to do.
    pub fn is_empty(self) -> bool {
        self.columns().iter().all(|c| *c <= 0.0)
    }
}

impl Resources {
    /// Numbers for this many sources.
    pub fn new(sources: usize) -> Resources {
        Resources {
            sources: sources.max(1),
        }
    }

    fn read(self, source: usize) -> usize {
        source.min(self.sources - 1)
    }

    fn source_out(self, source: usize) -> usize {
        self.sources + self.read(source)
    }

    fn source_in(self, source: usize) -> usize {
        2 * self.sources + self.read(source)
    }

    fn fixed(self, n: usize) -> usize {
        3 * self.sources + n
    }

    fn here_in(self) -> usize {
        self.fixed(0)
    }

    fn here_out(self) -> usize {
        self.fixed(1)
    }

    fn pool_in(self) -> usize {
        self.fixed(2)
    }

    fn pool_out(self) -> usize {
        self.fixed(3)
    }

    fn hash(self) -> usize {
        self.fixed(4)
    }

    fn disks(self) -> usize {
        self.fixed(5)
    }

    /// The window's limit, in bytes.
    pub fn limit(self) -> usize {
        self.fixed(6)
    }

    /// How many there are; activities' own ceilings are numbered from here.
    pub fn count(self) -> usize {
        self.fixed(7)
    }

    /// What each can give in one second: a second, but for the window's limit.
    pub fn capacities(self, limit: Option<Rate>) -> Vec<f64> {
        let mut all = vec![1.0; self.count()];
        if let Some(last) = all.last_mut() {
            *last = limit.map_or(f64::INFINITY, |l| l.0 as f64);
        }
        all
    }
}

/// The paces an activity meets: stage, seconds a byte, seconds a small and a large file, basis.
pub(crate) struct Part {
    pub stage: Stage,
    pub per_byte: f64,
    pub per_file: [f64; 2],
    resource: usize,
}

impl Part {
    /// Seconds for a load, bytes and files.
    pub fn seconds(&self, load: Load) -> f64 {
        self.byte_seconds(load) + self.file_seconds(load)
    }

    /// Seconds for its bytes.
    pub fn byte_seconds(&self, load: Load) -> f64 {
        times(self.per_byte, load.bytes)
    }

    /// Seconds for its files.
    pub fn file_seconds(&self, load: Load) -> f64 {
        times(self.per_file[0], load.small) + times(self.per_file[1], load.large)
    }
}

/// The product, with nothing times forever as nothing.
fn times(each: f64, count: f64) -> f64 {
    if count <= 0.0 { 0.0 } else { each * count }
}

fn part(stage: Stage, pace: &Pace, resource: usize) -> Part {
    Part {
        stage,
        per_byte: pace.per_byte(),
        per_file: [pace.small_file, pace.large_file],
        resource,
    }
}

/// The stages that an activity passes, each with its pace.
pub(crate) fn parts(activity: Activity, source: usize, rates: &Rates, network: &Network) -> Vec<Part> {
    let ids = Resources::new(rates.sources.len());
    let mut parts = Vec::with_capacity(7);
    let from = rates.source(source);
    if let (Activity::Copy, Some(from)) = (activity, from) {
        let mut read = from.read.clone();
        read.rate = from.ceiling.map_or(read.rate, |c| c.min(read.rate));
        parts.push(part(Stage::SourceRead, &read, ids.read(source)));
    }
    if let (Some(port), Some(from)) = (network.port(), from) {
        let own = network.source_port(from).unwrap_or(port);
        for (resource, rate) in crossed(activity, source, network.runs_on, ids, port, own) {
            parts.push(Part {
                stage: Stage::Link,
                per_byte: per_byte(rate),
                per_file: [0.0; 2],
                resource,
            });
        }
    }
    parts.push(part(Stage::Hash, &rates.hash, ids.hash()));
    parts.push(match activity {
        Activity::Copy => part(Stage::DestinationWrite, &rates.write, ids.disks()),
        Activity::Verify => part(Stage::VerifyRead, &rates.verify_read, ids.disks()),
    });
    parts
}

/// The ports that each byte passes.
fn crossed(
    activity: Activity,
    source: usize,
    runs_on: RunsOn,
    ids: Resources,
    port: Rate,
    own: Rate,
) -> Vec<(usize, Rate)> {
    let (out, back) = ((ids.source_out(source), own), (ids.source_in(source), own));
    match (activity, runs_on) {
        (Activity::Copy, RunsOn::Pool | RunsOn::Source) => vec![out, (ids.pool_in(), port)],
        (Activity::Copy, RunsOn::Between) => {
            vec![
                out,
                (ids.here_in(), port),
                (ids.here_out(), port),
                (ids.pool_in(), port),
            ]
        }
        (Activity::Verify, RunsOn::Pool) => Vec::new(),
        (Activity::Verify, RunsOn::Source) => vec![(ids.pool_out(), port), back],
        (Activity::Verify, RunsOn::Between) => vec![(ids.pool_out(), port), (ids.here_in(), port)],
    }
}

/// What an activity of this load needs.
pub fn profile(activity: Activity, source: usize, load: Load, rates: &Rates, network: &Network) -> Profile {
    let parts = parts(activity, source, rates, network);
    let mut bytes = 0.0f64;
    let mut files = 0.0;
    let mut slowest = (Stage::Hash, -1.0);
    let mut uses = Vec::with_capacity(parts.len());
    for part in &parts {
        let seconds = part.seconds(load);
        bytes = bytes.max(part.byte_seconds(load));
        files += part.file_seconds(load);
        if seconds > slowest.1 {
            slowest = (part.stage, seconds);
        }
        if seconds > 0.0 {
            uses.push((part.resource, seconds, part.stage));
        }
    }
    let crosses = activity == Activity::Copy || parts.iter().any(|p| p.stage == Stage::Link);
    Profile {
        uses,
        alone: bytes + files,
        slowest: slowest.0,
        limited: if crosses { load.bytes } else { 0.0 },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::link::Framing;
    use crate::units::LinkSpeed;

    fn link_uses(activity: Activity, runs_on: RunsOn) -> usize {
        let rates = Rates::defaults(1, runs_on);
        let network = Network {
            link: Some(LinkSpeed(1_000_000_000)),
            framing: Framing::default(),
            runs_on,
        };
        let load = Load {
            bytes: 1e9,
            small: 0.0,
            large: 1.0,
        };
        let profile = profile(activity, 0, load, &rates, &network);
        profile.uses.iter().filter(|u| u.2 == Stage::Link).count()
    }

    #[test]
    fn where_poolward_runs_decides_which_ports_each_byte_passes() {
        assert_eq!(link_uses(Activity::Copy, RunsOn::Pool), 2);
        assert_eq!(link_uses(Activity::Verify, RunsOn::Pool), 0);
        assert_eq!(link_uses(Activity::Verify, RunsOn::Source), 2);
        assert_eq!(link_uses(Activity::Copy, RunsOn::Between), 4);
        assert_eq!(link_uses(Activity::Verify, RunsOn::Between), 2);
    }

    #[test]
    fn bytes_overlap_and_costs_per_file_add_up() {
        let rates = Rates::defaults(1, RunsOn::Pool);
        let network = Network {
            link: None,
            framing: Framing::default(),
            runs_on: RunsOn::Pool,
        };
        let load = Load {
            bytes: 150e6,
            small: 1000.0,
            large: 0.0,
        };
        let got = profile(Activity::Copy, 0, load, &rates, &network);
        assert!((got.alone - (1.0 + 1000.0 * 0.004)).abs() < 1e-9, "{}", got.alone);
        assert_eq!(got.slowest, Stage::SourceRead);
    }
}
