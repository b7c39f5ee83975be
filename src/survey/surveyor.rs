//! Entries pushed in, totals out.

use crate::entry::{Entry, EntryKind, Listing, Named};
use crate::names::RelPath;
use crate::sizes::SizeHistogram;
use crate::survey::calendar::Calendar;
use crate::survey::dates;
use crate::survey::kinds;
use crate::survey::project::{KindTotals, ProjectState};
use crate::survey::{
    Counts, Excluded, Membership, Owner, ProjectKey, ProjectSummary, Survey, SurveyRules, Unplanned,
};
use crate::units::{Amount, Bytes};
use std::collections::{BTreeMap, HashMap};

/// How many examples are kept of anything.
pub const EXAMPLES: usize = 5;
/// How many entries in no batch are listed one by one; the rest is one line at the root. A source
/// with more of them has one cause, not a hundred thousand.
const UNPLANNED_MOST: usize = 100_000;
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
    numbers: HashMap<ProjectKey, usize>,
    excluded: BTreeMap<String, (Amount, Vec<RelPath>)>,
    unplanned: Vec<Unplanned>,
    unlisted: BTreeMap<&'static str, Amount>,
}

/// What holds for all entries of one folder.
struct Place<'a> {
    folder: &'a RelPath,
    /// The project of the folder and its children, where it lies deep enough.
    project: Option<usize>,
    /// The folder lies in a folder of by-products.
    in_cache: bool,
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
        }
    }

    /// Takes in one folder. Folders come parents first, each once.
    pub fn push(&mut self, listing: &Listing) {
        if let Some(rule) = self
            .rules
            .exclude
            .rule_for_path(&listing.folder, EntryKind::Directory)
            .map(str::to_string)
        {
            self.push_excluded_folder(listing, &rule);
            return;
        }
        let project = self.membership.project_of_folder(&listing.folder);
        let place = Place {
            folder: &listing.folder,
            project: project.map(|key| self.number_of(key)),
            in_cache: listing.folder.components().any(kinds::is_cache_folder),
        };
        for child in &listing.children {
            self.count(&child.entry);
            match self
                .rules
                .exclude
                .rule_for(&listing.folder, &child.name, child.entry.kind)
            {
                Some(rule) => {
                    let rule = rule.to_string();
                    self.push_excluded(&rule, &listing.folder, child, true);
                }
                None => self.push_child(&place, child),
            }
        }
    }

    fn push_child(&mut self, place: &Place, child: &Named) {
        let entry = &child.entry;
        if let Some(reason) = unplanned_reason(entry) {
            self.push_unplanned(place.folder, child, reason);
            // A folder that could not be listed is still a project's folder.
            if entry.kind != EntryKind::Directory {
                return;
            }
        }
        let Some(number) = self.owner(place, child) else {
            return;
        };
        match entry.kind {
            EntryKind::File => self.push_file(place, number, child),
            _ => {
                if let Some(project) = self.projects.get_mut(number) {
                    project.others += 1;
                }
            }
        }
    }

    fn push_file(&mut self, place: &Place, number: usize, child: &Named) {
        let (mut kind, mut original) = kinds::kind_of(&child.name);
        if place.in_cache {
            (kind, original) = (super::Kind::Cache, false);
        }
        let believed = self.calendar.believe(child.entry.mtime);
        let Some(project) = self.projects.get_mut(number) else {
            return;
        };
        project.push_file(&child.entry, kind, believed.is_ok());
        if let Ok((day, _)) = believed {
            project.dates.push_time(day, child.entry.size.0, original);
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
        }
        if itself && examples.len() < EXAMPLES {
            examples.extend(folder.join(&child.name).ok());
        }
    }

    fn push_unplanned(&mut self, folder: &RelPath, child: &Named, reason: &'static str) {
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

    /// Ends the survey.
    pub fn finish(mut self) -> Survey {
        let source = self.rules.source.clone();
        let mut kind_totals = KindTotals::default();
        let mut sizes = SizeHistogram::default();
        let mut projects: Vec<ProjectSummary> = Vec::with_capacity(self.projects.len());
        for state in &self.projects {
            kind_totals.merge(&state.kinds);
            sizes.merge(&state.sizes);
            let linked = state
                .linked
                .iter()
                .filter_map(|number| self.projects.get(*number))
                .map(|other| other.key.clone())
                .collect();
            let date = dates::decide(&state.dates, &self.calendar);
            projects.push(state.summary(&source, date, linked));
        }
        projects.sort_by(|a, b| a.key.cmp(&b.key));
        for (reason, amount) in std::mem::take(&mut self.unlisted) {
            self.unplanned.push(Unplanned {
                source: source.clone(),
                path: RelPath::root(),
                reason,
                amount,
            });
        }
        Survey {
            counts: self.counts,
            projects,
            kinds: kind_totals.sorted(),
            sizes,
            hazards: Vec::new(),
            questions: Vec::new(),
            excluded: std::mem::take(&mut self.excluded)
                .into_iter()
                .map(|(rule, (amount, examples))| Excluded {
                    rule,
                    amount,
                    examples,
                })
                .collect(),
            unplanned: self.unplanned,
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
