//! Waybills carried on "another machine": a folder of its own, the same disks by other paths.

use crate::support::loops::{Kind, Loop};
use crate::util::{Ran, Scene, command, has, kinds, listing, noise, one_line, other, set_time, write};
use serde_json::Value;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};
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
        let (from, to) = (root.join("volume1"), root.join("tank"));
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
fn absorb(scene: &Scene, receipts: &[PathBuf], code: i32) -> Value {
    let mut words = vec!["absorb", "--json"];
    words.extend(receipts.iter().map(|path| path.to_str().expect("a path")));
    scene.run_words(&words).expect(code).object()
}

fn states(scene: &Scene) -> Vec<String> {
    let (_, status) = scene.json("status");
    let batches = status["batches"].as_array().expect("batches");
    batches
        .iter()
        .map(|one| one["state"].as_str().expect("a state").to_string())
        .collect()
}

/// What is hard to carry: names that are no text, links of both kinds, holes, empty folders, loose
/// files of two years, a folder without write permission.
fn awkward(scene: &Scene) {
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

/// Paths that are missing or lead to something else: told before anything is made.
#[test]
fn ends_that_are_missing_or_others_are_refused_before_anything_is_made() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let away = Away::of(&scene);
    let copy = away
        .fetch(&scene, "waybill 2019.1 --task copy,hash-source")
        .remove(0);
    let hash = copy.with_file_name("2019.1.hash-source.waybill");
    let stranger = scene.root().join("stranger");
    write(&stranger.join("holiday/photo.bin"), b"not this");
    let empty = scene.root().join("mountpoint");
    std::fs::create_dir(&empty).expect("a folder");
    let (from, to) = (&scene.from, &scene.to);
    let before = listing(&scene.root());
    let refused = |waybill: &Path, words: &[(&str, &Path)], code: i32, word: &str| {
        let mut command = command();
        command.arg("carry").arg(waybill);
        for (option, path) in words {
            command.arg(option).arg(path);
        }
        let ran = ran(&mut command).expect(code);
        one_line(&ran, "");
        let ran = Ran::of(command.arg("--json").output().expect("the binary"));
        assert_eq!(ran.object()["error"]["code"], word, "{words:?}: {}", ran.text());
    };
    let gone = scene.root().join("gone");
    let inside = from.join("2019-river-play");
    refused(&copy, &[], 2, "path-needed");
    refused(&copy, &[("--source", from)], 2, "path-needed");
    refused(&copy, &[("--destination", to)], 2, "path-needed");
    refused(&hash, &[("--destination", to)], 2, "path-needed");
    refused(
        &copy,
        &[("--source", &gone), ("--destination", to)],
        3,
        "mount-missing",
    );
    refused(
        &copy,
        &[("--source", from), ("--destination", &gone.join("x"))],
        3,
        "mount-missing",
    );
    refused(
        &copy,
        &[("--source", from), ("--destination", &inside)],
        2,
        "ends-overlap",
    );
    refused(
        &copy,
        &[("--source", from), ("--destination", from)],
        2,
        "ends-overlap",
    );
    refused(
        &copy,
        &[("--source", from), ("--destination", to), ("--out", &inside)],
        2,
        "folder-inside",
    );
    refused(
        &copy,
        &[("--source", from), ("--destination", to), ("--out", to)],
        2,
        "folder-inside",
    );
    refused(
        &copy,
        &[
            ("--source", from),
            ("--destination", to),
            ("--out", &gone.join("x")),
        ],
        2,
        "bad-path",
    );
    // A folder on the system's own disk that has no marker of this move.
    refused(
        &copy,
        &[("--source", from), ("--destination", &empty)],
        2,
        "root-disk",
    );
    refused(
        &gone,
        &[("--source", from), ("--destination", to)],
        2,
        "no-waybill",
    );
    assert_eq!(listing(&scene.root()), before);
    // What is told only once the work folder is there: the ends themselves stay untouched.
    let ends = [listing(from), listing(to), listing(&stranger)];
    refused(&hash, &[("--source", &stranger)], 2, "not-the-source");
    refused(&hash, &[("--source", &empty)], 2, "not-the-source");
    refused(
        &copy,
        &[("--source", &stranger), ("--destination", to)],
        2,
        "not-the-source",
    );
    assert_eq!([listing(from), listing(to), listing(&stranger)], ends);
    // And the right ones still do.
    away.clean(&copy);
    away.clean(&hash);
    let verify = {
        absorb(&scene, &[copy.with_extension("receipt")], 0);
        away.fetch(&scene, "waybill 2019.1 --task verify").remove(0)
    };
    refused(&verify, &[("--source", from)], 2, "path-needed");
    refused(&verify, &[("--destination", &empty)], 2, "not-the-destination");
    refused(
        &verify,
        &[("--destination", &to.join("2019"))],
        2,
        "not-the-destination",
    );
    assert_eq!(std::fs::read_dir(&empty).expect("a folder").count(), 0);
}

/// A source in which files are not the ones that are listed: those are told, and neither copied nor
/// hashed as if they were.
#[test]
fn files_that_are_not_the_listed_ones_are_told_and_not_taken() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2019-river-play/large.bin", &noise(40 << 20, 6));
    symlink("sound.bin", scene.from.join("2019-river-play/link")).expect("a symlink");
    scene.planned();
    let away = Away::of(&scene);
    let waybills = away.fetch(&scene, "waybill 2019.1 --task copy,hash-source");
    let play = scene.from.join("2019-river-play");
    // Other content under the same size, other size, another target, one that is gone.
    write(&play.join("large.bin"), &noise(40 << 20, 7));
    set_time(&play.join("large.bin"), 1_560_000_001, 0);
    write(&play.join("sound.bin"), b"short");
    std::fs::remove_file(play.join("link")).expect("a file of ours");
    symlink("large.bin", play.join("link")).expect("a symlink");
    std::fs::remove_file(scene.from.join("2019-lantern-fair/notes.txt")).expect("a file of ours");
    let before = listing(&scene.from);
    let codes = |carried: &Value| {
        let failures = carried["batches"][0]["failures"].as_array().expect("failures");
        let one = |f: &Value| {
            format!(
                "{} {}",
                f["path"].as_str().unwrap_or(""),
                f["code"].as_str().unwrap_or("")
            )
        };
        let mut all: Vec<String> = failures.iter().map(one).collect();
        all.sort();
        all
    };
    let gone = "2019-lantern-fair/notes.txt gone-at-source";
    let (large, sound) = (
        "2019-river-play/large.bin changed",
        "2019-river-play/sound.bin changed",
    );
    let (code, carried) = away.carry(&waybills[0]);
    assert_eq!(
        (code, codes(&carried)),
        (
            1,
            vec![
                gone.into(),
                large.into(),
                "2019-river-play/link changed".into(),
                sound.into()
            ]
        )
    );
    let there: Vec<String> = listing(&scene.to.join("2019"))
        .into_iter()
        .filter(|line| line.contains(" file "))
        .collect();
    assert_eq!(there.len(), 1, "{there:?}");
    assert!(there[0].starts_with("2019-lantern-fair/raw/clip.bin"));
    let (code, hashed) = away.carry(&waybills[1]);
    assert_eq!(
        (code, codes(&hashed)),
        (1, vec![gone.into(), large.into(), sound.into()])
    );
    assert_eq!(listing(&scene.from), before);
    let entered = absorb(&scene, &[waybills[0].with_extension("receipt")], 1);
    assert_eq!(entered["receipts"][0]["entered"], true, "{entered}");
}

/// What lies at the destination already is taken over; what is somebody else's stays theirs.
#[test]
fn what_lies_there_is_adopted_or_left() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let away = Away::of(&scene);
    let waybill = away.fetch(&scene, "waybill 2019.1 --task copy").remove(0);
    let to = scene.to.join("2019");
    write(&to.join("2019-lantern-fair/raw/clip.bin"), &noise(300_000, 1));
    write(
        &to.join("2019-lantern-fair/notes.txt"),
        b"somebody else's words\n",
    );
    let (code, carried) = away.carry(&waybill);
    assert_eq!(code, 1, "{carried}");
    let batch = &carried["batches"][0];
    assert_eq!(
        (&batch["files_adopted"], &batch["files_copied"]),
        (&1.into(), &1.into()),
        "{carried}"
    );
    assert_eq!(batch["failures"][0]["code"], "conflict-not-ours", "{carried}");
    let kept = std::fs::read(to.join("2019-lantern-fair/notes.txt")).expect("theirs");
    assert_eq!(kept, b"somebody else's words\n");
    absorb(&scene, &[waybill.with_extension("receipt")], 1);
    let (_, status) = scene.json("status");
    let flags = status["batches"].to_string();
    assert!(flags.contains("conflict"), "{flags}");
}

/// What differs at the destination is told with the same words as at home, ranges included.
#[test]
fn a_reading_back_elsewhere_tells_what_one_at_home_tells() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2019-river-play/film.bin", &noise(50 << 20, 8));
    scene.copied();
    let away = Away::of(&scene);
    let waybill = away.fetch(&scene, "waybill 2019.1 --task verify").remove(0);
    let to = scene.to.join("2019");
    let film = std::fs::File::options()
        .write(true)
        .open(to.join("2019-river-play/film.bin"))
        .expect("the film");
    std::os::unix::fs::FileExt::write_all_at(&film, b"bad", 20 << 20).expect("bad bytes");
    drop(film);
    set_time(&to.join("2019-river-play/film.bin"), 1_560_000_000, 123_456_789);
    std::fs::remove_file(to.join("2019-lantern-fair/notes.txt")).expect("a file of ours");
    std::fs::set_permissions(
        to.join("2019-river-play/sound.bin"),
        std::fs::Permissions::from_mode(0o600),
    )
    .expect("a mode");
    write(&to.join("2019-river-play/visitor.txt"), b"hello");
    write(&to.join("2019-river-play/.DS_Store"), b"desktop");
    let (code, carried) = away.carry(&waybill);
    assert_eq!(code, 1, "{carried}");
    let told = (kinds(&carried, "differences"), kinds(&carried, "listed"));
    let files = told.0.iter().filter(|one| !one.starts_with("time "));
    assert_eq!(
        files.collect::<Vec<_>>(),
        [
            "absent 2019-lantern-fair/notes.txt",
            "content 2019-river-play/film.bin",
            "mode 2019-river-play/sound.bin",
            "uninvited 2019-river-play/visitor.txt"
        ]
    );
    let ranges = carried["batches"][0]["differences"].to_string();
    assert!(ranges.contains("[[16777216,33554432]]"), "{ranges}");
    absorb(&scene, &[waybill.with_extension("receipt")], 1);
    assert_eq!(states(&scene)[0], "copied");
    let (code, verified) = scene.json("verify 2019.1");
    assert_eq!(code, 1);
    assert_eq!(
        (kinds(&verified, "differences"), kinds(&verified, "listed")),
        told
    );
}

/// A destination that becomes full: told, what was placed stays, and after room was made it goes on.
#[test]
fn a_full_destination_stops_it_and_more_room_lets_it_go_on() {
    let Some(disk) = Loop::sized(Kind::Ext4, 96) else {
        return;
    };
    let mut scene = Scene::bare();
    scene.to = disk.path().join("archive");
    std::fs::create_dir(&scene.to).expect("the destination");
    for file in 0..40 {
        scene.put(format!("2019-fair/{file:02}.bin"), &noise(1 << 20, file));
    }
    scene.planned();
    let away = Away::of(&scene);
    let waybill = away.fetch(&scene, "waybill 2019.1 --task copy").remove(0);
    let ballast = disk.path().join("ballast");
    write(&ballast, &noise(50 << 20, 99));
    let (code, stopped) = away.carry(&waybill);
    assert_eq!(
        (code, &stopped["error"]["code"]),
        (3, &"no-space".into()),
        "{stopped}"
    );
    assert!(!waybill.with_extension("receipt").exists());
    std::fs::remove_file(&ballast).expect("ballast");
    let receipt = away.clean(&waybill);
    absorb(&scene, &[receipt], 0);
    scene.run("verify --all").expect(0);
}

/// Through a mount that lets nobody write, a source is still read; nothing there may change.
#[test]
fn a_source_that_cannot_be_written_is_enough() {
    let Some(disk) = Loop::sized(Kind::Ext4, 64) else {
        return;
    };
    let mut scene = Scene::bare();
    scene.from = disk.path().join("old");
    std::fs::create_dir(&scene.from).expect("the source");
    awkward(&scene);
    scene.planned();
    let away = Away::of(&scene);
    let waybills = away.fetch(&scene, "waybill --all --task copy,hash-source");
    let before = listing(&scene.from);
    let inode = scene.from.metadata().expect("facts").ino();
    disk.remount("ro");
    let receipts: Vec<PathBuf> = waybills.iter().map(|one| away.clean(one)).collect();
    assert_eq!(
        (listing(&scene.from), scene.from.metadata().expect("facts").ino()),
        (before, inode)
    );
    absorb(&scene, &receipts, 0);
    scene.run("verify --all").expect(0);
}
