//! Bytes that cannot be read, that are stored wrong, that find no room.

use crate::support::fuse::{Call, EIO, Fault};
use crate::util::kinds;
use crate::{Mounted, equal, failures, stopped, whole_or_absent};
use std::time::Duration;

#[test]
fn what_cannot_be_read_fails_alone_and_comes_once_it_can() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::source()
    else {
        return;
    };
    scene.planned();
    fuse.fault("2019-fair/raw/sound.bin", Fault::BadByte(4_500_000));
    fuse.fault("2019-fair/raw/film.bin", Fault::BadByte(35 << 20));
    let (code, copied) = scene.json("copy --all");
    assert_eq!(code, 1, "{copied}");
    let expected = ["medium 2019-fair/raw/film.bin", "medium 2019-fair/raw/sound.bin"];
    assert_eq!(failures(&copied), expected);
    assert_eq!(copied["batches"][0]["files_copied"], 3);
    let (whole, _) = whole_or_absent(&scene);
    assert_eq!(whole, 3);
    fuse.heal();
    scene.run("copy 2019.1").expect(0);
    scene.run("verify").expect(0);
    equal(&scene);
}

#[test]
fn a_source_and_a_destination_that_answer_late_are_copied_all_the_same() {
    for end in [Mounted::source(), Mounted::destination()] {
        let Some(Mounted {
            scene,
            fuse,
            behind: _behind,
        }) = end
        else {
            return;
        };
        scene.planned();
        fuse.latency(Duration::from_millis(20));
        scene.run("copy --all").expect(0);
        fuse.latency(Duration::ZERO);
        scene.run("verify").expect(0);
        equal(&scene);
    }
}

#[test]
fn what_the_destination_stored_wrong_is_found_exactly_and_repaired() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.planned();
    // Staged names are not known before, so each file is turned where only it has a byte.
    scene.run("copy --all").expect(0);
    let at = |name: &str| format!("archive/2019/2019-fair/{name}");
    fuse.fault(&at("raw/film.bin"), Fault::FlipRead(20 << 20));
    fuse.fault(&at("note.txt"), Fault::FlipRead(1_000));
    let (code, verified) = scene.json("verify");
    assert_eq!(code, 1, "{verified}");
    let expected = ["content 2019-fair/note.txt", "content 2019-fair/raw/film.bin"];
    assert_eq!(kinds(&verified, "differences"), expected);
    let all = verified["batches"][0]["differences"].as_array().unwrap();
    let film = all
        .iter()
        .find(|one| one["path"] == "2019-fair/raw/film.bin")
        .unwrap();
    assert_eq!(film["ranges"], serde_json::json!([[16 << 20, 32 << 20]]));
    fuse.heal();
    scene.run("copy 2019.1").expect(0);
    scene.run("verify").expect(0);
    equal(&scene);
}

#[test]
fn a_destination_that_gets_full_midway_shows_nothing_half_and_goes_on() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.planned();
    // As a quota does that the mount does not tell: the check before the start sees room.
    fuse.quota(20 << 20);
    stopped(&scene.json("copy --all"), "no-space");
    whole_or_absent(&scene);
    fuse.heal();
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    equal(&scene);
}

#[test]
fn a_destination_without_room_for_a_batch_is_told_before_a_byte_is_written() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.planned();
    fuse.room(20 << 20);
    let before = fuse.calls(Call::Write);
    stopped(&scene.json("copy --all"), "no-space");
    assert_eq!(whole_or_absent(&scene), (0, Vec::new()));
    assert_eq!(fuse.calls(Call::Write), before);
    fuse.heal();
    scene.run("copy --all").expect(0);
    equal(&scene);
}

#[test]
fn a_sync_that_fails_is_no_success() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.planned();
    fuse.fault("archive/2019/2019-fair/raw", Fault::Fails(Call::Fsync, EIO));
    let ran = scene.run("copy --all");
    assert!(matches!(ran.code, 1 | 3), "{}{}", ran.text(), ran.err);
    whole_or_absent(&scene);
    let (_, status) = scene.json("status");
    assert_ne!(status["batches"][0]["state"], "copied", "{status}");
    fuse.heal();
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    equal(&scene);
}

/// A sector that cannot be read is neither rot nor absence, and the rest is read all the same.
#[test]
fn what_cannot_be_read_months_later_is_named_by_itself() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.planned();
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    let at = |name: &str| format!("archive/2019/2019-fair/{name}");
    fuse.fault(&at("raw/film.bin"), Fault::BadByte(35 << 20));
    fuse.fault(&at("note.txt"), Fault::FlipRead(1_000));
    let (code, fixity) = scene.json("fixity");
    assert_eq!(code, 1, "{fixity}");
    let differences = fixity["datasets"][0]["differences"].as_array().unwrap().iter();
    let found: Vec<String> = differences
        .map(|one| {
            format!(
                "{} {}",
                one["kind"].as_str().unwrap(),
                one["path"].as_str().unwrap()
            )
        })
        .collect();
    assert_eq!(
        found,
        ["rot 2019-fair/note.txt", "unreadable 2019-fair/raw/film.bin"]
    );
    // A mount that dies in the middle is gone; nothing behind it is called absent.
    fuse.heal();
    scene.run("copy --all").expect(0);
    scene.run("verify --again").expect(0);
    fuse.lose_after(Call::Read, 2);
    let ran = scene.run("fixity").expect(3);
    assert!(ran.err.contains("poolward:"), "{}", ran.err);
    fuse.heal();
    let (code, fixity) = scene.json("fixity");
    assert_eq!(
        (code, &fixity["datasets"][0]["round"]["ended"]),
        (0, &true.into()),
        "{fixity}"
    );
}
