//! Where each project belongs: dataset folder, place, order. Tags first, then the evidence.

use super::LockedBatch;
use super::rules::{By, PlanRules};
use super::tags::{Wish, project_name, wish};
use crate::moment::Year;
use crate::names::{RelPath, SourceName, nearest, shown};
use crate::survey::{Kind, ProjectKey, ProjectSummary};
use crate::trouble::Trouble;
use std::collections::BTreeMap;

/// A project with all decisions taken but the batch.
#[derive(Debug, Clone)]
pub(super) struct Settled<'a> {
    pub project: &'a ProjectSummary,
    pub name: Vec<u8>,
    pub wish: Wish,
    /// After tags.
    pub year: Option<Year>,
    /// Number of the destination in the rules.
    pub destination: usize,
    /// The dataset's folder below the destination.
    pub folder: RelPath,
    /// The project's folder below the dataset's.
    pub place: RelPath,
    /// What the dataset was chosen by, in words.
    pub dataset_by: String,
    pub class: Class,
    /// Later files of a project that was moved before.
    pub delta: bool,
}

/// What must not share a batch, in the order of being carried out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Class {
    pub turn: Turn,
    pub order: TagOrder,
}

/// When in the whole move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Turn {
    /// With all others.
    Ordinary,
    /// In the dataset `undated`.
    Undated,
    /// On a pool that is only there after others: when all these have moved.
    Staged,
    /// Later files of what was moved before.
    Late,
    /// In use: last.
    InUse,
    /// Held by a tag.
    Held,
}

/// A tag's `order`; those without one come after all that have one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum TagOrder {
    Given(i64),
    Open,
}

/// The word for a kind in dataset names.
pub(super) fn kind_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Video => "video",
        Kind::Audio => "audio",
        Kind::Picture => "picture",
        Kind::Edit => "edit",
        Kind::Document => "document",
        Kind::Archive => "archive",
        Kind::Cache => "cache",
        Kind::Other => "other",
    }
}

/// Settles all projects and holds groups together. The result is in the order of the year (the
/// undated last), then of name, source and key: whatever order they came in.
///
/// # Errors
/// A tag that sets no year, no legal folder or an unknown destination.
pub(super) fn settle<'a>(
    projects: impl Iterator<Item = &'a ProjectSummary>,
    rules: &PlanRules,
) -> Result<Vec<Settled<'a>>, Trouble> {
    let mut all = projects
        .map(|project| one(project, rules))
        .collect::<Result<Vec<_>, _>>()?;
    all.sort_by(|a, b| date_order(a).cmp(&date_order(b)));
    join_groups(&mut all);
    for settled in &mut all {
        if settled.class.turn == Turn::Ordinary && is_undated(rules, &settled.folder) {
            settled.class.turn = Turn::Undated;
        }
        let late = rules
            .destinations
            .get(settled.destination)
            .is_some_and(|d| d.late);
        if late && settled.class.turn < Turn::Staged {
            settled.class.turn = Turn::Staged;
        }
    }
    Ok(all)
}

/// Whether a dataset's folder is that of the projects without evidence.
pub(super) fn is_undated(rules: &PlanRules, folder: &RelPath) -> bool {
    rules.by == By::Year && folder.as_bytes() == b"undated"
}

/// The order in which projects stand within a dataset.
pub(super) fn date_order<'a>(s: &'a Settled<'_>) -> (u16, &'a [u8], &'a SourceName, &'a ProjectKey) {
    let year = s.year.map_or(u16::MAX, |year| year.0);
    (year, &s.name, &s.project.source, &s.project.key)
}

fn one<'a>(project: &'a ProjectSummary, rules: &PlanRules) -> Result<Settled<'a>, Trouble> {
    let name = project_name(&project.key);
    let wish = wish(rules, &name, Some(project))?;
    let year = wish.year.or(project.date.year);
    let under = rules.under(&project.source);
    let own = own_folder(&name, &wish, rules)?;
    let (folder, dataset_by) = dataset(project, &wish, year, rules)?;
    let (folder, place) = match folder {
        Some(folder) => (folder, under.join_path(&own)),
        None => (under.join_path(&own), RelPath::root()),
    };
    let in_use = match (rules.quiet_since, project.newest) {
        (Some(since), Some(newest)) => newest > since,
        _ => false,
    };
    let turn = if wish.hold {
        Turn::Held
    } else if in_use {
        Turn::InUse
    } else {
        Turn::Ordinary
    };
    Ok(Settled {
        destination: destination(&wish, rules)?,
        class: Class {
            turn,
            order: wish.order.map_or(TagOrder::Open, TagOrder::Given),
        },
        project,
        name,
        wish,
        year,
        folder,
        place,
        dataset_by,
        delta: false,
    })
}

/// The project's own folder: a tag's `as`, else a rename, else its path at the source.
fn own_folder(name: &[u8], wish: &Wish, rules: &PlanRules) -> Result<RelPath, Trouble> {
    if let Some(renamed) = &wish.renamed {
        return tag_path(renamed, wish, "as");
    }
    let rename = rules.renames.iter().find(|r| r.from.as_bytes() == name);
    if let Some(rename) = rename {
        return Ok(rename.to.clone());
    }
    RelPath::new(name).map_err(|error| Trouble::defect(error.to_string()))
}

fn tag_path(bytes: &[u8], wish: &Wish, key: &str) -> Result<RelPath, Trouble> {
    let number = wish.tag.unwrap_or_default();
    match RelPath::new(bytes) {
        Ok(path) if !path.is_root() => Ok(path),
        Ok(_) => Err(Trouble::usage("bad-tag", format!("tag {number}: {key} is empty"))
            .mend(format!("Give {key} a folder name, or leave it out."))),
        Err(error) => Err(
            Trouble::usage("bad-tag", format!("tag {number}: {key} = {error}"))
                .mend(format!("Give {key} a plain folder name.")),
        ),
    }
}

/// The dataset's folder and what it was chosen by; no folder where the project is the dataset.
fn dataset(
    project: &ProjectSummary,
    wish: &Wish,
    year: Option<Year>,
    rules: &PlanRules,
) -> Result<(Option<RelPath>, String), Trouble> {
    let tag = wish.tag.unwrap_or_default();
    if let Some(name) = &wish.dataset {
        let folder = tag_path(name, wish, "dataset")?;
        return Ok((Some(folder), format!("tag {tag}")));
    }
    let (text, by) = match rules.by {
        By::Year => match year {
            Some(year) => (year.to_string(), format!("the year {year}")),
            None => ("undated".to_string(), "nothing that tells its year".to_string()),
        },
        By::Kind => match (&wish.kind, project.kinds.first()) {
            (Some(kind), _) => (kind.clone(), format!("the kind that tag {tag} sets")),
            (None, Some((kind, _))) => {
                let word = kind_word(*kind);
                (word.to_string(), format!("its largest kind of file, {word}"))
            }
            (None, None) => ("other".to_string(), "having no files of a known kind".to_string()),
        },
        By::Project | By::Tag => match &wish.group {
            Some(group) => (group.clone(), format!("the group that tag {tag} sets")),
            None if rules.by == By::Project => return Ok((None, "the project itself".to_string())),
            None => ("untagged".to_string(), "no tag naming a dataset".to_string()),
        },
    };
    let folder = tag_path(text.as_bytes(), wish, "the dataset")?;
    Ok((Some(folder), by))
}

fn destination(wish: &Wish, rules: &PlanRules) -> Result<usize, Trouble> {
    let Some(name) = &wish.pool else {
        return Ok(0);
    };
    let known = rules.destinations.iter().position(|d| d.name == *name);
    known.ok_or_else(|| {
        let names = rules.destinations.iter().map(|d| d.name.as_str());
        let near = nearest(name, names, 3).join(", ");
        let number = wish.tag.unwrap_or_default();
        Trouble::usage(
            "bad-tag",
            format!("tag {number}: there is no destination {name:?}"),
        )
        .mend(format!("Known destinations: {near}."))
    })
}

/// Settles the later files of projects whose batch has begun: they follow it.
///
/// # Errors
/// As [`settle`]; and a defect where no begun batch holds the project.
pub(super) fn settle_late<'a>(
    late: &'a [ProjectSummary],
    locked: &[LockedBatch],
    rules: &PlanRules,
) -> Result<Vec<Settled<'a>>, Trouble> {
    let mut all = Vec::new();
    for project in late {
        let home = locked
            .iter()
            .filter(|l| l.batch.source == project.source)
            .find_map(|l| {
                let placed = l.batch.projects.iter().find(|p| p.key == project.key)?;
                Some((l, placed))
            });
        let mut settled = one(project, rules)?;
        let Some((home, placed)) = home else {
            let name = shown(&settled.name);
            return Err(Trouble::defect(format!(
                "late files of {name}, which no begun batch holds"
            )));
        };
        let at = rules
            .destinations
            .iter()
            .position(|d| d.name == home.dataset.destination);
        settled.destination = at.ok_or_else(|| {
            let gone = &home.dataset.destination;
            Trouble::usage(
                "destination-gone",
                format!("batch {} lies on {gone}", home.batch.name),
            )
            .mend("Put that [[destination]] back into move.toml: a begun batch cannot change its place.")
        })?;
        settled.folder = home.dataset.folder.clone();
        settled.place = placed.place.clone();
        settled.dataset_by = format!("batch {}, which it follows", home.batch.name);
        settled.wish.group = None;
        settled.delta = true;
        if settled.class.turn == Turn::Ordinary {
            settled.class.turn = Turn::Late;
        }
        all.push(settled);
    }
    all.sort_by(|a, b| date_order(a).cmp(&date_order(b)));
    Ok(all)
}

/// Projects of one group take the dataset of the earliest of them, and wait together.
fn join_groups(all: &mut [Settled<'_>]) {
    let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (at, settled) in all.iter().enumerate() {
        if let Some(group) = &settled.wish.group {
            groups.entry(group.clone()).or_default().push(at);
        }
    }
    for members in groups.values() {
        let Some(first) = members.first() else {
            continue;
        };
        let head = all[*first].clone();
        let class = Class {
            turn: members
                .iter()
                .map(|m| all[*m].class.turn)
                .max()
                .unwrap_or(head.class.turn),
            order: members
                .iter()
                .map(|m| all[*m].class.order)
                .min()
                .unwrap_or(head.class.order),
        };
        for member in members {
            let settled = &mut all[*member];
            settled.class = class;
            settled.destination = head.destination;
            if settled.folder != head.folder {
                settled.folder = head.folder.clone();
                settled.dataset_by =
                    format!("{} of {}, first of its group", head.dataset_by, shown(&head.name));
            }
        }
    }
}
