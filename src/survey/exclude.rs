//! What is left out of the move: one matcher for survey, plan, copy and verify.
//!
//! By default snapshot views, recycle folders and thumbnail folders (hazards X1 to X3), folders
//! only, and never a folder at or above the project depth for its first character alone: whether
//! that is a project is a question for the user. Patterns of the user match names of any kind.

use crate::entry::EntryKind;
use crate::names::RelPath;
use crate::trouble::Trouble;
use regex::bytes::{RegexSet, RegexSetBuilder};

/// What the settings say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ExcludeRules {
    /// Glob patterns: `*` and `?` (never across a slash), `[a-z]`, `[!a-z]`, `**` (across
    /// slashes), a backslash before a character taken literally. Without a slash a pattern is
    /// compared with each name, with one (also a leading one) with the path below the source.
    pub names: Vec<String>,
    /// Leave out snapshot views, and never enter them.
    pub snapshots: bool,
    /// Leave out recycle folders.
    pub recycle: bool,
    /// Leave out thumbnail and index folders of the box.
    pub thumbnails: bool,
}

impl Default for ExcludeRules {
    fn default() -> Self {
        ExcludeRules {
            names: Vec::new(),
            snapshots: true,
            recycle: true,
            thumbnails: true,
        }
    }
}

/// The rule for snapshot views.
pub const SNAPSHOTS: &str = "snapshots";
/// The rule for recycle folders.
pub const RECYCLE: &str = "recycle";
/// The rule for thumbnail folders.
pub const THUMBNAILS: &str = "thumbnails";
/// The rule for what a release has set aside.
pub const ASIDE: &str = "aside";

/// How the folders begin into which a release sets projects aside.
pub const ASIDE_PREFIX: &[u8] = b".poolward-aside-";

/// The matcher.
#[derive(Debug, Clone)]
pub struct Exclude {
    rules: ExcludeRules,
    project_depth: usize,
    /// Patterns compared with single names, and where they stand in the rules.
    by_name: RegexSet,
    name_index: Vec<usize>,
    /// Patterns compared with whole paths.
    by_path: RegexSet,
    path_index: Vec<usize>,
}

impl Exclude {
    /// Compiles the rules for a source whose projects lie at `project_depth`.
    ///
    /// # Errors
    /// `bad-pattern` for an empty or unreadable pattern.
    pub fn new(rules: ExcludeRules, project_depth: usize) -> Result<Exclude, Trouble> {
        let mut sources = (Vec::new(), Vec::new());
        let mut indexes = (Vec::new(), Vec::new());
        for (at, pattern) in rules.names.iter().enumerate() {
            let regex = glob_to_regex(pattern)?;
            if pattern.trim_end_matches('/').contains('/') {
                sources.1.push(regex);
                indexes.1.push(at);
            } else {
                sources.0.push(regex);
                indexes.0.push(at);
            }
        }
        Ok(Exclude {
            by_name: compile(&sources.0)?,
            by_path: compile(&sources.1)?,
            name_index: indexes.0,
            path_index: indexes.1,
            rules,
            project_depth: project_depth.max(1),
        })
    }

    /// The default rules.
    pub fn usual(project_depth: usize) -> Exclude {
        Exclude {
            rules: ExcludeRules::default(),
            project_depth: project_depth.max(1),
            by_name: RegexSet::empty(),
            name_index: Vec::new(),
            by_path: RegexSet::empty(),
            path_index: Vec::new(),
        }
    }

    /// The rules this was made from.
    pub fn rules(&self) -> &ExcludeRules {
        &self.rules
    }

    /// The rule that leaves out the entry `name` of `folder` for its own name or path. Whether a
    /// folder above it is left out is not asked: see [`Exclude::rule_for_path`].
    pub fn rule_for(&self, folder: &RelPath, name: &[u8], kind: EntryKind) -> Option<&str> {
        if kind == EntryKind::Directory {
            if let Some(rule) = self.folder_rule(folder, name) {
                return Some(rule);
            }
        }
        if self.rules.names.is_empty() {
            return None;
        }
        let mut found = self
            .by_name
            .matches(name)
            .iter()
            .next()
            .and_then(|at| self.name_index.get(at));
        if found.is_none() && !self.by_path.is_empty() {
            let path = folder.join(name).ok()?;
            found = self
                .by_path
                .matches(path.as_bytes())
                .iter()
                .next()
                .and_then(|at| self.path_index.get(at));
        }
        found.and_then(|at| self.rules.names.get(*at)).map(String::as_str)
    }

    fn folder_rule(&self, folder: &RelPath, name: &[u8]) -> Option<&'static str> {
        // Most names are let go by their first byte.
        if !matches!(name.first(), Some(b'.' | b'~' | b'#' | b'@' | b'$')) {
            return None;
        }
        if self.rules.snapshots && is_snapshot_view(name) {
            return Some(SNAPSHOTS);
        }
        // Whatever lies there was moved and verified: it is no project come anew.
        if name.starts_with(ASIDE_PREFIX) && folder.depth() < self.project_depth {
            return Some(ASIDE);
        }
        if self.rules.recycle && is_recycle(name) {
            return Some(RECYCLE);
        }
        let thumbnails =
            is_named_index(name) || (is_by_product_like(name) && folder.depth() + 1 > self.project_depth);
        (self.rules.thumbnails && thumbnails).then_some(THUMBNAILS)
    }

    /// The rule that leaves out a path: its own, or that of the highest folder above it.
    pub fn rule_for_path(&self, path: &RelPath, kind: EntryKind) -> Option<&str> {
        let mut folder = RelPath::root();
        let depth = path.depth();
        for (at, name) in path.components().enumerate() {
            let kind = if at + 1 == depth {
                kind
            } else {
                EntryKind::Directory
            };
            if let Some(rule) = self.rule_for(&folder, name, kind) {
                return Some(rule);
            }
            folder = folder.join(name).ok()?;
        }
        None
    }

    /// Whether a folder must not even be listed: a snapshot view shows the whole share again, once
    /// a snapshot, and may lead back into itself.
    pub fn never_enter(&self, name: &[u8]) -> bool {
        self.rules.snapshots && is_snapshot_view(name)
    }

    /// A folder that would be left out for its first character, were it not a project or above
    /// one: the user is asked.
    pub fn is_doubtful_project(&self, folder: &RelPath, name: &[u8], kind: EntryKind) -> bool {
        kind == EntryKind::Directory
            && folder.depth() < self.project_depth
            && is_by_product_like(name)
            && self.rule_for(folder, name, kind).is_none()
    }
}

/// Hazard X1.
fn is_snapshot_view(name: &[u8]) -> bool {
    matches!(name, b".zfs" | b".snapshot" | b".snapshots" | b"~snapshot")
        || (matches!(name.first(), Some(b'#' | b'@')) && holds(name, b"snapshot"))
}

/// Hazard X2.
fn is_recycle(name: &[u8]) -> bool {
    name.eq_ignore_ascii_case(b"$RECYCLE.BIN")
        || name.starts_with(b".Trash-")
        || name == b".Trashes"
        || (matches!(name.first(), Some(b'#' | b'@')) && holds(name, b"recycle"))
}

/// Hazard X3, by a whole name.
fn is_named_index(name: &[u8]) -> bool {
    matches!(name, b".AppleDouble" | b".AppleDB")
}

/// Hazard X3, by the first character.
fn is_by_product_like(name: &[u8]) -> bool {
    name.starts_with(b"@") || name.starts_with(b".@") || name.starts_with(b"#")
}

fn holds(name: &[u8], word: &[u8]) -> bool {
    name.windows(word.len())
        .any(|part| part.eq_ignore_ascii_case(word))
}

fn compile(patterns: &[String]) -> Result<RegexSet, Trouble> {
    RegexSetBuilder::new(patterns)
        .build()
        .map_err(|_| bad("exclude.names", "the patterns are too large together"))
}

fn bad(pattern: &str, why: &str) -> Trouble {
    Trouble::usage(
        "bad-pattern",
        format!("the pattern {pattern:?} cannot be used: {why}"),
    )
    .mend("Patterns take *, ?, [a-z], [!a-z] and **; put a backslash before a character meant literally.")
}

/// The pattern that matches this path and nothing else, as far as it is UTF-8. Settings hold no other
/// bytes, so one that is none becomes a `?`, which also matches its like.
pub fn literal(path: &RelPath) -> String {
    let mut out = String::from("/");
    for chunk in path.as_bytes().utf8_chunks() {
        for c in chunk.valid().chars() {
            if matches!(c, '*' | '?' | '[' | '\\') {
                out.push('\\');
            }
            out.push(c);
        }
        out.extend(chunk.invalid().iter().map(|_| '?'));
    }
    out
}

/// A glob as an anchored regular expression over bytes.
fn glob_to_regex(pattern: &str) -> Result<String, Trouble> {
    let trimmed = pattern.trim_matches('/');
    if trimmed.is_empty() {
        return Err(bad(pattern, "it is empty"));
    }
    let mut out = String::from("(?s)^");
    let mut chars = trimmed.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '*' if chars.peek() == Some(&'*') => {
                chars.next();
                // `**/` also stands for no folder at all.
                if chars.peek() == Some(&'/') {
                    chars.next();
                    out.push_str("(?-u:.*/)?");
                } else {
                    out.push_str("(?-u:.*)");
                }
            }
            '*' => out.push_str("(?-u:[^/]*)"),
            '?' => out.push_str("(?:[^/]|(?-u:[^/]))"),
            '[' => out.push_str(&class(pattern, &mut chars)?),
            '\\' => match chars.next() {
                Some(c) => out.push_str(&regex::escape(&c.to_string())),
                None => return Err(bad(pattern, "it ends in a backslash")),
            },
            c => out.push_str(&regex::escape(&c.to_string())),
        }
    }
    out.push('$');
    regex::bytes::Regex::new(&out).map_err(|_| bad(pattern, "it is not a readable pattern"))?;
    Ok(out)
}

fn class(pattern: &str, chars: &mut std::iter::Peekable<std::str::Chars>) -> Result<String, Trouble> {
    let mut out = String::from("[");
    if matches!(chars.peek(), Some('!' | '^')) {
        chars.next();
        out.push('^');
        // Without this a negated class would match the slash between two names.
        out.push('/');
    }
    let mut first = true;
    for c in chars.by_ref() {
        match c {
            ']' if !first => {
                out.push(']');
                return Ok(out);
            }
            '-' => out.push('-'),
            c => out.push_str(&regex::escape(&c.to_string())),
        }
        first = false;
    }
    Err(bad(pattern, "a [ is never closed"))
}
