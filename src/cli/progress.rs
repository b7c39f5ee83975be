//! Progress: drawn on a terminal, told in a plain line every half minute elsewhere.

use super::out::Out;
use crate::scan::Progress;
use crate::units::{Bytes, Rate, Span, grouped};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::cell::Cell;
use std::time::{Duration, Instant};

/// Between two plain lines.
const TELL_EVERY: Duration = Duration::from_secs(30);

/// Characters of a folder's path that are shown; its end is what tells it from others.
const FOLDER_WIDTH: usize = 60;

/// One piece of work and how far it is.
pub(crate) struct Meter<'a> {
    out: &'a Out,
    what: String,
    bar: ProgressBar,
    total: u64,
    began: Instant,
    told: Cell<Instant>,
}

impl<'a> Meter<'a> {
    /// `total` in bytes; 0 where it is not known.
    pub fn new(out: &'a Out, what: &str, total: Bytes) -> Meter<'a> {
        let bar = if out.draws() {
            ProgressBar::new(total.0)
        } else {
            ProgressBar::with_draw_target(Some(total.0), ProgressDrawTarget::hidden())
        };
        let style = match total.0 {
            0 => ProgressStyle::with_template("{prefix}: {wide_msg}"),
            _ => ProgressStyle::with_template("{prefix}: {percent:>3} %  {wide_bar}  {msg}"),
        };
        if let Ok(style) = style {
            bar.set_style(style);
        }
        bar.set_prefix(what.to_string());
        #[expect(
            clippy::disallowed_methods,
            reason = "paces what a person sees; nothing is decided by it"
        )]
        let now = Instant::now();
        Meter {
            out,
            what: what.to_string(),
            bar,
            total: total.0,
            began: now,
            told: Cell::new(now),
        }
    }

    /// Takes in where it is.
    pub fn at(&self, bytes: Bytes, count: u64, noun: &str, beside: &str) {
        let elapsed = Span::from_secs_f64(self.began.elapsed().as_secs_f64());
        let rate = Rate::from_work(bytes, elapsed);
        let left = match self.total > bytes.0 && rate.0 > 0 {
            true => format!(", {} left", rate.time_for(Bytes(self.total - bytes.0))),
            false => String::new(),
        };
        let beside = if beside.is_empty() {
            String::new()
        } else {
            format!("  {beside}")
        };
        self.bar.set_position(bytes.0.min(self.total.max(bytes.0)));
        self.show(format!(
            "{} {noun}, {bytes}, {rate}{left}{beside}",
            grouped(count)
        ));
    }

    /// Takes in where the scan of a source is.
    pub fn scanned(&self, source: &str, progress: &Progress) {
        self.show(scan_line(source, progress));
    }

    fn show(&self, message: String) {
        if self.out.draws() {
            self.bar.set_message(message);
        } else if self.out.tells() && self.told.get().elapsed() >= TELL_EVERY {
            #[expect(
                clippy::disallowed_methods,
                reason = "paces what a person sees; nothing is decided by it"
            )]
            let now = Instant::now();
            self.told.set(now);
            self.out.note(&format!("{}: {message}", self.what));
        }
    }

    /// Clears the line.
    pub fn done(&self) {
        self.bar.finish_and_clear();
    }
}

/// How far a scan is: entries, their bytes, the pace of this try, from the second scan on the share
/// of the entries that the scan before saw, and the folder that is being read.
fn scan_line(source: &str, progress: &Progress) -> String {
    // Rounded down: a hundred is not said before it is true.
    let share = progress.share.map_or(String::new(), |share| {
        format!(", {:.0} % of the last scan", (share * 100.0).floor())
    });
    let folder = match progress.folder.is_root() {
        true => String::new(),
        false => format!(": {}", shortened(&progress.folder.to_string())),
    };
    format!(
        "{} entries, {}, {} entries/s{share}  {source}{folder}",
        grouped(progress.entries),
        progress.bytes,
        grouped(progress.entries_per_second.round() as u64),
    )
}

/// The end of a path that is too long to be shown.
fn shortened(path: &str) -> String {
    let over = path.chars().count().saturating_sub(FOLDER_WIDTH);
    match over {
        0 => path.to_string(),
        _ => format!("\u{2026}{}", path.chars().skip(over + 1).collect::<String>()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::names::RelPath;

    fn progress(share: Option<f64>, folder: &[u8]) -> Progress {
        Progress {
            entries: 1_204_233,
            bytes: Bytes(4_200_000_000_000),
            elapsed: Span::from_secs_f64(20.0),
            entries_per_second: 60_211.65,
            folder: RelPath::new(folder).unwrap_or_default(),
            share,
        }
    }

    #[test]
    fn a_first_scan_tells_entries_bytes_pace_and_folder() {
        assert_eq!(
            scan_line("oldbox", &progress(None, b"2019-lantern-fair/raw")),
            "1,204,233 entries, 4.20 TB, 60,212 entries/s  oldbox: 2019-lantern-fair/raw"
        );
        assert_eq!(
            scan_line("oldbox", &progress(None, b"")),
            "1,204,233 entries, 4.20 TB, 60,212 entries/s  oldbox"
        );
    }

    #[test]
    fn later_scans_tell_the_share_and_never_a_hundred_too_early() {
        for (share, said) in [(0.0, "0 %"), (0.4399, "43 %"), (0.9999, "99 %"), (1.0, "100 %")] {
            let line = scan_line("oldbox", &progress(Some(share), b""));
            let end = format!("60,212 entries/s, {said} of the last scan  oldbox");
            assert!(line.ends_with(&end), "{line}");
        }
    }

    #[test]
    fn a_long_path_shows_its_end_and_a_strange_one_stays_one_line() {
        let long = [vec![b'a'; 200], b"/the-end".to_vec()].concat();
        let line = scan_line("s", &progress(None, &long));
        let shown = line.split("s: ").last().unwrap_or_default();
        assert!(
            shown.starts_with('\u{2026}') && shown.ends_with("/the-end"),
            "{line}"
        );
        assert_eq!(shown.chars().count(), FOLDER_WIDTH);
        let strange = scan_line("s", &progress(None, b"new\nline \x1b[2J \xff"));
        assert!(!strange.contains(['\n', '\u{1b}']), "{strange}");
    }
}
