//! The check list for switching over to the new storage and for letting the old box go: each gate
//! from facts, with what opens it.

use super::Reason;
use crate::moment::Moment;
use crate::units::Amount;

/// All that the list looks at.
#[derive(Debug, Clone, Default)]
pub struct Cutover {
    /// When the user said that nothing is written at the old share any more.
    pub frozen: Option<Moment>,
    /// Files of the last scans whose times are later than that.
    pub written_since: u64,
    /// When the oldest of the last scans of all sources began; `None`: a source was never scanned.
    pub scanned: Option<Moment>,
    /// When the stored plan was made.
    pub planned: Option<Moment>,
    /// When the newest of the last scans ended.
    pub scan_ended: Option<Moment>,
    /// Files that no begun batch holds: of batches that wait, and later ones of begun projects.
    pub outstanding: Amount,
    /// Batches that are not verified.
    pub unverified: u64,
    /// What the last scans hold and the plan means to move.
    pub at_source: Amount,
    /// Of that, what is known not to be moved: unplanned, unreadable, failed.
    pub left_behind: Amount,
    /// What is verified at the destination.
    pub at_destination: Amount,
    /// When the user said that the old name and path lead to the new tree.
    pub alias: Option<Moment>,
    /// Whether a restore test is recorded.
    pub restore_test: bool,
    /// Whether a second copy is declared.
    pub second_copy: bool,
    /// Batches that are verified and not released.
    pub unreleased: u64,
    /// The first moment at which the waiting of every batch is over; `None`: not all are released.
    pub waited: Option<Moment>,
    /// Now.
    pub now: Moment,
}

/// What a gate stands before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Before {
    /// Working on the new storage.
    Switching,
    /// Letting the old box go.
    Letting,
}

impl Before {
    /// The fixed word of JSON.
    pub fn word(self) -> &'static str {
        match self {
            Before::Switching => "switch",
            Before::Letting => "let-go",
        }
    }
}

/// One line of the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// What it stands before.
    pub before: Before,
    /// Whether it is open.
    pub open: bool,
    /// Code, sentence, and how many stand against it.
    pub reason: Reason,
    /// What opens it.
    pub mend: &'static str,
}

/// The list in the order in which its gates are opened.
pub fn cutover(facts: &Cutover) -> Vec<Line> {
    let mut lines = ends_agree(facts);
    lines.extend(safe_to_switch(facts));
    lines.extend(before_letting(facts));
    lines
}

fn line(before: Before, code: &'static str, against: u64, text: &str, mend: &'static str) -> Line {
    Line {
        before,
        open: against == 0,
        reason: Reason {
            code,
            text: text.to_string(),
            count: against,
        },
        mend,
    }
}

/// Nothing is written any more, and both ends hold the same.
fn ends_agree(facts: &Cutover) -> Vec<Line> {
    let no = |holds: bool| u64::from(!holds);
    let add = |code, against, text, mend| line(Before::Switching, code, against, text, mend);
    let after_freeze = match (facts.frozen, facts.scanned) {
        (Some(frozen), Some(scanned)) => scanned >= frozen,
        _ => false,
    };
    let planned = match (facts.planned, facts.scan_ended) {
        (Some(planned), Some(ended)) => planned >= ended,
        _ => false,
    };
    let written = facts.written_since;
    let balance = facts.at_source.minus(facts.left_behind);
    let apart = balance.files.abs_diff(facts.at_destination.files);
    // Counts may agree where bytes do not.
    let apart = apart.max(no(balance == facts.at_destination));
    vec![
        add(
            "frozen",
            if facts.frozen.is_none() { 1 } else { written },
            "nothing is written at the old share any more",
            "Export the old share read-only and close what works there, then run `poolward status --cutover --confirm frozen`. Files written since are copied by `scan`, `plan`, `copy`; then confirm anew.",
        ),
        add(
            "final-scan",
            no(after_freeze),
            "every source was scanned after the freeze",
            "Run `poolward scan` after the freeze.",
        ),
        add(
            "planned",
            no(planned),
            "the plan knows the last scan",
            "Run `poolward plan` after the last scan.",
        ),
        add(
            "nothing-outstanding",
            facts.outstanding.files,
            "no file is left that no begun batch holds",
            "Run `poolward copy --all`.",
        ),
        add(
            "all-verified",
            facts.unverified,
            "every batch is verified",
            "Run `poolward copy --all`, then `poolward verify`, and look at what they list.",
        ),
        add(
            "counts-equal",
            apart,
            "files and bytes are equal at both ends, less what is known to stay behind",
            "`poolward status --left-behind` lists what is not moved; scan, plan, copy and verify again.",
        ),
    ]
}

/// What must hold before anyone works on the new storage.
fn safe_to_switch(facts: &Cutover) -> Vec<Line> {
    let no = |holds: bool| u64::from(!holds);
    let add = |code, against, text, mend| line(Before::Switching, code, against, text, mend);
    vec![
        add(
            "restore-test",
            no(facts.restore_test),
            "files brought back from the second copy were compared",
            "Bring back five files of each year and one whole project, then `poolward release --restored PATH`.",
        ),
        add(
            "second-copy",
            no(facts.second_copy),
            "a second copy is declared; RAID and snapshots are none",
            "Name its place as second-copy in move.toml.",
        ),
        add(
            "alias",
            no(facts.alias.is_some()),
            "the old name and path lead to the new tree",
            "Let the new storage serve the old share's name with the same paths below it, open one project file and see its media online, then run `poolward status --cutover --confirm alias`.",
        ),
    ]
}

fn before_letting(facts: &Cutover) -> Vec<Line> {
    let waits = match facts.waited {
        Some(until) => facts.now < until,
        None => true,
    };
    vec![
        line(
            Before::Letting,
            "all-released",
            facts.unreleased + facts.unverified,
            "every batch is signed off",
            "Run `poolward release BATCH` for each and read its sheet.",
        ),
        line(
            Before::Letting,
            "waited",
            u64::from(waits),
            "the days of waiting are over",
            "Leave the old box read-only or switched off until waiting-days of move.toml have passed since the last release.",
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Bytes;

    fn amount(files: u64, bytes: u64) -> Amount {
        Amount {
            files,
            bytes: Bytes(bytes),
        }
    }

    fn ready() -> Cutover {
        let at = |seconds| Some(Moment::from_seconds(seconds));
        Cutover {
            frozen: at(100),
            scanned: at(110),
            scan_ended: at(120),
            planned: at(130),
            at_source: amount(12, 120),
            left_behind: amount(2, 20),
            at_destination: amount(10, 100),
            alias: at(140),
            restore_test: true,
            second_copy: true,
            waited: at(200),
            now: Moment::from_seconds(200),
            ..Cutover::default()
        }
    }

    fn shut(facts: &Cutover) -> Vec<(&'static str, u64)> {
        let shut = cutover(facts).into_iter().filter(|line| !line.open);
        shut.map(|line| (line.reason.code, line.reason.count)).collect()
    }

    /// Hazard table, K5 to K8: each gate by what shuts it.
    #[test]
    fn each_fact_shuts_its_own_gate() {
        assert_eq!(shut(&ready()), []);
        let cases: [(fn(&mut Cutover), &[(&str, u64)]); 15] = [
            (|f| f.frozen = None, &[("frozen", 1), ("final-scan", 1)]),
            (|f| f.written_since = 2, &[("frozen", 2)]),
            (
                |f| f.scanned = Some(Moment::from_seconds(99)),
                &[("final-scan", 1)],
            ),
            (|f| f.scanned = None, &[("final-scan", 1)]),
            (|f| f.planned = Some(Moment::from_seconds(119)), &[("planned", 1)]),
            (|f| f.planned = None, &[("planned", 1)]),
            (|f| f.outstanding = amount(3, 0), &[("nothing-outstanding", 3)]),
            (|f| f.unverified = 4, &[("all-verified", 4), ("all-released", 4)]),
            (|f| f.at_destination = amount(9, 100), &[("counts-equal", 1)]),
            (|f| f.at_destination = amount(10, 99), &[("counts-equal", 1)]),
            (|f| f.restore_test = false, &[("restore-test", 1)]),
            (|f| f.second_copy = false, &[("second-copy", 1)]),
            (|f| f.alias = None, &[("alias", 1)]),
            (|f| f.unreleased = 1, &[("all-released", 1)]),
            (|f| f.now = Moment::from_seconds(199), &[("waited", 1)]),
        ];
        for (spoil, expected) in cases {
            let mut facts = ready();
            spoil(&mut facts);
            assert_eq!(shut(&facts), expected);
        }
    }

    #[test]
    fn a_move_that_has_just_begun_opens_nothing_it_has_not_earned() {
        let lines = cutover(&Cutover::default());
        let open: Vec<_> = lines
            .iter()
            .filter(|line| line.open)
            .map(|line| line.reason.code)
            .collect();
        assert_eq!(
            open,
            [
                "nothing-outstanding",
                "all-verified",
                "counts-equal",
                "all-released"
            ]
        );
    }
}
