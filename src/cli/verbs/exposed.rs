//! What exists only on the old box, as `status --exposed` shows it.

use crate::cli::{Context, json as pieces};
use crate::report::exposed::{CAUTION, Exposed, Step, Sum};
use crate::report::words::{Align, table};
use serde_json::{Value, json};

pub(super) fn tell(context: &Context, exposed: &Exposed, zone: chrono_tz::Tz) {
    for line in exposed.sentences() {
        context.out.say(&line);
    }
    let (l, r) = (Align::Left, Align::Right);
    let sum = |name: String, sum: &Sum| vec![name, sum.bytes.to_string(), sum.projects.to_string()];
    let years: Vec<Vec<String>> = exposed
        .years
        .iter()
        .map(|(year, one)| sum(year.map_or("undated".into(), |y| y.to_string()), one))
        .collect();
    let groups = exposed.groups.iter();
    let groups: Vec<Vec<String>> = groups
        .map(|(group, one)| sum(crate::names::shown(group.as_bytes()), one))
        .collect();
    for (head, rows) in [("year", years), ("group", groups)] {
        if !rows.is_empty() {
            context
                .out
                .say(&table(&[head, "bytes", "projects"], &rows, &[l, r, r]));
        }
    }
    let step = |step: &Step| {
        let at = step.at.map_or("no end can be seen".into(), |at| at.local(zone));
        vec![step.batch.clone(), at, step.left.to_string()]
    };
    let curve: Vec<Vec<String>> = exposed.curve.iter().map(step).collect();
    if !curve.is_empty() {
        context.out.say(&table(
            &[
                "after batch",
                "verified by (forecast)",
                "only on the old box then",
            ],
            &curve,
            &[l, l, r],
        ));
    }
}

/// Adds the promised list and what goes with it.
pub(super) fn add(object: &mut Value, exposed: &Exposed, zone: chrono_tz::Tz) {
    let years = exposed.years.iter();
    let years = years.map(
        |(year, sum)| json!({"year": year.map(|y| y.0), "bytes": sum.bytes.0, "projects": sum.projects}),
    );
    let groups = exposed.groups.iter();
    let groups =
        groups.map(|(group, sum)| json!({"group": group, "bytes": sum.bytes.0, "projects": sum.projects}));
    let curve = exposed.curve.iter();
    let curve = curve.map(
        |step| json!({"batch": step.batch, "at": pieces::time(step.at, zone), "bytes_left": step.left.0}),
    );
    let errors = [14u8, 15].map(|exponent| {
        let errors = exposed.read_errors(exponent);
        json!({"one_in_bits_exponent": exponent, "expected": errors.expected, "chance": errors.chance})
    });
    object["exposed"] = years.collect();
    object["exposed_groups"] = groups.collect();
    object["exposed_curve"] = curve.collect();
    object["exposed_bytes"] = json!(exposed.total().0);
    object["exposed_outside_bytes"] = json!(exposed.outside.0);
    object["exposed_read_errors"] = json!({"rates": errors, "caution": CAUTION});
}
