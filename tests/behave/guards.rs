//! Ends that go, change or are one and the same while a move is under way (hazards L6, K1, Z15).

use crate::support::loops::{Kind, Loop};
use crate::support::{is_root, skip};
use crate::util::*;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// A bind mount that goes with the value.
struct Bind(PathBuf);

impl Bind {
    fn new(from: &Path, at: &Path) -> Option<Bind> {
        if !is_root() {
            skip("this user may not mount");
            return None;
        }
        let done = Command::new("mount")
            .arg("--bind")
            .args([from, at])
            .output()
            .ok()?;
        if !done.status.success() {
            skip(format!(
                "no bind mount: {}",
                String::from_utf8_lossy(&done.stderr)
            ));
            return None;
        }
        Some(Bind(at.to_path_buf()))
    }
}

impl Drop for Bind {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).output();
    }
}

#[test]
fn a_destination_bound_from_inside_the_source_is_refused_at_the_beginning() {
    let scene = Scene::bare();
    scene.small();
    std::fs::create_dir(scene.from.join("new")).unwrap();
    let Some(_bind) = Bind::new(&scene.from.join("new"), &scene.to) else {
        return;
    };
    let words = [
        "begin".as_ref(),
        scene.home.as_os_str(),
        "--from".as_ref(),
        scene.from.as_os_str(),
    ];
    let words = [
        &words[..],
        &[
            "--to".as_ref(),
            scene.to.as_os_str(),
            "--allow-root-disk".as_ref(),
        ],
    ]
    .concat();
    let refused = poolward(words).expect(2);
    assert!(refused.err.contains("inside one another"), "{}", refused.err);
    let left: Vec<_> = std::fs::read_dir(scene.from.join("new")).unwrap().collect();
    assert!(left.is_empty(), "nothing was written to the source");
}

#[test]
fn ends_that_have_become_one_storage_stop_the_next_batch() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    // As a second export or a union of both would show it.
    let marker = std::fs::read(scene.to.join(".poolward/marker")).unwrap();
    scene.put(".poolward/marker", &marker);
    let refused = scene.run("copy").expect(2);
    assert!(refused.err.contains("same storage"), "{}", refused.err);
    std::fs::remove_dir_all(scene.from.join(".poolward")).unwrap();
    scene.run("copy").expect(0);
    let Some(bind) = Bind::new(&scene.from, &scene.to) else {
        return;
    };
    let refused = scene.run("copy");
    assert!(refused.code == 2 || refused.code == 3, "{}", refused.err);
    assert!(
        refused.err.contains(&*scene.to.to_string_lossy()),
        "{}",
        refused.err
    );
    drop(bind);
    scene.run("copy --all").expect(0);
}

#[test]
fn a_source_whose_names_have_gone_is_not_an_emptied_source() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let aside = scene.root().join("aside");
    std::fs::rename(&scene.from, &aside).unwrap();
    std::fs::create_dir(&scene.from).unwrap();
    let refused = scene.run("copy --all").expect(3);
    assert!(
        refused.err.contains("none of the folders known from before"),
        "{}",
        refused.err
    );
    std::fs::remove_dir(&scene.from).unwrap();
    std::fs::rename(&aside, &scene.from).unwrap();
    scene.run("copy --all").expect(0);
}

#[test]
fn a_destination_unmounted_in_the_middle_stops_the_copy_and_its_folder_stays_empty() {
    let mut scene = Scene::bare();
    let Some(image) = Loop::sized(Kind::Ext4, 400) else {
        return;
    };
    scene.to = image.path().to_path_buf();
    for take in 0..40 {
        scene.put(format!("2019-film/take {take}"), &noise(3_000_000, take));
    }
    scene.planned();
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str(
        "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"00:00\"\nuntil = \"24:00\"\nrate-limit = \"20 MB/s\"\n",
    );
    std::fs::write(&path, text).unwrap();
    let mut command = scene.command(&["copy", "--all", "--in-windows"]);
    let child = command
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let began = Instant::now();
    while std::fs::read_dir(scene.to.join("2019/2019-film")).map_or(0, |found| found.count()) < 4 {
        assert!(began.elapsed() < Duration::from_secs(60), "nothing is written");
        std::thread::sleep(Duration::from_millis(20));
    }
    let gone = Command::new("umount").arg("-l").arg(&scene.to).status().unwrap();
    assert!(gone.success());
    let ran = child.wait_with_output().unwrap();
    let err = String::from_utf8_lossy(&ran.stderr).into_owned();
    let under: Vec<_> = std::fs::read_dir(&scene.to).unwrap().collect();
    assert!(under.is_empty(), "{under:?}");
    assert_eq!(ran.status.code(), Some(3), "{err}");
    scene.run("copy --all").expect(3);
    let under: Vec<_> = std::fs::read_dir(&scene.to).unwrap().collect();
    assert!(under.is_empty(), "{under:?}");
    let file = scene.to.parent().unwrap().join("image");
    let back = Command::new("mount")
        .args(["-o", "loop"])
        .args([&file, &scene.to])
        .status()
        .unwrap();
    assert!(back.success());
    scene.run("copy --all").expect(0);
    let to = scene.to.join("2019/2019-film");
    assert_eq!(listing(&to), listing(&scene.from.join("2019-film")));
}
