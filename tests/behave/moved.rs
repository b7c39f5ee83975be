//! Single files, and folders with them, that lie elsewhere at the source after they were copied.

use crate::util::*;
use serde_json::Value;
use std::ffi::OsStr;
use std::os::unix::fs::{MetadataExt, PermissionsExt};

/// diffutils compares two trees byte by byte (its manual, "Comparing Directories").
#[track_caller]
fn same_trees(scene: &Scene, projects: &[&str]) {
    for project in projects {
        let (from, to) = (scene.from.join(project), scene.to.join("2019").join(project));
        let words = [OsStr::new("-r"), from.as_os_str(), to.as_os_str()];
        let (same, said) = other("diff", &words, &scene.root()).expect("diff");
        assert!(same, "{said}");
    }
}

fn inode(scene: &Scene, place: &str) -> u64 {
    std::fs::symlink_metadata(scene.to.join("2019").join(place))
        .unwrap_or_else(|e| panic!("{place}: {e}"))
        .ino()
}

fn rename(scene: &Scene, from: &str, to: &str) {
    let to = scene.from.join(to);
    std::fs::create_dir_all(to.parent().expect("a parent")).expect("folders");
    std::fs::rename(scene.from.join(from), to).expect("a rename at the source");
}

/// Two projects in one batch, more than one file each, all verified.
fn verified() -> Scene {
    let scene = Scene::bare();
    scene.small();
    for (name, size) in [("a", 4_000), ("b", 4_001), ("c", 4_002)] {
        scene.put(
            format!("2019-lantern-fair/raw/{name}.bin"),
            &noise(size, size as u64),
        );
    }
    scene.put("2019-lantern-fair/old/one.txt", b"one");
    scene.put("2019-lantern-fair/old/deep/two.txt", b"two, too");
    std::fs::create_dir(scene.from.join("2019-lantern-fair/old/empty")).unwrap();
    scene.copied();
    scene.run("verify --all").expect(0);
    scene
}

const PROJECTS: [&str; 2] = ["2019-lantern-fair", "2019-river-play"];

/// Nothing to copy, nothing to read, all proven when it is read again, nothing that the gate holds
/// against the source, and no plan that would change.
#[track_caller]
fn at_rest(scene: &Scene, batches: &[&str]) {
    let (_, status) = scene.json("status");
    for name in batches {
        let row = batch(&status, name);
        assert_eq!(
            (&row["state"], &row["flags"]),
            (&"verified".into(), &serde_json::json!([])),
            "{status}"
        );
    }
    proofs_hold(scene, batches);
    let (_, copied) = scene.json(&format!("copy {}", batches.join(" ")));
    for name in batches {
        assert_eq!(batch(&copied, name)["bytes_copied"], 0, "{copied}");
    }
    let (code, verify) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{verify}");
    for name in batches {
        assert_eq!(batch(&verify, name)["listed"], serde_json::json!([]), "{verify}");
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
        (&plan["moves"]["files"], &plan["difference"]),
        (&0.into(), &Value::Null),
        "{plan}"
    );
}

/// The manifests name what is there: coreutils' b3sum is no part of it, so the names are looked up
/// and the hashes taken by the reference library. The proofs are whole.
#[track_caller]
fn proofs_hold(scene: &Scene, batches: &[&str]) {
    for name in batches {
        let manifest = scene.home.join(format!("reports/manifests/{name}.blake3"));
        let manifest = std::fs::read_to_string(manifest).expect("a manifest");
        let dataset = scene.to.join(name.split('.').next().expect("a dataset"));
        let mut listed = 0;
        for line in manifest.lines() {
            let (hash, path) = line.split_once("  ").expect("a line");
            let content = std::fs::read(dataset.join(path)).unwrap_or_else(|e| panic!("{path}: {e}"));
            assert_eq!(blake3::hash(&content).to_string(), hash, "{path}");
            listed += 1;
        }
        let proof = scene.home.join(format!("reports/proofs/{name}.json"));
        let proof: Value = serde_json::from_slice(&std::fs::read(proof).expect("a proof")).expect("JSON");
        let files = proof["files"].as_array().expect("files");
        assert_eq!(files.len(), listed, "{proof}");
        for file in files {
            let path = file["path"].as_str().expect("a path");
            assert!(manifest.contains(path), "{path}");
        }
    }
}

#[test]
fn moved_files_are_followed_without_a_byte_sent() {
    let scene = verified();
    let clip = inode(&scene, "2019-lantern-fair/raw/clip.bin");
    let two = inode(&scene, "2019-lantern-fair/old/deep/two.txt");
    let fair = |name: &str| format!("2019-lantern-fair/{name}");
    // Another name; another folder, new and with its own mode; a ring of three; a folder with all
    // below it into another one; from one project to the other.
    rename(&scene, &fair("notes.txt"), &fair("Notes, final.txt"));
    rename(&scene, &fair("raw/clip.bin"), &fair("best/of/clip.bin"));
    let best = scene.from.join(fair("best"));
    std::fs::set_permissions(&best, std::fs::Permissions::from_mode(0o750)).unwrap();
    for (from, to) in [("a", "t"), ("b", "a"), ("c", "b"), ("t", "c")] {
        rename(
            &scene,
            &fair(&format!("raw/{from}.bin")),
            &fair(&format!("raw/{to}.bin")),
        );
    }
    rename(&scene, &fair("old"), &fair("archive/older"));
    rename(&scene, "2019-river-play/sound.bin", &fair("sound.bin"));

    let said = scene.run("scan").expect(0).text();
    assert!(
        said.contains("8 files of begun batches moved at the source: `plan --accept` renames them"),
        "{said}"
    );
    let (_, scan) = scene.json("scan");
    assert_eq!(scan["moves"]["files"], 8, "{scan}");
    // Shown, not done.
    let (code, plan) = scene.json("plan");
    assert_eq!((code, &plan["moves"]["followed"]), (1, &false.into()), "{plan}");
    assert_eq!(names(&plan), ["2019.1", "2020.1"], "nothing is copied anew");
    assert!(scene.to.join("2019/2019-lantern-fair/notes.txt").exists());

    let (code, plan) = scene.json("plan --accept");
    assert_eq!((code, &plan["moves"]["followed"]), (0, &true.into()), "{plan}");
    assert_eq!(plan["moves"]["again"], serde_json::json!([]), "{plan}");
    assert_eq!(names(&plan), ["2019.1", "2020.1"]);
    same_trees(&scene, &PROJECTS);
    assert_eq!(inode(&scene, "2019-lantern-fair/best/of/clip.bin"), clip);
    assert_eq!(inode(&scene, "2019-lantern-fair/archive/older/deep/two.txt"), two);
    let folder = |root: &std::path::Path| {
        let facts = std::fs::metadata(root.join("2019-lantern-fair/best")).expect("the new folder");
        (facts.mode(), facts.mtime(), facts.mtime_nsec())
    };
    assert_eq!(folder(&scene.from), folder(&scene.to.join("2019")));
    assert!(
        !scene.to.join("2019/2019-lantern-fair/old").exists(),
        "left empty, gone"
    );
    at_rest(&scene, &["2019.1", "2020.1"]);
    let proof = std::fs::read_to_string(scene.home.join("reports/proofs/2019.1.json")).unwrap();
    assert!(
        proof.contains("\"renamed\":\""),
        "the proof says that names have changed: {proof}"
    );
    // All of it back again.
    rename(&scene, &fair("Notes, final.txt"), &fair("notes.txt"));
    rename(&scene, &fair("archive/older"), &fair("old"));
    scene.run("scan").expect(0);
    scene.run("plan --accept").expect(0);
    same_trees(&scene, &PROJECTS);
    at_rest(&scene, &["2019.1"]);
}

#[test]
fn the_changes_of_a_scan_count_moves_in_rings_and_chains() {
    let scene = verified();
    for (from, to) in [("c", "d"), ("b", "c"), ("a", "b")] {
        rename(
            &scene,
            &format!("2019-lantern-fair/raw/{from}.bin"),
            &format!("2019-lantern-fair/raw/{to}.bin"),
        );
    }
    let (_, scan) = scene.json("scan");
    let of = |object: &Value| {
        let files = |name: &str| object[name]["files"].as_u64().expect("a count");
        (files("new"), files("changed"), files("gone"), files("moved"))
    };
    assert_eq!(of(&scan["changes"]), (0, 0, 0, 3), "{scan}");
    assert_eq!(of(batch(&scan["changes"], "2019.1")), (0, 0, 0, 3), "{scan}");
    assert_eq!(scan["changes"]["moved"]["bytes"], 12_003);
}

/// What is in doubt is a later file, as it always was; the rest is followed.
#[test]
fn what_is_in_doubt_comes_as_a_later_file_and_that_is_said() {
    let scene = verified();
    let fair = |name: &str| format!("2019-lantern-fair/{name}");
    // Edited on the way; edited at the destination; a stranger in the new place; another name of a
    // file that has two.
    rename(&scene, &fair("notes.txt"), &fair("notes-2.txt"));
    std::fs::write(scene.from.join(fair("notes-2.txt")), b"the keeper called back\n").unwrap();
    rename(&scene, &fair("raw/a.bin"), &fair("raw/a2.bin"));
    write(
        &scene.to.join("2019").join(fair("raw/a.bin")),
        b"edited at the pool",
    );
    rename(&scene, &fair("raw/b.bin"), &fair("raw/b2.bin"));
    write(
        &scene.to.join("2019").join(fair("raw/b2.bin")),
        b"of another program",
    );
    std::fs::hard_link(
        scene.from.join(fair("raw/c.bin")),
        scene.from.join(fair("raw/c1.bin")),
    )
    .unwrap();
    rename(&scene, &fair("raw/c.bin"), &fair("raw/c2.bin"));
    rename(
        &scene,
        "2019-river-play/sound.bin",
        "2019-river-play/takes/sound.bin",
    );
    scene.run("scan").expect(0);
    let held = listing(&scene.to.join("2019/2019-lantern-fair"));
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(plan["moves"]["files"], 1, "{plan}");
    let why = plan["moves"]["again"].to_string();
    for word in [
        "raw/a.bin at the destination was changed",
        "raw/b2.bin is at the destination already",
    ] {
        assert!(why.contains(word), "no {word} in {why}");
    }
    assert_eq!(
        listing(&scene.to.join("2019/2019-lantern-fair")),
        held,
        "untouched"
    );
    assert!(scene.to.join("2019/2019-river-play/takes/sound.bin").exists());
    assert!(!scene.to.join("2019/2019-river-play/sound.bin").exists());
    assert_eq!(names(&plan), ["2019.1", "2020.1", "2019.2"], "{plan}");
    let files = scene.run("plan --files 2019.2").text();
    for name in [
        "notes-2.txt",
        "raw/a2.bin",
        "raw/b2.bin",
        "raw/c2.bin",
        "raw/c1.bin",
    ] {
        assert!(files.contains(name), "no {name} in {files}");
    }
    assert!(!files.contains("sound"), "{files}");
    let (_, copied) = scene.json("copy 2019.2");
    assert!(
        copied.to_string().contains("conflict"),
        "the stranger's file: {copied}"
    );
    let here = scene.to.join("2019").join(fair("raw/b2.bin"));
    assert_eq!(std::fs::read(here).unwrap(), b"of another program");
}

#[test]
fn a_file_that_goes_to_another_batch_is_copied_there_and_that_is_said() {
    let scene = verified();
    rename(&scene, "2019-river-play/sound.bin", "2020-harvest/sound.bin");
    let said = scene.run("scan").expect(0).text();
    assert!(
        said.contains("it went to a project that its batch does not hold"),
        "{said}"
    );
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(plan["moves"]["files"], 0, "{plan}");
    scene.run("copy --all").expect(0);
    assert!(scene.to.join("2020/2020-harvest/sound.bin").exists());
    assert!(
        scene.to.join("2019/2019-river-play/sound.bin").exists(),
        "nothing is deleted"
    );
}

/// Followed files belong to the batch that brought them: one of later files as well.
#[test]
fn later_files_move_with_their_own_batch() {
    let scene = verified();
    scene.put("2019-lantern-fair/prints/poster.bin", &noise(5_000, 22));
    scene.run("scan").expect(0);
    scene.run("plan --accept").expect(0);
    scene.run("copy --all").expect(0);
    scene.run("verify --all").expect(0);
    let (poster, clip) = (
        inode(&scene, "2019-lantern-fair/prints/poster.bin"),
        inode(&scene, "2019-lantern-fair/raw/clip.bin"),
    );
    rename(
        &scene,
        "2019-lantern-fair/prints/poster.bin",
        "2019-lantern-fair/raw/clip.new",
    );
    rename(
        &scene,
        "2019-lantern-fair/raw/clip.bin",
        "2019-lantern-fair/prints/poster.bin",
    );
    rename(
        &scene,
        "2019-lantern-fair/raw/clip.new",
        "2019-lantern-fair/raw/clip.bin",
    );
    scene.run("scan").expect(0);
    let (code, plan) = scene.json("plan --accept");
    assert_eq!((code, &plan["moves"]["files"]), (0, &2.into()), "{plan}");
    assert_eq!(inode(&scene, "2019-lantern-fair/raw/clip.bin"), poster);
    assert_eq!(inode(&scene, "2019-lantern-fair/prints/poster.bin"), clip);
    same_trees(&scene, &PROJECTS);
    at_rest(&scene, &["2019.2"]);
    let (_, shut) = scene.json("release 2019.1");
    assert!(!shut.to_string().contains("at-source"), "{shut}");
}

/// A folder that could not be read this time has lost nothing: what seems gone from it may be there.
#[test]
fn files_of_a_folder_that_cannot_be_read_have_not_moved() {
    let scene = verified();
    UNPRIVILEGED.set(true);
    rename(&scene, "2019-lantern-fair/raw/a.bin", "2019-lantern-fair/a.bin");
    let raw = scene.from.join("2019-lantern-fair/raw");
    std::fs::set_permissions(&raw, std::fs::Permissions::from_mode(0o000)).unwrap();
    let (code, scan) = scene.json("scan");
    std::fs::set_permissions(&raw, std::fs::Permissions::from_mode(0o755)).unwrap();
    UNPRIVILEGED.set(false);
    assert_eq!(code, 1, "{scan}");
    assert_eq!(
        (&scan["moves"]["files"], &scan["changes"]["moved"]["files"]),
        (&0.into(), &0.into()),
        "{scan}"
    );
    assert_eq!(scan["changes"]["gone"]["files"], 0, "{scan}");
    // Read again, it has moved.
    let (_, scan) = scene.json("scan");
    assert_eq!(scan["moves"]["files"], 1, "{scan}");
}

#[test]
fn a_source_with_other_inode_numbers_is_not_followed() {
    let scene = verified();
    // GNU coreutils keeps all facts but the numbers ("cp invocation", -a).
    let words = [OsStr::new("-a"), scene.from.as_os_str(), OsStr::new("again")];
    assert!(other("cp", &words, &scene.root()).expect("cp").0);
    std::fs::rename(&scene.from, scene.root().join("kept")).unwrap();
    std::fs::rename(scene.root().join("again"), &scene.from).unwrap();
    rename(&scene, "2019-river-play/sound.bin", "2019-river-play/noise.bin");
    scene.run("scan").expect(0);
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(plan["moves"]["files"], 0, "{plan}");
    assert_eq!(names(&plan), ["2019.1", "2020.1", "2019.2"], "{plan}");
    scene.run("copy --all").expect(0);
    assert!(scene.to.join("2019/2019-river-play/noise.bin").exists());
}

/// A name that changes on the way: the file has the place already that its new name asks for, and
/// leaves it with the next one.
#[test]
fn names_that_change_on_the_way_are_followed_by_their_places() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let path = scene.home.join("move.toml");
    let mut settings = std::fs::read_to_string(&path).unwrap();
    settings
        .push_str("\n[[rename]]\nfrom = \"2019-river-play/sound.bin\"\nto = \"2019-river-play/klang.bin\"\n");
    std::fs::write(&path, settings).unwrap();
    scene.run("scan").expect(0);
    assert!(scene.run("plan").code < 2);
    scene.run("copy --all").expect(0);
    scene.run("verify --all").expect(0);
    let sound = inode(&scene, "2019-river-play/klang.bin");
    for (from, to) in [("sound", "klang"), ("klang", "other")] {
        let name = |stem: &str| format!("2019-river-play/{stem}.bin");
        rename(&scene, &name(from), &name(to));
        scene.run("scan").expect(0);
        let (code, plan) = scene.json("plan --accept");
        assert_eq!((code, &plan["moves"]["files"]), (0, &1.into()), "{plan}");
        assert_eq!(inode(&scene, &name(to)), sound);
        same_trees(&scene, &PROJECTS);
        at_rest(&scene, &["2019.1"]);
    }
}

/// What waits for a person is a folder or a plan that changes; files are followed, and what has come
/// is copied beside them.
#[test]
fn an_unattended_run_follows_files_and_takes_in_what_has_come() {
    let scene = verified();
    let sound = inode(&scene, "2019-river-play/sound.bin");
    rename(
        &scene,
        "2019-river-play/sound.bin",
        "2019-river-play/takes/sound.bin",
    );
    scene.put("2019-river-play/takes/second.bin", &noise(6_000, 31));
    scene.run("scan").expect(0);
    let ran = scene.run("run");
    assert!(ran.code < 2, "{}{}", ran.text(), ran.err);
    assert!(
        format!("{}{}", ran.text(), ran.err).contains("followed by a rename"),
        "{}{}",
        ran.text(),
        ran.err
    );
    assert_eq!(inode(&scene, "2019-river-play/takes/sound.bin"), sound);
    same_trees(&scene, &PROJECTS);
    let (_, status) = scene.json("status");
    assert_eq!(batch(&status, "2019.2")["files"]["total"], 1, "{status}");
    at_rest(&scene, &["2019.2"]);
}

/// Names go round again and again, over two folders; each time the command is killed at another
/// instant, from its start to beyond its end, and another one goes on with it.
#[test]
fn a_run_killed_at_any_instant_is_gone_on_with() {
    let scene = verified();
    let ring = ["raw/a.bin", "side/b.bin", "raw/c.bin"].map(|name| format!("2019-lantern-fair/{name}"));
    rename(&scene, "2019-lantern-fair/raw/b.bin", &ring[1]);
    scene.run("scan").expect(0);
    scene.run("plan --accept").expect(0);
    let mut at: Vec<u64> = ring.iter().map(|name| inode(&scene, name)).collect();
    let mut span = std::time::Duration::from_millis(400);
    for kill in 0..12u32 {
        rename(&scene, &ring[2], "aside");
        rename(&scene, &ring[1], &ring[2]);
        rename(&scene, &ring[0], &ring[1]);
        rename(&scene, "aside", &ring[0]);
        at.rotate_right(1);
        scene.run("scan").expect(0);
        let mut child = scene
            .command(&["plan", "--accept"])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("the binary starts");
        std::thread::sleep(span * (kill + 1) / 12);
        child.kill().expect("a kill");
        child.wait().expect("an end");
        let started = std::time::Instant::now();
        scene.run("plan --accept").expect(0);
        span = started.elapsed().min(span);
        let now: Vec<u64> = ring.iter().map(|name| inode(&scene, name)).collect();
        assert_eq!(now, at, "kill {kill}");
        same_trees(&scene, &PROJECTS);
    }
    // What a killed run had renamed is read back; the rest keeps its proof.
    let (code, verify) = scene.json("verify --all");
    assert_eq!(code, 0, "{verify}");
    at_rest(&scene, &["2019.1"]);
}
