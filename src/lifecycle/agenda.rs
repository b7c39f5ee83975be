//! What an unattended run does next: a function of facts, one step at a time.
//!
//! Nothing here knows how a step is done. Whoever carries a step out looks again at the facts
//! afterwards; a run that was killed and begun again finds the same facts and goes on the same way.

use super::State;
use crate::moment::Moment;
use crate::names::BatchName;
use chrono::NaiveDate;

/// Seconds to the next look where only a person or another process can change something.
const LOOK_AGAIN: i64 = 60;
/// Shortest and longest pause, in seconds, while an end is away (hazard W6).
const PAUSE_MOST: i64 = 900;
/// Seconds after which an end that is away is worth an alarm (hazard W6: 15 minutes).
pub const ALARM_AFTER: i64 = 900;
/// A window that has this part of the next one's length left is as good as the next one.
const NEARLY_ALL: f64 = 0.9;

/// How far reading back has come for a batch that is copied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// Not read back since it was copied.
    NotYet,
    /// Read back and found unequal; one more copy repairs what is still ours.
    Unequal,
    /// Repaired after that, not read back since.
    Repaired,
    /// Still unequal after the repair.
    UnequalAgain,
}

/// What the agenda knows of one batch.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchFacts {
    /// Its name.
    pub name: BatchName,
    /// Where it stands.
    pub state: State,
    /// Paused, by itself or with everything.
    pub held: bool,
    /// Another process works on it.
    pub busy: bool,
    /// Another machine has it, by a waybill.
    pub away: bool,
    /// A question about one of its projects is open.
    pub asked: bool,
    /// Files of others stand at its places.
    pub conflict: bool,
    /// How far reading back is.
    pub reading: Reading,
    /// It has waited for a longer window once; it does not a second time.
    pub put_off: bool,
    /// Seconds that its copy is likely to take; `None`: not known.
    pub needs: Option<f64>,
}

/// Whether work may run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Hours {
    /// Yes.
    Open {
        /// Seconds until it closes; `None`: it does not.
        left: Option<f64>,
        /// The start and the length in seconds of the opening after this one.
        next: Option<(Moment, f64)>,
    },
    /// No, until then; `None`: never again.
    Closed(Option<Moment>),
}

/// An end that is not there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Absent {
    /// Since when.
    pub since: Moment,
    /// How often it was looked for.
    pub tries: u32,
    /// When to look again.
    pub next: Moment,
    /// What is missing.
    pub words: String,
}

/// Why nothing goes on without a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Need {
    /// Fixed kebab-case word.
    pub code: &'static str,
    /// What is wrong: a lower-case fragment without a full stop.
    pub what: String,
    /// What to do: a sentence.
    pub mend: String,
}

/// Everything the agenda looks at.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    /// The time.
    pub now: Moment,
    /// The local date.
    pub today: NaiveDate,
    /// Whether work may run.
    pub hours: Hours,
    /// Whether a batch may go on in the next window.
    pub spanning: bool,
    /// Whether the sources are scanned anew each day.
    pub rescan_daily: bool,
    /// Local date of the oldest of the sources' last scans.
    pub scanned_on: Option<NaiveDate>,
    /// Everything is paused, scans too.
    pub all_held: bool,
    /// An end that is not there.
    pub absent: Option<Absent>,
    /// What stopped the last step for good.
    pub stuck: Option<Need>,
    /// In the order of the plan, which has projects in use at its end.
    pub batches: Vec<BatchFacts>,
}

/// Why a run waits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Why {
    /// No window is open.
    Closed,
    /// An end is not there.
    Absent(String),
    /// All that is left is paused.
    Held(Vec<BatchName>),
    /// All that is left is worked on by another process.
    Busy(Vec<BatchName>),
    /// All that is left is worked on by other machines.
    Away(Vec<BatchName>),
    /// The batch may not span windows and a later one has more room.
    PutOff(BatchName),
}

/// The next step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// Copy a batch, go on with it, or repair it.
    Copy(BatchName),
    /// Read a batch back.
    Verify(BatchName),
    /// Scan every source anew.
    Rescan,
    /// Nothing until then, or until the facts change.
    Wait {
        /// When to look again at the latest.
        until: Moment,
        /// What for.
        why: Why,
    },
    /// It cannot go on alone.
    NeedsPerson(Need),
    /// Every batch of the plan is verified or released.
    Finished,
}

/// What becomes of a run after a step that did not work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Course {
    /// What is missing may come back by itself.
    Wait,
    /// The facts have changed under the step: decide anew.
    LookAgain,
    /// A person has to see to it.
    Person,
}

/// What an error of a step means for the run, by its fixed word.
pub fn course(code: &str) -> Course {
    match code {
        "mount-missing"
        | "mount-changed"
        | "mount-gone"
        | "dataset-not-mounted"
        | "source-unreadable"
        | "ledger-busy" => Course::Wait,
        "held" | "batch-busy" | "carried-elsewhere" => Course::LookAgain,
        _ => Course::Person,
    }
}

/// Seconds before an end that was looked for so often is looked for again: 1, 2, 4, … 900.
pub fn pause(tries: u32) -> i64 {
    1i64.checked_shl(tries.min(16))
        .unwrap_or(PAUSE_MOST)
        .min(PAUSE_MOST)
}

impl BatchFacts {
    fn is_done(&self) -> bool {
        matches!(self.state, State::Verified | State::Released)
    }

    fn is_to_copy(&self) -> bool {
        matches!(self.state, State::Waiting | State::Copying)
    }

    fn is_to_repair(&self) -> bool {
        self.state == State::Copied && self.reading == Reading::Unequal
    }

    fn is_to_read(&self) -> bool {
        let unread = matches!(self.reading, Reading::NotYet | Reading::Repaired);
        self.state == State::Verifying || (self.state == State::Copied && unread)
    }

    /// Why a person has to look at it; others go on meanwhile.
    fn need(&self) -> Option<Need> {
        let name = &self.name;
        if self.state == State::Waiting && self.asked {
            return Some(Need {
                code: "question-open",
                what: format!("a question about a project of batch {name} is open"),
                mend: "Answer it: `poolward survey --questions` prints lines for move.toml. Then run again."
                    .into(),
            });
        }
        let unequal = self.state == State::Copied && self.reading == Reading::UnequalAgain;
        (unequal && self.conflict).then(|| Need {
            code: "conflict",
            what: format!("files at the destination of batch {name} are not ours or were edited there"),
            mend: format!(
                "See `poolward status --left-behind`; move them away, then `poolward copy {name}`."
            ),
        })
    }
}

/// Whether a batch is set aside for a person while others go on.
pub fn is_aside(batch: &BatchFacts) -> bool {
    batch.need().is_some()
}

/// The next step.
pub fn next(facts: &Facts) -> Step {
    if let Some(need) = &facts.stuck {
        return Step::NeedsPerson(need.clone());
    }
    let open = || facts.batches.iter().filter(|b| !b.is_done());
    let movable: Vec<&BatchFacts> = open().filter(|b| !is_aside(b)).collect();
    if movable.is_empty() {
        let need = open().find_map(BatchFacts::need);
        return need.map_or(Step::Finished, Step::NeedsPerson);
    }
    if let Some(need) = movable.iter().find_map(|b| unequal_again(b)) {
        return Step::NeedsPerson(need);
    }
    if let Some(absent) = &facts.absent {
        let why = Why::Absent(absent.words.clone());
        let until = absent.next;
        return Step::Wait { until, why };
    }
    match facts.hours {
        Hours::Closed(Some(until)) => Step::Wait {
            until,
            why: Why::Closed,
        },
        Hours::Closed(None) => Step::NeedsPerson(Need {
            code: "never-opens",
            what: "no window of move.toml opens any more".into(),
            mend: "Correct [[window]], [[blackout]] or `starts` in move.toml, then run again.".into(),
        }),
        Hours::Open { .. } if is_scan_due(facts) => Step::Rescan,
        Hours::Open { .. } => work(facts, &movable),
    }
}

/// What differs after a repair is no matter of one file: a disk, its memory or its cables lie.
fn unequal_again(batch: &BatchFacts) -> Option<Need> {
    let again = batch.state == State::Copied && batch.reading == Reading::UnequalAgain;
    let name = &batch.name;
    again.then(|| Need {
        code: "differs-again",
        what: format!("batch {name} still differs after it was repaired and read back again"),
        mend: format!(
            "Look at what `poolward verify {name}` lists, then at disks, memory and cables of this machine, before going on."
        ),
    })
}

/// Once each local day, as soon as work may run.
fn is_scan_due(facts: &Facts) -> bool {
    facts.rescan_daily && !facts.all_held && facts.scanned_on.is_none_or(|on| on < facts.today)
}

fn work(facts: &Facts, movable: &[&BatchFacts]) -> Step {
    let free = || movable.iter().filter(|b| !b.held && !b.busy && !b.away);
    if free().next().is_none() {
        return wait_for_others(facts, movable);
    }
    if let Some(batch) = free().find(|b| b.is_to_repair()) {
        return Step::Copy(batch.name.clone());
    }
    let unread: Vec<&BatchName> = free().filter(|b| b.is_to_read()).map(|b| &b.name).collect();
    // Read back one batch late, so that no cache holds what is read; never later.
    if let [first, _, ..] = unread[..] {
        return Step::Verify(first.clone());
    }
    let begun = free().find(|b| b.state == State::Copying);
    let Some(batch) = begun.or_else(|| free().find(|b| b.is_to_copy())) else {
        let left = unread.first().map(|name| Step::Verify((*name).clone()));
        return left.unwrap_or_else(|| wait_for_others(facts, movable));
    };
    match (better_later(facts, batch), unread.first()) {
        (None, _) => Step::Copy(batch.name.clone()),
        (Some(_), Some(unread)) => Step::Verify((*unread).clone()),
        (Some(until), None) => Step::Wait {
            until,
            why: Why::PutOff(batch.name.clone()),
        },
    }
}

/// When a later window has room that this one lacks, for a batch that may not span windows.
fn better_later(facts: &Facts, batch: &BatchFacts) -> Option<Moment> {
    let Hours::Open {
        left: Some(left),
        next: Some((start, length)),
    } = facts.hours
    else {
        return None;
    };
    let too_long = batch.needs.is_some_and(|needs| needs > left);
    let puts_off = !facts.spanning && !batch.put_off && batch.state == State::Waiting;
    (puts_off && too_long && left < length * NEARLY_ALL).then_some(start)
}

fn wait_for_others(facts: &Facts, movable: &[&BatchFacts]) -> Step {
    let named = |is: fn(&BatchFacts) -> bool| -> Vec<BatchName> {
        let those = movable.iter().filter(|b| is(b));
        those.map(|b| b.name.clone()).collect()
    };
    let (held, busy) = (named(|b| b.held), named(|b| b.busy));
    let why = match (held.is_empty(), busy.is_empty()) {
        (false, _) => Why::Held(held),
        (true, false) => Why::Busy(busy),
        (true, true) => Why::Away(named(|_| true)),
    };
    Step::Wait {
        until: facts.now.plus_seconds(LOOK_AGAIN),
        why,
    }
}

impl Why {
    /// What is waited for, as the rest of a sentence.
    pub fn words(&self) -> String {
        let list = |names: &[BatchName]| {
            let names: Vec<&str> = names.iter().map(BatchName::as_str).collect();
            names.join(", ")
        };
        match self {
            Why::Closed => "for the next window".into(),
            Why::Absent(words) => words.clone(),
            Why::Held(names) => format!("all that is left is held: {}", list(names)),
            Why::Busy(names) => format!("another process works on what is left: {}", list(names)),
            Why::Away(names) => format!("other machines carry what is left, by waybills: {}", list(names)),
            Why::PutOff(name) => format!("batch {name} does not fit into this window and may not span two"),
        }
    }
}
