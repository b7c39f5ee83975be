//! CSV for spreadsheets: batches, years and kinds, what is left behind.
//!
//! A spreadsheet takes a cell that begins with `=`, `+`, `-` or `@` for a formula, so such a cell,
//! which can only be a name, gets an apostrophe in front. Names are escaped as on a terminal; bytes
//! and counts are plain integers, times RFC 3339.

use crate::digest::Digest;
use crate::names::shown;
use crate::report::model::{Finish, Flag, Period, ReportModel};
use crate::report::words::kind_word;
use crate::units::Amount;
use chrono_tz::Tz;

/// One row a batch.
pub fn batches(model: &ReportModel) -> String {
    let mut rows = vec![
        [
            "batch",
            "dataset",
            "source",
            "state",
            "flags",
            "projects",
            "files",
            "bytes",
            "files_copied",
            "bytes_copied",
            "files_verified",
            "bytes_verified",
            "files_released",
            "bytes_released",
            "planned_start",
            "planned_end",
            "actual_start",
            "actual_end",
            "forecast_end",
            "read_how",
            "manifest_blake3",
            "proof_blake3",
            "open_reasons",
        ]
        .map(String::from)
        .to_vec(),
    ];
    for batch in &model.batches {
        let mut row = vec![
            text(batch.name.as_str().as_bytes()),
            text(batch.dataset.as_bytes()),
            text(batch.source.0.as_bytes()),
            batch.state.word().into(),
            words(batch.flags.iter().map(|f: &Flag| f.word())),
            batch.projects.to_string(),
        ];
        let progress = &batch.progress;
        for amount in [
            progress.planned,
            progress.copied,
            progress.verified,
            progress.released,
        ] {
            row.extend(figures(amount));
        }
        row.extend(period(batch.planned, model.zone));
        row.extend(period(batch.actual, model.zone));
        row.push(
            batch
                .forecast_end
                .map_or(String::new(), |m| m.rfc3339(model.zone)),
        );
        let proof = batch.proof.as_ref();
        row.push(proof.map_or(String::new(), |p| p.read_how.word().into()));
        row.push(hex_of(proof.and_then(|p| p.manifest)));
        row.push(hex_of(proof.and_then(|p| p.proof)));
        row.push(words(batch.reasons.iter().map(|r| r.code.as_str())));
        rows.push(row);
    }
    csv(&rows)
}

/// One row a year and kind that holds anything.
pub fn years(model: &ReportModel) -> String {
    let mut rows = vec![["year", "kind", "files", "bytes"].map(String::from).to_vec()];
    for year in &model.years {
        for (kind, amount) in year.kinds.iter().filter(|(_, amount)| amount.files > 0) {
            let mut row = vec![
                year.year.map_or(String::new(), |y| y.to_string()),
                kind_word(*kind).into(),
            ];
            row.extend(figures(*amount));
            rows.push(row);
        }
    }
    csv(&rows)
}

/// One row a path that is not moved.
pub fn left_behind(model: &ReportModel) -> String {
    let mut rows = vec![["path", "code", "accepted", "bytes"].map(String::from).to_vec()];
    for group in &model.left_behind {
        for (path, bytes) in &group.paths {
            let accepted = if group.accepted { "yes" } else { "no" };
            rows.push(vec![
                text(path),
                text(group.code.as_bytes()),
                accepted.into(),
                bytes.0.to_string(),
            ]);
        }
    }
    csv(&rows)
}

/// The finish as one row, for those who plot it week by week.
pub fn finish(model: &ReportModel) -> String {
    let mut rows = vec![
        ["now", "low", "likely", "high", "standing"]
            .map(String::from)
            .to_vec(),
    ];
    if let Some(Finish {
        low,
        likely,
        high,
        standing,
    }) = model.finish
    {
        let mut row: Vec<String> = [model.now, low, likely, high]
            .iter()
            .map(|m| m.rfc3339(model.zone))
            .collect();
        row.push(standing.word().into());
        rows.push(row);
    }
    csv(&rows)
}

fn figures(amount: Amount) -> [String; 2] {
    [amount.files.to_string(), amount.bytes.0.to_string()]
}

fn period(period: Option<Period>, zone: Tz) -> [String; 2] {
    match period {
        Some(p) => [p.start.rfc3339(zone), p.end.rfc3339(zone)],
        None => Default::default(),
    }
}

fn words<'a>(list: impl Iterator<Item = &'a str>) -> String {
    text(list.collect::<Vec<_>>().join(" ").as_bytes())
}

/// A name as a cell that no spreadsheet takes for a formula. The wide forms of the four signs are
/// guarded too, since some programs fold them.
fn text(bytes: &[u8]) -> String {
    let shown = shown(bytes);
    let formula = ['=', '+', '-', '@', '＝', '＋', '－', '＠'];
    if shown.starts_with(formula) {
        format!("'{shown}")
    } else {
        shown
    }
}

fn csv(rows: &[Vec<String>]) -> String {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    for row in rows {
        // Memory does not refuse a write, and every row has the length of its heading.
        let _ = writer.write_record(row);
    }
    let bytes = writer.into_inner().unwrap_or_default();
    String::from_utf8_lossy(&bytes).into_owned()
}

/// A hash, or nothing.
fn hex_of(digest: Option<Digest>) -> String {
    digest.map(|digest| digest.to_string()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::sample;
    use crate::units::Bytes;
    use proptest::prelude::*;

    #[test]
    fn every_batch_is_one_row_of_the_headings_length() {
        let model = sample();
        let text = batches(&model);
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let width = reader.headers().unwrap().len();
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!(rows.len(), model.batches.len());
        assert!(rows.iter().all(|row| row.len() == width));
        assert_eq!(
            rows[0].get(7),
            Some(&*model.batches[0].progress.planned.bytes.0.to_string())
        );
    }

    #[test]
    fn years_hold_the_amounts_of_the_model() {
        let model = sample();
        let text = years(&model);
        let total: u64 = csv::Reader::from_reader(text.as_bytes())
            .records()
            .map(|row| row.unwrap()[3].parse::<u64>().unwrap())
            .sum();
        let wanted: Bytes = model.years.iter().map(|y| y.amount.bytes).sum();
        assert_eq!(Bytes(total), wanted);
        assert_eq!(finish(&model).lines().count(), 2);
    }

    proptest! {
        #[test]
        fn no_name_is_a_formula_and_none_breaks_a_row(path in prop::collection::vec(any::<u8>(), 1..30), sign in "[=+\\-@\t\r]?") {
            let mut model = sample();
            let path = [sign.as_bytes(), &path].concat();
            model.left_behind[0].paths = vec![(path.clone(), Bytes(1))];
            model.left_behind.truncate(1);
            let text = left_behind(&model);
            let rows: Vec<csv::StringRecord> =
                csv::Reader::from_reader(text.as_bytes()).records().map(Result::unwrap).collect();
            prop_assert_eq!(rows.len(), 1);
            prop_assert!(!rows[0][0].starts_with(['=', '+', '-', '@', '\t', '\r']));
            let wanted = shown(&path);
            let found = rows[0][0].strip_prefix('\'').filter(|_| wanted.as_str() != &rows[0][0]);
            prop_assert_eq!(found.unwrap_or(&rows[0][0]), wanted.as_str());
        }
    }
}
