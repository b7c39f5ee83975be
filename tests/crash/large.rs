//! Large files in blocks, huge ones with checkpoints: patterns that take no memory.

use super::memfs::{Content, Dice, Plan, Unsynced, path};
use super::rig::{BATCH, DATASET, Rig};
use poolward::digest::BLOCK;
use poolward::units::Bytes;
use poolward::world::FaultKind;

const GIB: u64 = 1 << 30;

fn of(content: Content, more: impl FnOnce(&Rig)) -> Rig {
    let rig = Rig::new();
    rig.source.put_file(&path("p/film"), content);
    more(&rig);
    let mut rig = rig.ready();
    rig.task.streams = poolward::copy::StreamLimits::fixed(2);
    rig
}

fn finishes(rig: &Rig) -> poolward::copy::Outcome {
    let outcome = rig.run(Plan::Nothing).expect("a run without faults");
    let wrong = rig.unfinished(&[]);
    assert!(wrong.is_empty(), "{wrong:#?}");
    outcome
}

/// The lowest offset read at the source.
fn first_read(rig: &Rig) -> Option<u64> {
    let log = rig.control.log();
    let reads = log
        .iter()
        .filter(|call| call.end == "source" && call.doing == "read");
    reads.map(|call| call.at).min()
}

#[test]
fn a_crash_after_a_checkpoint_reads_nothing_before_it_again() {
    let size = GIB + 5 * BLOCK + 12_345;
    let mut rig = of(Content::pattern(4, size), |_| {});
    rig.control.hook(|_, call| {
        let after = call.end == "source" && call.doing == "read" && call.at >= GIB + 2 * BLOCK;
        after.then_some(FaultKind::Crash)
    });
    assert!(rig.run(Plan::Nothing).is_err());
    rig.control.unhook();
    rig.reboot(Unsynced::Garbled(9));
    assert_eq!(rig.violations(&rig.target), Vec::<String>::new());
    let outcome = finishes(&rig);
    assert_eq!(outcome.resumed, Bytes(GIB));
    assert_eq!(first_read(&rig), Some(GIB));
    let values = rig.ledger().blocks_of(BATCH, DATASET, &path("p/film")).unwrap();
    assert_eq!(values.len() as u64, size.div_ceil(BLOCK));
}

#[test]
fn new_inode_numbers_of_a_source_without_lasting_ones_cost_no_checkpoint() {
    let mut rig = of(Content::pattern(4, GIB + 3 * BLOCK), |_| {});
    rig.task.inodes_hold = false;
    rig.control.hook(|_, call| {
        let after = call.end == "source" && call.doing == "read" && call.at >= GIB + 2 * BLOCK;
        after.then_some(FaultKind::Crash)
    });
    assert!(rig.run(Plan::Nothing).is_err());
    rig.control.unhook();
    rig.reboot(Unsynced::Lost);
    rig.source.renumber();
    assert_eq!(finishes(&rig).resumed, Bytes(GIB));
}

#[test]
fn a_huge_file_complete_but_unpublished_is_not_read_again() {
    for how in [Unsynced::Lost, Unsynced::Kept] {
        let read_only = |rig: &Rig| rig.source.alter(&path("p/film"), |meta| meta.mode = 0o444);
        let mut rig = of(Content::pattern(4, GIB + 12_345), read_only);
        rig.control
            .hook(|_, call| (call.doing == "publish").then_some(FaultKind::Crash));
        assert!(rig.run(Plan::Nothing).is_err());
        rig.control.unhook();
        rig.reboot(how);
        let outcome = finishes(&rig);
        assert_eq!(outcome.resumed, Bytes(GIB + 12_345));
        assert_eq!(first_read(&rig), None);
    }
}

#[test]
fn a_huge_sparse_file_goes_on_and_keeps_its_holes() {
    let mut content = Content {
        size: GIB + 3 * BLOCK,
        ..Content::default()
    };
    for at in [0, 7 * BLOCK + 100, GIB + 10, GIB + 2 * BLOCK] {
        content.write(at, b"data in a hole");
    }
    let mut rig = of(content, |_| {});
    rig.control.hook(|_, call| {
        let after = call.end == "source" && call.doing == "read" && call.at >= GIB + 2 * BLOCK;
        after.then_some(FaultKind::Crash)
    });
    assert!(rig.run(Plan::Nothing).is_err());
    rig.control.unhook();
    rig.reboot(Unsynced::Garbled(2));
    assert_eq!(finishes(&rig).resumed, Bytes(GIB));
}

#[test]
fn a_huge_file_that_changed_before_it_goes_on_begins_anew() {
    let mut rig = of(Content::pattern(4, GIB + 2 * BLOCK), |_| {});
    rig.control.hook(|_, call| {
        let after = call.end == "source" && call.doing == "read" && call.at >= GIB;
        after.then_some(FaultKind::Crash)
    });
    assert!(rig.run(Plan::Nothing).is_err());
    rig.control.unhook();
    rig.reboot(Unsynced::Kept);
    rig.source
        .edit(&path("p/film"), 0, b"the first scene is another one");
    rig.truth = std::sync::Arc::new(rig.source.files());
    let outcome = finishes(&rig);
    assert_eq!(outcome.resumed, Bytes(0));
    assert_eq!(first_read(&rig), Some(0));
}

#[test]
fn a_checkpoint_whose_sync_failed_is_none() {
    let rig = of(Content::pattern(4, GIB + 2 * BLOCK), |_| {});
    let once = std::sync::atomic::AtomicBool::new(false);
    rig.control.hook(move |_, call| {
        let first = call.doing == "sync" && !once.swap(true, std::sync::atomic::Ordering::SeqCst);
        first.then_some(FaultKind::Medium)
    });
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!((outcome.copied.files, outcome.failed), (0, 1));
    assert_eq!(rig.failures()[&path("p/film")], "medium");
    rig.control.unhook();
    finishes(&rig);
}

#[test]
fn a_large_file_breaks_no_promise_at_some_faults_and_crashes() {
    let mut dice = Dice::new(40);
    let small = |rig: &Rig| rig.source.put_file(&path("p/note"), Content::bytes(b"words"));
    for turn in 0..8 {
        let mut rig = of(Content::pattern(turn, 2 * BLOCK + 300_000), small);
        let at = 1 + dice.roll(60);
        let plan = match turn % 3 {
            0 => Plan::Once {
                at,
                kind: FaultKind::Medium,
            },
            1 => Plan::From {
                at,
                kind: FaultKind::Gone,
            },
            _ => Plan::Crash { at },
        };
        let _ = rig.run(plan);
        if rig.control.crashed() {
            rig.reboot(Unsynced::Garbled(at));
        }
        assert_eq!(rig.violations(&rig.target), Vec::<String>::new(), "{plan:?}");
        finishes(&rig);
        let values = rig.ledger().blocks_of(BATCH, DATASET, &path("p/film")).unwrap();
        assert_eq!(values.len(), 3, "{plan:?}");
    }
}
