//! Reading again what was released: rot told from change, slices, a proof file alone.

use crate::removing::{release_all, released, remove};
use crate::util::*;
use rusqlite::Connection;
use serde_json::Value;
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::os::unix::fs::{FileExt, MetadataExt, symlink};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// `kind path` of everything in a list of every dataset, sorted.
fn found(fixity: &Value, of: &str) -> Vec<String> {
    let datasets = fixity["datasets"].as_array().expect("datasets");
    let all = datasets
        .iter()
        .flat_map(|one| one[of].as_array().expect("a list"));
    let word = |one: &Value, key: &str| one[key].as_str().expect("a word").to_string();
    let mut found: Vec<String> = all
        .map(|one| format!("{} {}", word(one, "kind"), word(one, "path")))
        .collect();
    found.sort();
    found
}

/// Turns one bit and puts the time back, as a disk would.
pub fn rot(path: &Path, at: u64) {
    let before = path.metadata().expect("facts");
    let file = std::fs::File::options()
        .read(true)
        .write(true)
        .open(path)
        .expect("a file");
    let mut byte = [0];
    file.read_exact_at(&mut byte, at).expect("a byte");
    file.write_all_at(&[byte[0] ^ 1], at).expect("a byte");
    drop(file);
    set_time(path, before.mtime() as u64, before.mtime_nsec() as u32);
}

/// Sum of a number over all datasets.
fn sum(fixity: &Value, key: &str) -> u64 {
    let datasets = fixity["datasets"].as_array().expect("datasets");
    datasets
        .iter()
        .map(|one| one[key].as_u64().expect("a number"))
        .sum()
}

#[test]
fn rot_is_told_from_change_and_b3sum_names_the_same_files() {
    let scene = Scene::bare();
    scene.small();
    for name in ["edit", "grow", "touch", "gone", "link", "well", "flip"] {
        scene.put(
            format!("2019-river-play/{name}.bin"),
            &noise(5_000, name.len() as u64),
        );
    }
    scene.put("2019-river-play/empty", b"");
    scene.put("2019-river-play/large.bin", &noise(40 << 20, 8));
    released(&scene);
    let (code, clean) = scene.json("fixity");
    assert_eq!(code, 0, "{clean}");
    has(
        &clean["datasets"][0],
        "name files_checked differences share_checked",
    );
    assert_eq!(sum(&clean, "files_checked"), 13, "empty files count");
    assert_eq!(clean["datasets"][0]["share_checked"], 1.0);

    let there = scene.to.join("2019/2019-river-play");
    rot(&there.join("flip.bin"), 4_000);
    rot(&there.join("large.bin"), 20 << 20);
    std::fs::write(there.join("edit.bin"), noise(5_000, 99)).unwrap();
    std::fs::write(there.join("grow.bin"), noise(6_000, 99)).unwrap();
    set_time(&there.join("touch.bin"), 1_700_000_000, 0);
    std::fs::remove_file(there.join("gone.bin")).unwrap();
    std::fs::remove_file(there.join("link.bin")).unwrap();
    symlink("flip.bin", there.join("link.bin")).unwrap();
    std::fs::write(there.join("guest.txt"), "not asked").unwrap();
    std::fs::create_dir(there.join("nothing yet")).unwrap();
    std::fs::write(there.join(".DS_Store"), "a desktop").unwrap();
    std::fs::read(there.join("well.bin")).unwrap();
    let before = listing(&scene.to);
    let (code, fixity) = scene.json("fixity 2019");
    assert_eq!(code, 1, "{fixity}");
    let at = |kind: &str, name: &str| format!("{kind} 2019-river-play/{name}");
    let mut wanted = vec![
        at("rot", "flip.bin"),
        at("rot", "large.bin"),
        at("changed", "edit.bin"),
        at("changed", "grow.bin"),
        at("absent", "gone.bin"),
        at("type", "link.bin"),
    ];
    wanted.sort();
    assert_eq!(found(&fixity, "differences"), wanted);
    let listed = [at("touched", "touch.bin"), at("uninvited", "guest.txt")];
    assert_eq!(found(&fixity, "listed"), listed);
    let without_ours = |lines: Vec<String>| {
        let theirs = |line: &String| !line.starts_with(".poolward");
        lines.into_iter().filter(theirs).collect::<Vec<_>>()
    };
    let after = without_ours(listing(&scene.to));
    let words = "nothing is written there but the ledger's own copy";
    assert_eq!(after, without_ours(before), "{words}");
    // Blocks of 16 MiB: the second of the file.
    let differences = fixity["datasets"][0]["differences"].as_array().unwrap();
    let large = differences
        .iter()
        .find(|one| one["path"] == "2019-river-play/large.bin");
    assert_eq!(
        large.unwrap()["ranges"],
        serde_json::json!([[16 << 20, 32 << 20]])
    );

    // Outside: b3sum on the manifest names the same files.
    let manifest = scene.home.join("reports/manifests/2019.1.blake3");
    let words = [OsStr::new("--check"), manifest.as_os_str()];
    let Some((whole, said)) = other("b3sum", &words, &scene.to.join("2019")) else {
        eprintln!("skipped: no b3sum here");
        return;
    };
    assert!(!whole);
    let failed: BTreeSet<&str> = said
        .lines()
        .filter_map(|line| line.split_once(": FAILED"))
        .map(|(path, _)| path)
        .collect();
    let ours: BTreeSet<&str> = differences
        .iter()
        .map(|one| one["path"].as_str().unwrap())
        .collect();
    assert_eq!(failed, ours, "{said}");
}

#[test]
fn what_rotted_shuts_the_removal_until_it_is_whole_again() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    let photo = scene.to.join("2020/2020-harvest/photo.bin");
    let good = std::fs::read(&photo).unwrap();
    rot(&photo, 100);
    scene.run("fixity 2020").expect(1);
    let (code, removed) = remove(&scene, "2020.1");
    assert_eq!(code, 1, "{removed}");
    let codes = removed["batches"][0]["reasons"].to_string();
    assert!(codes.contains("files-not-verified"), "{codes}");
    assert!(scene.from.join("2020-harvest/photo.bin").exists());
    let (code, status) = scene.json("status");
    assert_eq!(code, 1, "{status}");
    // Brought back from the second copy, with its time.
    let facts = photo.metadata().unwrap();
    std::fs::write(&photo, good).unwrap();
    set_time(&photo, facts.mtime() as u64, facts.mtime_nsec() as u32);
    let ran = scene.run("fixity 2020").expect(0);
    assert!(ran.text().contains("as it was recorded"), "{}", ran.text());
    scene.run("status").expect(0);
}

#[test]
fn what_rotted_before_its_release_is_repaired_from_the_source() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    let photo = scene.to.join("2020/2020-harvest/photo.bin");
    std::fs::remove_file(&photo).unwrap();
    let ran = scene.run("fixity").expect(1);
    assert!(ran.text().contains("poolward copy 2020.1"), "{}", ran.text());
    let (_, status) = scene.json("status");
    let states = status["batches"].as_array().unwrap().iter();
    let states: Vec<&str> = states.map(|b| b["state"].as_str().unwrap()).collect();
    assert_eq!(states, ["verified", "copied"]);
    // Until then there is nothing to hold it against.
    let ran = scene.run("fixity 2020").expect(2);
    one_line(&ran, "no batch of the dataset 2020 is verified");
    scene.run("copy 2020.1").expect(0);
    scene.run("verify 2020.1").expect(0);
    scene.run("fixity").expect(0);
    assert!(photo.exists());
}

#[test]
fn twenty_nights_read_everything_once_and_what_joins_is_read_too() {
    let scene = Scene::bare();
    for number in 0..60u64 {
        let size = 1_000 + number as usize * number as usize * 700;
        scene.put(format!("2019-fair/{:02}.bin", number), &noise(size, number));
    }
    // What the restore test of the release brings back.
    scene.put("2019-fair/photo.bin", &noise(9_000, 3));
    scene.copied();
    release_all(&scene);
    rot(&scene.to.join("2019/2019-fair/31.bin"), 7);
    let (mut read, mut rotten, mut share) = (0, 0, 0.0);
    for night in 0..10 {
        let (code, fixity) = scene.json("fixity --percent 5");
        let one = &fixity["datasets"][0];
        read += one["files_checked"].as_u64().unwrap();
        rotten += found(&fixity, "differences").len();
        assert_eq!(code, i32::from(!found(&fixity, "differences").is_empty()));
        let now = one["share_checked"].as_f64().unwrap();
        assert!(now >= share && now < 1.0, "{night}: {now} after {share}");
        share = now;
    }
    assert!((share - 0.5).abs() < 0.1, "{share}");
    // A project that comes later joins the round that is running.
    scene.put("2019-winter/late.bin", &noise(3_000, 77));
    scene.run("scan").expect(0);
    let ran = scene.run("plan --accept");
    assert!(ran.code < 2, "{}", ran.err);
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    for night in 10..20 {
        let (_, fixity) = scene.json("fixity --percent 5");
        read += sum(&fixity, "files_checked");
        rotten += found(&fixity, "differences").len();
        let share = fixity["datasets"][0]["share_checked"].as_f64().unwrap();
        assert_eq!(share == 1.0, night == 19, "night {night}: {share}");
    }
    assert_eq!((read, rotten), (62, 1));
    // The next round begins with the next night, and finds it once more.
    let (_, fixity) = scene.json("fixity");
    assert_eq!(
        (sum(&fixity, "files_checked"), found(&fixity, "differences").len()),
        (62, 1)
    );
    let text = scene.run("status").text();
    assert!(text.contains("read through"), "{text}");
}

/// Several groups of 1 GiB, nearly all of it holes.
#[test]
fn an_interrupted_run_goes_on_where_it_was() {
    let scene = Scene::bare();
    for number in 0..5 {
        let path = scene.put(format!("2019-fair/{number}.bin"), &[number]);
        let file = std::fs::File::options().write(true).open(&path).unwrap();
        file.set_len(600 << 20).unwrap();
        set_time(&path, 1_560_000_000, 0);
    }
    scene.copied();
    scene.run("verify").expect(0);
    let mut command = scene.command(&["fixity", "--json"]);
    let mut child = command.stdout(std::process::Stdio::piped()).spawn().unwrap();
    let ledger = scene.home.join("ledger.db");
    let marks = || -> i64 {
        let db = Connection::open(&ledger).unwrap();
        db.query_row("SELECT count(*) FROM fixity_marks", [], |row| row.get(0))
            .unwrap()
    };
    while marks() == 0 {
        std::thread::sleep(Duration::from_millis(5));
        assert!(
            child.try_wait().unwrap().is_none(),
            "it ended before it was interrupted"
        );
    }
    interrupt(&mut child);
    let (code, fixity) = scene.json("fixity");
    assert_eq!(code, 0, "{fixity}");
    let again = sum(&fixity, "files_checked");
    assert!((1..5).contains(&again), "{again}");
    let round = &fixity["datasets"][0]["round"];
    assert_eq!(
        (&round["files"], &round["ended"], &round["slice"]),
        (&5.into(), &true.into(), &1.into())
    );
    // The same against the proof alone.
    let proof = scene.home.join("reports/proofs/2019.1.json");
    let state = proof.with_file_name("2019.1.json.fixity");
    let mut child = crate::util::command()
        .args(["fixity", "--proof"])
        .arg(&proof)
        .spawn()
        .unwrap();
    while !has_read(&state) {
        std::thread::sleep(Duration::from_millis(5));
        assert!(
            child.try_wait().unwrap().is_none(),
            "it ended before it was interrupted"
        );
    }
    interrupt(&mut child);
    let (code, fixity) = by_proof(&proof, &[]);
    assert_eq!(code, 0, "{fixity}");
    let again = sum(&fixity, "files_checked");
    assert!((1..5).contains(&again), "{again}");
    assert!(!state.exists());
}

/// Whether a state file says that something was read.
fn has_read(state: &Path) -> bool {
    std::fs::read_to_string(state).is_ok_and(|text| !text.contains("\"files\":0,"))
}

fn interrupt(child: &mut std::process::Child) {
    let process = rustix::process::Pid::from_child(child);
    rustix::process::kill_process(process, rustix::process::Signal::INT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
}

#[test]
fn what_is_not_there_is_never_called_absent() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    let (dataset, aside) = (scene.to.join("2019"), scene.to.join("aside"));
    std::fs::rename(&dataset, &aside).unwrap();
    let ran = scene.run("fixity 2019").expect(3);
    one_line(&ran, "cannot open");
    std::fs::create_dir(&dataset).unwrap();
    let ran = scene.run("fixity").expect(3);
    one_line(&ran, "none of the 2 names known to lie in it do");
    std::fs::remove_dir(&dataset).unwrap();
    std::fs::rename(&aside, &dataset).unwrap();
    // Another pool, or none, at its place.
    std::fs::rename(scene.to.join(".poolward"), scene.root().join("marker")).unwrap();
    let ran = scene.run("fixity").expect(3);
    one_line(&ran, "marker");
    std::fs::rename(scene.root().join("marker"), scene.to.join(".poolward")).unwrap();
    let (code, fixity) = scene.json("fixity");
    assert_eq!((code, found(&fixity, "differences").len()), (0, 0));
}

/// A cron job of the wrong user is no reason to trust the pool less.
#[test]
fn what_this_user_may_not_read_is_told_and_stands_against_nothing() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    let photo = scene.to.join("2020/2020-harvest/photo.bin");
    let mode = |bits| {
        let permissions = std::os::unix::fs::PermissionsExt::from_mode(bits);
        std::fs::set_permissions(&photo, permissions).unwrap();
    };
    mode(0);
    UNPRIVILEGED.set(true);
    let (code, fixity) = scene.json("fixity");
    UNPRIVILEGED.set(false);
    assert_eq!(code, 1, "{fixity}");
    assert_eq!(found(&fixity, "differences"), ["denied 2020-harvest/photo.bin"]);
    scene.run("status").expect(0);
    mode(0o644);
    scene.run("fixity").expect(0);
}

#[test]
fn wrong_shares_and_names_are_refused() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let said = scene.run("fixity").expect(0).text();
    assert!(said.contains("Nothing is verified yet"), "{said}");
    for percent in ["0", "-1", "101", "nan", "", "5,5", "1e1"] {
        let ran = scene.run_words(&["fixity", "--percent", percent]).expect(2);
        one_line(&ran, "no share above 0");
    }
    scene.run("verify").expect(0);
    let ran = scene.run("fixity 2091").expect(2);
    one_line(&ran, "Did you mean one of these: 2019");
    scene.run("fixity --percent").expect(2);
}

/// The proof of a batch, alone in a folder, and the dataset under another path.
fn alone(scene: &Scene) -> (tempfile::TempDir, PathBuf, PathBuf) {
    scene.copied();
    scene.run("verify").expect(0);
    let folder = tempfile::tempdir().expect("a folder");
    let proof = folder.path().join("2019.1.json");
    std::fs::copy(scene.home.join("reports/proofs/2019.1.json"), &proof).expect("a copy");
    std::fs::remove_dir_all(&scene.home).expect("the move goes");
    let moved = scene.root().join("elsewhere");
    std::fs::rename(scene.to.join("2019"), &moved).expect("the dataset moves");
    (folder, proof, moved)
}

/// `fixity --proof PROOF words… --json` in the folder of the proof, by its bare name.
fn by_proof(proof: &Path, words: &[&OsStr]) -> (i32, Value) {
    let mut command = command();
    command.current_dir(proof.parent().expect("a folder"));
    command
        .args(["fixity", "--json", "--proof"])
        .arg(proof.file_name().expect("a name"))
        .args(words);
    let output = command.output().expect("the binary starts");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let value = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}"));
    (output.status.code().unwrap_or(-1), value)
}

#[test]
fn a_proof_alone_is_enough() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2019-lantern-fair/large.bin", &noise(40 << 20, 8));
    symlink("notes.txt", scene.from.join("2019-lantern-fair/short")).unwrap();
    let (_folder, proof, moved) = alone(&scene);
    let before = listing(&moved);
    let (code, fixity) = by_proof(&proof, &[]);
    assert_eq!(
        (code, &fixity["error"]["code"]),
        (3, &"mount-missing".into()),
        "{fixity}"
    );
    let (code, fixity) = by_proof(&proof, &[moved.as_os_str()]);
    assert_eq!((code, sum(&fixity, "files_checked")), (0, 4), "{fixity}");
    assert_eq!(fixity["datasets"][0]["batch"], "2019.1");
    rot(&moved.join("2019-lantern-fair/large.bin"), 20 << 20);
    std::fs::remove_file(moved.join("2019-lantern-fair/notes.txt")).unwrap();
    let (code, fixity) = by_proof(&proof, &[moved.as_os_str()]);
    assert_eq!(code, 1, "{fixity}");
    let wanted = [
        "absent 2019-lantern-fair/notes.txt",
        "rot 2019-lantern-fair/large.bin",
    ];
    assert_eq!(found(&fixity, "differences"), wanted);
    assert_ne!(listing(&moved), before);
    // One reads at a time.
    let held = std::fs::File::open(&proof).unwrap();
    held.lock().unwrap();
    let (code, fixity) = by_proof(&proof, &[moved.as_os_str()]);
    assert_eq!(
        (code, &fixity["error"]["code"]),
        (3, &"fixity-busy".into()),
        "{fixity}"
    );
    drop(held);
    // An empty folder, and a pool whose mount is missing.
    let empty = scene.root().join("empty");
    std::fs::create_dir(&empty).unwrap();
    let (code, fixity) = by_proof(&proof, &[empty.as_os_str()]);
    assert_eq!(
        (code, &fixity["error"]["code"]),
        (3, &"mount-missing".into()),
        "{fixity}"
    );
    // Nothing is kept once a round has ended, and nothing anywhere else.
    let kept: Vec<_> = std::fs::read_dir(proof.parent().unwrap()).unwrap().collect();
    assert_eq!(kept.len(), 1);
}

#[test]
fn twenty_nights_by_a_proof_read_everything_once() {
    let scene = Scene::bare();
    for number in 0..40 {
        scene.put(
            format!("2019-fair/{number}.bin"),
            &noise(1_000 + number * 9_000, number as u64),
        );
    }
    let (_folder, proof, moved) = alone(&scene);
    let state = proof.with_file_name("2019.1.json.fixity");
    let mut read = 0;
    for night in 0..20 {
        let words = [OsStr::new("--percent"), OsStr::new("5"), moved.as_os_str()];
        let (code, fixity) = by_proof(&proof, &words);
        assert_eq!(code, 0, "{fixity}");
        read += sum(&fixity, "files_checked");
        let share = fixity["datasets"][0]["share_checked"].as_f64().unwrap();
        assert_eq!(state.exists(), share < 1.0, "night {night}");
        assert_eq!(share == 1.0, night == 19, "night {night}: {share}");
    }
    assert_eq!(read, 40);
    // The state of a slice never lies in the dataset itself.
    let inside = moved.join("proof.json");
    std::fs::copy(&proof, &inside).unwrap();
    let (code, fixity) = by_proof(
        &inside,
        &[OsStr::new("--percent"), OsStr::new("5"), OsStr::new(".")],
    );
    assert_eq!(
        (code, &fixity["error"]["code"]),
        (2, &"fixity-state".into()),
        "{fixity}"
    );
    let words = ["--folder", "--percent", "5", "."].map(OsStr::new);
    let home = scene.root().join("states");
    std::fs::create_dir(&home).unwrap();
    let words = [words[0], home.as_os_str(), words[1], words[2], words[3]];
    let (code, _) = by_proof(&inside, &words);
    assert_eq!((code, home.join("proof.json.fixity").exists()), (0, true));
}

#[test]
fn a_damaged_or_hostile_proof_reads_nothing() {
    let scene = Scene::bare();
    scene.small();
    let (_folder, proof, moved) = alone(&scene);
    let good = std::fs::read_to_string(&proof).unwrap();
    let refused = |text: &[u8], why: &str| {
        std::fs::write(&proof, text).unwrap();
        let (code, fixity) = by_proof(&proof, &[moved.as_os_str()]);
        assert_eq!(
            (code, &fixity["error"]["code"]),
            (3, &"proof-damaged".into()),
            "{why}: {fixity}"
        );
    };
    let mut flipped = good.clone().into_bytes();
    let middle = flipped.len() / 2;
    flipped[middle] ^= 1;
    refused(&flipped, "a flipped bit");
    refused(&good.as_bytes()[..good.len() - 1], "a missing end");
    refused(b"", "an empty file");
    // Sealed anew over paths that lead elsewhere.
    let body = &good[..good.rfind("\"seal\"").unwrap()];
    for path in [
        "../outside",
        "/etc/passwd",
        "2019-river-play/../../x",
        "",
        "a\\u0000b",
        "2019-river-play//x",
    ] {
        let text = body.replacen("2019-river-play/sound.bin", path, 1);
        assert_ne!(text, body);
        let seal = blake3::hash(text.as_bytes());
        refused(format!("{text}\"seal\":\"{seal}\"}}\n").as_bytes(), path);
    }
    // A folder that became a link to the outside is not followed, though the same lies there.
    std::fs::write(&proof, &good).unwrap();
    let (inside, outside) = (moved.join("2019-river-play"), scene.root().join("outside"));
    std::fs::rename(&inside, &outside).unwrap();
    symlink(&outside, &inside).unwrap();
    let (code, fixity) = by_proof(&proof, &[moved.as_os_str()]);
    assert_eq!(code, 1, "{fixity}");
    assert_eq!(found(&fixity, "differences"), ["type 2019-river-play/sound.bin"]);
}

/// A file that somebody put elsewhere in the pool is told as missing and uninvited, and as one.
#[test]
fn a_file_that_lies_elsewhere_in_the_pool_is_told_as_moved_and_the_ledger_is_kept() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2019-river-play/lost.bin", &noise(5_000, 77));
    released(&scene);
    let there = scene.to.join("2019");
    std::fs::create_dir(there.join("sorted")).expect("a folder");
    std::fs::rename(
        there.join("2019-lantern-fair/raw/clip.bin"),
        there.join("sorted/opening.bin"),
    )
    .expect("a rename");
    std::fs::remove_file(there.join("2019-river-play/lost.bin")).expect("gone");
    write(&there.join("sorted/as-large.bin"), &noise(5_000, 78));
    let (code, told) = scene.json("fixity");
    assert_eq!(code, 1, "{told}");
    let one = |list: &str, path: &str| {
        let all = told["datasets"].as_array().expect("datasets").iter();
        let mut all = all.flat_map(|one| one[list].as_array().expect("a list"));
        all.find(|one| one["path"] == path)
            .cloned()
            .unwrap_or_else(|| panic!("{path}: {told}"))
    };
    let gone = one("differences", "2019-lantern-fair/raw/clip.bin");
    assert_eq!(gone["kind"], "absent");
    assert_eq!(gone["moved_to"]["path"], "sorted/opening.bin");
    assert!(one("differences", "2019-river-play/lost.bin")["moved_to"].is_null());
    let new = one("listed", "sorted/opening.bin");
    assert_eq!(
        (&new["kind"], &new["moved_from"]["path"]),
        (&"uninvited".into(), &gone["path"])
    );
    assert!(one("listed", "sorted/as-large.bin")["moved_from"].is_null());
    let text = scene.run("fixity").text();
    assert!(
        text.contains("moved: 2019-lantern-fair/raw/clip.bin lies at sorted/opening.bin now"),
        "{text}"
    );
    let count = |path: PathBuf| -> i64 {
        let db = Connection::open(path).expect("a ledger");
        let sql = "SELECT count(*) FROM fixity_rounds WHERE ended_at IS NOT NULL";
        db.query_row(sql, [], |row| row.get(0)).expect("a number")
    };
    let kept = count(scene.to.join(".poolward/ledger.db"));
    assert!(kept > 0 && kept == count(scene.home.join("ledger.db")));
}
