//! What each stage can do, and how that is known: declared, measured, fitted or a default.
//!
//! A stage has a rate and a cost per file. Within one copy the bytes of the stages overlap, so the
//! slowest rate counts, while the costs per file (open, create, close, make durable) add up:
//! seconds = bytes / slowest rate + files x sum of costs, the form that the fit uses too.

use crate::forecast::fit::Learned;
use crate::forecast::link::{Framing, RunsOn, goodput, through_adapter};
use crate::units::{LinkSpeed, Rate};

/// What can hold work back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stage {
    /// The old box reading its disks and serving them.
    SourceRead,
    /// The network.
    Link,
    /// The processor that hashes.
    Hash,
    /// The pool writing.
    DestinationWrite,
    /// The pool reading back.
    VerifyRead,
    /// The rate limit of a window.
    Window,
}

/// Every stage, in the order of [`Stage::index`].
pub const STAGES: [Stage; 6] = [
    Stage::SourceRead,
    Stage::Link,
    Stage::Hash,
    Stage::DestinationWrite,
    Stage::VerifyRead,
    Stage::Window,
];

/// How a figure is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Basis {
    /// Nobody measured it yet.
    Default,
    /// The user's word, or arithmetic on it.
    Declared,
    /// A probe on the real paths.
    Measured,
    /// From the work done so far.
    Fitted,
}

/// What one stage can do.
#[derive(Debug, Clone, PartialEq)]
pub struct Pace {
    /// Bytes a second; 0 means nothing moves.
    pub rate: Rate,
    /// Seconds for each file under 1 MiB, with as many in flight as the copy has.
    pub small_file: f64,
    /// Seconds for each larger file.
    pub large_file: f64,
    /// How it is known.
    pub basis: Basis,
    /// Where the figure comes from, for people.
    pub from: &'static str,
}

/// One source and the way to it.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceRates {
    /// Its disks, processor and file service.
    pub read: Pace,
    /// Its own network port, where it differs from the link.
    pub link: Option<LinkSpeed>,
    /// An emulated adapter on its way, which holds it at its own speed.
    pub emulated_adapter: Option<LinkSpeed>,
    /// A ceiling of the whole way, virtual or measured, in bytes a second.
    pub ceiling: Option<Rate>,
    /// What the way really carries beside frame arithmetic; 1 until fitted.
    pub link_share: f64,
    /// How the link's figure is known.
    pub link_basis: Basis,
    /// What copying from it taught.
    pub learned: Option<Learned>,
}

/// All stages.
#[derive(Debug, Clone, PartialEq)]
pub struct Rates {
    /// One for each source, in the order of `move.toml`.
    pub sources: Vec<SourceRates>,
    /// The processor that hashes.
    pub hash: Pace,
    /// The pool writing.
    pub write: Pace,
    /// The pool reading back.
    pub verify_read: Pace,
    /// What verifying taught.
    pub learned_verify: Option<Learned>,
}

/// What a probe found on one path; what it could not find is `None`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Probed {
    /// Bytes a second of one large file.
    pub rate: Option<Rate>,
    /// Seconds for each small file.
    pub file_cost: Option<f64>,
}

/// The network between the ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Network {
    /// The link's speed; `None`: both ends in one machine.
    pub link: Option<LinkSpeed>,
    /// How bytes are packed.
    pub framing: Framing,
    /// Where Poolward runs.
    pub runs_on: RunsOn,
}

impl Stage {
    /// The fixed word of the JSON.
    pub fn name(self) -> &'static str {
        match self {
            Stage::SourceRead => "source-read",
            Stage::Link => "link",
            Stage::Hash => "hash",
            Stage::DestinationWrite => "destination-write",
            Stage::VerifyRead => "verify-read",
            Stage::Window => "window",
        }
    }

    /// What a person calls it, with its verb: `the old box's disks are`.
    pub fn words(self) -> &'static str {
        match self {
            Stage::SourceRead => "the old box's disks are",
            Stage::Link => "the link is",
            Stage::Hash => "the processor that hashes is",
            Stage::DestinationWrite => "the pool's writing is",
            Stage::VerifyRead => "reading back for verification is",
            Stage::Window => "the rate limit of the windows is",
        }
    }

    /// Its place in [`STAGES`].
    pub fn index(self) -> usize {
        match self {
            Stage::SourceRead => 0,
            Stage::Link => 1,
            Stage::Hash => 2,
            Stage::DestinationWrite => 3,
            Stage::VerifyRead => 4,
            Stage::Window => 5,
        }
    }
}

impl Basis {
    /// The word shown beside a figure.
    pub fn name(self) -> &'static str {
        match self {
            Basis::Default => "default",
            Basis::Declared => "declared",
            Basis::Measured => "measured by probe",
            Basis::Fitted => "measured on the work so far",
        }
    }

    /// How far such a figure is off, as the standard deviation of its logarithm. Defaults are
    /// wrong by half as a rule, a short probe misses what a night brings (common practice, no
    /// source); a fitted figure brings its own spread.
    pub fn spread(self) -> f64 {
        match self {
            Basis::Default => 0.40,
            Basis::Declared => 0.15,
            Basis::Measured => 0.15,
            Basis::Fitted => 0.10,
        }
    }
}

/// A source read at so much of its port's goodput is held by the way there, not by its disks
/// (common practice, no source).
const AT_PORT: f64 = 0.85;

const NO_SOURCE: &str = "default, common practice, no source";

impl Pace {
    /// A stage that holds nothing back.
    pub fn unlimited() -> Pace {
        Pace {
            rate: Rate(u64::MAX),
            small_file: 0.0,
            large_file: 0.0,
            basis: Basis::Default,
            from: "left out",
        }
    }

    /// This pace with what a probe found in its place.
    pub fn probed(mut self, probe: Probed) -> Pace {
        if let Some(rate) = probe.rate {
            self.rate = rate;
            self.basis = Basis::Measured;
            self.from = "measured by the probe";
        }
        if let Some(cost) = probe.file_cost.filter(|c| c.is_finite() && *c >= 0.0) {
            // A large file costs at least what a small one does; the probe writes no large ones.
            self.large_file = self.large_file.max(cost);
            self.small_file = cost;
        }
        self
    }

    /// This pace at a rate the user declared.
    pub fn declared(mut self, rate: Rate) -> Pace {
        self.rate = rate;
        self.basis = Basis::Declared;
        self.from = "declared in move.toml";
        self
    }

    /// Seconds for each byte; infinite where the rate is 0.
    pub fn per_byte(&self) -> f64 {
        per_byte(self.rate)
    }
}

/// Seconds for each byte at a rate; infinite at 0, nothing where no rate holds.
pub fn per_byte(rate: Rate) -> f64 {
    match rate.0 {
        0 => f64::INFINITY,
        u64::MAX => 0.0,
        n => 1.0 / n as f64,
    }
}

impl SourceRates {
    /// An old disk box with parity, before anything was measured: 150 MB/s, and 3 ms a file.
    /// Public measurements of 1,800 small files over SMB give 2 to 4 ms each.
    pub fn defaults() -> SourceRates {
        SourceRates {
            read: Pace {
                rate: Rate(150_000_000),
                small_file: 0.003,
                large_file: 0.006,
                basis: Basis::Default,
                from: NO_SOURCE,
            },
            link: None,
            emulated_adapter: None,
            ceiling: None,
            link_share: 1.0,
            link_basis: Basis::Declared,
            learned: None,
        }
    }
}

impl Rates {
    /// Before anything was measured. A processor of an old box hashes far slower than a server's.
    pub fn defaults(sources: usize, runs_on: RunsOn) -> Rates {
        let pace = |rate, small_file, large_file| Pace {
            rate: Rate(rate),
            small_file,
            large_file,
            basis: Basis::Default,
            from: NO_SOURCE,
        };
        let hash = if runs_on == RunsOn::Source {
            300_000_000
        } else {
            2_000_000_000
        };
        Rates {
            sources: vec![SourceRates::defaults(); sources.max(1)],
            hash: pace(hash, 0.0, 0.0),
            write: pace(500_000_000, 0.001, 0.002),
            verify_read: pace(600_000_000, 0.001, 0.004),
            learned_verify: None,
        }
    }

    /// The rates of a source; the last one's where there are fewer.
    pub fn source(&self, index: usize) -> Option<&SourceRates> {
        self.sources.get(index).or(self.sources.last())
    }

    /// How the figure of a stage is known for one source.
    pub fn basis_at(&self, stage: Stage, source: usize) -> Basis {
        let from = self.source(source);
        match stage {
            Stage::SourceRead => from.map_or(Basis::Default, |s| s.read.basis),
            Stage::Link => from.map_or(Basis::Declared, |s| s.link_basis),
            Stage::Hash => self.hash.basis,
            Stage::DestinationWrite => self.write.basis,
            Stage::VerifyRead => self.verify_read.basis,
            Stage::Window => Basis::Declared,
        }
    }

    /// How the figure of a stage is known: the weakest word of all sources.
    pub fn basis(&self, stage: Stage) -> Basis {
        let each = (0..self.sources.len()).map(|source| self.basis_at(stage, source));
        each.min().unwrap_or(Basis::Default)
    }

    /// These with what a probe found at one source. A rate as high as the source's port lets
    /// through says what the way there carries, and only that its disks are no slower. A rate the
    /// user declared stays where it is the lower one: it may be the hours that are kept free.
    pub fn probe_source(&mut self, source: usize, network: &Network, probe: Probed) {
        let Some(from) = self.sources.get_mut(source) else {
            return;
        };
        let port = network.source_port(from).filter(|port| port.0 > 0);
        let at_port = |rate: Rate| {
            port.is_some_and(|port| {
                let share = rate.0 as f64 / port.0 as f64;
                // Far beyond the port: what was read did not come over that link.
                (AT_PORT..=1.0 / AT_PORT).contains(&share)
            })
        };
        let declared = from.read.basis == Basis::Declared;
        let rate = probe.rate.filter(|rate| match at_port(*rate) {
            true => !declared && *rate > from.read.rate,
            false => !declared || *rate < from.read.rate,
        });
        if let (Some(found), Some(port)) = (probe.rate.filter(|rate| at_port(*rate)), port) {
            from.link_share *= (found.0 as f64 / port.0 as f64).min(1.0);
            from.link_basis = Basis::Measured;
        }
        from.read = from.read.clone().probed(Probed { rate, ..probe });
    }

    /// These with what a probe found at the destination: writing, and reading back where the bytes
    /// came from its disks.
    pub fn probe_destination(&mut self, write: Probed, read_back: Probed) {
        self.write = self.write.clone().probed(write);
        self.verify_read = self.verify_read.clone().probed(read_back);
    }

    /// The same with one stage out of the way, to see what holds next. The window's limit is no
    /// stage of these.
    pub fn without(&self, stage: Stage) -> Rates {
        let mut rates = self.clone();
        match stage {
            Stage::SourceRead => {
                for source in &mut rates.sources {
                    source.read = Pace::unlimited();
                    source.ceiling = None;
                }
            }
            Stage::Hash => rates.hash = Pace::unlimited(),
            Stage::DestinationWrite => rates.write = Pace::unlimited(),
            Stage::VerifyRead => rates.verify_read = Pace::unlimited(),
            Stage::Link | Stage::Window => {}
        }
        rates
    }
}

impl Network {
    /// Goodput of a port of the machine in between or of the pool; `None` without a network.
    pub fn port(&self) -> Option<Rate> {
        self.link.map(|speed| goodput(speed, self.framing))
    }

    /// Goodput of a source's own port.
    pub fn source_port(&self, source: &SourceRates) -> Option<Rate> {
        let cable = match (self.link, source.link) {
            (None, _) => return None,
            (Some(link), own) => own.map_or(link, |own| own.min(link)),
        };
        let rate = goodput(through_adapter(cable, source.emulated_adapter), self.framing);
        let real = rate.0 as f64 * source.link_share;
        Some(if real.is_finite() && real >= 0.0 {
            Rate(real as u64)
        } else {
            rate
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::link::Framing;

    fn network(link: &str) -> Network {
        Network {
            link: Some(LinkSpeed::parse(link).unwrap()),
            framing: Framing::checked(1500).unwrap(),
            runs_on: RunsOn::Pool,
        }
    }

    fn probe(rate: u64) -> Probed {
        Probed {
            rate: Some(Rate(rate)),
            file_cost: Some(0.002),
        }
    }

    fn probed(link: &str, declared: Option<u64>, rate: u64) -> SourceRates {
        let mut rates = Rates::defaults(1, RunsOn::Pool);
        if let Some(declared) = declared {
            rates.sources[0].read = rates.sources[0].read.clone().declared(Rate(declared));
        }
        rates.probe_source(0, &network(link), probe(rate));
        rates.sources.remove(0)
    }

    #[test]
    fn a_probe_below_the_port_tells_of_the_disks() {
        let got = probed("10GbE", None, 90_000_000);
        assert_eq!(
            (got.read.rate, got.read.basis),
            (Rate(90_000_000), Basis::Measured)
        );
        assert_eq!((got.link_share, got.link_basis), (1.0, Basis::Declared));
        assert_eq!(got.read.small_file, 0.002);
    }

    /// 1 GbE with frames of 1,500 bytes carries 117.7 to 118.7 MB/s (check-values: frame
    /// arithmetic), so 112 MB/s is the link's figure and what the disks do remains unknown.
    #[test]
    fn a_probe_at_the_port_tells_of_the_link() {
        let got = probed("1GbE", None, 112_000_000);
        assert_eq!(
            (got.read.rate, got.read.basis),
            (Rate(150_000_000), Basis::Default)
        );
        assert_eq!(got.link_basis, Basis::Measured);
        let carried = network("1GbE").source_port(&got).unwrap().0;
        assert!(carried.abs_diff(112_000_000) < 1_000, "{carried}");
    }

    #[test]
    fn a_probe_far_beyond_the_port_says_nothing_of_the_link() {
        let got = probed("1GbE", None, 1_200_000_000);
        assert_eq!(
            (got.read.rate, got.link_basis),
            (Rate(1_200_000_000), Basis::Declared)
        );
        assert_eq!(got.link_share, 1.0);
    }

    #[test]
    fn the_users_rate_stays_where_it_is_the_lower() {
        let kept = probed("10GbE", Some(80_000_000), 200_000_000);
        assert_eq!(
            (kept.read.rate, kept.read.basis),
            (Rate(80_000_000), Basis::Declared)
        );
        let lower = probed("10GbE", Some(300_000_000), 200_000_000);
        assert_eq!(
            (lower.read.rate, lower.read.basis),
            (Rate(200_000_000), Basis::Measured)
        );
    }
}
