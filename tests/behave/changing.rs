//! A source that goes on changing while it is moved.

use crate::util::*;
use serde_json::Value;
use std::ffi::OsStr;
use std::os::unix::fs::PermissionsExt;

fn codes(released: &Value, name: &str) -> Vec<String> {
    let reasons = batch(released, name)["reasons"].as_array().expect("reasons");
    let code = |r: &Value| r["code"].as_str().expect("a code").to_string();
    reasons.iter().map(code).collect()
}

/// coreutils' neighbour compares two trees byte by byte (diffutils manual, "Comparing
/// Directories").
#[track_caller]
fn same_trees(scene: &Scene, from: &str, to: &str) {
    let (from, to) = (scene.from.join(from), scene.to.join(to));
    let words = [OsStr::new("-r"), from.as_os_str(), to.as_os_str()];
    let (same, said) = other("diff", &words, &scene.root()).expect("diff");
    assert!(same, "{said}");
}

#[track_caller]
fn rescan(scene: &Scene) -> Value {
    scene.run("scan").expect(0);
    let (code, plan) = scene.json("plan --accept");
    assert!(code < 2, "{plan}");
    plan
}

#[test]
fn later_files_of_a_begun_batch_come_by_batches_of_their_own() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    let fair = scene.from.join("2019-lantern-fair");

    // One file changes, one is new, a folder comes, one file goes.
    std::fs::write(fair.join("notes.txt"), b"the keeper called back\n").unwrap();
    scene.put("2019-lantern-fair/raw/second.bin", &noise(40_000, 21));
    scene.put("2019-lantern-fair/prints/poster.bin", &noise(5_000, 22));
    std::fs::create_dir(fair.join("empty")).unwrap();
    std::fs::remove_file(scene.from.join("2019-river-play/sound.bin")).unwrap();
    let plan = rescan(&scene);
    assert_eq!(names(&plan), ["2019.1", "2020.1", "2019.2"]);
    let late = batch(&plan, "2019.2");
    assert_eq!((&late["files"], &late["bytes"]), (&3.into(), &45_023.into()));
    let files = scene.run("plan --files 2019.2").text();
    let mut files: Vec<&str> = files.split_terminator('\0').collect();
    files.sort();
    let expected = ["notes.txt", "prints/poster.bin", "raw/second.bin"];
    assert_eq!(files, expected.map(|name| format!("2019-lantern-fair/{name}")));
    let (_, status) = scene.json("status");
    assert!(
        batch(&status, "2019.1")["flags"].to_string().contains("changed"),
        "{status}"
    );

    let (_, copied) = scene.json("copy 2019.2");
    let copied = batch(&copied, "2019.2");
    assert_eq!(
        (&copied["files_copied"], &copied["files_failed"]),
        (&3.into(), &0.into()),
        "{copied}"
    );
    same_trees(&scene, "2019-lantern-fair", "2019/2019-lantern-fair");
    assert!(
        scene.to.join("2019/2019-river-play/sound.bin").exists(),
        "nothing is deleted"
    );
    // The first batch has given one place away and has nothing to bring back.
    let (_, again) = scene.json("copy 2019.1");
    assert_eq!(batch(&again, "2019.1")["files_copied"], 0, "{again}");
    let (code, verify) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{verify}");
    same_trees(&scene, "2019-lantern-fair", "2019/2019-lantern-fair");
    let (_, status) = scene.json("status");
    let files = |name: &str| {
        let files = &batch(&status, name)["files"];
        (files["total"].as_u64(), files["verified"].as_u64())
    };
    assert_eq!(files("2019.1"), (Some(2), Some(2)));
    assert_eq!(files("2019.2"), (Some(3), Some(3)));

    // A second one changes the changed file again.
    std::fs::write(fair.join("notes.txt"), b"no lighthouse this year\n").unwrap();
    let plan = rescan(&scene);
    assert_eq!(names(&plan), ["2019.1", "2020.1", "2019.2", "2019.3"]);
    assert_eq!(batch(&plan, "2019.3")["files"], 1);
    let (_, shut) = scene.json("release 2019.1");
    let shut = codes(&shut, "2019.1");
    assert!(shut.contains(&"files-elsewhere".into()), "{shut:?}");
    scene.run("copy --all").expect(0);
    let (code, verify) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{verify}");
    same_trees(&scene, "2019-lantern-fair", "2019/2019-lantern-fair");
    for name in ["2019.1", "2019.2", "2019.3"] {
        let (_, shut) = scene.json(&format!("release {name}"));
        assert_eq!(
            codes(&shut, name),
            ["no-second-copy", "no-restore-test"],
            "{name}: {shut}"
        );
    }
    // Nothing changes: nothing follows.
    assert_eq!(names(&rescan(&scene)), ["2019.1", "2020.1", "2019.2", "2019.3"]);
}

#[test]
fn a_later_file_edited_at_the_destination_is_a_conflict_and_both_stay() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let here = scene.to.join("2019/2019-lantern-fair/notes.txt");
    std::fs::write(&here, b"written at the pool\n").unwrap();
    std::fs::write(
        scene.from.join("2019-lantern-fair/notes.txt"),
        b"written at the old box\n",
    )
    .unwrap();
    rescan(&scene);
    let (code, copied) = scene.json("copy 2019.2");
    assert_eq!(code, 1);
    assert!(
        copied.to_string().contains("conflict") || copied.to_string().contains("changed after"),
        "{copied}"
    );
    assert_eq!(std::fs::read(&here).unwrap(), b"written at the pool\n");
}

#[test]
fn a_waiting_batch_takes_the_new_scan_in() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.put("2019-river-play/late.bin", &noise(800, 5));
    let plan = rescan(&scene);
    assert_eq!(names(&plan), ["2019.1", "2020.1"]);
    assert_eq!(batch(&plan, "2019.1")["files"], 4);
    scene.run("copy --all").expect(0);
    same_trees(&scene, "2019-river-play", "2019/2019-river-play");
}

#[test]
fn a_folder_that_cannot_be_read_any_more_is_unknown_and_never_gone() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    UNPRIVILEGED.set(true);
    let raw = scene.from.join("2019-lantern-fair/raw");
    std::fs::set_permissions(&raw, std::fs::Permissions::from_mode(0o000)).unwrap();
    let (code, scan) = scene.json("scan");
    let (_, plan) = scene.json("plan --accept");
    std::fs::set_permissions(&raw, std::fs::Permissions::from_mode(0o755)).unwrap();
    UNPRIVILEGED.set(false);
    assert_eq!(code, 1, "{scan}");
    assert_eq!(scan["changes"]["gone"]["files"], 0, "{scan}");
    assert!(scan["errors"].to_string().contains("raw"), "{scan}");
    assert_eq!(names(&plan), ["2019.1", "2020.1"]);
    // Read again, nothing has changed: nothing follows.
    assert_eq!(names(&rescan(&scene)), ["2019.1", "2020.1"]);
}

#[test]
fn a_source_that_is_not_mounted_stops_the_scan_and_counts_nothing_as_gone() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let aside = scene.root().join("aside");
    std::fs::rename(&scene.from, &aside).unwrap();
    std::fs::create_dir(&scene.from).unwrap();
    let ran = scene.run("scan --json").expect(3);
    assert_eq!(ran.object()["error"]["code"], "mount-changed");
    std::fs::remove_dir(&scene.from).unwrap();
    std::fs::rename(&aside, &scene.from).unwrap();
    let (_, scan) = scene.json("scan");
    assert_eq!(scan["changes"]["gone"]["files"], 0, "{scan}");
}

#[test]
fn the_class_of_inodes_is_told_from_the_first_scan_on() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    for _ in 0..2 {
        let (_, scan) = scene.json("scan");
        // Never remounted here: the numbers hold for this life of the mount, and no more is known.
        assert_eq!(scan["sources"][0]["inodes"], "session", "{scan}");
    }
}

/// Size and time are as before; the content is read again and decides.
#[test]
fn an_edit_whose_time_was_set_back_keeps_the_gate_shut() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    let photo = scene.from.join("2020-harvest/photo.bin");
    std::fs::write(&photo, noise(9_000, 77)).unwrap();
    set_time(&photo, 1_592_000_000, 5);
    let (_, shut) = scene.json("release 2020.1");
    assert!(
        codes(&shut, "2020.1").contains(&"changed-at-source".into()),
        "{shut}"
    );
}

/// A part of the source that is not there: asked about, and nothing follows from it.
#[test]
fn a_scan_that_finds_many_fewer_entries_asks_and_nothing_is_deleted() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let held = listing(&scene.to.join("2019"));
    let aside = scene.root().join("aside");
    std::fs::rename(scene.from.join("2019-lantern-fair"), &aside).unwrap();
    let said = scene.run("scan").expect(1).text();
    assert!(
        said.contains("4 entries, 8 before") && said.contains("Is all of it mounted?"),
        "{said}"
    );
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(names(&plan), ["2019.1", "2020.1"]);
    assert_eq!(listing(&scene.to.join("2019")), held);
    std::fs::rename(&aside, scene.from.join("2019-lantern-fair")).unwrap();
    scene.run("scan").expect(0);
}

#[test]
fn two_files_of_one_size_and_time_that_changed_places_come_as_later_files() {
    let scene = Scene::bare();
    scene.small();
    let one = scene.put("2019-river-play/take.bin", &noise(5_000, 51));
    let other = scene.put("2020-harvest/take.bin", &noise(5_000, 52));
    set_time(&one, 1_580_000_000, 0);
    set_time(&other, 1_580_000_000, 0);
    scene.copied();
    scene.run("verify --all").expect(0);
    // Sources are known by their inodes once these were seen twice.
    scene.run("scan");
    let aside = scene.root().join("aside");
    for (from, to) in [(&one, &aside), (&other, &one), (&aside, &other)] {
        std::fs::rename(from, to).unwrap();
    }
    scene.run("scan");
    scene.run("plan --accept");
    scene.run("copy --all").expect(0);
    let verified = scene.run("verify --all");
    assert_eq!(verified.code, 0, "{}{}", verified.text(), verified.err);
    let there = |path: &str| std::fs::read(scene.to.join(path)).unwrap();
    assert_eq!(there("2019/2019-river-play/take.bin"), noise(5_000, 52));
    assert_eq!(there("2020/2020-harvest/take.bin"), noise(5_000, 51));
}
