//! release --undo: what lies aside comes back; where nothing does, the sign-off itself.

use super::{Found, Job, Removed, Whereabouts};
use crate::ledger::{Aside, AsideState};
use crate::lifecycle::{Event, State, after};
use crate::ops::batch;
use crate::ops::desk::Desk;
use crate::ops::lost_aside;
use crate::release::bring_back;
use crate::trouble::Trouble;
use crate::units::Amount;

impl Job<'_> {
    pub(super) fn undo(&self, desk: &mut Desk<'_>) -> Result<Removed, Trouble> {
        lost_aside::take_up(desk, &self.kin, &self.source)?;
        let rows = self.settled(desk)?;
        let begun = |row: &&Aside| matches!(row.state, AsideState::Emptying | AsideState::Emptied);
        if let Some(row) = rows.values().find(begun) {
            return Err(Trouble::usage(
                "removed-already",
                format!(
                    "{} was removed for good, or is being removed, and cannot be brought back",
                    row.path
                ),
            )
            .at_rel(&row.path)
            .mend(
                "Its files are at the destination, verified; copy them from there where they are needed.",
            ));
        }
        let mut aside: Vec<&Aside> = rows.values().collect();
        if aside.is_empty() {
            return self.withdraw(desk, &rows);
        }
        aside.sort_by(|a, b| a.path.cmp(&b.path));
        let mut done = self.answer(desk, &rows, Found::default(), Vec::new())?;
        let (stop, now) = (desk.stop, desk.now());
        for row in aside {
            match self.ends(stop, |ends| bring_back(ends, &mut desk.ledger, row, now))? {
                None => done.moved += 1,
                Some(surprise) => done.surprises.push(surprise),
            }
        }
        let text = format!("{}: {}", self.name, done.moved);
        desk.ledger.event(now, "brought-back", &text)?;
        self.clear_away(desk, &rows)?;
        let done = self.finish(desk, done)?;
        Ok(Removed {
            finished: false,
            ..done
        })
    }

    /// Takes the sign-off back of a batch of which nothing was ever removed, so that it can be read
    /// back and mended while the source still can mend it.
    fn withdraw(&self, desk: &mut Desk<'_>, rows: &Whereabouts) -> Result<Removed, Trouble> {
        let row = &self.batch()?.row;
        let state = batch::state_of(Some(row));
        if state != State::Released {
            return Err(Trouble::usage(
                "nothing-aside",
                format!(
                    "nothing of batch {} is set aside, and it is not signed off",
                    self.name
                ),
            )
            .mend("`release BATCH` signs off, and with `--remove` sets aside; `--undo` takes either back."));
        }
        if desk.ledger.removed(row.id)? != Amount::default() {
            return Err(Trouble::usage(
                "removed-already",
                format!(
                    "files of batch {} were removed for good, so its sign-off stands",
                    self.name
                ),
            )
            .mend("Its files are at the destination, verified; `poolward fixity` reads them again."));
        }
        let now = desk.now();
        let next = after(state, Event::Withdraw)?;
        // It was verified when it was, not now.
        let verified = row.verified_at.unwrap_or(now);
        desk.ledger.set_state(row.id, next.word(), verified)?;
        desk.ledger.event(now, "sign-off-withdrawn", &self.name)?;
        desk.keep_ledger_copy()?;
        let done = self.answer(desk, rows, Found::default(), Vec::new())?;
        Ok(Removed {
            withdrawn: true,
            finished: false,
            ..done
        })
    }
}
