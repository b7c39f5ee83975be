//! Looks beyond the comparison with the record: samples, the source once more, old check files.

use crate::support::fuse::{Fault, Fuse};
use crate::support::scratch;
use crate::util::*;
use std::ffi::OsStr;

/// A move of thirty files of different sizes, copied.
fn thirty() -> Scene {
    let scene = Scene::bare();
    for number in 0..30 {
        scene.put(
            format!("2019-fair/{number:02}.bin"),
            &noise(1_000 + number * 37, number as u64),
        );
    }
    scene.copied();
    scene
}

#[test]
fn a_sample_says_what_it_proves_and_verifies_nothing() {
    let scene = thirty();
    let (code, first) = scene.json("verify --sample 10 --seed 5");
    assert_eq!(code, 0, "{first}");
    let batch = &first["batches"][0];
    assert_eq!(
        (&batch["state"], &batch["files_checked"]),
        (&"copied".into(), &10.into())
    );
    assert_eq!(batch["sample"]["of"], 30);
    // Sizes differ from file to file, so the same bytes are the same files.
    let (_, second) = scene.json("verify --sample 10 --seed 5");
    assert_eq!(second["batches"][0]["bytes_read"], batch["bytes_read"]);
    let (_, third) = scene.json("verify --sample 10 --seed 6");
    assert_ne!(third["batches"][0]["bytes_read"], batch["bytes_read"]);
    let ran = scene.run("verify --confidence 95% --rate 10%").expect(0);
    let said = "With 95 % confidence fewer than 10 % of 30 files differ.";
    assert!(ran.text().contains(said), "{}", ran.text());
    assert!(ran.text().contains("drawn by seed"), "{}", ran.text());
    // Three bad ones of thirty are missed by n with probability C(27, n) / C(30, n): with 18 it is
    // 220 / 4060 = 5.4 %, with 19 it is 165 / 4060 = 4.1 %.
    let (_, sure) = scene.json("verify --confidence 95% --rate 10%");
    assert_eq!(sure["batches"][0]["sample"]["files"], 19, "{sure}");
    assert_eq!(scene.json("status").1["batches"][0]["files"]["verified"], 0);
}

#[test]
fn a_sample_that_meets_damage_takes_the_proof_back() {
    let scene = thirty();
    scene.run("verify").expect(0);
    let place = scene.to.join("2019/2019-fair/07.bin");
    std::fs::write(&place, noise(1_259, 99)).unwrap();
    let (code, found) = scene.json("verify --sample 1000");
    assert_eq!(code, 1, "{found}");
    assert_eq!(found["batches"][0]["sample"]["files"], 30);
    assert!(
        kinds(&found, "differences").contains(&"content 2019-fair/07.bin".into()),
        "{found}"
    );
    assert_ne!(found["batches"][0]["state"], "verified");
    let (_, shut) = scene.json("release 2019.1");
    assert!(
        shut["batches"][0]["reasons"].to_string().contains("differences"),
        "{shut}"
    );
}

#[test]
fn half_a_question_is_refused() {
    let scene = thirty();
    scene.run("verify --confidence 95%").expect(2);
    scene.run("verify --rate 1%").expect(2);
    scene.run("verify --sample 0").expect(2);
    scene.run("verify --sample 3 --again").expect(2);
    let ran = scene.run("verify --confidence 95 --rate 1%").expect(2);
    assert!(ran.err.contains("99%"), "{}", ran.err);
    scene.run("verify --seed 3").expect(2);
}

/// A source that lies now and then, as bad memory or a bad cable makes it.
#[test]
fn two_reads_of_a_source_that_disagree_are_decided_by_a_third_and_shut_the_gate() {
    for (times, stands) in [(1, "earlier-read"), (2, "later-read")] {
        let behind = scratch();
        let Some(fuse) = Fuse::over(behind.path()) else {
            return;
        };
        let mut scene = Scene::bare();
        scene.from = fuse.path().to_path_buf();
        scene.put("2019-fair/film.bin", &noise(40 << 20, 5));
        scene.put("2019-fair/note.txt", b"short");
        scene.copied();
        let (code, twice) = scene.json("verify --twice-at-source");
        assert_eq!(code, 0, "{twice}");
        let second = &twice["batches"][0]["second_read"];
        assert_eq!(
            (&second["agree"], &second["files"]),
            (&2.into(), &2.into()),
            "{twice}"
        );
        let (_, shut) = scene.json("release 2019.1");
        assert!(!shut.to_string().contains("reads-disagree"), "{shut}");
        let sheet = std::fs::read_to_string(scene.home.join("reports/release/2019.1.txt")).unwrap();
        assert!(sheet.contains("two independent reads agree"), "{sheet}");

        fuse.fault_times("2019-fair/film.bin", Fault::FlipRead(17 << 20), times);
        let (code, twice) = scene.json("verify 2019.1 --again --twice-at-source");
        assert_eq!(code, 1, "{twice}");
        let one = &twice["batches"][0]["second_read"]["disagree"][0];
        assert_eq!(one["path"], "2019-fair/film.bin", "{twice}");
        assert_eq!(one["settled_by"], stands, "{twice}");
        assert_eq!(one["ranges"], serde_json::json!([[16 << 20, 32 << 20]]));
        let (_, shut) = scene.json("release 2019.1");
        assert!(
            shut["batches"][0]["reasons"]
                .to_string()
                .contains("reads-disagree"),
            "{shut}"
        );
    }
}

#[test]
fn a_source_that_was_written_to_since_is_changed_and_disagrees_with_nobody() {
    let scene = thirty();
    let path = scene.from.join("2019-fair/03.bin");
    let before = path.metadata().unwrap().modified().unwrap();
    std::fs::write(&path, noise(1_111, 98)).unwrap();
    std::fs::File::options()
        .write(true)
        .open(&path)
        .unwrap()
        .set_modified(before)
        .unwrap();
    std::fs::write(scene.from.join("2019-fair/04.bin"), b"other").unwrap();
    let (_, twice) = scene.json("verify --twice-at-source");
    let second = &twice["batches"][0]["second_read"];
    assert_eq!(second["disagree"], serde_json::json!([]), "{twice}");
    assert_eq!(
        second["changed"],
        serde_json::json!(["2019-fair/03.bin", "2019-fair/04.bin"])
    );
    assert_eq!(second["agree"], 28);
}

/// The lists are made by coreutils, untagged and tagged (BSD).
#[test]
fn old_check_files_are_found_and_held_against_what_was_read() {
    let scene = Scene::bare();
    let home = scene.from.join("2019-fair");
    for (name, seed) in ["a", "b", "old", "gone"].into_iter().zip(1..) {
        scene.put(format!("2019-fair/{name}.bin"), &noise(3_000, seed));
    }
    scene.put("2019-fair/sub/two\nlines", b"odd");
    let list = |program: &str, words: &[&str], into: &str| {
        let words: Vec<&OsStr> = words.iter().map(OsStr::new).collect();
        let (good, text) = other(program, &words, &home).expect("coreutils");
        assert!(good, "{text}");
        write(&home.join(into), text.as_bytes());
        set_time(&home.join(into), 1_530_000_000, 0);
    };
    list(
        "md5sum",
        &["a.bin", "old.bin", "gone.bin", "sub/two\nlines"],
        "MD5SUMS",
    );
    list("sha1sum", &["--tag", "b.bin"], "b.sha1");
    list("sha256sum", &["--tag", "a.bin", "old.bin"], "sha256sum.txt");
    list("sha512sum", &["b.bin"], "sub.sha512");
    scene.put("2019-fair/drawing.md5", b"not a list at all");
    scene.put("2019-fair/old.bin", &noise(3_000, 77));
    std::fs::remove_file(home.join("gone.bin")).unwrap();
    scene.copied();
    let (code, verify) = scene.json("verify");
    assert_eq!(code, 0, "{verify}");
    let found: Vec<String> = verify["batches"][0]["check_files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| {
            let name = l["path"].as_str().unwrap().rsplit('/').next().unwrap();
            format!(
                "{name} {} {} {} {}",
                l["same"], l["differing"], l["absent"], l["uncompared"]
            )
        })
        .collect();
    assert_eq!(
        found,
        [
            "MD5SUMS 2 [\"2019-fair/old.bin\"] 1 0",
            "b.sha1 1 [] 0 0",
            "sha256sum.txt 1 [\"2019-fair/old.bin\"] 0 0",
            "sub.sha512 1 [] 0 0",
        ]
    );
    let ran = scene.run("verify --again").expect(0);
    let said = "2 files match their 2018 list 2019-fair/MD5SUMS, 1 differ";
    assert!(ran.text().contains(said), "{}", ran.text());
    scene.run("release 2019.1").expect(1);
    let sheet = std::fs::read_to_string(scene.home.join("reports/release/2019.1.txt")).unwrap();
    assert!(sheet.contains("agree with hash lists"), "{sheet}");
}

/// Lists as other systems leave them. The hashes are coreutils', the forms are put together here.
#[test]
fn lists_of_other_systems_are_read_and_nothing_is_claimed_by_chance() {
    let scene = Scene::bare();
    let home = scene.from.join("2019-fair");
    for (name, seed) in ["film.mov", "sub/deep/clip.mov", "plain.mov", "back\\slash.mov"]
        .into_iter()
        .zip(1..)
    {
        scene.put(format!("2019-fair/{name}"), &noise(3_000, seed));
    }
    scene.put("2019-fair/sub/back/slash.mov", &noise(3_000, 9));
    let hash = |program: &str, name: &str| {
        let (good, text) = other(program, &[OsStr::new("--"), OsStr::new(name)], &home).expect("coreutils");
        assert!(good, "{text}");
        let digits = text
            .trim_start_matches('\\')
            .split(' ')
            .next()
            .unwrap()
            .to_uppercase();
        assert!(digits.len() >= 32, "{text}");
        digits
    };
    let put = |name: &str, text: String| drop(scene.put(format!("2019-fair/{name}"), text.as_bytes()));
    // A bare hash, with a byte order mark and a line end of another system.
    put(
        "film.mov.md5",
        format!("\u{feff}{}\r\n", hash("md5sum", "film.mov")),
    );
    put("plain.mov.SHA1", hash("sha1sum", "plain.mov"));
    // Two bare hashes are of two files, and nobody says of which.
    let two = hash("md5sum", "film.mov");
    put("sub.md5", format!("{two}\n{two}\n"));
    // A bare hash beside no file of that name.
    put("lost.mov.md5", two);
    let clip = hash("sha256sum", "sub/deep/clip.mov");
    put(
        "windows.sha256",
        format!("{clip} *sub\\deep\\clip.mov\r\n{clip} *C:\\sub\\deep\\clip.mov\r\n"),
    );
    // A name that really holds a backslash is that file, not the path that it could be.
    put(
        "both.md5",
        format!("{}  back\\slash.mov\n", hash("md5sum", "back\\slash.mov")),
    );
    let tagged = hash("sha256sum", "film.mov");
    put(
        "tagged.sha256",
        format!("SHA256 (film.mov) = {tagged}\r\nSHA256 (sub\\deep\\clip.mov) = {clip}\r\n"),
    );
    scene.copied();
    let (code, verify) = scene.json("verify");
    assert_eq!(code, 0, "{verify}");
    let lists = verify["batches"][0]["check_files"].as_array().unwrap().iter();
    let found: Vec<String> = lists
        .map(|l| {
            let name = l["path"].as_str().unwrap().rsplit('/').next().unwrap();
            format!(
                "{name} {} {} {} {}",
                l["same"], l["differing"], l["absent"], l["unread"]
            )
        })
        .collect();
    assert_eq!(
        found,
        [
            "both.md5 1 [] 0 0",
            "film.mov.md5 1 [] 0 0",
            "lost.mov.md5 0 [] 1 0",
            "plain.mov.SHA1 1 [] 0 0",
            "tagged.sha256 2 [] 0 0",
            "windows.sha256 1 [] 0 1",
        ]
    );
}

#[test]
fn every_file_compared_is_counted_empty_ones_too() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2020-harvest/empty", b"");
    scene.copied();
    std::fs::remove_file(scene.to.join("2020/2020-harvest/photo.bin")).unwrap();
    let (_, verify) = scene.json("verify 2020.1");
    let batch = &verify["batches"][0];
    assert_eq!(
        (&batch["files_checked"], &batch["bytes_read"]),
        (&2.into(), &0.into()),
        "{verify}"
    );
    let ran = scene.run("verify 2019.1").expect(0);
    assert!(
        ran.text().contains("read back 370 kB in 3 files"),
        "{}",
        ran.text()
    );
}
