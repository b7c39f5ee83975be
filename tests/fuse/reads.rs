//! A source that answers a read with a wrong byte, once: copy finds it where the file was hashed
//! before. And adopt asks a source for no byte of a file whose hash is known.

use crate::support::fuse::{Call, Fault, Fuse};
use crate::support::{content, poolward_in, scratch};
use serde_json::Value;
use std::path::Path;

const MIB: usize = 1 << 20;
/// Read by one worker; read block by block by all.
const FILES: [(&str, usize); 2] = [("one.bin", 3 * MIB), ("block.bin", 40 * MIB)];

/// A move whose source is on FUSE, with every file twice, scanned and planned.
struct Scene {
    behind: tempfile::TempDir,
    beside: tempfile::TempDir,
    fuse: Fuse,
}

impl Scene {
    fn new() -> Option<Scene> {
        let (behind, beside) = (scratch(), scratch());
        for project in ["2019-a", "2019-b"] {
            std::fs::create_dir(behind.path().join(project)).unwrap();
            for (seed, (name, size)) in (1..).zip(FILES) {
                std::fs::write(behind.path().join(project).join(name), content(seed, size)).unwrap();
            }
        }
        let fuse = Fuse::over(behind.path())?;
        let scene = Scene { behind, beside, fuse };
        let to = scene.to();
        std::fs::create_dir(&to).unwrap();
        let ends = [scene.fuse.path().to_str().unwrap(), to.to_str().unwrap()];
        let begin = [
            "begin",
            "move",
            "--from",
            ends[0],
            "--to",
            ends[1],
            "--allow-root-disk",
        ];
        poolward_in(scene.beside.path(), &begin).exits(0);
        let settings = scene.beside.path().join("move/move.toml");
        let text = std::fs::read_to_string(&settings).unwrap();
        let path = format!("path = \"{}\"", to.display());
        let roomy = format!("{path}\nfill-limit = 100\nfree = \"1 TB\"\nreserve = \"1 MB\"");
        std::fs::write(&settings, text.replacen(&path, &roomy, 1)).unwrap();
        scene.json(&["scan"]);
        scene.json(&["plan"]);
        // Hashes read within two seconds of a change do not count.
        std::thread::sleep(std::time::Duration::from_millis(2_100));
        Some(scene)
    }

    fn to(&self) -> std::path::PathBuf {
        self.beside.path().join("pool")
    }

    fn json(&self, words: &[&str]) -> Value {
        let words: Vec<&str> = words.iter().copied().chain(["--json"]).collect();
        poolward_in(&self.beside.path().join("move"), &words).json()
    }

    /// What settled each disagreement, and the ranges it lay in.
    fn settled(&self) -> Vec<(String, String)> {
        let db = rusqlite::Connection::open(self.beside.path().join("move/ledger.db")).unwrap();
        let mut rows = db
            .prepare("SELECT settled_by, ranges FROM read_disagreements ORDER BY size, id")
            .unwrap();
        let read = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?));
        rows.query_map([], read).unwrap().map(Result::unwrap).collect()
    }

    /// Files at the destination under their names with the content behind the mount.
    fn right_there(&self) -> usize {
        fn walk(at: &Path, right: &mut usize) {
            for item in std::fs::read_dir(at).unwrap() {
                let path = item.unwrap().path();
                if path.is_dir() {
                    walk(&path, right);
                }
                for (seed, (name, size)) in (1..).zip(FILES) {
                    if path.file_name().unwrap() == name {
                        let same = std::fs::read(&path).unwrap() == content(seed, size);
                        assert!(same, "{} is not what the source has", path.display());
                        *right += 1;
                    }
                }
            }
        }
        let mut right = 0;
        walk(&self.to(), &mut right);
        right
    }

    fn copy(&self) -> Value {
        self.json(&["copy", "--all"])["batches"][0].clone()
    }
}

fn pair(a: &str, b: &str) -> (String, String) {
    (a.into(), b.into())
}

#[test]
fn a_byte_that_is_wrong_once_while_copying_does_not_arrive() {
    let Some(scene) = Scene::new() else { return };
    scene.json(&["survey", "--twins"]);
    scene
        .fuse
        .fault_times("2019-a/one.bin", Fault::FlipRead(MIB as u64), 1);
    scene
        .fuse
        .fault_times("2019-b/block.bin", Fault::FlipRead(20 * MIB as u64), 1);
    let copied = scene.copy();
    assert_eq!(copied["reads_disagreed"], 2, "{copied}");
    assert_eq!(
        (&copied["files_copied"], &copied["files_failed"]),
        (&4.into(), &0.into())
    );
    assert_eq!(scene.right_there(), 4);
    let blocks = format!("{}-{}", 16 * MIB, 32 * MIB);
    let whole = format!("0-{}", 3 * MIB);
    let earlier = |ranges: &str| pair("earlier-read", ranges);
    assert_eq!(scene.settled(), [earlier(&whole), earlier(&blocks)]);
    let verified = scene.json(&["verify"]);
    assert_eq!(
        verified["batches"][0]["differences"],
        Value::Array(Vec::new()),
        "{verified}"
    );
}

#[test]
fn reads_that_never_agree_fail_the_file_and_nothing_is_published() {
    let Some(scene) = Scene::new() else { return };
    // The earlier read wrong in one byte, the copy's in another.
    for (name, _) in FILES {
        let path = format!("2019-a/{name}");
        scene.fuse.fault_times(&path, Fault::FlipRead(MIB as u64), 1);
    }
    scene.json(&["survey", "--twins"]);
    for (name, _) in FILES {
        let path = format!("2019-a/{name}");
        scene.fuse.fault_times(&path, Fault::FlipRead(2 * MIB as u64), 1);
    }
    let copied = scene.copy();
    assert_eq!(copied["reads_disagreed"], 2, "{copied}");
    let codes: Vec<&Value> = copied["failures"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| &f["code"])
        .collect();
    assert_eq!(codes, ["reads-disagree"; 2], "{copied}");
    assert_eq!(scene.right_there(), 2);
    let settled: Vec<String> = scene.settled().into_iter().map(|(by, _)| by).collect();
    assert_eq!(settled, ["none"; 2]);
    // Once the source reads well, the earlier hash is outvoted.
    let name = copied["name"].as_str().unwrap();
    let copied = scene.json(&["copy", name])["batches"][0].clone();
    assert_eq!(
        (&copied["reads_disagreed"], &copied["files_failed"]),
        (&2.into(), &0.into())
    );
    assert_eq!(scene.right_there(), 4);
}

#[test]
fn adopt_reads_no_byte_of_a_source_whose_hashes_are_known() {
    let Some(scene) = Scene::new() else { return };
    scene.json(&["survey", "--twins"]);
    let name = scene.json(&["status"])["batches"][0]["name"]
        .as_str()
        .unwrap()
        .to_string();
    let at = scene.behind.path().to_str().unwrap().to_string();
    let reads = scene.fuse.calls(Call::Read);
    let adopted = scene.json(&["adopt", &name, "--at", &at])["batches"][0].clone();
    assert_eq!(
        (&adopted["files_adopted"], &adopted["hashes_known"]),
        (&4.into(), &4.into()),
        "{adopted}"
    );
    assert_eq!(scene.fuse.calls(Call::Read), reads);
}

/// Hazard O3: an edit within one step of the source's clock leaves size and both times alike.
#[test]
fn an_edit_within_one_step_of_the_clock_is_noticed_by_the_next_scan() {
    let Some(scene) = Scene::new() else { return };
    scene.fuse.stand_still();
    // The kernel stamps with the last tick of its clock, some milliseconds behind.
    std::thread::sleep(std::time::Duration::from_millis(50));
    let young = scene.fuse.path().join("2019-a/one.bin");
    let file = std::fs::File::options().write(true).open(&young).unwrap();
    file.set_modified(std::time::SystemTime::now()).unwrap();
    drop(file);
    scene.json(&["scan"]);
    scene.json(&["plan", "--accept"]);
    scene.copy();
    let before = young.metadata().unwrap();
    std::fs::write(
        scene.behind.path().join("2019-a/one.bin"),
        content(99, FILES[0].1),
    )
    .unwrap();
    let after = young.metadata().unwrap();
    let facts = |facts: &std::fs::Metadata| {
        use std::os::unix::fs::MetadataExt;
        let times = (
            facts.mtime(),
            facts.mtime_nsec(),
            facts.ctime(),
            facts.ctime_nsec(),
        );
        (facts.ino(), facts.len(), times)
    };
    assert_eq!(facts(&before), facts(&after), "nothing but the content tells");
    let scan = scene.json(&["scan"]);
    let again = &scan["sources"][0]["read_again"];
    assert_eq!(again["edited"], serde_json::json!(["2019-a/one.bin"]), "{scan}");
    assert_eq!(scan["changes"]["changed"]["files"], 1, "{scan}");
    assert!(scene.settled().is_empty(), "an edit is no bad read");
    scene.json(&["plan", "--accept"]);
    scene.json(&["copy", "--all"]);
    let arrived = std::process::Command::new("diff")
        .arg("-r")
        .args([scene.behind.path().join("2019-a"), scene.to().join("2019/2019-a")])
        .output()
        .unwrap();
    assert!(arrived.status.success(), "{arrived:?}");
}

/// The same file read wrong once: the third read says so, and nothing counts as edited.
#[test]
fn a_wrong_read_of_a_young_file_is_no_edit() {
    let Some(scene) = Scene::new() else { return };
    let young = scene.fuse.path().join("2019-a/one.bin");
    let file = std::fs::File::options().write(true).open(&young).unwrap();
    file.set_modified(std::time::SystemTime::now()).unwrap();
    drop(file);
    scene.json(&["scan"]);
    scene.json(&["plan", "--accept"]);
    scene.copy();
    scene
        .fuse
        .fault_times("2019-a/one.bin", Fault::FlipRead(MIB as u64), 1);
    let scan = scene.json(&["scan"]);
    let again = &scan["sources"][0]["read_again"];
    assert_eq!(
        (&again["edited"], &again["disagree"]),
        (&serde_json::json!([]), &1.into()),
        "{scan}"
    );
    assert_eq!(scene.settled(), [pair("earlier-read", "")]);
    assert_eq!(scan["changes"]["changed"]["files"], 0, "{scan}");
}

/// A move with two short files of one content, too old for their times to be in doubt.
fn with_short_files() -> Option<Scene> {
    let scene = Scene::new()?;
    for project in ["2019-a", "2019-b"] {
        std::fs::write(
            scene.behind.path().join(project).join("short.bin"),
            content(5, 50_000),
        )
        .unwrap();
    }
    std::thread::sleep(std::time::Duration::from_millis(2_100));
    scene.json(&["scan"]);
    scene.json(&["plan", "--accept"]);
    Some(scene)
}

fn readings(verified: &Value) -> Value {
    let found = &verified["batches"][0]["source_readings"];
    let by = |one: &Value| (one["path"].clone(), one["settled_by"].clone());
    let disagree = found["disagree"].as_array().unwrap();
    serde_json::json!([
        found["agree"],
        disagree.iter().map(by).collect::<Vec<_>>(),
        found["edited"]
    ])
}

/// Reads the twins a second after the copy: another reading than its own.
fn read_later(scene: &Scene) {
    std::thread::sleep(std::time::Duration::from_millis(1_100));
    scene.json(&["survey", "--twins"]);
}

#[test]
fn verify_holds_hashes_read_at_another_time_against_the_copy() {
    let Some(scene) = with_short_files() else { return };
    scene.copy();
    let before = scene.json(&["verify"]);
    assert_eq!(
        readings(&before),
        serde_json::json!([0, [], []]),
        "the copy's own reading is no other"
    );
    read_later(&scene);
    let reads = scene.fuse.calls(Call::Read);
    let verified = scene.json(&["verify", "--all", "--again"]);
    assert_eq!(readings(&verified), serde_json::json!([2, [], []]), "{verified}");
    assert_eq!(
        scene.fuse.calls(Call::Read),
        reads,
        "nothing is read at the source for that"
    );
    assert!(scene.settled().is_empty());
}

#[test]
fn a_hash_read_wrong_after_the_copy_is_outvoted_and_told_once() {
    let Some(scene) = with_short_files() else { return };
    scene.copy();
    scene
        .fuse
        .fault_times("2019-a/short.bin", Fault::FlipRead(40_000), 1);
    read_later(&scene);
    let verified = scene.json(&["verify"]);
    let odd = serde_json::json!([["2019-a/short.bin", "earlier-read"]]);
    assert_eq!(readings(&verified), serde_json::json!([1, odd, []]), "{verified}");
    assert_eq!(verified["batches"][0]["state"], "verified");
    assert_eq!(scene.settled(), [pair("earlier-read", "")]);
    let name = verified["batches"][0]["name"].as_str().unwrap().to_string();
    let shut = scene.json(&["release", &name]);
    assert!(shut.to_string().contains("reads-disagree"), "{shut}");
    let again = scene.json(&["verify", "--all", "--again"]);
    assert_eq!(readings(&again)[1], serde_json::json!([]), "{again}");
    assert_eq!(scene.settled().len(), 1);
}

#[test]
fn a_file_that_the_copy_read_wrong_is_found_by_a_later_reading() {
    let Some(scene) = with_short_files() else { return };
    scene
        .fuse
        .fault_times("2019-b/short.bin", Fault::FlipRead(40_000), 1);
    scene.copy();
    read_later(&scene);
    let verified = scene.json(&["verify"]);
    let odd = serde_json::json!([["2019-b/short.bin", "later-read"]]);
    assert_eq!(readings(&verified), serde_json::json!([1, odd, []]), "{verified}");
    assert_eq!(scene.settled(), [pair("later-read", "")]);
    scene.json(&["verify", "--all", "--again"]);
    assert_eq!(scene.settled().len(), 1, "one event, told again but counted once");
    // What is wrong at the destination is brought right like any other change.
    scene.json(&["plan", "--accept"]);
    scene.json(&["copy", "--all"]);
    let short = |project: &str| {
        let ends = [
            scene.behind.path().join(project),
            scene.to().join("2019").join(project),
        ];
        ends.map(|end| std::fs::read(end.join("short.bin")).unwrap())
    };
    let [there, here] = short("2019-b");
    assert!(there == here);
}
