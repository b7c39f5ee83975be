//! The loops over every call.

use super::memfs::{Dice, Plan, Unsynced};
use super::rig::{CONFLICTS, Rig, mixed};
use poolward::world::FaultKind;

/// All combinations instead of some in turn.
fn thorough() -> bool {
    std::env::var_os("POOLWARD_SOAK").is_some()
}

fn must_hold(rig: &Rig, when: &str) {
    let wrong = rig.violations(&rig.target);
    assert!(wrong.is_empty(), "{when}, live: {wrong:#?}");
    for how in [
        Unsynced::Kept,
        Unsynced::Lost,
        Unsynced::Garbled(1),
        Unsynced::Garbled(2),
    ] {
        let wrong = rig.violations(&rig.target.after_crash(how));
        assert!(wrong.is_empty(), "{when}, after a crash {how:?}: {wrong:#?}");
    }
}

fn must_finish(rig: &Rig, when: &str) {
    let outcome = rig.run(Plan::Nothing);
    assert!(outcome.is_ok(), "{when}, the next run: {outcome:?}");
    let wrong = rig.unfinished(&CONFLICTS);
    assert!(wrong.is_empty(), "{when}, after the next run: {wrong:#?}");
}

#[test]
fn without_faults_everything_is_copied() {
    let rig = mixed();
    must_finish(&rig, "at first");
    assert!(rig.control.count() > 100);
    must_finish(&rig, "again");
}

fn fault_loop(plan_of: impl Fn(u64, FaultKind) -> Plan, kinds: &[FaultKind]) {
    let mut at = 0;
    loop {
        at += 1;
        let mut through = true;
        for (turn, kind) in kinds.iter().enumerate() {
            if !thorough() && (at as usize + turn) % 2 == 1 {
                continue;
            }
            let mut rig = mixed();
            rig.eager = at % 2 == 0;
            let when = format!("{kind:?} at call {at}");
            let _ = rig.run(plan_of(at, *kind));
            through &= rig.control.count() < at;
            must_hold(&rig, &when);
            must_finish(&rig, &when);
        }
        if through {
            return;
        }
    }
}

#[test]
fn a_call_that_fails_once_breaks_no_promise() {
    let kinds = [
        FaultKind::Medium,
        FaultKind::NoSpace,
        FaultKind::Gone,
        FaultKind::Denied,
        FaultKind::Other,
    ];
    fault_loop(|at, kind| Plan::Once { at, kind }, &kinds);
}

#[test]
fn calls_that_fail_for_ever_break_no_promise() {
    let kinds = [
        FaultKind::Gone,
        FaultKind::Medium,
        FaultKind::ReadOnly,
        FaultKind::Denied,
    ];
    fault_loop(|at, kind| Plan::From { at, kind }, &kinds);
}

#[test]
fn a_crash_at_any_call_breaks_no_promise() {
    let mut at = 0;
    loop {
        at += 1;
        let hows = [
            Unsynced::Kept,
            Unsynced::Lost,
            Unsynced::Garbled(3 * at),
            Unsynced::Garbled(3 * at + 1),
            Unsynced::Garbled(3 * at + 2),
        ];
        let mut through = true;
        for (turn, how) in hows.into_iter().enumerate() {
            if !thorough() && turn > 1 && turn as u64 % 3 != at % 3 {
                continue;
            }
            let mut rig = mixed();
            rig.eager = at % 2 == 0;
            let when = format!("crash at call {at}, unsynced work {how:?}");
            let _ = rig.run(Plan::Crash { at });
            through &= !rig.control.crashed();
            rig.reboot(how);
            must_hold(&rig, &when);
            // Then the recovery crashes as well, somewhere.
            let mut dice = Dice::new(at);
            let again = 1 + dice.roll(60);
            let _ = rig.run(Plan::Crash { at: again });
            rig.reboot(how);
            let when = format!("{when}, and again at call {again}");
            must_hold(&rig, &when);
            must_finish(&rig, &when);
        }
        if through {
            return;
        }
    }
}
