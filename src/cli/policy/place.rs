//! Where in the file something stands, and what is wrong with a text that has not even its shape.

use crate::names::nearest;
use crate::trouble::Trouble;

/// Line and column of a place in the text, from 1; columns count characters.
pub(super) fn place(text: &str, at: usize) -> (usize, usize) {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    let before = &text[..at];
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |last| last.chars().count()) + 1;
    (line, column)
}

/// The refusal of a text that is no TOML, or has keys or types that `move.toml` does not have.
pub(super) fn trouble(text: &str, error: &toml::de::Error) -> Trouble {
    let at = error.span().map_or(0, |span| span.start);
    let (line, column) = place(text, at);
    let (key, what, mend) = explained(text, at, error);
    let key = key.map(|key| format!("{key}: ")).unwrap_or_default();
    Trouble::usage("settings", format!("move.toml:{line}:{column}: {key}{what}")).mend(mend)
}

/// The key, what is wrong with it, the mend; from the words of the TOML reader.
fn explained(text: &str, at: usize, error: &toml::de::Error) -> (Option<String>, String, String) {
    let message = error.message().trim();
    let mut quoted = message.split('`').skip(1).step_by(2).map(str::to_string);
    if message.starts_with("unknown field") {
        let wrong = quoted.next().unwrap_or_default();
        let mend = unknown_key(&wrong, &quoted.collect::<Vec<_>>());
        return (Some(wrong), "there is no such key here".into(), mend);
    }
    if message.starts_with("missing field") {
        let mend = "Add it: this entry means nothing without.".to_string();
        return (quoted.next(), "it is missing".into(), mend);
    }
    if message == "duplicate key" {
        let end = error.span().map_or(at, |span| span.end);
        let key = text.get(at..end).map(str::to_string);
        return (key, "it is given twice".into(), "Remove one of the two.".into());
    }
    let key = key_before(text, at);
    let mut what = message.lines().collect::<Vec<_>>().join(", ");
    let digit = text
        .get(at..)
        .is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()));
    if digit && message.contains("map, expected a string") {
        what = "a date or time without quotes".into();
    }
    for (theirs, ours) in [
        ("i64", "a whole number"),
        ("a sequence", "a list"),
        ("map,", "a table,"),
    ] {
        what = what.replace(theirs, ours);
    }
    let mend = mend(&what);
    (key, what, mend.into())
}

fn mend(what: &str) -> &'static str {
    if what.ends_with("expected a string") || what.ends_with("without quotes") {
        "Put the value in quotes."
    } else if what.contains("a table, expected a list") {
        "Give its heading two brackets, like [[source]]: there can be several."
    } else if what.ends_with("expected a list") {
        "Put the value in brackets, like [\"one\", \"two\"]."
    } else if what.ends_with("expected a boolean") {
        "Write true or false, without quotes."
    } else if what.ends_with("expected a whole number") {
        "Write a whole number, without quotes."
    } else {
        "Correct that line. A value is a \"text in quotes\", a number, true, false or a [\"list\"]."
    }
}

/// The key of the line that a value stands on, where it begins there.
fn key_before(text: &str, at: usize) -> Option<String> {
    let before = text.get(..at)?;
    let (key, _) = before.rsplit('\n').next()?.split_once('=')?;
    let key = key.trim();
    let bare = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    (!key.is_empty() && key.chars().all(bare)).then(|| key.to_string())
}

/// Keys by their table, for those that stand under the wrong heading.
const PLACES: [(&str, &[&str]); 13] = [
    (
        "[[source]]",
        &[
            "project-depth",
            "under",
            "cross",
            "read-rate",
            "emulated-adapter",
            "volume-limit",
        ],
    ),
    (
        "[[destination]]",
        &[
            "layout",
            "disk-size",
            "ashift",
            "fill-limit",
            "reserve",
            "free",
            "accept",
            "after",
            "after-source",
            "grows-to",
            "root-disk",
        ],
    ),
    ("[link]", &["speed", "mtu", "runs-on"]),
    (
        "[schedule]",
        &["zone", "starts", "spanning", "rescan", "quiet-days"],
    ),
    ("[[window]]", &["days", "rate-limit"]),
    ("[plan]", &["by", "batch-max", "batch-min"]),
    (
        "[[tag]]",
        &[
            "match",
            "projects",
            "older-than",
            "years",
            "kinds",
            "year",
            "group",
            "kind",
            "as",
            "pool",
            "hold",
        ],
    ),
    ("[permissions]", &["owner", "dirs", "files"]),
    ("[exclude]", &["names", "snapshots", "recycle", "thumbnails"]),
    ("[copy]", &["streams", "yield-to-others", "streams-large-max"]),
    (
        "[release]",
        &["second-copy", "waiting-days", "hold-days", "accept-read"],
    ),
    ("[notify]", &["command"]),
    ("[view]", &["flat"]),
];

const HEADINGS: [&str; 15] = [
    "source",
    "destination",
    "link",
    "schedule",
    "window",
    "blackout",
    "plan",
    "tag",
    "rename",
    "permissions",
    "exclude",
    "copy",
    "release",
    "notify",
    "view",
];

fn unknown_key(wrong: &str, known: &[String]) -> String {
    if let Some((table, _)) = PLACES.iter().find(|(_, keys)| keys.contains(&wrong)) {
        return format!("`{wrong}` belongs under {table}.");
    }
    if HEADINGS.contains(&wrong) {
        return format!("`{wrong}` is a heading: it stands in brackets on a line of its own.");
    }
    let near = nearest(wrong, known.iter().map(String::as_str), 1);
    let keys = known.join(", ");
    match near.first() {
        Some(key) => format!("Did you mean `{key}`? The keys here are {keys}."),
        None => "Remove that key.".into(),
    }
}
