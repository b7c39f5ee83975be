//! status --serve: the page, the figures and the calendar, for whoever looks.

mod kept;

use super::desk::Desk;
use super::{desk, report};
use crate::report::calendar;
use crate::report::page::{Keeps, served, unavailable};
use crate::serve::{Listener, serve as listen};
use crate::trouble::Trouble;
use crate::web::{Answer, Body, Door, Refusal, Request, Wanted, wanted};
use crate::world::{Clock, Stop};
use kept::Kept;
use std::sync::Arc;

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
        page: Kept::default(),
        status: Kept::default(),
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

struct Views<'v, 'a> {
    clock: &'v dyn Clock,
    makers: &'v Makers<'a>,
    page: Kept<Pages>,
    status: Kept<Arc<str>>,
}

impl<'a> Views<'_, 'a> {
    fn answer(&self, wanted: Wanted) -> Answer {
        let pages = || self.page.fresh(self.clock, || self.pages());
        let made = match wanted {
            Wanted::Status => self.status.fresh(self.clock, || self.status()).map(Body::Json),
            Wanted::Calendar => pages().map(|pages| Body::Calendar(pages.calendar)),
            Wanted::Page { still: true } => pages().map(|pages| Body::Page(pages.still)),
            Wanted::Page { still: false } => pages().map(|pages| Body::Page(pages.following)),
        };
        match made {
            Ok(body) => Answer::of(body),
            Err(trouble) => not_now(&trouble, wanted),
        }
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
    let mut letters = trouble.text.trim_end_matches('.').chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    let why = format!("{first}{}. {mend}", letters.as_str());
    let refusal = Refusal::NotNow(why.trim_end().to_string());
    match wanted {
        Wanted::Page { .. } => Answer {
            body: Body::Page(unavailable(refusal.sentence()).into()),
            refusal: Some(refusal),
        },
        _ => refusal.into(),
    }
}
