//! A tree of awkward names, links and files built for real: scan and survey find every hazard and
//! invent none. And the questions of a survey, pasted, are answered.

use crate::util::*;
use rustix::fs::{CWD, FileType, Mode};
use serde_json::Value;
use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs::{Permissions, hard_link, set_permissions};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileExt, PermissionsExt, symlink};
use std::path::Path;

fn awkward(scene: &Scene) {
    let put = |name: &[u8]| drop(scene.put(Path::new(OsStr::from_bytes(name)), b"x"));
    for name in [
        "a/con",
        "a/ends.",
        "a/ends ",
        "a/two\nlines",
        "a/what?",
        "a/x\u{f022}y",
        "a/x\u{f03a}y",
        "a/hex:2ey",
        "a/hex.y",
        "a/ABCDEF~1.MOV",
        "a/-rf",
        "a/z\u{202e}z",
        "a/caf\u{e9}",
        "a/cafe\u{301}",
        "a/One.txt",
        "a/one.txt",
        "a/\u{fffd}",
        "a/._orphan",
        "a/._clip.mov",
        "a/clip.mov",
        "a/.DS_Store",
        "a/.nfs0001",
        "a/cut.lock",
        "a/cut.edl",
        "a/list.md5",
        "a/x.pek",
        "a/lib.pics/data.sqlite",
        "a/card/DCIM/100/x.jpg",
        "M\u{fc}hle/plain.txt",
        "a/#recycle/gone.mov",
        "a/@thumbs/small.txt",
    ] {
        put(name.as_bytes());
    }
    put(b"a/caf\xe9s");
    put(format!("a/{}", "n".repeat(250)).as_bytes());
    put(format!("a/{}", "\u{e9}".repeat(100)).as_bytes());
    let root = &scene.from;
    hard_link(root.join("a/clip.mov"), root.join("a/clip again.mov")).expect("a link");
    for (link, target) in [
        ("a/beside", "clip.mov"),
        ("a/absolute", "/export/x"),
        ("a/leaves", "../../x"),
        ("a/broken", "none"),
        ("a/loop1", "loop2"),
        ("a/loop2", "loop1"),
    ] {
        symlink(target, root.join(link)).expect("a link");
    }
    let (pipe, mode) = (root.join("a/pipe"), Mode::from_raw_mode(0o644));
    rustix::fs::mknodat(CWD, pipe, FileType::Fifo, mode, 0).expect("a pipe");
    let sparse = std::fs::File::create(root.join("a/disk.img")).expect("a file");
    sparse.set_len(64 << 20).expect("a length");
    sparse.write_all_at(&noise(1 << 20, 1), 0).expect("content");
    drop(sparse);
    set_time(&root.join("a/disk.img"), 1_560_000_000, 123_456_789);
    scene.put("a/setid", b"x");
    set_permissions(root.join("a/setid"), Permissions::from_mode(0o4755)).expect("a mode");
    scene.put("a/locked", b"x");
    set_permissions(root.join("a/locked"), Permissions::from_mode(0o044)).expect("a mode");
    let old = scene.put("a/old", b"x");
    set_time(&old, 0, 0);
    let ahead = scene.put("a/ahead", b"x");
    set_time(&ahead, 3_500_000_000, 0);
}

fn hazards(survey: &Value) -> BTreeMap<String, u64> {
    let rows = survey["hazards"].as_array().expect("hazards").iter();
    rows.map(|row| {
        (
            row["kind"].as_str().expect("kind").to_string(),
            row["count"].as_u64().expect("count"),
        )
    })
    // Whether creation times are told is this machine's file system's affair.
    .filter(|(kind, _)| kind != "birth-time")
    .collect()
}

#[test]
fn every_hazard_of_an_awkward_tree_is_found_and_none_invented() {
    let scene = Scene::bare();
    awkward(&scene);
    scene.begin();
    scene.run("scan");
    let (code, survey) = scene.json("survey");
    assert!(code < 2, "{survey}");
    let wanted: BTreeMap<String, u64> = [
        ("special", 1),
        ("name-control-character", 1),
        ("name-not-utf8", 1),
        ("name-private-use", 2),
        ("name-two-schemes", 2),
        ("name-hex-twin", 1),
        ("name-case-collision", 2),
        ("name-normalization-collision", 2),
        ("symlink-absolute", 1),
        ("symlink-leaves-tree", 1),
        ("symlink-broken", 1),
        ("symlink-loop", 2),
        ("edit-files-hold-paths", 1),
        ("name-near-limit", 1),
        ("name-too-long-normalized", 1),
        ("name-not-a-dataset", 1),
        ("name-trailing-dot-or-space", 2),
        ("name-reserved", 1),
        ("name-windows-character", 2),
        ("name-replacement-character", 1),
        ("name-mangled", 1),
        ("name-leading-dash", 1),
        ("name-hex-escape", 1),
        ("name-invisible-character", 1),
        ("hard-link", 1),
        ("sparse", 1),
        ("fork-partner", 1),
        ("fork-partner-orphan", 1),
        ("set-id", 1),
        ("not-readable-by-owner", 1),
        ("bundle", 1),
        ("camera-card", 1),
        ("looks-in-use", 1),
        ("network-leftover", 1),
        ("desktop-metadata", 1),
        ("cache", 1),
        ("hash-list", 1),
        ("time-in-future", 1),
        ("time-implausible", 1),
        ("many-small-files", 37),
        // All but two times are of one day in both projects, and so no evidence for a year.
        ("bulk-copy-day", 2),
        ("date-disagrees", 2),
    ]
    .into_iter()
    .map(|(kind, count)| (kind.to_string(), count))
    .collect();
    assert_eq!(hazards(&survey), wanted);
    let plain = scene.run("survey").text();
    let wide: Vec<&str> = plain.lines().filter(|line| line.chars().count() > 80).collect();
    assert!(wide.is_empty(), "{wide:#?}");
    for said in [
        "recycle: 1 B in 1 file, for example a/#recycle.",
        "thumbnails: 1 B in 1 file, for example a/@thumbs.",
    ] {
        assert!(plain.contains(said), "{plain}");
    }
}

#[test]
fn pasted_answers_parse_and_leave_no_question() {
    let scene = Scene::bare();
    let old = scene.put("mill \"two\"\\x/notes.txt", b"x");
    set_time(&old, 0, 0);
    let stray = scene.put(Path::new(OsStr::from_bytes(b"caf\xe9/x")), b"x");
    set_time(&stray, 0, 0);
    let loose = scene.put("loose.txt", b"x");
    set_time(&loose, 0, 0);
    scene.put("@work/x.txt", b"x");
    scene.put("2012-05-06 acorn/x.mov", b"x");
    scene.begin();
    scene.run("scan");
    let (code, before) = scene.json("survey");
    assert_eq!(code, 1);
    assert_eq!(
        before["questions"].as_array().expect("a list").len(),
        5,
        "{before}"
    );
    let settings = scene.home.join("move.toml");
    let lines = scene.run("survey --questions").expect(1).text();
    let text = std::fs::read_to_string(&settings).expect("settings");
    std::fs::write(&settings, format!("{text}\n{lines}")).expect("settings");
    let (code, after) = scene.json("survey");
    assert_eq!(after["questions"], serde_json::json!([]), "{lines}");
    for answered in ["doubtful-project", "date-disagrees", "date-ambiguous"] {
        assert!(!hazards(&after).contains_key(answered), "{answered}");
    }
    assert_eq!(code, 0);
    assert_eq!(scene.run("survey --questions").expect(0).text(), "");
    let plan = scene.run("plan");
    assert!(
        plan.code < 2 && !plan.text().contains("Which is it"),
        "{}",
        plan.text()
    );
}

#[test]
fn several_sources_give_one_row_a_year_and_a_kind() {
    let scene = Scene::bare();
    scene.small();
    let second = scene.root().join("shelf");
    write(&second.join("2019-mill/x.mov"), &noise(5_000, 4));
    scene.begin();
    let to = "[[destination]]";
    let shelf = format!(
        "[[source]]\nname = \"shelf\"\npath = \"{}\"\n\n{to}",
        second.display()
    );
    scene.edit(to, &shelf);
    scene.run("scan");
    let (_, survey) = scene.json("survey");
    let years: Vec<_> = survey["years"]
        .as_array()
        .expect("years")
        .iter()
        .map(|row| (row["year"].as_u64(), row["projects"].as_u64()))
        .collect();
    assert_eq!(years, [(Some(2019), Some(3)), (Some(2020), Some(1))]);
    for (rows, key) in [("kinds", "kind"), ("sizes", "up_to_bytes")] {
        let rows = survey[rows].as_array().expect("rows");
        let mut keys: Vec<String> = rows.iter().map(|row| row[key].to_string()).collect();
        keys.sort();
        let all = keys.len();
        keys.dedup();
        assert_eq!(keys.len(), all, "{survey}");
    }
    let text = scene.run("survey").text();
    assert!(text.contains("All 2 sources together"), "{text}");
}
