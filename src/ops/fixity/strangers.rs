//! What lies in a dataset's folder and was never recorded.

use crate::copy::trouble_of;
use crate::ledger::FixityFound;
use crate::lifecycle::fixity::Fate;
use crate::names::RelPath;
use crate::ops::desk::Desk;
use crate::trouble::Trouble;
use crate::verify::uninvited;
use crate::world::{Course, Fs, OsFs};

/// Lists every folder of a dataset that the ledger knows. By-products of desktops are no news, nor
/// are folders with nothing in them: those that were copied are in no record, which are of files.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read, the mount is gone, or it was interrupted.
pub(super) fn strangers(desk: &Desk<'_>, dataset: &str, target: &OsFs) -> Result<Vec<FixityFound>, Trouble> {
    let (mut found, mut waiting) = (Vec::new(), vec![RelPath::root()]);
    while let Some(folder) = waiting.pop() {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        let mut expected = desk.ledger.names_at(dataset, &folder)?;
        expected.extend(desk.ledger.names_intended(dataset, &folder)?);
        match uninvited(target, &folder, &expected) {
            Ok(seen) => found.extend(
                seen.into_iter()
                    .filter(|one| !one.by_product && !one.empty_folder)
                    .map(|one| one.place),
            ),
            Err(fault) if fault.course() == Course::StopAll => return Err(trouble_of(&fault)),
            // Its files were named one by one where they could not be read.
            Err(_) => continue,
        }
        for name in desk.ledger.folders_in(dataset, &folder)? {
            waiting.extend(folder.join(&name).ok());
        }
    }
    target.is_there().map_err(|fault| trouble_of(&fault))?;
    found.sort();
    Ok(found.into_iter().map(stranger).collect())
}

fn stranger(place: RelPath) -> FixityFound {
    FixityFound {
        place,
        fate: Fate::Uninvited,
        ranges: Vec::new(),
        attributes: false,
    }
}
