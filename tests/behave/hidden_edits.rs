//! Edits that leave size and time of modification as they were: a scan notices them.

use crate::util::*;
use serde_json::{Value, json};
use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

/// Longer than the coarsest step of times in use, and than the seconds the ledger keeps.
const SETTLED: Duration = Duration::from_millis(3_100);

/// Puts other bytes of the same length into a file and its time back, as `touch -r` would.
fn edit(scene: &Scene, path: &str, content: &[u8]) {
    let path = scene.from.join(path);
    let facts = path.metadata().unwrap();
    assert_eq!(facts.len(), content.len() as u64);
    std::fs::write(&path, content).unwrap();
    let file = std::fs::File::open(&path).unwrap();
    file.set_modified(facts.modified().unwrap()).unwrap();
}

fn read_again(scan: &Value) -> &Value {
    &scan["sources"][0]["read_again"]
}

fn scan(scene: &Scene, words: &str) -> Value {
    let (code, scan) = scene.json(words);
    assert_eq!(code, 0, "{scan}");
    scan
}

#[test]
fn a_young_file_edited_behind_its_times_is_noticed_and_brought() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    edit(
        &scene,
        "2019-lantern-fair/notes.txt",
        b"call the lighthouse KEEPER\n",
    );
    let seen = scan(&scene, "scan");
    assert_eq!(
        read_again(&seen)["edited"],
        json!(["2019-lantern-fair/notes.txt"]),
        "{seen}"
    );
    assert_eq!(read_again(&seen)["disagree"], 0);
    assert_eq!(seen["changes"]["changed"], json!({"files": 1, "bytes": 27}));
    assert_eq!(seen["changes"]["batches"][0]["changed"]["files"], 1);
    // Told again, it is no news, but it is still to be brought.
    scene.run("scan").expect(0);
    let (_, plan) = scene.json("plan --accept");
    let late = plan["batches"].as_array().unwrap();
    let late = late
        .iter()
        .find(|b| b["name"] == "2019.2")
        .unwrap_or_else(|| panic!("{plan}"));
    assert_eq!((&late["files"], &late["bytes"]), (&1.into(), &27.into()));
    scene.run("copy 2019.2").expect(0);
    let copied = std::fs::read(scene.to.join("2019/2019-lantern-fair/notes.txt")).unwrap();
    assert_eq!(copied, b"call the lighthouse KEEPER\n");
    let (code, verified) = scene.json("verify --all");
    assert_eq!(code, 0, "{verified}");
    std::thread::sleep(SETTLED);
    let seen = scan(&scene, "scan");
    assert_eq!(read_again(&seen)["edited"], json!([]), "{seen}");
    assert!(read_again(&seen)["files"].as_u64() > Some(0), "{seen}");
    // What was read late enough is settled and never read again.
    let seen = scan(&scene, "scan");
    assert_eq!(read_again(&seen)["files"], 0, "{seen}");
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(plan["batches"].as_array().unwrap().len(), 3, "{plan}");
}

/// A file that has another name at the destination.
#[test]
fn an_edit_of_a_renamed_file_is_noticed_and_brought() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let path = scene.home.join("move.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let rename = "\n[[rename]]\nfrom = \"2019-river-play/sound.bin\"\nto = \"2019-river-play/tone.bin\"\n";
    std::fs::write(&path, text + rename).unwrap();
    scene.run("scan").expect(0);
    assert!(scene.run("plan").code < 2);
    scene.run("copy --all").expect(0);
    edit(&scene, "2019-river-play/sound.bin", &noise(70_000, 9));
    let seen = scan(&scene, "scan");
    assert_eq!(
        read_again(&seen)["edited"],
        json!(["2019-river-play/sound.bin"]),
        "{seen}"
    );
    scene.run("plan --accept");
    scene.run("copy 2019.2").expect(0);
    let copied = std::fs::read(scene.to.join("2019/2019-river-play/tone.bin")).unwrap();
    assert_eq!(copied, noise(70_000, 9));
}

/// The other projects are taken over from the scan before, byte for byte.
#[test]
fn a_project_that_was_not_scanned_hides_no_edit() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    edit(&scene, "2019-river-play/sound.bin", &noise(70_000, 9));
    let seen = scan(&scene, "scan 2019-lantern-fair");
    assert_eq!(
        read_again(&seen)["edited"],
        json!(["2019-river-play/sound.bin"]),
        "{seen}"
    );
    assert_eq!(seen["changes"]["changed"]["files"], 1, "{seen}");
}

/// Files that were old when they were read: their attribute time alone tells that something
/// happened. New permissions are no edit; both are read once.
#[test]
fn an_old_file_with_a_new_attribute_time_is_read_once() {
    let scene = Scene::bare();
    scene.small();
    std::thread::sleep(Duration::from_millis(2_100));
    scene.copied();
    let seen = scan(&scene, "scan");
    assert_eq!(read_again(&seen)["files"], 0, "{seen}");
    std::thread::sleep(SETTLED);
    edit(&scene, "2020-harvest/photo.bin", &noise(9_000, 8));
    let sound = scene.from.join("2019-river-play/sound.bin");
    std::fs::set_permissions(&sound, std::fs::Permissions::from_mode(0o600)).unwrap();
    let seen = scan(&scene, "scan");
    assert_eq!(
        read_again(&seen),
        &json!({"files": 2, "bytes": 79_000, "edited": ["2020-harvest/photo.bin"], "disagree": 0, "open": 0})
    );
    let text = scene.run("scan").expect(0).text();
    assert!(text.contains("1 file edited"), "{text}");
    let seen = scan(&scene, "scan");
    assert_eq!(
        read_again(&seen)["files"],
        1,
        "only what is still to be brought: {seen}"
    );
}

/// What release finds by reading is told to the plan, so that there is a way on.
#[test]
fn an_edit_that_release_meets_is_planned_without_another_scan() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify --all").expect(0);
    edit(&scene, "2020-harvest/photo.bin", &noise(9_000, 8));
    scene.run("release 2020.1").expect(1);
    let (_, plan) = scene.json("plan --accept");
    let names: Vec<&Value> = plan["batches"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| &b["name"])
        .collect();
    assert!(names.contains(&&json!("2020.2")), "{plan}");
    scene.run("copy 2020.2").expect(0);
    let copied = std::fs::read(scene.to.join("2020/2020-harvest/photo.bin")).unwrap();
    assert_eq!(copied, noise(9_000, 8));
}

/// An edit that is known comes with the file under its new name, not by a rename of the old content.
#[test]
fn a_file_edited_behind_its_times_and_then_renamed_is_brought() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("scan");
    let words = b"call the lighthouse KEEPER\n";
    edit(&scene, "2019-lantern-fair/notes.txt", words);
    scan(&scene, "scan");
    let folder = scene.from.join("2019-lantern-fair");
    std::fs::rename(folder.join("notes.txt"), folder.join("notes-2.txt")).unwrap();
    scene.run("scan");
    scene.run("plan --accept");
    scene.run("copy --all").expect(0);
    let copied = scene.to.join("2019/2019-lantern-fair/notes-2.txt");
    assert_eq!(std::fs::read(copied).unwrap(), words);
}

/// Both between two scans: whether by a rename first or not, the edit is brought in the end.
#[test]
fn a_file_edited_behind_its_times_and_renamed_before_the_next_scan_is_brought() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("scan");
    let words = b"call the lighthouse KEEPER\n";
    edit(&scene, "2019-lantern-fair/notes.txt", words);
    let folder = scene.from.join("2019-lantern-fair");
    std::fs::rename(folder.join("notes.txt"), folder.join("notes-2.txt")).unwrap();
    for _ in 0..2 {
        scene.run("scan");
        scene.run("plan --accept");
        scene.run("copy --all").expect(0);
    }
    let copied = scene.to.join("2019/2019-lantern-fair/notes-2.txt");
    assert_eq!(std::fs::read(copied).unwrap(), words);
}
