//! pool: layouts side by side, for these files where a move is at hand.

use super::desk::Desk;
use super::settings::DestinationSettings;
use super::{gather, plan, tally};
use crate::moment::Moment;
use crate::names::SourceName;
use crate::plan::Plan;
use crate::pool::disks::{OUTER_RATE, smallest};
use crate::pool::{
    Advice, Ashift, Candidate, Choice, FillLimit, Layout, LayoutRow, Question, Recommendation, SpaceTally,
    Taken, YearlyGrowth, advise, compare, recommend, sensible_layouts,
};
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use crate::units::Bytes;
use std::collections::BTreeMap;

/// What is asked; what is left out comes from `move.toml`.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// Disks at hand.
    pub disks: Option<u32>,
    /// Sizes of the disks; empty: not told.
    pub disk_sizes: Vec<Bytes>,
    /// The layout asked for.
    pub layout: Option<Layout>,
    /// Sector size.
    pub ashift: Option<Ashift>,
}

/// The answer for one destination.
pub struct Compared {
    /// The destination's name; empty where there is no move.
    pub name: String,
    /// Size of one disk.
    pub disk: Bytes,
    /// Sector size.
    pub ashift: Ashift,
    /// The fill limit.
    pub fill_limit: FillLimit,
    /// What is said of disks of several sizes.
    pub disks_differ: Option<String>,
    /// Growth a year that was counted with.
    pub growth: Option<YearlyGrowth>,
    /// The layout asked for first, if one was.
    pub rows: Vec<LayoutRow>,
    /// Which one to take.
    pub advice: Option<Advice>,
    /// What the files take on the first layout by recordsize and compression.
    pub choices: Vec<(Choice, Taken)>,
    /// Recordsize and compression for them.
    pub recommended: Recommendation,
}

/// Compares layouts for each destination; what is asked for holds for all of them. Without a move
/// nothing is needed yet and nothing grows.
///
/// # Errors
/// [`Trouble`] where disks and layout do not add up, or too little was told.
pub fn pool(desk: Option<&Desk<'_>>, asked: &Asked, now: Moment) -> Result<Vec<Compared>, Trouble> {
    let Some(desk) = desk else {
        let geometry = asked.ashift.unwrap_or(Ashift::FOUR_KIB);
        return Ok(vec![one(asked, None, &Archive::nothing(geometry), now)?]);
    };
    let ends = &desk.settings.destinations;
    let archives = archives(desk, asked)?;
    let answers = ends.iter().zip(&archives);
    let answers: Vec<_> = answers
        .map(|(end, archive)| one(asked, Some(end), archive, now))
        .collect();
    // Of several, those whose disks nobody told are left out.
    let some = answers.iter().any(Result::is_ok);
    let unknown = |one: &Result<Compared, Trouble>| one.as_ref().is_err_and(|e| e.code == "pool-unknown");
    answers
        .into_iter()
        .filter(|one| !(some && unknown(one)))
        .collect()
}

/// What is to lie at one destination.
struct Archive {
    tally: SpaceTally,
    content: Bytes,
    growth: Option<YearlyGrowth>,
}

impl Archive {
    fn nothing(ashift: Ashift) -> Archive {
        Archive {
            tally: SpaceTally::new(ashift),
            content: Bytes::ZERO,
            growth: None,
        }
    }
}

fn one(
    asked: &Asked,
    at: Option<&DestinationSettings>,
    archive: &Archive,
    now: Moment,
) -> Result<Compared, Trouble> {
    let told = |what: &str| {
        let of = at.map_or(String::new(), |at| format!(" of {}", at.name));
        Trouble::usage("pool-unknown", format!("nobody told {what}{of}"))
            .mend("Give --disks, --disk-size and --layout, or set layout and disk-size in move.toml.")
    };
    // A pool that grows on the way is measured as it will be in the end.
    let written = at.and_then(|at| at.grows_to.as_deref().or(at.layout.as_deref()));
    let own = match (asked.layout, written) {
        (Some(layout), _) => Some(layout),
        (None, Some(text)) => Some(Layout::parse(text)?),
        (None, None) => None,
    };
    let sizes = match asked.disk_sizes.is_empty() {
        true => at.map(|at| at.disk_sizes.clone()).unwrap_or_default(),
        false => asked.disk_sizes.clone(),
    };
    let counted = u32::try_from(sizes.len()).ok().filter(|n| *n > 1);
    if sizes.is_empty() {
        return Err(told("the size of a disk"));
    }
    let ashift = archive.tally.ashift();
    let disks = asked
        .disks
        .or(own.map(|layout| layout.disks()))
        .or(counted)
        .ok_or_else(|| told("how many disks there are"))?;
    let (disk, disks_differ) = of_one_size(&sizes, disks)?;
    if let Some(layout) = own {
        layout.check_disks(disks)?;
    }
    let fill_limit = FillLimit::new(u64::from(at.map_or(80, |at| at.fill_limit)))?;
    let mut layouts: Vec<Layout> = own.into_iter().collect();
    let others = sensible_layouts(disks)?;
    layouts.extend(others.into_iter().filter(|layout| Some(*layout) != own));
    let needed = |layout: &Layout| Candidate {
        layout: *layout,
        needed: recommend(&archive.tally, *layout).taken.used,
    };
    let candidates: Vec<Candidate> = layouts.iter().map(needed).collect();
    let question = Question {
        disk,
        ashift,
        fill_limit,
        reserve: at.and_then(|at| at.reserve).unwrap_or_default(),
        content: archive.content,
        growth: archive.growth,
        outer_rate: OUTER_RATE,
        now,
    };
    let rows = compare(&candidates, &question)?;
    let first = layouts.first().copied().ok_or_else(|| told("a layout"))?;
    Ok(Compared {
        name: at.map(|at| at.name.clone()).unwrap_or_default(),
        disk,
        ashift,
        fill_limit,
        disks_differ,
        growth: archive.growth,
        advice: advise(&rows, own.is_some(), disk),
        choices: archive.tally.taken_by_choice(first),
        recommended: recommend(&archive.tally, first),
        rows,
    })
}

/// The size that counts. Sizes may be listed without a count, then only that they differ is known.
fn of_one_size(sizes: &[Bytes], disks: u32) -> Result<(Bytes, Option<String>), Trouble> {
    let (disk, said) = smallest(sizes)?;
    let mut kinds = sizes.to_vec();
    kinds.sort_unstable();
    kinds.dedup();
    match (
        usize::try_from(disks).is_ok_and(|disks| disks == sizes.len()),
        said,
    ) {
        (true, said) => Ok((disk, said)),
        (false, _) if kinds.len() < sizes.len() => Err(Trouble::usage(
            "disks",
            format!("{} sizes of disks are told, and {disks} disks", sizes.len()),
        )
        .mend("Count all of them, like --disk-size \"8 x 14 TB, 4 x 12 TB\", or name one size.")),
        (false, None) => Ok((disk, None)),
        (false, Some(_)) => {
            let most = kinds.last().copied().unwrap_or(disk);
            let said = format!("The disks differ ({disk} to {most}); the smallest counts.");
            Ok((disk, Some(said)))
        }
    }
}

/// What lies at each destination by the plan as it would be made now. The archive's growth is
/// shared out as its bytes are: where new projects go only tags will tell.
fn archives(desk: &Desk<'_>, asked: &Asked) -> Result<Vec<Archive>, Trouble> {
    let ends = &desk.settings.destinations;
    let sectors = |end: &DestinationSettings| match (asked.ashift, end.ashift) {
        (Some(ashift), _) => Ok(ashift),
        (None, Some(a)) => Ashift::new(u64::from(a)),
        (None, None) => Ok(Ashift::FOUR_KIB),
    };
    // With one destination nothing has to be planned to know where things go.
    let (surveyed, grown, homes) = match ends.len() {
        1 => {
            let surveyed = gather::surveys(desk)?;
            let grown = gather::growth(&surveyed, desk.now(), desk.settings.windows.zone);
            (surveyed, grown, None)
        }
        _ => {
            let draft = plan::draft(desk)?;
            (draft.surveyed, draft.growth, Some(homes(&draft.plan)))
        }
    };
    let goes = |source: &SourceName, key: &ProjectKey, end: &str| match &homes {
        None => true,
        Some(homes) => homes
            .get(&(source.clone(), key.clone()))
            .is_some_and(|name| name == end),
    };
    let mut archives = Vec::new();
    for end in ends {
        let mut archive = Archive::nothing(sectors(end)?);
        let sum = &mut archive.tally;
        tally::each_project(desk, &surveyed, sum.ashift(), &mut |source, key, part| {
            if goes(source, key, &end.name) {
                // Both count in the same sectors.
                let _ = sum.merge(part);
            }
        })?;
        archive.content = archive.tally.content();
        archives.push(archive);
    }
    let whole: u128 = archives.iter().map(|one| u128::from(one.content.0)).sum();
    for archive in &mut archives {
        let content = u128::from(archive.content.0);
        let part = |yearly: Bytes| {
            let part = u128::from(yearly.0) * content / whole.max(1);
            Bytes(u64::try_from(part).unwrap_or(u64::MAX))
        };
        archive.growth = grown.map(|g| YearlyGrowth {
            low: part(g.low),
            likely: part(g.likely),
            high: part(g.high),
        });
    }
    Ok(archives)
}

/// The destination of each project.
fn homes(plan: &Plan) -> BTreeMap<(SourceName, ProjectKey), String> {
    let mut homes = BTreeMap::new();
    for batch in &plan.batches {
        let dataset = plan.datasets.iter().find(|d| d.name == batch.dataset);
        let end = dataset.map(|d| d.destination.clone()).unwrap_or_default();
        for placed in &batch.projects {
            homes.insert((batch.source.clone(), placed.key.clone()), end.clone());
        }
    }
    homes
}
