//! adopt: files copied by other means, hashed at both ends and recorded as a copy is.

use super::copy::{Outstanding, task_of};
use super::desk::Desk;
use super::{batch, copy::Copied, view};
use crate::copy::{self as hand, Ends, Progress};
use crate::lifecycle::{Event, after};
use crate::trouble::Trouble;
use crate::units::Span;

/// Takes over one batch. Nothing is repaired: what is missing or different is listed.
///
/// # Errors
/// [`Trouble`] where an end is missing or it had to stop; what was recorded stays.
pub fn adopt(
    desk: &mut Desk<'_>,
    name: &str,
    at: Option<&[u8]>,
    progress: &dyn Fn(Progress),
) -> Result<Copied, Trouble> {
    super::following::go_on(desk)?;
    let plan = batch::plan(desk)?;
    let chosen = batch::named(&plan, &[name.to_string()])?.remove(0);
    batch::alone(desk, name, |desk| {
        let at_hand = batch::take_up(desk, &plan, &chosen, at)?;
        let state = after(batch::state_of(Some(&at_hand.row)), Event::CopyBegins)?;
        let mut task = task_of(desk, &at_hand)?;
        let (source, target) = batch::ends(desk, &at_hand)?;
        let now = desk.now();
        desk.ledger.set_state(at_hand.row.id, state.word(), now)?;
        desk.ledger.clear_failures(at_hand.row.id)?;
        task.only_adopt = true;
        // Every name is hashed for itself: no link is made here.
        task.inodes_hold = false;
        let mut outstanding = Outstanding::new(desk, &at_hand, desk.second_ledger()?)?;
        let ends = Ends {
            source: &source,
            target: &target,
            clock: desk.clock,
            stop: desk.stop,
        };
        let began = desk.clock.ticks();
        let outcome = hand::copy(ends, &task, &mut desk.ledger, &mut outstanding, progress)?;
        let elapsed = Span::from_secs_f64(desk.clock.ticks() - began);
        let already = outstanding.already;
        let done = after(state, Event::CopyEnds)?;
        let now = desk.now();
        desk.ledger.set_state(at_hand.row.id, done.word(), now)?;
        desk.ledger
            .event(now, "adopted", &format!("{name}: {}", outcome.adopted))?;
        let view = view::after_batch(desk, &at_hand.destination)?;
        desk.keep_ledger_copy()?;
        let failures = desk.ledger.failures(at_hand.row.id)?;
        Ok(Copied {
            view,
            name: name.to_string(),
            state: done,
            outcome,
            already,
            failures,
            elapsed,
        })
    })
}
