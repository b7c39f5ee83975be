//! Files with identical content, found by the real binary on real folders; dates in headers that
//! are read once.

use crate::util::*;
use serde_json::Value;
use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Bytes of one head-and-tail look.
const LOOK: u64 = 128 << 10;

fn twins(scene: &Scene) -> Value {
    scene.json("survey --twins").1["twins"].clone()
}

fn counts(twins: &Value) -> [u64; 3] {
    ["sets", "files", "bytes_reclaimable"].map(|name| twins[name].as_u64().unwrap())
}

/// `content` with one bit turned over.
fn turned(content: &[u8], at: usize) -> Vec<u8> {
    let mut other = content.to_vec();
    other[at] ^= 1;
    other
}

#[test]
fn twins_are_told_from_files_that_only_look_alike() {
    let scene = Scene::bare();
    let (large, small) = (noise(400_000, 1), noise(3_000, 2));
    scene.put("2019-fair/raw/clip.bin", &large);
    scene.put("2020-again/copy of clip.bin", &large);
    scene.put("2020-again/clip.bin", &turned(&large, 200_000));
    scene.put("2021-tail/clip.bin", &turned(&large, 399_999));
    for name in ["2019-fair/a", "2019-fair/b", "2021-tail/a"] {
        scene.put(name, &small);
    }
    let first = scene.put("2019-fair/linked", &noise(777, 4));
    std::fs::hard_link(&first, scene.from.join("2021-tail/linked too")).unwrap();
    scene.put("2019-fair/empty", b"");
    scene.put("2020-again/empty", b"");
    scene.begin();
    scene.run("scan").expect(0);
    let found = twins(&scene);
    assert_eq!(counts(&found), [2, 5, 400_000 + 6_000], "{found}");
    assert_eq!(found["hard_links"], 1);
    // Read: four looks, three whole (the one with another tail is told by the look), three short.
    assert_eq!(found["read_bytes"], 4 * LOOK + 3 * 400_000 + 3 * 3_000, "{found}");
    let pair = |a: &str, b: &str| {
        let all = found["pairs"].as_array().unwrap();
        let one = all.iter().find(|p| p["a"] == a && p["b"] == b);
        one.map(|p| (p["files"].as_u64().unwrap(), p["bytes"].as_u64().unwrap()))
    };
    assert_eq!(pair("2019-fair", "2020-again"), Some((1, 400_000)));
    assert_eq!(pair("2019-fair", "2021-tail"), Some((1, 3_000)));
    assert_eq!(pair("2019-fair", "2019-fair"), Some((1, 3_000)));
    assert_eq!(found["pairs"].as_array().unwrap().len(), 3);
    // Hazard U2: `clip.bin` of one size, with three contents.
    assert_eq!(found["other_content"]["names"], 1, "{found}");
    assert_eq!(found["other_content"]["files"], 3);
    let text = scene.run("survey --twins").text();
    for words in [
        "2 sets of identical content, 5 files",
        "never deletes",
        "deduplication off",
        "within itself",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert_eq!(scene.json("survey").1["twins"], Value::Null);
}

#[test]
fn what_was_hashed_is_not_read_again_and_goes_with_its_file() {
    let scene = Scene::bare();
    for name in ["2019-a/x", "2019-b/x", "2019-c/x"] {
        scene.put(name, &noise(200_000, 1));
    }
    scene.begin();
    scene.run("scan").expect(0);
    assert_eq!(twins(&scene)["read_bytes"], 3 * (LOOK + 200_000));
    let again = twins(&scene);
    assert_eq!(
        (&again["read_bytes"], &again["hashes_known"]),
        (&0.into(), &6.into())
    );
    // A new file and one changed within: only these are read.
    scene.put("2019-d/x", &noise(200_000, 1));
    std::fs::OpenOptions::new()
        .write(true)
        .open(scene.from.join("2019-c/x"))
        .unwrap()
        .write_all_at(b"other", 100_000)
        .unwrap();
    let unscanned = twins(&scene);
    assert_eq!(
        (counts(&unscanned), &unscanned["changed"]),
        ([1, 3, 400_000], &0.into())
    );
    scene.run("scan").expect(0);
    let found = twins(&scene);
    assert_eq!(
        (counts(&found), &found["read_bytes"]),
        ([1, 3, 400_000], &(2 * (LOOK + 200_000)).into())
    );
    // One file alone of its size needs no reading, and what was known of the others is forgotten.
    for name in ["2019-a/x", "2019-b/x"] {
        std::fs::remove_file(scene.from.join(name)).unwrap();
    }
    // Two of eight entries are gone: asked about.
    scene.run("scan").expect(1);
    let mut rows = std::process::Command::new("sqlite3");
    rows.arg(scene.home.join("ledger.db"))
        .arg("SELECT count(*) FROM content");
    if let Ok(answer) = rows.output() {
        assert_eq!(String::from_utf8_lossy(&answer.stdout).trim(), "2");
    }
}

#[test]
fn files_that_changed_or_cannot_be_read_are_left_out_and_counted() {
    UNPRIVILEGED.set(true);
    use std::os::unix::fs::PermissionsExt;
    let scene = Scene::bare();
    for name in ["2019-a/x", "2019-b/x", "2019-c/x", "2019-d/x"] {
        scene.put(name, &noise(5_000, 1));
    }
    let closed = scene.from.join("2019-c/x");
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o000)).unwrap();
    scene.begin();
    scene.run("scan");
    set_time(&scene.from.join("2019-d/x"), 1_570_000_000, 0);
    let found = twins(&scene);
    assert_eq!(counts(&found), [1, 2, 5_000], "{found}");
    assert_eq!((&found["changed"], &found["unreadable"]), (&1.into(), &1.into()));
    let text = scene.run("survey --twins").text();
    assert!(
        text.contains("1 file changed or gone since the scan, 1 not readable"),
        "{text}"
    );
}

#[test]
fn an_interrupted_run_goes_on_and_reads_nothing_twice() {
    let scene = Scene::bare();
    let (files, size) = (2_600u64, 100_000u64);
    for at in 0..files {
        scene.put(format!("2019-a/{}/{at}", at % 40), &noise(size as usize, at / 2));
    }
    scene.begin();
    scene.run("scan").expect(0);
    let child = scene
        .command(&["survey", "--twins", "--json"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    // Once the ledger has some rows, it is asked to end.
    let kept = || {
        let mut rows = std::process::Command::new("sqlite3");
        rows.arg("-readonly")
            .arg(scene.home.join("ledger.db"))
            .arg("SELECT count(*) FROM content");
        let answer = rows.output().ok()?;
        String::from_utf8_lossy(&answer.stdout).trim().parse::<u64>().ok()
    };
    if kept().is_none() {
        println!("skipped: no sqlite3 to look into the ledger");
    }
    let pid = rustix::process::Pid::from_child(&child);
    while kept().unwrap_or(1) == 0 {
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
    let _ = rustix::process::kill_process(pid, rustix::process::Signal::INT);
    let ended = child.wait_with_output().unwrap();
    let stopped = ended.status.code() == Some(130);
    let before = kept();
    let found = twins(&scene);
    assert_eq!(counts(&found), [files / 2, files, files / 2 * size]);
    let (read, known) = (
        found["read_bytes"].as_u64().unwrap(),
        found["hashes_known"].as_u64().unwrap(),
    );
    assert_eq!(read + known * size, files * size, "stopped: {stopped}");
    if let Some(before) = before {
        assert_eq!(known, before);
        assert!(known > 0);
    }
}

/// Outside check: `sha256sum` of coreutils groups a tree of the machine the same way.
#[test]
fn the_sets_are_those_of_sha256sum_on_a_real_tree() {
    let tree = ["/usr/share/perl", "/usr/share/doc", "/usr/include"]
        .map(Path::new)
        .into_iter()
        .find(|path| path.is_dir());
    let scene = Scene::bare();
    let Some(tree) = tree else {
        println!("skipped: no tree of the machine to look at");
        return;
    };
    let to = scene.from.join("2019-tree");
    let words = ["-a", "--no-preserve=ownership"].map(OsStr::new);
    let words = [words[0], words[1], tree.as_os_str(), to.as_os_str()];
    if !other("cp", &words, &scene.from).is_some_and(|(done, _)| done) {
        println!("skipped: the tree cannot be copied");
        return;
    }
    // A few that differ late, beside what the machine has.
    scene.put("2019-tree/late/one", &noise(300_000, 9));
    scene.put("2019-tree/late/two", &turned(&noise(300_000, 9), 150_000));
    let script = "find . -type f -links 1 -size +0 -print0 | xargs -0 sha256sum -z | tr '\\n\\0' '_\\n'";
    let (_, sums) = other("sh", &[OsStr::new("-c"), OsStr::new(script)], &scene.from).unwrap();
    let mut sets: BTreeMap<&str, u64> = BTreeMap::new();
    for line in sums.lines() {
        *sets.entry(&line[..64]).or_default() += 1;
    }
    let several = sets.values().filter(|n| **n > 1);
    let expected = (several.clone().count() as u64, several.sum::<u64>());
    scene.begin();
    scene.run("scan");
    let linked = other(
        "sh",
        &[OsStr::new("-c"), OsStr::new("find . -type f -links +1 | wc -l")],
        &scene.from,
    );
    if linked.is_some_and(|(_, n)| n.trim() != "0") {
        println!("skipped: the tree has hard links");
        return;
    }
    let excluded = scene.json("scan").1["sources"][0]["excluded"].clone();
    assert_eq!(excluded.as_array().map(Vec::len), Some(0), "{excluded}");
    let found = twins(&scene);
    assert_eq!(
        (found["sets"].as_u64().unwrap(), found["files"].as_u64().unwrap()),
        expected
    );
}

/// An ISO media file of one date: `ftyp`, then `moov` with a version 0 `mvhd` (ISO/IEC 14496-12,
/// clause 8.2.2: seconds since 1904).
fn clip(unix: u32) -> Vec<u8> {
    let boxed = |name: &[u8; 4], inner: &[u8]| {
        let length = (inner.len() as u32 + 8).to_be_bytes();
        [&length[..], name, inner].concat()
    };
    let since_1904 = (unix + 2_082_844_800).to_be_bytes();
    let mvhd = [&[0; 4][..], &since_1904, &since_1904, &[0; 88]].concat();
    let moov = boxed(b"moov", &boxed(b"mvhd", &mvhd));
    [boxed(b"ftyp", b"isom\0\0\x02\0isom"), moov].concat()
}

#[test]
fn dates_in_headers_are_read_once_and_known_while_the_source_is_away() {
    let scene = Scene::bare();
    for name in ["one", "two", "three"] {
        // A time of copying later than the take: the header decides.
        set_time(
            &scene.put(format!("harbour/{name}.mp4"), &clip(1_400_000_000)),
            1_560_000_000,
            0,
        );
        scene.put(format!("nothing inside/{name}.mp4"), &noise(9_000, 3));
    }
    scene.begin();
    scene.run("scan").expect(0);
    let before = scene.json("survey").1["projects"].clone();
    assert_eq!(before[0]["name"], "harbour");
    assert_eq!(before[0]["year"], 2014, "{before}");
    let away = scene.root().join("away");
    std::fs::rename(&scene.from, &away).unwrap();
    assert_eq!(scene.json("survey").1["projects"], before);
    std::fs::rename(&away, &scene.from).unwrap();
}
