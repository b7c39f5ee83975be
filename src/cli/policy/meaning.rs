//! From the raw shape to values: units, dates, names, and what must not be.

use super::raw::{self, Streams, Year, place};
use crate::forecast::link::RunsOn;
use crate::forecast::windows::{Blackout, WallTime, Weekdays, Window, Windows, parse_date, parse_zone};
use crate::names::{RelPath, SourceName, nearest};
use crate::ops::settings::{DestinationSettings, Settings, SourceSettings};
use crate::plan::{By, Match, Order, Pattern, Rename, Tag};
use crate::survey::exclude::ExcludeRules;
use crate::trouble::Trouble;
use crate::units::{Bytes, LinkSpeed, Rate, UnitError};
use crate::world::ReadHow;
use std::path::{Path, PathBuf};
use toml::Spanned;

type Text = Option<Spanned<String>>;

/// Reads values and says where they stand.
struct Reader<'a> {
    text: &'a str,
}

impl Reader<'_> {
    fn wrong(&self, at: usize, key: &str, what: &str, mend: &str) -> Trouble {
        let (line, column) = place(self.text, at);
        Trouble::usage("settings", format!("move.toml:{line}:{column}: {key}: {what}")).mend(mend)
    }

    fn unit<T>(
        &self,
        key: &str,
        value: &Text,
        read: fn(&str) -> Result<T, UnitError>,
    ) -> Result<Option<T>, Trouble> {
        let Some(value) = value else { return Ok(None) };
        let wrong = |e: UnitError| self.wrong(value.span().start, key, &e.to_string(), &sentence(e.mend));
        read(value.get_ref()).map(Some).map_err(wrong)
    }

    /// A value that another part reads, with its place put before what it says.
    fn other<T>(
        &self,
        key: &str,
        value: &Spanned<String>,
        read: impl Fn(&str) -> Result<T, Trouble>,
    ) -> Result<T, Trouble> {
        read(value.get_ref()).map_err(|trouble| {
            let mend = trouble.mend.clone().unwrap_or_default();
            self.wrong(value.span().start, key, &trouble.text, &mend)
        })
    }

    fn word<T: Copy>(&self, key: &str, value: &Text, words: &[(&str, T)], usual: T) -> Result<T, Trouble> {
        let Some(value) = value else { return Ok(usual) };
        if let Some((_, found)) = words.iter().find(|(word, _)| word == value.get_ref()) {
            return Ok(*found);
        }
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let what = format!("{:?} is none of {}", value.get_ref(), known.join(", "));
        let near = nearest(value.get_ref(), known.iter().copied(), 1).join("");
        Err(self.wrong(value.span().start, key, &what, &format!("Did you mean {near:?}?")))
    }

    fn path(&self, key: &str, value: &Spanned<String>) -> Result<RelPath, Trouble> {
        RelPath::new(value.get_ref().as_bytes()).map_err(|e| {
            self.wrong(
                value.span().start,
                key,
                &e.to_string(),
                "Write a path below the source, like \"clients/2019\".",
            )
        })
    }
}

fn sentence(mend: &str) -> String {
    let mut letters = mend.chars();
    let first: String = letters
        .next()
        .map(|c| c.to_uppercase().collect())
        .unwrap_or_default();
    format!("{first}{}.", letters.as_str())
}

/// The settings that a raw file means.
pub(super) fn settings(text: &str, raw: raw::Move) -> Result<Settings, Trouble> {
    let reader = Reader { text };
    let sources = raw
        .source
        .iter()
        .map(|s| source(&reader, s))
        .collect::<Result<Vec<_>, _>>()?;
    let destinations = raw
        .destination
        .iter()
        .map(|d| destination(&reader, d))
        .collect::<Result<Vec<_>, _>>()?;
    ends(&reader, &raw, &sources, &destinations)?;
    let usual_zone = super::super::local_zone();
    let zone = match &raw.schedule.zone {
        Some(zone) => reader.other("zone", zone, parse_zone)?,
        None => usual_zone,
    };
    let batch_max = reader
        .unit("batch-max", &raw.plan.batch_max, Bytes::parse)?
        .unwrap_or(Bytes(4_000_000_000_000));
    let batch_min = reader.unit("batch-min", &raw.plan.batch_min, Bytes::parse)?;
    let batch_min = batch_min.unwrap_or(Bytes(200_000_000_000.min(batch_max.0 / 4)));
    if batch_min > batch_max || batch_max.0 == 0 {
        let at = raw
            .plan
            .batch_max
            .as_ref()
            .or(raw.plan.batch_min.as_ref())
            .map_or(0, |v| v.span().start);
        return Err(reader.wrong(
            at,
            "batch-max",
            "the largest batch is smaller than the smallest",
            "Make batch-max the larger one.",
        ));
    }
    let orders = [
        ("oldest-first", Order::OldestFirst),
        ("newest-first", Order::NewestFirst),
        ("smallest-first", Order::SmallestFirst),
        ("largest-first", Order::LargestFirst),
        ("exposure-first", Order::ExposureFirst),
    ];
    let bys = [
        ("year", By::Year),
        ("project", By::Project),
        ("kind", By::Kind),
        ("tag", By::Tag),
    ];
    Ok(Settings {
        link: reader.unit("speed", &raw.link.speed, LinkSpeed::parse)?,
        mtu: raw.link.mtu.as_ref().map_or(1500, |mtu| *mtu.get_ref()),
        runs_on: match &raw.link.runs_on {
            Some(value) => reader.other("runs-on", value, RunsOn::parse)?,
            None => RunsOn::Pool,
        },
        windows: windows(&reader, &raw, zone)?,
        spanning: raw.schedule.spanning.unwrap_or(true),
        rescan: reader
            .word(
                "rescan",
                &raw.schedule.rescan,
                &[("daily", "daily"), ("never", "never")],
                "daily",
            )?
            .into(),
        quiet_days: raw.schedule.quiet_days.unwrap_or(7),
        by: reader.word("by", &raw.plan.by, &bys, By::Year)?,
        batch_max,
        batch_min,
        order: reader.word("order", &raw.plan.order, &orders, Order::OldestFirst)?,
        tags: raw
            .tag
            .iter()
            .map(|t| tag(&reader, t, &destinations))
            .collect::<Result<_, _>>()?,
        renames: raw
            .rename
            .iter()
            .map(|r| rename(&reader, r))
            .collect::<Result<_, _>>()?,
        permissions: raw.permissions.clone().into_iter().collect(),
        exclude: ExcludeRules {
            names: raw.exclude.names.clone(),
            snapshots: raw.exclude.snapshots.unwrap_or(true),
            recycle: raw.exclude.recycle.unwrap_or(true),
            thumbnails: raw.exclude.thumbnails.unwrap_or(true),
        },
        streams: streams(&reader, &raw.copy)?,
        yield_to_others: raw.copy.yield_to_others,
        streams_large_max: raw
            .copy
            .streams_large_max
            .as_ref()
            .map_or(4, |n| *n.get_ref() as usize),
        second_copy: raw.release.second_copy.trim().to_string(),
        waiting_days: raw.release.waiting_days.unwrap_or(28),
        hold_days: raw.release.hold_days.unwrap_or(14),
        accept_read: accept_read(&reader, &raw.release)?,
        notify: raw.notify.command.clone(),
        view_flat: raw.view.flat,
        sources,
        destinations,
    })
}

fn source(reader: &Reader<'_>, raw: &raw::Source) -> Result<SourceSettings, Trouble> {
    let depth = raw.project_depth.as_ref().map_or(1, |d| *d.get_ref());
    if !(1..=16).contains(&depth) {
        let at = raw.project_depth.as_ref().map_or(0, |d| d.span().start);
        return Err(reader.wrong(
            at,
            "project-depth",
            "it is not 1 to 16",
            "1 means: every folder directly in the source is a project.",
        ));
    }
    Ok(SourceSettings {
        name: SourceName(name(reader, &raw.name)?),
        path: absolute(reader, &raw.path)?,
        project_depth: depth as usize,
        under: raw
            .under
            .as_ref()
            .map(|under| reader.path("under", under))
            .transpose()?
            .unwrap_or_default(),
        cross: raw
            .cross
            .iter()
            .map(|c| reader.path("cross", c))
            .collect::<Result<_, _>>()?,
        link: reader.unit("link", &raw.link, LinkSpeed::parse)?,
        read_rate: reader.unit("read-rate", &raw.read_rate, Rate::parse)?,
        emulated_adapter: reader.unit("emulated-adapter", &raw.emulated_adapter, LinkSpeed::parse)?,
        volume_limit: reader.unit("volume-limit", &raw.volume_limit, Bytes::parse)?,
    })
}

fn destination(reader: &Reader<'_>, raw: &raw::Destination) -> Result<DestinationSettings, Trouble> {
    let small = |key, value: &Option<Spanned<u32>>, range: std::ops::RangeInclusive<u32>| match value {
        None => Ok(None),
        Some(v) if range.contains(v.get_ref()) => Ok(Some(*v.get_ref() as u8)),
        Some(v) => {
            let what = format!("{} is not {} to {}", v.get_ref(), range.start(), range.end());
            Err(reader.wrong(v.span().start, key, &what, "Correct the number."))
        }
    };
    let layout = raw.layout.as_ref();
    if let Some(layout) = layout {
        reader.other("layout", layout, |text| {
            crate::pool::Layout::parse(text).map(|_| ())
        })?;
    }
    if let Some(dataset) = &raw.dataset {
        reader.other("dataset", dataset, |text| {
            crate::pool::names::check_dataset(text.as_bytes())
        })?;
    }
    for fact in &raw.accept {
        if !["owner", "mode", "time"].contains(&fact.get_ref().as_str()) {
            return Err(reader.wrong(
                fact.span().start,
                "accept",
                &format!("{:?} is no fact", fact.get_ref()),
                "Write owner, mode or time.",
            ));
        }
    }
    Ok(DestinationSettings {
        name: name(reader, &raw.name)?,
        path: absolute(reader, &raw.path)?,
        dataset: raw.dataset.as_ref().map(|d| d.get_ref().clone()),
        layout: layout.map(|l| l.get_ref().clone()),
        disk_size: reader.unit("disk-size", &raw.disk_size, Bytes::parse)?,
        ashift: small("ashift", &raw.ashift, 9..=16)?,
        fill_limit: small("fill-limit", &raw.fill_limit, 1..=100)?.unwrap_or(80),
        reserve: reader.unit("reserve", &raw.reserve, Bytes::parse)?,
        free: reader.unit("free", &raw.free, Bytes::parse)?,
        accept: raw.accept.iter().map(|fact| fact.get_ref().clone()).collect(),
    })
}

fn name(reader: &Reader<'_>, raw: &Spanned<String>) -> Result<String, Trouble> {
    let text = raw.get_ref().trim();
    if text.is_empty() || text.chars().any(char::is_control) {
        return Err(reader.wrong(
            raw.span().start,
            "name",
            "it is empty or holds control characters",
            "Give it a plain name.",
        ));
    }
    Ok(text.to_string())
}

fn absolute(reader: &Reader<'_>, raw: &Spanned<String>) -> Result<PathBuf, Trouble> {
    let path = Path::new(raw.get_ref());
    if !path.is_absolute() {
        return Err(reader.wrong(
            raw.span().start,
            "path",
            "it does not begin with a slash",
            "Write the whole path.",
        ));
    }
    Ok(path.components().collect())
}

fn ends(
    reader: &Reader<'_>,
    raw: &raw::Move,
    sources: &[SourceSettings],
    destinations: &[DestinationSettings],
) -> Result<(), Trouble> {
    if sources.is_empty() || destinations.is_empty() {
        let what = "a move needs at least one [[source]] and one [[destination]]";
        return Err(reader.wrong(
            0,
            "move",
            what,
            "Add the missing one; `poolward begin` writes both.",
        ));
    }
    for (at, source) in sources.iter().enumerate() {
        let here = raw.source.get(at).map_or(0, |s| s.path.span().start);
        if sources[..at].iter().any(|other| other.name == source.name) {
            return Err(reader.wrong(
                here,
                "name",
                "two sources have the same name",
                "Give each its own.",
            ));
        }
        for destination in destinations {
            let nested =
                source.path.starts_with(&destination.path) || destination.path.starts_with(&source.path);
            if nested {
                let what = format!(
                    "the source {} and the destination {} lie inside one another",
                    source.path.display(),
                    destination.path.display()
                );
                return Err(reader.wrong(
                    here,
                    "path",
                    &what,
                    "Choose two folders of which neither contains the other.",
                ));
            }
        }
    }
    for (at, destination) in destinations.iter().enumerate() {
        if destinations[..at]
            .iter()
            .any(|other| other.name == destination.name)
        {
            let here = raw.destination.get(at).map_or(0, |d| d.name.span().start);
            return Err(reader.wrong(
                here,
                "name",
                "two destinations have the same name",
                "Give each its own.",
            ));
        }
    }
    Ok(())
}

fn windows(reader: &Reader<'_>, raw: &raw::Move, zone: chrono_tz::Tz) -> Result<Windows, Trouble> {
    let window = |w: &raw::Window| {
        Ok(Window {
            days: reader.other("days", &w.days, Weekdays::parse)?,
            from: reader.other("from", &w.from, WallTime::parse)?,
            until: reader.other("until", &w.until, WallTime::parse)?,
            limit: reader.unit("rate-limit", &w.rate_limit, Rate::parse)?,
        })
    };
    let blackout = |b: &raw::Blackout| {
        let (from, until) = (
            reader.other("from", &b.from, parse_date)?,
            reader.other("until", &b.until, parse_date)?,
        );
        if until < from {
            return Err(reader.wrong(
                b.until.span().start,
                "until",
                "it lies before from",
                "Both dates are included.",
            ));
        }
        Ok(Blackout { from, until })
    };
    Ok(Windows {
        zone,
        starts: raw
            .schedule
            .starts
            .as_ref()
            .map(|s| reader.other("starts", s, parse_date))
            .transpose()?,
        windows: raw.window.iter().map(window).collect::<Result<_, Trouble>>()?,
        blackouts: raw
            .blackout
            .iter()
            .map(blackout)
            .collect::<Result<_, Trouble>>()?,
    })
}

fn tag(reader: &Reader<'_>, raw: &raw::Tag, destinations: &[DestinationSettings]) -> Result<Tag, Trouble> {
    let matches = match (&raw.matches, &raw.projects) {
        (Some(pattern), None) => Match::Pattern(reader.other("match", pattern, Pattern::new)?),
        (None, Some(projects)) => Match::Projects(projects.get_ref().clone()),
        (both, _) => {
            let at = both.as_ref().map_or(0, |m| m.span().start);
            return Err(reader.wrong(
                at,
                "[[tag]]",
                "it needs either match or projects",
                "Write match = '…' or projects = [\"…\"].",
            ));
        }
    };
    let year = match &raw.year {
        None => None,
        Some(year) => match year.get_ref() {
            Year::Number(n) if (1..=9999).contains(n) => Some(format!("{n:04}")),
            Year::Number(n) => {
                return Err(reader.wrong(
                    year.span().start,
                    "year",
                    &format!("{n} is no year"),
                    "Write four digits.",
                ));
            }
            Year::Text(text) => Some(text.clone()),
        },
    };
    if let Some(pool) = &raw.pool {
        if !destinations.iter().any(|d| d.name == *pool.get_ref()) {
            let what = format!("there is no destination {:?}", pool.get_ref());
            return Err(reader.wrong(
                pool.span().start,
                "pool",
                &what,
                "Name one of the [[destination]] entries.",
            ));
        }
    }
    let mut tag = Tag::new(matches);
    tag.year = year;
    tag.dataset = raw.dataset.clone();
    tag.group = raw.group.clone();
    tag.kind = raw.kind.clone();
    tag.renamed = raw.renamed.clone();
    tag.pool = raw.pool.as_ref().map(|p| p.get_ref().clone());
    tag.order = raw.order;
    tag.hold = raw.hold.unwrap_or(false);
    Ok(tag)
}

fn rename(reader: &Reader<'_>, raw: &raw::Rename) -> Result<Rename, Trouble> {
    Ok(Rename {
        from: reader.path("from", &raw.from)?,
        to: reader.path("to", &raw.to)?,
    })
}

fn streams(reader: &Reader<'_>, raw: &raw::Copy) -> Result<Option<usize>, Trouble> {
    let Some(value) = &raw.streams else {
        return Ok(None);
    };
    match value.get_ref() {
        Streams::Text(text) if text == "auto" => Ok(None),
        Streams::Number(n @ 1..=64) => Ok(Some(*n as usize)),
        _ => Err(reader.wrong(
            value.span().start,
            "streams",
            "it is neither \"auto\" nor 1 to 64",
            "Leave it at \"auto\" if in doubt.",
        )),
    }
}

fn accept_read(reader: &Reader<'_>, raw: &raw::Release) -> Result<Vec<ReadHow>, Trouble> {
    let Some(words) = &raw.accept_read else {
        return Ok(vec![ReadHow::Direct, ReadHow::Evicted]);
    };
    let one = |word: &Spanned<String>| {
        ReadHow::parse(word.get_ref()).ok_or_else(|| {
            let what = format!("{:?} is no way of reading", word.get_ref());
            reader.wrong(
                word.span().start,
                "accept-read",
                &what,
                "Write direct, evicted, server or unknown.",
            )
        })
    };
    words.iter().map(one).collect()
}
