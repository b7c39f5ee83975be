//! Waybills at home: what a batch allows, what is left alone meanwhile, and moves that go on by them.

use crate::absorbing::{absorb, carry, dump, waybills};
use crate::util::*;
use rusqlite::Connection;
use serde_json::Value;
use std::ffi::OsStr;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::Stdio;

fn batch(scene: &Scene, name: &str) -> Value {
    let (_, status) = scene.json("status");
    let batches = status["batches"].as_array().expect("batches").clone();
    let found = batches.into_iter().find(|one| one["name"] == name);
    found.unwrap_or_else(|| panic!("no batch {name} in {status}"))
}

fn state(scene: &Scene, name: &str) -> String {
    batch(scene, name)["state"].as_str().expect("a state").to_string()
}

/// Writes, carries and absorbs what a command writes; what is said of each receipt.
#[track_caller]
fn by_waybill(scene: &Scene, words: &str) -> Vec<Value> {
    let receipts: Vec<PathBuf> = waybills(scene, words)
        .iter()
        .map(|(_, _, path)| carry(scene, path))
        .collect();
    let (exit, told) = absorb(scene, &receipts);
    assert_eq!(exit, 0, "{told:?}");
    assert!(!told.is_empty());
    told
}

#[track_caller]
fn same_trees(scene: &Scene, from: &str, to: &str) {
    let (from, to) = (scene.from.join(from), scene.to.join(to));
    let words = [OsStr::new("-r"), from.as_os_str(), to.as_os_str()];
    let (same, said) = other("diff", &words, &scene.root()).expect("diff");
    assert!(same, "{said}");
}

fn small() -> Scene {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene
}

#[test]
fn a_batch_that_is_out_is_left_alone_until_it_is_taken_back() {
    let scene = small();
    let (code, written) = scene.json("waybill");
    assert_eq!(
        (code, &written["waybills"][0]["batch"]),
        (0, &Value::from("2019.1"))
    );
    has(&written["waybills"][0], "batch task path blake3");
    assert_eq!(written["script"], Value::Null);
    for words in [
        "copy 2019.1",
        "verify 2019.1",
        "adopt 2019.1",
        "verify 2019.1 --sample 1",
        "release 2019.1",
    ] {
        let (code, refused) = scene.json(words);
        assert_eq!(
            (code, &refused["error"]["code"]),
            (3, &Value::from("carried-elsewhere")),
            "{words}"
        );
        let mend = refused["error"]["mend"].as_str().expect("a mend");
        assert!(
            mend.contains("absorb") && mend.contains("hold 2019.1 --off"),
            "{mend}"
        );
    }
    let (_, copied) = scene.json("copy --all");
    let names: Vec<&Value> = copied["batches"]
        .as_array()
        .expect("batches")
        .iter()
        .map(|b| &b["name"])
        .collect();
    assert_eq!(names, ["2020.1"], "the other one goes on");
    let shown = batch(&scene, "2019.1");
    assert_eq!(shown["carried"][0]["task"], "copy");
    assert!(scene.run("status").text().contains("Batch 2019.1: out since"));
    // Pausing and letting everything go on leaves waybills as they are.
    scene.run("hold --everything").expect(0);
    scene.run("hold --everything --off").expect(0);
    assert_eq!(
        batch(&scene, "2019.1")["carried"]
            .as_array()
            .expect("a list")
            .len(),
        1
    );
    let (_, held) = scene.json("hold 2019.1 --off");
    assert_eq!(held["taken_back"], serde_json::json!(["2019.1"]));
    scene.run("copy 2019.1").expect(0);
    assert_eq!(batch(&scene, "2019.1")["carried"], serde_json::json!([]));
    assert_eq!(state(&scene, "2019.1"), "copied");
}

#[test]
fn what_a_state_allows_is_written_and_the_rest_is_told_with_its_reason() {
    let scene = small();
    let (code, told) = scene.json("waybill 2019.1 --task copy,verify");
    assert_eq!(code, 1, "{told}");
    assert_eq!(told["waybills"].as_array().expect("a list").len(), 1);
    assert_eq!(told["not_written"][0]["task"], "verify");
    assert!(
        told["not_written"][0]["why"]
            .as_str()
            .expect("why")
            .contains("not copied yet")
    );
    scene.run("hold 2019.1 --off").expect(0);
    let ran = scene.run("waybill 2019.1 --task verify").expect(2);
    one_line(&ran, "not copied yet");
    one_line(&scene.run("waybill 2019.9").expect(2), "2019.1");
    scene.run("waybill 2019.1 --task paint").expect(2);
    scene.run("waybill 2019.1 --all").expect(2);
    // Hashing the source is always possible, and sets nothing aside.
    waybills(&scene, "waybill 2019.1 --task hash-source");
    scene.run("copy --all").expect(0);
    scene.run("verify --all").expect(0);
    one_line(&scene.run("waybill 2019.1").expect(2), "verified already");
    waybills(&scene, "waybill 2019.1 --task hash-source");
    assert_eq!(waybills(&scene, "waybill --all").len(), 0);
    // Held is held.
    let scene = small();
    scene.run("hold 2019.1").expect(0);
    one_line(&scene.run("waybill 2019.1").expect(3), "held");
    assert_eq!(waybills(&scene, "waybill")[0].0, "2020.1");
}

#[test]
fn the_same_facts_give_the_same_bytes_and_one_row() {
    let scene = small();
    let bytes = |scene: &Scene| -> Vec<Vec<u8>> {
        let tasks = ["waybill --all", "waybill --all --task hash-source"];
        let written = tasks.iter().flat_map(|words| waybills(scene, words));
        written
            .map(|(_, _, path)| std::fs::read(path).expect("a waybill"))
            .collect()
    };
    let rows = |scene: &Scene| -> Vec<String> {
        dump(scene)
            .into_iter()
            .filter(|line| line.starts_with("waybills: "))
            .collect()
    };
    let first = (bytes(&scene), rows(&scene));
    assert_eq!((bytes(&scene), rows(&scene)), first);
    assert_eq!(first.1.len(), 4);
    // Another accepted fact is another waybill: the earlier one is over.
    scene.edit("reserve = \"1 MB\"", "reserve = \"2 MB\"");
    let second = (bytes(&scene), rows(&scene));
    assert!(first.0.iter().all(|one| !second.0.contains(one)));
    let standing = |word: &str| {
        second
            .1
            .iter()
            .filter(|row| row.contains(&format!("| {word} |")))
            .count()
    };
    assert_eq!((standing("out"), standing("withdrawn")), (4, 4), "{:?}", second.1);
    assert_eq!((bytes(&scene), rows(&scene)), second);
    // Back to the first settings it is no earlier waybill come to life again.
    scene.edit("reserve = \"2 MB\"", "reserve = \"1 MB\"");
    assert!(bytes(&scene).iter().all(|one| !first.0.contains(one)));
}

/// Copied and read back by waybills alone: the gate asks for what it asks of any batch, and the
/// manifest is one that b3sum reads.
#[test]
fn a_move_by_waybills_has_its_proof_its_manifest_and_an_open_gate() {
    let scene = small();
    let told = by_waybill(&scene, "waybill --all");
    assert!(told.iter().all(|one| one["state"] == "copied"), "{told:?}");
    let told = by_waybill(&scene, "waybill --all");
    assert!(told.iter().all(|one| one["state"] == "verified"), "{told:?}");
    let (code, status) = scene.json("status --left-behind");
    assert_eq!(
        (code, status["left_behind"].as_array().expect("a list").len()),
        (0, 0)
    );
    assert_eq!(status["totals"]["bytes"]["verified"], 379_027);
    assert!(scene.home.join("reports/proofs/2019.1.json").exists());
    let manifest = scene.home.join("reports/manifests/2019.1.blake3");
    if let Some((good, said)) = other(
        "b3sum",
        &[OsStr::new("--check"), manifest.as_os_str()],
        &scene.to.join("2019"),
    ) {
        assert!(good, "{said}");
    }
    let (_, shut) = scene.json("release 2019.1");
    let reasons = shut["batches"][0]["reasons"].as_array().expect("reasons").iter();
    let codes: Vec<&str> = reasons.map(|r| r["code"].as_str().expect("a code")).collect();
    assert_eq!(codes, ["no-second-copy", "no-restore-test"]);
    scene.edit(
        "second-copy = \"\"",
        "second-copy = \"a shelf at the harbour office\"",
    );
    let restored = scene.root().join("restored");
    write(&restored.join("clip.bin"), &noise(300_000, 1));
    let words = [
        "release",
        "2019.1",
        "--restored",
        restored.to_str().expect("UTF-8"),
        "--json",
    ];
    let open = scene.run_words(&words).expect(0).object();
    assert_eq!(open["batches"][0]["releasable"], true, "{open}");
    // Home agrees: read once more here, everything is as it was answered.
    let (code, again) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{again}");
}

/// Killed in the middle, so that staged files and intents are left: they are cleared before another
/// machine goes on, which takes over what has its name.
#[test]
fn a_batch_begun_at_home_goes_on_elsewhere() {
    for wait in [20, 60, 120, 250] {
        let scene = Scene::bare();
        scene.put("2019-long/large.bin", &noise(90_000_000, 5));
        for n in 0..60 {
            scene.put(format!("2019-long/small-{n}.bin"), &noise(3_000, n));
        }
        scene.planned();
        let mut begun = scene
            .command(&["copy", "2019.1", "--quiet"])
            .spawn()
            .expect("it starts");
        std::thread::sleep(std::time::Duration::from_millis(wait));
        let _ = begun.kill();
        begun.wait().expect("it ends");
        if state(&scene, "2019.1") == "copied" {
            continue;
        }
        by_waybill(&scene, "waybill 2019.1");
        let told = by_waybill(&scene, "waybill 2019.1");
        assert_eq!(told[0]["state"], "verified", "after {wait} ms: {told:?}");
        same_trees(&scene, "2019-long", "2019/2019-long");
        let (code, again) = scene.json("verify 2019.1 --again");
        assert_eq!(code, 0, "{again}");
    }
}

#[test]
fn later_files_come_by_waybills_of_their_own_and_wait_for_those_before() {
    let scene = small();
    by_waybill(&scene, "waybill --all");
    waybills(&scene, "waybill 2019.1 --task verify");
    let fair = scene.from.join("2019-lantern-fair");
    std::fs::write(fair.join("notes.txt"), b"the keeper called back\n").expect("an edit");
    scene.put("2019-lantern-fair/raw/second.bin", &noise(40_000, 21));
    scene.put("2019-lantern-fair/prints/poster.bin", &noise(5_000, 22));
    std::fs::create_dir(fair.join("empty")).expect("a folder");
    scene.run("scan").expect(0);
    let (code, plan) = scene.json("plan --accept");
    assert!(code < 2, "{plan}");
    let batches = plan["batches"].as_array().expect("batches").iter();
    let later: Vec<String> = batches
        .map(|one| one["name"].as_str().expect("a name").to_string())
        .filter(|name| !["2019.1", "2020.1"].contains(&name.as_str()))
        .collect();
    assert_eq!(later.len(), 1, "{plan}");
    // It would take places from under the other machine's hands.
    for words in [format!("copy {}", later[0]), format!("waybill {}", later[0])] {
        let (code, refused) = scene.json(&words);
        assert_eq!(
            (code, &refused["error"]["code"]),
            (3, &Value::from("carried-elsewhere")),
            "{words}"
        );
    }
    scene.run("hold 2019.1 --off").expect(0);
    by_waybill(&scene, &format!("waybill {}", later[0]));
    same_trees(&scene, "2019-lantern-fair", "2019/2019-lantern-fair");
    by_waybill(&scene, &format!("waybill {}", later[0]));
    by_waybill(&scene, "waybill 2019.1");
    for name in ["2019.1", &later[0]] {
        assert_eq!(state(&scene, name), "verified");
    }
    let (code, again) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{again}");
}

#[test]
fn a_run_goes_on_with_the_others_and_takes_up_what_comes_back() {
    let scene = small();
    scene.edit("rescan = \"daily\"", "rescan = \"never\"");
    let (_, _, out) = waybills(&scene, "waybill 2019.1").remove(0);
    let mut run = scene.command(&["run"]);
    let mut run = run
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    let said = BufReader::new(run.stderr.take().expect("a pipe"));
    let mut lines = said.lines().map(|line| line.expect("a line"));
    let waits = lines
        .by_ref()
        .find(|line| line.contains("other machines carry what is left"));
    assert!(waits.expect("it says what it waits for").contains("2019.1"));
    assert_eq!(state(&scene, "2020.1"), "verified");
    let receipt = carry(&scene, &out);
    let (exit, told) = absorb(&scene, &[receipt]);
    assert_eq!(exit, 0, "{told:?}");
    let rest: Vec<String> = lines.collect();
    assert!(run.wait().expect("it ends").success(), "{rest:?}");
    assert_eq!(state(&scene, "2019.1"), "verified");
}

#[test]
fn hashes_of_the_source_save_a_reading_and_are_a_second_one() {
    let scene = Scene::bare();
    scene.put("2019-tape/one.bin", &noise(2_000_000, 1));
    scene.put("2019-tape/two.bin", &noise(500, 2));
    scene.planned();
    // Before the batch has begun: adopt then reads the destination alone.
    let told = by_waybill(&scene, "waybill 2019.1 --task hash-source");
    assert_eq!(
        (&told[0]["files_done"], &told[0]["state"]),
        (&Value::from(2), &Value::Null)
    );
    scene.run("copy 2019.1").expect(0);
    // After it: a second reading. The waybill is another one, by its number.
    by_waybill(&scene, "waybill 2019.1 --task hash-source");
    let twice = |scene: &Scene| -> i64 {
        let db = Connection::open(scene.home.join("ledger.db")).expect("a ledger");
        db.query_row("SELECT count(source_again) FROM beside", [], |row| row.get(0))
            .expect("rows")
    };
    assert_eq!(twice(&scene), 2);
    // Other content under the same size and time: somebody's disk or memory lies.
    let one = scene.from.join("2019-tape/one.bin");
    let mut bytes = noise(2_000_000, 1);
    bytes[7] ^= 1;
    write(&one, &bytes);
    let (_, _, path) = waybills(&scene, "waybill 2019.1 --task hash-source").remove(0);
    let (exit, told) = absorb(&scene, &[carry(&scene, &path)]);
    assert_eq!(
        (exit, &told[0]["reads_disagreed"]),
        (1, &Value::from(1)),
        "{told:?}"
    );
    scene.run("verify 2019.1").expect(0);
    let (_, shut) = scene.json("release 2019.1");
    let reasons = shut["batches"][0]["reasons"].to_string();
    assert!(reasons.contains("reads-disagree"), "{reasons}");
}

/// What a crash leaves between the entering of a verification and its proof.
#[test]
fn the_same_receipt_once_more_finishes_what_a_crash_has_cut_off() {
    let scene = small();
    scene.run("copy --all").expect(0);
    let (_, _, path) = waybills(&scene, "waybill 2019.1").remove(0);
    let receipt = carry(&scene, &path);
    assert_eq!(absorb(&scene, std::slice::from_ref(&receipt)).0, 0);
    let proof = scene.home.join("reports/proofs/2019.1.json");
    std::fs::remove_file(&proof).expect("a proof");
    let db = Connection::open(scene.home.join("ledger.db")).expect("a ledger");
    db.execute_batch("DELETE FROM proofs; UPDATE batches SET state = 'verifying', verified_at = NULL WHERE name = '2019.1'")
        .expect("as after a crash");
    drop(db);
    let (exit, told) = absorb(&scene, &[receipt]);
    assert_eq!(
        (exit, &told[0]["entered"], &told[0]["state"]),
        (0, &Value::Bool(false), &Value::from("verified"))
    );
    assert!(proof.exists());
}

/// Names that change on the way and owners that are set: the other machine does as is done here.
#[test]
fn renames_and_set_permissions_go_with_the_waybill() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2019-lantern-fair/raw/a:b.bin", &noise(800, 4));
    scene.begin();
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).expect("settings");
    text.push_str(
        "\n[[rename]]\nfrom = \"2019-lantern-fair/raw\"\nto = \"2019-lantern-fair/rohes\"\n\n\
         [[rename]]\nfrom = \"2019-lantern-fair/raw/a:b.bin\"\nto = \"2019-lantern-fair/raw/a-b.bin\"\n",
    );
    let text = text.replacen(
        "[permissions]\n",
        "[permissions]\nfiles = \"0640\"\ndirs = \"0750\"\n",
        1,
    );
    std::fs::write(&path, text).expect("settings");
    scene.run("scan").expect(0);
    scene.run("plan");
    by_waybill(&scene, "waybill 2019.1");
    let placed = scene.to.join("2019/2019-lantern-fair/rohes/a-b.bin");
    assert_eq!(std::fs::read(&placed).expect("it lies there"), noise(800, 4));
    let told = by_waybill(&scene, "waybill 2019.1");
    assert_eq!(told[0]["state"], "verified");
    let (code, again) = scene.json("verify 2019.1 --again");
    assert_eq!(code, 0, "{again}");
}

/// Paths that a waybill asks for, read by an independent reader of JSON.
fn asked(waybill: &std::path::Path) -> Vec<String> {
    let (mut folder, mut found) = (String::new(), Vec::new());
    for line in std::fs::read_to_string(waybill).expect("a waybill").lines() {
        let line: Value = serde_json::from_str(line).expect("JSON");
        if let Some(path) = line["folder"]["path"].as_str() {
            folder = path.to_string();
        }
        let entry = &line["entry"];
        let copied = entry["kind"] == "file" || entry["kind"] == "symlink";
        if copied && entry["way"] != true {
            let name = entry["name"].as_str().expect("a name");
            found.push(format!("{folder}/{name}").trim_start_matches('/').to_string());
        }
    }
    found.sort();
    found
}

/// `plan --files` goes another way through the index; both must name the same files, at any depth,
/// with loose files above, things left out, and datasets that are whole projects.
#[test]
fn a_waybill_lists_what_the_plan_lists() {
    for (depth, by) in [(1, "year"), (2, "project"), (3, "year")] {
        let scene = Scene::bare();
        for path in [
            "2019/spring/a/one.bin",
            "2019/spring/a/b/two.bin",
            "2019/spring/three.bin",
            "2019/four.bin",
            "2019-fair/x/y.bin",
            "2019-fair/.hidden",
            "2020 odd/# name/(z).bin",
            "2020 odd/q.bin",
            "five.bin",
            "2019/spring/@eaDir/thumb.jpg",
            "2019/#recycle/gone.bin",
            "2019-fair!/near.bin",
            "2019-fair/x!/near.bin",
        ] {
            scene.put(path, path.as_bytes());
        }
        std::os::unix::fs::symlink("y.bin", scene.from.join("2019-fair/x/link")).expect("a link");
        scene.begin();
        if depth > 1 {
            scene.edit("project-depth = 1", &format!("project-depth = {depth}"));
        }
        scene.edit("by = \"year\"", &format!("by = \"{by}\""));
        scene.run("scan").expect(0);
        let ran = scene.run("plan");
        assert!(ran.code < 2, "{}", ran.err);
        let mut all = Vec::new();
        for (name, _, path) in waybills(&scene, "waybill --all") {
            let listed = scene.run_words(&["plan", "--files", &name]).expect(0).out;
            let mut planned: Vec<String> = listed
                .split(|byte| *byte == 0)
                .filter(|path| !path.is_empty())
                .map(|path| String::from_utf8_lossy(path).into_owned())
                .collect();
            planned.sort();
            let found = asked(&path);
            assert_eq!(found, planned, "{name} at depth {depth} by {by}");
            all.extend(found);
        }
        assert!(all.len() > 8, "{all:?}");
        let count = all.len();
        all.sort();
        all.dedup();
        assert_eq!(all.len(), count, "a file is in two batches");
        // And all of it can be worked: nothing but the list goes to the other machine.
        by_waybill(&scene, "waybill --all");
        by_waybill(&scene, "waybill --all");
        let (code, again) = scene.json("verify --all --again");
        assert_eq!(code, 0, "{again}");
    }
}

/// A folder that got another name at the source would get it at the destination too, under the hands
/// of the machine that copies into it.
#[test]
fn a_rename_at_the_source_waits_until_the_batch_is_back() {
    let scene = small();
    let (_, _, out) = waybills(&scene, "waybill 2019.1").remove(0);
    let (old, new) = (
        scene.from.join("2019-river-play"),
        scene.from.join("2019-river-dance"),
    );
    let receipt = carry(&scene, &out);
    std::fs::rename(&old, &new).expect("a rename");
    scene.run("scan").expect(0);
    // Inode numbers have to be seen twice before they tell that it is the same folder.
    scene.run("scan").expect(0);
    let before = listing(&scene.to);
    let ran = scene.run("plan --accept");
    assert!(
        ran.code == 3 && ran.err.contains("carried by another machine") || ran.code < 2,
        "{}",
        ran.err
    );
    assert_eq!(listing(&scene.to), before);
    let (exit, told) = absorb(&scene, &[receipt]);
    assert_eq!(exit, 0, "{told:?}");
    assert!(scene.run("plan --accept").code < 2);
}

#[test]
fn two_names_that_a_rename_makes_one_stop_the_waybill() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).expect("settings");
    text.push_str("\n[[rename]]\nfrom = \"2019-lantern-fair/notes.txt\"\nto = \"2019-lantern-fair/raw\"\n");
    std::fs::write(&path, text).expect("settings");
    scene.run("scan").expect(0);
    scene.run("plan");
    let ran = scene.run("waybill 2019.1");
    assert_eq!(ran.code, 2, "{}", ran.err);
    one_line(&ran, "one name");
    let folder = scene.home.join("waybills");
    let left = std::fs::read_dir(folder).map_or(0, |items| {
        let names = items.map(|item| item.expect("an entry").file_name());
        names
            .filter(|name| name.to_string_lossy().ends_with(".waybill"))
            .count()
    });
    assert_eq!(left, 0);
    assert!(dump(&scene).iter().all(|line| !line.starts_with("waybills: ")));
}

/// Whoever reads the key of a receipt can make one that is believed.
#[test]
fn a_waybill_is_its_owners_alone_to_read() {
    use std::os::unix::fs::PermissionsExt;
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let (code, wrote) = scene.json("waybill 2019.1 --task copy");
    assert_eq!(code, 0, "{wrote}");
    let path = wrote["waybills"][0]["path"].as_str().expect("a path");
    let mode = std::fs::metadata(path).expect("a waybill").permissions().mode();
    assert_eq!(mode & 0o777, 0o600, "{mode:o}");
}
