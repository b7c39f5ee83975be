//! The gate before a source may be deleted: every reason that keeps it shut, counted.

use super::State;
use crate::moment::Moment;
use crate::names::BatchName;
use std::collections::BTreeMap;

/// All that the gate looks at.
#[derive(Debug, Clone, Default)]
pub struct Gate {
    /// The batch's state; `None` before it has begun.
    pub state: Option<State>,
    /// Files recorded as copied.
    pub copied: u64,
    /// Files proven by a way of reading that counts.
    pub proven: u64,
    /// Files verified, but by a way that does not count.
    pub read_not_accepted: u64,
    /// Files whose source is no longer what was copied.
    pub changed_at_source: u64,
    /// Files at the source that no batch has taken.
    pub new_at_source: u64,
    /// Other batches that hold files of the same projects and are not verified: name, state, files.
    pub elsewhere: Vec<(BatchName, State, u64)>,
    /// Files of others at our places, or edited ones.
    pub conflicts: u64,
    /// Differences that stand against the batch.
    pub differences: u64,
    /// What was left behind, by code.
    pub left_behind: BTreeMap<String, u64>,
    /// What the user accepted, by code, with the count it had then.
    pub accepted: BTreeMap<String, u64>,
    /// Whether a second copy was declared.
    pub second_copy: bool,
    /// Whether a restore test was recorded.
    pub restore_test: bool,
    /// How often two reads of one file of this source gave different content (hazard C2: memory, a
    /// cable or a controller is bad, so nothing there may be trusted). Whoever has found and mended
    /// the cause accepts that number by its code; one more, and it is void.
    pub reads_disagree: u64,
    /// What stops a removal, by code, as it was met file by file at both ends.
    pub stops: BTreeMap<&'static str, u64>,
    /// Set where the source itself is to be removed, not only signed off.
    pub removal: Option<Removal>,
}

/// What counts beside the rest when a source is to be removed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Removal {
    /// When the batch was signed off; `None`: it was not.
    pub signed_off: Option<Moment>,
    /// The time now.
    pub now: Moment,
    /// Whole days of 24 hours that must have passed since.
    pub waiting_days: u32,
    /// When the last of its projects was set aside, where all of them are and are to be emptied now.
    pub set_aside: Option<Moment>,
    /// Whole days that projects stay aside.
    pub hold_days: u32,
}

impl Removal {
    /// Days still to wait, a begun one counted whole; 0 when the time has come. A clock that went
    /// back waits longer, never shorter.
    fn days_left(&self, since: Moment, days: u32) -> u64 {
        let ends = since.plus_seconds(DAY.saturating_mul(i64::from(days)));
        if self.now >= ends {
            return 0;
        }
        let left = ends.seconds.saturating_sub(self.now.seconds).max(1);
        left.unsigned_abs().div_ceil(DAY.unsigned_abs())
    }
}

const DAY: i64 = 86_400;

/// One reason.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason {
    /// Fixed kebab-case word.
    pub code: &'static str,
    /// What it says.
    pub text: String,
    /// How many.
    pub count: u64,
}

/// Every reason why the source of a batch may not be deleted; none: it is releasable.
pub fn gate(facts: &Gate) -> Vec<Reason> {
    let mut reasons = Vec::new();
    let mut add = |code, text: String, count: u64| {
        if count > 0 {
            reasons.push(Reason { code, text, count });
        }
    };
    let standing = facts.state.unwrap_or(State::Waiting);
    if !matches!(standing, State::Verified | State::Released) {
        add(
            "not-verified",
            format!("the batch is {standing}, not verified"),
            1,
        );
    }
    let unproven = facts
        .copied
        .saturating_sub(facts.proven)
        .saturating_sub(facts.read_not_accepted);
    add(
        "files-not-verified",
        "files were not read back since they were written".into(),
        unproven,
    );
    add(
        "read-not-accepted",
        "files were read back in a way that does not count (see accept-read in move.toml)".into(),
        facts.read_not_accepted,
    );
    add(
        "differences",
        "differences stand from the last verification".into(),
        facts.differences,
    );
    add(
        "conflicts",
        "files at the destination are not ours or were edited there".into(),
        facts.conflicts,
    );
    add(
        "changed-at-source",
        "files have changed at the source since they were copied".into(),
        facts.changed_at_source,
    );
    add(
        "new-at-source",
        "files at the source are in no batch yet".into(),
        facts.new_at_source,
    );
    for left in elsewhere(facts).chain(left_behind(facts)) {
        add(left.code, left.text, left.count);
    }
    add(
        "no-second-copy",
        "no second copy is declared (second-copy in move.toml)".into(),
        u64::from(!facts.second_copy),
    );
    add(
        "no-restore-test",
        "no restore test is recorded (`release --restored PATH`)".into(),
        u64::from(!facts.restore_test),
    );
    reasons.extend(reads_disagree(facts));
    reasons.extend(stops(facts));
    reasons.extend(facts.removal.as_ref().and_then(waiting));
    reasons
}

/// What was met file by file at both ends.
fn stops(facts: &Gate) -> impl Iterator<Item = Reason> {
    facts.stops.iter().map(|(&code, &count)| Reason {
        code,
        text: super::removal::words(code).to_string(),
        count,
    })
}

/// Other batches of the same projects that are not verified: removing a project takes their files too.
fn elsewhere(facts: &Gate) -> impl Iterator<Item = Reason> {
    let must = match facts.removal {
        Some(_) => "released",
        None => "verified",
    };
    facts.elsewhere.iter().map(move |(name, state, files)| Reason {
        code: "files-elsewhere",
        text: format!(
            "files of its projects belong to batch {name}, which is {state} and must be {must} too"
        ),
        count: (*files).max(1),
    })
}

/// Why the time to remove has not come.
fn waiting(removal: &Removal) -> Option<Reason> {
    let days = removal.waiting_days;
    let Some(since) = removal.signed_off else {
        return Some(Reason {
            code: "not-signed-off",
            text: "the batch was not released yet".to_string(),
            count: 1,
        });
    };
    let left = removal.days_left(since, days);
    if left > 0 {
        return Some(Reason {
            code: "still-waiting",
            text: format!("{left} of the {days} days to wait are left (waiting-days in move.toml)"),
            count: left,
        });
    }
    let days = removal.hold_days;
    let left = removal.days_left(removal.set_aside?, days);
    (left > 0).then(|| Reason {
        code: "still-aside",
        text: format!("{left} of the {days} days that projects stay aside are left (hold-days in move.toml)"),
        count: left,
    })
}

/// The code of reads of a source that disagree: a reason here, and what such a file is left behind as.
pub const READS_DISAGREE: &str = "reads-disagree";

/// Reads that disagree, unless accepted in the number there is now.
fn reads_disagree(facts: &Gate) -> Option<Reason> {
    let count = facts.reads_disagree;
    let text = match facts.accepted.get(READS_DISAGREE) {
        _ if count == 0 => return None,
        Some(&then) if then == count => return None,
        Some(then) => {
            format!("reads of this source gave other content than before, {then} when that was accepted")
        }
        None => "reads of this source gave other content than before: check memory, cables and controller, \
                 then accept it by this code"
            .into(),
    };
    Some(Reason {
        code: READS_DISAGREE,
        text,
        count,
    })
}

/// What was left behind and is not accepted in the count it has now.
fn left_behind(facts: &Gate) -> Vec<Reason> {
    let mut open = Vec::new();
    for (code, &count) in &facts.left_behind {
        // Each of them is among the reads that disagree, and stands or falls with those.
        if code == READS_DISAGREE && facts.reads_disagree > 0 {
            continue;
        }
        let (reason, text) = match facts.accepted.get(code) {
            Some(&then) if then == count => continue,
            Some(then) => (
                "left-behind-changed",
                format!("left behind as {code}: {count} now, {then} when it was accepted"),
            ),
            None => ("left-behind", format!("left behind as {code}, not accepted yet")),
        };
        open.push(Reason {
            code: reason,
            text,
            count,
        });
    }
    open
}
