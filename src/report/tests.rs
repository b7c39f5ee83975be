//! What holds for every page and sheet, whatever the names: escaped, whole, alone, the same again.

use crate::moment::Moment;
use crate::names::{BatchName, RelPath, SourceName, shown};
use crate::report::model::{Finish, Period, ReportModel};
use crate::report::page::page;
use crate::report::sample::{project_sheet, release_sheet, sample};
use crate::report::words::{scan_sentences, status_sentences};
use crate::report::{calendar, tables};
use crate::survey::{Counts, Excluded, Survey};
use crate::units::{Amount, Bytes, Span};
use proptest::prelude::*;

/// Elements of HTML that have no end tag (HTML Living Standard, "void elements"); those in use.
const VOID: [&str; 3] = ["meta", "br", "hr"];

/// Every start tag has its end tag, in order. Enough for text that one writer makes.
fn check_balanced(html: &str) {
    let body = html.split_once("<!DOCTYPE html>").unwrap().1;
    let mut open: Vec<&str> = Vec::new();
    for piece in body.split('<').skip(1) {
        let (tag, rest) = piece.split_once('>').expect("a tag without an end");
        // In the style sheet `>` is a combinator and no `<` occurs, so text holds none raw.
        assert!(
            open.last() == Some(&"style") || !rest.contains('>') || tag.starts_with("style"),
            "{rest}"
        );
        let word = tag.trim_start_matches('/').split([' ', '/']).next().unwrap();
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(word), "in {piece}");
        } else if !VOID.contains(&word) {
            open.push(word);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

/// Nothing that a browser would fetch or run.
fn check_alone(html: &str) {
    for word in [
        "http:",
        "https:",
        "src=",
        "href=",
        "url(",
        "@import",
        "<script",
        "<link",
        "<img",
        "<iframe",
        "<object",
        " onclick",
        " onload",
        "javascript:",
        "<form",
        "<base",
    ] {
        assert!(!html.contains(word), "{word}");
    }
    assert!(html.contains("content=\"default-src 'none'; style-src 'unsafe-inline'\""));
}

/// No control character and no mark that turns the reading direction (Unicode Bidirectional
/// Algorithm, UAX #9, table of explicit formatting characters).
fn check_steady(text: &str) {
    let steers = |c: char| {
        (c.is_control() && c != '\n')
            || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    assert_eq!(text.chars().find(|c| steers(*c)), None);
}

/// A name put wherever a name can stand.
fn named(bytes: &[u8]) -> ReportModel {
    let mut model = sample();
    let text = String::from_utf8_lossy(bytes).into_owned();
    model.title.clone_from(&text);
    model.version.clone_from(&text);
    model.second_copy = Some(text.clone());
    model.sources[0].path = bytes.to_vec();
    model.destinations[0].path = bytes.to_vec();
    model.space[0].name.clone_from(&text);
    model.rates[0].what.clone_from(&text);
    model.left_behind[0].paths = vec![(bytes.to_vec(), Bytes(1))];
    model.left_behind[0].code.clone_from(&text);
    model.left_behind[0].words.clone_from(&text);
    if let Ok(path) = RelPath::new(bytes) {
        model.hazards[0].examples = vec![path];
    }
    let batch = &mut model.batches[2];
    batch.name = BatchName::typed(&text);
    batch.dataset.clone_from(&text);
    batch.source = SourceName(text.clone());
    batch.reasons[0].code.clone_from(&text);
    batch.reasons[0].text = text;
    model
}

fn html_escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

fn hostile() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        any::<u8>().prop_map(|b| vec![b]),
        "[<>&\"'/=]{1,4}".prop_map(String::into_bytes),
        "[\u{61c}\u{200e}\u{202e}\u{2066}\u{feff}\u{85}\r\n\t\u{1b}]".prop_map(String::into_bytes),
        Just(b"</style><script>".to_vec()),
        Just(b"]]>-->".to_vec()),
    ];
    prop::collection::vec(piece, 1..12).prop_map(|pieces| pieces.concat())
}

/// Seconds of this century, at the ends of what the calendar knows (chrono's documented range), and
/// anywhere.
fn seconds() -> impl Strategy<Value = i64> {
    prop_oneof![
        1_700_000_000i64..1_900_000_000,
        8_210_266_700_000i64..8_210_266_900_000,
        -8_334_601_300_000i64..-8_334_601_100_000,
        any::<i64>(),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_path_bytes_come_out_escaped(bytes in hostile()) {
        let model = named(&bytes);
        let html = page(&model);
        check_steady(&html);
        check_balanced(&html);
        prop_assert!(!html.contains("<script"));
        prop_assert!(html.contains(&html_escaped(&shown(&bytes))));
        for text in [tables::batches(&model), tables::left_behind(&model)] {
            check_steady(&text.replace("\r\n", "\n"));
        }
        check_steady(&calendar::calendar(&model).replace("\r\n", "\n"));
        check_steady(&status_sentences(&model).join("\n"));
    }

    #[test]
    fn any_name_on_a_sheet_comes_out_escaped(bytes in hostile()) {
        let model = named(&bytes);
        let mut sheet = release_sheet(2);
        sheet.batch = model.batches[2].clone();
        sheet.title = model.title;
        sheet.source_path = bytes.clone();
        sheet.projects[0].0 = bytes.clone();
        sheet.left_behind = model.left_behind;
        sheet.restored = Some((bytes.clone(), sheet.now));
        check_steady(&sheet.text());
        check_steady(&sheet.html());
        check_balanced(&sheet.html());
        prop_assert!(sheet.text().contains(&shown(&bytes)));
        let mut sheet = project_sheet();
        sheet.project = bytes.clone();
        sheet.destination_path = bytes;
        check_steady(&sheet.text());
        check_steady(&sheet.html());
        check_balanced(&sheet.html());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_time_and_no_amount_makes_it_panic(seconds in prop::array::uniform5(seconds()), nanos: u32, n: u64, span: u64) {
        let at = |i: usize| Moment { seconds: seconds[i], nanos };
        let mut model = sample();
        model.now = at(0);
        model.finish = model.finish.map(|f| Finish { low: at(1), likely: at(2), high: at(3), ..f });
        for (i, batch) in model.batches.iter_mut().enumerate() {
            batch.planned = Some(Period { start: at(i % 5), end: at((i + 1) % 5) });
            batch.actual = Some(Period { start: at((i + 2) % 5), end: at((i + 3) % 5) });
            batch.forecast_end = Some(at((i + 4) % 5));
            batch.progress.copied = Amount { files: n, bytes: Bytes(u64::MAX - n) };
        }
        model.totals.verified = Amount { files: n, bytes: Bytes(n) };
        model.outcomes[0].foretold = Span(span);
        model.outcomes[0].taken = Span(n);
        model.years[0].projects = n;
        model.kinds[0].1 = Amount { files: n, bytes: Bytes(n) };
        check_balanced(&page(&model));
        let _ = (calendar::calendar(&model), tables::batches(&model), tables::finish(&model));
        let mut sheet = release_sheet(1);
        (sheet.now, sheet.waiting_until) = (at(0), Some(at(1)));
        let _ = (sheet.text(), sheet.html());
    }
}

#[test]
fn the_page_is_well_formed_and_stands_alone() {
    for html in [
        page(&sample()),
        release_sheet(1).html(),
        release_sheet(2).html(),
        project_sheet().html(),
    ] {
        check_balanced(&html);
        check_alone(&html);
    }
}

#[test]
fn the_same_model_gives_the_same_bytes() {
    assert_eq!(page(&sample()), page(&sample()));
    assert_eq!(calendar::calendar(&sample()), calendar::calendar(&sample()));
    assert_eq!(release_sheet(1).text(), release_sheet(1).text());
}

#[test]
fn an_empty_move_still_has_a_page() {
    let mut model = sample();
    model.totals = Default::default();
    model.finish = None;
    model.second_copy = None;
    (model.batches, model.outcomes, model.years, model.kinds) = Default::default();
    (model.rates, model.hazards, model.left_behind) = Default::default();
    (model.sources, model.destinations, model.space) = Default::default();
    let html = page(&model);
    check_balanced(&html);
    assert!(html.contains("Nothing is planned yet."));
    assert!(html.contains("No second copy is declared."));
}

#[test]
fn colour_is_never_alone() {
    let html = page(&sample());
    for batch in &sample().batches {
        assert!(html.contains(batch.state.word()) && html.contains(batch.state.glyph()));
        for flag in &batch.flags {
            assert!(html.contains(flag.word()) && html.contains(flag.glyph()));
        }
    }
}

#[test]
fn a_batch_that_may_go_has_a_sheet_that_says_so() {
    insta::assert_snapshot!(release_sheet(1).text(), @r#"
    RELEASE SHEET  Harbour Lane archive  batch 2014.1
    ==============================================================================
    Made Fri 2027-02-19 09:30 +01:00 by Poolward 0.1.0.

    The source of batch 2014.1 may be deleted from Fri 2027-03-12 on.

    Planned         2.87 TB in 61,204 files
    Verified        2.87 TB in 61,204 files
    From            /mnt/oldbox/archive
    To              /mnt/pool/archive/2014
    Copied          Tue 2027-02-02 19:30 +01:00 to Fri 2027-02-05 19:00 +01:00
    Durability      local: on this machine's disks before it was recorded
    Read back       direct: past the memory of this machine (direct I/O)
    When            Tue 2027-02-02 19:30 +01:00 to Fri 2027-02-05 19:00 +01:00
    Compared        2.87 TB; the disks delivered 3.10 TB
    Older lists     1,840 files agree with hash lists found at the source
    Manifest BLAKE3 55a484c19f777013e10b0c8d28f200683462d859df9112e3aa868c89e7e1f495
    Proof, BLAKE3   308f494100ecbae5165a68ff083bc466eef9c04a4a5b3a46882a5a920aa68ece
    Second copy     tape set B, at the bank
    Restore test    2014 Salt Works on Fri 2027-02-12
    Waiting until   Fri 2027-03-12 00:00 +01:00

    Against deleting the source
      nothing

    Left behind on the source
      excluded: 18,204 entries, 412 GB (snapshot views, recycle and thumbnail
      folders; accepted)
        #recycle  206 GB
        2016 Kiln Road/.thumbs  206 GB

    Projects
      1.90 TB  41,000 files  2014 Fj\xe4rd
       970 GB  20,204 files  2014 Salt Works

    Cautions
      - RAID and snapshots are no backup. One box, one fire, one wrong command:
        keep a second copy in another place.
      - Before anything is deleted, restore a few files and one whole project from
        the second copy, and open them.
      - Let the waiting period pass with the old box switched off or read-only.
        What is missed is missed in the first weeks.
      - A match of hashes says that both ends hold the same bytes. It cannot say
        that the bytes were sound before the move.
      - Wipe or destroy drives that leave the house by the published guidance,
        such as NIST SP 800-88.
      - Local rules, contracts with clients and the advice of qualified people
        come before anything written here.


    __________________________________        __________________________________
    Name, signature                           Place, date
    "#);
}

#[test]
fn a_shut_gate_stands_on_top_of_the_sheet() {
    insta::assert_snapshot!(release_sheet(2).text(), @r#"
    RELEASE SHEET  Harbour Lane archive  batch 2015.1
    ==============================================================================
    Made Fri 2027-02-19 09:30 +01:00 by Poolward 0.1.0.

    The source of batch 2015.1 must not be deleted yet: 2 reasons against it.

    Planned         3.64 TB in 88,410 files
    Verified        3.64 TB in 88,410 files
    From            /mnt/oldbox/archive
    To              /mnt/pool/archive/2014
    Copied          Fri 2027-02-05 19:30 +01:00 to Tue 2027-02-09 19:00 +01:00
    Durability      local: on this machine's disks before it was recorded
    Read back       direct: past the memory of this machine (direct I/O)
    When            Fri 2027-02-05 19:30 +01:00 to Tue 2027-02-09 19:00 +01:00
    Compared        3.64 TB; the disks delivered 3.93 TB
    Older lists     1,840 files agree with hash lists found at the source
    Manifest BLAKE3 aec4f3cddaada1d792ff23b69797e59ad7ede016362a8ab4980139cbc06d103c
    Proof, BLAKE3   308f494100ecbae5165a68ff083bc466eef9c04a4a5b3a46882a5a920aa68ece
    Second copy     none declared
    Restore test    none recorded

    Against deleting the source
      second-copy  1  no second copy is declared
      left-behind  3  files left behind under the code unreadable are not accepted

    Left behind on the source
      excluded: 18,204 entries, 412 GB (snapshot views, recycle and thumbnail
      folders; accepted)
        #recycle  206 GB
        2016 Kiln Road/.thumbs  206 GB
      unreadable: 3 entries, 5.10 MB (the source refused to give them out; NOT
      accepted)
        2015 Lantern/Scan\t01.tif  1.70 MB
        2015 Lantern/Scan 02.tif  1.70 MB
        2015 Lantern/l\xf6st  1.70 MB

    Projects
      1.90 TB  41,000 files  2014 Fj\xe4rd
       970 GB  20,204 files  2014 Salt Works

    Cautions
      - RAID and snapshots are no backup. One box, one fire, one wrong command:
        keep a second copy in another place.
      - Before anything is deleted, restore a few files and one whole project from
        the second copy, and open them.
      - Let the waiting period pass with the old box switched off or read-only.
        What is missed is missed in the first weeks.
      - A match of hashes says that both ends hold the same bytes. It cannot say
        that the bytes were sound before the move.
      - Wipe or destroy drives that leave the house by the published guidance,
        such as NIST SP 800-88.
      - Local rules, contracts with clients and the advice of qualified people
        come before anything written here.


    __________________________________        __________________________________
    Name, signature                           Place, date
    "#);
}

#[test]
fn a_project_sheet_fits_one_page_of_plain_text() {
    let text = project_sheet().text();
    assert!(text.lines().count() <= 60);
    assert!(text.lines().all(|line| line.chars().count() <= 80));
    insta::assert_snapshot!(text, @r#"
    PROJECT SHEET  2014 Salt Works
    ==============================================================================
    Harbour Lane archive. Made Fri 2027-02-19 09:30 +01:00 by Poolward 0.1.0.

    Every file of this project (970 GB in 20,204 files) was copied to new storage
    and read back there. What was read back is equal, byte for byte, to what was
    read from the old storage.

    Contents        970 GB in 20,204 files
    Exactly         970,000,000,000 B
    Was at          /mnt/oldbox/archive/2014 Salt Works
    Is at           /mnt/pool/archive/2014/2014 Salt Works
    Read there      Tue 2027-02-02 19:00 +01:00 to Thu 2027-02-04 07:00 +01:00
    Read back       Thu 2027-02-04 19:00 +01:00 to Fri 2027-02-05 07:00 +01:00
    How             past the memory of this machine (direct I/O)
    Older lists     1,840 files agree with hash lists made earlier
    Hash list       2014 Salt Works.blake3
    List, BLAKE3    0ffec6f74130be3227428d6017134054844b3119d901860a36dfb786940a9fa6
    Proof, BLAKE3   308f494100ecbae5165a68ff083bc466eef9c04a4a5b3a46882a5a920aa68ece

    To check it
      The hash list has one line for each file. Any program that reads check files
      in the coreutils format compares it with the files; it must find every line
      in order and none missing.
      Equal hashes say that no byte has changed since the first reading. They
      cannot say whether a file was sound before that, and they are no second
      copy.


    __________________________________        __________________________________
    Name, signature                           Place, date
    "#);
}

#[test]
fn status_says_how_far_and_who_is_needed() {
    insta::assert_snapshot!(status_sentences(&sample()).join("\n"), @r#"
    10.5 TB of 28.6 TB are moved and read back. All should be verified by Mon 2027-03-08, in nine cases of ten between Fri 2027-03-05 and Sun 2027-03-14 (forecast from measured rates).
    Copied: 50 % (14.4 TB of 28.6 TB, 359,764 of 832,215 files).
    Verified: 36 % (10.5 TB of 28.6 TB, 252,241 of 832,215 files).
    Safe to delete: 10 % (3.08 TB of 28.6 TB, 63,344 of 832,215 files).
    Batch 2016.1 (verifying) needs a look: changed.
    Batch 2017.1 (copying) needs a look: failed, conflict.
    "#);
}

#[test]
fn a_scan_is_summed_up_in_sentences() {
    let model = sample();
    let amount = Amount {
        files: 1_204_233,
        bytes: Bytes(61_400_000_000_000),
    };
    let survey = Survey {
        counts: Counts {
            files: amount,
            directories: 38_112,
            symlinks: 14,
            special: 2,
            unreadable: 3,
            ..Counts::default()
        },
        projects: Vec::new(),
        kinds: model.kinds,
        sizes: Default::default(),
        hazards: model.hazards,
        questions: Vec::new(),
        excluded: vec![Excluded {
            rule: "recycle".into(),
            amount: Amount {
                files: 12,
                bytes: Bytes(4_000_000),
            },
            examples: Vec::new(),
        }],
        unplanned: Vec::new(),
    };
    insta::assert_snapshot!(scan_sentences("oldbox", &survey).join("\n"), @r#"
    oldbox: 61.4 TB in 1,204,233 files in 38,112 folders and 0 projects, 14 symbolic links, 2 that are no files.
    3 could not be read.
    Left out by the rule recycle: 4.00 MB in 12 files.
    Cannot move until decided: name-folds-together (4).
    Would lose something: name-not-utf8 (37).
    Worth knowing: name-bidi (1), time-future (212).
    "#);
}

/// After the end of a move nothing is said as if something were still to come.
#[test]
fn a_finished_move_reads_like_one() {
    let mut model = sample();
    model.space[0].needed = crate::units::Bytes::ZERO;
    model.exposed = Some(crate::report::exposed::Exposed::default());
    model.read_again = vec![crate::report::again::ReadAgain {
        dataset: "2019".into(),
        through: None,
        running: None,
    }];
    let page = page(&model);
    assert!(!page.contains("needs 0 B") && page.contains("nothing more is to come"));
    assert!(!page.contains("<h2>Only on the old box"));
    assert!(page.contains("<h2>Nothing is only on the old box"));
    assert!(page.contains("2019: not read through again yet."));
}
