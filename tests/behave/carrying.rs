//! Waybills carried on "another machine": a folder of its own, the same disks by other paths.

use crate::util::{Ran, Scene, command, has, listing, noise, other, set_time};
use serde_json::Value;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

/// The other machine: it has both ends under paths of its own, and no move folder.
pub struct Away {
    pub home: PathBuf,
    pub from: PathBuf,
    pub to: PathBuf,
}

impl Away {
    /// Beside a scene, with the same ends by way of symlinks.
    pub fn of(scene: &Scene) -> Away {
        let root = scene.root().join("elsewhere");
        std::fs::create_dir_all(root.join("work")).expect("a folder");
        let (from, to) = (root.join("export"), root.join("tank"));
        let _ = symlink(&scene.from, &from);
        let _ = symlink(&scene.to, &to);
        Away {
            home: root.join("work"),
            from,
            to,
        }
    }

    /// Writes the waybills of a task at home and brings them here; their paths here.
    #[track_caller]
    pub fn fetch(&self, scene: &Scene, words: &str) -> Vec<PathBuf> {
        let (code, written) = scene.json(words);
        assert_eq!(code, 0, "{written}");
        let list = written["waybills"].as_array().expect("waybills");
        let bring = |one: &Value| {
            has(one, "batch task path blake3");
            let path = Path::new(one["path"].as_str().expect("a path"));
            let bytes = std::fs::read(path).expect("a waybill");
            assert_eq!(
                blake3::hash(&bytes).to_string(),
                one["blake3"].as_str().expect("a hash")
            );
            let here = self.home.join(path.file_name().expect("a name"));
            std::fs::write(&here, bytes).expect("a waybill");
            here
        };
        list.iter().map(bring).collect()
    }

    /// The command for one waybill, with both paths.
    pub fn command(&self, waybill: &Path) -> Command {
        let mut command = command();
        command.arg("carry").arg(waybill).arg("--json");
        command.arg("--source").arg(&self.from);
        command.arg("--destination").arg(&self.to);
        command
    }

    /// Carries one waybill; the code and the object.
    #[track_caller]
    pub fn carry(&self, waybill: &Path) -> (i32, Value) {
        let ran = ran(&mut self.command(waybill));
        assert!(!ran.err.contains("panicked"), "{}", ran.err);
        (ran.code, ran.object())
    }

    /// Carries one waybill that comes to a clean end; its receipt.
    #[track_caller]
    pub fn clean(&self, waybill: &Path) -> PathBuf {
        let (code, carried) = self.carry(waybill);
        assert_eq!(code, 0, "{carried}");
        has(&carried, "receipt blake3 batches");
        let receipt = PathBuf::from(carried["receipt"].as_str().expect("a path"));
        let hash = blake3::hash(&std::fs::read(&receipt).expect("a receipt")).to_string();
        assert_eq!(carried["blake3"], hash.as_str());
        receipt
    }
}

pub fn ran(command: &mut Command) -> Ran {
    Ran::of(command.output().expect("the binary starts"))
}

/// Takes receipts home.
#[track_caller]
pub fn absorb(scene: &Scene, receipts: &[PathBuf], code: i32) -> Value {
    let mut words = vec!["absorb", "--json"];
    words.extend(receipts.iter().map(|path| path.to_str().expect("a path")));
    scene.run_words(&words).expect(code).object()
}

pub fn states(scene: &Scene) -> Vec<String> {
    let (_, status) = scene.json("status");
    let batches = status["batches"].as_array().expect("batches");
    batches
        .iter()
        .map(|one| one["state"].as_str().expect("a state").to_string())
        .collect()
}

/// What is hard to carry: names that are no text, links of both kinds, holes, empty folders, loose
/// files of two years, a folder without write permission.
pub fn awkward(scene: &Scene) {
    scene.small();
    scene.put(
        Path::new(OsStr::from_bytes(b"2019-lantern-fair/raw/caf\xe9 \"1\"\n.bin")),
        b"latin",
    );
    let first = scene.put("2019-lantern-fair/raw/one.bin", &noise(5_000, 4));
    std::fs::hard_link(&first, scene.from.join("2019-lantern-fair/two names.bin")).expect("a link");
    symlink("raw/one.bin", scene.from.join("2019-lantern-fair/best")).expect("a symlink");
    symlink("/nowhere", scene.from.join("2019-river-play/broken")).expect("a symlink");
    std::fs::create_dir(scene.from.join("2019-river-play/empty")).expect("a folder");
    let hole = scene.put("2019-river-play/hole.bin", b"start");
    let file = std::fs::File::options().write(true).open(&hole).expect("a file");
    file.set_len(40 << 20).expect("a hole");
    set_time(&hole, 1_560_000_000, 1);
    scene.put("2019-river-play/empty.txt", b"");
    scene.put("loose-19.txt", b"loose");
    let late = scene.put("loose-20.txt", b"later");
    set_time(&late, 1_592_000_000, 0);
    let shut = scene.from.join("2020-harvest");
    std::fs::set_permissions(&shut, std::fs::Permissions::from_mode(0o550)).expect("a mode");
}

const PROJECTS: [&str; 3] = [
    "2019/2019-lantern-fair",
    "2019/2019-river-play",
    "2020/2020-harvest",
];

/// Without what is ours, and without the times of folders and links, which two scenes do not share.
fn untimed(lines: Vec<String>) -> Vec<String> {
    let theirs = lines.into_iter().filter(|line| !line.starts_with(".poolward"));
    let one = |line: String| match line.contains(" file ") {
        true => line,
        false => {
            let words: Vec<&str> = line.split(' ').collect();
            [&words[..4], &words[5..]].concat().join(" ")
        }
    };
    theirs.map(one).collect()
}

/// The whole way by waybills alone; in the end everything is as a plain copy leaves it, and as
/// diffutils sees it.
#[test]
fn a_move_by_waybills_alone_comes_to_what_a_move_at_home_comes_to() {
    let (scene, plain) = (Scene::bare(), Scene::bare());
    for one in [&scene, &plain] {
        awkward(one);
    }
    plain.copied();
    scene.planned();
    let away = Away::of(&scene);
    let before = listing(&scene.from);
    let waybills = away.fetch(&scene, "waybill --all --task copy,hash-source");
    assert_eq!(
        listing(&scene.to)
            .iter()
            .filter(|line| !line.starts_with(".poolward"))
            .count(),
        0
    );
    let kept = std::fs::read(scene.to.join(".poolward/ledger.db")).ok();
    let receipts: Vec<PathBuf> = waybills.iter().map(|one| away.clean(one)).collect();
    assert_eq!(listing(&scene.from), before, "the source is as it was");
    assert_eq!(untimed(listing(&scene.to)), untimed(listing(&plain.to)));
    for project in PROJECTS {
        let (_, name) = project.split_once('/').expect("two parts");
        assert_eq!(listing(&scene.to.join(project)), listing(&scene.from.join(name)));
    }
    // The copy of the move's own ledger is none of the other machine's business.
    assert_eq!(std::fs::read(scene.to.join(".poolward/ledger.db")).ok(), kept);
    let entered = absorb(&scene, &receipts, 0);
    for one in entered["receipts"].as_array().expect("receipts") {
        assert_eq!(one["entered"], true, "{one}");
    }
    assert!(states(&scene).iter().all(|state| state == "copied"));
    let verify = away.fetch(&scene, "waybill --all --task verify");
    let receipts: Vec<PathBuf> = verify.iter().map(|one| away.clean(one)).collect();
    absorb(&scene, &receipts, 0);
    assert!(states(&scene).iter().all(|state| state == "verified"));
    // Reading back at home finds what the other machine said.
    let (code, again) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{again}");
    for project in PROJECTS {
        let (year, name) = project.split_once('/').expect("two parts");
        let (a, b) = (scene.from.join(name), scene.to.join(year).join(name));
        let words = [
            OsStr::new("-r"),
            OsStr::new("--no-dereference"),
            a.as_os_str(),
            b.as_os_str(),
        ];
        if let Some((same, said)) = other("diff", &words, Path::new("/")) {
            assert!(same, "{said}");
        }
    }
}

/// Nothing new, nothing written: the same receipt to the byte, and it counts once.
#[test]
fn the_same_work_again_gives_the_same_receipt() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let away = Away::of(&scene);
    for words in [
        "waybill 2019.1 --task copy,hash-source",
        "waybill 2019.1 --task verify",
    ] {
        let waybills = away.fetch(&scene, words);
        let receipts: Vec<PathBuf> = waybills.iter().map(|one| away.clean(one)).collect();
        let first: Vec<Vec<u8>> = receipts
            .iter()
            .map(|one| std::fs::read(one).expect("a receipt"))
            .collect();
        let there = listing(&scene.to);
        std::thread::sleep(Duration::from_millis(1_100));
        for (waybill, bytes) in waybills.iter().zip(&first) {
            let receipt = away.clean(waybill);
            assert_eq!(&std::fs::read(&receipt).expect("a receipt"), bytes);
        }
        assert_eq!(listing(&scene.to), there);
        absorb(&scene, &receipts, 0);
        let again = absorb(&scene, &receipts, 0);
        assert!(
            again["receipts"]
                .as_array()
                .expect("receipts")
                .iter()
                .all(|one| one["entered"] == false)
        );
        for waybill in &waybills {
            // The work folder may go; the receipt is not made twice.
            std::fs::remove_dir_all(waybill.with_extension("carry")).expect("the work folder");
            let (code, refused) = away.carry(waybill);
            assert_eq!(
                (code, &refused["error"]["code"]),
                (2, &"already-carried".into()),
                "{refused}"
            );
        }
    }
}

/// Killed at one instant after another, and then let be: everything is there once, nothing of the
/// way is left, and the receipt is that of one run.
#[test]
fn a_carry_killed_at_any_instant_goes_on() {
    for task in ["copy", "verify", "hash-source"] {
        let scene = Scene::bare();
        for folder in 0..12 {
            for file in 0..60 {
                scene.put(
                    format!("2019-fair/{folder}/{file}.bin"),
                    &noise(2_000 + folder * file * 30, file as u64),
                );
            }
        }
        scene.put("2019-fair/film.bin", &noise(50 << 20, 9));
        scene.planned();
        if task == "verify" {
            scene.run("copy --all").expect(0);
        }
        let away = Away::of(&scene);
        let waybill = away
            .fetch(&scene, &format!("waybill 2019.1 --task {task}"))
            .remove(0);
        let before = listing(&scene.from);
        let mut kills = 0;
        for step in 0..60u64 {
            let mut child = away.command(&waybill).spawn().expect("the binary starts");
            std::thread::sleep(Duration::from_millis(5 + step * 9));
            if child.try_wait().expect("a state").is_some() {
                break;
            }
            child.kill().expect("a kill");
            child.wait().expect("an end");
            kills += 1;
        }
        assert!(kills > 2, "{task}: {kills}");
        let receipt = away.clean(&waybill);
        assert_eq!(listing(&scene.from), before);
        absorb(&scene, &[receipt], 0);
        if task == "copy" {
            let staged = listing(&scene.to.join("2019"))
                .into_iter()
                .filter(|line| line.contains(".pw"));
            assert_eq!(staged.count(), 0);
            scene.run("verify --all").expect(0);
        }
        let told = states(&scene);
        let wanted = if task == "hash-source" {
            "waiting"
        } else {
            "verified"
        };
        assert!(told.iter().all(|state| state == wanted), "{task}: {told:?}");
    }
}

#[test]
fn ctrl_c_saves_and_a_second_one_at_the_same_work_is_refused() {
    let scene = Scene::bare();
    scene.put("2019-fair/film.bin", &noise(200 << 20, 9));
    scene.planned();
    let away = Away::of(&scene);
    let waybill = away.fetch(&scene, "waybill 2019.1 --task copy").remove(0);
    let mut child = away
        .command(&waybill)
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("the binary");
    let process = rustix::process::Pid::from_raw(child.id() as i32).expect("a process");
    let signal = |signal| rustix::process::kill_process(process, signal).expect("a signal");
    let staged = || {
        let there = std::fs::read_dir(scene.to.join("2019/2019-fair"));
        there.is_ok_and(|mut names| names.next().is_some())
    };
    while !staged() && child.try_wait().expect("a state").is_none() {
        std::thread::sleep(Duration::from_millis(2));
    }
    signal(rustix::process::Signal::STOP);
    let (code, refused) = away.carry(&waybill);
    assert_eq!(
        (code, &refused["error"]["code"]),
        (3, &"batch-busy".into()),
        "{refused}"
    );
    signal(rustix::process::Signal::INT);
    signal(rustix::process::Signal::CONT);
    let ended = child.wait_with_output().expect("an end");
    let said: Value = serde_json::from_slice(&ended.stdout).expect("one object");
    assert_eq!(
        (ended.status.code(), &said["error"]["code"]),
        (Some(130), &"interrupted".into()),
        "{said}"
    );
    assert!(!waybill.with_extension("receipt").exists());
    let receipt = away.clean(&waybill);
    absorb(&scene, &[receipt], 0);
    scene.run("verify --all").expect(0);
}
