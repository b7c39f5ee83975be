//! Work that other machines do: which waybills a batch allows, what one that is out means at home,
//! and what a receipt is worth. One answer is taken per batch and task.

use super::State;
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::moment::Moment;

/// What a waybill asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Task {
    /// From the source to the destination.
    Copy,
    /// Read the destination back from its disks.
    Verify,
    /// Read the source alone.
    HashSource,
}

/// Where a waybill stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Written; its receipt is waited for.
    Out,
    /// Its receipt was entered.
    Absorbed,
    /// Taken back, or replaced: its receipt is refused.
    Withdrawn,
}

/// What is known of a waybill that was written once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Known {
    /// What it asks for.
    pub task: Task,
    /// BLAKE3 of all its bytes.
    pub hash: Digest,
    /// Where it stands.
    pub standing: Standing,
    /// BLAKE3 of the receipt that was entered.
    pub receipt: Option<Digest>,
}

/// What becomes of a receipt. The number is that of the waybill in the list of known ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// It may be entered.
    Enter(usize),
    /// This very receipt was entered before.
    Entered(usize),
    /// No waybill of this task with that hash was ever written for the batch.
    Unknown,
    /// Its waybill was taken back or replaced.
    Withdrawn,
    /// Another receipt was entered for it.
    Already,
}

impl Task {
    /// All of them, in the order in which a batch meets the first two.
    pub const ALL: [Task; 3] = [Task::Copy, Task::Verify, Task::HashSource];

    /// The fixed word of arguments, documents, JSON and the ledger.
    pub fn word(self) -> &'static str {
        match self {
            Task::Copy => "copy",
            Task::Verify => "verify",
            Task::HashSource => "hash-source",
        }
    }

    /// The word read back.
    pub fn parse(word: &str) -> Option<Task> {
        Task::ALL.into_iter().find(|task| task.word() == word)
    }

    /// Whether the source is needed for it.
    pub fn reads_source(self) -> bool {
        self != Task::Verify
    }

    /// Whether the destination is needed for it.
    pub fn needs_destination(self) -> bool {
        self != Task::HashSource
    }

    /// Whether a receipt has to answer for an entry of the batch: of a copy files and symlinks, of a
    /// verification what is recorded, of a reading of the source its regular files.
    pub fn asks_for(self, kind: EntryKind, recorded: bool) -> bool {
        match self {
            Task::Copy => matches!(kind, EntryKind::File | EntryKind::Symlink),
            Task::Verify => recorded,
            Task::HashSource => kind == EntryKind::File,
        }
    }

    /// Whether the same work must not be done at home meanwhile. Reading the source once more is
    /// in nobody's way.
    pub fn sets_aside(self) -> bool {
        match self {
            Task::Copy | Task::Verify => true,
            Task::HashSource => false,
        }
    }
}

impl Standing {
    /// The fixed word of the ledger.
    pub fn word(self) -> &'static str {
        match self {
            Standing::Out => "out",
            Standing::Absorbed => "absorbed",
            Standing::Withdrawn => "withdrawn",
        }
    }

    /// The word read back.
    pub fn parse(word: &str) -> Option<Standing> {
        let all = [Standing::Out, Standing::Absorbed, Standing::Withdrawn];
        all.into_iter().find(|standing| standing.word() == word)
    }
}

/// What a batch needs next that another machine could do; `None` where nothing is left.
pub fn next_task(state: State) -> Option<Task> {
    match state {
        State::Waiting | State::Copying => Some(Task::Copy),
        State::Copied | State::Verifying => Some(Task::Verify),
        State::Verified | State::Released => None,
    }
}

/// Whether a waybill of a task can be written for a batch in this state.
///
/// # Errors
/// Why not, as the rest of a sentence.
pub fn may_write(state: State, task: Task) -> Result<(), &'static str> {
    match (task, state) {
        (Task::HashSource, _)
        | (Task::Copy, State::Waiting | State::Copying)
        | (Task::Verify, State::Copied | State::Verifying) => Ok(()),
        (Task::Copy, State::Copied | State::Verifying) => {
            Err("it is copied already; what differs at the destination is repaired by `poolward copy` here")
        }
        (Task::Copy | Task::Verify, State::Verified | State::Released) => Err("it is verified already"),
        (Task::Verify, State::Waiting | State::Copying) => {
            Err("it is not copied yet, and only a copy gives the hashes to compare with")
        }
    }
}

/// The number of the waybill of this task that is out, else of the next one. It is part of the key,
/// so that what was taken back or replaced is told from what is written later, though nothing else
/// of it may differ.
pub fn round(known: &[Known], task: Task) -> u64 {
    let is_out = |one: &Known| one.task == task && one.standing == Standing::Out;
    next_round(known, task) - u64::from(known.iter().any(is_out))
}

/// The number of a waybill that replaces the one that is out, where any is.
pub fn next_round(known: &[Known], task: Task) -> u64 {
    known.iter().filter(|one| one.task == task).count() as u64
}

/// The waybill that keeps this batch from being worked on at home.
pub fn set_aside_by(known: &[Known]) -> Option<usize> {
    let keeps = |one: &Known| one.standing == Standing::Out && one.task.sets_aside();
    known.iter().position(keeps)
}

/// What becomes of a receipt that names a waybill by its hash.
pub fn answer(known: &[Known], task: Task, waybill: Digest, receipt: Digest) -> Answer {
    let found = known
        .iter()
        .enumerate()
        .rfind(|(_, one)| one.task == task && one.hash == waybill);
    match found {
        None => Answer::Unknown,
        Some((at, one)) => match one.standing {
            Standing::Out => Answer::Enter(at),
            Standing::Withdrawn => Answer::Withdrawn,
            Standing::Absorbed if one.receipt == Some(receipt) => Answer::Entered(at),
            Standing::Absorbed => Answer::Already,
        },
    }
}

/// The key that seals a receipt: only who has the waybill has it. Derived, so that the same waybill
/// written twice is the same to the byte.
pub fn key(secret: &[u8; 32], batch: &str, task: Task, index: Digest, round: u64) -> [u8; 32] {
    let mut hasher = blake3::Hasher::new_derive_key("poolward waybill 1: the key of a receipt");
    hasher.update(secret);
    // Lengths first, so that no two lists of parts run together to the same bytes.
    for part in [batch.as_bytes(), task.word().as_bytes()] {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part);
    }
    hasher.update(&index.0);
    hasher.update(&round.to_le_bytes());
    *hasher.finalize().as_bytes()
}

/// A time told by another machine, as far as ours allows it: nothing that answers a waybill was
/// done before it was written or after its receipt came. Clocks of old boxes are often wrong.
pub fn within(told: Moment, written: Moment, now: Moment) -> Moment {
    told.min(now).max(written.min(now))
}
