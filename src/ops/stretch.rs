//! Samples while a batch is worked on: one about every minute, so that the first night teaches.

use super::batch::AtHand;
use super::desk::Desk;
use crate::copy;
use crate::ledger::{Ledger, Sample};
use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes, Span};
use crate::verify;
use std::cell::RefCell;

/// Seconds of one stretch.
const EVERY: f64 = 60.0;
/// A stretch held back for more than this share of its time shows a limit, not what the ends can do.
const HELD_BACK: f64 = 0.1;
/// So many samples are kept; beyond it older neighbours become one.
const MOST: usize = 4_000;

/// What is done since the beginning of a run.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Done {
    /// All files and bytes.
    pub all: Amount,
    /// Of these, files under 1 MiB.
    pub small: Amount,
    /// How long workers waited for a limit, all together.
    pub waited: Span,
}

impl From<copy::Progress> for Done {
    fn from(p: copy::Progress) -> Done {
        Done {
            all: Amount {
                files: p.files,
                bytes: p.bytes,
            },
            small: p.small,
            waited: p.waited,
        }
    }
}

impl From<verify::Progress> for Done {
    fn from(p: verify::Progress) -> Done {
        // Reading back knows no limit to wait for; all else is told alike.
        Done::from(copy::Progress {
            bytes: p.bytes,
            files: p.files,
            small: p.small,
            ..copy::Progress::default()
        })
    }
}

struct State {
    ledger: Ledger,
    cut: Done,
    last: Done,
    at: f64,
    trouble: Option<Trouble>,
}

/// The stretches of one run of one batch. They are written by a connection of their own.
pub(super) struct Stretches {
    batch: String,
    source: String,
    task: &'static str,
    state: RefCell<State>,
}

impl Stretches {
    /// Begins to count at `ticks`.
    pub fn new(
        desk: &Desk<'_>,
        at_hand: &AtHand,
        task: &'static str,
        ticks: f64,
    ) -> Result<Stretches, Trouble> {
        Ok(Stretches {
            batch: at_hand.row.name.clone(),
            source: at_hand.row.source.clone(),
            task,
            state: RefCell::new(State {
                ledger: desk.second_ledger()?,
                cut: Done::default(),
                last: Done::default(),
                at: ticks,
                trouble: None,
            }),
        })
    }

    /// Takes in how far it is, and records a stretch where one is full. A failure is told at the
    /// end: it must not stop a copy.
    pub fn at(&self, ticks: f64, now: Moment, done: Done) {
        let mut state = self.state.borrow_mut();
        state.last = done;
        if ticks - state.at >= EVERY {
            self.cut(&mut state, ticks, now, 0);
        }
    }

    /// Records what is left over. `done` is what the run came to, where it came to its end;
    /// otherwise what was heard of it last counts.
    ///
    /// # Errors
    /// [`Trouble`] where any stretch could not be recorded.
    pub fn finish(&self, ticks: f64, now: Moment, done: Option<Done>, streams: usize) -> Result<(), Trouble> {
        let mut state = self.state.borrow_mut();
        if let Some(done) = done {
            state.last = done;
        }
        let streams = u32::try_from(streams.max(1)).unwrap_or(u32::MAX);
        self.cut(&mut state, ticks, now, streams);
        match state.trouble.take() {
            Some(trouble) => Err(trouble),
            None => {
                state.ledger.settle_streams(&self.batch, self.task, streams)?;
                state.ledger.thin_samples(MOST)
            }
        }
    }

    fn cut(&self, state: &mut State, ticks: f64, now: Moment, streams: u32) {
        let seconds = ticks - state.at;
        let (last, cut) = (state.last, state.cut);
        let (all, small) = (last.all.minus(cut.all), last.small.minus(cut.small));
        let waited = last.waited.0.saturating_sub(cut.waited.0) as f64 / 1e6;
        (state.cut, state.at) = (last, ticks);
        let span = Span::from_secs_f64(seconds);
        if span.0 == 0 {
            return;
        }
        let mut put = || {
            state.ledger.add_work(&self.batch, span)?;
            if (all.files == 0 && all.bytes == Bytes::ZERO) || waited > HELD_BACK * seconds {
                return Ok(());
            }
            state.ledger.put_sample(&Sample {
                batch: self.batch.clone(),
                source: self.source.clone(),
                task: self.task.into(),
                at: now,
                small,
                large: all.minus(small),
                span,
                streams,
            })
        };
        if let Err(trouble) = put() {
            state.trouble.get_or_insert(trouble);
        }
    }
}
