//! The end of a survey: dates weighed, shares judged, questions asked.

use crate::moment::Year;
use crate::names::RelPath;
use crate::sizes::SizeHistogram;
use crate::survey::calendar::DAY;
use crate::survey::dates::spikes::{self, CopyDays};
use crate::survey::dates::{self, NameReader, Weighed, Written};
use crate::survey::exclude::literal;
use crate::survey::hazards::names::is_dataset_name;
use crate::survey::hazards::{EXAMPLES, Sort};
use crate::survey::project::{KindTotals, ProjectState};
use crate::survey::surveyor::Surveyor;
use crate::survey::{
    Confidence, Evidence, Excluded, Kind, ProjectDate, ProjectKey, ProjectSummary, Question, Survey,
    Unplanned, questions,
};
use crate::units::{Amount, Bytes, counted};
use std::collections::{BTreeMap, BTreeSet, HashMap};

impl Surveyor {
    /// Ends the survey.
    pub fn finish(mut self) -> Survey {
        let copied = spikes::copy_days(self.projects.iter().map(|project| &project.dates));
        self.report_links();
        self.report_copy_days(&copied);
        self.report_in_use();
        self.report_headers_and_spans(&copied);
        self.report_project_names();
        std::mem::take(&mut self.spelling).finish(&mut self.tally);
        self.numbers = HashMap::new();
        let (dates, questions) = self.weigh_dates(&copied);
        let (projects, kinds, sizes) = self.summaries(dates);
        let shares = std::mem::take(&mut self.shares);
        shares.finish(sizes.below(Bytes(1 << 20)), &mut self.tally);
        self.report_mount();
        self.list_the_rest();
        Survey {
            counts: self.counts,
            projects,
            kinds,
            sizes,
            hazards: self.tally.finish(),
            questions,
            excluded: self
                .excluded
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

    fn report_links(&mut self) {
        let pairs = std::mem::take(&mut self.hard_links).finish(&mut self.tally);
        for (a, b) in pairs {
            if let Some(project) = self.projects.get_mut(a) {
                project.linked.insert(b);
            }
        }
        std::mem::take(&mut self.symlinks).finish(self.looked_again, &mut self.tally);
    }

    fn report_copy_days(&mut self, copied: &CopyDays) {
        let (Some(first), Some(last)) = (copied.days.first(), copied.days.last()) else {
            return;
        };
        let touched =
            |project: &&ProjectState| project.dates.days.keys().any(|day| copied.days.contains(day));
        let projects = self.projects.iter().filter(touched).count() as u64;
        let examples: Vec<RelPath> = self
            .projects
            .iter()
            .filter(touched)
            .filter_map(|project| match &project.key {
                ProjectKey::Folder(path) => Some(path.clone()),
                ProjectKey::Loose(_) => None,
            })
            .take(EXAMPLES)
            .collect();
        self.tally.note_many(Sort::CopyDay, projects, examples);
        let looks = if last - first <= 1 {
            format!("{} looks like a day", dates::date_text(*first))
        } else {
            format!("{} and other days look like days", dates::date_text(*first))
        };
        self.tally.say(
            Sort::CopyDay,
            format!(
                "{looks} of copying that did not keep times: those times, of {}, are kept and are no \
                 evidence for a year.",
                counted(copied.files, "file")
            ),
        );
    }

    fn report_in_use(&mut self) {
        let quiet = i64::from(self.rules.quiet_days).saturating_mul(DAY);
        let since = self.rules.now.plus_seconds(-quiet);
        for project in &self.projects {
            if let (ProjectKey::Folder(path), Some(newest)) = (&project.key, project.newest) {
                if newest > since {
                    self.tally.note_path(Sort::ProjectInUse, path);
                }
            }
        }
    }

    /// Hazards D4 to D6.
    fn report_headers_and_spans(&mut self, copied: &CopyDays) {
        for project in &self.projects {
            let ProjectKey::Folder(path) = &project.key else {
                continue;
            };
            let dates = &project.dates;
            if dates.corrected > 0 {
                self.tally.note_path(Sort::HeaderCorrected, path);
            }
            if dates.near_new_year > 0 {
                self.tally.note_path(Sort::HeaderNewYear, path);
            }
            let shot = dates
                .days
                .iter()
                .filter(|(day, found)| found.originals > 0 && !copied.days.contains(day));
            let years: BTreeSet<Year> = shot.filter_map(|(day, _)| self.calendar.year_of(*day)).collect();
            if years.len() > 1 {
                self.tally.note_path(Sort::ProjectSpans, path);
            }
        }
    }

    /// Hazard N12.
    fn report_project_names(&mut self) {
        for project in &self.projects {
            if let ProjectKey::Folder(path) = &project.key {
                if !path.components().all(is_dataset_name) {
                    self.tally.note_path(Sort::NameNotDataset, path);
                }
            }
        }
    }

    fn report_mount(&mut self) {
        let hidden = &self.rules.hidden_by_mount;
        if hidden.is_empty() {
            return;
        }
        self.tally.note_many(Sort::HiddenByMount, 1, None);
        self.tally.say(
            Sort::HiddenByMount,
            format!(
                "This mount does not show {}, so what the old box holds of them is neither counted nor moved.",
                hidden.join(", ")
            ),
        );
    }

    /// The dates of all projects, and what is to be asked: one question a project, whether it is
    /// one goes before of which year it is. Only what becomes a question is kept of the rest.
    fn weigh_dates(&mut self, copied: &CopyDays) -> (Vec<ProjectDate>, Vec<Question>) {
        let source = &self.rules.source;
        let names = NameReader::of(self.projects.iter().map(|project| &project.key), &self.calendar);
        let doubtful: BTreeSet<&RelPath> = self.doubtful.iter().collect();
        let mut of_doubtful: BTreeMap<&RelPath, Weighed> = BTreeMap::new();
        let mut asked: Vec<Question> = Vec::new();
        let mut all = Vec::with_capacity(self.projects.len());
        for project in &self.projects {
            let written = names.read(&project.key, &self.calendar);
            let mut weighed = match project.key {
                ProjectKey::Loose(year) => loose(year),
                ProjectKey::Folder(_) if project.amount.files == 0 && written == Written::Nothing => empty(),
                ProjectKey::Folder(_) => dates::weigh(&written, &project.dates, copied, &self.calendar),
            };
            if let (Written::Ambiguous(_), ProjectKey::Folder(path)) = (&written, &project.key) {
                self.tally.note_path(Sort::DateAmbiguous, path);
            }
            if let (Some(_), ProjectKey::Folder(path)) = (&weighed.ask, &project.key) {
                self.tally.note_path(Sort::DateDisagrees, path);
            }
            match &project.key {
                ProjectKey::Folder(path) if doubtful.contains(path) => {
                    of_doubtful.insert(path, weighed.clone());
                }
                key => asked.extend(questions::about_date(source, key, &weighed)),
            }
            weighed.date.words.shrink_to_fit();
            all.push(weighed.date);
        }
        let mut questions: Vec<Question> = std::mem::take(&mut self.asked);
        let undecided = empty();
        for path in &self.doubtful {
            let date = of_doubtful.get(path).unwrap_or(&undecided);
            questions.push(questions::about_by_product(source, path, &literal(path), date));
        }
        questions.append(&mut asked);
        questions.sort_by(|a, b| a.project.cmp(&b.project));
        (all, questions)
    }

    fn summaries(&mut self, dates: Vec<ProjectDate>) -> (Vec<ProjectSummary>, Vec<KindRow>, SizeHistogram) {
        let mut kinds = KindTotals::default();
        let mut sizes = SizeHistogram::default();
        let mut linked: Vec<Vec<ProjectKey>> = self.projects.iter().map(|one| self.linked(one)).collect();
        let mut projects = Vec::with_capacity(self.projects.len());
        let states = std::mem::take(&mut self.projects).into_iter();
        for ((state, date), linked) in states.zip(dates).zip(&mut linked) {
            kinds.merge(&state.kinds);
            sizes.merge(&state.sizes);
            projects.push(state.summary(&self.rules.source, date, std::mem::take(linked)));
        }
        projects.sort_by(|a, b| a.key.cmp(&b.key));
        (projects, kinds.sorted(), sizes)
    }

    fn linked(&self, state: &ProjectState) -> Vec<ProjectKey> {
        let others = state
            .linked
            .iter()
            .filter_map(|number| self.projects.get(*number));
        let mut linked: Vec<ProjectKey> = others.map(|other| other.key.clone()).collect();
        linked.sort();
        linked
    }

    fn list_the_rest(&mut self) {
        for (reason, amount) in std::mem::take(&mut self.unlisted) {
            self.unplanned.push(Unplanned {
                source: self.rules.source.clone(),
                path: RelPath::root(),
                reason,
                amount,
            });
        }
    }
}

type KindRow = (Kind, Amount);

/// Loose files are of the year of their own times, one by one.
fn loose(year: Option<Year>) -> Weighed {
    let words = match year {
        Some(year) => format!("loose files whose own times lie in {year}"),
        None => "loose files without a time that can be believed".to_string(),
    };
    Weighed {
        ask: year.is_none().then(|| words.clone()),
        date: ProjectDate {
            year,
            evidence: if year.is_some() {
                Evidence::MedianTime
            } else {
                Evidence::Nothing
            },
            confidence: if year.is_some() {
                Confidence::Medium
            } else {
                Confidence::Low
            },
            words,
            against: Vec::new(),
        },
        choices: Vec::new(),
    }
}

/// A project without a single file is worth no question.
fn empty() -> Weighed {
    Weighed {
        date: ProjectDate {
            year: None,
            evidence: Evidence::Nothing,
            confidence: Confidence::Low,
            words: "there is no file in it".to_string(),
            against: Vec::new(),
        },
        ask: None,
        choices: Vec::new(),
    }
}
