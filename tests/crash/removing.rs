//! Setting a project aside, bringing it back and emptying it, with the machine gone at every call:
//! whatever a crash leaves, no file is lost that was not to be removed, and the next run ends it.

use super::memfs::{Content, Plan, Seen, Unsynced, path};
use super::rig::{BATCH, DATASET, Rig};
use poolward::ledger::{Aside, AsideState, ReadBack};
use poolward::moment::Moment;
use poolward::names::RelPath;
use poolward::release::{
    CopyEnd, Ends, Going, ListedFile, ListedFolder, Piece, Settled, bring_back, clear_away, empty, set_aside,
    settle,
};
use poolward::trouble::Trouble;
use poolward::units::Bytes;
use poolward::world::ReadHow;
use std::collections::BTreeMap;

const FOLDER: &[u8] = b".aside-2027";
const HOWS: [Unsynced; 3] = [Unsynced::Kept, Unsynced::Lost, Unsynced::Garbled(7)];

/// A project of two folders with one entry that stays, a loose file, and a project of others; the
/// first two are verified at the destination.
fn scene() -> (Rig, Vec<Piece>) {
    let rig = Rig::new();
    for (at, bytes) in [
        ("p/one", "first"),
        ("p/in/two", "second"),
        ("p/in/three", "third"),
        ("loose", "l"),
    ] {
        rig.source.put_file(&path(at), Content::bytes(bytes.as_bytes()));
    }
    rig.source.put_symlink(&path("p/in/link"), b"two");
    let rig = rig.ready();
    rig.run(Plan::Nothing).expect("a copy");
    let places: Vec<ReadBack> = rig
        .records()
        .into_iter()
        .map(|(place, record)| ReadBack {
            place,
            hash: record.hash,
            how: ReadHow::Direct,
            sha256: None,
            listed: None,
        })
        .collect();
    let mut ledger = rig.ledger();
    ledger
        .mark_verified(BATCH, DATASET, &places, Moment::from_seconds(9))
        .expect("proofs");
    rig.source.become_like(|nature| nature.source = false);
    rig.source
        .put_file(&path("p/in/kept"), Content::bytes(b"on no list"));
    rig.source
        .put_file(&path("other/film"), Content::bytes(b"of others"));
    rig.source.settle();
    rig.target.settle();
    let pieces = pieces(&rig);
    (rig, pieces)
}

fn pieces(rig: &Rig) -> Vec<Piece> {
    let mut folders: BTreeMap<RelPath, ListedFolder> = BTreeMap::new();
    let mut found = Vec::new();
    for (place, record) in rig.records() {
        let (above, name) = place.split().expect("a name");
        let file = ListedFile {
            batch: BATCH,
            dataset: DATASET.into(),
            end: 0,
            proven: matches!(record.proof, poolward::ledger::Proof::Verified { .. }),
            racy: false,
            attributes: (0o644, 1000, 1000),
            record,
        };
        if above.is_root() {
            let files = BTreeMap::from([(name.to_vec(), file)]);
            let folders = vec![ListedFolder {
                files,
                ..ListedFolder::default()
            }];
            found.push(Piece {
                path: place.clone(),
                loose: true,
                folders,
            });
            continue;
        }
        let inside = above.below(&path("p")).expect("below p");
        let folder = folders.entry(inside.clone()).or_default();
        folder.inside = inside;
        folder.files.insert(name.to_vec(), file);
    }
    let top = folders.entry(RelPath::root()).or_default();
    top.folders.insert(b"in".to_vec());
    let inner = folders.entry(path("in")).or_default();
    inner
        .stays
        .insert(b"kept".to_vec(), ("special".into(), Bytes(10)));
    found.push(Piece {
        path: path("p"),
        loose: false,
        folders: folders.into_values().collect(),
    });
    found
}

fn ends<T>(rig: &Rig, work: impl FnOnce(Ends<'_>) -> T) -> T {
    let copies = [CopyEnd {
        fs: &rig.target,
        inodes_hold: true,
    }];
    work(Ends {
        source: &rig.source,
        copies: &copies,
        inodes_hold: true,
        stop: &rig.stop,
        told: &|_| {},
    })
}

fn rows(rig: &Rig) -> Vec<Aside> {
    let rows = rig.ledger().asides("oldbox").expect("rows");
    rows.into_iter().filter(|row| row.state.is_open()).collect()
}

/// Settles what is on its way, then sets everything aside that is not.
fn all_aside(rig: &Rig, pieces: &[Piece]) -> Result<(), Trouble> {
    let mut ledger = rig.ledger();
    for row in rows(rig) {
        if row.state != AsideState::Aside {
            let settled = ends(rig, |ends| settle(ends, &mut ledger, &row))?;
            assert_ne!(settled, Settled::Nowhere, "{row:?}");
        }
    }
    for piece in pieces {
        if rows(rig).iter().any(|row| row.path == piece.path) {
            continue;
        }
        let going = Going {
            source: "oldbox",
            batch: "2019.1",
            folder: FOLDER,
            now: Moment::from_seconds(10),
        };
        let met = ends(rig, |ends| set_aside(ends, &mut ledger, piece, going))?;
        assert_eq!(met, None);
    }
    Ok(())
}

fn all_back(rig: &Rig) -> Result<(), Trouble> {
    let mut ledger = rig.ledger();
    for mut row in rows(rig) {
        if row.state != AsideState::Aside {
            match ends(rig, |ends| settle(ends, &mut ledger, &row))? {
                Settled::Aside => row.state = AsideState::Aside,
                Settled::Here => continue,
                Settled::Nowhere => panic!("{row:?} is lost"),
            }
        }
        let met = ends(rig, |ends| {
            bring_back(ends, &mut ledger, &row, Moment::from_seconds(11))
        })?;
        assert_eq!(met, None);
    }
    ends(rig, |ends| clear_away(ends, &path(FOLDER))).map(|_| ())
}

fn all_empty(rig: &Rig, pieces: &[Piece]) -> Result<(), Trouble> {
    let mut ledger = rig.ledger();
    for row in rows(rig) {
        let piece = pieces
            .iter()
            .find(|piece| piece.path == row.path)
            .expect("a piece");
        let clock = &*rig.control.clock;
        let done = ends(rig, |ends| empty(ends, &mut ledger, piece, &row, clock))?;
        assert_eq!(done.surprises, []);
    }
    ends(rig, |ends| clear_away(ends, &path(FOLDER))).map(|_| ())
}

/// Every file of the source with its content, by its place when nothing is aside. Two names of one
/// file, where a rename by a second name was cut short, are one.
fn content(rig: &Rig) -> BTreeMap<RelPath, poolward::digest::Digest> {
    let back = |(at, seen): (RelPath, Seen)| (at.below(&path(FOLDER)).unwrap_or(at), seen.hash);
    rig.source.files().into_iter().map(back).collect()
}

/// Runs `work` with the machine gone at call 1, 2, 3, …, lets `after` go on, and holds what it finds
/// to `check`, for each way in which a crash treats what was not synced.
fn at_every_call(
    begin: impl Fn(&Rig, &[Piece]),
    work: impl Fn(&Rig, &[Piece]) -> Result<(), Trouble>,
    check: impl Fn(&Rig, &[Piece], u64),
) {
    for how in HOWS {
        for at in 1.. {
            let (mut rig, pieces) = scene();
            begin(&rig, &pieces);
            rig.source.settle();
            rig.control.plan(Plan::Crash { at });
            let done = work(&rig, &pieces);
            let crashed = rig.control.crashed();
            rig.source = rig.source.after_crash(how);
            rig.reboot(how);
            check(&rig, &pieces, at);
            if !crashed {
                done.expect("without a crash it goes through");
                assert!(at > 5, "some calls were made");
                break;
            }
        }
    }
}

#[test]
fn a_crash_while_projects_go_aside_loses_nothing_and_the_next_run_ends_it() {
    let (rig, _) = scene();
    let truth = content(&rig);
    at_every_call(
        |_, _| {},
        all_aside,
        |rig, pieces, at| {
            assert_eq!(content(rig), truth, "call {at}");
            all_aside(rig, pieces).expect("a second run");
            assert_eq!(content(rig), truth, "call {at}");
            let below =
                |file: &RelPath| file.below(&path(FOLDER)).is_some() || file.below(&path("other")).is_some();
            assert!(rig.source.files().keys().all(below), "call {at}");
            all_back(rig).expect("the way back");
            assert_eq!(
                rig.source.files().into_keys().collect::<Vec<_>>(),
                truth.keys().cloned().collect::<Vec<_>>()
            );
        },
    );
}

#[test]
fn a_crash_on_the_way_back_loses_nothing_and_the_next_run_ends_it() {
    let (rig, _) = scene();
    let truth = content(&rig);
    at_every_call(
        |rig, pieces| all_aside(rig, pieces).expect("aside"),
        |rig, _| all_back(rig),
        |rig, _, at| {
            assert_eq!(content(rig), truth, "call {at}");
            all_back(rig).expect("a second run");
            let found: Vec<RelPath> = rig.source.files().into_keys().collect();
            assert_eq!(found, truth.keys().cloned().collect::<Vec<_>>(), "call {at}");
            assert_eq!(rows(rig), [], "call {at}");
        },
    );
}

#[test]
fn a_crash_while_projects_are_emptied_leaves_what_stays_and_the_next_run_ends_it() {
    let (rig, _) = scene();
    let copies = rig.target.files();
    at_every_call(
        |rig, pieces| all_aside(rig, pieces).expect("aside"),
        all_empty,
        |rig, pieces, at| {
            all_empty(rig, pieces).expect("a second run");
            let found: Vec<RelPath> = rig.source.files().into_keys().collect();
            assert_eq!(
                found,
                [path(".aside-2027/p/in/kept"), path("other/film")],
                "call {at}"
            );
            assert_eq!(rig.target.files().len(), copies.len());
            assert_eq!(
                rig.ledger().removed(BATCH).expect("removed").files,
                4,
                "call {at}"
            );
            assert_eq!(rows(rig), [], "call {at}");
        },
    );
}

#[test]
fn a_fault_at_any_call_leaves_nothing_half_done() {
    use poolward::world::FaultKind;
    let (rig, _) = scene();
    let truth = content(&rig);
    for kind in [
        FaultKind::Denied,
        FaultKind::ReadOnly,
        FaultKind::Busy,
        FaultKind::Medium,
    ] {
        for at in 1.. {
            let (rig, pieces) = scene();
            rig.control.plan(Plan::Once { at, kind });
            let done = all_aside(&rig, &pieces);
            assert_eq!(content(&rig), truth, "{kind:?} at call {at}");
            if rig.control.count() < at {
                done.expect("nothing failed");
                break;
            }
            rig.control.plan(Plan::Nothing);
            all_aside(&rig, &pieces).expect("a second run");
            rig.control.plan(Plan::Once { at, kind });
            let _ = all_empty(&rig, &pieces);
            rig.control.plan(Plan::Nothing);
            all_empty(&rig, &pieces).expect("a second run");
            assert_eq!(rig.source.files().len(), 2, "{kind:?} at call {at}");
        }
    }
}

#[test]
fn without_a_rename_that_replaces_nothing_a_crash_loses_nothing_either() {
    let (rig, _) = scene();
    let truth = content(&rig);
    at_every_call(
        |rig, _| {
            rig.source
                .become_like(|nature| nature.publish = super::memfs::Publish::LinkThenUnlink)
        },
        all_aside,
        |rig, pieces, at| {
            assert_eq!(content(rig), truth, "call {at}");
            all_aside(rig, pieces).expect("a second run");
            assert_eq!(content(rig), truth, "call {at}");
        },
    );
}

/// Whoever waits for a long comparison hears of each file, and of what is read for it.
#[test]
fn every_file_compared_is_told() {
    let (rig, pieces) = scene();
    let told = std::cell::Cell::new(poolward::units::Amount::default());
    let copies = [CopyEnd {
        fs: &rig.target,
        inodes_hold: true,
    }];
    let ends = Ends {
        source: &rig.source,
        copies: &copies,
        inodes_hold: true,
        stop: &rig.stop,
        told: &|more| told.set(told.get().plus(more)),
    };
    let (mut files, mut read) = (0, Bytes::ZERO);
    for piece in &pieces {
        let at = Moment::from_seconds(10);
        let checked =
            poolward::release::check(ends, piece, &piece.path, poolward::release::Depth::Sample(at));
        read = read.plus(checked.expect("a check").reread.bytes);
        files += piece
            .folders
            .iter()
            .map(|folder| folder.files.len() as u64)
            .sum::<u64>();
    }
    assert!(files > 2 && read > Bytes::ZERO);
    assert_eq!((told.get().files, told.get().bytes), (files, read));
}

/// What a check has stopped can still be brought back: that it is being emptied is noted later.
#[test]
fn a_surprise_before_the_emptying_leaves_the_way_back_open() {
    let (rig, pieces) = scene();
    all_aside(&rig, &pieces).expect("aside");
    rig.source
        .put_file(&path(".aside-2027/p/in/late"), Content::bytes(b"one more"));
    rig.source.settle();
    let mut ledger = rig.ledger();
    let row = rows(&rig)
        .into_iter()
        .find(|row| row.path == path("p"))
        .expect("a row");
    let piece = pieces.iter().find(|piece| !piece.loose).expect("a project");
    let clock = &*rig.control.clock;
    let done = ends(&rig, |ends| empty(ends, &mut ledger, piece, &row, clock)).expect("a look");
    assert_eq!(done.surprises.len(), 1, "{done:?}");
    let state = rows(&rig)
        .into_iter()
        .find(|row| row.path == path("p"))
        .map(|row| row.state);
    assert_eq!(state, Some(AsideState::Aside));
}
