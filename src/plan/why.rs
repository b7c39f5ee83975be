//! Why a project is where it is, in sentences.

use super::notes::Notes;
use super::rules::{By, Match, PlanRules};
use super::tags::project_name;
use super::{Batch, Plan};
use crate::names::shown;
use crate::survey::{Confidence, Evidence, ProjectSummary};

/// Lines for `move.toml`: a tag for one project that sets what `setting` says. A name that is no
/// UTF-8 becomes a pattern of its bytes.
pub fn tag_lines(name: &[u8], setting: &str) -> String {
    let who = match std::str::from_utf8(name) {
        Ok(text) => format!("projects = [{}]", toml_string(text)),
        Err(_) => format!("match = '{}'", bytes_pattern(name)),
    };
    format!("[[tag]]\n{who}\n{setting}\n")
}

/// A basic string of TOML 1.0.
fn toml_string(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control()
                || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}') =>
            {
                out.push_str(&format!("\\u{:04X}", c as u32));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

fn bytes_pattern(name: &[u8]) -> String {
    let mut out = String::from("(?-u)^");
    for b in name {
        if b.is_ascii_alphanumeric() {
            out.push(char::from(*b));
        } else {
            out.push_str(&format!("\\x{b:02x}"));
        }
    }
    out.push('$');
    out
}

/// What the evidence is, as a noun.
fn evidence_word(evidence: Evidence) -> &'static str {
    match evidence {
        Evidence::Tag => "a tag",
        Evidence::FolderDate => "the folder's name",
        Evidence::ClipNames => "the names of clips",
        Evidence::MediaHeaders => "dates inside the media files",
        Evidence::OldestOriginal => "the oldest original",
        Evidence::MedianTime => "the middle of the files' times",
        Evidence::Nothing => "nothing",
    }
}

/// Explains one project's place: where it goes, by which rule, in which batch and why that one.
pub fn why(project: &ProjectSummary, plan: &Plan, notes: &Notes, rules: &PlanRules) -> Vec<String> {
    let name = shown(&project_name(&project.key));
    let home = plan
        .batches
        .iter()
        .find(|b| b.source == project.source && !b.delta && b.projects.iter().any(|p| p.key == project.key));
    let Some(batch) = home else {
        return vec![format!(
            "{name} of source {} is in no batch of this plan.",
            project.source
        )];
    };
    let mut out = vec![destination_words(&name, project, batch, plan)];
    let decision = notes
        .decisions
        .iter()
        .find(|d| d.source == project.source && d.key == project.key);
    let Some(decision) = decision else {
        out.push(format!("Batch {} has begun, so its place is fixed.", batch.name));
        return out;
    };
    out.push(match decision.tag {
        Some(number) => format!(
            "Tag {number}{} is the first that matches it.",
            tag_words(number, rules)
        ),
        None => "No tag matches it.".to_string(),
    });
    out.push(format!("The dataset was chosen by {}.", decision.dataset_by));
    out.extend(year_words(
        project,
        decision.year_by_tag,
        decision.year.map(|y| y.0),
    ));
    if let Some(group) = &decision.group {
        out.push(format!("It moves with the group {group}, which is never split."));
    }
    if decision.in_use {
        out.push("Its newest file is younger than quiet-days allow, so it waits for the end.".into());
    }
    if decision.held {
        out.push("Its tag holds it until you let it go.".into());
    }
    out.push(batch_words(batch, rules));
    if let Some(verdict) = notes.verdicts.iter().find(|v| v.batch == batch.name) {
        out.push(verdict.words());
    }
    out
}

fn destination_words(name: &str, project: &ProjectSummary, batch: &Batch, plan: &Plan) -> String {
    let folder = plan
        .datasets
        .iter()
        .find(|d| d.name == batch.dataset)
        .map(|d| d.folder.clone());
    let place = batch.projects.iter().find(|p| p.key == project.key);
    let path = match (folder, place) {
        (Some(folder), Some(placed)) => folder.join_path(&placed.place).to_string(),
        _ => String::new(),
    };
    format!(
        "{name} of source {} ({}) goes to dataset {} in batch {}, as {path}.",
        project.source, project.amount, batch.dataset, batch.name
    )
}

fn tag_words(number: usize, rules: &PlanRules) -> String {
    match number.checked_sub(1).and_then(|at| rules.tags.get(at)) {
        Some(tag) => {
            let name = match &tag.matches {
                Match::Pattern(pattern) => format!("match = '{}'", pattern.as_str()),
                Match::Projects(list) => {
                    format!("a list of {}", crate::units::counted(list.len() as u64, "name"))
                }
                Match::All => String::new(),
            };
            let parts = [name, tag.only.words()];
            let parts: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
            format!(" ({})", parts.join("; "))
        }
        None => String::new(),
    }
}

fn year_words(project: &ProjectSummary, by_tag: bool, year: Option<u16>) -> Vec<String> {
    let date = &project.date;
    let mut out = Vec::new();
    match (year, by_tag) {
        (Some(year), true) => out.push(format!("The tag sets its year, {year:04}.")),
        (Some(year), false) => out.push(format!(
            "Its year is {year:04}: {} ({} confidence).",
            date.words,
            confidence_word(date.confidence)
        )),
        (None, _) => out.push("Nothing tells its year.".to_string()),
    }
    for (evidence, other) in &date.against {
        out.push(format!("Against it: {} says {other}.", evidence_word(*evidence)));
    }
    out
}

fn confidence_word(confidence: Confidence) -> &'static str {
    match confidence {
        Confidence::Low => "low",
        Confidence::Medium => "medium",
        Confidence::High => "high",
    }
}

fn batch_words(batch: &Batch, rules: &PlanRules) -> String {
    let projects = crate::units::counted(batch.projects.len() as u64, "project");
    if batch.pilot {
        return format!(
            "{} is a small first batch ({projects}, {}) whose file sizes are spread like the whole's.",
            batch.name, batch.amount
        );
    }
    let what = match rules.by {
        By::Project => "a project",
        By::Year | By::Kind | By::Tag => "a dataset and source",
    };
    format!(
        "Batch {} has {projects}, {}; batches of {what} are cut between {} and {}, as evenly as whole projects allow.",
        batch.name, batch.amount, rules.batch_min, rules.batch_max
    )
}
