//! Sentences and aligned tables: what a terminal prints and the page's headline says.

use crate::moment::Moment;
use crate::names::shown;
use crate::report::model::{Finish, Progress, ReportModel, Standing, State};
use crate::survey::{Effect, Kind, Survey};
use crate::units::{Amount, Bytes, counted, grouped};
use chrono_tz::Tz;

/// On which side of its column a text stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Words.
    Left,
    /// Figures.
    Right,
}

/// In place of the hash of a list that is not there.
pub const NO_MANIFEST: &str = "missing or unreadable: `poolward verify` writes it anew";

/// The usual cautions, one sentence each. They stand on every sheet and page.
///
/// The second copy elsewhere: "Data Backup Options", P. Ruggiero and M. Heckathorn, US-CERT. The
/// wiping of media: NIST SP 800-88. The waiting period and the restore test: common practice, no
/// source.
pub const CAUTIONS: [&str; 6] = [
    "RAID and snapshots are no backup. One box, one fire, one wrong command: keep a second copy in another place.",
    "Before anything is deleted, restore a few files and one whole project from the second copy, and open them.",
    "Let the waiting period pass with the old box switched off or read-only. What is missed is missed in the first weeks.",
    "A match of hashes says that both ends hold the same bytes. It cannot say that the bytes were sound before the move.",
    "Wipe or destroy drives that leave the house by the published guidance, such as NIST SP 800-88.",
    "Local rules, contracts with clients and the advice of qualified people come before anything written here.",
];

/// Rows under headings, columns two blanks apart, no lines drawn. Cells are taken as they are, so
/// names must come escaped; the last column is not padded. Missing cells count as empty.
pub fn table(headers: &[&str], rows: &[Vec<String>], alignments: &[Align]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0).max(headers.len());
    let head: Vec<String> = headers.iter().map(|h| (*h).to_string()).collect();
    let lines: Vec<&Vec<String>> = std::iter::once(&head)
        .filter(|h| !h.is_empty())
        .chain(rows)
        .collect();
    let mut widths = vec![0; columns];
    for line in &lines {
        for (width, cell) in widths.iter_mut().zip(line.iter()) {
            *width = (*width).max(display_width(cell));
        }
    }
    let mut out = String::new();
    for line in lines {
        let mut text = String::new();
        for (at, width) in widths.iter().enumerate() {
            let cell = line.get(at).map_or("", String::as_str);
            let blanks = " ".repeat(width - display_width(cell).min(*width));
            if at > 0 {
                text.push_str("  ");
            }
            match alignments.get(at) {
                Some(Align::Right) => text.extend([blanks.as_str(), cell]),
                _ => text.extend([cell, blanks.as_str()]),
            }
        }
        out.push_str(text.trim_end_matches(' '));
        out.push('\n');
    }
    out
}

/// Columns a text takes on a terminal: combining marks none, East Asian wide characters and
/// pictographs two, all others one. The wide ranges are the large blocks of Unicode's
/// `EastAsianWidth.txt`, from memory; a terminal may differ on single characters.
pub fn display_width(text: &str) -> usize {
    text.chars().map(char_width).sum()
}

fn char_width(c: char) -> usize {
    if c.is_ascii() {
        return usize::from(!c.is_ascii_control());
    }
    if unicode_normalization::char::is_combining_mark(c) || c == '\u{200d}' {
        return 0;
    }
    let wide = matches!(c as u32,
        0x1100..=0x115f | 0x2e80..=0x303e | 0x3041..=0xa4cf | 0xa960..=0xa97f | 0xac00..=0xd7a3
        | 0xf900..=0xfaff | 0xfe30..=0xfe6f | 0xff00..=0xff60 | 0xffe0..=0xffe6
        | 0x1f300..=0x1f64f | 0x1f900..=0x1f9ff | 0x20000..=0x3fffd);
    1 + usize::from(wide)
}

/// The day alone, in a zone: `Wed 2027-02-03`.
pub fn day(moment: Moment, zone: Tz) -> String {
    match moment.utc() {
        Some(time) => time.with_timezone(&zone).format("%a %Y-%m-%d").to_string(),
        None => moment.local(zone),
    }
}

/// A kind of file, in the plural.
pub fn kind_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Video => "video",
        Kind::Audio => "audio",
        Kind::Picture => "pictures",
        Kind::Edit => "edits",
        Kind::Document => "documents",
        Kind::Archive => "archives",
        Kind::Cache => "caches",
        Kind::Other => "other",
    }
}

/// A hazard's effect in a word.
pub fn effect_word(effect: Effect) -> &'static str {
    match effect {
        Effect::Blocks => "blocks",
        Effect::Loses => "loses",
        Effect::Untidy => "untidy",
    }
}

/// Tenths of a percent, rounded down: what is not complete never shows 100 %.
pub fn permille(part: u64, whole: u64) -> u32 {
    if whole == 0 {
        return 0;
    }
    let share = u128::from(part.min(whole)) * 1000 / u128::from(whole);
    u32::try_from(share).unwrap_or(1000)
}

/// The share of `whole` that `part` is, by bytes, or by files where the bytes say nothing (none at
/// all, or all of them while files are missing).
pub fn share(part: Amount, whole: Amount) -> u32 {
    let by_bytes = permille(part.bytes.0, whole.bytes.0);
    if whole.bytes == Bytes::ZERO || (by_bytes == 1000 && part.files < whole.files) {
        return permille(part.files, whole.files).min(if part.files < whole.files { 999 } else { 1000 });
    }
    by_bytes
}

/// `62 %`, `99.9 %`, `0.4 %`: a tenth only near the ends, where it matters.
pub fn percent(permille: u32) -> String {
    match permille {
        0 | 1000 => format!("{} %", permille / 10),
        1..=99 | 900..=999 => format!("{}.{} %", permille / 10, permille % 10),
        _ => format!("{} %", permille / 10),
    }
}

/// The one sentence that a reader takes away.
pub fn headline(model: &ReportModel) -> String {
    let totals = &model.totals;
    let planned = totals.planned;
    if planned.files == 0 {
        return "Nothing is planned yet.".into();
    }
    if totals.all_released() {
        return format!("All {planned} are moved, read back and released.");
    }
    if totals.all_verified() {
        return format!("All {planned} are moved, and every file was read back and found equal.");
    }
    let done = if totals.copied == Amount::default() {
        format!("{planned} are ready to move.")
    } else if totals.verified == Amount::default() {
        format!(
            "{} of {} are copied; nothing is read back yet.",
            totals.copied.bytes, planned.bytes
        )
    } else {
        format!(
            "{} of {} are moved and read back.",
            totals.verified.bytes, planned.bytes
        )
    };
    format!("{done} {}", finish_sentence(model.finish, model.zone))
}

/// When the rest will be done and what that rests on.
pub fn finish_sentence(finish: Option<Finish>, zone: Tz) -> String {
    let Some(finish) = finish else {
        return "No end can be seen: nothing moves as things are.".into();
    };
    let (low, likely, high) = (
        day(finish.low, zone),
        day(finish.likely, zone),
        day(finish.high, zone),
    );
    let basis = match finish.standing {
        Standing::Measured => return format!("It was done on {likely}."),
        Standing::Forecast => "forecast from measured rates",
        Standing::Probed => "forecast from rates a probe measured",
        Standing::Declared => "forecast from rates you declared, not measured",
        Standing::Default => "from default rates, nothing is measured yet",
    };
    if low == high {
        format!("All should be verified on {likely} ({basis}).")
    } else {
        format!(
            "All should be verified by {likely}, in nine cases of ten between {low} and {high} ({basis})."
        )
    }
}

/// How far things have come, one short sentence a stage.
pub fn progress_sentences(progress: &Progress) -> Vec<String> {
    let line = |word: &str, part: Amount| {
        format!(
            "{word}: {} ({} of {}, {} of {}).",
            percent(share(part, progress.planned)),
            part.bytes,
            progress.planned.bytes,
            grouped(part.files),
            counted(progress.planned.files, "file"),
        )
    };
    vec![
        line("Copied", progress.copied),
        line("Verified", progress.verified),
        line("Safe to delete", progress.released),
    ]
}

/// What `status` says above its table: the headline, the progress, what needs the user.
pub fn status_sentences(model: &ReportModel) -> Vec<String> {
    let mut out = vec![headline(model)];
    if model.totals.planned.files > 0 {
        out.extend(progress_sentences(&model.totals));
    }
    for batch in model.flagged() {
        let flags: Vec<&str> = batch.flags.iter().map(|f| f.word()).collect();
        out.push(format!(
            "Batch {} ({}) needs a look: {}.",
            shown(batch.name.as_str().as_bytes()),
            batch.state.word(),
            flags.join(", ")
        ));
    }
    let ready = model
        .batches
        .iter()
        .filter(|b| b.state == State::Verified && b.reasons.is_empty() && b.flags.is_empty())
        .count() as u64;
    if ready > 0 {
        out.push(format!("{} may be released.", batches(ready)));
    }
    out
}

fn batches(n: u64) -> String {
    if n == 1 {
        "1 batch".into()
    } else {
        format!("{} batches", grouped(n))
    }
}

/// What one source holds: files, folders, projects and links, without the full stop.
pub fn holds(source: &str, survey: &Survey) -> String {
    let counts = &survey.counts;
    let mut text = format!(
        "{}: {} in {} and {}",
        shown(source.as_bytes()),
        counts.files,
        counted(counts.directories, "folder"),
        counted(survey.projects.len() as u64, "project"),
    );
    if counts.symlinks > 0 {
        text.push_str(&format!(", {}", counted(counts.symlinks, "symbolic link")));
    }
    text
}

/// What `scan` says of one source.
pub fn scan_sentences(source: &str, survey: &Survey) -> Vec<String> {
    let counts = &survey.counts;
    let mut first = holds(source, survey);
    match counts.special {
        0 => {}
        1 => first.push_str(", 1 that is no file"),
        n => first.push_str(&format!(", {} that are no files", grouped(n))),
    }
    let mut out = vec![first + "."];
    if counts.unreadable > 0 {
        out.push(format!("{} could not be read.", grouped(counts.unreadable)));
    }
    for rule in &survey.excluded {
        // A snapshot view is never entered: nought would be a figure that nobody measured.
        let what = match rule.amount.files {
            0 => "never entered or without files, so no bytes are counted".to_string(),
            _ => rule.amount.to_string(),
        };
        out.push(format!(
            "Left out by the rule {}: {what}.",
            shown(rule.rule.as_bytes())
        ));
    }
    for effect in [Effect::Blocks, Effect::Loses, Effect::Untidy] {
        out.extend(hazard_sentence(survey, effect));
    }
    if !survey.questions.is_empty() {
        out.push(format!(
            "{} for you to decide: see `survey --questions`.",
            counted(survey.questions.len() as u64, "question")
        ));
    }
    out
}

fn hazard_sentence(survey: &Survey, effect: Effect) -> Option<String> {
    let kinds: Vec<String> = survey
        .hazards
        .iter()
        .filter(|h| h.effect == effect)
        .map(|h| format!("{} ({})", h.kind, grouped(h.count)))
        .collect();
    let lead = match effect {
        Effect::Blocks => "Cannot move until decided",
        Effect::Loses => "Would lose something",
        Effect::Untidy => "Worth knowing",
    };
    (!kinds.is_empty()).then(|| format!("{lead}: {}.", kinds.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_aligned_without_boxes() {
        let rows = vec![
            vec!["2019.1".into(), "3.98 TB".into(), "● verified".into()],
            vec!["cafe\u{301}".into(), "12 GB".into(), "○ waiting".into()],
            vec!["資料".into(), "1 B".into()],
        ];
        insta::assert_snapshot!(
            table(&["batch", "bytes", "state"], &rows, &[Align::Left, Align::Right, Align::Left]),
            @r"
        batch     bytes  state
        2019.1  3.98 TB  ● verified
        café      12 GB  ○ waiting
        資料        1 B
        "
        );
    }

    #[test]
    fn an_empty_table_is_no_trouble() {
        assert_eq!(table(&[], &[], &[]), "");
        assert_eq!(table(&["a"], &[], &[]), "a\n");
    }

    #[test]
    fn what_is_not_complete_never_shows_all() {
        let whole = Amount {
            files: 3,
            bytes: Bytes(10_000_000),
        };
        let nearly = Amount {
            files: 3,
            bytes: Bytes(9_999_999),
        };
        assert_eq!(percent(share(nearly, whole)), "99.9 %");
        let without_empty = Amount {
            files: 2,
            bytes: whole.bytes,
        };
        assert_ne!(percent(share(without_empty, whole)), "100 %");
        assert_eq!(percent(share(whole, whole)), "100 %");
        assert_eq!(percent(share(Amount::default(), Amount::default())), "0 %");
    }
}
