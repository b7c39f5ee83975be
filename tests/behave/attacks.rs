//! Attacks on a source between the release and the removal: each is met before anything is
//! touched, and what lies outside the batch is as it was.

use crate::removing::{aside, reasons, released, remove, surprises};
use crate::util::*;
use serde_json::Value;
use std::os::unix::fs::{MetadataExt, symlink};
use std::path::{Path, PathBuf};

const CLIP: &str = "2019-lantern-fair/raw/clip.bin";

/// A released move, and a folder outside it that holds the same as the project.
fn scene() -> (Scene, PathBuf) {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    let outside = scene.root().join("outside");
    write(&outside.join("lantern/raw/clip.bin"), &noise(300_000, 1));
    write(
        &outside.join("lantern/notes.txt"),
        b"call the lighthouse keeper\n",
    );
    (scene, outside)
}

fn codes(answer: &Value) -> Vec<String> {
    let mut codes = match answer.get("error") {
        Some(error) => vec![error["code"].as_str().expect("a code").to_string()],
        None => [reasons(answer), surprises(answer)].concat(),
    };
    codes.dedup();
    codes
}

/// Puts another file of the same size and time in the place of one.
fn replace(path: &Path, content: &[u8]) {
    let old = path.metadata().expect("a file");
    let beside = path.with_extension("new");
    std::fs::write(&beside, content).expect("a file");
    set_time(&beside, old.mtime() as u64, old.mtime_nsec() as u32);
    std::fs::rename(&beside, path).expect("a rename");
}

type Attack = (&'static str, fn(&Path, &Scene, &Path), &'static str);

/// Each on the folder in which the projects lie; with the code that names it.
const ATTACKS: [Attack; 11] = [
    (
        "a symlink to an equal file in the place of a file",
        |at, _, outside| {
            std::fs::remove_file(at.join(CLIP)).expect("the clip");
            symlink(outside.join("lantern/raw/clip.bin"), at.join(CLIP)).expect("a link");
        },
        "changed-at-source",
    ),
    (
        "a symlink to an equal folder in the place of a folder",
        |at, _, outside| {
            std::fs::rename(at.join("2019-lantern-fair/raw"), outside.join("taken")).expect("a rename");
            symlink(outside.join("lantern/raw"), at.join("2019-lantern-fair/raw")).expect("a link");
        },
        "not-a-folder",
    ),
    (
        "a symlink to an equal project in the place of a project",
        |at, _, outside| {
            std::fs::rename(at.join("2019-lantern-fair"), outside.join("taken")).expect("a rename");
            symlink(outside.join("lantern"), at.join("2019-lantern-fair")).expect("a link");
        },
        "not-a-folder",
    ),
    (
        "another file of the same size and time",
        |at, _, _| replace(&at.join(CLIP), &noise(300_000, 9)),
        "changed-at-source",
    ),
    (
        "an equal file of the same size and time, with another inode",
        |at, _, _| replace(&at.join(CLIP), &noise(300_000, 1)),
        "changed-at-source",
    ),
    (
        "a file written into, its time set back",
        |at, _, _| {
            let path = at.join(CLIP);
            let old = path.metadata().expect("a file");
            std::fs::write(&path, noise(300_000, 9)).expect("other bytes");
            set_time(&path, old.mtime() as u64, old.mtime_nsec() as u32);
        },
        "changed-at-source",
    ),
    (
        "a folder moved away and an equal one in its place",
        |at, _, outside| {
            std::fs::rename(at.join("2019-lantern-fair/raw"), outside.join("taken")).expect("a rename");
            write(&at.join(CLIP), &noise(300_000, 1));
        },
        "changed-at-source",
    ),
    (
        "a hard link to a file outside in the place of a file",
        |at, _, outside| {
            std::fs::remove_file(at.join(CLIP)).expect("the clip");
            std::fs::hard_link(outside.join("lantern/raw/clip.bin"), at.join(CLIP)).expect("a link");
        },
        "changed-at-source",
    ),
    (
        "a name that is on no list",
        |at, _, _| write(&at.join("2019-river-play/late.txt"), b"one more"),
        "new-at-source",
    ),
    (
        "a copy that is gone: the only other one is to be removed",
        |_, scene, _| std::fs::remove_file(scene.to.join("2019").join(CLIP)).expect("the copy"),
        "copy-missing",
    ),
    (
        "a copy that went bad with all its times kept",
        |_, scene, _| {
            let path = scene.to.join("2019").join(CLIP);
            let old = path.metadata().expect("a file");
            std::fs::write(&path, noise(300_000, 9)).expect("other bytes");
            set_time(&path, old.mtime() as u64, old.mtime_nsec() as u32);
        },
        "left-behind",
    ),
];

#[test]
fn every_attack_before_a_project_goes_aside_is_met_and_nothing_is_touched() {
    for (what, attack, code) in ATTACKS {
        let (scene, outside) = scene();
        attack(&scene.from, &scene, &outside);
        let ends = || [&scene.from, &scene.to.join("2019"), &outside].map(|at| listing(at));
        let before = ends();
        let (exit, answer) = remove(&scene, "2019.1");
        assert_eq!(exit, 1, "{what}: {answer}");
        assert_eq!(codes(&answer), [code], "{what}: {answer}");
        assert_eq!(ends(), before, "{what}");
    }
}

#[test]
fn every_attack_on_what_is_aside_is_met_and_nothing_is_removed() {
    for (what, attack, code) in ATTACKS {
        let (scene, outside) = scene();
        assert_eq!(remove(&scene, "2019.1").0, 0, "{what}");
        attack(&aside(&scene), &scene, &outside);
        let ends = || [&scene.from, &scene.to.join("2019"), &outside].map(|at| listing(at));
        let before = ends();
        let (exit, answer) = remove(&scene, "2019.1");
        assert_eq!(exit, 1, "{what}: {answer}");
        assert_eq!(codes(&answer), [code], "{what}: {answer}");
        assert_eq!(ends(), before, "{what}");
    }
}

#[test]
fn another_folder_or_link_in_the_place_of_the_one_aside_is_met() {
    let (scene, outside) = scene();
    assert_eq!(remove(&scene, "2019.1").0, 0);
    let folder = aside(&scene);
    write(&folder.join("stranger/film.bin"), b"not of this batch");
    let before = listing(&scene.from);
    let (exit, answer) = remove(&scene, "2019.1");
    assert_eq!((exit, codes(&answer)), (1, vec!["new-at-source".to_string()]));
    assert_eq!(listing(&scene.from), before);
    std::fs::remove_file(folder.join("stranger/film.bin")).expect("the film");
    std::fs::remove_dir(folder.join("stranger")).expect("the stranger");

    std::fs::rename(&folder, outside.join("taken")).expect("a rename");
    symlink(outside.join("taken"), &folder).expect("a link");
    let before = listing(&outside);
    let (exit, answer) = remove(&scene, "2019.1");
    assert_eq!(
        (exit, codes(&answer)),
        (1, vec!["not-a-folder".to_string()]),
        "{answer}"
    );
    assert_eq!(listing(&outside), before);
}

#[test]
fn a_folder_of_the_same_name_made_by_someone_else_takes_nothing() {
    let (scene, outside) = scene();
    let marker = std::fs::read_to_string(scene.to.join(".poolward/marker")).expect("the marker");
    let day = other("date", &["+%F".as_ref()], &outside).expect("a date").1;
    let days = [day.trim().to_string(), next_day(&outside)];
    for day in days {
        let name = format!(".poolward-aside-{day}-{}", marker.trim());
        symlink(&outside, scene.from.join(name)).expect("a link");
    }
    let before = (listing(&scene.from), listing(&outside));
    let (exit, answer) = remove(&scene, "2019.1");
    assert_eq!(
        (exit, codes(&answer)),
        (1, vec!["aside-in-the-way".to_string()]),
        "{answer}"
    );
    assert_eq!((listing(&scene.from), listing(&outside)), before);
}

/// In the zone of the test it may be tomorrow already.
fn next_day(at: &Path) -> String {
    let words = ["-d".as_ref(), "tomorrow".as_ref(), "+%F".as_ref()];
    other("date", &words, at).expect("a date").1.trim().to_string()
}

#[test]
fn a_destination_or_source_that_is_gone_stops_everything() {
    let (scene, outside) = scene();
    for end in [&scene.to, &scene.from] {
        let kept = outside.join("kept");
        std::fs::rename(end, &kept).expect("a rename");
        std::fs::create_dir(end).expect("an empty folder");
        let before = listing(&kept);
        let (exit, answer) = remove(&scene, "2019.1");
        assert_eq!(
            (exit, codes(&answer)),
            (3, vec!["mount-changed".to_string()]),
            "{answer}"
        );
        assert_eq!(listing(&kept), before);
        std::fs::remove_dir(end).expect("the empty folder");
        std::fs::rename(&kept, end).expect("a rename");
    }
}

#[test]
fn a_copy_edited_since_is_accepted_by_code_and_its_source_stays() {
    let (scene, _) = scene();
    let copy = scene.to.join("2019/2019-river-play/sound.bin");
    std::fs::write(&copy, b"a better mix").expect("an edit");
    let (exit, answer) = remove(&scene, "2019.1");
    assert_eq!((exit, codes(&answer)), (1, vec!["left-behind".to_string()]));
    let again = |words: &str| crate::removing::typed(&scene, words, "2019.1\n");
    assert_eq!(again("release 2019.1 --remove --accept copy-edited").0, 0);
    let (exit, answer) = again("release 2019.1 --remove");
    assert_eq!(exit, 0, "{answer}");
    assert!(!aside(&scene).join("2019-lantern-fair").exists());
    let kept = aside(&scene).join("2019-river-play/sound.bin");
    assert_eq!(std::fs::read(kept).expect("the first mix"), noise(70_000, 2));
}

#[test]
fn a_mount_inside_is_never_crossed() {
    use crate::support::{is_root, skip};
    if !is_root() {
        return skip("this user may not mount");
    }
    let (scene, _) = scene();
    let mount = |at: &Path| {
        let words = ["-t", "tmpfs", "none"].map(std::ffi::OsStr::new);
        let words = [&words[..], &[at.as_os_str()]].concat();
        other("mount", &words, Path::new("/")).is_some_and(|(done, _)| done)
    };
    let unmount = |at: &Path| other("umount", &[at.as_os_str()], Path::new("/"));
    let inside = scene.from.join("2019-lantern-fair/raw");
    if !mount(&inside) {
        return skip("tmpfs cannot be mounted");
    }
    write(&inside.join("clip.bin"), &noise(300_000, 1));
    let (exit, answer) = remove(&scene, "2019.1");
    let kept = inside.join("clip.bin").exists();
    unmount(&inside);
    assert_eq!(
        (exit, codes(&answer), kept),
        (1, vec!["not-a-folder".to_string()], true),
        "{answer}"
    );
    assert_eq!(remove(&scene, "2019.1").0, 0);
    let inside = aside(&scene).join("2019-lantern-fair/raw");
    assert!(mount(&inside));
    write(&inside.join("clip.bin"), &noise(300_000, 1));
    let (exit, answer) = remove(&scene, "2019.1");
    let kept = inside.join("clip.bin").exists();
    unmount(&inside);
    assert_eq!(
        (exit, codes(&answer), kept),
        (1, vec!["not-a-folder".to_string()], true),
        "{answer}"
    );
    assert!(inside.join("clip.bin").exists());
}

#[test]
fn a_source_mounted_read_only_or_shut_says_so_and_keeps_everything() {
    use crate::support::loops::{Kind, Loop};
    use std::os::unix::fs::PermissionsExt;
    let Some(disk) = Loop::new(Kind::Ext4) else { return };
    let mut scene = Scene::bare();
    scene.from = disk.path().join("old");
    std::fs::create_dir(&scene.from).expect("the source");
    scene.small();
    released(&scene);
    let before = listing(&scene.from);
    disk.remount("ro");
    let (exit, answer) = remove(&scene, "2019.1");
    disk.remount("rw");
    assert_eq!(
        (exit, codes(&answer)),
        (3, vec!["source-read-only".to_string()]),
        "{answer}"
    );
    assert_eq!(listing(&scene.from), before);
    UNPRIVILEGED.set(true);
    let shut =
        |mode| std::fs::set_permissions(&scene.from, std::fs::Permissions::from_mode(mode)).expect("a mode");
    shut(0o555);
    let (exit, answer) = remove(&scene, "2019.1");
    shut(0o755);
    assert_eq!(
        (exit, codes(&answer)),
        (3, vec!["source-denied".to_string()]),
        "{answer}"
    );
    assert_eq!(listing(&scene.from), before);
    assert_eq!(remove(&scene, "2019.1").0, 0);
}
