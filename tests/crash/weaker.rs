//! File systems that promise less, and targets that are replaced: shorter loops of their own.

use super::memfs::{Content, Plan, Publish, Unsynced, path};
use super::rig::{CONFLICTS, Rig, mixed};
use poolward::world::{Durability, FaultKind};
use std::sync::Arc;

/// What goes wrong at call `at`: crashes, and faults of some kinds.
fn plans(at: u64) -> [(Plan, Unsynced); 6] {
    let once = |kind| (Plan::Once { at, kind }, Unsynced::Kept);
    [
        (Plan::Crash { at }, Unsynced::Lost),
        (Plan::Crash { at }, Unsynced::Kept),
        (Plan::Crash { at }, Unsynced::Garbled(at)),
        once(FaultKind::Medium),
        once(FaultKind::Denied),
        once(FaultKind::NoSpace),
    ]
}

#[test]
fn a_changed_source_replaces_what_we_placed_whatever_happens() {
    for at in 1.. {
        let mut through = true;
        for (plan, how) in plans(at) {
            let rig = Rig::new();
            rig.source.put_file(&path("p/one"), Content::bytes(b"words"));
            let mut rig = rig.ready();
            rig.eager = at % 2 == 0;
            rig.run(Plan::Nothing).expect("a run without faults");
            rig.source.edit(&path("p/one"), 0, b"different words");
            let _ = rig.run(plan);
            through &= rig.control.count() < at;
            if rig.control.crashed() {
                rig.reboot(how);
            }
            // At its place lies the old state or the new one, never anything else.
            let size = rig.target.entry(&path("p/one")).map(|entry| entry.size.0);
            assert!(size == Some(5) || size == Some(15), "{plan:?} {how:?}: {size:?}");
            rig.truth = Arc::new(rig.source.files());
            rig.run(Plan::Nothing).expect("a run without faults");
            let wrong = rig.unfinished(&[]);
            assert!(wrong.is_empty(), "{plan:?} {how:?}: {wrong:#?}");
        }
        if through {
            return;
        }
    }
}

#[test]
fn publishing_by_link_and_unlink_leaves_nothing_behind() {
    weaker(Durability::Local, Publish::LinkThenUnlink);
}

#[test]
fn file_by_file_durability_breaks_no_promise() {
    weaker(Durability::Unproven, Publish::Rename);
}

fn weaker(durability: Durability, publish: Publish) {
    for at in 1.. {
        let mut through = true;
        for (turn, (plan, how)) in plans(at).into_iter().enumerate() {
            if turn as u64 % 2 == at % 2 {
                continue;
            }
            let mut rig = mixed();
            rig.eager = at % 3 == 0;
            rig.target
                .become_like(|nature| (nature.durability, nature.publish) = (durability, publish));
            let _ = rig.run(plan);
            through &= rig.control.count() < at;
            if rig.control.crashed() {
                rig.reboot(how);
            }
            let wrong = rig.violations(&rig.target);
            assert!(wrong.is_empty(), "{plan:?} {how:?}: {wrong:#?}");
            rig.run(Plan::Nothing).expect("a run without faults");
            let wrong = rig.unfinished(&CONFLICTS);
            assert!(
                wrong.is_empty(),
                "{plan:?} {how:?}, after the next run: {wrong:#?}"
            );
        }
        if through {
            return;
        }
    }
}
