//! pool.

use super::{desk, layouts};
use crate::cli::args::Pool;
use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::ops::pool::{Asked, Compared, pool};
use crate::pool::disks::parse_sizes;
use crate::pool::{Ashift, Layout};
use crate::trouble::Trouble;
use crate::world::Clock;
use serde_json::{Value, json};

pub(super) fn run(args: &Pool, context: &Context) -> Result<Code, Trouble> {
    let size = |text: &String| {
        parse_sizes(text)
            .map_err(|e| Trouble::usage("bad-size", format!("--disk-size {e}")).mend(format!("{}.", e.mend)))
    };
    let asked = Asked {
        disks: args.disks,
        disk_sizes: args.disk_size.as_ref().map(size).transpose()?.unwrap_or_default(),
        layout: args.layout.as_deref().map(Layout::parse).transpose()?,
        ashift: args.ashift.map(|a| Ashift::new(u64::from(a))).transpose()?,
    };
    let enough = asked.disks.is_some()
        && !asked.disk_sizes.is_empty()
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
    for (at, one) in compared.iter().enumerate() {
        if compared.len() > 1 {
            let gap = if at > 0 { "\n" } else { "" };
            context.out.say(&format!("{gap}Destination {}", one.name));
        }
        layouts::lines(one).iter().for_each(|line| context.out.say(line));
    }
    context.out.object("pool", objects(&compared));
    let fits = |one: &Compared| one.rows.first().is_none_or(|row| row.fits);
    Ok(Code::clean_if(compared.iter().all(fits)))
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
                   "fills_on": pieces::time(r.fills.and_then(|f| f.likely), zone), "grows_by_disks": r.grows_by_disks,
                   "grows_by_bytes": r.grows_by.0, "rebuild_seconds": r.whole_read.at_mean_rate.secs_up()})
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
    json!({"disk_bytes": compared.disk.0, "disks_differ": compared.disks_differ, "layouts": layouts, "recordsizes": sizes,
           "recommended": {"recordsize": choice.recordsize.to_string(), "compression": choice.compression.to_string()}})
}
