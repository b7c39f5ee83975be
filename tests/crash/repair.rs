//! Repairs in place: a bad block of a large file is written anew, whatever fails or crashes.

use super::memfs::{Content, Plan, Unsynced, path};
use super::rig::{BATCH, DATASET, Rig};
use poolward::copy::{Ends, Item, Outcome, Repair, Repaired, copy, repair};
use poolward::digest::{BLOCK, Digest};
use poolward::ledger::{Difference, Proof};
use poolward::moment::Moment;
use poolward::names::RelPath;
use poolward::trouble::Trouble;
use poolward::units::Bytes;
use poolward::world::{Durability, FaultKind};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

const SIZE: u64 = 2 * BLOCK + 12_345;
/// Somewhere in the second block, which is bad.
const BAD: u64 = BLOCK + 300_000;

fn film() -> RelPath {
    path("p/film")
}

/// A film with two names and a note, copied; one block of the film has gone bad since, and a
/// verification has said so.
fn damaged(mode: u32) -> Rig {
    let rig = Rig::new();
    rig.source.put_file(&film(), Content::pattern(4, SIZE));
    rig.source.put_link(&path("q/second"), &film());
    rig.source.put_file(&path("p/note"), Content::bytes(b"words"));
    rig.source.alter(&film(), |meta| {
        meta.mode = mode;
        meta.mtime = Moment::from_seconds(77);
        meta.xattrs.insert(b"user.tag".to_vec(), b"blue".to_vec());
    });
    let rig = rig.ready();
    rig.run(Plan::Nothing).expect("a run without faults");
    rig.target.rot(&film(), BAD, b"bad");
    told(&rig, &["p/film", "q/second"]);
    rig
}

/// A verification has named the second block.
fn told(rig: &Rig, places: &[&str]) {
    let difference = |place: &&str| Difference {
        place: path(place),
        kind: "content".into(),
        ranges: vec![(BLOCK, 2 * BLOCK)],
        blocking: true,
        at: Moment::from_seconds(0),
    };
    let found: Vec<Difference> = places.iter().map(difference).collect();
    rig.ledger().put_differences(BATCH, &found).unwrap();
}

fn wanted(rig: &Rig) -> Vec<Repair> {
    let (ledger, records) = (rig.ledger(), rig.records());
    let open = ledger.repairs_of(BATCH, DATASET).unwrap();
    let begun: BTreeSet<RelPath> = open.iter().map(|(place, _)| place.clone()).collect();
    let told = ledger.differences(BATCH).unwrap();
    let told = told
        .into_iter()
        .filter(|one| !begun.contains(&one.place))
        .map(|one| (one.place, one.ranges));
    let mut all: Vec<_> = told.chain(open).collect();
    all.sort();
    all.into_iter()
        .map(|(place, ranges)| Repair {
            from: place.clone(),
            values: ledger.blocks_of(BATCH, DATASET, &path("p/film")).unwrap(),
            record: records[&place].clone(),
            ranges,
            begun: begun.contains(&place),
        })
        .collect()
}

/// Repairs, then the copy of what is outstanding, as one process would do it.
fn run(rig: &Rig, plan: Plan) -> Result<(Repaired, Outcome), Trouble> {
    let wanted = wanted(rig);
    rig.control.plan(plan);
    let ends = Ends {
        source: &rig.source,
        target: &rig.target,
        clock: &*rig.control.clock,
        stop: &rig.stop,
    };
    let mut ledger = rig.ledger();
    let repaired = repair(
        ends,
        &rig.task,
        &mut ledger,
        &wanted,
        &Default::default(),
        &|_| {},
    )?;
    let mut items = rig.outstanding();
    for one in ledger.differences(BATCH)? {
        let recorded = rig.records().remove(&one.place);
        if !items.iter().any(|item| item.place == one.place) {
            items.push(Item {
                from: one.place.clone(),
                place: one.place.clone(),
                entry: rig.source.entry(&one.place).expect("a source"),
                recorded,
                known: None,
            });
        }
    }
    items.retain(|item| !repaired.open.contains(&item.place));
    let copied = copy(
        ends,
        &rig.task,
        &mut ledger,
        &mut items.into_iter().map(Ok),
        &|_| {},
    )?;
    Ok((repaired, copied))
}

/// What must hold at any time: the good blocks are good, and a bad one is known to be.
fn must_hold(rig: &Rig, when: &str) {
    let (truth, seen) = (rig.source.files(), rig.target.files());
    let record = &rig.records()[&film()];
    assert_eq!(record.proof, Proof::Copied, "{when}");
    assert_eq!(
        record.hash,
        truth[&film()].hash,
        "{when}: what is recorded of the content has not changed"
    );
    let known = !rig.ledger().differences(BATCH).unwrap().is_empty()
        || !rig.ledger().repairs_of(BATCH, DATASET).unwrap().is_empty();
    let whole = seen[&film()].hash == truth[&film()].hash;
    assert!(
        whole || known,
        "{when}: a bad block that neither a difference nor an intent names"
    );
    if !known {
        assert_eq!(seen[&film()].entry.identity(), record.placed, "{when}");
    }
    for block in [0, 2 * BLOCK] {
        let read = |fs: &super::memfs::MemFs| Digest::of(&fs.bytes(&film(), block, 1 << 20));
        assert_eq!(
            read(&rig.target),
            read(&rig.source),
            "{when}: the block at {block}"
        );
    }
}

fn must_be_whole(rig: &Rig, when: &str) {
    let wrong = rig.unfinished(&[]);
    assert!(wrong.is_empty(), "{when}: {wrong:#?}");
    assert_eq!(rig.ledger().differences(BATCH).unwrap(), [], "{when}");
    assert_eq!(rig.ledger().repairs_of(BATCH, DATASET).unwrap(), [], "{when}");
    assert_eq!(
        rig.target.entry(&film()).unwrap().inode,
        rig.target.entry(&path("q/second")).unwrap().inode,
        "{when}"
    );
}

#[test]
fn one_bad_block_is_read_and_written_and_nothing_else() {
    for mode in [0o644, 0o444] {
        let rig = damaged(mode);
        let inode = rig.target.entry(&film()).unwrap().inode;
        let (repaired, outcome) = run(&rig, Plan::Nothing).unwrap();
        assert_eq!((repaired.amount.files, repaired.amount.bytes), (1, Bytes(BLOCK)));
        assert_eq!((outcome.copied.files, outcome.failed), (0, 0));
        must_be_whole(&rig, "a repair without faults");
        assert_eq!(rig.target.entry(&film()).unwrap().inode, inode);
        let log = rig.control.log();
        let at = |end, doing| {
            let calls = log.iter().filter(|call| call.end == end && call.doing == doing);
            calls.map(|call| call.at).collect::<Vec<u64>>()
        };
        let pieces = [0, 4 << 20, 8 << 20, 12 << 20].map(|at| BLOCK + at);
        assert_eq!(at("source", "read"), pieces);
        assert!(at("target", "read").is_empty());
        assert_eq!(at("target", "write").len(), 4);
    }
}

#[test]
fn a_crash_at_any_call_of_a_repair_breaks_no_promise() {
    for at in 1.. {
        let mut through = true;
        let hows = [Unsynced::Kept, Unsynced::Lost, Unsynced::Garbled(at)];
        for how in hows {
            let mut rig = damaged(if at % 2 == 0 { 0o444 } else { 0o644 });
            let _ = run(&rig, Plan::Crash { at });
            through &= !rig.control.crashed();
            rig.reboot(how);
            let when = format!("crash at call {at}, unsynced work {how:?}");
            must_hold(&rig, &when);
            // The recovery crashes as well, a little further each time.
            let _ = run(&rig, Plan::Crash { at: 1 + at * 7 % 23 });
            rig.reboot(how);
            must_hold(&rig, &format!("{when}, and again"));
            let (_, outcome) = run(&rig, Plan::Nothing).expect("a run without faults");
            assert_eq!(
                (outcome.copied.files, outcome.failed),
                (0, 0),
                "{when}: no crash costs more than the ranges"
            );
            must_be_whole(&rig, &when);
        }
        if through {
            return;
        }
    }
}

#[test]
fn a_fault_at_any_call_of_a_repair_breaks_no_promise() {
    let kinds = [
        FaultKind::Medium,
        FaultKind::NoSpace,
        FaultKind::Denied,
        FaultKind::Gone,
    ];
    for at in 1.. {
        let mut through = true;
        for (turn, kind) in kinds.into_iter().enumerate() {
            let mut rig = damaged(0o644);
            if turn % 2 == 1 {
                rig.target
                    .become_like(|nature| nature.durability = Durability::Unproven);
            }
            let plan = match at % 2 {
                0 => Plan::Once { at, kind },
                _ => Plan::From { at, kind },
            };
            let _ = run(&rig, plan);
            through &= rig.control.count() < at;
            let when = format!("{plan:?}");
            must_hold(&rig, &when);
            rig.reboot(Unsynced::Lost);
            must_hold(&rig, &format!("{when}, then a crash"));
            run(&rig, Plan::Nothing).expect("a run without faults");
            must_be_whole(&rig, &when);
        }
        if through {
            return;
        }
    }
}

#[test]
fn pages_given_up_by_a_failed_sync_are_written_again() {
    let mut rig = damaged(0o644);
    let once = AtomicU64::new(0);
    rig.control.hook(move |_, call| {
        let first = call.doing == "sync" && once.fetch_add(1, Ordering::SeqCst) == 0;
        first.then_some(FaultKind::Medium)
    });
    let (repaired, outcome) = run(&rig, Plan::Nothing).unwrap();
    assert_eq!((repaired.amount.files, repaired.open.len()), (0, 2));
    assert_eq!(outcome.failed, 0, "the other name waits as well");
    assert_eq!(rig.failures()[&film()], "medium");
    assert_eq!(rig.failures()[&path("q/second")], "medium");
    rig.control.unhook();
    rig.reboot(Unsynced::Kept);
    must_hold(&rig, "after a failed sync");
    run(&rig, Plan::Nothing).unwrap();
    must_be_whole(&rig, "after the next run");
}

#[test]
fn a_file_edited_after_it_was_read_back_is_a_conflict_and_kept() {
    let rig = damaged(0o644);
    rig.target.edit(&film(), 5, b"edited");
    let edited = rig.target.files();
    let (repaired, outcome) = run(&rig, Plan::Nothing).unwrap();
    assert_eq!((repaired.amount.files, outcome.conflicts), (0, 2));
    assert_eq!(rig.failures()[&film()], "conflict-edited");
    assert_eq!(rig.target.files(), edited);
}

#[test]
fn a_file_edited_at_the_last_moment_is_a_conflict_and_kept() {
    let rig = damaged(0o644);
    let target = rig.target.clone();
    let once = AtomicU64::new(0);
    rig.control.hook(move |_, call| {
        if call.doing == "reopen" && once.fetch_add(1, Ordering::SeqCst) == 0 {
            target.edit(&film(), 5, b"edited");
        }
        None
    });
    let (repaired, outcome) = run(&rig, Plan::Nothing).unwrap();
    assert_eq!((repaired.amount.files, outcome.conflicts), (0, 2));
    assert_eq!(rig.target.bytes(&film(), 5, 6), b"edited");
    assert_eq!(rig.ledger().repairs_of(BATCH, DATASET).unwrap(), []);
}

#[test]
fn a_file_edited_while_its_repair_stood_still_is_a_conflict_and_kept() {
    let mut rig = damaged(0o644);
    rig.control
        .hook(|_, call| (call.doing == "sync").then_some(FaultKind::Crash));
    assert!(run(&rig, Plan::Nothing).is_err());
    rig.control.unhook();
    rig.reboot(Unsynced::Kept);
    rig.target.edit(&film(), 5, b"edited");
    let edited = rig.target.files();
    let (repaired, outcome) = run(&rig, Plan::Nothing).unwrap();
    assert_eq!((repaired.amount.files, outcome.conflicts), (0, 2));
    assert_eq!(rig.failures()[&film()], "conflict-edited");
    assert_eq!(rig.target.files(), edited);
    assert_eq!(rig.ledger().repairs_of(BATCH, DATASET).unwrap(), []);
}

#[test]
fn a_source_that_reads_differently_now_is_noted_and_copied_whole() {
    let mut rig = damaged(0o644);
    rig.source.rot(&film(), BAD + 70_000, b"something else");
    rig.truth = Arc::new(rig.source.files());
    let (repaired, outcome) = run(&rig, Plan::Nothing).unwrap();
    assert_eq!(repaired.amount.files, 0);
    assert_eq!((outcome.copied.files, outcome.failed), (2, 0));
    assert_eq!(rig.ledger().disagreements(BATCH).unwrap(), [film()]);
    assert_eq!(rig.target.files()[&film()].hash, rig.source.files()[&film()].hash);
}

#[test]
fn a_source_that_changed_before_or_during_a_repair_is_copied_whole() {
    for during in [false, true] {
        let mut rig = damaged(0o644);
        let source = rig.source.clone();
        if during {
            let once = AtomicU64::new(0);
            rig.control.hook(move |_, call| {
                if call.end == "target" && call.doing == "write" && once.fetch_add(1, Ordering::SeqCst) == 0 {
                    source.edit(&film(), 3, b"another state");
                }
                None
            });
        } else {
            source.edit(&film(), 3, b"another state");
        }
        let (repaired, outcome) = run(&rig, Plan::Nothing).unwrap();
        assert_eq!((repaired.amount.files, outcome.failed), (0, 0), "{during}");
        assert!(outcome.copied.files > 0);
        rig.truth = Arc::new(rig.source.files());
        assert_eq!(rig.target.files()[&film()].hash, rig.truth[&film()].hash);
        assert_eq!(rig.ledger().repairs_of(BATCH, DATASET).unwrap(), []);
        assert_eq!(rig.ledger().disagreements(BATCH).unwrap(), []);
    }
}

/// The user wants other permission bits than those the film was copied with, and a verification has
/// said that it has them not. One name stands for both.
fn undressed() -> Rig {
    let rig = Rig::new();
    rig.source.put_file(&film(), Content::pattern(4, SIZE));
    rig.source.put_link(&path("q/second"), &film());
    let mut rig = rig.ready();
    rig.run(Plan::Nothing).expect("a run without faults");
    rig.task.permissions.files = Some(0o600);
    let difference = |place: &str| Difference {
        place: path(place),
        kind: "mode".into(),
        ranges: Vec::new(),
        blocking: true,
        at: Moment::from_seconds(0),
    };
    let found = [difference("p/film"), difference("q/second")];
    rig.ledger().put_differences(BATCH, &found).unwrap();
    rig
}

fn must_be_dressed(rig: &Rig, when: &str) {
    let (truth, seen, records) = (rig.source.files(), rig.target.files(), rig.records());
    for place in [film(), path("q/second")] {
        assert_eq!(seen[&place].entry.mode, 0o600, "{when}");
        assert_eq!(seen[&place].hash, truth[&place].hash, "{when}");
        assert_eq!(seen[&place].entry.identity(), records[&place].placed, "{when}");
    }
    assert_eq!(rig.ledger().differences(BATCH).unwrap(), [], "{when}");
    assert_eq!(rig.ledger().repairs_of(BATCH, DATASET).unwrap(), [], "{when}");
}

#[test]
fn other_permission_bits_are_set_in_place_and_nothing_is_copied() {
    let rig = undressed();
    let inode = rig.target.entry(&film()).unwrap().inode;
    let (repaired, copied) = run(&rig, Plan::Nothing).unwrap();
    assert_eq!((repaired.amount.files, repaired.amount.bytes), (1, Bytes(0)));
    assert_eq!(copied.copied.files, 0);
    assert_eq!(rig.target.entry(&film()).unwrap().inode, inode);
    must_be_dressed(&rig, "done");
}

#[test]
fn a_crash_at_any_call_while_bits_are_set_costs_no_copy() {
    for at in 1.. {
        let mut through = true;
        for how in [Unsynced::Kept, Unsynced::Lost, Unsynced::Garbled(at)] {
            let mut rig = undressed();
            let _ = run(&rig, Plan::Crash { at });
            through &= !rig.control.crashed();
            rig.reboot(how);
            let when = format!("crash at call {at}, unsynced work {how:?}");
            let whole = |rig: &Rig| rig.target.files()[&film()].hash == rig.source.files()[&film()].hash;
            assert!(whole(&rig), "{when}");
            let (_, copied) = run(&rig, Plan::Nothing).expect("a run without faults");
            assert_eq!((copied.copied.files, copied.failed), (0, 0), "{when}");
            must_be_dressed(&rig, &when);
        }
        if through {
            assert!(at > 3, "calls were counted");
            return;
        }
    }
}

#[test]
fn a_file_edited_while_its_bits_were_being_set_is_a_conflict_and_kept() {
    let rig = undressed();
    rig.ledger().intend_repair(BATCH, DATASET, &film(), &[]).unwrap();
    rig.target.edit(&film(), 5, b"edited");
    let before = rig.target.files()[&film()].hash;
    let (_, copied) = run(&rig, Plan::Nothing).unwrap();
    assert!(copied.failed > 0);
    assert_eq!(rig.target.files()[&film()].hash, before);
    assert_ne!(rig.target.entry(&film()).unwrap().mode, 0o600);
}
