//! probe: what the real paths can do, measured in under a minute, for the forecast.

use super::desk::Desk;
use super::settings::{DestinationSettings, SourceSettings};
use super::{batch, guard, scan};
use crate::copy::trouble_of;
use crate::entry::EntryKind;
use crate::ledger::Probe;
use crate::names::RelPath;
use crate::probe::{self as hand, Kept, Nest, Tools};
use crate::survey::spread::Spread;
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::{Fs, OsFs, ReadHow};

/// Seconds for all ends together; with the hashing, the looks and the last syncs below a minute.
const IN_ALL: f64 = 44.0;
/// Seconds of hashing.
const HASHING: f64 = 1.0;
/// Most bytes written.
const MOST: u64 = 512 << 20;
/// Most small files written or read.
const FILES: u64 = 300;
/// Files large enough that their opening does not count.
const LARGE: u64 = 64 << 20;
/// Files below this are small.
const SMALL: u64 = 1 << 20;

/// What was found at one end.
pub struct Found {
    /// As it was recorded.
    pub row: Probe,
    /// Each fact with its words.
    pub facts: Vec<Kept>,
    /// Files of the source that could not be read.
    pub unreadable: u64,
}

/// Probes every end and this machine, and records it. `say` gets a line for each.
///
/// # Errors
/// [`Trouble`] where a source was not scanned, an end is not there, or somebody stopped.
pub fn probe(desk: &mut Desk<'_>, say: &dyn Fn(&str)) -> Result<Vec<Found>, Trouble> {
    batch::alone(desk, "the probe", |desk| {
        let (sources, destinations) = (desk.settings.sources.clone(), desk.settings.destinations.clone());
        let share = IN_ALL / (sources.len() + destinations.len()).max(1) as f64;
        let mut found = vec![machine(desk)?];
        for source in &sources {
            say(&format!("Reading from {} ...", source.name));
            found.push(at_source(desk, source, share)?);
        }
        // A pool whose disks are not free yet is measured once it is there.
        let there = |at: &&DestinationSettings| !at.is_late() || at.path.is_dir();
        for destination in destinations.iter().filter(there) {
            guard::joined(desk, destination)?;
            say(&format!("Writing to {} and reading back ...", destination.name));
            found.push(at_destination(desk, destination, share)?);
        }
        for one in &found {
            desk.ledger.put_probe(&one.row)?;
        }
        Ok(found)
    })
}

fn machine(desk: &Desk<'_>) -> Result<Found, Trouble> {
    let rate = hand::hash_rate(tools(desk), HASHING).map_err(|fault| trouble_of(&fault))?;
    let row = Probe {
        at: desk.now(),
        role: "machine".into(),
        hash_rate: Some(rate),
        ..Probe::default()
    };
    Ok(Found {
        row,
        facts: Vec::new(),
        unreadable: 0,
    })
}

fn tools<'a>(desk: &Desk<'a>) -> Tools<'a> {
    Tools {
        clock: desk.clock,
        stop: desk.stop,
    }
}

fn at_source(desk: &Desk<'_>, source: &SourceSettings, seconds: f64) -> Result<Found, Trouble> {
    let fs = guard::source(desk, source)?;
    let (large, small) = choose(desk, source)?;
    let stop = |fault| trouble_of(&fault);
    let read = hand::read_large(&fs, &large, tools(desk), seconds * 0.6).map_err(stop)?;
    let ones = hand::read_small(&fs, &small, tools(desk), seconds * 0.3, read.rate).map_err(stop)?;
    let looked: Vec<RelPath> = small.iter().chain(&large).take(64).cloned().collect();
    let facts = hand::seen(&fs, &looked, tools(desk)).map_err(stop)?;
    let mut row = row_of(desk, "source", &source.name.0, &fs, &facts);
    row.read_rate = read.rate;
    row.read_cost = ones.cost;
    row.read_how = word(read.read_how.max(ones.read_how));
    Ok(Found {
        row,
        facts,
        unreadable: read.unreadable + ones.unreadable,
    })
}

/// Files to read, spread over the source: large ones, the largest kind there is, and small ones.
fn choose(desk: &Desk<'_>, source: &SourceSettings) -> Result<(Vec<RelPath>, Vec<RelPath>), Trouble> {
    let index = scan::newest_index(desk, &source.name.0)?;
    let (mut large, mut middle, mut small) = (Spread::new(64), Spread::new(256), Spread::new(FILES as usize));
    for piece in index.pieces() {
        let listing = piece?.listing;
        for child in &listing.children {
            let entry = &child.entry;
            let Ok(path) = listing.folder.join(&child.name) else {
                continue;
            };
            if entry.kind != EntryKind::File || entry.error.is_some() || entry.is_sparse() {
                continue;
            }
            match entry.size.0 {
                0 => {}
                size if size < SMALL => small.offer(|| path),
                size if size < LARGE => middle.offer(|| path),
                _ => large.offer(|| path),
            }
        }
    }
    let mut first = large.taken();
    first.extend(middle.taken());
    Ok((first, small.taken()))
}

fn at_destination(desk: &Desk<'_>, at: &DestinationSettings, seconds: f64) -> Result<Found, Trouble> {
    let fs = guard::destination(desk, at)?;
    let move_id = desk.ledger.move_id()?;
    for source in &desk.settings.sources {
        guard::refuse_same_storage(&source.path, &at.path, &move_id)?;
    }
    let most = room(&fs, at)?;
    let stop = |fault| trouble_of(&fault);
    let tag: String = move_id.chars().take(8).collect();
    let nest = Nest::make(&fs, &tag).map_err(stop)?;
    let facts = hand::keeps(&fs, &nest, tools(desk)).map_err(stop)?;
    let mut row = row_of(desk, "destination", &at.name, &fs, &facts);
    if most.0 > 0 {
        let written = hand::write_large(&nest, tools(desk), most, seconds * 0.35).map_err(stop)?;
        let limits = (FILES, seconds * 0.2);
        let (cost, files) =
            hand::small_file_cost(&fs, &nest, tools(desk), limits, written.rate).map_err(stop)?;
        let back = hand::read_back(&fs, &nest, tools(desk), seconds * 0.2).map_err(stop)?;
        let ones = hand::small_ones(&nest, files).map_err(stop)?;
        let ones = hand::read_small(&fs, &ones, tools(desk), seconds * 0.1, back.rate).map_err(stop)?;
        (row.write_rate, row.write_cost) = (written.rate, cost);
        (row.read_rate, row.read_cost) = (back.rate, ones.cost);
        row.read_how = word(back.read_how);
    }
    nest.clear().map_err(stop)?;
    Ok(Found {
        row,
        facts,
        unreadable: 0,
    })
}

/// How much may be written for a while: a quarter of what is free above the reserve.
fn room(fs: &OsFs, at: &DestinationSettings) -> Result<Bytes, Trouble> {
    let space = fs.space().map_err(|fault| trouble_of(&fault))?;
    let reserve = at
        .reserve
        .unwrap_or(Bytes((space.total.0 / 20).min(200_000_000_000)));
    let free = space.free.minus(reserve).0 / 4;
    Ok(Bytes(if free < 16 << 20 { 0 } else { free.min(MOST) }))
}

fn row_of(desk: &Desk<'_>, role: &str, name: &str, fs: &OsFs, facts: &[Kept]) -> Probe {
    let words = |kept: bool| {
        let rows = facts.iter().filter(|fact| fact.kept == kept);
        rows.map(|fact| fact.what.clone()).collect()
    };
    Probe {
        at: desk.now(),
        role: role.into(),
        name: name.into(),
        durability: fs.durability().word().into(),
        keeps: words(true),
        lacks: words(false),
        ..Probe::default()
    }
}

fn word(how: Option<ReadHow>) -> String {
    how.map_or("", ReadHow::word).into()
}
