//! Folders that get another name at the source after they were copied.

use crate::util::*;
use serde_json::Value;
use std::ffi::OsStr;
use std::os::unix::fs::MetadataExt;

/// diffutils compares two trees byte by byte (its manual, "Comparing Directories").
#[track_caller]
fn same_trees(scene: &Scene, project: &str) {
    let (from, to) = (scene.from.join(project), scene.to.join("2019").join(project));
    let words = [OsStr::new("-r"), from.as_os_str(), to.as_os_str()];
    let (same, said) = other("diff", &words, &scene.root()).expect("diff");
    assert!(same, "{said}");
}

fn moved(scene: &Scene) -> Scene2 {
    scene.small();
    scene.put("2019-lantern-fair/raw/more.bin", &noise(60_000, 9));
    scene.copied();
    scene.run("verify --all").expect(0);
    Scene2 {
        fair: inode(scene, "2019/2019-lantern-fair"),
        clip: inode(scene, "2019/2019-lantern-fair/raw/clip.bin"),
    }
}

struct Scene2 {
    fair: u64,
    clip: u64,
}

fn inode(scene: &Scene, place: &str) -> u64 {
    std::fs::symlink_metadata(scene.to.join(place))
        .unwrap_or_else(|e| panic!("{place}: {e}"))
        .ino()
}

fn rename(scene: &Scene, from: &str, to: &str) {
    std::fs::rename(scene.from.join(from), scene.from.join(to)).expect("a rename at the source");
}

/// Nothing to copy, all proven again, and nothing that the gate holds against the source.
#[track_caller]
fn at_rest(scene: &Scene, batches: &[&str]) {
    let (_, copied) = scene.json("copy 2019.1");
    assert_eq!(batch(&copied, "2019.1")["bytes_copied"], 0, "{copied}");
    let (code, verify) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{verify}");
    for name in batches {
        let (_, shut) = scene.json(&format!("release {name}"));
        let reasons = batch(&shut, name)["reasons"].as_array().expect("reasons");
        let codes: Vec<&str> = reasons
            .iter()
            .map(|r| r["code"].as_str().expect("a code"))
            .collect();
        assert_eq!(codes, ["no-second-copy", "no-restore-test"], "{name}: {shut}");
    }
    let (_, plan) = scene.json("plan");
    assert_eq!(
        (&plan["renamed"], &plan["difference"]),
        (&serde_json::json!([]), &Value::Null),
        "{plan}"
    );
}

#[test]
fn a_renamed_project_is_followed_without_a_byte_sent() {
    let scene = Scene::bare();
    let before = moved(&scene);
    rename(&scene, "2019-lantern-fair", "2019-lantern-market");
    let said = scene.run("scan").expect(0).text();
    assert!(
        said.contains("2019-lantern-fair is called 2019-lantern-market now"),
        "{said}"
    );
    // Shown, not done.
    let (code, plan) = scene.json("plan");
    assert_eq!(
        (code, &plan["renamed"][0]["followed"]),
        (1, &false.into()),
        "{plan}"
    );
    assert_eq!(names(&plan), ["2019.1", "2020.1"], "nothing is copied anew");
    assert!(scene.to.join("2019/2019-lantern-fair").exists());

    let (code, plan) = scene.json("plan --accept");
    assert_eq!(code, 0, "{plan}");
    assert_eq!(plan["renamed"][0]["followed"], true, "{plan}");
    assert_eq!(names(&plan), ["2019.1", "2020.1"]);
    assert!(
        batch(&plan, "2019.1")["projects"]
            .to_string()
            .contains("lantern-market")
    );
    assert!(!scene.to.join("2019/2019-lantern-fair").exists());
    assert_eq!(inode(&scene, "2019/2019-lantern-market"), before.fair);
    assert_eq!(
        inode(&scene, "2019/2019-lantern-market/raw/clip.bin"),
        before.clip
    );
    same_trees(&scene, "2019-lantern-market");
    // Not a byte is read again for a name: proof and manifest are those of before, under the new one.
    for file in ["proofs/2019.1.json", "manifests/2019.1.blake3"] {
        let text = std::fs::read_to_string(scene.home.join("reports").join(file)).expect("a report");
        assert!(text.contains("2019-lantern-market/raw/clip.bin"), "{text}");
        assert!(!text.contains("2019-lantern-fair/"), "{text}");
    }
    at_rest(&scene, &["2019.1", "2020.1"]);
    let (_, status) = scene.json("status");
    assert_eq!(batch(&status, "2019.1")["files"]["verified"], 4, "{status}");
    let files = scene.run("plan --files 2019.1").text();
    assert!(
        files.contains("2019-lantern-market/raw/clip.bin") && !files.contains("fair"),
        "{files}"
    );
    let events = scene.run("report --json");
    assert!(events.code < 2, "{}", events.err);

    // And once more, back again, after another scan has tidied up.
    rename(&scene, "2019-lantern-market", "2019-lantern-fair");
    scene.run("scan").expect(0);
    scene.run("plan --accept").expect(0);
    assert_eq!(inode(&scene, "2019/2019-lantern-fair"), before.fair);
    at_rest(&scene, &["2019.1"]);
}

#[test]
fn two_projects_that_change_names_are_both_followed() {
    let scene = Scene::bare();
    let before = moved(&scene);
    let play = inode(&scene, "2019/2019-river-play");
    rename(&scene, "2019-lantern-fair", "aside");
    rename(&scene, "2019-river-play", "2019-lantern-fair");
    rename(&scene, "aside", "2019-river-play");
    scene.run("scan").expect(0);
    scene.run("plan --accept").expect(0);
    assert_eq!(inode(&scene, "2019/2019-river-play"), before.fair);
    assert_eq!(inode(&scene, "2019/2019-lantern-fair"), play);
    same_trees(&scene, "2019-lantern-fair");
    same_trees(&scene, "2019-river-play");
    at_rest(&scene, &["2019.1"]);
}

#[test]
fn a_file_edited_along_with_the_rename_comes_by_a_batch_of_later_files() {
    let scene = Scene::bare();
    let before = moved(&scene);
    rename(&scene, "2019-lantern-fair", "2019-lantern-market");
    std::fs::write(
        scene.from.join("2019-lantern-market/notes.txt"),
        b"the keeper called back\n",
    )
    .unwrap();
    scene.run("scan").expect(0);
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(names(&plan), ["2019.1", "2020.1", "2019.2"], "{plan}");
    assert_eq!(batch(&plan, "2019.2")["files"], 1);
    let (_, copied) = scene.json("copy 2019.2");
    assert_eq!(batch(&copied, "2019.2")["bytes_copied"], 23, "{copied}");
    assert_eq!(inode(&scene, "2019/2019-lantern-market"), before.fair);
    same_trees(&scene, "2019-lantern-market");
    scene.run("verify 2019.2").expect(0);
    at_rest(&scene, &["2019.1", "2019.2"]);
    // The next name is followed by both batches.
    rename(&scene, "2019-lantern-market", "2019-lantern-night");
    scene.run("scan").expect(0);
    scene.run("plan --accept").expect(0);
    assert_eq!(inode(&scene, "2019/2019-lantern-night"), before.fair);
    same_trees(&scene, "2019-lantern-night");
    at_rest(&scene, &["2019.1", "2019.2"]);
}

/// Rule 2: only what is ours through and through is touched.
#[test]
fn a_folder_with_a_strangers_file_or_an_edit_is_not_followed() {
    for case in ["stranger", "edit", "missing", "taken"] {
        let scene = Scene::bare();
        moved(&scene);
        let fair = scene.to.join("2019/2019-lantern-fair");
        match case {
            "stranger" => write(&fair.join("raw/mine.txt"), b"not yours"),
            "edit" => std::fs::write(fair.join("notes.txt"), b"edited here").unwrap(),
            "missing" => std::fs::remove_file(fair.join("notes.txt")).unwrap(),
            _ => std::fs::create_dir(scene.to.join("2019/2019-lantern-market")).unwrap(),
        }
        let held = listing(&scene.to.join("2019"));
        rename(&scene, "2019-lantern-fair", "2019-lantern-market");
        scene.run("scan").expect(0);
        let (_, plan) = scene.json("plan --accept");
        assert_eq!(plan["renamed"][0]["followed"], false, "{case}: {plan}");
        let why = plan["renamed"][0]["why"].as_str().expect("why").to_string();
        let word = match case {
            "stranger" => "mine.txt at the destination is not ours",
            "edit" => "notes.txt at the destination was changed",
            "missing" => "notes.txt is missing",
            _ => "2019-lantern-market is at the destination already",
        };
        assert!(why.contains(word) && why.contains("copied anew"), "{case}: {why}");
        assert_eq!(names(&plan), ["2019.1", "2020.1", "2019.2"], "{case}");
        assert_eq!(
            listing(&scene.to.join("2019")),
            held,
            "{case}: nothing was touched"
        );
    }
}

#[test]
fn a_project_whose_year_changed_goes_to_another_dataset_and_is_copied_anew() {
    let scene = Scene::bare();
    let before = moved(&scene);
    rename(&scene, "2019-lantern-fair", "2020-lantern-fair");
    scene.run("scan").expect(0);
    scene.run("plan --set 2020-lantern-fair year=2020");
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(plan["renamed"][0]["followed"], false, "{plan}");
    let why = plan["renamed"][0]["why"].as_str().expect("why");
    assert_eq!(why, "it goes to another dataset (2020) and is copied anew");
    assert_eq!(inode(&scene, "2019/2019-lantern-fair"), before.fair);
    scene.run("copy --all").expect(0);
    assert!(scene.to.join("2020/2020-lantern-fair/notes.txt").exists());
}

/// Files and folders are other ones with the same names, sizes and times, as after a restore.
#[test]
fn a_source_with_other_inode_numbers_is_not_followed_and_that_is_said() {
    let scene = Scene::bare();
    moved(&scene);
    // GNU coreutils keeps all facts but the numbers ("cp invocation", -a).
    let words = [OsStr::new("-a"), scene.from.as_os_str(), OsStr::new("again")];
    assert!(other("cp", &words, &scene.root()).expect("cp").0);
    std::fs::rename(&scene.from, scene.root().join("kept")).unwrap();
    std::fs::rename(scene.root().join("again"), &scene.from).unwrap();
    rename(&scene, "2019-lantern-fair", "2019-lantern-market");
    scene.run("scan").expect(0);
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(plan["renamed"][0]["followed"], false, "{plan}");
    let why = plan["renamed"][0]["why"].as_str().expect("why");
    assert!(
        why.contains("inode numbers are others") && why.contains("copied anew"),
        "{why}"
    );
    assert_eq!(names(&plan), ["2019.1", "2020.1", "2019.2"]);
    scene.run("copy --all").expect(0);
    same_trees(&scene, "2019-lantern-market");
}

/// Two names change places again and again; each time the command is killed at another instant,
/// from its start to beyond its end, and run once more.
#[test]
fn a_run_killed_at_any_instant_is_gone_on_with() {
    let scene = Scene::bare();
    let mut before = moved(&scene);
    let mut play = inode(&scene, "2019/2019-river-play");
    let mut span = std::time::Duration::from_millis(400);
    for kill in 0..10u32 {
        rename(&scene, "2019-lantern-fair", "aside");
        rename(&scene, "2019-river-play", "2019-lantern-fair");
        rename(&scene, "aside", "2019-river-play");
        (before.fair, play) = (play, before.fair);
        scene.run("scan").expect(0);
        let mut child = scene
            .command(&["plan", "--accept"])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("the binary starts");
        std::thread::sleep(span * (kill + 1) / 10);
        child.kill().expect("a kill");
        child.wait().expect("an end");
        let started = std::time::Instant::now();
        // A copy goes on with what was begun too, and copies nothing.
        let (_, copied) = scene.json("copy 2019.1");
        assert_eq!(batch(&copied, "2019.1")["bytes_copied"], 0, "{copied}");
        scene.run("plan --accept").expect(0);
        span = started.elapsed().min(span);
        assert_eq!(
            inode(&scene, "2019/2019-lantern-fair"),
            before.fair,
            "kill {kill}"
        );
        assert_eq!(inode(&scene, "2019/2019-river-play"), play, "kill {kill}");
        same_trees(&scene, "2019-lantern-fair");
        same_trees(&scene, "2019-river-play");
        let names = std::fs::read_dir(scene.to.join("2019"))
            .expect("the dataset")
            .count();
        assert_eq!(names, 2, "nothing is left aside");
    }
    let (code, verify) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{verify}");
    at_rest(&scene, &["2019.1"]);
}

#[test]
fn a_folder_renamed_inside_a_project_is_followed_too() {
    let scene = Scene::bare();
    let before = moved(&scene);
    scene.put("2019-lantern-fair/raw/deep/one.bin", &noise(900, 4));
    scene.run("scan").expect(0);
    scene.run("plan --accept").expect(0);
    scene.run("copy --all").expect(0);
    scene.run("verify --all").expect(0);
    let deep = inode(&scene, "2019/2019-lantern-fair/raw/deep");
    // The project, a folder in it and one in that: each by its own step.
    rename(
        &scene,
        "2019-lantern-fair/raw/deep",
        "2019-lantern-fair/raw/depth",
    );
    rename(&scene, "2019-lantern-fair/raw", "2019-lantern-fair/takes");
    rename(&scene, "2019-lantern-fair", "2019-lantern-market");
    scene.run("scan").expect(0);
    let (code, plan) = scene.json("plan --accept");
    assert_eq!(code, 0, "{plan}");
    let followed: Vec<bool> = plan["renamed"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["followed"] == true)
        .collect();
    assert_eq!(followed, [true; 3], "{plan}");
    assert_eq!(
        names(&plan),
        ["2019.1", "2020.1", "2019.2"],
        "nothing to copy anew: {plan}"
    );
    same_trees(&scene, "2019-lantern-market");
    assert_eq!(
        inode(&scene, "2019/2019-lantern-market/takes/clip.bin"),
        before.clip
    );
    assert_eq!(inode(&scene, "2019/2019-lantern-market/takes/depth"), deep);
    at_rest(&scene, &["2019.1", "2019.2"]);
}
