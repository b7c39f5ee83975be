//! Progress: drawn on a terminal, told in a plain line every half minute elsewhere.

use super::out::Out;
use crate::units::{Bytes, Rate, Span, grouped};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::cell::Cell;
use std::time::{Duration, Instant};

/// Between two plain lines.
const TELL_EVERY: Duration = Duration::from_secs(30);

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
            0 => ProgressStyle::with_template("{prefix}: {msg}"),
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
        let message = format!("{} {noun}, {bytes}, {rate}{left}{beside}", grouped(count));
        if self.out.draws() {
            self.bar.set_position(bytes.0.min(self.total.max(bytes.0)));
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
