//! How a plan's space is shown: one line a pool, what breaks, what helps; the datasets' commands.

use crate::cli::Context;
use crate::ops::desk::Desk;
use crate::ops::plan::Planned;
use crate::ops::rooms::Rooms;
use crate::plan::fit::PoolFit;
use crate::plan::zfs::{Made, Properties, commands};
use crate::trouble::Trouble;
use crate::units::Bytes;
use serde_json::{Value, json};

/// What is said of the space.
pub(super) fn lines(rooms: &Rooms) -> Vec<String> {
    let pools = &rooms.fit.pools;
    let several = pools.len() > 1;
    let line = |pool: &PoolFit| {
        let of = if several {
            format!("{}: ", pool.name)
        } else {
            String::new()
        };
        let verdict = if pool.fits { "It fits" } else { "It does NOT fit" };
        let (needed, limit) = (pool.needed.binary(), pool.limit.binary());
        format!("{of}{verdict}: {needed} are needed, {limit} may be used.")
    };
    let mut lines: Vec<String> = pools.iter().map(line).collect();
    if let Some(breach) = &rooms.fit.breach {
        let trouble = breach.trouble();
        let mend = trouble.mend.unwrap_or_default();
        lines.push(format!("The least that helps: {}. {mend}", trouble.text));
    }
    lines
}

/// The object of the contract, all pools together, and each by its name.
pub(super) fn objects(rooms: &Rooms) -> (Value, Value) {
    let pools = &rooms.fit.pools;
    let sum = |of: fn(&PoolFit) -> Bytes| pools.iter().map(of).sum::<Bytes>().0;
    let breach = rooms.fit.breach.as_ref().map(|breach| {
        let trouble = breach.trouble();
        json!({"batch": breach.batch.as_str(), "pool": breach.pool, "missing_bytes": breach.missing.0,
               "code": trouble.code, "text": trouble.text, "mend": trouble.mend})
    });
    let shown = |pool: &PoolFit| usable(pool, rooms);
    let all: u64 = pools.iter().map(shown).sum::<Bytes>().0;
    let pool = json!({"usable_bytes": all, "limit_bytes": sum(|pool| pool.limit),
                      "needed_bytes": sum(|pool| pool.needed), "fits": rooms.fit.fits(), "breach": breach});
    let one = |pool: &PoolFit| {
        json!({"name": pool.name, "usable_bytes": shown(pool).0, "limit_bytes": pool.limit.0,
               "needed_bytes": pool.needed.0, "fits": pool.fits})
    };
    (pool, pools.iter().map(one).collect())
}

/// The whole pool where its layout was told, else what is free of it.
fn usable(pool: &PoolFit, rooms: &Rooms) -> Bytes {
    let at = rooms.fit.pools.iter().position(|known| known.name == pool.name);
    match at.and_then(|at| rooms.told.get(at)) {
        Some(true) => pool.usable,
        _ => pool.usable.minus(pool.used),
    }
}

/// The commands that create the datasets, for the user to look at and to run on each pool's host.
pub(super) fn datasets(desk: &Desk<'_>, context: &Context, planned: &Planned) -> Result<(), Trouble> {
    let (mut text, mut made) = (String::new(), Vec::new());
    let several = desk.settings.destinations.len() > 1;
    for (at, told) in desk.settings.destinations.iter().zip(&planned.rooms.told) {
        let all = planned.plan.datasets.iter().zip(&planned.rooms.choices);
        let mine: Vec<Made<'_>> = all
            .filter(|(dataset, _)| dataset.destination == at.name)
            .map(|(dataset, choice)| Made { dataset, choice })
            .collect();
        made.extend(mine.iter().map(|one| object(one, &at.name)));
        if at.dataset.is_none() {
            context.out.note(&format!(
                "The destination {} has no `dataset` in move.toml: its datasets are plain folders, and Poolward makes them.",
                at.name
            ));
            continue;
        }
        if several {
            text.push_str(&format!("# --- {} ---\n", at.name));
        }
        if !told {
            text.push_str("# Recordsizes are counted on single disks: layout and disk-size are not told.\n");
        }
        text.push_str(&commands(&mine, &at.path, &Properties::usual())?);
    }
    let total: Bytes = planned.plan.datasets.iter().map(|d| d.amount.bytes).sum();
    context.out.say(text.trim_end());
    let object = json!({"commands": text, "bytes": total.0, "datasets": made});
    context.out.object("plan", object);
    Ok(())
}

fn object(made: &Made<'_>, pool: &str) -> Value {
    let (dataset, choice) = (made.dataset, made.choice);
    json!({"name": dataset.name, "full_name": dataset.full_name, "pool": pool,
           "recordsize": choice.choice.recordsize.to_string(), "compression": choice.choice.compression.to_string(),
           "used_bytes": choice.taken.used.0, "default_bytes": choice.by_default.used.0, "saves_bytes": choice.saves.0})
}
