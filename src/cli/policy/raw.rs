//! The raw shape of `move.toml`, key by key, with the place of each value that has to be read.
//!
//! Numbers are read as TOML has them and held to their range where they get their meaning, so that
//! the refusal can name the range.

use serde::Deserialize;
use toml::Spanned;

pub(super) type Text = Option<Spanned<String>>;
pub(super) type Number = Option<Spanned<i64>>;
/// Either a number or a text; which, is looked at where it gets its meaning.
pub(super) type Either = Option<Spanned<toml::Value>>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Move {
    #[serde(default)]
    pub source: Vec<Spanned<Source>>,
    #[serde(default)]
    pub destination: Vec<Spanned<Destination>>,
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
    pub tag: Vec<Spanned<Tag>>,
    #[serde(default)]
    pub rename: Vec<Rename>,
    #[serde(default)]
    pub permissions: Permissions,
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
    pub project_depth: Number,
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
    pub ashift: Number,
    #[serde(default)]
    pub fill_limit: Number,
    #[serde(default)]
    pub reserve: Text,
    #[serde(default)]
    pub free: Text,
    #[serde(default)]
    pub accept: Vec<Spanned<String>>,
    #[serde(default)]
    pub after: Text,
    #[serde(default)]
    pub after_source: Text,
    #[serde(default)]
    pub grows_to: Text,
    #[serde(default)]
    pub root_disk: bool,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Link {
    #[serde(default)]
    pub speed: Text,
    #[serde(default)]
    pub mtu: Number,
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
    pub quiet_days: Number,
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
    pub older_than: Text,
    #[serde(default)]
    pub years: Text,
    #[serde(default)]
    pub kinds: Option<Vec<Spanned<String>>>,
    #[serde(default)]
    pub year: Either,
    #[serde(default)]
    pub dataset: Text,
    #[serde(default)]
    pub group: Text,
    #[serde(default)]
    pub kind: Text,
    #[serde(default, rename = "as")]
    pub renamed: Text,
    #[serde(default)]
    pub pool: Text,
    #[serde(default)]
    pub order: Option<i64>,
    #[serde(default)]
    pub hold: Option<bool>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Rename {
    pub from: Spanned<String>,
    pub to: Spanned<String>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Permissions {
    #[serde(default)]
    pub owner: Text,
    #[serde(default)]
    pub dirs: Text,
    #[serde(default)]
    pub files: Text,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Exclude {
    #[serde(default)]
    pub names: Vec<Spanned<String>>,
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
    pub streams: Either,
    #[serde(default)]
    pub yield_to_others: bool,
    #[serde(default)]
    pub streams_large_max: Number,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Release {
    #[serde(default)]
    pub second_copy: String,
    #[serde(default)]
    pub waiting_days: Number,
    #[serde(default)]
    pub hold_days: Number,
    #[serde(default)]
    pub accept_read: Option<Vec<Spanned<String>>>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Notify {
    #[serde(default)]
    pub command: Vec<Spanned<String>>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct View {
    #[serde(default)]
    pub flat: bool,
}
