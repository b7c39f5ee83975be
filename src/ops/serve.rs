//! status --serve: the page, the figures and the calendar, for whoever looks.

use super::desk::Desk;
use super::{desk, report};
use crate::report::calendar;
use crate::report::page::{Keeps, served, unavailable};
use crate::serve::{Listener, serve as listen};
use crate::trouble::Trouble;
use crate::web::{Answer, Body, Door, Refusal, Request, Wanted, wanted};
use crate::world::{Clock, Stop};
use std::sync::{Arc, Mutex, PoisonError};

/// Seconds that a picture is shown at least: however many look, it is made once.
const FRESH: f64 = 5.0;
/// Seconds that it is said at least that there is none.
const FAILED: f64 = 2.0;
/// A picture is shown this many times as long as it took to make, so that serving never takes more
/// than about a twentieth of one processor from the work.
const TIMES: f64 = 20.0;
/// Seconds that a picture is shown at most.
const STALE: f64 = 600.0;

/// How what is served is made. Each desk is opened anew: settings and ledger as they are now.
pub struct Makers<'a> {
    /// Opens the move.
    pub desk: &'a (dyn Fn() -> Result<Desk<'a>, Trouble> + Sync),
    /// The line that `status --json` prints.
    pub status: &'a (dyn Fn(&Desk<'_>) -> Result<String, Trouble> + Sync),
}

/// Answers until `stop` is set. Nothing is changed by it, not even what a survey keeps for the next.
///
/// # Errors
/// [`Trouble`] where nothing can be served at all. What cannot be made just now is answered with
/// its sentence, and the next one is tried again.
pub fn serve(
    listener: &Listener,
    clock: &dyn Clock,
    stop: &Stop,
    makers: &Makers<'_>,
) -> Result<(), Trouble> {
    let door = Door::new(&listener.address(), &desk::machine());
    let views = Views {
        clock,
        makers,
        page: Mutex::default(),
        status: Mutex::default(),
    };
    let answers = |request: &Request| match wanted(request, &door) {
        Ok(wanted) => views.answer(wanted),
        Err(refusal) => refusal.into(),
    };
    listen(listener, clock, stop, &answers)
}

/// What is made of one look at the whole move.
#[derive(Clone)]
struct Pages {
    following: Arc<str>,
    still: Arc<str>,
    calendar: Arc<str>,
}

/// What was made last, or why not, until when it counts.
type Kept<T> = Mutex<Option<(f64, Result<T, Trouble>)>>;

struct Views<'v, 'a> {
    clock: &'v dyn Clock,
    makers: &'v Makers<'a>,
    page: Kept<Pages>,
    status: Kept<Arc<str>>,
}

impl<'a> Views<'_, 'a> {
    fn answer(&self, wanted: Wanted) -> Answer {
        let made = match wanted {
            Wanted::Status => self.fresh(&self.status, || self.status()).map(Body::Json),
            Wanted::Calendar => self
                .fresh(&self.page, || self.pages())
                .map(|p| Body::Calendar(p.calendar)),
            Wanted::Page { still: true } => self
                .fresh(&self.page, || self.pages())
                .map(|p| Body::Page(p.still)),
            Wanted::Page { still: false } => self
                .fresh(&self.page, || self.pages())
                .map(|p| Body::Page(p.following)),
        };
        match made {
            Ok(body) => Answer::of(body),
            Err(trouble) => not_now(&trouble, wanted),
        }
    }

    /// What is kept, or made anew where that is too old. Whoever comes while it is made waits for it.
    fn fresh<T: Clone>(
        &self,
        kept: &Kept<T>,
        make: impl FnOnce() -> Result<T, Trouble>,
    ) -> Result<T, Trouble> {
        // A maker that panicked has left what was there before.
        let mut kept = kept.lock().unwrap_or_else(PoisonError::into_inner);
        let start = self.clock.ticks();
        if let Some((_, made)) = kept.as_ref().filter(|(until, _)| start < *until) {
            return made.clone();
        }
        let made = make();
        let now = self.clock.ticks();
        let hold = match &made {
            Ok(_) => ((now - start) * TIMES).clamp(FRESH, STALE),
            Err(_) => FAILED,
        };
        *kept = Some((now + hold, made.clone()));
        made
    }

    /// The move, opened for looking only.
    fn desk(&self) -> Result<Desk<'a>, Trouble> {
        let desk = (self.makers.desk)()?;
        desk.ledger.only_look()?;
        Ok(desk)
    }

    fn pages(&self) -> Result<Pages, Trouble> {
        let model = report::model(&self.desk()?)?;
        Ok(Pages {
            following: served(&model, Keeps::Following).into(),
            still: served(&model, Keeps::Still).into(),
            calendar: calendar::calendar(&model).into(),
        })
    }

    fn status(&self) -> Result<Arc<str>, Trouble> {
        Ok((self.makers.status)(&self.desk()?)?.into())
    }
}

/// The words of a command that could not go on: as a page for a person, plain for a program.
fn not_now(trouble: &Trouble, wanted: Wanted) -> Answer {
    let mend = trouble.mend.as_deref().unwrap_or_default();
    let why = format!("{}. {mend}", trouble.text.trim_end_matches('.'));
    let refusal = Refusal::NotNow(why.trim_end().to_string());
    match wanted {
        Wanted::Page { .. } => Answer {
            body: Body::Page(unavailable(refusal.sentence()).into()),
            refusal: Some(refusal),
        },
        _ => refusal.into(),
    }
}
