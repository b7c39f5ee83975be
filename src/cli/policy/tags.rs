//! One tag written into `move.toml`, with the user's comments kept.
//!
//! The first tag that matches a project decides about all its keys. So a tag put before the others
//! for one project takes along what has decided until then: setting one key changes one key.

use super::parse;
use super::rules::YEARS;
use crate::moment::Moment;
use crate::plan::{Match, Tag, applies};
use crate::survey::ProjectSummary;
use crate::trouble::Trouble;
use regex::bytes::Regex;
use toml_edit::{Array, ArrayOfTables, Decor, DocumentMut, Item, Table, value};

const KEYS: [&str; 8] = ["year", "dataset", "group", "kind", "as", "pool", "order", "hold"];

/// The text with one key of one project's tag set. Where a tag for exactly this project decides,
/// it is changed; else a new one is put before the others, with what the deciding one sets. `known`
/// is what a survey says of the project and the day ages are counted from: without it, tags that
/// ask for more than a name count as not being for it.
///
/// # Errors
/// `bad-tag` for a key that tags do not have, or a value it cannot have; `settings` where the text
/// is not right as it stands.
pub fn add_tag(
    text: &str,
    project: &str,
    known: Option<(&ProjectSummary, Moment)>,
    (key, wanted): (&str, &str),
) -> Result<String, Trouble> {
    let entry = entry(key, wanted)?;
    let before = parse(text)?;
    let mut document: DocumentMut = text.parse().map_err(unreadable)?;
    let deciding = before.tags.iter().position(|tag| is_for(tag, project, known));
    let found = document.get_mut("tag").map(tables).transpose()?;
    match (found, deciding.and_then(|at| before.tags.get(at).zip(Some(at)))) {
        (Some(tags), Some((tag, at))) if is_alone(tag) => {
            if let Some(own) = tags.get_mut(at) {
                set(own, key, entry);
            }
        }
        (found, deciding) => {
            let mut own = deciding.map_or_else(Table::new, |(tag, _)| taken_along(tag, project));
            let mut names = Array::new();
            names.push(project);
            own.insert("projects", value(names));
            own.insert(key, entry);
            own.sort_values_by(|a, _, b, _| rank(a.get()).cmp(&rank(b.get())));
            match found {
                Some(tags) if !tags.is_empty() => put_first(tags, own),
                _ => put_last(&mut document, own),
            }
        }
    }
    let after = document.to_string();
    match parse(&after) {
        Ok(_) => Ok(after),
        Err(trouble) => Err(refused(key, wanted, trouble)),
    }
}

/// Projects first, then the keys in the order of the contract.
fn rank(key: &str) -> usize {
    KEYS.iter().position(|known| *known == key).map_or(0, |at| at + 1)
}

fn tables(item: &mut Item) -> Result<&mut ArrayOfTables, Trouble> {
    item.as_array_of_tables_mut().ok_or_else(|| {
        Trouble::usage("settings", "the tags in move.toml are not written as tables")
            .mend("Write each under a heading [[tag]].")
    })
}

fn unreadable(error: toml_edit::TomlError) -> Trouble {
    let what = error.message().lines().next().unwrap_or_default();
    Trouble::usage("settings", format!("cannot change move.toml: {what}"))
        .mend("Add the [[tag]] with your editor.")
}

/// What is wrong with the new text can only be the new value: its place says nothing to the user.
fn refused(key: &str, wanted: &str, mut trouble: Trouble) -> Trouble {
    let what = trouble.text.splitn(3, ": ").nth(2).unwrap_or(&trouble.text);
    trouble.text = format!("{key}={wanted}: {what}");
    trouble.code = "bad-tag";
    trouble
}

fn is_for(tag: &Tag, project: &str, known: Option<(&ProjectSummary, Moment)>) -> bool {
    let (summary, now) = known.unzip();
    applies(tag, project.as_bytes(), summary, now)
}

fn is_alone(tag: &Tag) -> bool {
    matches!(&tag.matches, Match::Projects(names) if names.len() == 1) && !tag.only.asks()
}

/// Sets a key; a comment behind its old value stays.
fn set(tag: &mut Table, key: &str, mut entry: Item) {
    let kept: Option<Decor> = tag
        .get(key)
        .and_then(Item::as_value)
        .map(|old| old.decor().clone());
    if let (Some(kept), Some(new)) = (kept, entry.as_value_mut()) {
        *new.decor_mut() = kept;
    }
    tag.insert(key, entry);
}

/// What a tag sets for this project, groups filled in.
fn taken_along(tag: &Tag, project: &str) -> Table {
    let regex = match &tag.matches {
        Match::Pattern(pattern) => Regex::new(pattern.as_str()).ok(),
        Match::Projects(_) | Match::All => None,
    };
    let captures = regex
        .as_ref()
        .and_then(|regex| regex.captures(project.as_bytes()));
    let fill = |text: &str| match &captures {
        None => text.to_string(),
        Some(captures) => {
            let mut out = Vec::new();
            captures.expand(text.as_bytes(), &mut out);
            String::from_utf8_lossy(&out).into_owned()
        }
    };
    let group = captures.as_ref().and_then(|c| c.name("year"));
    let group = group.map(|year| String::from_utf8_lossy(year.as_bytes()).into_owned());
    let year = tag.year.as_deref().map(&fill).or(group);
    let mut out = Table::new();
    // A year that is none has been refused by the plan, and is about to be corrected.
    let year = year.and_then(|year| year.trim().parse::<i64>().ok());
    if let Some(year) = year.filter(|year| YEARS.contains(year)) {
        out.insert("year", value(year));
    }
    let texts = [
        ("dataset", &tag.dataset),
        ("group", &tag.group),
        ("kind", &tag.kind),
        ("as", &tag.renamed),
        ("pool", &tag.pool),
    ];
    for (key, text) in texts {
        let text = text.as_deref().map(&fill);
        if let Some(text) = text.filter(|text| !text.trim().is_empty()) {
            out.insert(key, value(text));
        }
    }
    if let Some(order) = tag.order {
        out.insert("order", value(order));
    }
    if tag.hold {
        out.insert("hold", value(true));
    }
    out
}

/// Before the other tags. Comments that stand directly above the first of them stay with it, those
/// that a blank line parts from it belong to what comes before.
fn put_first(tags: &mut ArrayOfTables, mut own: Table) {
    let mut ordered = ArrayOfTables::new();
    for (at, tag) in tags.iter().enumerate() {
        let mut tag = tag.clone();
        if at == 0 {
            let prefix = tag
                .decor()
                .prefix()
                .and_then(|raw| raw.as_str())
                .unwrap_or_default();
            let (above, attached) = parted(prefix);
            own.decor_mut().set_prefix(above);
            // A table keeps its place in the file by number, and among equals the first goes first.
            own.set_position(tag.position());
            tag.decor_mut().set_prefix(format!("\n{attached}"));
            ordered.push(own.clone());
        }
        ordered.push(tag);
    }
    *tags = ordered;
}

/// Up to the last blank line, and what follows it.
fn parted(prefix: &str) -> (String, String) {
    let lines: Vec<&str> = prefix.split_inclusive('\n').collect();
    let blank = lines.iter().rposition(|line| line.trim().is_empty());
    let (above, attached) = lines.split_at(blank.map_or(0, |at| at + 1));
    (above.concat(), attached.concat())
}

/// At the end of the file. Comments at its end, keys of the last table that are not in force among
/// them, stay where they are.
fn put_last(document: &mut DocumentMut, mut own: Table) {
    let mut above = document.trailing().as_str().unwrap_or_default().to_string();
    if !above.is_empty() && !above.ends_with('\n') {
        above.push('\n');
    }
    document.set_trailing("");
    own.decor_mut().set_prefix(format!("{above}\n"));
    own.set_position(Some(isize::MAX));
    let mut tags = ArrayOfTables::new();
    tags.push(own);
    document.insert("tag", Item::ArrayOfTables(tags));
}

fn entry(key: &str, wanted: &str) -> Result<Item, Trouble> {
    let bad =
        |what: &str, mend: &str| Err(Trouble::usage("bad-tag", format!("{key}={wanted}: {what}")).mend(mend));
    match key {
        "year" => match wanted.parse::<i64>() {
            Ok(year) if YEARS.contains(&year) => Ok(value(year)),
            _ => bad(
                &format!("it is no year from {} to {}", YEARS.start(), YEARS.end()),
                "Write four digits, like year=2019.",
            ),
        },
        "order" => match wanted.parse::<i64>() {
            Ok(order) => Ok(value(order)),
            Err(_) => bad("it is no whole number", "Lower numbers come first, like order=1."),
        },
        "hold" => match wanted {
            "true" => Ok(value(true)),
            "false" => Ok(value(false)),
            _ => bad("it is neither true nor false", "Write hold=true or hold=false."),
        },
        _ if KEYS.contains(&key) => Ok(value(wanted)),
        _ => bad(
            "a tag has no such key",
            "Keys are year, dataset, group, kind, as, pool, order and hold.",
        ),
    }
}
