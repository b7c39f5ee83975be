//! Copies that meet something, and verifications that find something.

use crate::util::*;
use std::os::unix::fs::{FileExt, PermissionsExt};

#[test]
fn a_second_copy_copies_nothing_again() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let before = listing(&scene.to.join("2019"));
    let (code, again) = scene.json("copy 2019.1");
    assert_eq!(code, 0);
    assert_eq!(again["batches"][0]["files_copied"], 0, "{again}");
    assert_eq!(again["batches"][0]["bytes_copied"], 0);
    assert!(again["batches"][0]["files_already_there"].as_u64() > Some(0));
    assert_eq!(listing(&scene.to.join("2019")), before);
}

#[test]
fn a_file_edited_at_the_destination_is_a_conflict_and_kept() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let edited = scene.to.join("2020/2020-harvest/photo.bin");
    std::fs::write(&edited, b"touched up here").unwrap();
    let (code, verify) = scene.json("verify 2020.1");
    assert_eq!(code, 1);
    assert!(
        kinds(&verify, "differences").contains(&"size 2020-harvest/photo.bin".into()),
        "{verify}"
    );
    let (code, copy) = scene.json("copy 2020.1");
    assert_eq!(code, 1, "{copy}");
    assert!(
        copy["batches"][0]["failures"].to_string().contains("conflict"),
        "{copy}"
    );
    assert_eq!(std::fs::read(&edited).unwrap(), b"touched up here");
    let (code, status) = scene.json("status");
    assert_eq!(code, 1);
    let failed = |b: &serde_json::Value| b["files"]["failed"].as_u64().unwrap();
    assert_eq!(
        status["batches"]
            .as_array()
            .unwrap()
            .iter()
            .map(failed)
            .sum::<u64>(),
        1
    );
    assert!(status["batches"].to_string().contains("conflict"), "{status}");
    assert_ne!(scene.json("verify 2020.1").1["batches"][0]["state"], "verified");
}

#[test]
fn a_foreign_file_in_the_way_is_kept_with_other_content_and_adopted_with_the_same() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let other = scene.to.join("2020/2020-harvest/photo.bin");
    write(&other, &noise(9_000, 77));
    let same = scene.to.join("2019/2019-lantern-fair/notes.txt");
    write(&same, b"call the lighthouse keeper\n");
    let (code, copy) = scene.json("copy --all");
    assert_eq!(code, 1, "{copy}");
    assert_eq!(std::fs::read(&other).unwrap(), noise(9_000, 77));
    let failures: Vec<_> = copy["batches"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|b| b["failures"].as_array().unwrap().clone())
        .collect();
    assert_eq!(failures.len(), 1, "{copy}");
    assert_eq!(failures[0]["path"], "2020-harvest/photo.bin");
    let adopted: u64 = copy["batches"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["files_adopted"].as_u64().unwrap())
        .sum();
    assert_eq!(adopted, 1, "{copy}");
    let (code, verify) = scene.json("verify");
    assert_eq!(code, 1);
    for batch in verify["batches"].as_array().unwrap() {
        assert_eq!(
            batch["state"] == "verified",
            batch["name"] != "2020.1",
            "{verify}"
        );
    }
}

/// A move with one large file and ten small ones, copied and not yet verified.
fn one_project() -> (Scene, std::path::PathBuf) {
    let scene = Scene::bare();
    for (name, seed) in "abcdefghij".chars().zip(1..) {
        scene.put(format!("2019-fair/{name}.bin"), &noise(5_000, seed));
    }
    scene.put("2019-fair/large.bin", &noise(50 << 20, 50));
    std::fs::hard_link(
        scene.from.join("2019-fair/i.bin"),
        scene.from.join("2019-fair/k.bin"),
    )
    .unwrap();
    std::fs::create_dir(scene.from.join("2019-fair/inner")).unwrap();
    scene.copied();
    let there = scene.to.join("2019/2019-fair");
    (scene, there)
}

/// Runs `change` and puts the modification time back.
fn keeping_time(path: &std::path::Path, change: impl FnOnce()) {
    let before = path.metadata().unwrap().modified().unwrap();
    change();
    std::fs::File::open(path).unwrap().set_modified(before).unwrap();
}

#[test]
fn verify_finds_exactly_what_was_done_to_the_destination() {
    let (scene, there) = one_project();
    let path = |name: &str| there.join(name);
    keeping_time(&path("large.bin"), || {
        let file = std::fs::OpenOptions::new()
            .write(true)
            .open(path("large.bin"))
            .unwrap();
        file.write_all_at(&[noise(50 << 20, 50)[20 << 20] ^ 1], 20 << 20)
            .unwrap();
    });
    keeping_time(&path("a.bin"), || {
        let file = std::fs::OpenOptions::new()
            .write(true)
            .open(path("a.bin"))
            .unwrap();
        file.write_all_at(&[noise(5_000, 1)[4_999] ^ 0x80], 4_999)
            .unwrap();
    });
    keeping_time(&path("b.bin"), || {
        std::fs::OpenOptions::new()
            .write(true)
            .open(path("b.bin"))
            .unwrap()
            .set_len(4_096)
            .unwrap();
    });
    set_time(&path("c.bin"), 1_560_000_000, 123_456_788);
    std::fs::set_permissions(path("d.bin"), std::fs::Permissions::from_mode(0o600)).unwrap();
    std::fs::remove_file(path("k.bin")).unwrap();
    write(&path("k.bin"), &noise(5_000, 9));
    // Folders first: what is done inside them changes their own times.
    std::fs::remove_file(path("e.bin")).unwrap();
    write(&path("visitor.txt"), b"nobody sent me");
    write(&path(".DS_Store"), b"a desktop was here");
    std::fs::remove_file(path("f.bin")).unwrap();
    std::fs::create_dir(path("f.bin")).unwrap();
    set_time(&there, 1_560_000_000, 0);
    let stamp = scene
        .from
        .join("2019-fair")
        .metadata()
        .unwrap()
        .modified()
        .unwrap();
    std::fs::File::open(&there).unwrap().set_modified(stamp).unwrap();

    let (code, verify) = scene.json("verify");
    assert_eq!(code, 1);
    let expected = [
        "absent 2019-fair/e.bin",
        "content 2019-fair/a.bin",
        "content 2019-fair/large.bin",
        "link 2019-fair/k.bin",
        "mode 2019-fair/d.bin",
        "size 2019-fair/b.bin",
        "time 2019-fair/c.bin",
        "type 2019-fair/f.bin",
        "uninvited 2019-fair/visitor.txt",
    ];
    assert_eq!(kinds(&verify, "differences"), expected);
    assert_eq!(kinds(&verify, "listed"), ["uninvited 2019-fair/.DS_Store"]);
    for one in verify["batches"][0]["differences"].as_array().unwrap() {
        if one["path"] == "2019-fair/large.bin" {
            let (from, to) = (
                one["ranges"][0][0].as_u64().unwrap(),
                one["ranges"][0][1].as_u64().unwrap(),
            );
            assert!(
                from <= 20 << 20 && 20 << 20 < to && to - from <= 16 << 20,
                "{one}"
            );
            assert_eq!(one["ranges"].as_array().unwrap().len(), 1);
        }
    }
}

#[test]
fn a_file_that_went_missing_is_brought_back_and_a_damaged_one_is_left_as_a_conflict() {
    let (scene, there) = one_project();
    std::fs::remove_file(there.join("e.bin")).unwrap();
    std::fs::write(there.join("a.bin"), noise(5_000, 70)).unwrap();
    scene.run("verify").expect(1);
    let (code, copy) = scene.json("copy 2019.1");
    assert_eq!(code, 1, "{copy}");
    assert_eq!(copy["batches"][0]["files_copied"], 1, "{copy}");
    assert_eq!(
        copy["batches"][0]["failures"].as_array().unwrap().len(),
        1,
        "{copy}"
    );
    assert_eq!(std::fs::read(there.join("e.bin")).unwrap(), noise(5_000, 5));
    assert_eq!(std::fs::read(there.join("a.bin")).unwrap(), noise(5_000, 70));
    let (_, verify) = scene.json("verify 2019.1");
    assert!(
        !kinds(&verify, "differences")
            .iter()
            .any(|line| line.contains("e.bin")),
        "{verify}"
    );
    // The user clears the way; the next copy and verification end clean.
    std::fs::remove_file(there.join("a.bin")).unwrap();
    scene.run("copy 2019.1").expect(0);
    scene.run("verify 2019.1").expect(0);
}

#[test]
fn a_verified_batch_is_read_again_only_when_asked_and_then_damage_is_found() {
    let (scene, there) = one_project();
    scene.run("verify").expect(0);
    std::fs::write(there.join("a.bin"), noise(5_000, 70)).unwrap();
    let (code, nothing) = scene.json("verify");
    assert_eq!((code, nothing["batches"].as_array().unwrap().len()), (0, 0));
    let (code, again) = scene.json("verify --again");
    assert_eq!(code, 1);
    assert!(
        kinds(&again, "differences").contains(&"content 2019-fair/a.bin".into()),
        "{again}"
    );
    assert_eq!(scene.json("status").1["batches"][0]["state"], "copied");
}

#[test]
fn the_mode_of_a_projects_own_folder_is_compared_too() {
    let (scene, there) = one_project();
    std::fs::set_permissions(&there, std::fs::Permissions::from_mode(0o700)).unwrap();
    let (code, verify) = scene.json("verify");
    assert_eq!(kinds(&verify, "differences"), ["mode 2019-fair"]);
    assert_eq!(code, 1);
}

#[test]
fn what_a_desktop_leaves_behind_is_listed_and_does_not_stand_against_a_batch() {
    let (scene, there) = one_project();
    write(&there.join(".DS_Store"), b"a desktop was here");
    write(&there.join("inner/Thumbs.db"), b"another one");
    let (code, verify) = scene.json("verify");
    assert_eq!(code, 0, "{verify}");
    assert_eq!(verify["batches"][0]["state"], "verified");
    assert!(
        kinds(&verify, "listed").contains(&"uninvited 2019-fair/inner/Thumbs.db".into()),
        "{verify}"
    );
}

#[test]
fn an_uninvited_file_among_loose_files_is_found() {
    let scene = Scene::bare();
    scene.small();
    scene.put("price list.txt", b"2019");
    scene.copied();
    write(&scene.to.join("2019/loose-2019/visitor.txt"), b"nobody sent me");
    let (code, verify) = scene.json("verify");
    assert_eq!(
        kinds(&verify, "differences"),
        ["uninvited loose-2019/visitor.txt"]
    );
    assert_eq!(code, 1);
}

#[test]
fn all_takes_up_what_failed_and_leaves_what_is_released() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let way = scene.to.join("2019/2019-river-play");
    write(&way, b"a file where a folder should be");
    scene.run("copy --all").expect(1);
    std::fs::remove_file(&way).unwrap();
    let (code, copied) = scene.json("copy --all");
    assert_eq!(code, 0, "{copied}");
    assert_eq!(copied["batches"].as_array().unwrap().len(), 1, "{copied}");
    crate::removing::release_all(&scene);
    let (code, copied) = scene.json("copy --all");
    assert_eq!(
        (code, copied["batches"].as_array().unwrap().len()),
        (0, 0),
        "{copied}"
    );
}
