//! `[[rename]]`: names that change on the way, and everything after that knows.

use crate::removing::{aside, release_all, remove};
use crate::util::*;

fn rename(scene: &Scene, from: &str, to: &str) {
    let rule = format!("[[rename]]\nfrom = '{from}'\nto = '{to}'\n[exclude]");
    scene.edit("[exclude]", &rule);
}

/// A project with names that some file systems refuse, and rules for them.
fn renamed() -> Scene {
    let scene = Scene::bare();
    scene.small();
    scene.put("2019-lantern-fair/raw:1/what?.bin", &noise(4_000, 7));
    scene.put("2019-lantern-fair/raw:1/plain.bin", &noise(500, 8));
    scene.put("2019-lantern-fair/notes:2.txt", b"two");
    scene.put("loose:1.txt", b"beside the projects");
    scene.begin();
    rename(&scene, "2019-lantern-fair/raw:1", "2019-lantern-fair/raw-1");
    rename(
        &scene,
        "2019-lantern-fair/raw:1/what?.bin",
        "2019-lantern-fair/raw:1/what.bin",
    );
    rename(
        &scene,
        "2019-lantern-fair/notes:2.txt",
        "2019-lantern-fair/notes-2.txt",
    );
    rename(&scene, "loose:1.txt", "loose-1.txt");
    rename(&scene, "2019-river-play", "2019 River play");
    scene.run("scan").expect(0);
    scene.run("plan");
    scene
}

/// Paths of files below a folder, as find(1) says them, with colons and question marks as the rules
/// change them.
fn as_renamed(root: &std::path::Path) -> Vec<String> {
    let mut found = Vec::new();
    walk(root, &mut |path, facts| {
        if facts.is_file() {
            let path = path.strip_prefix(root).unwrap().to_str().unwrap();
            let path = path.replace(':', "-").replace("what?", "what");
            found.push(path.replace("2019-river-play", "2019 River play"));
        }
    });
    found.sort();
    found
}

#[test]
fn files_folders_and_projects_land_under_their_new_names() {
    let scene = renamed();
    let before = listing(&scene.from);
    scene.run("copy --all").expect(0);
    let (code, verified) = scene.json("verify --all --twice-at-source");
    assert_eq!(code, 0, "{verified}");
    assert_eq!(listing(&scene.from), before);
    let mut there = Vec::new();
    for dataset in std::fs::read_dir(&scene.to).unwrap() {
        let dataset = dataset.unwrap();
        if !dataset.file_name().to_string_lossy().starts_with('.') {
            let root = dataset.path();
            walk(&root, &mut |path, facts| {
                if facts.is_file() {
                    let path = path.strip_prefix(&root).unwrap().to_str().unwrap();
                    there.push(path.trim_start_matches("loose-2019/").to_string());
                }
            });
        }
    }
    there.sort();
    assert_eq!(there, as_renamed(&scene.from));
    // The list is for the names that are there: coreutils' own format, read by b3sum where it is.
    let list = scene.home.join("reports/manifests/2019.1.blake3");
    if let Some((ok, said)) = other(
        "b3sum",
        &["--check".as_ref(), list.as_os_str()],
        &scene.to.join("2019"),
    ) {
        assert!(ok, "{said}");
    }
    // A second copy has nothing to do.
    let (code, again) = scene.json("copy 2019.1");
    assert_eq!(
        (code, &again["batches"][0]["files_copied"]),
        (0, &0.into()),
        "{again}"
    );
}

#[test]
fn later_files_changes_and_the_release_know_the_new_names() {
    let scene = renamed();
    scene.run("copy --all").expect(0);
    scene.run("verify --all").expect(0);
    scene.put("2019-lantern-fair/raw:1/later.bin", &noise(700, 9));
    let changed = scene.put("2019-lantern-fair/raw:1/what?.bin", &noise(4_001, 10));
    set_time(&changed, 1_570_000_000, 0);
    scene.run("scan");
    let (_, plan) = scene.json("plan --accept");
    assert!(plan.to_string().contains("2019.2"), "{plan}");
    scene.run("copy --all").expect(0);
    let there = scene.to.join("2019/2019-lantern-fair/raw-1");
    assert_eq!(std::fs::read(there.join("later.bin")).unwrap(), noise(700, 9));
    assert_eq!(std::fs::read(there.join("what.bin")).unwrap(), noise(4_001, 10));
    let verified = scene.run("verify --all");
    assert_eq!(verified.code, 0, "{}{}", verified.text(), verified.err);
    assert!(!there.join("what?.bin").exists());
}

#[test]
fn what_is_removed_at_the_source_is_what_lies_under_the_new_names() {
    let scene = renamed();
    scene.run("copy --all").expect(0);
    release_all(&scene);
    let (code, removed) = remove(&scene, "2019.1");
    assert_eq!(code, 0, "{removed}");
    assert!(!scene.from.join("2019-lantern-fair").exists());
    assert!(aside(&scene).exists());
    let (code, emptied) = remove(&scene, "2019.1");
    assert_eq!(code, 0, "{emptied}");
}

#[test]
fn two_files_are_never_given_one_name() {
    let scene = renamed();
    scene.put("2019-lantern-fair/notes-2.txt", b"here first");
    scene.run("scan");
    scene.run("plan");
    let ran = scene.run("copy 2019.1").expect(2);
    assert!(ran.err.contains("[[rename]] in 2019-lantern-fair"), "{}", ran.err);
    assert!(!scene.to.join("2019/2019-lantern-fair/notes-2.txt").exists());
}

#[test]
fn a_rename_into_another_folder_is_refused() {
    let scene = renamed();
    rename(
        &scene,
        "2019-lantern-fair/raw/clip.bin",
        "2019-lantern-fair/clip.bin",
    );
    let ran = scene.run("copy --all").expect(2);
    assert!(ran.err.contains("only the last name"), "{}", ran.err);
}
