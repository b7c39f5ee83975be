//! Layouts side by side: what they hold, what they survive, when they fill, which to take.

use crate::moment::Moment;
use crate::pool::disks::{ReadErrors, WholeRead};
use crate::pool::geometry::Ashift;
use crate::pool::layout::{Layout, Level};
use crate::pool::recommend::percent;
use crate::pool::space::{FillLimit, Space};
use crate::trouble::Trouble;
use crate::units::{Bytes, Rate, counted};

/// Logical bytes a year the archive grows by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct YearlyGrowth {
    /// Low end of the range.
    pub low: Bytes,
    /// Most likely.
    pub likely: Bytes,
    /// High end of the range.
    pub high: Bytes,
}

/// What all candidates are measured against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Question {
    /// Size of one disk; of the smallest where they differ.
    pub disk: Bytes,
    /// Sector size.
    pub ashift: Ashift,
    /// How full the pool may get.
    pub fill_limit: FillLimit,
    /// Space to be left free in any case.
    pub reserve: Bytes,
    /// Logical bytes to be moved; turns growth into space taken.
    pub content: Bytes,
    /// Growth, where it is known.
    pub growth: Option<YearlyGrowth>,
    /// Rate of a disk at its outer edge.
    pub outer_rate: Rate,
    /// The time of asking.
    pub now: Moment,
}

/// A layout and the space (as `zfs list` counts it) that the files take on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Candidate {
    /// The layout.
    pub layout: Layout,
    /// Needed there.
    pub needed: Bytes,
}

/// When the fill limit is reached; `None` for never (no growth, or past the calendar).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FillDates {
    /// If it grows at the high end.
    pub earliest: Option<Moment>,
    /// If it grows as is likely.
    pub likely: Option<Moment>,
    /// If it grows at the low end.
    pub latest: Option<Moment>,
}

/// One layout measured.
#[derive(Debug, Clone, PartialEq)]
pub struct LayoutRow {
    /// The layout.
    pub layout: Layout,
    /// Its space, step by step.
    pub space: Space,
    /// The fill limit in bytes, less where the reserve asks for more.
    pub limit: Bytes,
    /// How many disks may fail at worst without loss.
    pub survives_any: u32,
    /// Space the files take.
    pub needed: Bytes,
    /// Whether they stay within the limit.
    pub fits: bool,
    /// Full after the move, in tenths of a percent of usable space; may pass 1,000.
    pub full_per_mille: u64,
    /// When the limit is reached; `None` where growth is not known.
    pub fills: Option<FillDates>,
    /// Disks in one step of growth, a whole vdev.
    pub grows_by_disks: u32,
    /// Usable space that such a step adds.
    pub grows_by: Bytes,
    /// Usable space that widening each vdev of a raidz by one disk adds, as it will be shown; see
    /// [`EXPANSION_CAVEAT`]. `None` where the level knows no such step.
    pub widens_by: Option<Bytes>,
    /// Independent reads it can serve at once, as a rough count: its vdevs.
    pub streams: u32,
    /// The least a rebuild can take.
    pub whole_read: WholeRead,
    /// What a rebuild after the move has to read.
    pub rebuild_reads: Bytes,
    /// Unreadable sectors on the way at one error in 10^14 bits.
    pub errors_1e14: ReadErrors,
    /// The same at 10^15.
    pub errors_1e15: ReadErrors,
}

/// Which layout to take and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Advice {
    /// The row's place.
    pub row: usize,
    /// Two lines.
    pub why: [String; 2],
}

/// How a raidz vdev grows by single disks (zpool-attach(8), zpool-features(7)).
pub const EXPANSION_CAVEAT: &str = "From OpenZFS 2.3 on a raidz vdev can also be widened disk by disk; \
    blocks written before keep their old share of parity until they are rewritten, and the space shown stays \
    counted by the old width, so less appears to be gained than is.";

/// Widest vdevs that are offered unasked, by parity. OpenZFS's documentation recommends 3 to 9
/// disks; up to 15 are offered since the space is worth seeing beside the others.
const WIDTHS: [(Level, u32, u32, u32, usize); 5] = [
    // level, least, most, best, how many to show
    (Level::Raidz2, 4, 15, 8, 4),
    (Level::Raidz3, 7, 15, 11, 2),
    (Level::Raidz1, 3, 6, 5, 2),
    (Level::Mirror, 2, 2, 2, 1),
    (Level::Mirror, 3, 3, 3, 1),
];

/// Spares beyond this many are better used as data disks.
const SPARES_MAX: u32 = 2;

/// More disks than anyone attaches to one machine.
const DISKS_MAX: u32 = 10_000;

/// An average Gregorian year in seconds (365.2425 days).
const YEAR_SECONDS: u128 = 31_556_952;

/// Layouts worth comparing for so many disks, those that survive more first. All disks are used,
/// up to two of them as spares.
///
/// # Errors
/// `disks` for none and for more than 10,000.
pub fn sensible_layouts(disks: u32) -> Result<Vec<Layout>, Trouble> {
    if disks == 0 || disks > DISKS_MAX {
        return Err(Trouble::usage("disks", format!("{disks} disks make no pool"))
            .mend("Give the number of disks at hand, for example --disks 15."));
    }
    let mut found = Vec::new();
    for (level, least, most, best, shown) in WIDTHS {
        let mut of_level: Vec<Layout> = Vec::new();
        for vdevs in 1..=disks / least {
            let width = (disks / vdevs).min(most);
            let spares = disks - vdevs * width;
            if (least..=most).contains(&width) && spares <= SPARES_MAX {
                of_level.extend(Layout::new(vdevs, width, level, spares).ok());
            }
        }
        of_level.sort_by_key(|l| (l.width().abs_diff(best), l.spares()));
        of_level.truncate(shown);
        of_level.sort_by_key(|l| l.vdevs());
        found.extend(of_level);
    }
    if found.is_empty() {
        found.extend(Layout::new(1, 1, Level::Stripe, disks - 1).ok());
    }
    found.sort_by_key(|l| std::cmp::Reverse(l.survives_any()));
    Ok(found)
}

/// Measures each candidate, in the order given: put the user's own first.
///
/// # Errors
/// Those of [`Space::of`].
pub fn compare(candidates: &[Candidate], question: &Question) -> Result<Vec<LayoutRow>, Trouble> {
    candidates.iter().map(|c| row(*c, question)).collect()
}

fn row(candidate: Candidate, question: &Question) -> Result<LayoutRow, Trouble> {
    let Candidate { layout, needed } = candidate;
    let space = Space::of(layout, question.ashift, question.disk)?;
    let by_reserve = space.usable.minus(question.reserve);
    let limit = question.fill_limit.of(space.usable).min(by_reserve);
    let more = Layout::new(
        layout.vdevs() + 1,
        layout.width(),
        layout.level(),
        layout.spares(),
    )
    .and_then(|more| Space::of(more, question.ashift, question.disk))
    .map_or(Bytes::ZERO, |more| more.usable.minus(space.usable));
    let full_per_mille = per_mille(needed, space.usable);
    let rebuild_reads = rebuild_reads(layout, question.disk, full_per_mille);
    Ok(LayoutRow {
        layout,
        space,
        limit,
        survives_any: layout.survives_any(),
        needed,
        fits: needed <= limit,
        full_per_mille,
        fills: question
            .growth
            .map(|growth| fill_dates(limit, needed, growth, question)),
        grows_by_disks: layout.width(),
        grows_by: more,
        widens_by: Space::widened(layout, 1, question.ashift, question.disk)
            .ok()
            .map(|wide| wide.usable.minus(space.usable)),
        streams: layout.vdevs(),
        whole_read: WholeRead::of(question.disk, question.outer_rate),
        rebuild_reads,
        errors_1e14: ReadErrors::of(rebuild_reads, 14),
        errors_1e15: ReadErrors::of(rebuild_reads, 15),
    })
}

fn per_mille(part: Bytes, whole: Bytes) -> u64 {
    let share = u128::from(part.0) * 1_000 / u128::from(whole.0.max(1));
    u64::try_from(share).unwrap_or(u64::MAX)
}

/// A rebuild reads what is in use on every other disk of a raidz vdev, on one disk of a mirror.
fn rebuild_reads(layout: Layout, disk: Bytes, full_per_mille: u64) -> Bytes {
    let others = match layout.level() {
        Level::Stripe => 0,
        Level::Mirror => 1,
        _ => layout.width() - 1,
    };
    let bytes = u128::from(disk.0) * u128::from(full_per_mille.min(1_000)) / 1_000 * u128::from(others);
    Bytes(u64::try_from(bytes).unwrap_or(u64::MAX))
}

fn fill_dates(limit: Bytes, needed: Bytes, growth: YearlyGrowth, question: &Question) -> FillDates {
    let room = u128::from(limit.minus(needed).0);
    let date = |yearly: Bytes| {
        // What a byte of the archive takes today, it takes tomorrow.
        let content = u128::from(question.content.0).max(1);
        let taken = if question.content.0 == 0 {
            u128::from(yearly.0)
        } else {
            u128::from(yearly.0) * u128::from(needed.0) / content
        };
        if needed > limit {
            return Some(question.now);
        }
        let seconds = (room * YEAR_SECONDS).checked_div(taken)?;
        let at = question.now.plus_seconds(i64::try_from(seconds).ok()?);
        at.utc().map(|_| at)
    };
    FillDates {
        earliest: date(growth.high),
        likely: date(growth.likely),
        latest: date(growth.low),
    }
}

/// Disks of this size take so long to rebuild that a second failure meanwhile must not be the end.
/// Common practice, no source.
const TWO_FAILURES_FROM: Bytes = Bytes(4_000_000_000_000);

/// Widest vdev advised unasked.
const ADVISED_WIDTH: u32 = 12;

/// Which row to take. The user's own layout, if the first row is one, is always taken; the second
/// line then says what would have been advised. `None` where there are no rows.
pub fn advise(rows: &[LayoutRow], first_is_own: bool, disk: Bytes) -> Option<Advice> {
    let best = best(rows, disk)?;
    let picked = rows.get(best)?;
    if !first_is_own || best == 0 {
        let own = if first_is_own { "Your layout" } else { "Take" };
        return Some(Advice {
            row: best,
            why: [
                format!("{own} {}: {}.", picked.layout, holds(picked)),
                second(picked, disk),
            ],
        });
    }
    let own = rows.first()?;
    let second = if picked.fits || !own.fits {
        format!(
            "Unasked, {} would be advised: {}. {}",
            picked.layout,
            holds(picked),
            survives(picked)
        )
    } else {
        survives(own)
    };
    Some(Advice {
        row: 0,
        why: [
            format!("Your layout {} is kept: {}.", own.layout, holds(own)),
            second,
        ],
    })
}

fn holds(row: &LayoutRow) -> String {
    if row.needed == Bytes::ZERO {
        let (usable, limit) = (row.space.usable.binary(), row.limit.binary());
        return format!("{usable} usable, {limit} of it up to the limit");
    }
    let share = percent(row.needed, row.space.usable);
    if row.fits {
        format!(
            "the files take {} of {} ({share}), within the limit",
            row.needed.binary(),
            row.space.usable.binary()
        )
    } else {
        format!(
            "the files take {}, {} more than the limit of {}",
            row.needed.binary(),
            row.needed.minus(row.limit).binary(),
            row.limit.binary()
        )
    }
}

fn survives(row: &LayoutRow) -> String {
    match row.survives_any {
        0 => "The loss of one disk is the loss of the pool.".to_string(),
        n => format!("Any {} may fail without loss.", counted(u64::from(n), "disk")),
    }
}

fn second(row: &LayoutRow, disk: Bytes) -> String {
    let mut line = survives(row);
    if row.survives_any >= 2 && disk >= TWO_FAILURES_FROM {
        line.push_str(&format!(
            " Reading one of these disks whole takes {} at best, so a second failure must not be the end.",
            row.whole_read.at_mean_rate
        ));
    } else {
        line.push_str(&format!(
            " It grows by {} at a time, {} more usable.",
            counted(u64::from(row.grows_by_disks), "disk"),
            row.grows_by.binary()
        ));
    }
    line
}

/// Among those that fit: enough redundancy for the size of the disks, no vdev too wide, then the
/// most usable space. Where none fits, the one that falls short by least.
fn best(rows: &[LayoutRow], disk: Bytes) -> Option<usize> {
    let redundancy = if disk >= TWO_FAILURES_FROM { 2 } else { 1 };
    let rank = |row: &LayoutRow| {
        (
            row.fits,
            row.fits && row.survives_any >= redundancy,
            row.fits && row.layout.width() <= ADVISED_WIDTH,
            std::cmp::Reverse(row.needed.minus(row.limit)),
            row.space.usable,
        )
    };
    (0..rows.len()).rev().max_by_key(|at| rows.get(*at).map(rank))
}
