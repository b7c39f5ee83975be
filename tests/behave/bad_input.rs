//! What is missing, wrong, damaged or busy: one clear error, the right code, nothing lost.

use crate::util::*;
use std::ffi::OsStr;
use std::path::Path;
use std::time::{Duration, Instant};

fn begin(home: &Path, from: &Path, to: &Path) -> Ran {
    let words = [
        OsStr::new("begin"),
        home.as_os_str(),
        OsStr::new("--from"),
        from.as_os_str(),
        OsStr::new("--to"),
        to.as_os_str(),
        OsStr::new("--allow-root-disk"),
    ];
    poolward(words)
}

#[test]
fn a_source_that_is_missing_stops_with_3() {
    let scene = Scene::bare();
    let ran = begin(&scene.home, &scene.root().join("nowhere"), &scene.to).expect(3);
    one_line(&ran, "nowhere");
    assert!(!scene.home.join("move.toml").exists());
}

#[test]
fn a_destination_whose_parent_is_missing_stops_with_3() {
    let scene = Scene::bare();
    begin(&scene.home, &scene.from, &scene.root().join("no/pool")).expect(3);
}

#[test]
fn an_emptied_source_is_not_taken_for_one_whose_files_are_gone() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    std::fs::rename(&scene.from, scene.root().join("unplugged")).unwrap();
    for verb in ["scan", "copy 2019.1", "release 2019.1"] {
        let ran = scene.run(verb).expect(3);
        one_line(&ran, "oldbox");
    }
    std::fs::create_dir(&scene.from).unwrap();
    for verb in ["scan", "copy 2019.1", "release 2019.1"] {
        let ran = scene.run(verb).expect(3);
        one_line(&ran, "not what it was");
    }
    scene.run("status").expect(0);
    std::fs::remove_dir(&scene.from).unwrap();
    std::fs::rename(scene.root().join("unplugged"), &scene.from).unwrap();
    scene.run("copy 2019.1").expect(0);
}

#[test]
fn a_destination_without_our_marker_is_not_written_to() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    std::fs::rename(&scene.to, scene.root().join("unplugged")).unwrap();
    std::fs::create_dir(&scene.to).unwrap();
    scene.run("copy --all").expect(3);
    assert_eq!(std::fs::read_dir(&scene.to).unwrap().count(), 0);
}

#[test]
fn ends_that_overlap_are_refused_and_the_source_is_not_touched() {
    let scene = Scene::bare();
    scene.small();
    let before = listing(&scene.from);
    begin(&scene.home, &scene.from, &scene.from.join("pool")).expect(2);
    begin(&scene.home, &scene.from, &scene.from).expect(2);
    begin(&scene.home, &scene.from, &scene.root()).expect(2);
    std::os::unix::fs::symlink(&scene.from, scene.root().join("alias")).unwrap();
    begin(&scene.home, &scene.from, &scene.root().join("alias")).expect(2);
    begin(&scene.home, &scene.from, &scene.root().join("alias/pool")).expect(2);
    begin(&scene.from.join("move"), &scene.from, &scene.to).expect(2);
    assert_eq!(listing(&scene.from), before);
    assert!(!scene.home.join("move.toml").exists());
}

#[test]
fn a_destination_on_the_root_disk_needs_the_users_word() {
    let root = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let table = std::fs::read_to_string("/proc/self/mounts").unwrap();
    let scene = Scene::bare();
    let alone = |path: &Path| {
        table
            .lines()
            .filter_map(|l| l.split(' ').nth(1))
            .any(|at| at != "/" && path.starts_with(at))
    };
    if alone(&scene.root()) {
        eprintln!(
            "skipped: {} and {} are not on the root disk",
            scene.root().display(),
            root.display()
        );
        return;
    }
    let to = scene.root().join("not-yet");
    let words = [
        OsStr::new("begin"),
        scene.home.as_os_str(),
        OsStr::new("--from"),
        scene.from.as_os_str(),
        OsStr::new("--to"),
        to.as_os_str(),
    ];
    let ran = poolward(words).expect(2);
    one_line(&ran, "--allow-root-disk");
    assert!(!to.exists(), "a refused destination was made all the same");
}

#[test]
fn a_move_is_begun_once() {
    let scene = Scene::bare();
    scene.begin();
    one_line(&begin(&scene.home, &scene.from, &scene.to).expect(2), "already");
    let other = scene.root().join("other-move");
    one_line(&begin(&other, &scene.from, &scene.to).expect(2), "another move");
}

#[test]
fn settings_that_are_wrong_are_named_by_line_and_column() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let path = scene.home.join("move.toml");
    let good = std::fs::read_to_string(&path).unwrap();
    let line = good.lines().position(|line| line == "[plan]").unwrap() + 2;
    for (wrong, word) in [
        ("colour = \"red\"", "colour"),
        ("batch-max = \"4 bushels\"", "bushels"),
        ("order = \"by-whim\"", "by-whim"),
    ] {
        std::fs::write(&path, good.replacen("[plan]\n", &format!("[plan]\n{wrong}\n"), 1)).unwrap();
        let ran = scene.run("scan").expect(2);
        assert!(ran.err.contains(word), "{}", ran.err);
        assert!(
            ran.err.contains(&format!("{line}:")) || ran.err.contains(&format!("line {line}")),
            "no line {line}: {}",
            ran.err
        );
        let object = scene.run("scan --json").expect(2).object();
        has(&object["error"], "code text path mend");
    }
}

#[test]
fn a_batch_that_does_not_exist_gets_the_nearest_names() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    for verb in [
        "copy 2019.11",
        "verify 2019.11",
        "release 2019.11",
        "hold 2019.11",
        "adopt 2019.11",
        "plan --files 2019.11",
    ] {
        let ran = scene.run(verb).expect(2);
        one_line(&ran, "2019.1,");
    }
}

#[test]
fn verbs_out_of_order_say_what_comes_first() {
    let scene = Scene::bare();
    scene.small();
    one_line(&scene.run("scan").expect(2), "--folder");
    std::fs::create_dir(&scene.home).unwrap();
    one_line(&scene.run("scan").expect(2), "begin");
    scene.begin();
    one_line(&scene.run("plan").expect(2), "scan");
    one_line(&scene.run("copy").expect(2), "plan");
    scene.run("scan").expect(0);
    assert!(scene.run("plan").code < 2);
    one_line(&scene.run("verify 2019.1").expect(2), "copy");
    one_line(&scene.run("release 2019.1").expect(2), "verify");
    one_line(&scene.run("release 2019.1 --remove").expect(2), "not");
}

#[test]
fn a_damaged_index_is_refused_in_one_line() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let index = std::fs::read_dir(scene.home.join("indexes"))
        .unwrap()
        .map(|i| i.unwrap().path())
        .find(|p| p.is_file())
        .unwrap();
    let good = std::fs::read(&index).unwrap();
    for at in [0, good.len() / 2, good.len() - 1] {
        let mut bad = good.clone();
        bad[at] ^= 0x40;
        std::fs::write(&index, bad).unwrap();
        one_line(&scene.run("copy --all").expect(3), "");
        scene.run("survey").expect(3);
    }
    std::fs::write(&index, &good[..good.len() / 2]).unwrap();
    scene.run("copy --all").expect(3);
    std::fs::write(&index, &good).unwrap();
    scene.run("copy --all").expect(0);
}

fn ledger(scene: &Scene) -> rusqlite::Connection {
    rusqlite::Connection::open(scene.home.join("ledger.db")).unwrap()
}

#[test]
fn a_ledger_of_a_newer_version_is_left_alone() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    ledger(&scene).pragma_update(None, "user_version", 99).unwrap();
    one_line(&scene.run("status").expect(3), "newer");
    one_line(&scene.run("copy 2019.1").expect(3), "newer");
    let seen: i64 = ledger(&scene)
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .unwrap();
    assert_eq!(seen, 99);
}

#[test]
fn a_ledger_that_is_missing_or_no_database_stops_with_the_mend() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let path = scene.home.join("ledger.db");
    std::fs::remove_file(&path).unwrap();
    one_line(&scene.run("copy --all").expect(3), "--recover");
    assert!(!path.exists(), "an empty ledger was made in its place");
    std::fs::write(&path, noise(20_000, 4)).unwrap();
    one_line(&scene.run("status").expect(3), "ledger");
}

#[test]
fn a_batch_that_another_process_works_on_is_left_to_it() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let read = |path: &str| std::fs::read_to_string(path).unwrap().trim().to_string();
    let stat = read("/proc/self/stat");
    let started = stat
        .rsplit_once(')')
        .unwrap()
        .1
        .split_whitespace()
        .nth(19)
        .unwrap();
    let (host, boot) = (
        read("/proc/sys/kernel/hostname"),
        read("/proc/sys/kernel/random/boot_id"),
    );
    let db = ledger(&scene);
    let lease = |process: u32| {
        db.execute(
            "INSERT OR REPLACE INTO leases VALUES ('2019.1', ?1, ?2, ?3, ?4, 0)",
            rusqlite::params![process, started, host, boot],
        )
        .unwrap()
    };
    lease(std::process::id());
    let ran = scene.run("copy 2019.1").expect(3);
    one_line(&ran, &std::process::id().to_string());
    scene.run("status").expect(0);
    scene.run("copy 2020.1").expect(0);
    // A number that was given to another program since, or to none: the lease is taken over.
    lease(1);
    scene.run("copy 2019.1").expect(0);
}

#[test]
fn ctrl_c_stops_a_copy_with_130_and_the_next_run_completes_it() {
    let scene = Scene::bare();
    scene.put("2019-fair/large.bin", &noise(300 << 20, 8));
    for at in 0..400 {
        scene.put(format!("2019-fair/many/{at}.bin"), &noise(2_000, at));
    }
    scene.planned();
    let mut child = scene
        .command(&["copy", "--all", "--quiet"])
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let began = Instant::now();
    let mut size = || {
        let mut total = 0;
        walk(&scene.to, &mut |path, facts| {
            if facts.is_file() && !path.starts_with(scene.to.join(".poolward")) {
                total += facts.len();
            }
        });
        total
    };
    while child.try_wait().unwrap().is_none() && began.elapsed() < Duration::from_secs(20) {
        if std::panic::catch_unwind(std::panic::AssertUnwindSafe(&mut size)).unwrap_or(0) > 20 << 20 {
            break;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    let pid = rustix::process::Pid::from_raw(i32::try_from(child.id()).unwrap()).unwrap();
    let _ = rustix::process::kill_process(pid, rustix::process::Signal::INT);
    let code = child.wait().unwrap().code();
    assert_eq!(code, Some(130));
    let (code, copy) = scene.json("copy --all");
    assert_eq!(code, 0, "{copy}");
    scene.run("verify").expect(0);
    assert_eq!(listing(&scene.to.join("2019")), listing(&scene.from));
}

#[test]
fn recover_takes_back_the_ledger_and_the_move_goes_on() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.run("copy 2019.1").expect(0);
    for name in ["ledger.db", "ledger.db-wal", "ledger.db-shm"] {
        let _ = std::fs::remove_file(scene.home.join(name));
    }
    let words = [
        OsStr::new("begin"),
        scene.home.as_os_str(),
        OsStr::new("--recover"),
        OsStr::new("--json"),
    ];
    poolward(words).expect(0).object();
    poolward(words).expect(2);
    let (code, again) = scene.json("copy 2019.1");
    assert_eq!(
        (code, &again["batches"][0]["files_copied"]),
        (0, &0.into()),
        "{again}"
    );
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    assert!(
        scene.json("status").1["batches"]
            .as_array()
            .unwrap()
            .iter()
            .all(|b| b["state"] == "verified")
    );
}

#[test]
fn an_end_that_may_not_be_written_or_read_is_told() {
    UNPRIVILEGED.set(true);
    use std::os::unix::fs::PermissionsExt;
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let folder = scene.from.join("2020-harvest");
    std::fs::set_permissions(&folder, std::fs::Permissions::from_mode(0o000)).unwrap();
    let (_, scan) = scene.json("scan");
    std::fs::set_permissions(&folder, std::fs::Permissions::from_mode(0o755)).unwrap();
    assert!(scan["errors"].to_string().contains("2020-harvest"), "{scan}");
    std::fs::set_permissions(&scene.to, std::fs::Permissions::from_mode(0o555)).unwrap();
    let ran = scene.run("copy --all");
    std::fs::set_permissions(&scene.to, std::fs::Permissions::from_mode(0o755)).unwrap();
    ran.expect(3);
}
