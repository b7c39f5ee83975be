//! What a sign-off stands on: both ends as they are now, a restore test that is one, days that count
//! from it, and a ledger that knows what lies aside.

use crate::removing::{aside, reasons, release_all, released, remove, typed};
use crate::util::*;
use rusqlite::Connection;
use std::os::unix::fs::symlink;

const CLIP: &str = "2019/2019-lantern-fair/raw/clip.bin";

#[test]
fn a_batch_whose_copy_is_gone_is_not_signed_off_and_an_edited_copy_is_asked_about() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    let copy = scene.to.join(CLIP);
    std::fs::rename(&copy, scene.root().join("away")).expect("a rename");
    let (code, shut) = scene.json("release 2019.1");
    assert_eq!(code, 1, "{shut}");
    let of = |code: &str| {
        let list = shut["batches"][0]["reasons"].as_array().expect("reasons");
        list.iter().find(|one| one["code"] == code).cloned()
    };
    assert_eq!(of("copy-missing").expect("the reason")["count"], 1);

    std::fs::rename(scene.root().join("away"), &copy).expect("a rename");
    std::fs::write(&copy, noise(300_000, 9)).expect("an edit");
    let (code, shut) = scene.json("release 2019.1");
    let text = shut.to_string();
    assert!(code == 1 && text.contains("left behind as copy-edited"), "{text}");
    let (_, open) = scene.json("release 2019.1 --accept copy-edited");
    assert!(!open.to_string().contains("copy-edited, not"), "{open}");
}

#[test]
fn a_destination_that_is_not_there_signs_nothing_off() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    std::fs::rename(&scene.to, scene.root().join("unplugged")).expect("a rename");
    std::fs::create_dir(&scene.to).expect("an empty folder in its place");
    scene.run("release 2019.1").expect(3);
}

/// Equal by hash is not enough: the very files that were moved say nothing of a second copy.
#[test]
fn a_restore_test_takes_neither_end_of_the_move_nor_empty_files() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    let link = scene.root().join("by-another-name");
    symlink(scene.to.join("2019"), &link).expect("a link");
    let linked = scene.root().join("linked");
    std::fs::create_dir(&linked).expect("a folder");
    std::fs::hard_link(scene.to.join(CLIP), linked.join("clip.bin")).expect("a second name");
    let around = scene.root();
    for (path, word) in [
        (scene.to.join("2019"), "restore-from-move"),
        (scene.from.clone(), "restore-from-move"),
        (link, "restore-from-move"),
        (linked, "restore-from-move"),
        (around, "restore-from-move"),
        (scene.put("../empty/nothing", b""), "restore-"),
    ] {
        let path = path.to_str().expect("UTF-8");
        let ran = scene.run_words(&["release", "--restored", path, "--json"]);
        let error = ran.object()["error"]["code"].to_string();
        assert!(ran.code == 2 && error.contains(word), "{path}: {error}");
    }
    let own = scene.root().join("brought");
    write(&own.join("clip.bin"), &noise(300_000, 1));
    scene
        .run_words(&["release", "--restored", own.to_str().expect("UTF-8")])
        .expect(0);
}

/// The days of waiting count from the sign-off, not from a sheet before it that said no.
#[test]
fn a_sheet_that_said_no_begins_no_waiting() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    scene.run("release 2020.1").expect(1);
    let db = Connection::open(scene.home.join("ledger.db")).expect("the ledger");
    let back = "UPDATE sheets SET at = at - 20 * 86400 * 1000000000";
    assert_eq!(db.execute(back, []).expect("twenty days ago"), 1);
    let at = || -> i64 {
        let sql = "SELECT at FROM sheets WHERE batch = '2020.1'";
        db.query_row(sql, [], |row| row.get(0)).expect("a sheet")
    };
    let shut = at();
    release_all(&scene);
    let signed = at();
    assert!(signed - shut > 19 * 86_400 * 1_000_000_000, "{shut} {signed}");
    // A sheet written anew while nothing stands against it changes nothing.
    scene.run("release 2020.1").expect(0);
    assert_eq!(at(), signed);
    // The gate shut once more, and open again: from then.
    let late = scene.put("2020-harvest/late.txt", b"one more");
    scene.run("release 2020.1").expect(1);
    db.execute(back, []).expect("twenty days ago");
    std::fs::remove_file(&late).expect("gone again");
    let shut = at();
    scene.run("release 2020.1").expect(0);
    assert!(at() - shut > 19 * 86_400 * 1_000_000_000);
}

/// Nothing is called removed that somebody has only put elsewhere.
#[test]
fn a_folder_aside_that_was_renamed_is_asked_about_and_not_called_removed() {
    let scene = Scene::bare();
    scene.small();
    released(&scene);
    assert_eq!(remove(&scene, "2019.1").0, 0);
    let folder = aside(&scene);
    let other = scene.from.join("kept-for-now");
    std::fs::rename(&folder, &other).expect("a rename");
    let (code, shut) = remove(&scene, "2019.1");
    assert_eq!((code, reasons(&shut)), (1, vec!["left-behind".to_string()]));
    assert_eq!(shut["batches"][0]["files"], 0, "{shut}");
    std::fs::rename(&other, &folder).expect("a rename");
    scene.run("release 2019.1 --undo").expect(0);
    assert!(scene.from.join("2019-lantern-fair/raw/clip.bin").exists());

    // Whoever has removed it says so.
    assert_eq!(remove(&scene, "2019.1").0, 0);
    std::fs::remove_dir_all(aside(&scene)).expect("by hand");
    let words = "release 2019.1 --remove --accept aside-missing";
    let (code, done) = typed(&scene, words, "2019.1\n");
    assert_eq!(
        (code, &done["batches"][0]["removed"]),
        (0, &true.into()),
        "{done}"
    );
}

/// A ledger taken back from an older copy, or a move folder that was copied: what lies aside is found.
#[test]
fn what_an_older_ledger_does_not_know_to_lie_aside_is_found_and_can_come_back() {
    let scene = Scene::bare();
    let loose = scene.put("2019-note.txt", b"on its own\n");
    set_time(&loose, 1_560_000_000, 5);
    scene.small();
    released(&scene);
    let older = scene.root().join("older.db");
    std::fs::copy(scene.home.join("ledger.db"), &older).expect("a copy");
    let before = listing(&scene.from);
    assert_eq!(remove(&scene, "2019.1").0, 0);
    for name in ["ledger.db-wal", "ledger.db-shm"] {
        let path = scene.home.join(name);
        if path.exists() {
            std::fs::remove_file(path).expect("the older one takes its place");
        }
    }
    std::fs::copy(&older, scene.home.join("ledger.db")).expect("an older ledger");
    // Even with no days to wait, this run notes what it finds and removes nothing.
    let (code, found) = remove(&scene, "2019.1");
    assert_eq!(code, 0, "{found}");
    let batch = &found["batches"][0];
    assert_eq!(
        (&batch["removed"], &batch["files"]),
        (&false.into(), &0.into()),
        "{found}"
    );
    assert_eq!(batch["aside"], aside(&scene).to_str().expect("UTF-8"));
    scene.run("release 2019.1 --undo").expect(0);
    let files = |lines: Vec<String>| {
        let mine = lines.into_iter().filter(|line| !line.contains(" folder "));
        mine.collect::<Vec<_>>()
    };
    assert_eq!(files(listing(&scene.from)), files(before));
}
