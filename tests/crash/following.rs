//! Folders renamed at the destination after a rename at the source: at every call something goes
//! wrong or the machine dies, and what goes on from there ends with every file under its new name.

use super::memfs::{Content, MemFs, Plan, Seen, Unsynced, path};
use super::rig::{DATASET, Rig};
use poolward::copy::follow::{look, rename};
use poolward::ledger::{Finished, FollowRow};
use poolward::moment::Moment;
use poolward::names::RelPath;
use poolward::trouble::Trouble;
use poolward::world::FaultKind;
use std::collections::BTreeMap;

/// Two that change places, one that gets a free name, one that takes over the name this gives up.
const RENAMES: [(&str, &str); 4] = [("u/a", "u/b"), ("u/b", "u/a"), ("u/c", "u/d"), ("u/e", "u/c")];

fn copied() -> Rig {
    let rig = Rig::new();
    for (number, (from, _)) in RENAMES.iter().enumerate() {
        let words = format!("words of {from}");
        rig.source
            .put_file(&path(format!("{from}/x")), Content::bytes(words.as_bytes()));
        let deep = Content::bytes(&[number as u8; 9_000]);
        rig.source.put_file(&path(format!("{from}/deep/y")), deep);
    }
    rig.source
        .put_file(&path("u/stays/z"), Content::bytes(b"not renamed"));
    let rig = rig.ready();
    rig.run(Plan::Nothing).expect("a run without faults");
    rig
}

fn begin(rig: &Rig) -> Vec<FollowRow> {
    let mut ledger = rig.ledger();
    let rows: Vec<FollowRow> = RENAMES
        .iter()
        .enumerate()
        .map(|(number, (from, to))| {
            let ours = look(&rig.target, &ledger, DATASET, &path(from)).expect("a look");
            let ours = ours.expect("all of it is ours");
            assert_eq!(ours.amount.files, 2);
            FollowRow {
                id: 0,
                dataset: DATASET.into(),
                source: "oldbox".into(),
                keys: (path(from), path(to)),
                places: (path(from), path(to)),
                aside: format!(".poolward-c0ffee-renamed-{number}").into_bytes(),
                inode: ours.inode,
                amount: ours.amount,
            }
        })
        .collect();
    ledger.begin_follows(&rows).expect("the intents");
    rows
}

/// As a process does it that opens the ledger.
fn go_on(rig: &Rig) -> Result<(), Trouble> {
    let mut ledger = rig.ledger();
    let rows = ledger.follows()?;
    rename(&rig.target, &rows)?;
    ledger.finish_follows(&rows, &Finished::default(), Moment::from_seconds(9))
}

fn renamed(place: &RelPath) -> RelPath {
    let under = |(from, to): &(&str, &str)| Some(path(to).join_path(&place.below(&path(from))?));
    RENAMES.iter().find_map(under).unwrap_or_else(|| place.clone())
}

fn facts(files: &BTreeMap<RelPath, Seen>, name: impl Fn(&RelPath) -> RelPath) -> Vec<String> {
    let mut facts: Vec<String> = files
        .iter()
        .map(|(place, seen)| format!("{} {:?} {:?}", name(place), seen.hash, seen.entry.identity()))
        .collect();
    facts.sort();
    facts
}

#[track_caller]
fn all_new(rig: &Rig, before: &BTreeMap<RelPath, Seen>, target: &MemFs, when: &str) {
    let now = facts(&target.files(), RelPath::clone);
    assert_eq!(now, facts(before, renamed), "{when}");
    let records = rig.records();
    assert_eq!(records.len(), before.len(), "{when}");
    for (place, seen) in &target.files() {
        let record = records
            .get(place)
            .unwrap_or_else(|| panic!("{when}: no record of {place:?}"));
        assert_eq!(
            (record.placed, record.hash),
            (seen.entry.identity(), seen.hash),
            "{when}: {place:?}"
        );
    }
    assert_eq!(rig.ledger().follows().expect("the intents"), [], "{when}");
}

#[test]
fn a_cut_rename_is_gone_on_with_from_every_call() {
    for at in 1.. {
        let mut through = true;
        for (crash, how) in [
            (true, Unsynced::Lost),
            (true, Unsynced::Kept),
            (true, Unsynced::Garbled(at)),
            (false, Unsynced::Kept),
        ] {
            let mut rig = copied();
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
                first.is_ok() || !rig.ledger().follows().unwrap().is_empty(),
                "{when}"
            );
            // Whatever happened, no file is lost or altered under whichever name it stands.
            let contents = |files: BTreeMap<RelPath, Seen>| {
                let mut all: Vec<_> = files.values().map(|seen| format!("{:?}", seen.hash)).collect();
                all.sort();
                all
            };
            if rig.control.crashed() {
                rig.reboot(how);
            }
            rig.control.plan(Plan::Nothing);
            assert_eq!(contents(rig.target.files()), contents(before.clone()), "{when}");
            go_on(&rig).unwrap_or_else(|trouble| panic!("{when}: {trouble}"));
            all_new(&rig, &before, &rig.target, &when);
            all_new(&rig, &before, &rig.target.after_crash(Unsynced::Lost), &when);
        }
        if through {
            assert!(at > 20, "all calls were met: {at}");
            return;
        }
    }
}

/// Rule 2, at the last moment too.
#[test]
fn a_name_that_somebody_took_meanwhile_stops_with_a_conflict() {
    let rig = copied();
    begin(&rig);
    rig.target
        .put_file(&path("u/d/theirs"), Content::bytes(b"of another program"));
    let trouble = go_on(&rig).expect_err("a conflict");
    assert_eq!(trouble.code, "follow-conflict", "{trouble}");
    let files = rig.target.files();
    assert!(
        files.contains_key(&path("u/d/theirs")) && files.contains_key(&path("u/c/x")),
        "{files:?}"
    );
    assert_eq!(files.len(), 10);
    assert_eq!(rig.ledger().follows().expect("the intents").len(), 4);
}
