//! hold: pauses and resumes, and takes waybills back.

use super::batch;
use super::desk::Desk;
use crate::moment::Moment;
use crate::trouble::Trouble;

/// What is held now.
pub struct Held {
    /// Batches, `*` for everything, and when each goes on by itself.
    pub held: Vec<(String, Option<Moment>)>,
    /// Batches of which waybills were out that are good for nothing now.
    pub taken_back: Vec<String>,
}

/// Pauses batches (`*` for everything), or lets them go on; a batch named there whose work another
/// machine was given is taken back. Answers what is held now.
///
/// # Errors
/// [`Trouble`] for names that do not exist, and for a time that is over.
pub fn hold(
    desk: &mut Desk<'_>,
    names: &[String],
    until: Option<Moment>,
    off: bool,
) -> Result<Held, Trouble> {
    if let Some(until) = until.filter(|until| *until <= desk.now()) {
        let when = until.local(desk.settings.windows.zone);
        return Err(Trouble::usage("bad-time", format!("{when} is over already"))
            .mend("Give a time that is still to come."));
    }
    let real: Vec<String> = names.iter().filter(|name| *name != "*").cloned().collect();
    if !real.is_empty() {
        batch::named(&batch::plan(desk)?, &real)?;
    }
    if off && names.is_empty() {
        let now = desk.now();
        for held in desk.ledger.holds(now)? {
            desk.ledger.unhold(&held)?;
        }
    }
    let mut taken_back = Vec::new();
    for name in names {
        match off {
            true => {
                desk.ledger.unhold(name)?;
                if desk.ledger.withdraw_waybills(name, desk.now())? > 0 {
                    let words = format!("{name}: its waybills are good for nothing any more");
                    desk.ledger.event(desk.now(), "waybill-taken-back", &words)?;
                    taken_back.push(name.clone());
                }
            }
            false => desk.ledger.hold(name, until)?,
        }
    }
    let held = desk.ledger.holds_until(desk.now())?;
    Ok(Held { held, taken_back })
}
