//! What `absorb` sees for itself: destinations that are away or another's, files changed since, clocks
//! that are wrong, and an end in the middle.

use crate::absorbing::*;
use crate::util::{Scene, noise, set_time};
use rusqlite::Connection;
use serde_json::Value;

#[test]
fn a_destination_that_is_not_there_stops_it_with_nothing_entered() {
    let carried = Carried::copy();
    let (to, aside) = (&carried.scene.to, carried.scene.root().join("unmounted"));
    std::fs::rename(to, &aside).expect("it goes");
    let before = dump(&carried.scene);
    let (exit, told) = absorb(&carried.scene, std::slice::from_ref(&carried.receipt));
    assert_eq!(
        (exit, &told[0]["error"]["code"]),
        (3, &Value::from("mount-missing")),
        "{told:?}"
    );
    assert_eq!(dump(&carried.scene), before);
    // An empty folder in its place is not the destination either.
    std::fs::create_dir(to).expect("a folder");
    let (exit, told) = absorb(&carried.scene, std::slice::from_ref(&carried.receipt));
    assert_eq!(
        (exit, &told[0]["error"]["code"]),
        (3, &Value::from("mount-changed")),
        "{told:?}"
    );
    assert_eq!(dump(&carried.scene), before);
    std::fs::remove_dir(to).expect("it goes");
    std::fs::rename(&aside, to).expect("it comes back");
    assert_eq!(
        absorb(&carried.scene, std::slice::from_ref(&carried.receipt)).0,
        0
    );
}

/// The receipt was true when it was written; this machine's own look says what is true now.
#[test]
fn a_file_changed_at_the_destination_after_the_carry_is_seen() {
    let carried = Carried::copy();
    let placed = carried.scene.to.join("2019/2019-lantern-fair/notes.txt");
    std::fs::write(&placed, b"call the lighthouse keepeR\n").expect("an edit");
    let gone = carried.scene.to.join("2019/2019-river-play/sound.bin");
    std::fs::remove_file(&gone).expect("a loss");
    let (exit, told) = absorb(&carried.scene, std::slice::from_ref(&carried.receipt));
    assert_eq!(exit, 1, "{told:?}");
    assert_eq!(
        (&told[0]["files_done"], &told[0]["files_failed"]),
        (&Value::from(1), &Value::from(2))
    );
    let (_, status) = carried.scene.json("status --left-behind");
    let left = status["left_behind"].as_array().expect("a list");
    let codes: Vec<&str> = left
        .iter()
        .map(|one| one["code"].as_str().expect("a code"))
        .collect();
    assert_eq!(codes, ["not-as-answered", "not-as-answered"]);
    // The next copy here brings what is missing and leaves alone what is not ours.
    carried.scene.run("copy 2019.1").expect(1);
    assert_eq!(std::fs::read(&gone).expect("it is back"), noise(70_000, 2));
    assert_eq!(
        std::fs::read(&placed).expect("it stays"),
        b"call the lighthouse keepeR\n"
    );
}

#[test]
fn a_receipt_of_another_destination_is_refused_whole() {
    let carried = Carried::copy();
    let dataset = carried.scene.to.join("2019");
    std::fs::remove_dir_all(&dataset).expect("it was never here");
    let before = dump(&carried.scene);
    let (exit, told) = absorb(&carried.scene, std::slice::from_ref(&carried.receipt));
    assert_eq!(
        (exit, &told[0]["error"]["code"]),
        (3, &Value::from("dataset-missing"))
    );
    assert!(!dataset.exists());
    assert_eq!(dump(&carried.scene), before);
    std::fs::create_dir(&dataset).expect("a folder");
    all_refused(
        &carried.scene,
        std::slice::from_ref(&carried.receipt),
        "not-as-answered",
        "none is at",
    );
}

/// A verification carried elsewhere, and edits in between of every kind that a look can see.
#[test]
fn what_changed_after_it_was_read_back_elsewhere_is_not_verified() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let carried = Carried::next(scene, "waybill 2019.1 --task verify");
    let placed = carried.scene.to.join("2019/2019-lantern-fair/notes.txt");
    std::fs::write(&placed, b"call the lighthouse keepeR\n").expect("an edit");
    let (exit, told) = absorb(&carried.scene, std::slice::from_ref(&carried.receipt));
    assert_eq!(exit, 1, "{told:?}");
    assert_eq!(told[0]["state"], "copied");
    let (_, verified) = carried.scene.json("verify 2019.1");
    let found = crate::util::kinds(&verified, "differences");
    assert!(
        found.contains(&"content 2019-lantern-fair/notes.txt".to_string()),
        "{found:?}"
    );

    // Touched alone: its owner looked at it with chmod; nothing is said for it or against it.
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let carried = Carried::next(scene, "waybill 2019.1 --task verify");
    let placed = carried.scene.to.join("2019/2019-lantern-fair/notes.txt");
    let rights = std::fs::metadata(&placed).expect("facts").permissions();
    std::fs::set_permissions(&placed, rights).expect("a new ctime");
    let (exit, told) = absorb(&carried.scene, std::slice::from_ref(&carried.receipt));
    assert_eq!((exit, &told[0]["state"]), (1, &Value::from("copied")), "{told:?}");
    let (exit, verified) = carried.scene.json("verify 2019.1");
    assert_eq!(
        (exit, &verified["batches"][0]["files_checked"]),
        (0, &Value::from(1)),
        "{verified}"
    );
}

/// Says equal of a content that was never recorded, and hides a difference behind a soft word.
#[test]
fn a_well_sealed_lie_about_a_reading_back_is_refused_or_stands() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let carried = Carried::next(scene, "waybill 2019.1 --task verify");
    let other = carried.made_up("other-content", |text| {
        let hash = blake3::hash(b"call the lighthouse keeper\n").to_string();
        text.replace(&hash, &blake3::hash(b"something else").to_string())
    });
    all_refused(&carried.scene, &[other], "receipt-refused", "another content");
    let beside = |name: &str, line: &str| {
        carried.made_up(name, |text| {
            let text = text.replace("\"beside\":0", "\"beside\":1");
            text.replace("{\"total\"", &format!("{line}\n{{\"total\""))
        })
    };
    let outside = [
        beside(
            "outside",
            "{\"difference\":{\"place\":\"2020-harvest/photo.bin\",\"kind\":\"content\",\"blocking\":true}}",
        ),
        beside(
            "above",
            "{\"difference\":{\"place\":\"../x\",\"kind\":\"content\",\"blocking\":true}}",
        ),
        beside(
            "odd",
            "{\"difference\":{\"place\":\"2019-river-play/sound.bin\",\"kind\":\"mood\",\"blocking\":true}}",
        ),
        beside(
            "loss",
            "{\"lost\":{\"place\":\"2019-river-play/sound.bin\",\"kind\":\"owner\",\"why\":\"\"}}",
        ),
    ];
    all_refused(&carried.scene, &outside, "receipt-refused", "");
    let soft = beside(
        "soft",
        "{\"difference\":{\"place\":\"2019-river-play/sound.bin\",\"kind\":\"content\",\"blocking\":false}}",
    );
    let (exit, told) = absorb(&carried.scene, &[soft]);
    assert_eq!((exit, &told[0]["state"]), (1, &Value::from("copied")), "{told:?}");
    assert_eq!(told[0]["differences"], 1);
}

/// Read from a cache, as that machine says itself: it does not count, and is read here.
#[test]
fn a_reading_back_that_does_not_count_is_done_here() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let carried = Carried::next(scene, "waybill 2019.1 --task verify");
    let cached = carried.made_up("cached", |text| {
        let how = text
            .split("\"how\":\"")
            .nth(1)
            .expect("a way")
            .split('"')
            .next()
            .expect("a way");
        text.replacen(&format!("\"how\":\"{how}\""), "\"how\":\"unknown\"", 1)
    });
    let (exit, told) = absorb(&carried.scene, &[cached]);
    assert_eq!((exit, &told[0]["state"]), (1, &Value::from("copied")), "{told:?}");
    let (exit, verified) = carried.scene.json("verify 2019.1");
    assert_eq!(
        (exit, &verified["batches"][0]["files_checked"]),
        (0, &Value::from(1)),
        "{verified}"
    );
    assert_eq!(verified["batches"][0]["state"], "verified");
}

/// Its clock is years ahead: no time that it tells is taken beyond what can be true.
#[test]
fn a_wrong_clock_of_the_other_machine_tells_no_impossible_times() {
    let carried = Carried::copy();
    let ahead = carried.made_up("ahead", |text| {
        let year = text.split("\"started\":\"").nth(1).expect("a time")[..4].to_string();
        text.replace(&format!("\"{year}-"), "\"2093-")
    });
    let (exit, told) = absorb(&carried.scene, &[ahead]);
    assert_eq!(exit, 0, "{told:?}");
    let db = Connection::open(carried.scene.home.join("ledger.db")).expect("a ledger");
    let latest: i64 = db
        .query_row("SELECT max(copied_at) FROM files", [], |row| row.get(0))
        .expect("files");
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .expect("a time");
    assert!(latest <= now.as_secs() as i64);
}

/// What the scan saw is what counts: a file edited before the other machine read it is not taken.
#[test]
fn a_list_that_changed_at_home_is_told_and_nothing_is_entered() {
    let carried = Carried::copy();
    carried.scene.edit("# names = []", "names = [\"notes.txt\"]");
    all_refused(
        &carried.scene,
        std::slice::from_ref(&carried.receipt),
        "waybill-outdated",
        "move.toml",
    );
    carried.scene.edit("names = [\"notes.txt\"]", "# names = []");
    assert_eq!(
        absorb(&carried.scene, std::slice::from_ref(&carried.receipt)).0,
        0
    );
}

/// Killed at many instants: all of a receipt is entered, or nothing.
#[test]
fn an_absorb_that_is_killed_enters_all_or_nothing() {
    let scene = Scene::bare();
    for n in 0..300 {
        let path = scene.put(format!("2019-many/{:02}/file-{n}.bin", n % 20), &noise(200, n));
        set_time(&path, 1_560_000_000, 0);
    }
    scene.planned();
    let carried = Carried::next(scene, "waybill 2019.1 --task copy");
    let mut before = dump(&carried.scene);
    before.retain(|line| !line.starts_with("ends: "));
    let mut entered = false;
    for wait in (0..).map(|n| n * 2).take(60) {
        let words = ["absorb", carried.receipt.to_str().expect("UTF-8")];
        let mut child = carried.scene.command(&words).spawn().expect("the binary starts");
        std::thread::sleep(std::time::Duration::from_millis(wait));
        let _ = child.kill();
        child.wait().expect("it ends");
        let now = dump(&carried.scene);
        let files = now.iter().filter(|line| line.starts_with("files: ")).count();
        let answered = now
            .iter()
            .any(|line| line.starts_with("waybills: ") && line.contains("absorbed"));
        assert!(files == 0 || files == 300, "{files} of 300 after {wait} ms");
        assert_eq!(answered, files == 300);
        if files == 0 {
            // The folder at the destination may be known by now.
            let rest: Vec<String> = now
                .into_iter()
                .filter(|line| !line.starts_with("ends: "))
                .collect();
            assert_eq!(rest, before);
        } else {
            entered = true;
            break;
        }
    }
    let (exit, told) = absorb(&carried.scene, std::slice::from_ref(&carried.receipt));
    assert_eq!(
        (exit, &told[0]["entered"]),
        (0, &Value::Bool(!entered)),
        "{told:?}"
    );
    assert_eq!(told[0]["state"], "copied");
}
