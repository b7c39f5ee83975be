//! Receipts that are not what they should be: refused with the reason, and the ledger is as it was.

use crate::util::{Ran, Scene, command};
use rusqlite::Connection;
use rusqlite::types::ValueRef;
use serde_json::Value;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

/// Every row of every table as text, but for what a mere look may change.
pub fn dump(scene: &Scene) -> Vec<String> {
    let db = Connection::open(scene.home.join("ledger.db")).expect("a ledger");
    let mut names = db
        .prepare("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
        .expect("tables");
    let names: Vec<String> = names
        .query_map([], |row| row.get(0))
        .expect("tables")
        .map(Result::unwrap)
        .collect();
    let mut lines = Vec::new();
    for name in names.iter().filter(|name| *name != "leases") {
        let mut rows = db.prepare(&format!("SELECT * FROM {name}")).expect("a table");
        let count = rows.column_count();
        let mut rows = rows.query([]).expect("rows");
        while let Some(row) = rows.next().expect("a row") {
            let one = |at| match row.get_ref(at).expect("a value") {
                ValueRef::Null => "-".to_string(),
                ValueRef::Integer(n) => n.to_string(),
                ValueRef::Real(n) => n.to_string(),
                ValueRef::Text(t) | ValueRef::Blob(t) => t.escape_ascii().to_string(),
            };
            let values: Vec<String> = (0..count).map(one).collect();
            lines.push(format!("{name}: {}", values.join(" | ")));
        }
    }
    lines.sort();
    lines
}

/// The waybills that a command writes, by batch and task.
#[track_caller]
pub fn waybills(scene: &Scene, words: &str) -> Vec<(String, String, PathBuf)> {
    let (code, written) = scene.json(words);
    assert_eq!(code, 0, "{written}");
    let text = |value: &Value| value.as_str().expect("text").to_string();
    let list = written["waybills"].as_array().expect("waybills").iter();
    list.map(|one| {
        (
            text(&one["batch"]),
            text(&one["task"]),
            PathBuf::from(text(&one["path"])),
        )
    })
    .collect()
}

/// Carries a waybill, with both ends by other paths; its receipt.
#[track_caller]
pub fn carry(scene: &Scene, waybill: &Path) -> PathBuf {
    let away = scene.root().join("away");
    if !away.exists() {
        std::fs::create_dir(&away).expect("a folder");
        symlink(&scene.from, away.join("export")).expect("a link");
        symlink(&scene.to, away.join("tank")).expect("a link");
    }
    let mut carry = command();
    carry.arg("carry").arg(waybill).arg("--json");
    carry.arg("--source").arg(away.join("export"));
    carry.arg("--destination").arg(away.join("tank"));
    let ran = Ran::of(carry.output().expect("the binary starts"));
    let object = ran.expect(0).object();
    PathBuf::from(object["receipt"].as_str().expect("a path"))
}

/// Absorbs receipts; the code and what is said of each.
#[track_caller]
pub fn absorb(scene: &Scene, receipts: &[PathBuf]) -> (i32, Vec<Value>) {
    let mut words = vec!["absorb", "--json"];
    words.extend(receipts.iter().map(|path| path.to_str().expect("UTF-8")));
    let ran = scene.run_words(&words);
    assert!(!ran.err.contains("panicked"), "{}", ran.err);
    let object = ran.object();
    (ran.code, object["receipts"].as_array().expect("receipts").clone())
}

/// Refuses every one of these, for the reason, with nothing changed.
#[track_caller]
pub fn all_refused(scene: &Scene, receipts: &[PathBuf], code: &str, why: &str) {
    let before = dump(scene);
    let (exit, told) = absorb(scene, receipts);
    assert_eq!((exit, told.len()), (3, receipts.len()));
    for one in &told {
        assert_eq!(one["entered"], false, "{one}");
        assert_eq!(one["error"]["code"], code, "{one}");
        let text = one["error"]["text"].as_str().expect("a text");
        assert!(text.contains(why), "no {why:?} in {text}");
        let mend = one["error"]["mend"].as_str().expect("a mend");
        assert!(mend.contains("othing of it was entered"), "{mend}");
    }
    assert_eq!(dump(scene), before, "a refused receipt has changed the ledger");
}

/// A scene whose first waybill was carried; the receipt and the waybill.
pub struct Carried {
    pub scene: Scene,
    pub waybill: PathBuf,
    pub receipt: PathBuf,
}

impl Carried {
    pub fn copy() -> Carried {
        let scene = Scene::bare();
        scene.small();
        scene.planned();
        Carried::next(scene, "waybill 2019.1 --task copy")
    }

    pub fn next(scene: Scene, words: &str) -> Carried {
        let waybill = waybills(&scene, words).remove(0).2;
        let receipt = carry(&scene, &waybill);
        Carried {
            scene,
            waybill,
            receipt,
        }
    }

    pub fn text(&self) -> String {
        String::from_utf8(std::fs::read(&self.receipt).expect("a receipt")).expect("UTF-8")
    }

    /// The key that stands in the head of the waybill: who has it can seal anything.
    pub fn key(&self) -> [u8; 32] {
        let text = std::fs::read_to_string(&self.waybill).expect("a waybill");
        let head: Value = serde_json::from_str(text.lines().next().expect("a head")).expect("JSON");
        let hex = head["waybill"]["key"].as_str().expect("a key");
        *blake3::Hash::from_hex(hex).expect("a key").as_bytes()
    }

    /// The receipt with another text, sealed anew with the key as if by an insider.
    pub fn made_up(&self, name: &str, change: impl FnOnce(String) -> String) -> PathBuf {
        let text = self.text();
        let changed = change(text.clone());
        assert_ne!(text, changed, "{name} changes nothing");
        let body = &changed[..changed.rfind("{\"seal\"").expect("a seal")];
        let seal = blake3::keyed_hash(&self.key(), body.as_bytes());
        self.file(name, format!("{body}{{\"seal\":\"{seal}\"}}\n").as_bytes())
    }

    pub fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.scene.root().join(format!("{name}.receipt"));
        std::fs::write(&path, bytes).expect("a file");
        path
    }
}

/// Cut behind each line and at odd places, one bit turned in many places, something after the end.
#[test]
fn a_damaged_receipt_is_refused_wherever_the_damage_is() {
    let carried = Carried::copy();
    let bytes = carried.text().into_bytes();
    let mut damaged = Vec::new();
    let lines = bytes.iter().enumerate().filter(|(_, byte)| **byte == b'\n');
    let ends = lines.map(|(at, _)| at + 1).filter(|end| *end < bytes.len());
    let odd = (0..bytes.len()).step_by(97);
    for end in ends.chain(odd) {
        damaged.push(carried.file(&format!("cut-{end}"), &bytes[..end]));
    }
    for at in (0..bytes.len()).step_by(31) {
        let mut turned = bytes.clone();
        turned[at] ^= 1 << (at % 8);
        damaged.push(carried.file(&format!("bit-{at}"), &turned));
    }
    damaged.push(carried.file("more", &[&bytes[..], b"{}\n"].concat()));
    damaged.push(carried.scene.root().join("not-there.receipt"));
    let before = dump(&carried.scene);
    let (exit, told) = absorb(&carried.scene, &damaged);
    assert_eq!((exit, told.len()), (3, damaged.len()));
    for one in &told {
        assert_eq!(one["entered"], false, "{one}");
        // A bit of the head may name another batch or waybill.
        let code = one["error"]["code"].as_str().expect("a code");
        assert!(matches!(code, "receipt-refused" | "waybill-unknown"), "{one}");
    }
    assert_eq!(dump(&carried.scene), before);
    let (exit, told) = absorb(&carried.scene, std::slice::from_ref(&carried.receipt));
    assert_eq!((exit, &told[0]["entered"]), (0, &Value::Bool(true)), "{told:?}");
}

/// Sealed with nothing, and with the key of another waybill.
#[test]
fn a_seal_that_was_made_without_the_waybill_is_refused() {
    let carried = Carried::copy();
    let other = waybills(&carried.scene, "waybill 2020.1 --task copy").remove(0).2;
    let other = Carried {
        waybill: other,
        receipt: carried.receipt.clone(),
        scene: carried.scene,
    };
    let text = other.text();
    let body = &text[..text.rfind("{\"seal\"").expect("a seal")];
    let plain = blake3::hash(body.as_bytes());
    let plain = other.file("plain", format!("{body}{{\"seal\":\"{plain}\"}}\n").as_bytes());
    let foreign = blake3::keyed_hash(&other.key(), body.as_bytes());
    let foreign = other.file(
        "foreign",
        format!("{body}{{\"seal\":\"{foreign}\"}}\n").as_bytes(),
    );
    all_refused(&other.scene, &[plain, foreign], "receipt-refused", "seal");
}

/// Sealed with the right key by somebody who has it: the list is what it is held against.
#[test]
fn a_well_sealed_receipt_with_hostile_paths_is_refused() {
    let carried = Carried::copy();
    let named = |name: &'static str, old: &'static str, new: &'static str| {
        carried.made_up(name, move |text| text.replacen(old, new, 1))
    };
    let name = "\"name\":\"notes.txt\"";
    let bad = [
        named("up", name, "\"name\":\"..\""),
        named("up-and-in", name, "\"name\":\"../notes.txt\""),
        named("absolute", name, "\"name\":\"/etc/passwd\""),
        named("device", name, "\"name\":\"/dev/sda\""),
        named("empty", name, "\"name\":\"\""),
        named("nul", name, "\"name\":\"notes\\u0000.txt\""),
        named("dot", name, "\"name\":\".\""),
        named(
            "folder-up",
            "{\"folder\":\"2019-lantern-fair\"}",
            "{\"folder\":\"2019-lantern-fair/..\"}",
        ),
        named(
            "folder-absolute",
            "{\"folder\":\"2019-lantern-fair\"}",
            "{\"folder\":\"/dev\"}",
        ),
        named("outside", name, "\"name\":\"notes-of-others.txt\""),
        named(
            "outside-folder",
            "{\"folder\":\"2019-river-play\"}",
            "{\"folder\":\"2020-harvest\"}",
        ),
    ];
    all_refused(&carried.scene, &bad, "receipt-refused", "");
}

#[test]
fn a_well_sealed_receipt_that_answers_twice_too_little_or_too_much_is_refused() {
    let carried = Carried::copy();
    let done = |text: &str, name: &str| {
        let lines = text.lines().map(|line| format!("{line}\n"));
        let mut lines = lines.filter(|line| line.contains(&format!("\"name\":\"{name}\"")));
        lines.next().expect("a line")
    };
    let one_less = |text: String| {
        let line = done(&text, "notes.txt");
        let answer: Value = serde_json::from_str(&line).expect("JSON");
        let total = text.lines().rev().nth(1).expect("a total").to_string();
        let mut lower: Value = serde_json::from_str(&total).expect("JSON");
        let (files, bytes) = (lower["total"]["done"].as_u64(), lower["total"]["bytes"].as_u64());
        let size = answer["done"]["size"].as_u64().expect("a size");
        lower["total"] = serde_json::json!({});
        let lower = format!(
            "{{\"total\":{{\"done\":{},\"bytes\":{},\"failed\":0,\"beside\":0}}}}",
            files.expect("files") - 1,
            bytes.expect("bytes") - size
        );
        text.replace(&line, "").replace(&total, &lower)
    };
    let beside = |line: &'static str| {
        move |text: String| {
            let text = text.replace("\"beside\":0", "\"beside\":1");
            text.replace("{\"total\"", &format!("{line}\n{{\"total\""))
        }
    };
    let bad = [
        carried.made_up("twice", |text| {
            let line = done(&text, "notes.txt");
            text.replace(&line, &format!("{line}{line}"))
        }),
        carried.made_up("left-out", one_less),
        carried.made_up("more-files", |text| text.replace("\"total\":{\"done\":3", "\"total\":{\"done\":4")),
        carried.made_up("fewer-bytes", |text| text.replace("\"bytes\":370", "\"bytes\":360")),
        carried.made_up("no-failures", |text| text.replace("\"failed\":0", "\"failed\":1")),
        carried.made_up("other-task", |text| text.replace("\"task\":\"copy\"", "\"task\":\"verify\"")),
        carried.made_up("lost-outside", beside("{\"lost\":{\"place\":\"2020-harvest/photo.bin\",\"kind\":\"owner\",\"why\":\"\"}}")),
        carried.made_up("lost-odd", beside("{\"lost\":{\"place\":\"2019-river-play/sound.bin\",\"kind\":\"heart\",\"why\":\"\"}}")),
        carried.made_up("troubled-up", beside("{\"troubled\":{\"place\":\"../../etc\",\"code\":\"denied\",\"text\":\"\"}}")),
        carried.made_up("differs", beside("{\"difference\":{\"place\":\"2019-river-play/sound.bin\",\"kind\":\"content\",\"blocking\":true}}")),
    ];
    let before = dump(&carried.scene);
    let (exit, told) = absorb(&carried.scene, &bad);
    assert_eq!(exit, 3);
    for (one, path) in told.iter().zip(&bad) {
        let code = one["error"]["code"].as_str().unwrap_or_default();
        assert!(
            matches!(code, "receipt-refused" | "waybill-unknown"),
            "{}: {one}",
            path.display()
        );
    }
    assert_eq!(dump(&carried.scene), before);
}

#[test]
fn receipts_of_other_moves_and_of_waybills_that_are_over_are_refused() {
    let carried = Carried::copy();
    let stranger = Carried::copy();
    all_refused(
        &carried.scene,
        std::slice::from_ref(&stranger.receipt),
        "receipt-refused",
        "another move",
    );
    // The bytes of the other batch under this one's name: the head says what it is.
    let (_, _, other) = waybills(&carried.scene, "waybill 2020.1").remove(0);
    let other = carry(&carried.scene, &other);
    let posed = std::fs::read_to_string(&other)
        .expect("a receipt")
        .replace("2020.1", "2019.1");
    let posed = carried.file("posed", posed.as_bytes());
    all_refused(&carried.scene, &[posed], "waybill-unknown", "not written here");
    // Taken back, and written anew: the older answer is no answer to the newer waybill.
    carried.scene.run("hold 2019.1 --off").expect(0);
    all_refused(
        &carried.scene,
        std::slice::from_ref(&carried.receipt),
        "waybill-withdrawn",
        "taken back",
    );
    let newer = waybills(&carried.scene, "waybill 2019.1").remove(0).2;
    all_refused(
        &carried.scene,
        std::slice::from_ref(&carried.receipt),
        "waybill-withdrawn",
        "taken back",
    );
    assert_ne!(newer, carried.waybill, "a later one has a name of its own");
    let newer = carry(&carried.scene, &newer);
    let (exit, told) = absorb(&carried.scene, &[newer, other]);
    assert_eq!(exit, 0, "{told:?}");
}

#[test]
fn the_same_receipt_twice_is_no_error_and_another_one_is() {
    let carried = Carried::copy();
    let later = carried.made_up("later", |text| {
        text.replace("\"machine\":\"", "\"machine\":\"other-")
    });
    let (exit, told) = absorb(
        &carried.scene,
        &[carried.receipt.clone(), carried.receipt.clone()],
    );
    assert_eq!(exit, 0, "{told:?}");
    assert_eq!(
        (&told[0]["entered"], &told[1]["entered"]),
        (&Value::Bool(true), &Value::Bool(false))
    );
    all_refused(&carried.scene, &[later], "already-absorbed", "another receipt");
    let before = dump(&carried.scene);
    assert_eq!(
        absorb(&carried.scene, std::slice::from_ref(&carried.receipt)).0,
        0
    );
    assert_eq!(dump(&carried.scene), before);
}

#[test]
fn of_several_machines_the_good_are_entered_and_nothing_of_the_bad() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let all = waybills(&scene, "waybill --all");
    assert_eq!(all.len(), 2, "{all:?}");
    let receipts: Vec<PathBuf> = all.iter().map(|(_, _, path)| carry(&scene, path)).collect();
    let mut bytes = std::fs::read(&receipts[0]).expect("a receipt");
    let at = bytes.len() / 2;
    bytes[at] ^= 4;
    let bad = scene.root().join("bad.receipt");
    std::fs::write(&bad, bytes).expect("a file");
    let before = dump(&scene);
    let (exit, told) = absorb(&scene, &[bad, receipts[1].clone()]);
    assert_eq!(exit, 3);
    assert_eq!(
        (&told[0]["entered"], &told[1]["entered"]),
        (&Value::Bool(false), &Value::Bool(true))
    );
    let of = |lines: &[String], table: &str, batch: &str| -> Vec<String> {
        let mine = lines
            .iter()
            .filter(|line| line.starts_with(&format!("{table}: {batch}")));
        mine.cloned().collect()
    };
    let after = dump(&scene);
    let state = |name: &str| -> String {
        let (_, status) = scene.json("status");
        let batches = status["batches"].as_array().expect("batches").clone();
        let one = batches
            .into_iter()
            .find(|one| one["name"] == name)
            .expect("the batch");
        one["state"].as_str().expect("a state").to_string()
    };
    assert_eq!(of(&after, "files", "1 "), of(&before, "files", "1 "));
    assert!(!of(&after, "files", "2 ").is_empty());
    assert_eq!(
        (state("2019.1").as_str(), state("2020.1").as_str()),
        ("copying", "copied")
    );
}
