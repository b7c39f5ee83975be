//! Destinations that keep less, sources that change under large files, and things of the wrong
//! kind in the way.

use super::memfs::{Content, Plan, Unsynced, path};
use super::rig::{BATCH, DATASET, Rig};
use poolward::digest::BLOCK;
use poolward::units::Bytes;
use poolward::world::{Durability, FaultKind};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

const GIB: u64 = 1 << 30;

/// So many small files, each with two attributes.
fn tagged(files: u32) -> Rig {
    let rig = Rig::new();
    for number in 0..files {
        let at = path(format!("p/{number:03}"));
        rig.source.put_file(&at, Content::bytes(&number.to_le_bytes()));
        rig.source.alter(&at, |meta| {
            meta.xattrs.insert(b"user.one".to_vec(), b"1".to_vec());
            meta.xattrs.insert(b"user.two".to_vec(), b"2".to_vec());
        });
    }
    rig.ready()
}

#[test]
fn a_destination_that_keeps_no_time_stops_the_batch_before_anything_is_placed() {
    let mut rig = tagged(100);
    rig.target.become_like(|nature| nature.times = false);
    let stopped = rig.run(Plan::Nothing).expect_err("times are lost");
    assert_eq!(stopped.code, "facts-not-kept");
    assert!(
        stopped
            .mend
            .as_deref()
            .unwrap_or_default()
            .contains("accept = [\"time\"]"),
        "{:?}",
        stopped.mend
    );
    assert_eq!((rig.records().len(), rig.target.files().len()), (0, 0));
    assert!(rig.ledger().intents_of(BATCH, DATASET).unwrap().is_empty());
    rig.task.accept = vec!["time".into()];
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!((outcome.copied.files, outcome.losses["time"]), (100, 100));
}

#[test]
fn losses_of_a_few_files_or_not_of_the_first_ones_are_recorded_and_stop_nothing() {
    let rig = tagged(19);
    rig.target.become_like(|nature| nature.xattrs = false);
    let outcome = rig.run(Plan::Nothing).unwrap();
    // Two attributes of a file are one file.
    assert_eq!((outcome.copied.files, outcome.losses["xattr"]), (19, 19));
    assert_eq!(rig.ledger().losses(BATCH).unwrap(), [("xattr".to_string(), 19)]);
    let rig = tagged(100);
    let target = rig.target.clone();
    let dressed = AtomicU64::new(0);
    rig.control.hook(move |_, call| {
        if call.doing == "dress" && dressed.fetch_add(1, Ordering::SeqCst) == 1 {
            target.become_like(|nature| nature.xattrs = false);
        }
        None
    });
    assert_eq!(rig.run(Plan::Nothing).unwrap().copied.files, 100);
}

#[test]
fn attributes_that_no_file_keeps_stop_the_batch_as_times_do() {
    let rig = tagged(30);
    rig.target.become_like(|nature| nature.xattrs = false);
    let stopped = rig.run(Plan::Nothing).expect_err("attributes are lost");
    assert!(
        stopped
            .mend
            .as_deref()
            .unwrap_or_default()
            .contains("accept = [\"xattr\"]"),
        "{:?}",
        stopped.mend
    );
}

#[test]
fn what_was_kept_and_lost_outlives_a_crash_between_publishing_and_recording() {
    for keeps in [false, true] {
        let mut rig = tagged(1);
        rig.target.become_like(|nature| nature.xattrs = keeps);
        let seen = AtomicU64::new(0);
        rig.control.hook(move |_, call| {
            let second = call.doing == "sync all" && seen.fetch_add(1, Ordering::SeqCst) == 1;
            second.then_some(FaultKind::Crash)
        });
        assert!(rig.run(Plan::Nothing).is_err());
        rig.control.unhook();
        rig.reboot(Unsynced::Kept);
        let outcome = rig.run(Plan::Nothing).unwrap();
        assert_eq!(
            (outcome.copied.files, outcome.resumed),
            (1, Bytes(4)),
            "recovered"
        );
        let kept = rig
            .ledger()
            .attributes_at(BATCH, DATASET, &path("p/000"))
            .unwrap();
        let losses = rig.ledger().losses(BATCH).unwrap();
        assert_eq!(kept.map(|kept| kept.names.len()), keeps.then_some(2));
        assert_eq!(losses.len(), usize::from(!keeps));
        assert_eq!(outcome.losses.len(), losses.len());
    }
}

/// Changes the film at the source whenever it is read at or after `from`, `times` times.
fn busy(rig: &Rig, from: u64, times: u64, grows: bool) {
    let source = rig.source.clone();
    let done = AtomicU64::new(0);
    rig.control.hook(move |_, call| {
        let read = call.end == "source" && call.doing == "read" && call.name == b"film" && call.at >= from;
        if read && done.fetch_add(1, Ordering::SeqCst) < times {
            let size = source.entry(&path("p/film")).expect("the film").size.0;
            source.edit(&path("p/film"), if grows { size } else { 7 }, b"tick");
        }
        None
    });
}

#[test]
fn a_large_or_huge_source_that_changes_once_while_it_is_read_is_begun_anew() {
    for size in [3 * BLOCK, GIB + 2 * BLOCK] {
        let rig = Rig::new();
        rig.source.put_file(&path("p/film"), Content::pattern(4, size));
        let mut rig = rig.ready();
        busy(&rig, size - BLOCK, 1, false);
        let outcome = rig.run(Plan::Nothing).unwrap();
        assert_eq!((outcome.copied.files, outcome.failed), (1, 0));
        assert_eq!(outcome.resumed, Bytes(0));
        rig.truth = Arc::new(rig.source.files());
        let wrong = rig.unfinished(&[]);
        assert!(wrong.is_empty(), "{wrong:#?}");
    }
}

#[test]
fn a_large_source_that_goes_on_changing_or_growing_is_a_failure_in_the_end() {
    for grows in [false, true] {
        let rig = Rig::new();
        rig.source
            .put_file(&path("p/film"), Content::pattern(4, 2 * BLOCK + 10));
        rig.source.put_file(&path("p/note"), Content::bytes(b"words"));
        let rig = rig.ready();
        busy(&rig, 0, u64::MAX, grows);
        let outcome = rig.run(Plan::Nothing).unwrap();
        assert_eq!((outcome.copied.files, outcome.failed), (1, 1));
        assert_eq!(rig.failures()[&path("p/film")], "changing");
        assert_eq!(rig.target.files().len(), 1, "nothing staged is left");
        assert!(rig.ledger().intents_of(BATCH, DATASET).unwrap().is_empty());
        let staged = rig.control.log();
        let staged = staged.iter().filter(|call| call.doing == "stage");
        assert_eq!(staged.count(), 4, "three tries at the film");
    }
}

#[test]
fn a_large_source_that_shrinks_under_us_ends_soon() {
    let rig = Rig::new();
    rig.source
        .put_file(&path("p/film"), Content::pattern(4, 9 * BLOCK));
    let rig = rig.ready();
    let source = rig.source.clone();
    let once = AtomicU64::new(0);
    rig.control.hook(move |_, call| {
        if call.end == "source" && call.doing == "read" && once.fetch_add(1, Ordering::SeqCst) == 0 {
            source.cut(&path("p/film"), 100);
        }
        None
    });
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!(outcome.failed, 1);
    assert_eq!(rig.failures()[&path("p/film")], "changing");
    assert!(rig.control.clock.waited().as_secs_f64() < 10.0);
}

#[test]
fn a_folder_where_a_file_should_go_and_the_reverse_fail_that_file_alone() {
    let rig = Rig::new();
    rig.source.put_file(&path("p/file"), Content::bytes(b"words"));
    rig.source.put_file(&path("q/inner"), Content::bytes(b"words"));
    rig.source.put_file(&path("r/calm"), Content::bytes(b"words"));
    rig.target
        .put_file(&path("p/file/theirs"), Content::bytes(b"theirs"));
    rig.target.put_file(&path("q"), Content::bytes(b"theirs"));
    let rig = rig.ready();
    let outcome = rig.run(Plan::Nothing).unwrap();
    assert_eq!((outcome.copied.files, outcome.failed), (1, 2));
    assert_eq!(rig.failures()[&path("p/file")], "conflict-not-ours");
    assert_eq!(rig.failures()[&path("q/inner")], "wrong-kind");
    assert_eq!(rig.violations(&rig.target), Vec::<String>::new());
}

#[test]
fn room_is_asked_for_holes_where_they_may_be_filled() {
    for (durability, fits) in [(Durability::Local, true), (Durability::Unproven, false)] {
        let rig = Rig::new();
        rig.source.put_file(&path("p/image"), Content::bytes(b"start"));
        rig.source.cut(&path("p/image"), 100 << 20);
        let rig = rig.ready();
        rig.target.become_like(|nature| {
            nature.durability = durability;
            nature.space.free = Bytes(50 << 20);
        });
        let outcome = rig.run(Plan::Nothing);
        assert_eq!(outcome.is_ok(), fits, "{durability:?}: {outcome:?}");
        if let Err(trouble) = outcome {
            assert_eq!(trouble.code, "no-space");
            assert!(
                trouble.text.contains("100 MiB") || trouble.text.contains("105 MB"),
                "{}",
                trouble.text
            );
        }
    }
}

#[test]
fn what_is_taken_over_on_a_mount_that_promises_nothing_is_synced_first() {
    let rig = Rig::new();
    rig.source.put_file(&path("p/one"), Content::bytes(b"words"));
    let rig = rig.ready();
    rig.target
        .become_like(|nature| nature.durability = Durability::Unproven);
    // Written by another program a moment ago and nowhere near the disk yet.
    rig.target.put_file(&path("p/one"), Content::bytes(b"words"));
    assert_eq!(rig.run(Plan::Nothing).unwrap().adopted.files, 1);
    let left = rig.target.after_crash(Unsynced::Lost);
    assert_eq!(rig.violations(&left), Vec::<String>::new());
}

#[test]
fn a_mount_that_numbers_its_files_anew_makes_no_conflicts() {
    for (holds, conflicts) in [(false, 0), (true, 1)] {
        let mut rig = Rig::new();
        rig.task.placed_inodes_hold = holds;
        rig.source.put_file(&path("p/one"), Content::bytes(b"words"));
        let mut rig = rig.ready();
        rig.run(Plan::Nothing).unwrap();
        rig.target.renumber();
        rig.source.edit(&path("p/one"), 0, b"other words");
        rig.truth = Arc::new(rig.source.files());
        let outcome = rig.run(Plan::Nothing).unwrap();
        assert_eq!(outcome.conflicts, conflicts, "{holds}");
        // Edited files are told apart all the same.
        rig.target.edit(&path("p/one"), 0, b"edited there");
        rig.source.edit(&path("p/one"), 0, b"words once more");
        assert_eq!(rig.run(Plan::Nothing).unwrap().conflicts, 1);
    }
}
