//! Files of several names that change, or lie there apart already.

use super::memfs::{Content, Plan, Unsynced, path};
use super::rig::Rig;
use poolward::copy::Item;
use poolward::world::FaultKind;
use std::sync::Arc;

/// A file of three names, copied, then changed at the source.
fn changed() -> Rig {
    let rig = Rig::new();
    rig.source.put_file(&path("p/one"), Content::bytes(b"words"));
    rig.source.put_link(&path("p/two"), &path("p/one"));
    rig.source.put_link(&path("q/three"), &path("p/one"));
    let mut rig = rig.ready();
    rig.run(Plan::Nothing).expect("a run without faults");
    assert_eq!(rig.unfinished(&[]), Vec::<String>::new());
    rig.source.edit(&path("p/one"), 0, b"other words");
    rig.truth = Arc::new(rig.source.files());
    rig
}

#[test]
fn names_of_a_file_that_changed_stay_names_of_one_file_whatever_crashes() {
    for at in 1.. {
        let mut through = true;
        let hows = [Unsynced::Kept, Unsynced::Lost, Unsynced::Garbled(at)];
        for how in hows {
            let mut rig = changed();
            rig.eager = at % 2 == 0;
            let _ = rig.run(Plan::Crash { at });
            through &= !rig.control.crashed();
            rig.reboot(how);
            rig.run(Plan::Nothing).expect("a run without faults");
            let wrong = rig.unfinished(&[]);
            assert!(wrong.is_empty(), "crash at call {at}, {how:?}: {wrong:#?}");
        }
        if through {
            return;
        }
    }
}

#[test]
fn names_of_a_file_that_changed_stay_names_of_one_file_whatever_fails() {
    for at in 1.. {
        let mut through = true;
        for kind in [FaultKind::Medium, FaultKind::NoSpace, FaultKind::Denied] {
            let rig = changed();
            let _ = rig.run(Plan::Once { at, kind });
            through &= rig.control.count() < at;
            rig.run(Plan::Nothing).expect("a run without faults");
            let wrong = rig.unfinished(&[]);
            assert!(wrong.is_empty(), "{kind:?} at call {at}: {wrong:#?}");
        }
        if through {
            return;
        }
    }
}

#[test]
fn a_name_edited_at_the_destination_is_kept_when_its_file_changed() {
    let rig = changed();
    rig.target.take_away(&path("q/three"));
    rig.target.put_file(&path("q/three"), Content::bytes(b"edited"));
    let there = rig.target.files();
    let outcome = rig.run(Plan::Nothing).unwrap();
    // Whoever took a name away has changed the ctime of the others too.
    assert_eq!((outcome.copied.files, outcome.failed), (0, 3));
    assert_eq!(rig.failures()[&path("p/one")], "conflict-edited");
    assert_eq!(rig.target.files(), there);
    assert_eq!(rig.target.bytes(&path("q/three"), 0, 99), b"edited");
}

#[test]
fn a_further_name_that_lies_there_apart_is_taken_over_and_linked_by_the_next_run() {
    let rig = Rig::new();
    rig.source.put_file(&path("p/one"), Content::bytes(b"words"));
    rig.source.put_link(&path("p/two"), &path("p/one"));
    rig.target.put_file(&path("p/two"), Content::bytes(b"words"));
    let rig = rig.ready();
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!(
        (outcome.copied.files, outcome.adopted.files, outcome.failed),
        (1, 1, 0)
    );
    assert_eq!(rig.violations(&rig.target), Vec::<String>::new());
    // A verification finds the names apart; the copy after it has this one to do again.
    let at = path("p/two");
    let item = Item {
        from: at.clone(),
        place: at.clone(),
        entry: rig.source.entry(&at).unwrap(),
        recorded: rig.records().remove(&at),
        known: None,
    };
    let outcome = rig.run_items(&mut [item].into_iter().map(Ok)).unwrap();
    assert_eq!((outcome.copied.files, outcome.failed), (1, 0));
    let inode = |at| rig.target.entry(&path(at)).unwrap().inode;
    assert_eq!(inode("p/one"), inode("p/two"));
}
