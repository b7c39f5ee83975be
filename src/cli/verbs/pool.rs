//! pool.

use super::desk;
use crate::cli::args::Pool;
use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::ops::pool::{Asked, Compared, pool};
use crate::pool::disks::READ_ERRORS_CAUTION;
use crate::pool::{Ashift, Layout, LayoutRow};
use crate::report::words::{Align, table};
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::Clock;
use serde_json::{Value, json};

pub(super) fn run(args: &Pool, context: &Context) -> Result<Code, Trouble> {
    let size = |text: &String| {
        Bytes::parse(text)
            .map_err(|e| Trouble::usage("bad-size", format!("--disk-size {e}")).mend(format!("{}.", e.mend)))
    };
    let asked = Asked {
        disks: args.disks,
        disk_size: args.disk_size.as_ref().map(size).transpose()?,
        layout: args.layout.as_deref().map(Layout::parse).transpose()?,
        ashift: args.ashift.map(|a| Ashift::new(u64::from(a))).transpose()?,
    };
    let enough = asked.disks.is_some()
        && asked.disk_size.is_some()
        && asked.layout.is_some()
        && asked.ashift.is_some();
    // With everything told no move is needed; where one is at hand and scanned, its files count.
    let desk = match desk(context) {
        Ok(desk) => Some(desk),
        Err(_) if enough => None,
        Err(trouble) => return Err(trouble),
    };
    let compared = match pool(desk.as_ref(), &asked, context.clock.now()) {
        Err(trouble) if trouble.code == "not-scanned" && enough => pool(None, &asked, context.clock.now())?,
        other => other?,
    };
    for one in &compared {
        if compared.len() > 1 {
            context.out.say(&format!("{}:", one.name));
        }
        tell(context, one);
    }
    context.out.object("pool", objects(&compared));
    let fits = |one: &Compared| one.rows.first().is_none_or(|row| row.fits);
    Ok(Code::clean_if(compared.iter().all(fits)))
}

fn tell(context: &Context, compared: &Compared) {
    let zone = crate::cli::local_zone();
    let row = |r: &LayoutRow| {
        let fills = r
            .fills
            .and_then(|f| f.likely)
            .map_or(String::new(), |m| crate::report::words::day(m, zone));
        vec![
            r.layout.to_string(),
            r.space.usable.binary(),
            r.limit.binary(),
            format!("any {}", r.survives_any),
            r.needed.binary(),
            if r.fits { "yes".into() } else { "no".into() },
            format!("{}.{} %", r.full_per_mille / 10, r.full_per_mille % 10),
            fills,
            r.grows_by_disks.to_string(),
            r.whole_read.at_mean_rate.to_string(),
        ]
    };
    let rows: Vec<Vec<String>> = compared.rows.iter().map(row).collect();
    let heads = [
        "layout",
        "usable",
        "to the limit",
        "may fail",
        "needed",
        "fits",
        "full",
        "limit reached",
        "grows by disks",
        "rebuild at best",
    ];
    let (l, r) = (Align::Left, Align::Right);
    context
        .out
        .say(&table(&heads, &rows, &[l, r, r, l, r, l, r, l, r, r]));
    for line in compared.advice.iter().flat_map(|advice| &advice.why) {
        context.out.say(line);
    }
    for line in &compared.recommended.words {
        context.out.say(line);
    }
    context.out.say(READ_ERRORS_CAUTION);
}

/// The first destination as the contract has it, and each by its name.
fn objects(compared: &[Compared]) -> Value {
    let mut whole = compared.first().map_or(json!({}), object);
    let named = |one: &Compared| {
        let mut named = object(one);
        named["name"] = json!(one.name);
        named
    };
    whole["pools"] = compared.iter().map(named).collect();
    whole
}

fn object(compared: &Compared) -> Value {
    let zone = crate::cli::local_zone();
    let layouts: Vec<Value> = compared
        .rows
        .iter()
        .map(|r| {
            json!({"layout": r.layout.to_string(), "disks": r.layout.disks(), "raw_bytes": r.space.raw.0,
                   "usable_bytes": r.space.usable.0, "limit_bytes": r.limit.0, "survives_any": r.survives_any,
                   "needed_bytes": r.needed.0, "fits": r.fits,
                   "fills_on": pieces::time(r.fills.and_then(|f| f.likely), zone), "grows_by_disks": r.grows_by_disks})
        })
        .collect();
    let sizes: Vec<Value> = compared
        .choices
        .iter()
        .map(|(c, t)| {
            json!({"recordsize": c.recordsize.to_string(), "compression": c.compression.to_string(),
                   "used_bytes": t.used.0, "alloc_bytes": t.alloc.0})
        })
        .collect();
    let choice = compared.recommended.choice;
    json!({"layouts": layouts, "recordsizes": sizes,
           "recommended": {"recordsize": choice.recordsize.to_string(), "compression": choice.compression.to_string()}})
}
