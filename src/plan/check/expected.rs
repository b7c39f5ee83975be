//! What each fresh batch and project should be like, from the rules and the project's own evidence.

use super::{Who, dataset_of, known};
use crate::moment::Year;
use crate::names::RelPath;
use crate::plan::rules::{By, PlanRules};
use crate::plan::tags::{Wish, project_name, wish};
use crate::plan::{Batch, Inputs, Placed, Plan};
use crate::survey::{Kind, ProjectSummary};
use std::collections::BTreeMap;

/// When a batch's turn comes; lower is earlier.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Wait {
    /// For nothing.
    None,
    /// For all that has a year.
    Undated,
    /// For the disks of its pool, which are free when all else has moved.
    Disks,
    /// For all that moves for the first time and may.
    Later,
    /// Until its files are left alone.
    Busy,
    /// Until the user lets it go.
    Held,
}

/// One project of a fresh batch.
pub(super) struct Member<'a> {
    pub project: &'a ProjectSummary,
    pub placed: &'a Placed,
    pub year: Option<Year>,
    pub wish: Wish,
    pub wait: Wait,
    /// The tag's order; those without one count as last.
    pub order: (bool, i64),
}

/// A batch that has not begun, with what is known of its projects.
pub(super) struct FreshBatch<'a> {
    pub batch: &'a Batch,
    pub members: Vec<Member<'a>>,
}

/// All of them, in the plan's order.
pub(super) struct Fresh<'a> {
    pub batches: Vec<FreshBatch<'a>>,
}

impl<'a> Fresh<'a> {
    /// Works them out. Projects that nothing was handed in for are left out: that is a flaw
    /// already.
    pub(super) fn of(plan: &'a Plan, inputs: &Inputs<'a>, rules: &PlanRules) -> Fresh<'a> {
        let (first, late) = (known(inputs.projects), known(inputs.late));
        let batches = plan.batches.iter().skip(inputs.locked.len());
        let mut fresh = Fresh {
            batches: batches
                .map(|batch| FreshBatch {
                    batch,
                    members: members(batch, if batch.delta { &late } else { &first }, rules),
                })
                .collect(),
        };
        fresh.groups_wait_together();
        fresh.undated_wait(plan, rules);
        fresh.staged_wait(plan, rules);
        fresh
    }

    /// The members of each group, of all sources.
    pub(super) fn groups(&self) -> BTreeMap<&str, Vec<(&FreshBatch<'a>, &Member<'a>)>> {
        let mut groups: BTreeMap<&str, Vec<_>> = BTreeMap::new();
        for fresh in self.batches.iter().filter(|f| !f.batch.delta) {
            for member in &fresh.members {
                if let Some(group) = &member.wish.group {
                    groups.entry(group).or_default().push((fresh, member));
                }
            }
        }
        groups
    }

    fn groups_wait_together(&mut self) {
        let mut common: BTreeMap<String, (Wait, (bool, i64))> = BTreeMap::new();
        for (group, members) in self.groups() {
            let wait = members.iter().map(|(_, m)| m.wait).max();
            let order = members.iter().map(|(_, m)| m.order).min();
            if let (Some(wait), Some(order)) = (wait, order) {
                common.insert(group.to_string(), (wait, order));
            }
        }
        for fresh in self.batches.iter_mut().filter(|f| !f.batch.delta) {
            for member in &mut fresh.members {
                let group = member.wish.group.as_ref();
                if let Some((wait, order)) = group.and_then(|g| common.get(g)) {
                    (member.wait, member.order) = (*wait, *order);
                }
            }
        }
    }

    fn undated_wait(&mut self, plan: &Plan, rules: &PlanRules) {
        for fresh in self.batches.iter_mut().filter(|f| !f.batch.delta) {
            let dataset = dataset_of(plan, &fresh.batch.dataset);
            let undated = dataset.is_some_and(|d| d.folder.as_bytes() == b"undated");
            for member in &mut fresh.members {
                if undated && rules.by == By::Year && member.wait == Wait::None {
                    member.wait = Wait::Undated;
                }
            }
        }
    }

    fn staged_wait(&mut self, plan: &Plan, rules: &PlanRules) {
        let late = |name: &str| rules.destinations.iter().any(|d| d.late && d.name == name);
        for fresh in self.batches.iter_mut().filter(|f| !f.batch.delta) {
            let staged = dataset_of(plan, &fresh.batch.dataset).is_some_and(|d| late(&d.destination));
            for member in fresh.members.iter_mut().filter(|_| staged) {
                member.wait = member.wait.max(Wait::Disks);
            }
        }
    }
}

fn members<'a>(
    batch: &'a Batch,
    list: &BTreeMap<Who<'a>, &'a ProjectSummary>,
    rules: &PlanRules,
) -> Vec<Member<'a>> {
    let mut members = Vec::new();
    for placed in &batch.projects {
        let Some(project) = list.get(&(&batch.source, &placed.key)) else {
            continue;
        };
        // A tag that cannot be read stops the making of the plan before it comes here.
        let mut wish = wish(rules, &project_name(&placed.key), Some(project)).unwrap_or_default();
        if batch.delta {
            // Later files follow their project; its group has nothing more to say.
            wish.group = None;
        }
        let newest = project.newest.zip(rules.quiet_since);
        let wait = if wish.hold {
            Wait::Held
        } else if newest.is_some_and(|(newest, since)| newest > since) {
            Wait::Busy
        } else if batch.delta {
            Wait::Later
        } else {
            Wait::None
        };
        members.push(Member {
            project,
            placed,
            year: wish.year.or(project.date.year),
            order: (wish.order.is_none(), wish.order.unwrap_or_default()),
            wish,
            wait,
        });
    }
    members
}

impl Member<'_> {
    /// Its own path below a dataset, with the source's extra folder.
    pub(super) fn own_path(&self, rules: &PlanRules) -> Option<RelPath> {
        let name = project_name(&self.placed.key);
        let renamed = rules.renames.iter().find(|r| r.from.as_bytes() == name);
        let own = match (&self.wish.renamed, renamed) {
            (Some(bytes), _) => RelPath::new(bytes.clone()).ok()?,
            (None, Some(rename)) => rename.to.clone(),
            (None, None) => RelPath::new(name).ok()?,
        };
        Some(rules.under(&self.project.source).join_path(&own))
    }

    /// The folder of the dataset it would choose alone; its own path where it is the dataset.
    pub(super) fn wanted_folder(&self, rules: &PlanRules) -> Option<RelPath> {
        if let Some(dataset) = &self.wish.dataset {
            return RelPath::new(dataset.clone()).ok();
        }
        let group = self.wish.group.clone();
        let text = match rules.by {
            By::Year => self
                .year
                .map_or("undated".to_string(), |year| format!("{:04}", year.0)),
            By::Kind => self.wish.kind.clone().unwrap_or_else(|| self.kind().to_string()),
            By::Tag => group.unwrap_or_else(|| "untagged".to_string()),
            By::Project => match group {
                Some(group) => group,
                None => return self.own_path(rules),
            },
        };
        RelPath::new(text).ok()
    }

    fn kind(&self) -> &'static str {
        match self.project.kinds.first() {
            Some((Kind::Video, _)) => "video",
            Some((Kind::Audio, _)) => "audio",
            Some((Kind::Picture, _)) => "picture",
            Some((Kind::Edit, _)) => "edit",
            Some((Kind::Document, _)) => "document",
            Some((Kind::Archive, _)) => "archive",
            Some((Kind::Cache, _)) => "cache",
            Some((Kind::Other, _)) | None => "other",
        }
    }

    /// Where it stands among its like: by year, the undated last, then by name.
    pub(super) fn date_place(&self, newest_first: bool) -> (i32, i32, Vec<u8>) {
        let year = self.year.map_or(i32::from(u16::MAX), |year| i32::from(year.0));
        let turned = match (newest_first, self.year) {
            (true, Some(year)) => -i32::from(year.0),
            (true, None) | (false, _) => 0,
        };
        (turned, year, project_name(&self.placed.key))
    }
}
