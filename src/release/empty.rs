//! Removing what lies aside: files of the list alone, deepest first, and a stop at the first
//! surprise.

use super::check::{Depth, Eyes, amount_of, check};
use super::{Ends, ListedFile, ListedFolder, Piece, Stay, Surprise, is_other, trouble_of};
use crate::ledger::{Aside, AsideState, GoneFile, Ledger};
use crate::lifecycle::removal::Verdict;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::units::Amount;
use crate::world::{Clock, Fault, FaultKind, Folder, reach};

/// Removals that are noted together: a crash leaves at most so many for the next run to find gone.
const GROUP: usize = 1024;

/// What came of emptying.
#[derive(Debug, Clone, Default)]
pub struct Emptied {
    /// Files and bytes removed by this run.
    pub removed: Amount,
    /// What stays, because no list has it.
    pub stays: Vec<Stay>,
    /// What stopped it.
    pub surprises: Vec<Surprise>,
}

/// Empties a piece that lies aside.
///
/// # Errors
/// [`Trouble`] where an end is gone or refuses; what was removed is noted, the next run goes on.
pub fn empty(
    ends: Ends<'_>,
    ledger: &mut Ledger,
    piece: &Piece,
    row: &Aside,
    clock: &dyn Clock,
) -> Result<Emptied, Trouble> {
    let at = row.lies_at()?;
    let checked = check(ends, piece, &at, Depth::Facts)?;
    let mut done = Emptied {
        stays: checked.stays,
        surprises: checked.surprises,
        ..Emptied::default()
    };
    if !done.surprises.is_empty() {
        return Ok(done);
    }
    // Not before: what a check has stopped can still be brought back whole.
    ledger.step_aside(row.id, AsideState::Emptying, None)?;
    let mut hand = Hand {
        ends,
        eyes: Eyes::new(ends),
        ledger,
        clock,
        gone: Vec::new(),
        at: at.clone(),
    };
    let mut order: Vec<&ListedFolder> = piece.folders.iter().collect();
    order.sort_by(|a, b| (b.inside.depth(), &a.inside).cmp(&(a.inside.depth(), &b.inside)));
    for folder in order {
        let stop = hand.folder(piece, folder, &mut done);
        // What is gone is noted before anything else is said.
        hand.note()?;
        if let Some(surprise) = stop? {
            done.surprises.push(surprise);
            return Ok(done);
        }
    }
    if !piece.loose {
        if let Some(surprise) = hand.own_folder(&mut done)? {
            done.surprises.push(surprise);
            return Ok(done);
        }
    }
    let now = clock.now();
    ledger.step_aside(row.id, AsideState::Emptied, Some(now))?;
    Ok(done)
}

struct Hand<'a> {
    ends: Ends<'a>,
    eyes: Eyes<'a>,
    ledger: &'a mut Ledger,
    clock: &'a dyn Clock,
    /// Files that are gone and not noted yet.
    gone: Vec<GoneFile>,
    at: RelPath,
}

impl Hand<'_> {
    /// Removes the files of one folder, then its subfolders where they are empty.
    fn folder(
        &mut self,
        piece: &Piece,
        folder: &ListedFolder,
        done: &mut Emptied,
    ) -> Result<Option<Surprise>, Trouble> {
        let path = piece.folder_at(&self.at, folder);
        let fail = |fault: Fault| trouble_of(&fault, &path);
        self.ends.source.is_there().map_err(fail)?;
        for copy in self.ends.copies {
            copy.fs.is_there().map_err(fail)?;
        }
        let held = match reach(self.ends.source, &path) {
            Ok(held) => held,
            Err(fault) if fault.kind == FaultKind::NotFound => {
                self.all_gone(folder);
                return Ok(None);
            }
            Err(fault) if is_other(&fault) => {
                return Ok(Some(Surprise {
                    code: "not-a-folder",
                    path,
                }));
            }
            Err(fault) => return Err(fail(fault)),
        };
        for (name, file) in &folder.files {
            if self.ends.stop.is_set() {
                return Err(Trouble::interrupted());
            }
            let place = path.join(name).map_err(|e| Trouble::defect(e.to_string()))?;
            let surprise = |code| {
                let path = place.clone();
                Ok(Some(Surprise { code, path }))
            };
            let seen = self
                .eyes
                .weigh(&*held, name, file)
                .map_err(|fault| trouble_of(&fault, &place))?;
            match (seen.verdict, &seen.entry) {
                (Verdict::Remove, Some(entry)) => match held.remove(name, entry) {
                    Ok(()) => {
                        done.removed.add(amount_of(file));
                        self.gone.push(gone_of(file));
                    }
                    Err(fault) if fault.kind == FaultKind::Changed => return surprise("changed-at-source"),
                    Err(fault) => return Err(trouble_of(&fault, &place)),
                },
                (Verdict::Gone, _) => self.gone.push(gone_of(file)),
                (Verdict::Stop(code), _) => return surprise(code),
                // What stays was listed by the check.
                (Verdict::Stays(_) | Verdict::Remove, _) => {}
            }
            if self.gone.len() >= GROUP {
                self.note()?;
            }
        }
        subfolders(&*held, folder, &path)
    }

    /// A folder that is gone has taken its files along, in an earlier run.
    fn all_gone(&mut self, folder: &ListedFolder) {
        self.gone.extend(folder.files.values().map(gone_of));
    }

    /// The project's own folder goes where it is empty. What it still holds must be known to stay:
    /// anything else has come in between.
    fn own_folder(&mut self, done: &mut Emptied) -> Result<Option<Surprise>, Trouble> {
        let fail = |fault: Fault| trouble_of(&fault, &self.at);
        let Some((above, name)) = self.at.split() else {
            return Ok(None);
        };
        let held = match reach(self.ends.source, &above) {
            Err(fault) if fault.kind == FaultKind::NotFound => return Ok(None),
            other => other.map_err(fail)?,
        };
        let surprise = |code| {
            let path = self.at.clone();
            Ok(Some(Surprise { code, path }))
        };
        match held.remove_folder(name) {
            Ok(()) => {}
            Err(fault) if fault.kind == FaultKind::NotFound => {}
            Err(fault) if fault.kind == FaultKind::NotEmpty && !done.stays.is_empty() => {}
            Err(fault) if fault.kind == FaultKind::NotEmpty => return surprise("new-at-source"),
            Err(fault) if is_other(&fault) => return surprise("not-a-folder"),
            Err(fault) => return Err(fail(fault)),
        }
        held.sync_names().map_err(fail)?;
        Ok(None)
    }

    fn note(&mut self) -> Result<(), Trouble> {
        let gone = std::mem::take(&mut self.gone);
        match gone.is_empty() {
            true => Ok(()),
            false => self.ledger.note_removed(&gone, self.clock.now()),
        }
    }
}

/// Removes the subfolders of a folder that are empty, and makes what has gone from it durable.
fn subfolders(held: &dyn Folder, folder: &ListedFolder, path: &RelPath) -> Result<Option<Surprise>, Trouble> {
    for name in &folder.folders {
        match held.remove_folder(name) {
            Ok(()) => {}
            Err(fault) if matches!(fault.kind, FaultKind::NotFound | FaultKind::NotEmpty) => {}
            Err(fault) if is_other(&fault) => {
                let path = path.join(name).map_err(|e| Trouble::defect(e.to_string()))?;
                let code = "not-a-folder";
                return Ok(Some(Surprise { code, path }));
            }
            Err(fault) => return Err(trouble_of(&fault, path)),
        }
    }
    held.sync_names().map_err(|fault| trouble_of(&fault, path))?;
    Ok(None)
}

fn gone_of(file: &ListedFile) -> GoneFile {
    GoneFile {
        batch: file.batch,
        dataset: file.dataset.clone(),
        place: file.record.place.clone(),
    }
}

/// Whether anything but what is known lies in the folder that holds projects aside.
fn strangers(held: &dyn Folder, known: &[Vec<u8>]) -> Result<Vec<Vec<u8>>, Fault> {
    let listed = held.list()?;
    let names = listed.into_iter().map(|(name, _)| name);
    Ok(names.filter(|name| !known.contains(name)).collect())
}

/// Everything in the folder that holds projects aside which no step of ours has put there.
///
/// # Errors
/// [`Trouble`] where it cannot be listed.
pub fn uninvited(ends: Ends<'_>, ledger: &Ledger, row: &Aside) -> Result<Vec<Surprise>, Trouble> {
    let fail = |fault: Fault| trouble_of(&fault, &row.aside);
    let surprise = |code, path| Surprise { code, path };
    let held = match reach(ends.source, &row.aside) {
        Ok(held) => held,
        Err(fault) if fault.kind == FaultKind::NotFound => return Ok(Vec::new()),
        Err(fault) if is_other(&fault) => return Ok(vec![surprise("not-a-folder", row.aside.clone())]),
        Err(fault) => return Err(fail(fault)),
    };
    let rows = ledger.asides(&row.source)?;
    let mine = rows.iter().filter(|other| other.aside == row.aside);
    let known: Vec<Vec<u8>> = mine
        .filter_map(|other| other.path.split().map(|(_, name)| name.to_vec()))
        .collect();
    let strange = strangers(&*held, &known).map_err(fail)?;
    let place = |name: &Vec<u8>| row.aside.join(name).ok();
    Ok(strange
        .iter()
        .filter_map(place)
        .map(|path| surprise("new-at-source", path))
        .collect())
}
