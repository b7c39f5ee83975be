//! release --remove and --undo: what a released batch has left at its source is set aside, brought
//! back, or removed for good.

mod undo;

use super::batch::{self, AtHand};
use super::desk::Desk;
use super::pieces::{self, Whereabouts};
use super::removal::{Compared, Found, path_at};
pub use super::removal::{Question, Removed, Step};
use super::{guard, lost_aside, release};
use crate::ledger::{Aside, AsideState};
use crate::lifecycle::removal::{ASIDE_MISSING, COPY_EDITED};
use crate::lifecycle::{Gate, Reason, Removal, State, gate};
use crate::names::RelPath;
use crate::release::{
    Checked, CopyEnd, Depth, Ends, Going, Piece, Settled, Stay, Surprise, check, clear_away, empty, lies,
    set_aside, settle, uninvited,
};
use crate::survey::exclude::ASIDE_PREFIX;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::{OsFs, Stop};
use std::collections::{BTreeMap, BTreeSet};

/// Sets the projects of a released batch aside, or, once they were aside long enough, removes them
/// for good. `confirm` is asked before anything is touched; `progress` hears of the files compared so
/// far, and of the bytes read for that.
///
/// # Errors
/// [`Trouble`] where an end is missing, the source refuses, or what `confirm` answers.
pub fn remove(
    desk: &mut Desk<'_>,
    name: &str,
    accept: &[String],
    confirm: &mut dyn FnMut(&Question<'_>) -> Result<(), Trouble>,
    progress: &dyn Fn(Amount),
) -> Result<Removed, Trouble> {
    let names = begun(desk, name)?;
    with_leases(desk, &names, &mut |desk| {
        let job = Job::open(desk, name, progress)?;
        job.remove(desk, accept, confirm)
    })
}

/// Brings back what `remove` has set aside of a batch; where nothing is aside, takes its sign-off
/// back.
///
/// # Errors
/// [`Trouble`] where an end is missing or the source refuses, something was removed for good
/// already, or there is nothing to take back.
pub fn undo(desk: &mut Desk<'_>, name: &str) -> Result<Removed, Trouble> {
    let names = begun(desk, name)?;
    with_leases(desk, &names, &mut |desk| {
        Job::open(desk, name, &|_| {})?.undo(desk)
    })
}

/// The batch and those that hold files of its projects.
fn begun(desk: &Desk<'_>, name: &str) -> Result<Vec<String>, Trouble> {
    let kin = pieces::kin(desk, name)?;
    match kin.first() {
        Some(first) if first.row.name == name => Ok(kin.into_iter().map(|one| one.row.name).collect()),
        _ => Err(Trouble::usage(
            "not-in-this-state",
            format!("the batch {name} has not been copied yet, so nothing of it may be removed"),
        )
        .mend("`poolward status` shows where each batch stands.")),
    }
}

fn with_leases<T>(
    desk: &mut Desk<'_>,
    names: &[String],
    work: &mut dyn FnMut(&mut Desk<'_>) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    match names.split_first() {
        None => work(desk),
        Some((first, rest)) => batch::alone(desk, first, |desk| with_leases(desk, rest, work)),
    }
}

/// One batch's removal, both ends open.
struct Job<'a> {
    name: String,
    kin: Vec<AtHand>,
    source: OsFs,
    copies: Vec<OsFs>,
    inodes_hold: bool,
    compared: Compared<'a>,
}

impl<'a> Job<'a> {
    fn open(desk: &mut Desk<'_>, name: &str, told: &'a dyn Fn(Amount)) -> Result<Job<'a>, Trouble> {
        let kin = pieces::kin(desk, name)?;
        let Some(first) = kin.first() else {
            return Err(Trouble::defect("a begun batch is not in the ledger"));
        };
        let source = guard::source(desk, &first.source)?;
        // A disk of this machine keeps its numbers, seen twice or not. Where that were wrong, more is
        // refused, never less.
        let local = source.mount().keeps_inodes() && !source.mount().is_network();
        let inodes_hold = first.inodes_stay || (first.inodes_hold && local);
        let mut copies = Vec::new();
        for one in &kin {
            copies.push(batch::ends(desk, one)?.1);
        }
        Ok(Job {
            name: name.to_string(),
            kin,
            source,
            copies,
            inodes_hold,
            compared: Compared::new(told),
        })
    }

    fn batch(&self) -> Result<&AtHand, Trouble> {
        self.kin
            .first()
            .ok_or_else(|| Trouble::defect("a removal without a batch"))
    }

    /// What the ledger says is aside or on its way, with what an interrupted run has left settled.
    fn settled(&self, desk: &mut Desk<'_>) -> Result<Whereabouts, Trouble> {
        let source = self.batch()?.source.name.0.clone();
        let mut found = Whereabouts::new();
        for mut row in desk.ledger.asides(&source)? {
            if !self.kin.iter().any(|one| one.row.name == row.batch) {
                continue;
            }
            if matches!(row.state, AsideState::Going | AsideState::Returning) {
                let stop = desk.stop;
                let settled = self.ends(stop, |ends| settle(ends, &mut desk.ledger, &row))?;
                match settled {
                    Settled::Aside => row.state = AsideState::Aside,
                    Settled::Here => continue,
                    Settled::Nowhere => {
                        let text = format!("{} is neither at its place nor aside", row.path);
                        desk.ledger.event(desk.now(), "vanished", &text)?;
                        continue;
                    }
                }
            }
            // Later rows of a path are newer.
            match row.state {
                AsideState::Returned => drop(found.remove(&row.path)),
                _ => drop(found.insert(row.path.clone(), row)),
            }
        }
        Ok(found)
    }

    fn ends<T>(&self, stop: &Stop, work: impl FnOnce(Ends<'_>) -> T) -> T {
        let mut copies: Vec<CopyEnd<'_>> = Vec::with_capacity(self.copies.len());
        for fs in &self.copies {
            let inodes_hold = fs.mount().keeps_inodes();
            copies.push(CopyEnd { fs, inodes_hold });
        }
        work(Ends {
            source: &self.source,
            copies: &copies,
            inodes_hold: self.inodes_hold,
            stop,
            told: &|more| self.compared.add(more),
        })
    }

    fn remove(
        &self,
        desk: &mut Desk<'_>,
        accept: &[String],
        confirm: &mut dyn FnMut(&Question<'_>) -> Result<(), Trouble>,
    ) -> Result<Removed, Trouble> {
        let found_again = lost_aside::take_up(desk, &self.kin, &self.source)?;
        let rows = self.settled(desk)?;
        if found_again > 0 {
            let found = Found::step(Step::SetAside);
            return Ok(self.answer(desk, &rows, found, Vec::new())?.moving(found_again));
        }
        // What needs no look at millions of files comes first.
        let mut facts = self.facts(desk, &rows, BTreeMap::new())?;
        let mut reasons = gate(&facts);
        if !reasons.is_empty() {
            return self.answer(desk, &rows, Found::default(), reasons);
        }
        let found = self.look(desk, &rows)?;
        let left = self.left(desk, &found.checked)?;
        let mut counts: BTreeMap<String, u64> = BTreeMap::new();
        for (_, code, _) in &left {
            *counts.entry(code.clone()).or_default() += 1;
        }
        release::accept_codes(desk, &self.name, accept, &counts)?;
        facts = self.facts(desk, &rows, counts)?;
        facts.stops = found.checked.counts.clone();
        if matches!(self.source.mount().kind.as_str(), "cifs" | "smb3") && found.symlinks > 0 {
            facts.stops.insert("links-over-smb", found.symlinks);
        }
        reasons = gate(&facts);
        let step = found.step;
        if !reasons.is_empty() || step == Step::Nothing {
            return self.answer(desk, &rows, found, reasons);
        }
        confirm(&Question {
            batch: &self.name,
            step,
            amount: found.checked.ready,
            pieces: found.here.max(found.aside),
            source: &self.batch()?.source.path,
        })?;
        let mut answer = self.answer(desk, &rows, found, reasons)?;
        match step {
            Step::SetAside => self.set_all_aside(desk, &rows, &mut answer)?,
            Step::Empty => self.empty_all(desk, &rows, &mut answer)?,
            Step::Nothing => {}
        }
        self.finish(desk, answer)
    }

    /// What stands at the end, by the ledger; the ledger's copy is renewed.
    fn finish(&self, desk: &mut Desk<'_>, done: Removed) -> Result<Removed, Trouble> {
        let rows = self.settled(desk)?;
        let after = self.answer(desk, &rows, Found::default(), Vec::new())?;
        desk.keep_ledger_copy()?;
        let finished = done.step == Step::Empty && done.surprises.is_empty();
        Ok(Removed {
            removed: after.removed,
            aside: after.aside,
            until: after.until,
            finished,
            ..done
        })
    }

    fn answer(
        &self,
        desk: &Desk<'_>,
        rows: &Whereabouts,
        found: Found,
        reasons: Vec<Reason>,
    ) -> Result<Removed, Trouble> {
        let at_hand = self.batch()?;
        let open: Vec<&Aside> = rows.values().filter(|row| row.state.is_open()).collect();
        let folders: BTreeSet<&RelPath> = open.iter().map(|row| &row.aside).collect();
        let days = 86_400 * i64::from(desk.settings.hold_days);
        let newest = open.iter().map(|row| row.at).max();
        Ok(Removed {
            name: self.name.clone(),
            step: found.step,
            finished: found.step == Step::Nothing && reasons.is_empty(),
            reasons,
            surprises: found.checked.surprises,
            removed: desk.ledger.removed(at_hand.row.id)?,
            moved: 0,
            withdrawn: false,
            aside: folders
                .into_iter()
                .map(|folder| path_at(&at_hand.source.path, folder))
                .collect(),
            until: newest.map(|at| at.plus_seconds(days)),
            stays: found.checked.stays,
        })
    }

    fn facts(
        &self,
        desk: &Desk<'_>,
        rows: &Whereabouts,
        left: BTreeMap<String, u64>,
    ) -> Result<Gate, Trouble> {
        let row = &self.batch()?.row;
        let mut facts = release::facts(desk, row, left, State::Released)?;
        let mut signed_off = None;
        if facts.state == Some(State::Released) {
            // A sheet written since, because the gate was shut again, begins the waiting anew.
            for one in &self.kin {
                let sheet = desk.ledger.sheet(&one.row.name)?.map(|sheet| sheet.at);
                signed_off = signed_off.max(one.row.released_at).max(sheet);
            }
        }
        let all_aside = rows.values().filter(|row| row.state.is_open());
        facts.removal = Some(Removal {
            signed_off,
            now: desk.now(),
            waiting_days: desk.settings.waiting_days,
            set_aside: match self.is_all_aside(desk, rows)? {
                true => all_aside.map(|row| row.at).max(),
                false => None,
            },
            hold_days: desk.settings.hold_days,
        });
        Ok(facts)
    }

    /// Whether nothing of the batch lies at its own place any more.
    fn is_all_aside(&self, desk: &Desk<'_>, rows: &Whereabouts) -> Result<bool, Trouble> {
        let mut all = true;
        self.each_piece(desk, &mut |piece| {
            let here =
                !rows.contains_key(&piece.path) && self.ends(desk.stop, |ends| lies(ends, &piece.path))?;
            all &= !here;
            Ok(all)
        })?;
        Ok(all)
    }

    /// Hands on every piece of the batch until `each` answers false.
    fn each_piece(
        &self,
        desk: &Desk<'_>,
        each: &mut dyn FnMut(&Piece) -> Result<bool, Trouble>,
    ) -> Result<(), Trouble> {
        for project in &self.batch()?.batch.projects {
            for piece in pieces::pieces(desk, &self.kin, project)? {
                if !each(&piece)? {
                    return Ok(());
                }
            }
        }
        Ok(())
    }

    /// Checks every piece where it lies, a sample of copies from disk included.
    fn look(&self, desk: &Desk<'_>, rows: &Whereabouts) -> Result<Found, Trouble> {
        let mut found = Found::default();
        let depth = Depth::Sample(desk.now());
        self.each_piece(desk, &mut |piece| {
            self.ends(desk.stop, |ends| {
                let at = match rows.get(&piece.path) {
                    Some(row) if row.state.is_open() => {
                        found.aside += 1;
                        let at = row.lies_at()?;
                        // While it is emptied it may be gone by our own hand; before that, never.
                        if row.state == AsideState::Aside && !lies(ends, &at)? {
                            let stay = (at, ASIDE_MISSING.into(), Bytes::ZERO);
                            found.checked.stays.push(stay);
                            return Ok(true);
                        }
                        at
                    }
                    None if lies(ends, &piece.path)? => {
                        found.here += 1;
                        piece.path.clone()
                    }
                    // Removed for good, by us or by others before.
                    _ => return Ok(true),
                };
                found.symlinks += pieces::symlinks(std::slice::from_ref(piece));
                found.checked.add(check(ends, piece, &at, depth)?);
                Ok(true)
            })
        })?;
        found.step = match (found.here, found.aside) {
            (0, 0) => Step::Nothing,
            (0, _) => Step::Empty,
            _ => Step::SetAside,
        };
        Ok(found)
    }

    /// What was left behind, with what the check has found to stay or to be told.
    fn left(&self, desk: &Desk<'_>, checked: &Checked) -> Result<Vec<Stay>, Trouble> {
        let mut left = release::left_behind(desk, self.batch()?)?;
        let edited = |stay: &&Stay| stay.1 == COPY_EDITED || stay.1 == ASIDE_MISSING;
        left.extend(checked.stays.iter().filter(edited).cloned());
        left.extend(checked.touched.iter().cloned());
        Ok(left)
    }

    fn set_all_aside(
        &self,
        desk: &mut Desk<'_>,
        rows: &Whereabouts,
        done: &mut Removed,
    ) -> Result<(), Trouble> {
        let source = &self.batch()?.source;
        let now = desk.now();
        let day: String = now.rfc3339(desk.settings.windows.zone).chars().take(10).collect();
        let mut folder = ASIDE_PREFIX.to_vec();
        folder.extend_from_slice(format!("{day}-{}", desk.ledger.move_id()?).as_bytes());
        guard::also_known(desk, source, &crate::names::shown(&folder))?;
        for project in &self.batch()?.batch.projects {
            for piece in pieces::pieces(desk, &self.kin, project)? {
                let here = self.ends(desk.stop, |ends| lies(ends, &piece.path))?;
                if rows.contains_key(&piece.path) || !here {
                    continue;
                }
                let going = Going {
                    source: &source.name.0,
                    batch: &self.name,
                    folder: &folder,
                    now,
                };
                let (stop, ledger) = (desk.stop, &mut desk.ledger);
                let met = self.ends(stop, |ends| {
                    let checked = check(ends, &piece, &piece.path, Depth::Facts)?;
                    match checked.is_clean() {
                        true => Ok(set_aside(ends, ledger, &piece, going)?.into_iter().collect()),
                        false => Ok(checked.surprises),
                    }
                })?;
                if !met.is_empty() {
                    done.surprises.extend::<Vec<Surprise>>(met);
                    return Ok(());
                }
                done.moved += 1;
            }
        }
        let text = format!("{}: {} of {}", self.name, done.moved, source.name);
        desk.ledger.event(now, "set-aside", &text)
    }

    fn empty_all(&self, desk: &mut Desk<'_>, rows: &Whereabouts, done: &mut Removed) -> Result<(), Trouble> {
        let clock = desk.clock;
        done.stays.clear();
        for project in &self.batch()?.batch.projects {
            for piece in pieces::pieces(desk, &self.kin, project)? {
                let Some(row) = rows.get(&piece.path).filter(|row| row.state.is_open()) else {
                    continue;
                };
                let (stop, ledger) = (desk.stop, &mut desk.ledger);
                let met = self.ends(stop, |ends| {
                    let strange = uninvited(ends, ledger, row)?;
                    if !strange.is_empty() {
                        return Ok(strange);
                    }
                    let emptied = empty(ends, ledger, &piece, row, clock)?;
                    done.stays.extend(emptied.stays);
                    Ok(emptied.surprises)
                })?;
                if !met.is_empty() {
                    done.surprises.extend::<Vec<Surprise>>(met);
                    return Ok(());
                }
            }
        }
        let removed = desk.ledger.removed(self.batch()?.row.id)?;
        desk.ledger
            .event(desk.now(), "removed", &format!("{}: {removed}", self.name))?;
        self.clear_away(desk, rows)
    }

    /// Removes folders that held projects aside and are empty now.
    fn clear_away(&self, desk: &mut Desk<'_>, rows: &Whereabouts) -> Result<(), Trouble> {
        let source = &self.batch()?.source;
        let all = desk.ledger.asides(&source.name.0)?;
        let mine: BTreeSet<RelPath> = rows.values().map(|row| row.aside.clone()).collect();
        for folder in mine {
            let holds = all.iter().any(|row| row.aside == folder && row.state.is_open());
            if holds {
                continue;
            }
            if let Some((above, name)) = folder.split().filter(|(above, _)| above.is_root()) {
                let _ = above;
                guard::known_without(desk, source, &crate::names::shown(name))?;
            }
            self.ends(desk.stop, |ends| clear_away(ends, &folder))?;
        }
        Ok(())
    }
}
