//! What a verification leaves behind: the sealed proof, the manifests, what the disks said.

use crate::util::*;
use poolward::names::RelPath;
use poolward::report::manifest::{Algorithm, push_bag_line, read_check_file};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;

fn proof(scene: &Scene, batch: &str) -> Vec<u8> {
    std::fs::read(scene.home.join(format!("reports/proofs/{batch}.json"))).expect("a proof")
}

#[test]
fn a_verified_batch_has_a_sealed_proof_and_its_hash_stands_on_the_sheet() {
    let scene = Scene::bare();
    scene.small();
    let odd = OsStr::from_bytes(b"latin-\xe9t\xe9.txt");
    write(&scene.from.join("2019-lantern-fair").join(odd), b"summer");
    scene.copied();
    scene.run("verify").expect(0);
    let bytes = proof(&scene, "2019.1");
    // Read with an independent reader of JSON, sealed by the BLAKE3 of all before the last line.
    let value: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    let files = value["files"].as_array().unwrap();
    let summer = files.iter().find(|file| file["size"] == 6).unwrap();
    assert_eq!(summer["blake3"], blake3::hash(b"summer").to_string());
    assert!(summer["path_b64"].is_string(), "{summer}");
    assert_eq!(value["total"]["files"], files.len());
    let body = bytes.len() - "\"seal\":\"\"}\n".len() - 64;
    assert_eq!(value["seal"], blake3::hash(&bytes[..body]).to_string());
    scene.run("release 2019.1").expect(1);
    let sheet = std::fs::read_to_string(scene.home.join("reports/release/2019.1.txt")).unwrap();
    // The sheet breaks long lines; hashes are compared without blanks.
    let bare: String = sheet.split_whitespace().collect();
    assert!(bare.contains(&blake3::hash(&bytes).to_string()), "{sheet}");
}

#[test]
fn a_batch_with_differences_has_no_proof_that_stands() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    let hash = blake3::hash(&proof(&scene, "2020.1")).to_string();
    let place = scene.to.join("2020/2020-harvest/photo.bin");
    let before = place.metadata().unwrap().modified().unwrap();
    std::fs::write(&place, noise(9_000, 77)).unwrap();
    std::fs::File::options()
        .write(true)
        .open(&place)
        .unwrap()
        .set_modified(before)
        .unwrap();
    scene.run("verify 2020.1 --again").expect(1);
    scene.run("release 2020.1").expect(1);
    let sheet = std::fs::read_to_string(scene.home.join("reports/release/2020.1.txt")).unwrap();
    let bare: String = sheet.split_whitespace().collect();
    assert!(!bare.contains(&hash), "{sheet}");
}

#[test]
fn a_sha256_manifest_is_whole_or_is_not_there() {
    let scene = Scene::bare();
    scene.small();
    for name in [&b"back\\slash"[..], b"two\nlines", b"latin-\xe9", b"a\rb"] {
        write(
            &scene.from.join("2020-harvest").join(OsStr::from_bytes(name)),
            name,
        );
    }
    scene.put("2020-harvest/large.bin", &noise(40 << 20, 9));
    scene.copied();
    scene.run("verify").expect(0);
    let manifest = scene.home.join("reports/manifests/2020.1.sha256");
    assert!(!manifest.exists());
    // Proven already: they are read again for the second hash alone.
    let (code, verify) = scene.json("verify 2020.1 --sha256");
    assert_eq!(code, 0, "{verify}");
    let sha256 = &verify["batches"][0]["sha256"];
    assert_eq!(sha256["complete"], true, "{verify}");
    let words = [
        OsStr::new("--check"),
        OsStr::new("--strict"),
        OsStr::new("--quiet"),
        manifest.as_os_str(),
    ];
    let (content, said) = other("sha256sum", &words, &scene.to.join("2020")).expect("coreutils");
    assert!(content, "{said}");
    let lines = std::fs::read(&manifest).unwrap().split(|b| *b == b'\n').count() - 1;
    assert_eq!(sha256["files"], lines);
    let value: serde_json::Value = serde_json::from_slice(&proof(&scene, "2020.1")).unwrap();
    assert!(
        value["files"]
            .as_array()
            .unwrap()
            .iter()
            .all(|file| file["sha256"].is_string())
    );
}

#[test]
fn a_batch_half_hashed_says_so_and_has_no_manifest_until_it_is_whole() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2020-harvest/second.bin", &noise(8_000, 4));
    scene.copied();
    let place = scene.to.join("2020/2020-harvest/photo.bin");
    std::fs::remove_file(&place).unwrap();
    let (_, verify) = scene.json("verify 2020.1 --sha256");
    let sha256 = &verify["batches"][0]["sha256"];
    assert_eq!(sha256["complete"], false, "{verify}");
    scene.run("copy 2020.1").expect(0);
    let ran = scene.run("verify 2020.1").expect(0);
    assert!(ran.text().contains("SHA-256 is known of"), "{}", ran.text());
    let manifest = scene.home.join("reports/manifests/2020.1.sha256");
    assert!(!manifest.exists());
    let (_, verify) = scene.json("verify 2020.1 --sha256");
    assert_eq!(verify["batches"][0]["files_checked"], 1, "{verify}");
    assert!(manifest.exists());
}

/// RFC 8493, checked by the reference validator of the Library of Congress (PyPI `bagit`). That one
/// decodes no `%25`, only the first two line ends of a name, and takes blanks off its end, so names here
/// have none of these; what the standard says of them is tested beside the writer.
#[test]
fn the_reference_validator_of_bags_takes_our_manifest() {
    let python = std::env::var("POOLWARD_PYTHON").unwrap_or("python3".into());
    let ask = [OsStr::new("-c"), OsStr::new("import bagit")];
    if !other(&python, &ask, std::path::Path::new("/")).is_some_and(|(there, _)| there) {
        crate::support::skip("no python with bagit here");
        return;
    }
    let scene = Scene::bare();
    for name in [
        "plain",
        "back\\slash",
        "two\nlines",
        "a\rb",
        " blank",
        "gr\u{fc}n",
        "*star",
        "'q' \"q\"",
    ] {
        scene.put(format!("2019-fair/{name}"), name.as_bytes());
    }
    scene.copied();
    scene.run("verify --sha256").expect(0);
    let list = std::fs::read(scene.home.join("reports/manifests/2019.1.sha256")).unwrap();
    let mut manifest = Vec::new();
    for line in read_check_file(&list, Some(Algorithm::Sha256)).listed {
        push_bag_line(&mut manifest, &line.digest, &RelPath::new(line.path).unwrap());
    }
    let bag = scene.root().join("bag");
    std::fs::create_dir(&bag).unwrap();
    std::fs::write(bag.join("manifest-sha256.txt"), manifest).unwrap();
    let declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
    std::fs::write(bag.join("bagit.txt"), declaration).unwrap();
    let data = bag.join("data");
    let arrived = scene.to.join("2019");
    let words = [OsStr::new("-a"), arrived.as_os_str(), data.as_os_str()];
    assert!(other("cp", &words, &bag).unwrap().0);
    let words = ["-m", "bagit", "--validate"].map(OsStr::new);
    let words = [&words[..], &[bag.as_os_str()]].concat();
    let (content, said) = other(&python, &words, &bag).unwrap();
    assert!(content, "{said}");
    std::fs::write(data.join("2019-fair/plain"), "plaiN").unwrap();
    let (content, said) = other(&python, &words, &bag).unwrap();
    assert!(!content, "{said}");
}

/// The loop device counts what is read from it (kernel documentation, block/stat.rst).
#[test]
fn the_disks_of_a_loop_mount_are_a_witness() {
    use crate::support::loops::{Kind, Loop};
    for kind in [Kind::Ext4, Kind::Xfs, Kind::Btrfs] {
        let Some(disk) = Loop::new(kind) else { return };
        let mut scene = Scene::bare();
        scene.to = disk.path().join("pool");
        std::fs::create_dir(&scene.to).unwrap();
        scene.put("2019-fair/film.bin", &noise(24 << 20, 5));
        scene.put("2019-fair/note.txt", b"short");
        scene.copied();
        let (code, verify) = scene.json("verify");
        assert_eq!(code, 0, "{kind:?} {verify}");
        let witness = &verify["batches"][0]["witness"];
        assert_eq!(witness["due_bytes"], 24 << 20, "{kind:?} {verify}");
        assert_eq!(witness["enough"], true, "{kind:?} {verify}");
        assert!(
            witness["delivered_bytes"].as_u64() >= Some(24 << 20),
            "{kind:?} {verify}"
        );
        assert!(verify["batches"][0]["read_how"] != "unknown", "{kind:?} {verify}");
    }
}
