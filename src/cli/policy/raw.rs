//! The raw shape of `move.toml`, key by key, with the place of each value that has to be read.

use crate::names::nearest;
use crate::trouble::Trouble;
use serde::Deserialize;
use std::collections::BTreeMap;
use toml::Spanned;

type Text = Option<Spanned<String>>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Move {
    #[serde(default)]
    pub source: Vec<Source>,
    #[serde(default)]
    pub destination: Vec<Destination>,
    #[serde(default)]
    pub link: Link,
    #[serde(default)]
    pub schedule: Schedule,
    #[serde(default)]
    pub window: Vec<Window>,
    #[serde(default)]
    pub blackout: Vec<Blackout>,
    #[serde(default)]
    pub plan: Plan,
    #[serde(default)]
    pub tag: Vec<Tag>,
    #[serde(default)]
    pub rename: Vec<Rename>,
    #[serde(default)]
    pub permissions: BTreeMap<String, String>,
    #[serde(default)]
    pub exclude: Exclude,
    #[serde(default)]
    pub copy: Copy,
    #[serde(default)]
    pub release: Release,
    #[serde(default)]
    pub notify: Notify,
    #[serde(default)]
    pub view: View,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Source {
    pub name: Spanned<String>,
    pub path: Spanned<String>,
    #[serde(default)]
    pub project_depth: Option<Spanned<u32>>,
    #[serde(default)]
    pub under: Text,
    #[serde(default)]
    pub cross: Vec<Spanned<String>>,
    #[serde(default)]
    pub link: Text,
    #[serde(default)]
    pub read_rate: Text,
    #[serde(default)]
    pub emulated_adapter: Text,
    #[serde(default)]
    pub volume_limit: Text,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Destination {
    pub name: Spanned<String>,
    pub path: Spanned<String>,
    #[serde(default)]
    pub dataset: Text,
    #[serde(default)]
    pub layout: Text,
    #[serde(default)]
    pub disk_size: Text,
    #[serde(default)]
    pub ashift: Option<Spanned<u32>>,
    #[serde(default)]
    pub fill_limit: Option<Spanned<u32>>,
    #[serde(default)]
    pub reserve: Text,
    #[serde(default)]
    pub free: Text,
    #[serde(default)]
    pub accept: Vec<Spanned<String>>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Link {
    #[serde(default)]
    pub speed: Text,
    #[serde(default)]
    pub mtu: Option<Spanned<u32>>,
    #[serde(default)]
    pub runs_on: Text,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Schedule {
    #[serde(default)]
    pub zone: Text,
    #[serde(default)]
    pub starts: Text,
    #[serde(default)]
    pub spanning: Option<bool>,
    #[serde(default)]
    pub rescan: Text,
    #[serde(default)]
    pub quiet_days: Option<u32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Window {
    pub days: Spanned<String>,
    pub from: Spanned<String>,
    pub until: Spanned<String>,
    #[serde(default)]
    pub rate_limit: Text,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Blackout {
    pub from: Spanned<String>,
    pub until: Spanned<String>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Plan {
    #[serde(default)]
    pub by: Text,
    #[serde(default)]
    pub batch_max: Text,
    #[serde(default)]
    pub batch_min: Text,
    #[serde(default)]
    pub order: Text,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Tag {
    #[serde(default, rename = "match")]
    pub matches: Text,
    #[serde(default)]
    pub projects: Option<Spanned<Vec<String>>>,
    #[serde(default)]
    pub year: Option<Spanned<Year>>,
    #[serde(default)]
    pub dataset: Option<String>,
    #[serde(default)]
    pub group: Option<String>,
    #[serde(default)]
    pub kind: Option<String>,
    #[serde(default, rename = "as")]
    pub renamed: Option<String>,
    #[serde(default)]
    pub pool: Text,
    #[serde(default)]
    pub order: Option<i64>,
    #[serde(default)]
    pub hold: Option<bool>,
}

/// A year as a number, or as a text with named groups.
#[derive(Deserialize)]
#[serde(untagged)]
pub(super) enum Year {
    Number(i64),
    Text(String),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Rename {
    pub from: Spanned<String>,
    pub to: Spanned<String>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Exclude {
    #[serde(default)]
    pub names: Vec<String>,
    #[serde(default)]
    pub snapshots: Option<bool>,
    #[serde(default)]
    pub recycle: Option<bool>,
    #[serde(default)]
    pub thumbnails: Option<bool>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Copy {
    #[serde(default)]
    pub streams: Option<Spanned<Streams>>,
    #[serde(default)]
    pub yield_to_others: bool,
    #[serde(default)]
    pub streams_large_max: Option<Spanned<u32>>,
}

/// A number, or `auto`.
#[derive(Deserialize)]
#[serde(untagged)]
pub(super) enum Streams {
    Number(u32),
    Text(String),
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Release {
    #[serde(default)]
    pub second_copy: String,
    #[serde(default)]
    pub waiting_days: Option<u32>,
    #[serde(default)]
    pub hold_days: Option<u32>,
    #[serde(default)]
    pub accept_read: Option<Vec<Spanned<String>>>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Notify {
    #[serde(default)]
    pub command: Vec<String>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct View {
    #[serde(default)]
    pub flat: bool,
}

/// Line and column of a place in the text, from 1.
pub(super) fn place(text: &str, at: usize) -> (usize, usize) {
    let before = text.get(..at.min(text.len())).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |last| last.chars().count()) + 1;
    (line, column)
}

/// What is wrong with the text, where, and the nearest key where one is unknown.
pub(super) fn trouble(text: &str, error: &toml::de::Error) -> Trouble {
    let (line, column) = place(text, error.span().map_or(0, |span| span.start));
    let message = error.message().trim();
    let mend = unknown_key(message)
        .unwrap_or_else(|| "Correct that line; the old settings stay in force until then.".into());
    let first = message.lines().next().unwrap_or("it cannot be read");
    Trouble::usage("settings", format!("move.toml:{line}:{column}: {first}")).mend(mend)
}

/// From "unknown field `x`, expected one of `a`, `b`" to the nearest of these.
fn unknown_key(message: &str) -> Option<String> {
    if !message.starts_with("unknown field") {
        return None;
    }
    let mut quoted = message.split('`').skip(1).step_by(2);
    let wrong = quoted.next()?;
    let known: Vec<&str> = quoted.collect();
    let near = nearest(wrong, known.iter().copied(), 1);
    Some(match near.first() {
        Some(key) => {
            format!("Did you mean `{key}`? A key that is not known is never passed over in silence.")
        }
        None => "Remove that key.".into(),
    })
}
