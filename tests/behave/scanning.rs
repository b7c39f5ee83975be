//! Scans of some projects, and surveys of scans that are not finished.

use crate::util::*;
use poolward::index::InodeClass;
use poolward::names::SourceName;
use poolward::scan::{ScanRequest, scan};
use serde_json::Value;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

fn names(survey: &Value) -> Vec<&str> {
    let projects = survey["projects"].as_array().expect("projects");
    projects.iter().filter_map(|one| one["name"].as_str()).collect()
}

fn files(survey: &Value, project: &str) -> u64 {
    let projects = survey["projects"].as_array().expect("projects");
    let found = projects.iter().find(|one| one["name"] == project);
    found.and_then(|one| one["files"].as_u64()).expect("the project")
}

#[test]
fn a_scan_of_one_project_sees_its_changes_and_no_others() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    scene.run("scan").expect(0);
    scene.put("2019-river-play/second.bin", &noise(50_000, 5));
    scene.put("2020-harvest/second.bin", &noise(40_000, 6));
    let (_, scan) = scene.json("scan 2019-river-play");
    assert_eq!(scan["sources"][0]["files"], 5);
    assert_eq!(scan["changes"]["new"]["files"], 1);
    let (_, survey) = scene.json("survey");
    assert_eq!(files(&survey, "2019-river-play"), 2);
    assert_eq!(files(&survey, "2020-harvest"), 1, "taken from the scan before");
    scene.run("scan").expect(0);
    let (_, survey) = scene.json("survey");
    assert_eq!(
        files(&survey, "2020-harvest"),
        2,
        "a whole scan takes nothing over"
    );
}

#[test]
fn a_scan_of_one_project_does_not_pass_for_a_fresh_one() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify --all").expect(0);
    scene.put("2019-lantern-fair/late.txt", b"after the copy\n");
    scene.run("scan 2019-river-play").expect(0);
    let ran = scene.run("release 2019.1");
    assert_ne!(ran.code, 0, "{}{}", ran.text(), ran.err);
    assert!(scene.from.join("2019-lantern-fair/late.txt").exists());
}

#[test]
fn a_new_project_can_be_scanned_alone_and_a_gone_one_goes() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    scene.run("scan").expect(0);
    scene.put("2021-new-bridge/a.bin", &noise(10, 1));
    std::fs::remove_dir_all(scene.from.join("2020-harvest")).expect("removed");
    scene.run("scan 2021-new-bridge").expect(0);
    let (_, survey) = scene.json("survey");
    assert_eq!(
        names(&survey),
        ["2019-lantern-fair", "2019-river-play", "2021-new-bridge"]
    );
}

#[test]
fn an_unknown_name_gets_the_nearest_and_no_index_asks_for_a_whole_scan() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let ran = scene.run("scan 2019-river-play").expect(2);
    assert!(ran.err.contains("whole scan"), "{}", ran.err);
    scene.run("scan").expect(0);
    let ran = scene.run("scan 2019-river-pley").expect(2);
    assert!(ran.err.contains("2019-river-play"), "{}", ran.err);
    assert_eq!(ran.err.lines().count(), 1, "{}", ran.err);
}

#[test]
fn other_rules_since_the_last_scan_ask_for_a_whole_one() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    scene.run("scan").expect(0);
    scene.edit("[exclude]", "[exclude]\nnames = [\"*.tmp\"]");
    let ran = scene.run("scan 2019-river-play").expect(2);
    assert!(ran.err.contains("other rules"), "{}", ran.err);
}

/// A scan that is stopped while it is in the folder `slow` of a project; with one thread the
/// projects before that one in byte order are finished.
fn interrupted(from: &Path, parts: &Path) {
    let request = ScanRequest {
        source: SourceName("oldbox".into()),
        root: from.to_path_buf(),
        index: parts.with_extension("index"),
        parts: parts.to_path_buf(),
        never_enter: Arc::new(|_, name| {
            if name == b"slow" {
                std::thread::sleep(Duration::from_secs(1));
            }
            None
        }),
        rules: "none".into(),
        cross: Vec::new(),
        gentle: true,
        threads: None,
        recount: None,
        resume: true,
        only: None,
        expected_entries: None,
        inodes: InodeClass::Unknown,
    };
    let stopped = scan(&request, &|_| {}, &|| true)
        .map(|_| ())
        .expect_err("interrupted");
    assert_eq!(stopped.code, "interrupted");
}

#[test]
fn a_survey_of_an_unfinished_scan_says_how_much_it_covers() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2019-river-play/slow/x.bin", b"x");
    scene.begin();
    let parts = scene.home.join("indexes/oldbox.parts");
    std::fs::create_dir_all(parts.parent().expect("a parent")).expect("folders");
    interrupted(&scene.from, &parts);
    let ran = scene.run("survey").expect(1);
    assert!(
        ran.text().contains("this covers 1 of 3 folders at its top"),
        "{}",
        ran.text()
    );
    let (code, survey) = scene.json("survey");
    assert_eq!(code, 1);
    assert_eq!(
        names(&survey),
        ["2019-lantern-fair"],
        "nothing is said of the others"
    );
    assert_eq!(survey["unfinished"][0]["scanned"], 1);
    assert_eq!(survey["unfinished"][0]["listed"], 3);
    let ran = scene.run("plan").expect(2);
    assert!(ran.err.contains("interrupted"), "{}", ran.err);
    scene.run("scan").expect(0);
    let (_, survey) = scene.json("survey");
    assert_eq!(survey["unfinished"].as_array().map(Vec::len), Some(0));
    assert_eq!(names(&survey).len(), 3);
}
