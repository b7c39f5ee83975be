//! Single situations: leftovers named in `src/copy/mod.rs`, sources that change, edited targets.

use super::memfs::{Content, Plan, Unsynced, path};
use super::rig::{BATCH, CONFLICTS, DATASET, Rig, mixed};
use poolward::digest::Digest;
use poolward::ledger::Proof;
use poolward::units::Bytes;
use poolward::world::FaultKind;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Files of one group: two are under way at once.
const GROUP: usize = poolward::copy::GROUP_FILES / 2;

fn one_file(content: &[u8]) -> Rig {
    let rig = Rig::new();
    rig.source.put_file(&path("p/one"), Content::bytes(content));
    rig.ready()
}

/// Runs until the first call of this kind at this end, which crashes the machine.
fn crash_at(rig: &mut Rig, end: &'static str, doing: &'static str, how: Unsynced) {
    rig.control
        .hook(move |_, call| (call.end == end && call.doing == doing).then_some(FaultKind::Crash));
    let stopped = rig.run(Plan::Nothing);
    assert!(stopped.is_err() && rig.control.crashed(), "{stopped:?}");
    rig.control.unhook();
    rig.reboot(how);
}

fn calls(rig: &Rig, end: &str, doing: &str) -> usize {
    let log = rig.control.log();
    log.iter()
        .filter(|call| call.end == end && call.doing == doing)
        .count()
}

fn finishes(rig: &Rig, conflicts: &[&str]) -> poolward::copy::Outcome {
    let outcome = rig.run(Plan::Nothing).expect("a run without faults");
    let wrong = rig.unfinished(conflicts);
    assert!(wrong.is_empty(), "{wrong:#?}");
    outcome
}

#[test]
fn an_intent_without_a_staged_file_is_done_anew() {
    let mut rig = one_file(b"words");
    crash_at(&mut rig, "target", "stage", Unsynced::Kept);
    let intents = rig.ledger().intents_of(BATCH, DATASET).unwrap();
    assert_eq!((intents.len(), rig.target.files().len()), (1, 0));
    assert_eq!(finishes(&rig, &[]).copied.files, 1);
}

#[test]
fn a_staged_file_of_an_intent_is_removed_and_done_anew() {
    let mut rig = one_file(b"words");
    crash_at(&mut rig, "target", "publish", Unsynced::Kept);
    assert_eq!(rig.target.files().len(), 1);
    assert!(rig.target.files().keys().all(|at| *at != path("p/one")));
    assert_eq!(finishes(&rig, &[]).copied.files, 1);
    assert_eq!(calls(&rig, "target", "remove"), 1);
}

#[test]
fn a_target_with_the_recorded_inode_is_ours_and_read_once_more() {
    for eager in [false, true] {
        let mut rig = one_file(b"words");
        rig.eager = eager;
        // After the publish: the second sync of all.
        rig.control.hook({
            let seen = AtomicU64::new(0);
            move |_, call| {
                let sync = call.doing == "sync all" && seen.fetch_add(1, Ordering::SeqCst) == 1;
                sync.then_some(FaultKind::Crash)
            }
        });
        assert!(rig.run(Plan::Nothing).is_err());
        rig.control.unhook();
        rig.reboot(Unsynced::Kept);
        assert!(rig.records().is_empty() && rig.target.entry(&path("p/one")).is_some());
        let outcome = finishes(&rig, &[]);
        assert_eq!((outcome.copied.files, outcome.adopted.files), (1, 0));
        assert_eq!(outcome.resumed, Bytes(5));
        assert_eq!(rig.records()[&path("p/one")].proof, Proof::Copied);
        assert_eq!(calls(&rig, "source", "read"), 0);
        assert_eq!(calls(&rig, "target", "stage"), 0);
    }
}

#[test]
fn another_target_with_the_same_content_is_adopted_and_one_with_other_content_is_a_conflict() {
    for (content, conflicts) in [(b"words", &[][..]), (b"wOrds", &["p/one"][..])] {
        let rig = Rig::new();
        rig.source.put_file(&path("p/one"), Content::bytes(b"words"));
        rig.target.put_file(&path("p/one"), Content::bytes(content));
        let rig = rig.ready();
        let before = rig.target.files();
        let outcome = finishes(&rig, conflicts);
        assert_eq!(outcome.adopted.files as usize + conflicts.len(), 1);
        assert_eq!(outcome.conflicts as usize, conflicts.len());
        assert_eq!(before, rig.target.files());
    }
}

#[test]
fn a_record_without_a_target_never_comes_from_us() {
    let rig = one_file(b"words");
    finishes(&rig, &[]);
    rig.target.take_away(&path("p/one"));
    let wrong = rig.violations(&rig.target);
    assert_eq!(wrong.len(), 1, "{wrong:?}");
    assert!(wrong[0].contains("missing"));
}

#[test]
fn a_source_that_changes_once_while_it_is_read_is_tried_again() {
    let rig = one_file(b"words of the first state");
    let source = rig.source.clone();
    let once = AtomicU64::new(0);
    rig.control.hook(move |_, call| {
        if call.end == "source" && call.doing == "read" && once.fetch_add(1, Ordering::SeqCst) == 0 {
            source.edit(&path("p/one"), 0, b"W");
        }
        None
    });
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!((outcome.copied.files, outcome.failed), (1, 0));
    assert_eq!(
        rig.target.files()[&path("p/one")].hash,
        rig.source.files()[&path("p/one")].hash
    );
    let record = rig.records().remove(&path("p/one")).unwrap();
    assert_eq!(
        record.source,
        rig.source.entry(&path("p/one")).unwrap().identity()
    );
}

#[test]
fn a_source_that_goes_on_changing_is_a_failure_and_the_rest_is_copied() {
    let rig = Rig::new();
    rig.source.put_file(&path("p/busy"), Content::bytes(b"tick"));
    rig.source.put_file(&path("p/calm"), Content::bytes(b"words"));
    let rig = rig.ready();
    let source = rig.source.clone();
    rig.control.hook(move |_, call| {
        if call.doing == "read" && call.name == b"busy" {
            source.edit(&path("p/busy"), 0, b"tock");
        }
        None
    });
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!(
        (outcome.copied.files, outcome.failed, outcome.conflicts),
        (1, 1, 0)
    );
    assert_eq!(rig.failures()[&path("p/busy")], "changing");
    assert!(rig.control.clock.waited().as_secs_f64() >= 3.5);
    assert_eq!(rig.violations(&rig.target), Vec::<String>::new());
}

#[test]
fn a_source_that_grows_shrinks_or_goes_is_a_failure() {
    type Change = fn(&Rig);
    let cases: [(Change, &str); 3] = [
        (|rig| rig.source.take_away(&path("p/one")), "gone-at-source"),
        (
            |rig| {
                rig.source.take_away(&path("p/one"));
                rig.source.put_symlink(&path("p/one"), b"/etc/passwd");
            },
            "wrong-kind",
        ),
        (
            |rig| rig.source.alter(&path("p/one"), |meta| meta.mode = 0),
            "denied",
        ),
    ];
    for (change, code) in cases {
        let rig = one_file(b"words");
        change(&rig);
        let outcome = rig.run(Plan::Nothing).unwrap();
        assert_eq!((outcome.copied.files, outcome.failed), (0, 1), "{code}");
        assert_eq!(rig.failures()[&path("p/one")], code);
        assert_eq!(rig.target.files().len(), 0);
        assert!(rig.ledger().intents_of(BATCH, DATASET).unwrap().is_empty());
    }
}

#[test]
fn short_reads_are_not_the_end_of_a_file() {
    let rig = one_file(&[9; 10_000]);
    rig.source.become_like(|nature| nature.read_most = 999);
    finishes(&rig, &[]);
}

#[test]
fn an_edited_target_is_kept_and_a_conflict() {
    let rig = one_file(b"words");
    finishes(&rig, &[]);
    rig.target.edit(&path("p/one"), 0, b"W");
    let edited = rig.target.files();
    rig.source.edit(&path("p/one"), 0, b"different words");
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!((outcome.failed, outcome.conflicts), (1, 1));
    assert_eq!(rig.failures()[&path("p/one")], "conflict-edited");
    assert_eq!(rig.target.files(), edited);
}

#[test]
fn a_target_edited_at_the_last_moment_is_kept() {
    let rig = one_file(b"words");
    finishes(&rig, &[]);
    rig.source.edit(&path("p/one"), 0, b"different words");
    let target = rig.target.clone();
    rig.control.hook(move |_, call| {
        if call.end == "target" && call.doing == "sync all" {
            target.edit(&path("p/one"), 0, b"W");
        }
        None
    });
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!(outcome.conflicts, 1);
    assert_eq!(rig.failures()[&path("p/one")], "conflict-edited");
    assert_eq!(rig.target.files()[&path("p/one")].entry.size, Bytes(5));
    assert_eq!(rig.target.files().len(), 1);
}

#[test]
fn a_file_found_at_its_place_is_durable_before_it_is_recorded() {
    let rig = one_file(b"words");
    // Written by another program a moment ago and nowhere near the disk yet.
    rig.target.put_file(&path("p/one"), Content::bytes(b"words"));
    finishes(&rig, &[]);
}

#[test]
fn a_failed_sync_vouches_for_nothing_written_before_it() {
    // More than one group, so that the next is written while the first is made durable.
    for sync in 0..4 {
        let rig = Rig::new();
        for number in 0..GROUP + 40 {
            let content = Content::bytes(&number.to_le_bytes());
            rig.source.put_file(&path(format!("p/{number:05}")), content);
        }
        let rig = rig.ready();
        let seen = AtomicU64::new(0);
        let written = Arc::new(AtomicU64::new(0));
        rig.control.hook(move |_, call| {
            if call.end == "target" && call.doing == "dress" {
                written.fetch_add(1, Ordering::SeqCst);
            }
            if call.doing != "sync all" || seen.fetch_add(1, Ordering::SeqCst) != sync {
                return None;
            }
            // Until everything is written that will be.
            let all = GROUP as u64 + 40;
            for _ in 0..2_000 {
                if written.load(Ordering::SeqCst) >= all {
                    break;
                }
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
            Some(FaultKind::Medium)
        });
        let _ = rig.run(Plan::Nothing);
        rig.control.unhook();
        // The disk has what it has: nothing recorded may be missing from it, now or later.
        let lost = rig.target.after_crash(Unsynced::Kept);
        assert_eq!(rig.violations(&lost), Vec::<String>::new(), "sync {sync}");
        rig.run(Plan::Nothing).expect("a run without faults");
        let wrong = rig.unfinished(&[]);
        assert!(
            wrong.is_empty(),
            "sync {sync}: {:#?}",
            &wrong[..wrong.len().min(5)]
        );
    }
}

#[test]
fn room_that_ends_loses_no_group_that_was_written() {
    let rig = Rig::new();
    for number in 0..GROUP + 1 {
        rig.source
            .put_file(&path(format!("p/{number:05}")), Content::default());
    }
    let rig = rig.ready();
    let target = rig.target.clone();
    let asked = AtomicU64::new(0);
    rig.control.hook(move |_, call| {
        if call.doing == "space" && asked.fetch_add(1, Ordering::SeqCst) == 1 {
            target.become_like(|nature| nature.space.free = Bytes(0));
        }
        None
    });
    let stopped = rig.run(Plan::Nothing).expect_err("no room");
    assert_eq!(stopped.code, "no-space");
    assert_eq!(rig.records().len(), GROUP);
}

#[test]
fn a_link_made_in_a_later_run_renews_the_names_made_before() {
    let rig = mixed();
    let mut items = rig.outstanding();
    items.retain(|item| item.place != path("c/third"));
    rig.control.plan(Plan::Nothing);
    rig.run_items(&mut items.into_iter().map(Ok)).unwrap();
    finishes(&rig, &CONFLICTS);
}

#[test]
fn several_workers_break_no_promise_either() {
    for at in (1..).step_by(7) {
        let mut rig = mixed();
        rig.task.streams = poolward::copy::StreamLimits::fixed(3);
        let _ = rig.run(Plan::Crash { at });
        let through = !rig.control.crashed();
        rig.reboot(Unsynced::Garbled(at));
        let wrong = rig.violations(&rig.target);
        assert!(wrong.is_empty(), "{at}: {wrong:#?}");
        rig.run(Plan::Nothing).expect("a run without faults");
        let wrong = rig.unfinished(&CONFLICTS);
        assert!(wrong.is_empty(), "{at}, after the next run: {wrong:#?}");
        if through {
            return;
        }
    }
}

/// A wrong earlier read: the warning is durable before the file has its name, whatever crashes.
#[test]
fn reads_that_disagree_are_not_forgotten_in_a_crash() {
    for doing in ["publish", "sync all", "stat"] {
        let mut rig = one_file(b"words");
        rig.earlier = Some(Digest([0; 32]));
        crash_at(&mut rig, "target", doing, Unsynced::Lost);
        finishes(&rig, &[]);
        let all = rig.ledger().read_disagreements("oldbox").unwrap();
        assert!(!all.is_empty(), "{doing}");
        for one in all {
            assert_eq!((one.path, one.ranges), (path("p/one"), Vec::new()));
            assert_eq!((one.earlier, one.later), (Digest([0; 32]), Digest::of(b"words")));
            assert_eq!(one.settled_by, "later-read");
        }
    }
}

#[test]
fn a_read_that_changes_between_two_looks_is_a_change_and_no_disagreement() {
    let mut rig = one_file(b"words");
    rig.earlier = Some(Digest([0; 32]));
    let (source, opened) = (rig.source.clone(), AtomicU64::new(0));
    rig.control.hook(move |_, call| {
        // The second opening is that of the third read.
        let again = call.end == "source" && call.doing == "open";
        if again && opened.fetch_add(1, Ordering::SeqCst) == 1 {
            source.edit(&path("p/one"), 0, b"W");
        }
        None
    });
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!((outcome.copied.files, outcome.disagreed), (1, 0));
    assert_eq!(rig.records()[&path("p/one")].hash, Digest::of(b"Words"));
}
