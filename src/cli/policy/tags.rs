//! One tag written into `move.toml`, with the user's comments kept.

use crate::trouble::Trouble;
use toml_edit::{Array, ArrayOfTables, DocumentMut, Item, Table, value};

const KEYS: [&str; 8] = ["year", "dataset", "group", "kind", "as", "pool", "order", "hold"];

/// The text with one key of one project's tag set. A tag for exactly this project is changed; else
/// a new one is put before the others, since the first that matches decides.
///
/// # Errors
/// [`Trouble`] for a key that tags do not have, or a value it cannot have.
pub fn add_tag(text: &str, project: &str, key: &str, wanted: &str) -> Result<String, Trouble> {
    let entry = entry(key, wanted)?;
    let mut document: DocumentMut = text
        .parse()
        .map_err(|e: toml_edit::TomlError| Trouble::usage("settings", e.message().to_string()))?;
    let tags = document
        .entry("tag")
        .or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
    let Some(tags) = tags.as_array_of_tables_mut() else {
        return Err(
            Trouble::usage("settings", "`tag` in move.toml is no list of tables")
                .mend("Write it as [[tag]]."),
        );
    };
    let place = tags.iter().position(|tag| is_for(tag, project));
    if let Some(own) = place.and_then(|place| tags.get_mut(place)) {
        own.insert(key, entry);
        return Ok(document.to_string());
    }
    let mut own = Table::new();
    let mut names = Array::new();
    names.push(project);
    own.insert("projects", value(names));
    own.insert(key, entry);
    let mut ordered = ArrayOfTables::new();
    // A table keeps its place in the file by number; the first place goes to the new one.
    if let Some(first) = tags.iter().next() {
        own.set_position(first.position());
    }
    ordered.push(own);
    for tag in tags.iter() {
        ordered.push(tag.clone());
    }
    *tags = ordered;
    Ok(document.to_string())
}

fn is_for(tag: &Table, project: &str) -> bool {
    let names = tag.get("projects").and_then(Item::as_array);
    names.is_some_and(|names| names.len() == 1 && names.get(0).and_then(|n| n.as_str()) == Some(project))
}

fn entry(key: &str, wanted: &str) -> Result<Item, Trouble> {
    let bad =
        |what: &str, mend: &str| Err(Trouble::usage("bad-tag", format!("{key}={wanted}: {what}")).mend(mend));
    match key {
        "year" => match wanted.parse::<i64>() {
            Ok(year) if (1900..=2100).contains(&year) => Ok(value(year)),
            _ => bad(
                "it is no year from 1900 to 2100",
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
