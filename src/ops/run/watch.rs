//! While a step works: whether it is to pause, and a line an hour.

use super::Voice;
use crate::ops::batch;
use crate::ops::desk::Desk;
use crate::ops::schedule::{self, known};
use crate::trouble::Trouble;
use crate::units::{Bytes, Rate, Span, counted};
use crate::world::Stop;
use std::cell::Cell;

/// Seconds between two looks at holds and hours.
const LOOK: f64 = 2.0;
/// Seconds between two lines.
const BEAT: f64 = 3_600.0;

/// Looks on while a step works, with a connection of its own.
pub(super) struct Watch<'w> {
    desk: Desk<'w>,
    pause: &'w Stop,
    voice: &'w Voice<'w>,
    /// The batch at work; `None`: a scan.
    batch: Option<String>,
    what: String,
    /// Whether the end of the hours pauses this step; a copy heeds them itself.
    in_hours: bool,
    began: f64,
    looked: Cell<f64>,
    told: Cell<f64>,
}

impl<'w> Watch<'w> {
    pub fn new(
        desk: &Desk<'w>,
        voice: &'w Voice<'w>,
        batch: Option<&str>,
        what: &str,
        in_hours: bool,
    ) -> Result<Watch<'w>, Trouble> {
        let now = desk.clock.ticks();
        let desk = Desk {
            folder: desk.folder.clone(),
            settings: desk.settings.clone(),
            ledger: desk.second_ledger()?,
            clock: desk.clock,
            stop: desk.stop,
            elsewhere: desk.elsewhere,
        };
        Ok(Watch {
            pause: desk.stop,
            desk,
            voice,
            batch: batch.map(str::to_string),
            what: what.to_string(),
            in_hours,
            began: now,
            looked: Cell::new(now),
            told: Cell::new(now),
        })
    }

    /// Takes in how far the step is, and pauses it where that is asked for. A ledger that cannot
    /// be read here stops the step itself at its next record.
    pub fn at(&self, bytes: Bytes, files: u64) {
        (self.voice.at)(bytes, files);
        let now = self.desk.clock.ticks();
        if now - self.looked.get() >= LOOK {
            self.looked.set(now);
            if self.is_to_pause() {
                self.pause.set();
            }
        }
        if now - self.told.get() >= BEAT {
            self.told.set(now);
            (self.voice.say)(&self.line(bytes, files, now));
        }
    }

    fn is_to_pause(&self) -> bool {
        let now = self.desk.now();
        let shut = self.in_hours && !self.desk.settings.windows.is_open_at(now);
        let holds = self.desk.ledger.holds(now).unwrap_or_default();
        shut || holds
            .iter()
            .any(|held| held == "*" || Some(held) == self.batch.as_ref())
    }

    fn line(&self, bytes: Bytes, files: u64, now: f64) -> String {
        let rate = Rate::from_work(bytes, Span::from_secs_f64(now - self.began));
        let files = counted(files, if self.batch.is_some() { "file" } else { "entry" });
        let forecast = batch::plan(&self.desk).and_then(|plan| schedule::forecast(&self.desk, &plan));
        let finish = forecast.ok().and_then(|forecast| known(&forecast.finish));
        let finish = finish.map_or_else(String::new, |range| {
            let local = |moment: crate::moment::Moment| moment.local(self.desk.settings.windows.zone);
            format!(
                "; all done likely {} (forecast, 90 %: {} to {})",
                local(range.likely),
                local(range.low),
                local(range.high)
            )
        });
        format!("{}: {bytes} in {files}, {rate}{finish}.", self.what)
    }
}
