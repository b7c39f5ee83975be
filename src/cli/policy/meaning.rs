//! From the raw shape to values: units, dates, names, and what must not be.

use super::raw::{self, Text};
use super::reader::Reader;
use super::{ends, rules};
use crate::forecast::link::{Framing, RunsOn};
use crate::forecast::windows::{Blackout, WallTime, Weekdays, Window, Windows, parse_date, parse_zone};
use crate::names::nearest;
use crate::ops::settings::Settings;
use crate::plan::{By, Order};
use crate::trouble::Trouble;
use crate::units::{Bytes, LinkSpeed};
use crate::world::ReadHow;
use chrono_tz::{TZ_VARIANTS, Tz};
use toml::{Spanned, Value};

const BATCH_MAX: Bytes = Bytes(4_000_000_000_000);
const BATCH_MIN: Bytes = Bytes(200_000_000_000);
/// Ten years; more is a slip of the finger.
const DAYS_MAX: u32 = 3_650;

/// No zone of the tz database has a longer name; the distance to all is not taken for more.
const ZONE_MAX: usize = 40;

const ORDERS: [(&str, Order); 5] = [
    ("oldest-first", Order::OldestFirst),
    ("newest-first", Order::NewestFirst),
    ("smallest-first", Order::SmallestFirst),
    ("largest-first", Order::LargestFirst),
    ("exposure-first", Order::ExposureFirst),
];

const BYS: [(&str, By); 4] = [
    ("year", By::Year),
    ("project", By::Project),
    ("kind", By::Kind),
    ("tag", By::Tag),
];

/// The settings that a raw file means.
pub(super) fn settings(text: &str, raw: &raw::Move) -> Result<Settings, Trouble> {
    let reader = Reader { text };
    let sources = raw.source.iter().map(|s| ends::source(&reader, s.get_ref()));
    let sources = sources.collect::<Result<Vec<_>, _>>()?;
    let destinations = raw
        .destination
        .iter()
        .map(|d| ends::destination(&reader, d.get_ref()));
    let destinations = destinations.collect::<Result<Vec<_>, _>>()?;
    ends::apart(&reader, raw, &sources, &destinations)?;
    let (batch_min, batch_max) = batches(&reader, &raw.plan)?;
    let tags = raw.tag.iter().map(|t| rules::tag(&reader, t, &destinations));
    let tags = tags.collect::<Result<_, _>>()?;
    let deepest = sources.iter().map(|s| s.project_depth).max().unwrap_or(1);
    let renames = raw.rename.iter().map(|r| rules::rename(&reader, r, deepest));
    let days = |key, value, usual| -> Result<u32, Trouble> {
        Ok(reader.number(key, value, 0..=DAYS_MAX)?.unwrap_or(usual))
    };
    Ok(Settings {
        link: reader.unit("speed", &raw.link.speed, LinkSpeed::parse)?,
        mtu: mtu(&reader, &raw.link)?,
        runs_on: reader
            .maybe("runs-on", &raw.link.runs_on, RunsOn::parse)?
            .unwrap_or(RunsOn::Pool),
        windows: windows(&reader, raw)?,
        spanning: raw.schedule.spanning.unwrap_or(true),
        rescan: rescan(&reader, &raw.schedule.rescan)?,
        quiet_days: days("quiet-days", &raw.schedule.quiet_days, 7)?,
        by: reader.word("by", &raw.plan.by, &BYS, By::Year)?,
        batch_max,
        batch_min,
        order: reader.word("order", &raw.plan.order, &ORDERS, Order::OldestFirst)?,
        tags,
        renames: renames.collect::<Result<_, _>>()?,
        permissions: rules::permissions(&reader, &raw.permissions)?,
        exclude: rules::exclude(&reader, &raw.exclude)?,
        streams: streams(&reader, &raw.copy)?,
        yield_to_others: raw.copy.yield_to_others,
        streams_large_max: reader
            .number("streams-large-max", &raw.copy.streams_large_max, 1..=64)?
            .map_or(4, |most| most as usize),
        second_copy: raw.release.second_copy.trim().to_string(),
        waiting_days: days("waiting-days", &raw.release.waiting_days, 28)?,
        hold_days: days("hold-days", &raw.release.hold_days, 14)?,
        accept_read: accept_read(&reader, &raw.release)?,
        notify: notify(&reader, &raw.notify)?,
        view_flat: raw.view.flat,
        sources,
        destinations,
    })
}

fn mtu(reader: &Reader<'_>, raw: &raw::Link) -> Result<u32, Trouble> {
    let Some(value) = &raw.mtu else { return Ok(1500) };
    let number = u64::try_from(*value.get_ref()).unwrap_or(0);
    match Framing::checked(number) {
        Ok(framing) => Ok(framing.mtu),
        Err(trouble) => {
            let mend = trouble.mend.clone().unwrap_or_default();
            Err(reader.bad(value, "mtu", &trouble.text, &mend))
        }
    }
}

fn rescan(reader: &Reader<'_>, raw: &Text) -> Result<String, Trouble> {
    let words = [("daily", "daily"), ("never", "never")];
    reader.word("rescan", raw, &words, "daily").map(str::to_string)
}

/// Smallest and largest batch. With one of them left out, the usual value gives way to the other.
fn batches(reader: &Reader<'_>, raw: &raw::Plan) -> Result<(Bytes, Bytes), Trouble> {
    let most = reader.unit("batch-max", &raw.batch_max, Bytes::parse)?;
    let least = reader.unit("batch-min", &raw.batch_min, Bytes::parse)?;
    if let (Some(Bytes(0)), Some(value)) = (most, &raw.batch_max) {
        return Err(reader.bad(
            value,
            "batch-max",
            "nothing fits into it",
            "Write for example 4 TB.",
        ));
    }
    let max = most.unwrap_or(BATCH_MAX);
    let min = least.unwrap_or(BATCH_MIN.min(Bytes(max.0 / 4)));
    match &raw.batch_min {
        Some(value) if min > max => {
            let what = format!("{min} is more than batch-max, {max}");
            Err(reader.bad(
                value,
                "batch-min",
                &what,
                "Make batch-max the larger one of the two.",
            ))
        }
        _ => Ok((min, max)),
    }
}

fn windows(reader: &Reader<'_>, raw: &raw::Move) -> Result<Windows, Trouble> {
    let zone = match &raw.schedule.zone {
        Some(zone) => reader.other("zone", zone, known_zone)?,
        None => crate::cli::local_zone(),
    };
    let windows = raw.window.iter().map(|w| window(reader, w));
    let blackouts = raw.blackout.iter().map(|b| blackout(reader, b));
    Ok(Windows {
        zone,
        starts: reader.maybe("starts", &raw.schedule.starts, parse_date)?,
        windows: windows.collect::<Result<_, _>>()?,
        blackouts: blackouts.collect::<Result<_, _>>()?,
    })
}

/// A zone, or the one that was probably meant.
fn known_zone(text: &str) -> Result<Tz, Trouble> {
    parse_zone(text).map_err(|trouble| {
        if text.len() > ZONE_MAX {
            return trouble;
        }
        match nearest(text, TZ_VARIANTS.iter().map(|zone| zone.name()), 1).first() {
            Some(near) => trouble.mend(format!("Did you mean {near:?}? UTC always works.")),
            None => trouble,
        }
    })
}

fn window(reader: &Reader<'_>, raw: &raw::Window) -> Result<Window, Trouble> {
    let closed = "Leave these hours out of the windows; for single dates there is [[blackout]].";
    Ok(Window {
        days: reader.other("days", &raw.days, Weekdays::parse)?,
        from: reader.other("from", &raw.from, WallTime::parse)?,
        until: reader.other("until", &raw.until, WallTime::parse)?,
        limit: reader.rate("rate-limit", &raw.rate_limit, closed)?,
    })
}

fn blackout(reader: &Reader<'_>, raw: &raw::Blackout) -> Result<Blackout, Trouble> {
    let from = reader.other("from", &raw.from, parse_date)?;
    let until = reader.other("until", &raw.until, parse_date)?;
    if until < from {
        let mend = "Write the earlier date first; both are included.";
        return Err(reader.bad(&raw.until, "until", "it lies before from", mend));
    }
    Ok(Blackout { from, until })
}

fn streams(reader: &Reader<'_>, raw: &raw::Copy) -> Result<Option<usize>, Trouble> {
    let Some(value) = &raw.streams else {
        return Ok(None);
    };
    match value.get_ref() {
        Value::String(text) if text == "auto" => Ok(None),
        Value::Integer(n @ 1..=64) => Ok(usize::try_from(*n).ok()),
        _ => {
            let what = "it is neither \"auto\" nor 1 to 64";
            Err(reader.bad(value, "streams", what, "Leave it at \"auto\" if in doubt."))
        }
    }
}

fn accept_read(reader: &Reader<'_>, raw: &raw::Release) -> Result<Vec<ReadHow>, Trouble> {
    let Some(words) = &raw.accept_read else {
        return Ok(vec![ReadHow::Direct, ReadHow::Evicted]);
    };
    let one = |word: &Spanned<String>| {
        ReadHow::parse(word.get_ref()).ok_or_else(|| {
            let what = format!("{:?} is no way of reading back", word.get_ref());
            reader.bad(
                word,
                "accept-read",
                &what,
                "Write direct, evicted, server or unknown.",
            )
        })
    };
    words.iter().map(one).collect()
}

fn notify(reader: &Reader<'_>, raw: &raw::Notify) -> Result<Vec<String>, Trouble> {
    if let Some(program) = raw
        .command
        .first()
        .filter(|word| word.get_ref().trim().is_empty())
    {
        let mend = "Write the program first, then its arguments, each in quotes.";
        return Err(reader.bad(program, "command", "the program has no name", mend));
    }
    Ok(raw.command.iter().map(|word| word.get_ref().clone()).collect())
}
