//! An invented move for tests: a small studio, halfway through, with everything a page can show.

use crate::digest::Digest;
use crate::moment::{Moment, Year};
use crate::names::{BatchName, RelPath, SourceName};
use crate::report::model::*;
use crate::report::sheet::{ProjectSheet, ReleaseSheet};
use crate::survey::{Effect, Hazard, Kind};
use crate::units::{Amount, Bytes, Rate, Span};

const DAY: i64 = 86_400;

pub(crate) fn at(text: &str) -> Moment {
    Moment::parse_rfc3339(text).unwrap()
}

fn amount(files: u64, gigabytes: u64) -> Amount {
    Amount {
        files,
        bytes: Bytes(gigabytes * 1_000_000_000),
    }
}

fn start() -> Moment {
    at("2027-02-01T19:00:00+01:00")
}

fn days(from: i64, to: i64) -> Period {
    Period {
        start: start().plus_seconds(from * DAY),
        end: start().plus_seconds(to * DAY + 12 * 3_600),
    }
}

fn proof(read: Period, compared: Bytes, how: ReadHow) -> Proof {
    Proof {
        read_how: how,
        read,
        compared,
        delivered: (how != ReadHow::Server).then(|| Bytes(compared.0 / 100 * 108)),
        manifest: Some(Digest::of(&compared.0.to_le_bytes())),
        proof: Some(Digest::of(b"proof")),
        matched_old_list: 1_840,
        differing_old_list: 0,
        source_twice: None,
    }
}

fn row(name: &str, source: &str, state: State, from: i64, to: i64, planned: Amount) -> BatchRow {
    let done = |reached: State| {
        if state >= reached {
            planned
        } else {
            Amount::default()
        }
    };
    let half = Amount {
        files: planned.files / 2,
        bytes: Bytes(planned.bytes.0 / 5 * 2),
    };
    let copied = if state == State::Copying {
        half
    } else {
        done(State::Copied)
    };
    let verified = if state == State::Verifying {
        half
    } else {
        done(State::Verified)
    };
    let planned_period = days(from, to);
    BatchRow {
        name: BatchName::typed(name),
        dataset: name.split('.').next().unwrap().into(),
        source: SourceName(source.into()),
        state,
        flags: Vec::new(),
        projects: 3 + planned.files % 40,
        progress: Progress {
            planned,
            copied,
            verified,
            released: done(State::Released),
        },
        planned: Some(planned_period),
        actual: (state > State::Waiting).then(|| Period {
            start: planned_period.start.plus_seconds(1_800),
            end: planned_period.end.plus_seconds(DAY / 2),
        }),
        forecast_end: (state < State::Verified).then(|| planned_period.end.plus_seconds(DAY * 3 / 2)),
        proof: None,
        reasons: Vec::new(),
    }
}

fn batch_rows() -> Vec<BatchRow> {
    let mut rows = vec![
        row("pilot.1", "oldbox", State::Released, 0, 0, amount(2_140, 212)),
        row("2014.1", "oldbox", State::Released, 1, 3, amount(61_204, 2_870)),
        row("2015.1", "oldbox", State::Verified, 4, 7, amount(88_410, 3_640)),
        row("2015.2", "oldbox", State::Verified, 8, 10, amount(40_021, 2_215)),
        row(
            "2016.1",
            "oldbox",
            State::Verifying,
            11,
            14,
            amount(120_933, 3_980),
        ),
        row("2017.1", "attic", State::Copying, 15, 18, amount(94_112, 3_720)),
        row("2018.1", "oldbox", State::Waiting, 19, 22, amount(71_500, 3_910)),
        row("2018.2", "oldbox", State::Waiting, 23, 26, amount(66_004, 3_455)),
        row("2019.1", "oldbox", State::Waiting, 27, 30, amount(54_020, 3_990)),
        row("undated.1", "attic", State::Waiting, 31, 32, amount(233_871, 640)),
    ];
    for row in &mut rows {
        if let (true, Some(period)) = (row.state >= State::Verified, row.actual) {
            let how = if row.name.as_str() == "2015.2" {
                ReadHow::Server
            } else {
                ReadHow::Direct
            };
            row.proof = Some(proof(period, row.progress.planned.bytes, how));
        }
    }
    rows[2].reasons = vec![
        reason("second-copy", "no second copy is declared", 1),
        reason(
            "left-behind",
            "files left behind under the code unreadable are not accepted",
            3,
        ),
    ];
    rows[3].reasons = vec![reason(
        "read-how",
        "the way of reading back is not among those accepted",
        40_021,
    )];
    rows[4].flags = vec![Flag::Changed];
    rows[5].flags = vec![Flag::Failed, Flag::Conflict];
    rows
}

fn reason(code: &str, text: &str, count: u64) -> Reason {
    Reason {
        code: code.into(),
        text: text.into(),
        count,
    }
}

fn years() -> Vec<YearRow> {
    let year = |year: Option<u16>, projects, scale: u64| {
        let kinds = vec![
            (Kind::Video, amount(9_100 * scale / 10, 240 * scale)),
            (Kind::Picture, amount(31_000 * scale / 10, 61 * scale)),
            (Kind::Audio, amount(4_020 * scale / 10, 12 * scale)),
            (Kind::Edit, amount(810 * scale / 10, 2 * scale)),
            (Kind::Document, amount(2_210 * scale / 10, scale / 2)),
            (Kind::Cache, amount(14_400 * scale / 10, 9 * scale)),
            (Kind::Other, amount(1_100 * scale / 10, 4 * scale)),
        ];
        YearRow {
            year: year.map(Year),
            projects,
            amount: kinds.iter().map(|(_, a)| *a).sum(),
            kinds,
        }
    };
    vec![
        year(Some(2014), 31, 9),
        year(Some(2015), 58, 18),
        year(Some(2016), 44, 12),
        year(Some(2017), 47, 11),
        year(Some(2018), 61, 22),
        year(Some(2019), 39, 12),
        year(None, 12, 2),
    ]
}

fn rates() -> Vec<RateRow> {
    let rate = |what: &str, megabytes: u64, standing, binding| RateRow {
        what: what.into(),
        rate: Rate(megabytes * 1_000_000),
        range: (standing != Standing::Default)
            .then(|| (Rate(megabytes * 880_000), Rate(megabytes * 1_100_000))),
        file_cost: Some(Span::from_secs_f64(0.0042)),
        standing,
        binding,
    };
    vec![
        rate("reading from oldbox", 171, Standing::Measured, true),
        rate("reading from attic", 180, Standing::Default, false),
        rate("the link, 10 Gbit/s", 1_180, Standing::Forecast, false),
        rate("hashing", 1_900, Standing::Measured, false),
        rate("writing to pool", 640, Standing::Measured, false),
        rate("reading back from pool", 820, Standing::Measured, false),
    ]
}

fn hazards() -> Vec<Hazard> {
    let hazard = |kind, effect, count, examples: &[&[u8]], words: &str| Hazard {
        kind,
        effect,
        count,
        examples: examples.iter().map(|p| RelPath::new(*p).unwrap()).collect(),
        words: words.into(),
    };
    vec![
        hazard(
            "name-folds-together",
            Effect::Blocks,
            4,
            &["2016 Kiln Road/Take".as_bytes(), b"2016 Kiln Road/take"],
            "Two names differ only in case and would be one on a dataset that ignores case; the plan stops until one is renamed.",
        ),
        hazard(
            "name-not-utf8",
            Effect::Loses,
            37,
            &[b"2014 Fj\xe4rd/Sl\xe4tt.mov"],
            "The name is not UTF-8; it is kept byte for byte, but a client may show it wrongly.",
        ),
        hazard(
            "name-bidi",
            Effect::Untidy,
            1,
            &["2017 Tide/invoice\u{202e}fdp.mov".as_bytes()],
            "The name holds marks that turn the reading direction and may look like another.",
        ),
        hazard(
            "time-future",
            Effect::Untidy,
            212,
            &[b"2015 Lantern <Fair>/A&B \"final\".wav"],
            "The time of last change lies in the future; it is kept, and not used as evidence of a date.",
        ),
    ]
}

fn left_behind() -> Vec<LeftGroup> {
    let group = |code: &str, words: &str, files, bytes, accepted, paths: &[&[u8]]| LeftGroup {
        code: code.into(),
        words: words.into(),
        amount: Amount {
            files,
            bytes: Bytes(bytes),
        },
        accepted,
        paths: paths
            .iter()
            .map(|p| (p.to_vec(), Bytes(bytes / paths.len() as u64)))
            .collect(),
    };
    vec![
        group(
            "excluded",
            "snapshot views, recycle and thumbnail folders",
            18_204,
            412_000_000_000,
            true,
            &[b"#recycle", b"2016 Kiln Road/.thumbs"],
        ),
        group(
            "unreadable",
            "the source refused to give them out",
            3,
            5_100_000,
            false,
            &[
                b"2015 Lantern/Scan\t01.tif",
                b"2015 Lantern/Scan 02.tif",
                b"2015 Lantern/l\xf6st",
            ],
        ),
    ]
}

fn outcomes() -> Vec<Outcome> {
    ["pilot.1", "2014.1", "2015.1", "2015.2"]
        .iter()
        .zip([(0.4, 0.5), (2.6, 2.9), (3.2, 3.1), (2.0, 2.3)])
        .map(|(name, (foretold, taken))| Outcome {
            name: BatchName::typed(name),
            amount: amount(88_410, 3_640),
            foretold: Span::from_secs_f64(foretold * DAY as f64),
            range: (
                Span::from_secs_f64(foretold * 0.87 * DAY as f64),
                Span::from_secs_f64(foretold * 1.13 * DAY as f64),
            ),
            taken: Span::from_secs_f64(taken * DAY as f64),
        })
        .collect()
}

fn exposed() -> crate::report::exposed::Exposed {
    crate::report::exposed::Exposed::of(
        &[crate::report::exposed::Open {
            batch: "2019.1".into(),
            left: Bytes(2_000_000_000_000),
            end: Some(at("2027-02-01T19:00:00+01:00")),
            parts: Vec::new(),
        }],
        Bytes(5_000_000_000),
    )
}

/// The whole of it.
pub(crate) fn sample() -> ReportModel {
    let batches = batch_rows();
    let mut totals = Progress::default();
    for batch in &batches {
        totals.planned.add(batch.progress.planned);
        totals.copied.add(batch.progress.copied);
        totals.verified.add(batch.progress.verified);
        totals.released.add(batch.progress.released);
    }
    let years = years();
    let kinds = [
        Kind::Video,
        Kind::Picture,
        Kind::Audio,
        Kind::Edit,
        Kind::Document,
        Kind::Cache,
        Kind::Other,
    ];
    let kinds = kinds
        .into_iter()
        .map(|kind| {
            let all = years.iter().flat_map(|y| &y.kinds).filter(|(k, _)| *k == kind);
            (kind, all.map(|(_, a)| *a).sum())
        })
        .collect();
    let end = |name: &str, path: &str, amount| End {
        name: name.into(),
        path: path.into(),
        amount,
    };
    ReportModel {
        title: "Harbour Lane archive".into(),
        move_id: "6f1c2a".into(),
        zone: chrono_tz::Europe::Berlin,
        now: at("2027-02-19T09:30:00+01:00"),
        version: "0.1.0".into(),
        sources: vec![
            end("oldbox", "/mnt/oldbox/archive", amount(700_000, 24_000)),
            end("attic", "/mnt/attic/archive", amount(340_000, 4_300)),
        ],
        destinations: vec![end("pool", "/mnt/pool/archive", totals.copied)],
        space: vec![Space {
            name: "pool".into(),
            usable: Bytes(154 << 40),
            limit: Bytes(123 << 40),
            needed: Bytes(27 << 40),
            fits: true,
        }],
        totals,
        finish: Some(Finish {
            low: at("2027-03-05T07:00:00+01:00"),
            likely: at("2027-03-08T04:20:00+01:00"),
            high: at("2027-03-14T06:00:00+01:00"),
            standing: Standing::Forecast,
        }),
        durability: "local".into(),
        batches,
        outcomes: outcomes(),
        years,
        kinds,
        rates: rates(),
        hazards: hazards(),
        exposed: Some(exposed()),
        left_behind: left_behind(),
        read_again: Vec::new(),
        second_copy: Some("tape set B, at the bank".into()),
    }
}

/// The release sheet of a batch that may go, or of one that may not yet.
pub(crate) fn release_sheet(batch: usize) -> ReleaseSheet {
    let model = sample();
    let batch = model.batches[batch].clone();
    let open = !batch.reasons.is_empty();
    ReleaseSheet {
        title: model.title,
        zone: model.zone,
        now: model.now,
        version: model.version,
        copied: batch.actual,
        batch,
        source_path: b"/mnt/oldbox/archive".to_vec(),
        destination_path: b"/mnt/pool/archive/2014".to_vec(),
        projects: vec![
            (b"2014 Fj\xe4rd".to_vec(), amount(41_000, 1_900)),
            (b"2014 Salt Works".to_vec(), amount(20_204, 970)),
        ],
        durability: model.durability,
        left_behind: model
            .left_behind
            .into_iter()
            .take(1 + usize::from(open))
            .collect(),
        second_copy: if open { None } else { model.second_copy },
        restored: (!open).then(|| (b"2014 Salt Works".to_vec(), at("2027-02-12T16:05:00+01:00"))),
        waiting_until: (!open).then(|| at("2027-03-12T00:00:00+01:00")),
    }
}

/// A client's sheet.
pub(crate) fn project_sheet() -> ProjectSheet {
    let model = sample();
    ProjectSheet {
        project: b"2014 Salt Works".to_vec(),
        title: model.title,
        zone: model.zone,
        now: model.now,
        version: model.version,
        amount: amount(20_204, 970),
        source_path: b"/mnt/oldbox/archive/2014 Salt Works".to_vec(),
        destination_path: b"/mnt/pool/archive/2014/2014 Salt Works".to_vec(),
        read_at_source: Some(days(1, 2)),
        read_back: days(3, 3),
        read_how: ReadHow::Direct,
        matched_old_list: 1_840,
        list: ("2014 Salt Works.blake3".into(), Digest::of(b"list")),
        proof: Some(Digest::of(b"proof")),
    }
}
