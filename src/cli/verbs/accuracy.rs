//! Forecast against actual, as `status` shows it.

use crate::cli::{Context, json as pieces};
use crate::forecast::Range;
use crate::ledger::Foretold;
use crate::lifecycle::State;
use crate::report::model::{BatchRow, Outcome, ReportModel};
use crate::report::words::{Align, table};
use serde_json::{Value, json};

/// A table of the finished batches, where there are any.
pub(super) fn tell(context: &Context, model: &ReportModel) {
    if model.outcomes.is_empty() {
        return;
    }
    let row = |o: &Outcome| {
        let mark = if o.is_inside() {
            "● inside"
        } else {
            "○ outside"
        };
        vec![
            o.name.to_string(),
            format!("{} to {}", o.range.0, o.range.1),
            o.taken.to_string(),
            mark.to_string(),
            o.words(),
        ]
    };
    let rows: Vec<Vec<String>> = model.outcomes.iter().map(row).collect();
    let (l, r) = (Align::Left, Align::Right);
    let heads = ["batch", "work forecast, 90 % range", "took", "range", ""];
    context.out.say(&table(&heads, &rows, &[l, r, r, l, l]));
}

/// Adds what was forecast of a batch when it began, and the work it took once it is verified.
pub(super) fn add(object: &mut Value, batch: &BatchRow, told: Option<&Foretold>, zone: chrono_tz::Tz) {
    let finished = batch.state >= State::Verified;
    object["actual_seconds"] = match told.filter(|_| finished) {
        Some(told) => pieces::seconds(told.taken),
        None => Value::Null,
    };
    object["forecast_at_begin"] = told.map_or(Value::Null, |told| {
        let [low, likely, high] = told.work;
        let [end_low, end_likely, end_high] = told.end;
        let seconds = Range { low, likely, high };
        let end = Range {
            low: end_low,
            likely: end_likely,
            high: end_high,
        };
        json!({"at": pieces::time(Some(told.at), zone), "seconds": pieces::spans(&seconds),
               "end": pieces::times(&end, zone), "basis": told.basis})
    });
}
