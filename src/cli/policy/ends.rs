//! Sources and destinations, and what two of them must not have in common.

use super::raw;
use super::reader::Reader;
use crate::names::BatchName;
use crate::names::{RelPath, SourceName};
use crate::ops::settings::{DestinationSettings, SourceSettings};
use crate::plan::After;
use crate::pool::disks::parse_sizes;
use crate::pool::{Layout, names::check_dataset};
use crate::trouble::Trouble;
use crate::units::{Bytes, LinkSpeed};
use std::path::{Component, Path, PathBuf};
use toml::Spanned;

/// Longer ones break every table.
const NAME_MAX: usize = 60;

pub(super) fn source(reader: &Reader<'_>, raw: &raw::Source) -> Result<SourceSettings, Trouble> {
    let paths = raw.cross.iter().map(|path| reader.path("cross", path));
    let slow = "Leave it out where you do not know it.";
    Ok(SourceSettings {
        name: SourceName(name(reader, &raw.name)?),
        path: absolute(reader, &raw.path)?,
        project_depth: reader
            .number("project-depth", &raw.project_depth, 1..=16)?
            .map_or(1, |depth| depth as usize),
        under: match &raw.under {
            Some(under) => reader.path("under", under)?,
            None => RelPath::root(),
        },
        cross: paths.collect::<Result<_, _>>()?,
        link: reader.unit("link", &raw.link, LinkSpeed::parse)?,
        read_rate: reader.rate("read-rate", &raw.read_rate, slow)?,
        emulated_adapter: reader.unit("emulated-adapter", &raw.emulated_adapter, LinkSpeed::parse)?,
        volume_limit: some_bytes(reader, "volume-limit", &raw.volume_limit)?,
    })
}

pub(super) fn destination(
    reader: &Reader<'_>,
    raw: &raw::Destination,
) -> Result<DestinationSettings, Trouble> {
    reader.maybe("layout", &raw.layout, |text| Layout::parse(text).map(|_| ()))?;
    reader.maybe("dataset", &raw.dataset, |text| check_dataset(text.as_bytes()))?;
    let disk_sizes = reader
        .unit("disk-size", &raw.disk_size, parse_sizes)?
        .unwrap_or_default();
    if let (true, Some(raw)) = (disk_sizes.contains(&Bytes(0)), &raw.disk_size) {
        return Err(reader.bad(raw, "disk-size", "it is nothing", "Leave the key out."));
    }
    let percent = reader.number("fill-limit", &raw.fill_limit, 1..=100)?;
    let ashift = reader.number("ashift", &raw.ashift, 9..=16)?;
    let small = |number: u32| u8::try_from(number).unwrap_or(u8::MAX);
    Ok(DestinationSettings {
        name: name(reader, &raw.name)?,
        path: absolute(reader, &raw.path)?,
        dataset: raw.dataset.as_ref().map(|text| text.get_ref().clone()),
        layout: raw.layout.as_ref().map(|text| text.get_ref().clone()),
        disk_size: disk_sizes.iter().min().copied(),
        disk_sizes,
        ashift: ashift.map(small),
        fill_limit: percent.map_or(80, small),
        reserve: reader.unit("reserve", &raw.reserve, Bytes::parse)?,
        free: reader.unit("free", &raw.free, Bytes::parse)?,
        accept: accept(reader, raw)?,
        after: after(reader, raw)?,
        grows_to: grows_to(reader, raw)?,
        root_disk: raw.root_disk,
    })
}

/// What it waits for. What a pool will hold that is not there yet only its layout tells.
fn after(reader: &Reader<'_>, raw: &raw::Destination) -> Result<Option<After>, Trouble> {
    let (key, value, after) = match (&raw.after, &raw.after_source) {
        (None, None) => return Ok(None),
        (Some(batch), Some(_)) => {
            let what = "a destination has after or after-source, not both";
            return Err(reader.bad(batch, "after", what, "Remove one of the two."));
        }
        (Some(batch), None) => ("after", batch, After::Batch(BatchName::typed(batch.get_ref()))),
        (None, Some(source)) => {
            let name = SourceName(source.get_ref().clone());
            ("after-source", source, After::Source(name))
        }
    };
    if value.get_ref().trim().is_empty() {
        return Err(reader.bad(value, key, "it is empty", "Name it, or leave the key out."));
    }
    if raw.layout.is_none() || raw.disk_size.is_none() {
        let what = "what the pool will hold then is not told";
        return Err(reader.bad(
            value,
            key,
            what,
            "Give this destination layout and disk-size as well.",
        ));
    }
    Ok(Some(after))
}

/// The layout after whole vdevs like the first ones were added.
fn grows_to(reader: &Reader<'_>, raw: &raw::Destination) -> Result<Option<String>, Trouble> {
    let Some(value) = &raw.grows_to else {
        return Ok(None);
    };
    if raw.after.is_none() && raw.after_source.is_none() {
        let what = "it does not say when the disks are free";
        let mend = "Add after = \"a batch\" or after-source = \"a source\".";
        return Err(reader.bad(value, "grows-to", what, mend));
    }
    let now = raw
        .layout
        .as_ref()
        .map(|text| Layout::parse(text.get_ref()))
        .transpose()?;
    let then = reader.other("grows-to", value, Layout::parse)?;
    let alike = |now: Layout| (now.width(), now.level()) == (then.width(), then.level());
    if now.is_some_and(|now| !alike(now) || then.vdevs() <= now.vdevs()) {
        let what = "a pool grows by vdevs like those it has";
        let mend = "Write the layout with more vdevs, of the same width and level.";
        return Err(reader.bad(value, "grows-to", what, mend));
    }
    Ok(Some(value.get_ref().clone()))
}

fn accept(reader: &Reader<'_>, raw: &raw::Destination) -> Result<Vec<String>, Trouble> {
    let fact = |fact: &Spanned<String>| {
        if ["owner", "mode", "time", "xattr", "acl"].contains(&fact.get_ref().as_str()) {
            return Ok(fact.get_ref().clone());
        }
        let what = format!("{:?} is no fact that can be done without", fact.get_ref());
        Err(reader.bad(fact, "accept", &what, "Write owner, mode, time, xattr or acl."))
    };
    raw.accept.iter().map(fact).collect()
}

fn some_bytes(reader: &Reader<'_>, key: &str, raw: &raw::Text) -> Result<Option<Bytes>, Trouble> {
    let bytes = reader.unit(key, raw, Bytes::parse)?;
    match (bytes, raw) {
        (Some(Bytes(0)), Some(raw)) => Err(reader.bad(raw, key, "it is nothing", "Leave the key out.")),
        _ => Ok(bytes),
    }
}

fn name(reader: &Reader<'_>, raw: &Spanned<String>) -> Result<String, Trouble> {
    let text = raw.get_ref().as_str();
    let bad = text.trim().is_empty() || text.trim() != text || text.chars().any(char::is_control);
    if bad || text.chars().count() > NAME_MAX {
        let what = "it is empty, too long, or holds what cannot be seen";
        let mend = format!("Give it a plain name of up to {NAME_MAX} characters.");
        return Err(reader.bad(raw, "name", what, &mend));
    }
    Ok(text.to_string())
}

fn absolute(reader: &Reader<'_>, raw: &Spanned<String>) -> Result<PathBuf, Trouble> {
    let path = Path::new(raw.get_ref());
    let bad = |what| Err(reader.bad(raw, "path", what, "Write the whole path, beginning with a slash."));
    if !path.is_absolute() {
        return bad("it does not begin with a slash");
    }
    if path.components().any(|part| part == Component::ParentDir) {
        // Whether two paths lie inside one another could not be told from their text.
        return bad("it goes upwards with ..");
    }
    if raw.get_ref().contains('\0') {
        return bad("it holds a NUL character");
    }
    Ok(path.components().collect())
}

/// Names and paths that must differ.
pub(super) fn apart(
    reader: &Reader<'_>,
    raw: &raw::Move,
    sources: &[SourceSettings],
    destinations: &[DestinationSettings],
) -> Result<(), Trouble> {
    if sources.is_empty() || destinations.is_empty() {
        let what = "a move needs at least one [[source]] and one [[destination]]";
        let mend = "Add the missing one; `poolward begin` writes both.";
        return Err(reader.wrong(reader.text.len(), "move", what, mend));
    }
    let (mut names, mut paths) = (Vec::new(), Vec::new());
    for (raw, source) in raw.source.iter().zip(sources) {
        names.push((&raw.get_ref().name, file_word(&source.name.0)));
        paths.push((&raw.get_ref().path, source.path.as_path()));
    }
    differ(reader, "source", &names, &paths)?;
    let (mut names, mut targets) = (Vec::new(), Vec::new());
    for (raw, destination) in raw.destination.iter().zip(destinations) {
        names.push((&raw.get_ref().name, destination.name.clone()));
        targets.push((&raw.get_ref().path, destination.path.as_path()));
    }
    differ(reader, "destination", &names, &targets)?;
    known_sources(reader, raw, sources)?;
    nested(reader, &paths, &targets)
}

/// Sources that destinations wait for.
fn known_sources(reader: &Reader<'_>, raw: &raw::Move, sources: &[SourceSettings]) -> Result<(), Trouble> {
    for value in raw
        .destination
        .iter()
        .filter_map(|d| d.get_ref().after_source.as_ref())
    {
        if !sources.iter().any(|source| source.name.0 == *value.get_ref()) {
            let known: Vec<&str> = sources.iter().map(|source| source.name.0.as_str()).collect();
            let what = format!("there is no source {:?}", value.get_ref());
            let mend = format!("Write the name of a [[source]]: {}.", known.join(", "));
            return Err(reader.bad(value, "after-source", &what, &mend));
        }
    }
    Ok(())
}

type Placed<'a, T> = (&'a Spanned<String>, T);

/// Two sources whose names differ by punctuation alone would write the same index file.
fn file_word(name: &str) -> String {
    let plain = |c: char| {
        if c.is_ascii_alphanumeric() || c == '-' {
            c
        } else {
            '_'
        }
    };
    name.chars().map(plain).collect()
}

fn differ(
    reader: &Reader<'_>,
    kind: &str,
    names: &[Placed<'_, String>],
    paths: &[Placed<'_, &Path>],
) -> Result<(), Trouble> {
    for (at, (raw, name)) in names.iter().enumerate() {
        if let Some((other, _)) = names.iter().take(at).find(|(_, other)| other == name) {
            let what = format!(
                "two {kind}s have the same name, or one too alike: {}",
                other.get_ref()
            );
            return Err(reader.bad(raw, "name", &what, "Give each a name of its own."));
        }
    }
    for (at, (raw, path)) in paths.iter().enumerate() {
        if paths.iter().take(at).any(|(_, other)| other == path) {
            let what = format!("two {kind}s are the same folder {}", path.display());
            return Err(reader.bad(raw, "path", &what, "Remove one of them."));
        }
    }
    Ok(())
}

fn nested(
    reader: &Reader<'_>,
    sources: &[Placed<'_, &Path>],
    destinations: &[Placed<'_, &Path>],
) -> Result<(), Trouble> {
    for (from, source) in sources {
        for (to, destination) in destinations {
            if !source.starts_with(destination) && !destination.starts_with(source) {
                continue;
            }
            // The later of the two lines is the one just written, most of the time.
            let later = if from.span().start > to.span().start {
                from
            } else {
                to
            };
            let what = format!(
                "the source {} and the destination {} lie inside one another",
                source.display(),
                destination.display()
            );
            let mend = "Choose two folders of which neither contains the other.";
            return Err(reader.bad(later, "path", &what, mend));
        }
    }
    Ok(())
}
