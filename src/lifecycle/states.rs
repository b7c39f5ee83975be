//! The states of a batch and the steps between them.

use crate::trouble::Trouble;
use std::fmt;

/// Where a batch stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    /// Nothing has begun.
    Waiting,
    /// Files are being copied, or were when it stopped.
    Copying,
    /// Every file is durable at its place, or listed as failed.
    Copied,
    /// Files are being read back, or were when it stopped.
    Verifying,
    /// Every file was read back and is equal.
    Verified,
    /// Signed off: its source may be deleted.
    Released,
}

/// What can happen to a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// A copy begins or goes on.
    CopyBegins,
    /// A copy has nothing left to do.
    CopyEnds,
    /// A verification begins.
    VerifyBegins,
    /// A verification has read everything and found it equal.
    VerifyEndsEqual,
    /// A verification has found differences, or not everything was proven.
    VerifyEndsUnequal,
    /// The gate is open and the sheet is written.
    Release,
    /// The sign-off is taken back, before anything was removed by it.
    Withdraw,
}

/// What stands beside the state.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Flags {
    /// Some files could not be copied, or differ.
    pub failed: bool,
    /// The source has moved on.
    pub changed: bool,
    /// Paused by the user.
    pub held: bool,
    /// Files of others stand at our places.
    pub conflict: bool,
}

impl State {
    /// All of them in order.
    pub const ALL: [State; 6] = [
        State::Waiting,
        State::Copying,
        State::Copied,
        State::Verifying,
        State::Verified,
        State::Released,
    ];

    /// The fixed word of JSON and of the ledger.
    pub fn word(self) -> &'static str {
        match self {
            State::Waiting => "waiting",
            State::Copying => "copying",
            State::Copied => "copied",
            State::Verifying => "verifying",
            State::Verified => "verified",
            State::Released => "released",
        }
    }

    /// A mark that fills as the batch goes on, so that colour is never alone.
    pub fn glyph(self) -> &'static str {
        match self {
            State::Waiting => "○",
            State::Copying => "◔",
            State::Copied => "◑",
            State::Verifying => "◕",
            State::Verified => "●",
            State::Released => "✓",
        }
    }

    /// The word read back.
    pub fn parse(word: &str) -> Option<State> {
        State::ALL.into_iter().find(|state| state.word() == word)
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl Flags {
    /// Their fixed words.
    pub fn words(self) -> Vec<&'static str> {
        [
            (self.failed, "failed"),
            (self.changed, "changed"),
            (self.held, "held"),
            (self.conflict, "conflict"),
        ]
        .into_iter()
        .filter(|(set, _)| *set)
        .map(|(_, word)| word)
        .collect()
    }
}

/// The state after an event.
///
/// # Errors
/// `not-in-this-state` where the step is not allowed: above all, nothing but a verified batch is
/// ever released, and a released one is not touched again unless that is taken back.
pub fn after(state: State, event: Event) -> Result<State, Trouble> {
    use Event as E;
    use State as S;
    let next = match (state, event) {
        (S::Released, E::Release) => S::Released,
        (S::Released, E::Withdraw) => S::Verified,
        (S::Released, _) => return Err(refused(state, event)),
        (_, E::CopyBegins) => S::Copying,
        (S::Copying, E::CopyEnds) => S::Copied,
        (S::Copied | S::Verifying | S::Verified, E::VerifyBegins) => S::Verifying,
        (S::Verifying, E::VerifyEndsEqual) => S::Verified,
        (S::Verifying, E::VerifyEndsUnequal) => S::Copied,
        (S::Verified, E::Release) => S::Released,
        (S::Waiting | S::Copied | S::Verifying | S::Verified, E::CopyEnds)
        | (S::Waiting | S::Copying, E::VerifyBegins)
        | (S::Waiting | S::Copying | S::Copied | S::Verified, E::VerifyEndsEqual | E::VerifyEndsUnequal)
        | (S::Waiting | S::Copying | S::Copied | S::Verifying, E::Release)
        | (S::Waiting | S::Copying | S::Copied | S::Verifying | S::Verified, E::Withdraw) => {
            return Err(refused(state, event));
        }
    };
    Ok(next)
}

fn refused(state: State, event: Event) -> Trouble {
    let (what, mend) = match event {
        Event::VerifyBegins if state == State::Released => (
            "verified",
            "`poolward fixity` reads released batches again; `poolward release BATCH --undo` takes the sign-off back.",
        ),
        Event::CopyBegins | Event::CopyEnds => (
            "copied",
            "A released batch is finished; later files get a batch of their own. To mend it while its source is there, take the sign-off back with `poolward release BATCH --undo`.",
        ),
        Event::VerifyBegins | Event::VerifyEndsEqual | Event::VerifyEndsUnequal => {
            ("verified", "Run `copy` to its end first.")
        }
        Event::Release => ("released", "Run `verify` first, and look at what it lists."),
        Event::Withdraw => ("taken back", "It is not signed off; `release` does that."),
    };
    Trouble::usage(
        "not-in-this-state",
        format!("a batch that is {state} cannot be {what}"),
    )
    .mend(mend)
}
