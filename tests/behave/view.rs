//! `[view] flat`: a folder of links that looks like the old share.

use crate::util::*;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

const ON: &str = "[view]\nflat = true\n[exclude]";

/// Names of files as find(1) of findutils sees them, following links or not.
fn found(root: &Path, following: bool) -> Vec<String> {
    let way = if following { "-L" } else { "-P" };
    let words = [
        way.as_ref(),
        root.as_os_str(),
        "-type".as_ref(),
        "f".as_ref(),
        "-printf".as_ref(),
        "%P %s\\n".as_ref(),
    ];
    let (ok, text) = other("find", &words, root).expect("find of findutils");
    assert!(ok, "{text}");
    let mut lines: Vec<String> = text.lines().map(str::to_string).collect();
    lines.sort();
    lines
}

fn awkward(scene: &Scene) {
    scene.small();
    scene.put("loose one.txt", b"beside the projects");
    scene.put("loose \"two\"\n.txt", b"with a name that is hard to print");
    std::fs::create_dir(scene.from.join("2018-empty")).unwrap();
}

#[test]
fn the_folder_shows_what_the_source_shows_and_again_changes_nothing() {
    let scene = Scene::bare();
    awkward(&scene);
    scene.planned();
    scene.edit("[exclude]", ON);
    let (code, first) = scene.json("copy");
    assert_eq!(code, 0, "{first}");
    assert!(first["batches"][0]["view"]["links"].as_u64() > Some(0), "{first}");
    scene.run("copy --all").expect(0);
    let flat = scene.to.join("flat");
    assert_eq!(found(&flat, true), found(&scene.from, false));
    // The links lead on when the pool is mounted elsewhere.
    let moved = scene.root().join("elsewhere");
    std::fs::rename(&scene.to, &moved).unwrap();
    assert_eq!(found(&moved.join("flat"), true), found(&scene.from, false));
    std::fs::rename(&moved, &scene.to).unwrap();
    let before = listing(&flat);
    scene.run("copy 2019.1").expect(0);
    assert_eq!(listing(&flat), before);
    let ran = scene.run("verify --all");
    assert_eq!(ran.code, 0, "{}{}", ran.text(), ran.err);
}

#[test]
fn what_somebody_else_put_there_stays_and_is_told() {
    let scene = Scene::bare();
    awkward(&scene);
    scene.planned();
    scene.edit("[exclude]", ON);
    let flat = scene.to.join("flat");
    std::fs::create_dir(&flat).unwrap();
    std::fs::write(flat.join("2019-river-play"), b"mine").unwrap();
    symlink("/etc", flat.join("2019-lantern-fair")).unwrap();
    symlink("../2019/gone", flat.join("stale")).unwrap();
    let ran = scene.run("copy --all").expect(0);
    assert!(
        ran.text().contains("no link for 2019-river-play there"),
        "{}",
        ran.text()
    );
    assert_eq!(std::fs::read(flat.join("2019-river-play")).unwrap(), b"mine");
    assert_eq!(
        std::fs::read_link(flat.join("2019-lantern-fair")).unwrap(),
        PathBuf::from("/etc")
    );
    assert!(
        flat.join("stale").symlink_metadata().is_err(),
        "a link of ours that leads nowhere goes"
    );
    assert!(flat.join("2020-harvest/photo.bin").exists());
}

#[test]
fn a_project_renamed_at_the_source_is_renamed_in_the_folder() {
    let scene = Scene::bare();
    awkward(&scene);
    scene.planned();
    scene.edit("[exclude]", ON);
    scene.run("copy --all").expect(0);
    let flat = scene.to.join("flat");
    std::fs::rename(
        scene.from.join("2019-river-play"),
        scene.from.join("2019-river-opera"),
    )
    .unwrap();
    scene.run("scan");
    scene.run("plan --accept");
    assert!(flat.join("2019-river-opera/sound.bin").exists());
    assert!(flat.join("2019-river-play").symlink_metadata().is_err());
    assert_eq!(found(&flat, true), found(&scene.from, false));
}

#[test]
fn trouble_with_the_links_spoils_no_copy() {
    let scene = Scene::bare();
    awkward(&scene);
    scene.planned();
    scene.edit("[exclude]", ON);
    std::fs::write(scene.to.join("flat"), b"a file has the folder's name").unwrap();
    let ran = scene.run("copy --all").expect(0);
    assert!(
        ran.text().contains("could not be brought up to date"),
        "{}",
        ran.text()
    );
    scene.run("verify --all").expect(0);
}
