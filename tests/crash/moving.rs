//! Files moved at the destination after a move at the source: at every call something goes wrong or
//! the machine dies, and what goes on from there ends with every file at its new place.

use super::memfs::{Content, MemFs, Nature, Plan, Publish, Seen, Unsynced, path};
use super::rig::{BATCH, DATASET, Rig};
use poolward::copy::moves::{Looking, arrived, remove_emptied, rename, settle};
use poolward::digest::Digest;
use poolward::entry::EntryKind;
use poolward::ledger::{FolderRow, FolderWhat, MoveRow, MoveSet, Proof, ReadBack};
use poolward::moment::Moment;
use poolward::names::RelPath;
use poolward::trouble::Trouble;
use poolward::world::{Durability, FaultKind, ReadHow};
use std::collections::BTreeMap;

/// Two that change places, three that go round over two folders, a chain, one into a new folder, two
/// out of a folder that is left empty, a symlink.
const MOVES: [(&str, &str); 11] = [
    ("u/a", "u/b"),
    ("u/b", "u/a"),
    ("u/r1", "v/r2"),
    ("v/r2", "u/r3"),
    ("u/r3", "u/r1"),
    ("u/c1", "u/c2"),
    ("u/c2", "v/c3"),
    ("u/f", "w/deep/f"),
    ("old/x", "v/x"),
    ("old/sub/y", "u/y"),
    ("u/link", "v/link"),
];

const MADE: [&str; 2] = ["w", "w/deep"];
const EMPTIED: [&str; 2] = ["old", "old/sub"];

fn copied(publish: Publish) -> Rig {
    copied_over(publish, Durability::Local)
}

fn copied_over(publish: Publish, durability: Durability) -> Rig {
    let mut rig = Rig::new();
    rig.target = MemFs::new(
        "target",
        &rig.control,
        Nature {
            publish,
            durability,
            ..Nature::default()
        },
    );
    for (number, (from, _)) in MOVES.iter().enumerate() {
        match *from {
            "u/link" => rig.source.put_symlink(&path(from), b"../somewhere"),
            _ => {
                let words = format!("words of {from}").repeat(number + 1);
                rig.source.put_file(&path(from), Content::bytes(words.as_bytes()));
            }
        }
    }
    rig.source
        .put_file(&path("v/stays"), Content::bytes(b"not moved"));
    let rig = rig.ready();
    rig.run(Plan::Nothing).expect("a run without faults");
    // All of it is read back, so that a proof can be lost.
    let found: Vec<ReadBack> = rig
        .records()
        .into_values()
        .map(|record| ReadBack {
            place: record.place,
            hash: record.hash,
            how: ReadHow::Direct,
            sha256: None,
            listed: None,
        })
        .collect();
    let mut ledger = rig.ledger();
    ledger
        .mark_verified(BATCH, DATASET, &found, Moment::from_seconds(5))
        .expect("proofs");
    ledger
        .set_state(BATCH, "verified", Moment::from_seconds(5))
        .expect("a state");
    rig
}

fn begin(rig: &Rig) {
    let mut ledger = rig.ledger();
    let mut looking = Looking::new(&rig.target);
    let records = rig.records();
    let mut set = MoveSet {
        dataset: DATASET.into(),
        source: "oldbox".into(),
        ends: vec![(BATCH, Digest([7; 32]))],
        ..MoveSet::default()
    };
    for (from, to) in MOVES {
        let record = &records[&path(from)];
        let leaving = MOVES.iter().any(|(from, _)| *from == to);
        let seen = looking.file(record, &path(to), leaving).expect("a look");
        assert_eq!(seen, Ok(()), "{from}");
        set.files.push(MoveRow {
            id: 0,
            places: (path(from), path(to)),
            source_inode: record.source.inode,
            placed: record.placed,
        });
    }
    let folder = |what| {
        move |text: &&str| FolderRow {
            key: path(text),
            place: path(text),
            what,
        }
    };
    set.folders.extend(MADE.iter().map(folder(FolderWhat::Made)));
    set.folders
        .extend(EMPTIED.iter().map(folder(FolderWhat::Emptied)));
    ledger.begin_moves(&set).expect("the intents");
}

/// As a process does it that opens the ledger.
fn go_on(rig: &Rig) -> Result<(), Trouble> {
    let mut ledger = rig.ledger();
    for set in ledger.moves()? {
        let proven = rename(&rig.target, "c0ffee", &set.files, &set.folders)?;
        remove_emptied(&rig.target, &set.folders)?;
        settle(&rig.target, &set.folders)?;
        let arrived = arrived(&rig.target, &set.files, &proven)?;
        ledger.finish_moves(&set, &arrived, Moment::from_seconds(9))?;
    }
    Ok(())
}

fn moved(place: &RelPath) -> RelPath {
    let found = MOVES.iter().find(|(from, _)| path(from) == *place);
    found.map_or_else(|| place.clone(), |(_, to)| path(to))
}

fn contents(
    files: &BTreeMap<RelPath, Seen>,
    name: impl Fn(&RelPath) -> RelPath,
) -> BTreeMap<RelPath, Digest> {
    files
        .iter()
        .map(|(place, seen)| (name(place), seen.hash))
        .collect()
}

/// Names and contents; every record says what is there, and a proof stands only where the file was
/// as recorded when it was renamed.
#[track_caller]
fn all_new(rig: &Rig, before: &BTreeMap<RelPath, Seen>, target: &MemFs, when: &str) {
    let files = target.files();
    assert_eq!(
        contents(&files, RelPath::clone),
        contents(before, moved),
        "{when}"
    );
    let records = rig.records();
    assert_eq!(records.len(), before.len(), "{when}");
    for (place, seen) in &files {
        let record = records
            .get(place)
            .unwrap_or_else(|| panic!("{when}: no record of {place:?}"));
        assert_eq!(
            (record.placed, record.hash),
            (seen.entry.identity(), seen.hash),
            "{when}: {place:?}"
        );
        assert_eq!(seen.entry.links, 1, "{when}: {place:?}");
    }
    assert_eq!(rig.ledger().moves().expect("the intents"), [], "{when}");
    for gone in EMPTIED {
        assert!(target.entry(&path(gone)).is_none(), "{when}: {gone} is there");
    }
    for made in MADE {
        let entry = target.entry(&path(made)).expect("a made folder");
        assert_eq!(entry.kind, EntryKind::Directory);
    }
}

fn unproven(rig: &Rig) -> usize {
    let records = rig.records();
    let is_open = |proof: &Proof| !matches!(proof, Proof::Verified { .. });
    records.values().filter(|record| is_open(&record.proof)).count()
}

#[test]
fn moves_without_faults_keep_every_proof() {
    for publish in [Publish::Rename, Publish::LinkThenUnlink] {
        let rig = copied(publish);
        let before = rig.target.files();
        begin(&rig);
        go_on(&rig).expect("moves without faults");
        all_new(&rig, &before, &rig.target, "at once");
        assert_eq!(unproven(&rig), 0);
        let renames = rig.ledger().renames(BATCH).expect("a note").expect("a note");
        assert!(renames.due, "the proof has the old names");
    }
}

fn from_every_call(publish: Publish, durability: Durability, least: u64) {
    for at in 1.. {
        let mut through = true;
        for (crash, how) in [
            (true, Unsynced::Lost),
            (true, Unsynced::Kept),
            (true, Unsynced::Garbled(at)),
            (false, Unsynced::Kept),
        ] {
            let mut rig = copied_over(publish, durability);
            let before = rig.target.files();
            begin(&rig);
            rig.control.plan(match crash {
                true => Plan::Crash { at },
                false => Plan::Once {
                    at,
                    kind: FaultKind::Medium,
                },
            });
            let first = go_on(&rig);
            through &= rig.control.count() < at;
            let when = format!("call {at}, crash {crash}, {how:?}");
            assert!(
                first.is_ok() || !rig.ledger().moves().unwrap().is_empty(),
                "{when}"
            );
            if rig.control.crashed() {
                rig.reboot(how);
            }
            rig.control.plan(Plan::Nothing);
            // Whatever happened, no content is lost or altered under whichever names it stands.
            let all = |files: BTreeMap<RelPath, Seen>| {
                let of = |seen: &Seen| format!("{:?} {}", seen.hash, seen.entry.inode);
                files.values().map(of).collect::<std::collections::BTreeSet<_>>()
            };
            assert_eq!(all(rig.target.files()), all(before.clone()), "{when}");
            go_on(&rig).unwrap_or_else(|trouble| panic!("{when}: {trouble}"));
            all_new(&rig, &before, &rig.target, &when);
            all_new(&rig, &before, &rig.target.after_crash(Unsynced::Lost), &when);
        }
        if through {
            assert!(at > least, "all calls were met: {at}");
            return;
        }
    }
}

#[test]
fn a_cut_move_is_gone_on_with_from_every_call() {
    from_every_call(Publish::Rename, Durability::Local, 60);
}

#[test]
fn a_cut_move_by_second_names_is_gone_on_with_from_every_call() {
    from_every_call(Publish::LinkThenUnlink, Durability::Local, 80);
}

/// Where one sync for all does not reach the disk, every folder has its own.
#[test]
fn a_cut_move_over_a_mount_that_promises_nothing_is_gone_on_with() {
    from_every_call(Publish::Rename, Durability::Unproven, 80);
}

/// What was renamed by a run that was cut may have been edited since: it is read back again.
#[test]
fn what_was_renamed_before_a_crash_is_to_be_read_back() {
    let rig = copied(Publish::Rename);
    begin(&rig);
    let set = rig.ledger().moves().expect("the intents").remove(0);
    rename(&rig.target, "c0ffee", &set.files, &set.folders).expect("renames");
    go_on(&rig).expect("the rest");
    // All but those that stayed.
    assert_eq!(unproven(&rig), MOVES.len(), "{:?}", rig.records());
    let row = rig.ledger().batch("2019.1").expect("a row").expect("a row");
    assert_eq!(row.state, "copied", "it is verified no more");
}

/// Rule 2, at the last moment too.
#[test]
fn a_place_that_somebody_took_meanwhile_stops_with_a_conflict() {
    let rig = copied(Publish::Rename);
    begin(&rig);
    rig.target
        .put_file(&path("v/x"), Content::bytes(b"of another program"));
    let trouble = go_on(&rig).expect_err("a conflict");
    assert_eq!(trouble.code, "follow-conflict", "{trouble}");
    let files = rig.target.files();
    assert!(files.contains_key(&path("v/x")) && files.contains_key(&path("old/x")));
    assert_eq!(files.len(), MOVES.len() + 2);
    assert_eq!(rig.ledger().moves().expect("the intents").len(), 1);
}

/// An edit, a stranger in a new place, a second name, a file that is gone: each is seen beforehand.
#[test]
fn what_is_not_as_recorded_is_left_out() {
    for case in ["edited", "gone", "linked", "taken"] {
        let rig = copied(Publish::Rename);
        let record = rig.records()[&path("u/f")].clone();
        match case {
            "edited" => rig.target.edit(&path("u/f"), 0, b"W"),
            "gone" => rig.target.take_away(&path("u/f")),
            "linked" => rig.target.put_link(&path("u/second"), &path("u/f")),
            _ => rig
                .target
                .put_file(&path("w/deep/f"), Content::bytes(b"of another program")),
        }
        let mut looking = Looking::new(&rig.target);
        let seen = looking.file(&record, &path("w/deep/f"), false).expect("a look");
        let why = seen.expect_err(case);
        let word = match case {
            "edited" => "changed after it was placed",
            "gone" => "is missing",
            "linked" => "at the destination",
            _ => "is at the destination already",
        };
        assert!(why.contains(word), "{case}: {why}");
    }
}
