//! hold: pauses and resumes.

use super::batch;
use super::desk::Desk;
use crate::moment::Moment;
use crate::trouble::Trouble;

/// Pauses batches (`*` for everything), or lets them go on. Answers what is held now.
///
/// # Errors
/// [`Trouble`] for names that do not exist.
pub fn hold(
    desk: &mut Desk<'_>,
    names: &[String],
    until: Option<Moment>,
    off: bool,
) -> Result<Vec<String>, Trouble> {
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
    for name in names {
        match off {
            true => desk.ledger.unhold(name)?,
            false => desk.ledger.hold(name, until)?,
        }
    }
    desk.ledger.holds(desk.now())
}
