//! How layouts are compared for a person: one table of at most 100 columns, then sentences about the
//! one that is advised.

use crate::ops::pool::Compared;
use crate::pool::choice::EXPANSION_CAVEAT;
use crate::pool::disks::READ_ERRORS_CAUTION;
use crate::pool::recommend::percent;
use crate::pool::{FillDates, LayoutRow, Level};
use crate::report::words::{Align, display_width, table};
use crate::units::counted;
use chrono_tz::Tz;

/// What sentences are broken at.
const COLUMNS: usize = 96;

/// All of it, line by line.
pub(super) fn lines(compared: &Compared) -> Vec<String> {
    let zone = crate::cli::local_zone();
    let mut lines = vec![rows(compared, zone).trim_end().to_string()];
    let own = &compared.rows;
    let over = if own.iter().any(|row| !row.fits) {
        "   ! passes the limit"
    } else {
        ""
    };
    lines.push(format!("* the layout described below{over}"));
    lines.push(String::new());
    let mut told = Vec::new();
    told.extend(compared.disks_differ.clone());
    told.extend(compared.advice.iter().flat_map(|advice| advice.why.clone()));
    if compared.recommended.taken.used.0 > 0 {
        told.extend(compared.recommended.words.clone());
    }
    let advised = compared.advice.as_ref().and_then(|advice| own.get(advice.row));
    if let Some(row) = advised {
        told.extend(fills(compared, row, zone));
        told.push(grows(row));
        told.extend(rebuild(compared, row));
    }
    lines.extend(told.iter().flat_map(|line| wrapped(line)));
    lines
}

/// A sentence broken at blanks, so that a terminal of 100 columns need not break it inside words.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut width = 0;
    for word in text.split(' ') {
        let wide = display_width(word);
        if width > 0 && width + 1 + wide > COLUMNS {
            lines.push("  ".to_string());
            width = 2;
        } else if width > 0 {
            if let Some(line) = lines.last_mut() {
                line.push(' ');
            }
            width += 1;
        }
        if let Some(line) = lines.last_mut() {
            line.push_str(word);
        }
        width += wide;
    }
    lines
}

fn rows(compared: &Compared, zone: Tz) -> String {
    let holds = compared.rows.iter().any(|row| row.needed.0 > 0);
    let limit = format!("to {} %", compared.fill_limit.percent());
    let mut heads = vec!["", "layout", "usable", limit.as_str(), "may fail"];
    let mut sides = vec![Align::Left, Align::Left, Align::Right, Align::Right, Align::Left];
    if holds {
        heads.extend(["needed", "full", "limit met"]);
        sides.extend([Align::Right, Align::Right, Align::Left]);
    }
    heads.extend(["grows by", "for"]);
    sides.extend([Align::Right, Align::Left]);
    let advised = compared.advice.as_ref().map(|advice| advice.row);
    let row = |(at, row): (usize, &LayoutRow)| {
        let mark = if Some(at) == advised { "*" } else { " " };
        let mut cells = vec![
            mark.to_string(),
            row.layout.to_string(),
            row.space.usable.binary(),
            row.limit.binary(),
            match row.survives_any {
                0 => "none".to_string(),
                n => format!("any {n}"),
            },
        ];
        if holds {
            let over = if row.fits { "" } else { "! " };
            cells.push(row.needed.binary());
            cells.push(format!("{over}{}", percent(row.needed, row.space.usable)));
            let fills = row.fills.filter(|_| row.fits);
            cells.push(fills.map_or(String::new(), |fills| month(fills.likely, zone)));
        }
        cells.push(row.grows_by.binary());
        cells.push(counted(u64::from(row.grows_by_disks), "disk"));
        cells
    };
    let rows: Vec<Vec<String>> = compared.rows.iter().enumerate().map(row).collect();
    table(&heads, &rows, &sides)
}

/// A month is as much as growth can tell.
fn month(moment: Option<crate::moment::Moment>, zone: Tz) -> String {
    let date = moment.and_then(|moment| moment.utc());
    date.map_or("never".to_string(), |date| {
        date.with_timezone(&zone).format("%Y-%m").to_string()
    })
}

fn fills(compared: &Compared, row: &LayoutRow, zone: Tz) -> Option<String> {
    let growth = compared.growth?;
    let FillDates {
        earliest,
        likely,
        latest,
    } = row.fills?;
    if !row.fits {
        return None;
    }
    Some(format!(
        "Growing by {} a year ({} to {}), the limit is met in {} (between {} and {}).",
        growth.likely,
        growth.low,
        growth.high,
        month(likely, zone),
        month(earliest, zone),
        month(latest, zone)
    ))
}

fn grows(row: &LayoutRow) -> String {
    let step = format!(
        "Growth: {} at a time, a whole vdev, {} more usable each.",
        counted(u64::from(row.grows_by_disks), "disk"),
        row.grows_by.binary()
    );
    match row.widens_by {
        Some(by) => format!(
            "{step} One more disk in each vdev shows {} more. {EXPANSION_CAVEAT}",
            by.binary()
        ),
        None => step,
    }
}

/// The least a rebuild takes, and the read errors a sheet lets expect, with the caution beside them.
fn rebuild(compared: &Compared, row: &LayoutRow) -> Vec<String> {
    if row.layout.level() == Level::Stripe {
        return Vec::new();
    }
    let mut lines = vec![format!(
        "Rebuild: going through one disk of {} takes {} at best ({} at the rate of its outer edge), longer \
         with the pool in use.",
        compared.disk, row.whole_read.at_mean_rate, row.whole_read.at_outer_rate
    )];
    if row.rebuild_reads.0 > 0 {
        lines.push(format!(
            "After the move it reads {}: at one error in 10^15 bits, {:.2} unreadable sectors are to be expected \
             on the way, at 10^14 {:.1}.",
            row.rebuild_reads, row.errors_1e15.expected, row.errors_1e14.expected
        ));
    }
    lines.push(READ_ERRORS_CAUTION.to_string());
    lines
}
