//! Removing at the source: aside first, back again, for good only after the days, and never more
//! than the list.

use crate::fixity::rot;
use crate::util::*;
use serde_json::Value;
use std::io::Write;
use std::path::PathBuf;
use std::process::Stdio;

/// A small move with every batch released and no days to wait.
pub fn released(scene: &Scene) {
    scene.copied();
    release_all(scene);
}

/// Verifies and releases what is copied.
pub fn release_all(scene: &Scene) {
    scene.run("verify").expect(0);
    scene.edit(
        "second-copy = \"\"",
        "second-copy = \"a shelf at the harbour office\"",
    );
    scene.edit("# waiting-days = 28", "waiting-days = 0");
    scene.edit("# hold-days = 14", "hold-days = 0");
    let restored = scene.root().join("restored");
    write(&restored.join("photo.bin"), &noise(9_000, 3));
    scene
        .run_words(&["release", "--restored", restored.to_str().expect("a path")])
        .expect(0);
    let (_, status) = scene.json("status");
    for batch in status["batches"].as_array().expect("batches") {
        let name = batch["name"].as_str().expect("a name");
        let ran = scene.run(&format!("release {name}"));
        assert!(
            ran.code == 0 || ran.text().contains("left-behind"),
            "{}{}",
            ran.text(),
            ran.err
        );
    }
}

/// Runs words with a line on standard input.
pub fn typed(scene: &Scene, words: &str, line: &str) -> (i32, Value) {
    let words: Vec<&str> = words.split(' ').chain(["--json"]).collect();
    let mut command = scene.command(&words);
    command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let mut child = command.spawn().expect("the binary starts");
    // Whoever refuses before asking reads no name.
    let _ = child.stdin.take().expect("a pipe").write_all(line.as_bytes());
    let output = child.wait_with_output().expect("it ends");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let value = serde_json::from_str(&text).unwrap_or_else(|e| {
        panic!("{e}: {text}{}", String::from_utf8_lossy(&output.stderr));
    });
    (output.status.code().unwrap_or(-1), value)
}

/// `release BATCH --remove` with the name typed.
pub fn remove(scene: &Scene, batch: &str) -> (i32, Value) {
    typed(scene, &format!("release {batch} --remove"), &format!("{batch}\n"))
}

/// The folder that holds projects aside.
pub fn aside(scene: &Scene) -> PathBuf {
    let begins = |path: &PathBuf| {
        let name = path.file_name().expect("a name").to_string_lossy();
        name.starts_with(".poolward-aside-")
    };
    let found = std::fs::read_dir(&scene.from).expect("the source");
    let mut found = found.map(|item| item.expect("an entry").path()).filter(begins);
    found.next().expect("a folder aside")
}

/// The codes of the reasons against.
pub fn reasons(answer: &Value) -> Vec<String> {
    let list = answer["batches"][0]["reasons"].as_array().expect("reasons");
    list.iter()
        .map(|r| r["code"].as_str().expect("a code").to_string())
        .collect()
}

/// The codes of what stopped it.
pub fn surprises(answer: &Value) -> Vec<String> {
    let list = answer["batches"][0]["surprises"].as_array().expect("surprises");
    list.iter()
        .map(|r| r["code"].as_str().expect("a code").to_string())
        .collect()
}

#[test]
fn a_released_batch_goes_aside_comes_back_and_goes_for_good() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2020-harvest/inner/@eaDir/small.jpg", b"a thumbnail");
    let loose = scene.put("2020-note.txt", b"on its own\n");
    set_time(&loose, 1_592_000_000, 5);
    released(&scene);
    let (code, shut) = remove(&scene, "2020.1");
    assert_eq!((code, reasons(&shut)), (1, vec!["not-signed-off".to_string()]));
    scene.run("release 2020.1 --accept excluded-thumbnails").expect(0);
    let before = listing(&scene.from);
    let copies = listing(&scene.to.join("2020"));

    let (code, error) = typed(&scene, "release 2020.1 --remove", "2019.1\n");
    assert_eq!(
        (code, error["error"]["code"].as_str()),
        (2, Some("not-confirmed"))
    );
    assert_eq!(listing(&scene.from), before);

    scene.edit("hold-days = 0", "hold-days = 14");
    let (code, went) = remove(&scene, "2020.1");
    assert_eq!(code, 0, "{went}");
    let batch = &went["batches"][0];
    has(
        batch,
        "name releasable reasons files bytes sheet removed aside aside_until stays surprises",
    );
    assert_eq!(batch["removed"], false);
    assert_eq!(batch["aside"], aside(&scene).to_str().expect("UTF-8"));
    assert!(
        !scene.from.join("2020-harvest").exists() && aside(&scene).join("2020-harvest/photo.bin").exists()
    );
    let (code, waits) = remove(&scene, "2020.1");
    assert_eq!((code, reasons(&waits)), (1, vec!["still-aside".to_string()]));

    // What is aside is no new project, and its source is still known.
    let (code, scan) = scene.json("scan");
    assert!(code < 2, "{scan}");
    let (_, plan) = scene.json("plan --accept");
    assert!(!plan.to_string().contains("poolward-aside"), "{plan}");

    scene.run("release 2020.1 --undo").expect(0);
    let same = |line: &String| !line.contains(" folder ");
    let files = |lines: Vec<String>| lines.into_iter().filter(same).collect::<Vec<_>>();
    assert_eq!(files(listing(&scene.from)), files(before.clone()));
    // Nothing is aside any more: the sign-off itself goes, and comes again.
    scene.run("release 2020.1 --undo").expect(0);
    assert_eq!(remove(&scene, "2020.1").0, 1);
    scene.run("release 2020.1").expect(0);

    scene.edit("hold-days = 14", "hold-days = 0");
    assert_eq!(remove(&scene, "2020.1").0, 0);
    let (code, gone) = remove(&scene, "2020.1");
    assert_eq!(code, 0, "{gone}");
    let batch = &gone["batches"][0];
    assert_eq!(batch["removed"], true, "{gone}");
    let left: Vec<String> = listing(&aside(&scene)).into_iter().filter(same).collect();
    assert_eq!(left.len(), 1, "{left:?}");
    assert!(
        left[0].starts_with("2020-harvest/inner/@eaDir/small.jpg"),
        "{left:?}"
    );
    assert_eq!(batch["stays"][0]["code"], "excluded-thumbnails");
    assert_eq!(listing(&scene.to.join("2020")), copies);
    assert!(scene.from.join("2019-lantern-fair/raw/clip.bin").exists());
    let undo = scene.run("release 2020.1 --undo").expect(2);
    assert!(undo.err.contains("cannot be brought back"), "{}", undo.err);
    let (code, again) = remove(&scene, "2020.1");
    assert_eq!((code, &again["batches"][0]["removed"]), (0, &true.into()));
}

/// What shows after the sign-off and before anything is removed, the source still mends.
#[test]
fn a_sign_off_is_taken_back_and_the_copy_mended_from_the_source() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    let copy = scene.to.join("2020/2020-harvest/photo.bin");
    let good = std::fs::read(&copy).expect("a copy");
    rot(&copy, 100);
    scene.run("fixity").expect(1);
    let ran = scene.run("copy 2020.1").expect(2);
    assert!(ran.err.contains("release BATCH --undo"), "{}", ran.err);
    let (code, undone) = scene.json("release 2020.1 --undo");
    assert_eq!(
        (code, &undone["batches"][0]["withdrawn"]),
        (0, &Value::Bool(true))
    );
    let state = |wanted: &str| {
        let (_, status) = scene.json("status");
        let mut batches = status["batches"].as_array().expect("batches").iter();
        let batch = batches.find(|one| one["name"] == "2020.1").expect("it");
        assert_eq!(batch["state"], wanted, "{status}");
    };
    state("verified");
    // Once is enough: it is no longer signed off.
    let again = scene.run("release 2020.1 --undo").expect(2);
    assert!(again.err.contains("not signed off"), "{}", again.err);
    let (code, shut) = typed(&scene, "release 2020.1 --remove", "2020.1\n");
    assert_eq!(code, 1, "{shut}");
    assert!(shut.to_string().contains("not-signed-off"), "{shut}");
    scene.run("verify 2020.1 --again").expect(1);
    // Written into by this test, so its ctime is another than rot leaves: both are kept.
    let kept = scene.run("copy 2020.1").expect(1);
    assert!(kept.text().contains("conflict-edited"), "{}", kept.text());
    std::fs::remove_file(&copy).expect("the bad copy");
    scene.run("copy 2020.1").expect(0);
    assert_eq!(std::fs::read(&copy).expect("a copy"), good);
    scene.run("verify 2020.1").expect(0);
    scene.run("release 2020.1").expect(0);
    state("released");
    let (code, aside) = typed(&scene, "release 2020.1 --remove", "2020.1\n");
    assert_eq!(
        (code, &aside["batches"][0]["moved"]),
        (0, &Value::from(1)),
        "{aside}"
    );
    let (_, gone) = typed(&scene, "release 2020.1 --remove", "2020.1\n");
    assert_eq!(gone["batches"][0]["removed"], true, "{gone}");
    let never = scene.run("release 2020.1 --undo").expect(2);
    assert!(never.err.contains("removed for good"), "{}", never.err);
}

#[test]
fn the_days_of_waiting_count_from_the_release() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    scene.edit("waiting-days = 0", "waiting-days = 28");
    let before = listing(&scene.from);
    let (code, shut) = remove(&scene, "2020.1");
    assert_eq!((code, reasons(&shut)), (1, vec!["still-waiting".to_string()]));
    assert_eq!(shut["batches"][0]["reasons"][0]["count"], 28);
    assert_eq!(listing(&scene.from), before);
}

#[test]
fn a_source_of_which_all_is_removed_is_still_known() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    for batch in ["2019.1", "2020.1"] {
        assert_eq!(remove(&scene, batch).0, 0);
        assert_eq!(remove(&scene, batch).0, 0);
    }
    assert_eq!(listing(&scene.from), [""; 0]);
    let (code, status) = scene.json("status");
    assert_eq!(code, 0, "{status}");
    let (code, again) = remove(&scene, "2019.1");
    assert_eq!((code, &again["batches"][0]["removed"]), (0, &true.into()));
}

#[test]
fn what_stands_in_the_way_of_the_way_back_is_named_and_kept() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    assert_eq!(remove(&scene, "2019.1").0, 0);
    let stranger = scene.put("2019-river-play/new.txt", b"begun anew");
    let (code, undone) = scene.json("release 2019.1 --undo");
    assert_eq!((code, surprises(&undone)), (1, vec!["in-the-way".to_string()]));
    assert!(scene.from.join("2019-lantern-fair/notes.txt").exists());
    assert!(aside(&scene).join("2019-river-play/sound.bin").exists());
    assert_eq!(std::fs::read(&stranger).expect("the stranger"), b"begun anew");
}

#[test]
fn each_project_gets_a_sheet_for_its_client_with_the_dates_of_both_reads() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    let home = scene.home.join("reports/projects");
    let sheet = std::fs::read_to_string(home.join("2019.1-2019-lantern-fair.txt")).expect("a sheet");
    for words in [
        "Read there",
        "Read back",
        "300,027 B",
        "2019.1-2019-lantern-fair.blake3",
    ] {
        assert!(sheet.contains(words), "no {words} in {sheet}");
    }
    let list = std::fs::read_to_string(home.join("2019.1-2019-lantern-fair.blake3")).expect("a list");
    let hash = blake3::hash(&noise(300_000, 1));
    assert!(
        list.contains(&format!("{hash}  2019-lantern-fair/raw/clip.bin")),
        "{list}"
    );
    assert!(!list.contains("river"), "{list}");
    assert!(
        sheet.contains(&blake3::hash(list.as_bytes()).to_string()),
        "{sheet}"
    );
    let (_, report) = scene.json("report");
    assert!(
        report["files"].to_string().contains("2020.1-2020-harvest.html"),
        "{report}"
    );
}

/// A mount, unmounted when dropped.
struct Mount(PathBuf);

impl Mount {
    /// Mounts what lies there over itself: to a look it is the same, to a rename or removal the kernel
    /// says EBUSY (rename(2), unlink(2)).
    fn bind(at: &std::path::Path) -> Option<Mount> {
        let made = std::process::Command::new("mount")
            .arg("--bind")
            .args([at, at])
            .status();
        if made.is_ok_and(|status| status.success()) {
            return Some(Mount(at.to_path_buf()));
        }
        crate::support::skip("no bind mounts here");
        None
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let gone = std::process::Command::new("umount").arg(&self.0).status();
        assert!(
            gone.is_ok_and(|status| status.success()),
            "{} stays mounted",
            self.0.display()
        );
    }
}

/// Projects and a loose file of one year, released.
fn with_a_loose_file(scene: &Scene) -> PathBuf {
    scene.small();
    scene.put("2020-barn-dance/film.bin", &noise(50_000, 6));
    let loose = scene.put("2020-note.txt", b"on its own\n");
    set_time(&loose, 1_592_000_000, 5);
    released(scene);
    loose
}

#[test]
fn a_file_that_is_busy_stops_the_setting_aside_and_all_can_come_back() {
    let scene = Scene::bare();
    let loose = with_a_loose_file(&scene);
    let before = listing(&scene.from);
    let Some(mount) = Mount::bind(&loose) else { return };
    let (code, answer) = remove(&scene, "2020.1");
    assert_eq!(
        (code, &answer["error"]["code"]),
        (3, &"source-busy".into()),
        "{answer}"
    );
    let said = answer["error"]["text"].as_str().unwrap();
    assert!(said.contains("2020-note.txt"), "{said}");
    assert!(
        answer["error"]["mend"].as_str().unwrap().contains("mount on it"),
        "{answer}"
    );
    assert!(loose.exists());
    let (code, back) = scene.json("release 2020.1 --undo");
    assert_eq!(code, 0, "{back}");
    assert_eq!(listing(&scene.from), before, "nothing is lost");
    drop(mount);
    assert_eq!(remove(&scene, "2020.1").0, 0);
    assert!(!loose.exists());
    assert_eq!(remove(&scene, "2020.1").0, 0);
    assert_eq!(
        std::fs::read_dir(&scene.from).unwrap().count(),
        2,
        "the year before stays"
    );
}

#[test]
fn a_file_that_is_busy_stops_the_emptying_and_the_next_run_goes_on() {
    let scene = Scene::bare();
    with_a_loose_file(&scene);
    assert_eq!(remove(&scene, "2020.1").0, 0);
    let film = aside(&scene).join("2020-barn-dance/film.bin");
    let Some(mount) = Mount::bind(&film) else { return };
    let (code, answer) = remove(&scene, "2020.1");
    assert_eq!(
        (code, &answer["error"]["code"]),
        (3, &"source-busy".into()),
        "{answer}"
    );
    assert!(
        answer["error"]["text"].as_str().unwrap().contains("film.bin"),
        "{answer}"
    );
    assert_eq!(std::fs::read(&film).unwrap(), noise(50_000, 6));
    drop(mount);
    let (code, answer) = remove(&scene, "2020.1");
    assert_eq!(
        (code, &answer["batches"][0]["removed"]),
        (0, &true.into()),
        "{answer}"
    );
    assert!(!film.exists());
}

/// A project's folder that became the place of another file system after the release.
#[test]
fn a_project_that_became_a_mount_point_stops_before_anything_is_touched() {
    let scene = Scene::bare();
    with_a_loose_file(&scene);
    let before = listing(&scene.from);
    let project = scene.from.join("2020-harvest");
    let Some(disk) = crate::support::loops::Loop::new(crate::support::loops::Kind::Ext4) else {
        return;
    };
    let over = std::process::Command::new("mount")
        .arg("--bind")
        .args([disk.path(), &project])
        .status();
    assert!(over.is_ok_and(|status| status.success()));
    let mount = Mount(project.clone());
    let (code, answer) = remove(&scene, "2020.1");
    assert_eq!(
        (code, reasons(&answer)),
        (1, vec!["not-a-folder".to_string()]),
        "{answer}"
    );
    drop(mount);
    assert_eq!(listing(&scene.from), before, "nothing is touched");
    assert_eq!(remove(&scene, "2020.1").0, 0);
    scene.run("release 2020.1 --undo").expect(0);
    assert_eq!(listing(&scene.from), before);
}

/// On a terminal of its own, which `script` (util-linux) makes.
#[test]
fn a_terminal_is_told_how_far_the_comparing_is() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    let program = env!("CARGO_BIN_EXE_poolward");
    let words = format!(
        "{program} --folder {} release 2019.1 --remove",
        scene.home.display()
    );
    let mut command = std::process::Command::new("script");
    command.args(["-qec", &words, "/dev/null"]).env("TERM", "xterm");
    let piped = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn();
    let Ok(mut child) = piped else {
        crate::support::skip("no script(1) here");
        return;
    };
    child
        .stdin
        .take()
        .expect("a pipe")
        .write_all(b"2019.1\n")
        .unwrap();
    let output = child.wait_with_output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(text.contains("comparing 2019.1: "), "{text}");
    assert!(text.contains("files compared"), "{text}");
    assert!(text.contains("set aside"), "{text}");
}
