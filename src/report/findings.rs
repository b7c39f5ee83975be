//! What a survey found, for a terminal of 80 columns: totals as small tables, the rest as
//! sentences, what blocks first.

use crate::moment::Moment;
use crate::names::{RelPath, shown};
use crate::report::words::{Align, display_width, effect_word, holds, kind_word, percent, permille, table};
use crate::sizes::SizeHistogram;
use crate::survey::{
    Confidence, Effect, Evidence, Excluded, Grown, Hazard, Kind, ProjectKey, ProjectSummary, Survey,
    YearTotal,
};
use crate::units::{Amount, Bytes, counted, grouped};

/// Columns of a terminal as it comes.
pub const COLUMNS: usize = 80;
/// Projects shown of one source; the largest, for they decide how long it takes.
const LARGEST: usize = 10;
/// Columns for a project's name.
const NAME: usize = 26;
/// Seconds in a year, near enough to say what has gone quiet.
const YEAR: i64 = 31_557_600;

/// A text in lines of at most `columns`, `indent` blanks before each; a word too long for a line
/// stands on one of its own, whole.
pub fn wrapped(text: &str, columns: usize, indent: usize) -> String {
    let mut out = String::new();
    let mut width = 0;
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let own = display_width(word);
        if width > 0 && indent + width + 1 + own > columns {
            out.push('\n');
            width = 0;
        }
        if width == 0 {
            out.push_str(&" ".repeat(indent));
        } else {
            out.push(' ');
            width += 1;
        }
        out.push_str(word);
        width += own;
    }
    out
}

/// A question as a remark, in lines of their own, above the lines that answer it.
pub fn wrapped_remark(text: &str, lines: &str) -> String {
    let remark = wrapped(text, COLUMNS - 2, 0);
    let remark: Vec<String> = remark.lines().map(|line| format!("# {line}")).collect();
    format!("{}\n{lines}", remark.join("\n"))
}

/// A path, escaped, its middle left out where it takes more than `columns`.
fn path_within(path: &RelPath, columns: usize) -> String {
    let text = if path.as_bytes().is_empty() {
        ".".to_string()
    } else {
        shown(path.as_bytes())
    };
    text_within(text, columns)
}

/// An escaped name, its middle left out where it takes more than `columns`.
fn text_within(text: String, columns: usize) -> String {
    if display_width(&text) <= columns {
        return text;
    }
    let end = columns.saturating_sub(1) / 2;
    let take = |chars: &mut dyn Iterator<Item = char>| -> Vec<char> {
        let mut width = 0;
        chars
            .take_while(|c| {
                width += display_width(c.encode_utf8(&mut [0; 4]));
                width <= end
            })
            .collect()
    };
    let head: String = take(&mut text.chars()).into_iter().collect();
    let tail: String = take(&mut text.chars().rev()).into_iter().rev().collect();
    format!("{head}…{tail}")
}

/// Everything about one source. `all_examples`: every example that is kept, written out.
pub fn source(name: &str, survey: &Survey, now: Moment, all_examples: bool) -> String {
    let mut parts = vec![wrapped(&opening(name, survey), COLUMNS, 0)];
    parts.push(years(&survey.years()));
    parts.push(kinds(&survey.kinds));
    parts.extend(paragraph(&sizes(&survey.sizes)));
    parts.extend(paragraph(&ages(survey, now)));
    parts.push(projects(&survey.projects));
    parts.extend(paragraph(&loose(&survey.projects)));
    parts.extend(left_out(&survey.excluded));
    for effect in [Effect::Blocks, Effect::Loses, Effect::Untidy] {
        parts.extend(hazards(&survey.hazards, effect, all_examples));
    }
    parts.retain(|part| !part.is_empty());
    let parts: Vec<&str> = parts.iter().map(|part| part.trim_end_matches('\n')).collect();
    parts.join("\n\n") + "\n"
}

fn paragraph(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| wrapped(text, COLUMNS, 0))
}

fn opening(name: &str, survey: &Survey) -> String {
    let mut text = format!("Source {}.", holds(name, survey));
    let blocks = survey
        .hazards
        .iter()
        .filter(|h| h.effect == Effect::Blocks)
        .count();
    let loses = survey
        .hazards
        .iter()
        .filter(|h| h.effect == Effect::Loses)
        .count();
    match (blocks, loses) {
        (0, 0) => text.push_str(" Nothing blocks the move and nothing would be lost."),
        (0, n) => text.push_str(&format!(
            " Nothing blocks the move; {} would lose something.",
            sorts(n)
        )),
        (b, 0) => text.push_str(&format!(" {} must be decided first.", capital(&sorts(b)))),
        (b, n) => text.push_str(&format!(
            " {} must be decided first, and {} would lose something.",
            capital(&sorts(b)),
            sorts(n)
        )),
    }
    text
}

fn sorts(n: usize) -> String {
    if n == 1 {
        "one sort of trouble".into()
    } else {
        format!("{n} sorts of trouble")
    }
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

/// Projects, files and bytes by year.
pub fn years(rows: &[YearTotal]) -> String {
    let cells: Vec<Vec<String>> = rows
        .iter()
        .map(|row| {
            vec![
                row.year.map_or("undated".to_string(), |year| year.to_string()),
                grouped(row.projects),
                grouped(row.amount.files),
                row.amount.bytes.to_string(),
            ]
        })
        .collect();
    let right = [Align::Left, Align::Right, Align::Right, Align::Right];
    filled(&["year", "projects", "files", "size"], &cells, &right)
}

/// Files and bytes by kind.
pub fn kinds(rows: &[(Kind, Amount)]) -> String {
    let cells: Vec<Vec<String>> = rows
        .iter()
        .map(|(kind, amount)| {
            vec![
                kind_word(*kind).to_string(),
                grouped(amount.files),
                amount.bytes.to_string(),
            ]
        })
        .collect();
    let right = [Align::Left, Align::Right, Align::Right];
    filled(&["kind", "files", "size"], &cells, &right)
}

fn filled(headers: &[&str], rows: &[Vec<String>], alignments: &[Align]) -> String {
    if rows.is_empty() {
        return String::new();
    }
    table(headers, rows, alignments)
}

fn sizes(sizes: &SizeHistogram) -> String {
    let total = sizes.total();
    if total.files == 0 {
        return String::new();
    }
    let small = sizes.below(Bytes(1 << 20));
    let mut sum = 0u128;
    let half = sizes.slices().find(|slice| {
        sum += u128::from(slice.amount.bytes.0);
        sum * 2 >= u128::from(total.bytes.0)
    });
    let mut text = format!(
        "{} of the files are smaller than 1 MiB and hold {} of the bytes.",
        percent(permille(small.files, total.files)),
        percent(permille(small.bytes.0, total.bytes.0)),
    );
    if let Some(up_to) = half.and_then(|slice| slice.up_to) {
        let least = Bytes(up_to.0 / 2);
        if total.bytes.0 > 0 && least.0 > 1 {
            text.push_str(&format!(" Half of the bytes lie in files of {least} or more."));
        }
    }
    text
}

/// How much has lain still for a year.
fn ages(survey: &Survey, now: Moment) -> String {
    let before = now.plus_seconds(-YEAR);
    let mut quiet = (0u64, Amount::default());
    for project in &survey.projects {
        if project.newest.is_some_and(|newest| newest < before) {
            quiet.0 += 1;
            quiet.1.add(project.amount);
        }
    }
    match quiet.0 {
        0 => String::new(),
        1 => format!("1 project of {} has not changed for a year.", quiet.1.bytes),
        n => format!(
            "{} projects of {} together have not changed for a year.",
            grouped(n),
            quiet.1.bytes
        ),
    }
}

fn projects(all: &[ProjectSummary]) -> String {
    let mut largest: Vec<&ProjectSummary> = all.iter().collect();
    largest.sort_by_key(|project| std::cmp::Reverse(project.amount.bytes));
    largest.truncate(LARGEST);
    let name = |project: &ProjectSummary| text_within(project.key.name(), NAME);
    let named: Vec<Vec<String>> = largest
        .iter()
        .map(|project| {
            vec![
                name(project),
                project.amount.bytes.to_string(),
                project.date.year.map_or("-".into(), |year| year.to_string()),
                trust(project.date.confidence).into(),
                evidence(project.date.evidence).into(),
            ]
        })
        .collect();
    let heading = if all.len() > LARGEST {
        format!("the {LARGEST} largest of {}", grouped(all.len() as u64))
    } else {
        "project".into()
    };
    let columns = [Align::Left, Align::Right, Align::Left, Align::Left, Align::Left];
    filled(&[&heading, "size", "year", "trust", "by"], &named, &columns)
}

fn trust(confidence: Confidence) -> &'static str {
    match confidence {
        Confidence::Low => "low",
        Confidence::Medium => "medium",
        Confidence::High => "high",
    }
}

/// What a year rests on, in a word or two.
fn evidence(evidence: Evidence) -> &'static str {
    match evidence {
        Evidence::Tag => "your tag",
        Evidence::FolderDate => "the folder's name",
        Evidence::ClipNames => "names inside",
        Evidence::MediaHeaders => "media headers",
        Evidence::OldestOriginal => "the oldest original",
        Evidence::MedianTime => "file times",
        Evidence::Nothing => "nothing",
    }
}

fn loose(all: &[ProjectSummary]) -> String {
    let rows: Vec<&ProjectSummary> = all
        .iter()
        .filter(|project| matches!(project.key, ProjectKey::Loose(_)) && project.amount.files > 0)
        .collect();
    let amount: Amount = rows.iter().map(|project| project.amount).sum();
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else {
        return String::new();
    };
    let lie = if amount.files == 1 { "lies" } else { "lie" };
    let what = if rows.len() == 1 {
        format!("moved as the project {}", first.key.name())
    } else {
        format!(
            "moved as one project a year, {} to {}",
            first.key.name(),
            last.key.name()
        )
    };
    let are = if amount.files == 1 { "is" } else { "are" };
    format!(
        "{} of {} {lie} loose, outside any project folder, and {are} {what}.",
        counted(amount.files, "file"),
        amount.bytes
    )
}

fn left_out(rules: &[Excluded]) -> Option<String> {
    if rules.is_empty() {
        return None;
    }
    let mut lines = vec!["Left out, by rule:".to_string()];
    for one in rules {
        let what = if one.amount.files == 0 {
            "never entered or without files, so no bytes are counted".to_string()
        } else {
            one.amount.to_string()
        };
        let mut text = format!("{}: {what}", shown(one.rule.as_bytes()));
        if let Some(example) = one.examples.first() {
            text.push_str(&format!(", for example {}", path_within(example, 60)));
        }
        lines.push(wrapped(&(text + "."), COLUMNS, 2));
    }
    Some(lines.join("\n"))
}

fn hazards(all: &[Hazard], effect: Effect, all_examples: bool) -> Option<String> {
    let rows: Vec<&Hazard> = all.iter().filter(|hazard| hazard.effect == effect).collect();
    if rows.is_empty() {
        return None;
    }
    let heading = match effect {
        Effect::Blocks => "cannot move until you decide",
        Effect::Loses => "something would be lost or changed",
        Effect::Untidy => "worth knowing, nothing is lost",
    };
    let mut lines = vec![format!("{}: {heading}", capital(effect_word(effect)))];
    for hazard in rows {
        lines.push(format!("  {} ({})", hazard.kind, grouped(hazard.count)));
        lines.push(wrapped(&hazard.words, COLUMNS, 4));
        lines.extend(examples(hazard, all_examples));
    }
    Some(lines.join("\n"))
}

/// One example where something is at stake; all that were kept where they are asked for.
fn examples(hazard: &Hazard, all: bool) -> Vec<String> {
    if all {
        let mut lines: Vec<String> = hazard
            .examples
            .iter()
            .map(|path| format!("      {}", path_within(path, usize::MAX)))
            .collect();
        let more = hazard.count.saturating_sub(hazard.examples.len() as u64);
        if more > 0 && !lines.is_empty() {
            lines.push(format!("      and {} more", grouped(more)));
        }
        return lines;
    }
    let first = hazard
        .examples
        .first()
        .filter(|_| hazard.effect != Effect::Untidy);
    first
        .map(|path| format!("      for example {}", path_within(path, COLUMNS - 18)))
        .into_iter()
        .collect()
}

/// All sources together, where there are several.
pub fn together(sources: usize, sum: &crate::survey::Together) -> String {
    let files = sum.sizes.total();
    format!(
        "All {sources} sources together: {files} to be moved.\n\n{}\n{}",
        years(&sum.years),
        kinds(&sum.kinds)
    )
}

/// That some questions are open, and where they are.
pub fn open_questions(count: usize) -> String {
    let text = match count {
        1 => {
            "One question is open: `survey --questions` prints it with lines to paste into move.toml.".into()
        }
        n => format!(
            "{n} questions are open: `survey --questions` prints them with lines to paste into move.toml."
        ),
    };
    wrapped(&text, COLUMNS, 0)
}

/// How much comes in a year, what that rests on, and what was left out.
pub fn growth(grown: &Grown, undated: Bytes) -> String {
    let mut text = match (&grown.growth, grown.span) {
        (Some(growth), Some((first, last))) => format!(
            "The archive grows by {} a year, in nine cases of ten between {} and {}, by the years {first} to \
             {last}; the first year and the current one are not whole and left out.",
            growth.likely, growth.low, growth.high
        ),
        _ => "How much the archive grows cannot be told: that takes three whole years between the first and \
              the current one."
            .to_string(),
    };
    if undated > Bytes::ZERO && grown.growth.is_some() {
        text.push_str(&format!(" {undated} without a year are not counted."));
    }
    let purged: Vec<String> = grown.purged.iter().map(ToString::to_string).collect();
    if let (Some((last, before)), true) = (purged.split_last(), grown.growth.is_some()) {
        let years = match before {
            [] => last.clone(),
            before => format!("{} and {last}", before.join(", ")),
        };
        let hold = if before.is_empty() { "holds" } else { "hold" };
        text.push_str(&format!(
            " {years} {hold} next to nothing and may have been cleared out since: then more came in than is \
             left, and growth is understated."
        ));
    }
    wrapped(&text, COLUMNS, 0)
}

#[cfg(test)]
mod tests;
