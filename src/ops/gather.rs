//! Surveys of the newest indexes: what every later verb decides on.

use super::desk::Desk;
use super::scan::newest_index;
use super::settings::{Settings, SourceSettings};
use crate::index::Index;
use crate::survey::changes::InodeTrust;
use crate::survey::exclude::Exclude;
use crate::survey::headers::{HeaderDate, HeaderReader, Next};
use crate::survey::member::Membership;
use crate::survey::rules::SurveyRules;
use crate::survey::surveyor::Surveyor;
use crate::survey::{Sample, Survey};
use crate::trouble::Trouble;
use crate::world::{Folder, Fs, OpenHow, OsFs};
use std::sync::Arc;

/// One source, surveyed.
pub struct Surveyed {
    /// Its settings.
    pub source: SourceSettings,
    /// The index it rests on.
    pub index: Index,
    /// What it says.
    pub survey: Survey,
}

/// Surveys the newest index of every source. Dates in media headers are read where the source is
/// there; without it the other evidence stands alone.
///
/// # Errors
/// [`Trouble`] where a source was not scanned or an index is damaged.
pub fn surveys(desk: &Desk<'_>) -> Result<Vec<Surveyed>, Trouble> {
    desk.settings
        .sources
        .iter()
        .map(|source| one(desk, source))
        .collect()
}

fn one(desk: &Desk<'_>, source: &SourceSettings) -> Result<Surveyed, Trouble> {
    let index = newest_index(desk, &source.name.0)?;
    let survey = survey_of(&desk.settings, source, &index)?;
    Ok(Surveyed {
        source: source.clone(),
        index,
        survey,
    })
}

/// Surveys one index.
///
/// # Errors
/// [`Trouble`] where it is damaged.
pub fn survey_of(settings: &Settings, source: &SourceSettings, index: &Index) -> Result<Survey, Trouble> {
    let mut surveyor = Surveyor::new(rules(settings, source, index)?);
    for listing in index.listings() {
        surveyor.push(&listing?);
    }
    if surveyor.wants_second_look() {
        for listing in index.listings() {
            surveyor.push_again(&listing?);
        }
    }
    let samples = surveyor.wanted_samples();
    if let Ok(fs) = OsFs::open(&source.path) {
        for sample in samples {
            if let Some(date) = header_date(&fs, &sample) {
                surveyor.media_dates(&sample.project, [date]);
            }
        }
    }
    Ok(surveyor.finish())
}

/// The date in one media file's header, by a few small reads. A file that cannot be read any more
/// gives none; the scan has listed it.
fn header_date(fs: &OsFs, sample: &Sample) -> Option<HeaderDate> {
    let (above, name) = sample.path.split()?;
    let mut folder: Arc<dyn Folder> = fs.root().ok()?;
    for part in above.components() {
        folder = folder.enter(part).ok()?;
    }
    let file = folder.open(name, OpenHow::Plain).ok()?;
    let mut reader = HeaderReader::new(sample.header, sample.identity.size.0);
    let mut next = reader.begin();
    loop {
        match next {
            Next::Found(date) => return date,
            Next::Read { offset, len } => {
                let mut bytes = vec![0u8; len];
                let length = file.read_at(offset, &mut bytes).ok()?;
                next = reader.feed(&bytes[..length]);
            }
        }
    }
}

/// The conditions a survey of this source is made under.
fn rules(settings: &Settings, source: &SourceSettings, index: &Index) -> Result<SurveyRules, Trouble> {
    let started = index.header().started();
    let mut rules = SurveyRules::usual(source.name.clone(), settings.windows.zone, started);
    rules.project_depth = source.project_depth;
    rules.scanned = Some(started);
    rules.exclude = exclude(settings, source)?;
    rules.quiet_days = settings.quiet_days;
    rules.inodes_hold = inodes_hold(source, index);
    let to = settings
        .destinations
        .first()
        .map_or(0, |d| d.path.as_os_str().len());
    // A year and two slashes, and the extra folder of the source.
    rules.destination_prefix_bytes = to + 6 + source.under.as_bytes().len();
    Ok(rules)
}

/// Whether inode numbers of this source tell which names belong to one file.
pub fn inodes_hold(source: &SourceSettings, index: &Index) -> bool {
    use crate::index::InodeClass;
    source.cross.is_empty() && index.header().start.inodes != InodeClass::Worthless
}

/// Whether a file of this source is known by its inode number from one scan to the next, over any
/// remount. Where it is not, path, size and time alone say what it is.
pub fn inodes_stay(source: &SourceSettings, index: &Index) -> bool {
    use crate::index::InodeClass;
    source.cross.is_empty() && index.header().start.inodes == InodeClass::Stable
}

/// How far inodes tell what has moved from one index to another: they do where they are stable, or
/// where the source stayed mounted and kept its numbers all the while.
pub fn trust(source: &SourceSettings, old: &Index, new: &Index) -> InodeTrust {
    use crate::index::InodeClass;
    let (before, now) = (&old.header().start, &new.header().start);
    let stayed = now.inodes == InodeClass::Session && before.session == now.session;
    match inodes_stay(source, new) || (stayed && source.cross.is_empty()) {
        true => InodeTrust::Stable,
        false => InodeTrust::None,
    }
}

/// What is left out of this source.
///
/// # Errors
/// [`Trouble`] for a pattern that cannot be read.
pub fn exclude(settings: &Settings, source: &SourceSettings) -> Result<Exclude, Trouble> {
    Exclude::new(settings.exclude.clone(), source.project_depth)
}

/// Which project of this source something belongs to, as of its scan.
pub fn membership(settings: &Settings, source: &SourceSettings, index: &Index) -> Membership {
    Membership::new(
        source.project_depth,
        settings.windows.zone,
        index.header().started(),
    )
}

/// How much the archive grows a year, all sources together.
pub fn growth(
    all: &[Surveyed],
    now: crate::moment::Moment,
    zone: chrono_tz::Tz,
) -> Option<crate::survey::Growth> {
    use crate::moment::Year;
    use crate::units::Bytes;
    let mut years: std::collections::BTreeMap<Year, Bytes> = std::collections::BTreeMap::new();
    for total in all.iter().flat_map(|one| one.survey.years()) {
        if let Some(year) = total.year {
            let sum = years.entry(year).or_default();
            *sum = sum.plus(total.amount.bytes);
        }
    }
    crate::survey::growth(years, now.year(zone)?).growth
}
