//! The user's own rules: tags, renames, permissions, patterns of what is left out.

use super::raw;
use super::reader::Reader;
use crate::ops::settings::{DestinationSettings, PermissionWords};
use crate::plan::{Days, Match, Only, Pattern, Rename, Tag, parse_kind, parse_years};
use crate::survey::Kind;
use crate::survey::exclude::{Exclude, ExcludeRules};
use crate::trouble::Trouble;
use regex::bytes::Regex;
use std::ops::RangeInclusive;
use toml::{Spanned, Value};

/// Nothing that a shop moves today is older or younger; a slip of the finger is.
pub(super) const YEARS: RangeInclusive<i64> = 1900..=2100;

pub(super) fn tag(
    reader: &Reader<'_>,
    raw: &Spanned<raw::Tag>,
    destinations: &[DestinationSettings],
) -> Result<Tag, Trouble> {
    let place = raw.span().start;
    let raw = raw.get_ref();
    let only = only(reader, raw)?;
    let mut tag = Tag::new(matches(reader, place, raw, &only)?);
    tag.only = only;
    tag.year = year(reader, raw)?;
    tag.dataset = text(reader, raw, "dataset", &raw.dataset)?;
    tag.group = text(reader, raw, "group", &raw.group)?;
    tag.kind = text(reader, raw, "kind", &raw.kind)?;
    tag.renamed = text(reader, raw, "as", &raw.renamed)?;
    tag.pool = text(reader, raw, "pool", &raw.pool)?;
    tag.order = raw.order;
    tag.hold = raw.hold.unwrap_or(false);
    if let Some(renamed) = raw.renamed.as_ref().filter(|text| literal(raw, text.get_ref())) {
        reader.path("as", renamed)?;
    }
    if let Some(pool) = raw.pool.as_ref().filter(|text| literal(raw, text.get_ref())) {
        if !destinations.iter().any(|d| d.name == *pool.get_ref()) {
            let what = format!("there is no destination {:?}", pool.get_ref());
            let known: Vec<&str> = destinations.iter().map(|d| d.name.as_str()).collect();
            let mend = format!("Write the name of a [[destination]]: {}.", known.join(", "));
            return Err(reader.bad(pool, "pool", &what, &mend));
        }
    }
    Ok(tag)
}

fn only(reader: &Reader<'_>, raw: &raw::Tag) -> Result<Only, Trouble> {
    let kinds = raw.kinds.iter().flatten();
    let kinds: Vec<Option<Kind>> = kinds
        .map(|kind| reader.unit("kinds", &Some(kind.clone()), parse_kind))
        .collect::<Result<_, _>>()?;
    Ok(Only {
        older_than: reader.unit("older-than", &raw.older_than, Days::parse)?,
        years: reader.unit("years", &raw.years, parse_years)?,
        kinds: kinds.into_iter().flatten().collect(),
    })
}

fn matches(reader: &Reader<'_>, place: usize, raw: &raw::Tag, only: &Only) -> Result<Match, Trouble> {
    let mend = "Write either match = '…' or projects = [\"…\"], or one of older-than, years and kinds.";
    match (&raw.matches, &raw.projects) {
        (Some(pattern), None) => Ok(Match::Pattern(reader.other("match", pattern, Pattern::new)?)),
        (None, Some(projects)) if projects.get_ref().is_empty() => {
            Err(reader.bad(projects, "projects", "it names none", mend))
        }
        (None, Some(projects)) => Ok(Match::Projects(projects.get_ref().clone())),
        (None, None) if only.asks() => Ok(Match::All),
        (None, None) => Err(reader.wrong(place, "tag", "it does not say which projects it is for", mend)),
        (Some(pattern), Some(_)) => {
            Err(reader.bad(pattern, "match", "a tag has match or projects, not both", mend))
        }
    }
}

/// Whether a text of this tag stands for itself: it refers to no group of the pattern.
fn literal(raw: &raw::Tag, text: &str) -> bool {
    raw.matches.is_none() || !text.contains('$')
}

fn year(reader: &Reader<'_>, raw: &raw::Tag) -> Result<Option<String>, Trouble> {
    let Some(value) = &raw.year else { return Ok(None) };
    let four = match value.get_ref() {
        Value::Integer(number) => Some(*number),
        Value::String(text) if !literal(raw, text) => {
            groups(reader, raw, "year", value.span().start, text)?;
            return Ok(Some(text.clone()));
        }
        Value::String(text) => text.parse().ok(),
        _ => None,
    };
    match four {
        Some(year) if YEARS.contains(&year) => Ok(Some(year.to_string())),
        _ => {
            let what = format!("it is no year from {} to {}", YEARS.start(), YEARS.end());
            let mend = "Write four digits, like year = 2019, or a group of the pattern, like \"20${yy}\".";
            Err(reader.bad(value, "year", &what, mend))
        }
    }
}

fn text(
    reader: &Reader<'_>,
    raw: &raw::Tag,
    key: &str,
    value: &raw::Text,
) -> Result<Option<String>, Trouble> {
    if let Some(value) = value {
        groups(reader, raw, key, value.span().start, value.get_ref())?;
    }
    reader.filled(key, value)
}

/// A reference to a group that the pattern does not have would silently stand for nothing.
fn groups(reader: &Reader<'_>, raw: &raw::Tag, key: &str, at: usize, text: &str) -> Result<(), Trouble> {
    let Some(pattern) = &raw.matches else {
        return Ok(());
    };
    // A pattern that cannot be read has been refused before.
    let Ok(regex) = Regex::new(pattern.get_ref()) else {
        return Ok(());
    };
    let known = |name: &str| match name.parse::<usize>() {
        Ok(number) => number < regex.captures_len(),
        Err(_) => regex.capture_names().flatten().any(|group| group == name),
    };
    match references(text).into_iter().find(|name| !known(name)) {
        None => Ok(()),
        Some(name) => {
            let what = format!("the pattern has no group {name:?}");
            let mend = "Name the group in match as (?P<name>…), and write ${name}; $$ is a plain $.";
            Err(reader.wrong(at, key, &what, mend))
        }
    }
}

/// The groups that a text refers to, `$name` or `${name}`, in the syntax of the regex crate: the
/// longest run of letters, digits and underscores; `$$` is a dollar sign.
fn references(text: &str) -> Vec<&str> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some((_, after)) = rest.split_once('$') {
        rest = after;
        if let Some(after) = rest.strip_prefix('$') {
            rest = after;
        } else if let Some((name, after)) = rest.strip_prefix('{').and_then(|r| r.split_once('}')) {
            found.push(name);
            rest = after;
        } else {
            let word = |c: char| c.is_ascii_alphanumeric() || c == '_';
            let end = rest.find(|c| !word(c)).unwrap_or(rest.len());
            let (name, after) = rest.split_at(end);
            if !name.is_empty() {
                found.push(name);
            }
            rest = after;
        }
    }
    found
}

/// A rename; `deepest` is the largest depth at which projects lie. Below that only the last name may
/// change.
pub(super) fn rename(reader: &Reader<'_>, raw: &raw::Rename, deepest: usize) -> Result<Rename, Trouble> {
    let (from, to) = (reader.path("from", &raw.from)?, reader.path("to", &raw.to)?);
    for (key, path, raw) in [("from", &from, &raw.from), ("to", &to, &raw.to)] {
        if path.is_root() {
            return Err(reader.bad(raw, key, "it is empty", "Write a path below the source."));
        }
    }
    let folders = (from.split().map(|(f, _)| f), to.split().map(|(f, _)| f));
    if from.depth() > deepest && folders.0 != folders.1 {
        let what = format!("{to} lies in another folder than {from}");
        let mend =
            "Below a project only the last name can change; write the folders as they are at the source.";
        return Err(reader.bad(&raw.to, "to", &what, mend));
    }
    Ok(Rename { from, to })
}

pub(super) fn permissions(reader: &Reader<'_>, raw: &raw::Permissions) -> Result<PermissionWords, Trouble> {
    let (user, group) = owner(reader, &raw.owner)?;
    Ok(PermissionWords {
        user,
        group,
        directories: mode(reader, "dirs", &raw.dirs)?,
        files: mode(reader, "files", &raw.files)?,
    })
}

type Name = Option<String>;

/// `user`, `user:group` or `:group`, as chown(1) of coreutils takes them.
fn owner(reader: &Reader<'_>, raw: &raw::Text) -> Result<(Name, Name), Trouble> {
    let (Some(value), Some(text)) = (raw, reader.filled("owner", raw)?) else {
        return Ok((None, None));
    };
    let (user, group) = match text.split_once(':') {
        Some((user, group)) => (user, Some(group)),
        None => (text.as_str(), None),
    };
    let odd = |name: &str| name.contains(':') || name.chars().any(|c| c.is_whitespace() || c.is_control());
    if odd(user) || group.is_some_and(|group| group.is_empty() || odd(group)) {
        let what = format!("{text:?} is no owner");
        let mend =
            "Write a user, a user and a group, or a group, like \"editor\", \"editor:media\", \":media\".";
        return Err(reader.bad(value, "owner", &what, mend));
    }
    let user = (!user.is_empty()).then(|| user.to_string());
    Ok((user, group.map(str::to_string)))
}

fn mode(reader: &Reader<'_>, key: &str, raw: &raw::Text) -> Result<Option<u32>, Trouble> {
    let Some(value) = raw else { return Ok(None) };
    let text = value.get_ref();
    let digits = (3..=4).contains(&text.len()) && text.bytes().all(|b| (b'0'..=b'7').contains(&b));
    match u32::from_str_radix(text, 8) {
        Ok(mode) if digits => Ok(Some(mode)),
        _ => {
            let what = format!("{text:?} is no mode");
            let mend = "Write three or four digits from 0 to 7, like \"0750\".";
            Err(reader.bad(value, key, &what, mend))
        }
    }
}

pub(super) fn exclude(reader: &Reader<'_>, raw: &raw::Exclude) -> Result<ExcludeRules, Trouble> {
    for pattern in &raw.names {
        reader.other("names", pattern, |text| {
            let alone = ExcludeRules {
                names: vec![text.to_string()],
                ..ExcludeRules::default()
            };
            Exclude::new(alone, 1).map(|_| ())
        })?;
    }
    Ok(ExcludeRules {
        names: raw.names.iter().map(|name| name.get_ref().clone()).collect(),
        snapshots: raw.snapshots.unwrap_or(true),
        recycle: raw.recycle.unwrap_or(true),
        thumbnails: raw.thumbnails.unwrap_or(true),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn references_are_read_as_the_regex_crate_expands_them() {
        assert_eq!(references("20${yy}-$a_b c $$x $"), ["yy", "a_b"]);
        assert_eq!(references("$1st"), ["1st"]);
    }

    proptest! {
        /// Oracle: the crate's own expansion, in which a group that is not there leaves nothing.
        #[test]
        fn a_text_without_references_expands_to_itself(text in "[a$ {}1_]{0,12}") {
            let regex = Regex::new("x").unwrap();
            let mut out = Vec::new();
            regex.captures(b"x").unwrap().expand(text.as_bytes(), &mut out);
            if references(&text).is_empty() {
                prop_assert_eq!(String::from_utf8(out).unwrap(), text.replace("$$", "$"));
            }
        }
    }
}
