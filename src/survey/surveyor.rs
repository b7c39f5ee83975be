//! Entries pushed in, totals kept.

use crate::entry::{Entry, EntryKind, Listing, Named, Piece};
use crate::names::RelPath;
use crate::survey::calendar::{Calendar, Doubt};
use crate::survey::dates::names::read_clip;
use crate::survey::exclude::THUMBNAILS;
use crate::survey::hazards::beside::{At, Beside, Reread};
use crate::survey::hazards::files::{self, Shares};
use crate::survey::hazards::links::{HardLinks, Symlinks};
use crate::survey::hazards::names::{self, Marks};
use crate::survey::hazards::siblings::{ClipBefore, Siblings, Whole};
use crate::survey::hazards::spelling::Spelling;
use crate::survey::hazards::{EXAMPLES, Sort, Tally};
use crate::survey::headers::HeaderDate;
use crate::survey::kinds;
use crate::survey::project::ProjectState;
use crate::survey::samples::{Sample, Samples};
use crate::survey::{
    Counts, Kind, Membership, Owner, ProjectKey, Question, SurveyRules, Unplanned, questions,
};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::collections::{BTreeMap, HashMap, HashSet};

/// How many entries in no batch are listed one by one; the rest is one line at the root. A source
/// with more of them has one cause, not a hundred thousand.
const UNPLANNED_MOST: usize = 100_000;
/// The longest path in bytes that Linux programs can open: PATH_MAX of 4,096 with its NUL.
const LONGEST_PATH: usize = 4_095;
/// The longest path in characters for old Windows programs (Microsoft, "Maximum Path Length
/// Limitation").
const LONGEST_WINDOWS: usize = 260;
/// The error text that scan gives a folder at which another file system begins.
pub const BOUNDARY: &str = "another file system begins here";

/// Keeps bounded totals of one source.
#[derive(Debug)]
pub struct Surveyor {
    pub(super) rules: SurveyRules,
    pub(super) calendar: Calendar,
    membership: Membership,
    pub(super) counts: Counts,
    pub(super) projects: Vec<ProjectState>,
    pub(super) numbers: HashMap<ProjectKey, usize>,
    pub(super) excluded: BTreeMap<String, (Amount, Vec<RelPath>)>,
    pub(super) unplanned: Vec<Unplanned>,
    pub(super) unlisted: BTreeMap<&'static str, Amount>,
    pub(super) tally: Tally,
    pub(super) shares: Shares,
    pub(super) hard_links: HardLinks,
    pub(super) symlinks: Symlinks,
    pub(super) spelling: Spelling,
    pub(super) looked_again: bool,
    pub(super) asked: Vec<Question>,
    /// Folders at the top whose names begin like by-products.
    pub(super) doubtful: Vec<RelPath>,
    folders: HashSet<u64>,
    /// The project of the last folder.
    at_project: Option<usize>,
    open: Open,
}

/// What is gathered of one folder until its last piece is in.
#[derive(Debug, Default)]
struct Open {
    names: Siblings,
    clips: ClipBefore,
    whole: Whole,
    entries: usize,
    far: Option<Piece>,
}

/// What holds for all entries of one folder.
struct Place<'a> {
    folder: &'a RelPath,
    /// The project of the folder and its children, where it lies deep enough.
    project: Option<usize>,
    /// The folder lies in a folder of by-products.
    in_cache: bool,
    /// Bytes of the folder's path at the destination, its slash included.
    path_bytes: usize,
}

impl Surveyor {
    /// Begins with nothing.
    pub fn new(rules: SurveyRules) -> Surveyor {
        Surveyor {
            calendar: Calendar::new(rules.zone, rules.now),
            membership: Membership::new(rules.project_depth, rules.zone, rules.now),
            rules,
            counts: Counts::default(),
            projects: Vec::new(),
            numbers: HashMap::new(),
            excluded: BTreeMap::new(),
            unplanned: Vec::new(),
            unlisted: BTreeMap::new(),
            tally: Tally::default(),
            shares: Shares::default(),
            hard_links: HardLinks::default(),
            symlinks: Symlinks::default(),
            spelling: Spelling::default(),
            looked_again: false,
            asked: Vec::new(),
            doubtful: Vec::new(),
            folders: HashSet::new(),
            at_project: None,
            open: Open::default(),
        }
    }

    /// Takes in one folder. Folders come parents first, each once.
    pub fn push(&mut self, listing: &Listing) {
        // Nothing of a whole folder is read once more, so nothing can fail.
        let _ = self.push_at(At::whole(listing), &|_, _| Ok(None));
    }

    /// Takes in the next piece of a folder; `reread` reads others of the same one. Says the same as
    /// [`Surveyor::push`] of the whole.
    ///
    /// # Errors
    /// What `reread` answers.
    pub fn push_piece(&mut self, piece: &Piece, reread: &Reread<'_>) -> Result<(), Trouble> {
        self.push_at(At::piece(piece), reread)
    }

    fn push_at(&mut self, at: At<'_>, reread: &Reread<'_>) -> Result<(), Trouble> {
        let listing = at.listing;
        if let Some(rule) = self
            .rules
            .exclude
            .rule_for_path(&listing.folder, EntryKind::Directory)
            .map(str::to_string)
        {
            self.push_excluded_folder(listing, &rule);
            return Ok(());
        }
        let project = self.membership.project_of_folder(&listing.folder);
        let place = Place {
            folder: &listing.folder,
            project: project.map(|key| self.number_of(key)),
            in_cache: listing.folder.components().any(kinds::is_cache_folder),
            path_bytes: self.rules.destination_prefix_bytes + listing.folder.as_bytes().len() + 1,
        };
        if place.project != self.at_project {
            let left = std::mem::replace(&mut self.at_project, place.project);
            if let Some(left) = left.and_then(|left| self.projects.get_mut(left)) {
                left.leave();
            }
        }
        let mut open = std::mem::take(&mut self.open);
        if at.from.is_empty() {
            open = Open::default();
        }
        open.whole.push(listing);
        let mut beside = Beside {
            at,
            reread,
            far: &mut open.far,
        };
        for child in &listing.children {
            let number = open.entries;
            open.entries += 1;
            self.count(&child.entry);
            let rule = self
                .rules
                .exclude
                .rule_for(&listing.folder, &child.name, child.entry.kind)
                .map(str::to_string);
            if let Some(rule) = rule {
                self.push_excluded(&rule, &listing.folder, child, true);
                continue;
            }
            let marks = Marks::of(&child.name);
            open.names.push(number, &child.name, marks);
            self.check_name(&place, child, marks);
            let Some(kind) = self.push_child(&place, listing, child) else {
                continue;
            };
            files::check_meaning(&mut beside, child, kind, &mut self.tally)?;
            if matches!(kind, Kind::Video | Kind::Audio) {
                open.clips.push(&listing.folder, child, &mut self.tally);
            }
        }
        if at.next.is_some() {
            self.open = open;
            return Ok(());
        }
        open.whole.finish(&listing.folder, &mut self.tally);
        open.names.finish(&mut beside, &mut self.tally)
    }

    /// Whether some symbolic links lead where only a second pass over all listings can tell: hand
    /// each to [`Surveyor::push_again`]. Without it broken links stay unreported.
    pub fn wants_second_look(&mut self) -> bool {
        self.symlinks.second_look()
    }

    /// The second pass, folder by folder or piece by piece.
    pub fn push_again(&mut self, listing: &Listing) {
        self.looked_again = true;
        self.symlinks.look(listing);
    }

    /// Has the headers of the files read that may tell a date, at most five a project, in byte order
    /// of projects and paths, one project's at a time. To be asked once all listings are in.
    ///
    /// # Errors
    /// What `read` fails with.
    pub fn read_headers<E>(
        &mut self,
        mut read: impl FnMut(&Sample) -> Result<Option<HeaderDate>, E>,
    ) -> Result<(), E> {
        for at in self.by_key() {
            let samples = self.samples_of(at);
            for sample in samples {
                if let Some(date) = read(&sample)? {
                    self.projects[at].dates.push_header(date, &self.calendar);
                }
            }
            self.projects[at].samples = Samples::default();
        }
        Ok(())
    }

    /// Numbers of projects that are folders, by key.
    fn by_key(&self) -> Vec<usize> {
        let folder = |at: &usize| matches!(self.projects[*at].key, ProjectKey::Folder(_));
        let mut numbers: Vec<usize> = (0..self.projects.len()).filter(folder).collect();
        numbers.sort_by(|a, b| self.projects[*a].key.cmp(&self.projects[*b].key));
        numbers
    }

    fn samples_of(&self, at: usize) -> Vec<Sample> {
        let project = &self.projects[at];
        let mut samples: Vec<Sample> = project.samples.all(&project.key).collect();
        samples.sort_by(|a, b| a.path.cmp(&b.path));
        samples
    }

    fn check_name(&mut self, place: &Place, child: &Named, marks: Marks) {
        let (tally, name) = (&mut self.tally, child.name.as_slice());
        names::check(name, marks, self.rules.name_max_bytes, |sort| {
            tally.note(sort, place.folder, name);
        });
        self.spelling.push(place.folder, name, marks.is_ascii());
        let length = place.path_bytes + name.len();
        if length > LONGEST_PATH {
            tally.note(Sort::PathTooLong, place.folder, name);
        }
        if length > LONGEST_WINDOWS {
            let text = String::from_utf8_lossy(place.folder.as_bytes())
                .encode_utf16()
                .count();
            if self.rules.share_prefix_units + text + 1 + String::from_utf8_lossy(name).encode_utf16().count()
                > LONGEST_WINDOWS
            {
                tally.note(Sort::PathWindows, place.folder, name);
            }
        }
    }

    fn push_child(&mut self, place: &Place, listing: &Listing, child: &Named) -> Option<Kind> {
        let entry = &child.entry;
        if let Some(reason) = unplanned_reason(entry) {
            self.push_unplanned(place.folder, child, reason);
            // A folder that could not be listed is still a project's folder.
            if entry.kind != EntryKind::Directory {
                return None;
            }
        }
        let number = self.owner(place, child);
        if entry.kind == EntryKind::Directory {
            self.check_directory(place, child, number);
        }
        let number = number?;
        if entry.kind == EntryKind::File {
            return self.push_file(place, number, child);
        }
        if entry.kind == EntryKind::Symlink {
            self.symlinks.push(listing, child, &mut self.tally);
        }
        if let Some(project) = self.projects.get_mut(number) {
            project.others += 1;
        }
        None
    }

    fn push_file(&mut self, place: &Place, number: usize, child: &Named) -> Option<Kind> {
        let (mut kind, mut original) = kinds::kind_of(&child.name);
        if place.in_cache {
            (kind, original) = (Kind::Cache, false);
        }
        let entry = &child.entry;
        let believed = self.calendar.believe(entry.mtime);
        let project = self.projects.get_mut(number)?;
        project.push_file(entry, kind, believed.is_ok());
        if let Ok((day, _)) = believed {
            project.dates.push_time(day, entry.size.0, original);
        }
        if original {
            if let Some(year) = read_clip(&child.name, &self.calendar) {
                project.dates.push_clip(year);
            }
            project.samples.offer(place.folder, &child.name, entry);
        }
        if entry.links > 1 && self.rules.inodes_hold {
            self.hard_links.push(number, place.folder, child);
        }
        self.shares.push(place.folder, child, kind);
        let doubt: Option<Doubt> = believed.err();
        files::check(&self.rules, place.folder, child, doubt, &mut self.tally);
        files::check_mode(place.folder, child, &mut self.tally);
        Some(kind)
    }

    fn check_directory(&mut self, place: &Place, child: &Named, number: Option<usize>) {
        let entry = &child.entry;
        files::check_mode(place.folder, child, &mut self.tally);
        if self.rules.inodes_hold
            && entry.inode != 0
            && entry.error.is_none()
            && !self.folders.insert(entry.inode)
        {
            self.tally.note(Sort::SeenTwice, place.folder, &child.name);
        }
        // Day folders inside a project say when it was shot.
        if let (Some(number), Some(_)) = (number, place.project) {
            if let Some(year) = read_clip(&child.name, &self.calendar) {
                if let Some(project) = self.projects.get_mut(number) {
                    project.dates.push_folder(year);
                }
            }
        }
        let exclude = &self.rules.exclude;
        if exclude.is_doubtful_project(place.folder, &child.name, entry.kind) {
            self.tally.note(Sort::DoubtfulProject, place.folder, &child.name);
            self.doubtful.extend(place.folder.join(&child.name).ok());
        }
    }

    fn owner(&mut self, place: &Place, child: &Named) -> Option<usize> {
        if place.project.is_some() {
            return place.project;
        }
        match self.membership.owner(place.folder, child) {
            Owner::Project(key) => Some(self.number_of(key)),
            Owner::Above => None,
        }
    }

    fn number_of(&mut self, key: ProjectKey) -> usize {
        if let Some(number) = self.numbers.get(&key) {
            return *number;
        }
        let number = self.projects.len();
        self.projects.push(ProjectState::new(key.clone()));
        self.numbers.insert(key, number);
        number
    }

    fn count(&mut self, entry: &Entry) {
        let counts = &mut self.counts;
        match entry.kind {
            EntryKind::File => {
                counts.files.add(Amount::one(entry.size));
                counts.allocated = counts.allocated.plus(entry.allocated);
            }
            EntryKind::Directory => counts.directories += 1,
            EntryKind::Symlink => counts.symlinks += 1,
            EntryKind::Special => counts.special += 1,
            EntryKind::Unknown => {}
        }
        let boundary = entry.error.as_deref() == Some(BOUNDARY);
        if entry.kind == EntryKind::Unknown || (entry.error.is_some() && !boundary) {
            counts.unreadable += 1;
        }
    }

    fn push_excluded_folder(&mut self, listing: &Listing, rule: &str) {
        for child in &listing.children {
            self.count(&child.entry);
            self.push_excluded(rule, &listing.folder, child, false);
        }
    }

    /// `itself`: the rule names this entry, not a folder above it; those are the examples.
    fn push_excluded(&mut self, rule: &str, folder: &RelPath, child: &Named, itself: bool) {
        if !self.excluded.contains_key(rule) {
            self.excluded.insert(rule.to_string(), Default::default());
        }
        let Some((amount, examples)) = self.excluded.get_mut(rule) else {
            return;
        };
        if child.entry.kind == EntryKind::File {
            amount.add(Amount::one(child.entry.size));
            let (kind, original) = kinds::kind_of(&child.name);
            // Small pictures are what such folders are full of.
            let precious = kind == Kind::Edit || (original && kind != Kind::Picture);
            if rule == THUMBNAILS && precious {
                self.tally.note(Sort::ExcludedOriginals, folder, &child.name);
            }
        }
        if itself && examples.len() < EXAMPLES {
            examples.extend(folder.join(&child.name).ok());
        }
    }

    fn push_unplanned(&mut self, folder: &RelPath, child: &Named, reason: &'static str) {
        self.tally.note(unplanned_sort(reason), folder, &child.name);
        if let ("boundary", Ok(path)) = (reason, folder.join(&child.name)) {
            self.asked
                .push(questions::about_boundary(&self.rules.source, &path));
        }
        let amount = match child.entry.kind {
            EntryKind::File => Amount::one(child.entry.size),
            EntryKind::Directory => Amount::default(),
            _ => Amount::one(Bytes::ZERO),
        };
        match folder.join(&child.name) {
            Ok(path) if self.unplanned.len() < UNPLANNED_MOST => self.unplanned.push(Unplanned {
                source: self.rules.source.clone(),
                path,
                reason,
                amount,
            }),
            _ => self.unlisted.entry(reason).or_default().add(amount),
        }
    }
}

/// Why an entry is in no batch, as far as its own facts tell.
fn unplanned_reason(entry: &Entry) -> Option<&'static str> {
    match (&entry.kind, entry.error.as_deref()) {
        (_, Some(BOUNDARY)) => Some("boundary"),
        (EntryKind::Unknown, _) => Some("unreadable"),
        (EntryKind::Directory, Some(_)) => Some("unreadable"),
        (EntryKind::Special, _) => Some("special"),
        _ => None,
    }
}

fn unplanned_sort(reason: &str) -> Sort {
    match reason {
        "boundary" => Sort::Boundary,
        "special" => Sort::Special,
        _ => Sort::Unreadable,
    }
}
