//! Ends that are not what a waybill expects: missing, others, changed, full, seen through another
//! kind of mount.

use crate::carrying::{Away, absorb, awkward, ran, states};
use crate::support::loops::{Kind, Loop};
use crate::util::{Ran, Scene, command, kinds, listing, noise, one_line, resealed, set_time, write};
use serde_json::Value;
use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};
use std::path::{Path, PathBuf};

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

/// The old box numbers its files in its own way and tells times to the last digit; the index was made
/// through a mount that does neither. The files are the ones listed, links stay links, and what is
/// recorded is what home knows them by.
#[test]
fn a_source_seen_through_another_kind_of_mount_is_known_by_size_and_time() {
    let scene = Scene::bare();
    awkward(&scene);
    scene.put("2019-river-play/large.bin", &noise(40 << 20, 5));
    scene.planned();
    let away = Away::of(&scene);
    let waybills = away.fetch(&scene, "waybill 2019.1 --task copy,hash-source");
    let numbers = regex::Regex::new("\"inode\":(\\d)").expect("a pattern");
    let ctimes = regex::Regex::new("\"ctime\":\"\\d+").expect("a pattern");
    for waybill in &waybills {
        let text = std::fs::read_to_string(waybill).expect("text");
        // Other numbers, the same for all names of a file; times cut to tenths of a microsecond; other
        // times of attributes.
        let other = numbers.replace_all(&text, "\"inode\":7$1");
        let other = other.replace(".123456789\"", ".123456700\"");
        let other = ctimes.replace_all(&other, "\"ctime\":\"1234567890");
        let other = other.replace("\"mount\":\"", "\"mount\":\"x");
        assert_ne!(other, text);
        std::fs::write(waybill, resealed(&other)).expect("a waybill");
        away.clean(waybill);
    }
    let fair = scene.to.join("2019/2019-lantern-fair");
    let facts = |name: &str| fair.join(name).metadata().expect("facts");
    assert_eq!(facts("raw/one.bin").ino(), facts("two names.bin").ino());
    assert_eq!(facts("raw/one.bin").mtime_nsec(), 123_456_700);
    // A later run knows all of it again.
    let (code, again) = away.carry(&waybills[0]);
    let batch = &again["batches"][0];
    assert_eq!(
        (code, &batch["files_copied"], &batch["files_adopted"]),
        (0, &0.into(), &0.into()),
        "{again}"
    );
    let (_, again) = away.carry(&waybills[1]);
    assert_eq!(again["batches"][0]["files_hashed"], 0, "{again}");
}

/// What changes on the way at home changes on the way elsewhere: names below projects, owner and bits.
#[test]
fn renames_and_permissions_of_home_hold_elsewhere() {
    if !crate::support::is_root() {
        crate::support::skip("only root may give files to others");
        return;
    }
    let (scene, plain) = (Scene::bare(), Scene::bare());
    for one in [&scene, &plain] {
        one.small();
        one.put("2019-river-play/acts/one.bin", b"first act");
        one.put("2019-river-play/acts/two.bin", b"second act");
        one.begin();
        let path = one.home.join("move.toml");
        let text = std::fs::read_to_string(&path).expect("settings");
        let more = "[[rename]]\nfrom = \"2019-river-play/acts\"\nto = \"2019-river-play/scenes\"\n\
                    [[rename]]\nfrom = \"2019-river-play/acts/two.bin\"\nto = \"2019-river-play/acts/2.bin\"\n\
                    [permissions]\nowner = \"1234:77\"\ndirs = \"0750\"\nfiles = \"0640\"\n";
        std::fs::write(&path, format!("{text}\n{more}")).expect("settings");
        one.run("scan").expect(0);
        one.run("plan");
    }
    plain.run("copy --all").expect(0);
    let away = Away::of(&scene);
    let bring = |words: &str| -> Vec<PathBuf> {
        let waybills = away.fetch(&scene, words);
        waybills.iter().map(|one| away.clean(one)).collect()
    };
    absorb(&scene, &bring("waybill --all --task copy,hash-source"), 0);
    absorb(&scene, &bring("waybill --all --task verify"), 0);
    assert!(states(&scene).iter().all(|state| state == "verified"));
    let (code, again) = scene.json("verify --all --again");
    assert_eq!(code, 0, "{again}");
    let there = scene.to.join("2019/2019-river-play/scenes/2.bin");
    assert_eq!(std::fs::read(&there).expect("the second act"), b"second act");
    let facts = there.metadata().expect("facts");
    assert_eq!(
        (facts.uid(), facts.gid(), facts.mode() & 0o7777),
        (1234, 77, 0o640)
    );
    let names = |scene: &Scene| -> Vec<String> {
        let lines = listing(&scene.to.join("2019")).into_iter();
        lines
            .map(|line| line.split(' ').take(4).collect::<Vec<_>>().join(" "))
            .collect()
    };
    assert_eq!(names(&scene), names(&plain));
}

/// A later batch brings a file anew that an earlier one has placed: it takes its place elsewhere too,
/// and only its.
#[test]
fn later_files_take_the_place_of_earlier_ones_elsewhere() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2019-river-play/edit.txt", b"first cut");
    scene.put("2019-river-play/mine.txt", b"first cut");
    scene.copied();
    std::thread::sleep(std::time::Duration::from_millis(2_100));
    scene.put("2019-river-play/new.txt", b"new");
    let late = scene.put("2019-river-play/edit.txt", b"second, longer cut");
    set_time(&late, 1_560_000_100, 0);
    let late = scene.put("2019-river-play/mine.txt", b"second, longer cut");
    set_time(&late, 1_560_000_100, 0);
    scene.run("scan").expect(0);
    scene.run("plan --accept");
    let away = Away::of(&scene);
    let waybills = away.fetch(&scene, "waybill --all --task copy");
    assert_eq!(waybills.len(), 1, "{waybills:?}");
    let there = scene.to.join("2019/2019-river-play");
    write(&there.join("mine.txt"), b"edited at the pool");
    let (code, carried) = away.carry(&waybills[0]);
    assert_eq!(code, 1, "{carried}");
    assert_eq!(
        carried["batches"][0]["failures"][0]["code"], "conflict-edited",
        "{carried}"
    );
    let read = |name: &str| std::fs::read(there.join(name)).expect("a file");
    assert_eq!(
        (read("edit.txt"), read("new.txt")),
        (b"second, longer cut".to_vec(), b"new".to_vec())
    );
    assert_eq!(read("mine.txt"), b"edited at the pool");
    absorb(&scene, &[waybills[0].with_extension("receipt")], 1);
    // Verified elsewhere, the earlier batch leaves alone what is no longer its own.
    let verify = away.fetch(&scene, "waybill 2019.1 --task verify");
    let (code, verified) = away.carry(&verify[0]);
    let told = kinds(&verified, "differences");
    assert!(
        !told
            .iter()
            .any(|one| one.contains("edit.txt") || one.contains("new.txt")),
        "{code} {told:?}"
    );
}
