//! What is known of a move, ready to be shown: every sum is done, every time is fixed.
//!
//! Paths are raw bytes here and are escaped where they are written. Figures carry a [`Standing`],
//! so that no reader mistakes a forecast for a measurement.

use crate::digest::Digest;
pub use crate::lifecycle::State;
use crate::moment::{Moment, Year};
use crate::names::{BatchName, SourceName};
use crate::report::again::ReadAgain;
use crate::report::exposed::Exposed;
use crate::survey::{Hazard, Kind};
use crate::units::{Amount, Bytes, Rate, Span};
use chrono_tz::Tz;

/// What a figure rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// It happened and was timed or counted.
    Measured,
    /// A short probe measured it on the real paths.
    Probed,
    /// The user's word, or arithmetic on it.
    Declared,
    /// Computed from measurements; shown with its 90 % range.
    Forecast,
    /// A value built in, used until there is something better.
    Default,
}

/// What is the matter with a batch, beside its state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Flag {
    /// Some files could not be copied.
    Failed,
    /// The source moved on since the copy.
    Changed,
    /// Paused by the user.
    Held,
    /// Something at the destination is not what was written there.
    Conflict,
}

/// How the destination was read back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ReadHow {
    /// Past the page cache, by direct I/O.
    Direct,
    /// After the cached pages had been dropped.
    Evicted,
    /// A server read for us; whether from its disks it does not say.
    Server,
    /// Nobody can tell.
    Unknown,
}

/// From a start to an end, `end` exclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Period {
    /// First moment.
    pub start: Moment,
    /// First moment after it.
    pub end: Moment,
}

/// When something is done: the most likely moment and the ends of the 90 % range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Finish {
    /// Early end of the range.
    pub low: Moment,
    /// Most likely.
    pub likely: Moment,
    /// Late end of the range.
    pub high: Moment,
    /// Measured (it is over), forecast from measured rates, or from defaults.
    pub standing: Standing,
}

/// How far something has come. Each amount contains the next one.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Progress {
    /// What shall move.
    pub planned: Amount,
    /// Copied, as durably as the mount can promise.
    pub copied: Amount,
    /// Read back and equal.
    pub verified: Amount,
    /// Signed off: the source may be deleted.
    pub released: Amount,
}

/// One end of the move.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct End {
    /// Its name in the settings.
    pub name: String,
    /// Where it lies.
    pub path: Vec<u8>,
    /// What it holds or receives.
    pub amount: Amount,
}

/// The space at a destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Space {
    /// The destination's name.
    pub name: String,
    /// What file systems on it can use.
    pub usable: Bytes,
    /// The fill limit.
    pub limit: Bytes,
    /// What the move needs, metadata and padding included.
    pub needed: Bytes,
    /// Whether the need stays below the limit.
    pub fits: bool,
}

/// Why a batch may not be released.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason {
    /// Fixed kebab-case word.
    pub code: String,
    /// In words.
    pub text: String,
    /// How many files or entries it concerns.
    pub count: u64,
}

/// What stands behind "verified" for one batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proof {
    /// How the destination was read back.
    pub read_how: ReadHow,
    /// When the reading was done.
    pub read: Period,
    /// Bytes read back and compared.
    pub compared: Bytes,
    /// What the disks behind the destination delivered meanwhile by the kernel's counters, where
    /// they could be seen.
    pub delivered: Option<Bytes>,
    /// BLAKE3 of the batch's manifest; `None` where it is missing or cannot be read.
    pub manifest: Option<Digest>,
    /// BLAKE3 of the sealed proof file, where one is written.
    pub proof: Option<Digest>,
    /// Files that agree with a hash list found at the source.
    pub matched_old_list: u64,
    /// Files that such a list says otherwise of: they were like that before the move.
    pub differing_old_list: u64,
    /// Files and bytes whose source was read twice, independently, with the same result, and when.
    pub source_twice: Option<(Amount, Period)>,
}

/// One batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchRow {
    /// Its name.
    pub name: BatchName,
    /// The dataset it fills.
    pub dataset: String,
    /// The source it comes from.
    pub source: SourceName,
    /// Where it stands.
    pub state: State,
    /// What is the matter with it.
    pub flags: Vec<Flag>,
    /// How many projects.
    pub projects: u64,
    /// How far it has come.
    pub progress: Progress,
    /// When the plan has it.
    pub planned: Option<Period>,
    /// When it really ran (so far), where it has begun.
    pub actual: Option<Period>,
    /// When it will be verified by the newest forecast; `None` once it is.
    pub forecast_end: Option<Moment>,
    /// What stands behind "verified".
    pub proof: Option<Proof>,
    /// Why it may not be released; empty and verified means it may.
    pub reasons: Vec<Reason>,
}

/// A finished batch: what was foretold and what it took.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outcome {
    /// Which batch.
    pub name: BatchName,
    /// What it holds.
    pub amount: Amount,
    /// How long it was to take by the forecast made before it began.
    pub foretold: Span,
    /// The 90 % range of that forecast.
    pub range: (Span, Span),
    /// How long it took.
    pub taken: Span,
}

/// One year of the archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct YearRow {
    /// `None`: no believable date.
    pub year: Option<Year>,
    /// How many projects.
    pub projects: u64,
    /// All of it.
    pub amount: Amount,
    /// By kind; kinds without files may be left out.
    pub kinds: Vec<(Kind, Amount)>,
}

/// How fast one stage of the work is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RateRow {
    /// The stage: `reading from oldbox`, `the link`.
    pub what: String,
    /// Bytes a second.
    pub rate: Rate,
    /// The 90 % range, where there is one.
    pub range: Option<(Rate, Rate)>,
    /// What each file costs beside its bytes.
    pub file_cost: Option<Span>,
    /// What it rests on.
    pub standing: Standing,
    /// Whether this stage sets the pace.
    pub binding: bool,
}

/// What is not moved, for one reason.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftGroup {
    /// Fixed kebab-case word: `excluded`, `unreadable`, `special`.
    pub code: String,
    /// In words.
    pub words: String,
    /// Entries and bytes.
    pub amount: Amount,
    /// Whether the user has accepted it.
    pub accepted: bool,
    /// Which: path and bytes, in byte order.
    pub paths: Vec<(Vec<u8>, Bytes)>,
}

/// A whole move, ready to be shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportModel {
    /// What the user calls the move.
    pub title: String,
    /// A word of its own that stays the same for this move; calendar entries are known by it.
    pub move_id: String,
    /// The zone of every time shown.
    pub zone: Tz,
    /// When this was true.
    pub now: Moment,
    /// Version of the tool.
    pub version: String,
    /// Where from.
    pub sources: Vec<End>,
    /// Where to.
    pub destinations: Vec<End>,
    /// Space at the destinations.
    pub space: Vec<Space>,
    /// How far the whole move has come.
    pub totals: Progress,
    /// When everything will be verified; `None` where no end can be seen.
    pub finish: Option<Finish>,
    /// How far "copied" can be trusted: `local`, `server-said`, `unproven`.
    pub durability: String,
    /// Batches in the order of the plan.
    pub batches: Vec<BatchRow>,
    /// Finished batches, foretold against taken.
    pub outcomes: Vec<Outcome>,
    /// The archive by year.
    pub years: Vec<YearRow>,
    /// The archive by kind, all years together.
    pub kinds: Vec<(Kind, Amount)>,
    /// Stages of the work.
    pub rates: Vec<RateRow>,
    /// What may not survive the move.
    pub hazards: Vec<Hazard>,
    /// What is not moved.
    pub left_behind: Vec<LeftGroup>,
    /// What exists only on the old box, where it was summed up.
    pub exposed: Option<Exposed>,
    /// Datasets that were read again since they were verified.
    pub read_again: Vec<ReadAgain>,
    /// Where the second copy lies, in the user's words.
    pub second_copy: Option<String>,
}

impl Standing {
    /// The word shown beside a figure.
    pub fn word(self) -> &'static str {
        match self {
            Standing::Measured => "measured",
            Standing::Probed => "probed",
            Standing::Declared => "declared",
            Standing::Forecast => "forecast",
            Standing::Default => "default",
        }
    }
}

impl Flag {
    /// The word of the contract.
    pub fn word(self) -> &'static str {
        match self {
            Flag::Failed => "failed",
            Flag::Changed => "changed",
            Flag::Held => "held",
            Flag::Conflict => "conflict",
        }
    }

    /// A mark beside the word.
    pub fn glyph(self) -> &'static str {
        match self {
            Flag::Failed => "✗",
            Flag::Changed => "Δ",
            Flag::Held => "‖",
            Flag::Conflict => "≠",
        }
    }
}

impl ReadHow {
    /// All of them.
    pub const ALL: [ReadHow; 4] = [
        ReadHow::Direct,
        ReadHow::Evicted,
        ReadHow::Server,
        ReadHow::Unknown,
    ];

    /// The word of the contract.
    pub fn word(self) -> &'static str {
        match self {
            ReadHow::Direct => "direct",
            ReadHow::Evicted => "evicted",
            ReadHow::Server => "server",
            ReadHow::Unknown => "unknown",
        }
    }

    /// What the word means, to follow "read back".
    pub fn words(self) -> &'static str {
        match self {
            ReadHow::Direct => "past the memory of this machine (direct I/O)",
            ReadHow::Evicted => "after the copies in this machine's memory had been dropped",
            ReadHow::Server => "through a server that does not say whether it read its disks",
            ReadHow::Unknown => "in a way that cannot be told; it may have come from memory",
        }
    }
}

impl Outcome {
    /// Whether it took as long as one of nine in ten such forecasts says.
    pub fn is_inside(&self) -> bool {
        (self.range.0..=self.range.1).contains(&self.taken)
    }

    /// The ratio in words.
    pub fn words(&self) -> String {
        let (foretold, taken) = (self.foretold.secs_f64(), self.taken.secs_f64());
        if foretold <= 0.0 || self.foretold == Span::FOREVER || taken <= 0.0 {
            return String::new();
        }
        let ratio = taken / foretold;
        match ratio {
            r if (r - 1.0).abs() < 0.01 => "as forecast".into(),
            r if r >= 2.0 => format!("{:.1} times as long", r.min(100_000.0)),
            r if r > 1.0 => format!("{:.0} % longer", (r - 1.0) * 100.0),
            r if r <= 0.5 => format!("in {:.0} % of the time", r * 100.0),
            r => format!("{:.0} % shorter", (1.0 - r) * 100.0),
        }
    }
}

impl Progress {
    /// Whether everything planned is verified, to the file and the byte.
    pub fn all_verified(&self) -> bool {
        holds(self.verified, self.planned)
    }

    /// Whether everything planned is released.
    pub fn all_released(&self) -> bool {
        holds(self.released, self.planned)
    }
}

fn holds(part: Amount, whole: Amount) -> bool {
    whole.files > 0 && part.files >= whole.files && part.bytes >= whole.bytes
}

impl ReportModel {
    /// Batches that need the user.
    pub fn flagged(&self) -> impl Iterator<Item = &BatchRow> {
        self.batches.iter().filter(|batch| !batch.flags.is_empty())
    }
}
