//! probe: what it measures, and that it leaves nothing behind at either end.

use crate::util::*;
use serde_json::Value;
use std::path::Path;
use std::time::{Duration, Instant};

fn scene() -> Scene {
    let scene = Scene::bare();
    scene.put("2019-fair/clip.bin", &noise(12 << 20, 1));
    for n in 0..12 {
        scene.put(format!("2019-fair/notes/{n}.txt"), &noise(3_000, n));
    }
    scene.planned();
    scene
}

fn nest(to: &Path) -> Option<std::path::PathBuf> {
    let inside = std::fs::read_dir(to.join(".poolward")).unwrap();
    let mut paths = inside.map(|item| item.unwrap().path());
    paths.find(|path| path.file_name().unwrap().to_string_lossy().starts_with("probe-"))
}

/// All there is, but for the time of our own folder, in which the probe's came and went.
fn inside(to: &Path) -> Vec<String> {
    let lines = listing(to).into_iter();
    lines
        .filter(|line| !line.starts_with(".poolward folder"))
        .collect()
}

/// Times too, ctime among them: nothing at the source was so much as touched.
fn stamps(root: &Path) -> Vec<String> {
    use std::os::unix::fs::MetadataExt;
    let mut lines = Vec::new();
    walk(root, &mut |path, facts| {
        let times = (
            facts.mtime(),
            facts.mtime_nsec(),
            facts.ctime(),
            facts.ctime_nsec(),
        );
        lines.push(format!("{} {times:?}", path.display()));
    });
    lines
}

#[test]
fn a_probe_measures_both_ends_and_leaves_nothing_behind() {
    let scene = scene();
    let (from, to) = (stamps(&scene.from), inside(&scene.to));
    let began = Instant::now();
    let (code, value) = scene.json("probe");
    assert!(began.elapsed() < Duration::from_secs(60));
    assert_eq!(code, 0);
    has(&value, "paths hash_rate");
    let paths = value["paths"].as_array().unwrap();
    assert_eq!(paths.len(), 2);
    for path in paths {
        has(
            path,
            "name read_rate write_rate file_cost_seconds durability read_how keeps",
        );
        assert!(path["read_rate"].as_u64().unwrap() > 0, "{path}");
        assert!(path["file_cost_seconds"].as_f64().unwrap() >= 0.0);
    }
    assert!(paths[0]["write_rate"].is_null());
    assert!(paths[1]["write_rate"].as_u64().unwrap() > 0);
    assert!(value["hash_rate"].as_u64().unwrap() > 0);
    assert_eq!(stamps(&scene.from), from);
    assert_eq!(inside(&scene.to), to);
}

/// ext4, xfs, btrfs and tmpfs keep all of these (their manual pages); on another file system of the
/// test machine the answer is not known beforehand.
#[test]
fn a_local_file_system_keeps_what_it_is_known_to_keep() {
    let scene = scene();
    let (_, value) = scene.json("probe");
    let keeps: Vec<&str> = value["paths"][1]["keeps"]
        .as_array()
        .unwrap()
        .iter()
        .map(|word| word.as_str().unwrap())
        .collect();
    if value["paths"][1]["durability"] != "local" {
        eprintln!("skipped: the temporary folder is on no local disk");
        return;
    }
    for word in [
        "times",
        "mode",
        "hard-links",
        "symlinks",
        "holes",
        "case",
        "rename-without-replacing",
    ] {
        assert!(keeps.contains(&word), "{word} in {keeps:?}");
    }
    let facts = value["paths"][1]["facts"].as_array().unwrap();
    let times = facts.iter().find(|fact| fact["what"] == "times").unwrap();
    assert_eq!(times["text"], "exact to 1 ns");
}

#[test]
fn the_forecast_and_the_page_say_what_was_probed_and_what_was_declared() {
    let scene = scene();
    scene.edit("[link]\n", "[link]\nspeed = \"100GbE\"\n");
    let rates = |scene: &Scene| {
        scene.run("report").expect(0);
        let page = std::fs::read_to_string(scene.home.join("reports/report.html")).unwrap();
        let from = page.find("sets the pace").unwrap();
        page[from..].to_string()
    };
    let before = rates(&scene);
    assert!(
        before.contains("standing declared"),
        "the link is the user's word"
    );
    assert!(before.contains("standing default") && !before.contains("standing probed"));
    scene.run("probe").expect(0);
    let after = rates(&scene);
    assert!(after.contains("standing probed"));
    assert!(after.contains("standing declared"), "the link was not probed");
}

#[test]
fn a_probe_that_is_interrupted_takes_away_what_it_wrote() {
    let scene = scene();
    let before = inside(&scene.to);
    let mut child = scene.command(&["probe"]).spawn().unwrap();
    let end = Instant::now() + Duration::from_secs(30);
    let mut caught = false;
    while Instant::now() < end && child.try_wait().unwrap().is_none() {
        if nest(&scene.to).is_some_and(|nest| nest.join("large").exists()) {
            let process = rustix::process::Pid::from_child(&child);
            rustix::process::kill_process(process, rustix::process::Signal::INT).unwrap();
            caught = true;
            break;
        }
        std::thread::yield_now();
    }
    let code = child.wait().unwrap().code();
    assert!(!caught || matches!(code, Some(130 | 0)), "{code:?}");
    assert_eq!(inside(&scene.to), before);
    scene.run("probe").expect(0);
}

#[test]
fn what_a_cut_off_probe_left_is_cleared_and_what_it_did_not_write_stays() {
    let scene = scene();
    let id = std::fs::read_to_string(scene.to.join(".poolward/marker")).unwrap();
    let nest = scene
        .to
        .join(".poolward")
        .join(format!("probe-{}", &id.trim()[..8]));
    std::fs::create_dir(&nest).unwrap();
    std::fs::write(nest.join("large"), b"cut off").unwrap();
    std::fs::write(nest.join("small-3.part"), b"cut off").unwrap();
    scene.run("probe").expect(0);
    assert!(!nest.exists());
    std::fs::create_dir(&nest).unwrap();
    std::fs::write(nest.join("letter.txt"), b"not ours").unwrap();
    let ran = scene.run("probe").expect(3);
    assert!(ran.err.contains("letter.txt"), "{}", ran.err);
    assert_eq!(std::fs::read(nest.join("letter.txt")).unwrap(), b"not ours");
}

#[test]
fn a_probe_before_the_scan_says_so_and_a_missing_end_stops_it() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let ran = scene.run("probe --json").expect(2);
    assert_eq!(ran.object()["error"]["code"], "not-scanned");
    scene.run("scan").expect(0);
    std::fs::rename(&scene.to, scene.root().join("unplugged")).unwrap();
    scene.run("probe").expect(3);
}

#[test]
fn too_little_to_read_is_not_measured_and_not_made_up() {
    let scene = Scene::bare();
    scene.put("2019-fair/note.txt", b"one");
    scene.planned();
    let (code, value) = scene.json("probe");
    assert_eq!(code, 0);
    assert_eq!(value["paths"][0]["read_rate"], Value::Null);
    assert_eq!(value["paths"][0]["file_cost_seconds"], Value::Null);
}
