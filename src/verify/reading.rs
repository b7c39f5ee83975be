//! Reading without anything to compare with: what is there is handed on as it was seen.

use super::compare::Seen;
use super::{Check, Progress, Request, worker};
use crate::trouble::Trouble;
use crate::world::trouble_of;
use crate::world::{Course, Res};

/// Reads what `checks` names, in any order, and hands on what was seen of each. Of a check only
/// place, kind and size of its record count: a file of another kind or size is not read, and its hash
/// is missing then.
///
/// # Errors
/// [`Trouble`] where everything had to stop, or what `each` answers.
pub fn read(
    request: Request<'_>,
    checks: &mut dyn Iterator<Item = Result<Check, Trouble>>,
    each: &mut dyn FnMut(Check, Res<Seen>) -> Result<(), Trouble>,
    progress: &dyn Fn(Progress),
) -> Result<(), Trouble> {
    worker::with_crew(request, |crew| {
        let mut more = true;
        while more || crew.waiting() > 0 {
            while more && crew.has_room() {
                match checks.next().transpose()? {
                    Some(check) => crew.send(check),
                    None => more = false,
                }
            }
            if let Some(done) = crew.next(progress) {
                match done.result {
                    Err(fault) if fault.course() == Course::StopAll => return Err(trouble_of(&fault)),
                    result => each(done.check, result)?,
                }
            }
        }
        Ok(())
    })
}
