//! pool: layouts side by side, for these files where a move is at hand.

use super::desk::Desk;
use super::{gather, plan};
use crate::moment::Moment;
use crate::pool::disks::OUTER_RATE;
use crate::pool::{
    Advice, Ashift, Candidate, Choice, FillLimit, Layout, LayoutRow, Question, Recommendation, SpaceTally,
    Taken, YearlyGrowth, advise, compare, recommend, sensible_layouts,
};
use crate::trouble::Trouble;
use crate::units::Bytes;

/// What is asked; what is left out comes from `move.toml`.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// Disks at hand.
    pub disks: Option<u32>,
    /// Size of one disk.
    pub disk_size: Option<Bytes>,
    /// The layout asked for.
    pub layout: Option<Layout>,
    /// Sector size.
    pub ashift: Option<Ashift>,
}

/// The answer.
pub struct Compared {
    /// The layout asked for first, if one was.
    pub rows: Vec<LayoutRow>,
    /// Which one to take.
    pub advice: Option<Advice>,
    /// What the files take on the first layout by recordsize and compression.
    pub choices: Vec<(Choice, Taken)>,
    /// Recordsize and compression for them.
    pub recommended: Recommendation,
}

/// Compares layouts. Without a move nothing is needed yet and nothing grows.
///
/// # Errors
/// [`Trouble`] where disks and layout do not add up, or too little was told.
pub fn pool(desk: Option<&Desk<'_>>, asked: &Asked, now: Moment) -> Result<Compared, Trouble> {
    let at = desk.and_then(|desk| desk.settings.destinations.first());
    let told = |what: &str| {
        Trouble::usage("pool-unknown", format!("nobody told {what}"))
            .mend("Give --disks, --disk-size and --layout, or set layout and disk-size in move.toml.")
    };
    let own = match (asked.layout, at.and_then(|at| at.layout.as_deref())) {
        (Some(layout), _) => Some(layout),
        (None, Some(text)) => Some(Layout::parse(text)?),
        (None, None) => None,
    };
    let disk = asked
        .disk_size
        .or(at.and_then(|at| at.disk_size))
        .ok_or_else(|| told("the size of a disk"))?;
    let ashift = match (asked.ashift, at.and_then(|at| at.ashift)) {
        (Some(ashift), _) => ashift,
        (None, Some(a)) => Ashift::new(u64::from(a))?,
        (None, None) => Ashift::FOUR_KIB,
    };
    let disks = asked
        .disks
        .or(own.map(|layout| layout.disks()))
        .ok_or_else(|| told("how many disks there are"))?;
    if let Some(layout) = own {
        layout.check_disks(disks)?;
    }
    let (tally, content, growth) = archive(desk, ashift)?;
    let fill_limit = FillLimit::new(u64::from(at.map_or(80, |at| at.fill_limit)))?;
    let reserve = at.and_then(|at| at.reserve).unwrap_or_default();
    let mut layouts: Vec<Layout> = own.into_iter().collect();
    layouts.extend(
        sensible_layouts(disks)?
            .into_iter()
            .filter(|layout| Some(*layout) != own),
    );
    let needed = |layout: Layout| Candidate {
        layout,
        needed: recommend(&tally, layout).taken.used,
    };
    let candidates: Vec<Candidate> = layouts.iter().map(|layout| needed(*layout)).collect();
    let question = Question {
        disk,
        ashift,
        fill_limit,
        reserve,
        content,
        growth,
        outer_rate: OUTER_RATE,
        now,
    };
    let rows = compare(&candidates, &question)?;
    let first = layouts.first().copied().ok_or_else(|| told("a layout"))?;
    Ok(Compared {
        advice: advise(&rows, own.is_some(), disk),
        choices: tally.taken_by_choice(first),
        recommended: recommend(&tally, first),
        rows,
    })
}

fn archive(
    desk: Option<&Desk<'_>>,
    ashift: Ashift,
) -> Result<(SpaceTally, Bytes, Option<YearlyGrowth>), Trouble> {
    let Some(desk) = desk else {
        return Ok((SpaceTally::new(ashift), Bytes::ZERO, None));
    };
    let surveyed = gather::surveys(desk)?;
    let tally = plan::tally(desk, &surveyed, ashift)?;
    let content = surveyed.iter().map(|one| one.survey.sizes.total().bytes).sum();
    let grown = gather::growth(&surveyed, desk.now(), desk.settings.windows.zone);
    let growth = grown.map(|g| YearlyGrowth {
        low: g.low,
        likely: g.likely,
        high: g.high,
    });
    Ok((tally, content, growth))
}
