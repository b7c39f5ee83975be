//! Surveys of the newest indexes: what every later verb decides on.

use super::content::Shelf;
use super::desk::Desk;
use super::scan::{newest_index, unfinished};
use super::settings::{Settings, SourceSettings};
use crate::entry::{EntryKind, Identity, Piece};
use crate::index::Index;
use crate::ledger::{Content, ContentKey};
use crate::names::RelPath;
use crate::survey::changes::InodeTrust;
use crate::survey::exclude::Exclude;
use crate::survey::headers::{HeaderDate, HeaderReader, Next};
use crate::survey::member::Membership;
use crate::survey::rules::{SurveyRules, hidden_by};
use crate::survey::surveyor::Surveyor;
use crate::survey::{Sample, Survey};
use crate::trouble::Trouble;
use crate::world::{OpenHow, OsFs, reach};
use std::collections::BTreeSet;

/// One source, surveyed.
pub struct Surveyed {
    /// Its settings.
    pub source: SourceSettings,
    /// The index it rests on.
    pub index: Index,
    /// What it says.
    pub survey: Survey,
    /// Set where the scan is not finished: what the survey covers.
    pub so_far: Option<SoFar>,
}

/// How much of a source an unfinished scan has finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SoFar {
    /// Folders in the root that are finished; projects, where these lie in the root.
    pub scanned: u64,
    /// Folders in the root that are to be scanned.
    pub listed: u64,
}

/// Surveys the newest index of every source. Dates in media headers are read where they are not
/// known yet and the source is there; without either the other evidence stands alone.
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

/// The same for those who only want to look: where a source's first scan is not finished, what is
/// there of it so far.
///
/// # Errors
/// As [`surveys`].
pub fn surveys_so_far(desk: &Desk<'_>) -> Result<Vec<Surveyed>, Trouble> {
    let sources = desk.settings.sources.iter();
    sources
        .map(|source| match unfinished(desk, &source.name.0)? {
            Some(index) => part(desk, source, index),
            None => one(desk, source),
        })
        .collect()
}

fn part(desk: &Desk<'_>, source: &SourceSettings, index: Index) -> Result<Surveyed, Trouble> {
    let passed = &index.header().not_entered;
    let entered = |named: &&crate::entry::Named| {
        named.entry.kind == EntryKind::Directory
            && !passed
                .iter()
                .any(|one| one.path.as_bytes() == named.name.as_slice())
    };
    let mut so_far = SoFar {
        scanned: index.finished_tops().len() as u64,
        listed: 0,
    };
    for piece in index.pieces() {
        let listing = piece?.listing;
        if !listing.folder.is_root() {
            break;
        }
        so_far.listed += listing.children.iter().filter(entered).count() as u64;
    }
    Ok(Surveyed {
        source: source.clone(),
        survey: survey_of(desk, source, &index)?,
        index,
        so_far: Some(so_far),
    })
}

/// What of a piece a survey rests on. Of an unfinished scan, folders in the root that are not
/// finished are left out, so that nothing is said of a project that was not looked into.
fn seen(index: &Index, tops: &BTreeSet<&[u8]>, mut piece: Piece) -> Piece {
    if !index.header().complete && piece.listing.folder.is_root() {
        let known = |named: &crate::entry::Named| {
            named.entry.kind != EntryKind::Directory || tops.contains(named.name.as_slice())
        };
        piece.listing.children.retain(known);
    }
    piece
}

fn one(desk: &Desk<'_>, source: &SourceSettings) -> Result<Surveyed, Trouble> {
    let index = newest_index(desk, &source.name.0)?;
    let survey = survey_of(desk, source, &index)?;
    Ok(Surveyed {
        source: source.clone(),
        index,
        survey,
        so_far: None,
    })
}

/// Surveys one index.
///
/// # Errors
/// [`Trouble`] where it is damaged.
pub fn survey_of(desk: &Desk<'_>, source: &SourceSettings, index: &Index) -> Result<Survey, Trouble> {
    let mut surveyor = Surveyor::new(rules(&desk.settings, source, index)?);
    let tops: BTreeSet<&[u8]> = index.finished_tops().into_iter().collect();
    let seen = |piece| seen(index, &tops, piece);
    let reread = |folder: &RelPath, name: &[u8]| Ok(index.piece_at(folder, name)?.map(seen));
    for piece in index.pieces() {
        surveyor.push_piece(&seen(piece?), &reread)?;
    }
    if surveyor.wants_second_look() {
        for piece in index.pieces() {
            surveyor.push_again(&seen(piece?).listing);
        }
    }
    let mut headers = Headers::of(desk, source, index)?;
    surveyor.read_headers(|sample| headers.date(sample))?;
    headers.keep()?;
    Ok(surveyor.finish())
}

/// What was read is kept by so many at a time.
const HEADERS_KEPT: usize = 4_096;

/// The dates in the headers of samples. Each file is read once: what was found, or that there is
/// nothing, is kept by the file's identity, so that a source is touched again only for new files.
/// Through a ledger that is only looked at, what is not kept yet is not read either.
struct Headers<'a> {
    desk: &'a Desk<'a>,
    source: &'a SourceSettings,
    index: &'a Index,
    shelf: Shelf,
    /// Opened for the first file that is not known; `Some(None)` where it is not there.
    fs: Option<Option<OsFs>>,
    fresh: Vec<(ContentKey, Content)>,
}

impl<'a> Headers<'a> {
    fn of(desk: &'a Desk<'a>, source: &'a SourceSettings, index: &'a Index) -> Result<Headers<'a>, Trouble> {
        Ok(Headers {
            shelf: Shelf::of(&desk.ledger, index)?,
            desk,
            source,
            index,
            fs: desk.ledger.only_looks()?.then_some(None),
            fresh: Vec::new(),
        })
    }

    fn date(&mut self, sample: &Sample) -> Result<Option<HeaderDate>, Trouble> {
        let kept = self
            .shelf
            .get(&self.desk.ledger, &sample.path, &sample.identity)?
            .header;
        if let Some(date) = kept {
            return Ok(date);
        }
        // Not there: the other evidence stands alone.
        let source = self.source;
        let Some(fs) = self.fs.get_or_insert_with(|| OsFs::open(&source.path).ok()) else {
            return Ok(None);
        };
        let Some((date, identity)) = header_date(fs, sample) else {
            return Ok(None);
        };
        if self.same(&identity, &sample.identity) {
            let content = Content {
                header: Some(date),
                read_at: self.desk.now(),
                ..Content::default()
            };
            let key = self.shelf.key(&sample.path, &sample.identity);
            self.fresh.push((key, content));
            if self.fresh.len() >= HEADERS_KEPT {
                self.keep()?;
            }
        }
        Ok(date)
    }

    fn same(&self, a: &Identity, b: &Identity) -> bool {
        let inodes = !inodes_hold(self.source, self.index) || a.inode == b.inode;
        inodes && (a.size, a.mtime, a.ctime) == (b.size, b.mtime, b.ctime)
    }

    fn keep(&mut self) -> Result<(), Trouble> {
        let fresh = std::mem::take(&mut self.fresh);
        match fresh.is_empty() {
            true => Ok(()),
            false => self.shelf.keep(&self.desk.ledger, &fresh),
        }
    }
}

/// The date in one media file's header, by a few small reads, and what the file was then. `None`
/// for a file that cannot be read any more; the scan has listed it.
fn header_date(fs: &OsFs, sample: &Sample) -> Option<(Option<HeaderDate>, Identity)> {
    let (above, name) = sample.path.split()?;
    let file = reach(fs, &above).ok()?.open(name, OpenHow::Plain).ok()?;
    let mut reader = HeaderReader::new(sample.header, sample.identity.size.0);
    let mut next = reader.begin();
    loop {
        match next {
            Next::Found(date) => return Some((date, file.facts().ok()?.identity())),
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
    rules.hidden_by_mount = hidden_by(&index.header().start.mount_type);
    rules.quiet_days = settings.quiet_days;
    rules.inodes_hold = inodes_hold(source, index);
    let to = settings
        .destinations
        .iter()
        .map(|d| d.path.as_os_str().len())
        .max()
        .unwrap_or(0);
    // A year and two slashes, and the extra folder of the source.
    rules.destination_prefix_bytes = to + 6 + source.under.as_bytes().len();
    let under = source.under.lossy().encode_utf16().count();
    rules.share_prefix_units = 5 + under + usize::from(under > 0);
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
    grown(all, now, zone)?.growth
}

/// The same with what it rests on; `None` only where now lies outside the calendar.
pub fn grown(
    all: &[Surveyed],
    now: crate::moment::Moment,
    zone: chrono_tz::Tz,
) -> Option<crate::survey::Grown> {
    let sum = crate::survey::together(all.iter().map(|one| &one.survey));
    let years = sum
        .years
        .into_iter()
        .filter_map(|row| Some((row.year?, row.amount.bytes)));
    Some(crate::survey::growth(years, now.year(zone)?))
}

/// Takes away the questions that the user's tags have answered.
///
/// # Errors
/// A tag that sets no year.
pub fn drop_answered(all: &mut [Surveyed], rules: &crate::plan::PlanRules) -> Result<(), Trouble> {
    for one in all {
        let asked = std::mem::take(&mut one.survey.questions);
        one.survey.questions = crate::plan::unanswered(asked, &one.survey.projects, rules)?;
        crate::survey::leave_open(&mut one.survey);
    }
    Ok(())
}
