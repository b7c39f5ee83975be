//! Waybills that were damaged or made up: refused with the reason, and nothing is touched.

use crate::carrying::{Away, ran};
use crate::util::{Scene, listing, one_line, resealed, set_time};
use std::path::{Path, PathBuf};

struct Attack {
    scene: Scene,
    away: Away,
    waybill: PathBuf,
    text: String,
}

impl Attack {
    fn new(task: &str) -> Attack {
        let scene = Scene::bare();
        scene.small();
        scene.put("loose.txt", b"loose");
        scene.planned();
        if task == "verify" {
            scene.run("copy --all").expect(0);
        }
        let away = Away::of(&scene);
        let waybills = away.fetch(&scene, &format!("waybill --all --task {task}"));
        let waybill = waybills
            .into_iter()
            .find(|path| std::fs::read_to_string(path).is_ok_and(|text| text.contains("clip.bin")))
            .expect("a waybill of the fair");
        Attack {
            text: std::fs::read_to_string(&waybill).expect("text"),
            scene,
            away,
            waybill,
        }
    }

    /// Tries these bytes in place of the waybill; nothing beside it may change.
    #[track_caller]
    fn refused(&self, bytes: &[u8], word: &str, why: &str) {
        std::fs::write(&self.waybill, bytes).expect("a waybill");
        set_time(&self.waybill, 1_800_000_000, 0);
        let before = listing(&self.scene.root());
        let (code, answer) = self.away.carry(&self.waybill);
        assert_eq!((code, &answer["error"]["code"]), (3, &word.into()), "{answer}");
        let text = answer["error"]["text"].as_str().expect("words");
        assert!(text.contains(why), "no {why} in {text}");
        assert!(answer["error"]["mend"].is_string(), "{answer}");
        assert_eq!(listing(&self.scene.root()), before, "{why}");
    }

    #[track_caller]
    fn changed(&self, from: &str, to: &str, why: &str) {
        assert!(self.text.contains(from), "no {from} in {}", self.text);
        let text = self.text.replacen(from, to, 1);
        self.refused(&resealed(&text), "waybill-refused", why);
    }
}

#[test]
fn a_damaged_waybill_is_refused() {
    let attack = Attack::new("copy");
    let bytes = attack.text.as_bytes();
    for at in [
        0,
        1,
        bytes.len() / 3,
        bytes.len() / 2,
        bytes.len() - 30,
        bytes.len() - 2,
    ] {
        let mut flipped = bytes.to_vec();
        flipped[at] ^= 1;
        attack.refused(&flipped, "waybill-refused", "line");
        attack.refused(&bytes[..at], "waybill-refused", "line");
    }
    attack.refused(
        &[bytes, b"{}\n"].concat(),
        "waybill-refused",
        "something follows its end",
    );
    attack.refused(b"", "waybill-refused", "breaks off");
    attack.refused(b"PWINDEX\n\x01\0\0\0", "waybill-refused", "line 1");
    attack.refused(&[0xff; 4000], "waybill-refused", "line 1");
    attack.refused(&vec![b'x'; 40 << 20], "waybill-refused", "longer than any");
    // A receipt is none, nor is a folder.
    attack.refused(
        b"{\"receipt\":{\"format\":1}}\n",
        "waybill-refused",
        "does not begin like a waybill",
    );
    let mut command = crate::util::command();
    one_line(
        &ran(command.arg("carry").arg("/").arg("--source").arg("/")).expect(3),
        "refused",
    );
    std::fs::write(&attack.waybill, bytes).expect("a waybill");
    attack.away.clean(&attack.waybill);
}

/// Each is whole and well sealed, and asks for what is never done.
#[test]
fn a_waybill_that_was_made_up_is_refused() {
    let attack = Attack::new("copy");
    for (from, to, why) in [
        (
            "\"name\":\"clip.bin\"",
            "\"name\":\"../../etc/passwd\"",
            "no file can have",
        ),
        (
            "\"name\":\"clip.bin\"",
            "\"name\":\"/dev/sda\"",
            "no file can have",
        ),
        ("\"name\":\"clip.bin\"", "\"name\":\"..\"", "no file can have"),
        ("\"name\":\"clip.bin\"", "\"name\":\"\"", "no file can have"),
        (
            "\"name\":\"clip.bin\"",
            "\"name\":\"a\\u0000b\"",
            "no file can have",
        ),
        ("\"name\":\"raw\"", "\"name\":\"notes.txt\"", "twice"),
        (
            "\"path\":\"2019-lantern-fair/raw\"",
            "\"path\":\"/etc\"",
            "no file below",
        ),
        (
            "\"path\":\"2019-lantern-fair/raw\"",
            "\"path\":\"elsewhere\"",
            "in none that stands before",
        ),
        (
            "\"place\":\"2019-lantern-fair/raw\"",
            "\"place\":\"../../etc\"",
            "no file below",
        ),
        (
            "\"batch\":\"2019.1\"",
            "\"batch\":\"../2019.1\"",
            "no file can have",
        ),
        ("\"batch\":\"2019.1\"", "\"batch\":\"2019.2\"", "another batch"),
        ("\"task\":\"copy\"", "\"task\":\"remove\"", "unknown task"),
        ("\"project_depth\":1", "\"project_depth\":0", "depth"),
        ("\"zone\":\"Europe/Berlin\"", "\"zone\":\"Nowhere/Land\"", "zone"),
        ("\"move_id\":\"", "\"move_id\":\"../", "letters and digits"),
        ("\"format\":1", "\"format\":2", "format 2"),
        // The batch as it was begun, which says where everything goes.
        (
            "\\\"folder\\\":\\\"2019\\\"",
            "\\\"folder\\\":\\\"../../etc\\\"",
            "a path in it is none",
        ),
        (
            "\\\"folder\\\":\\\"2019\\\"",
            "\\\"folder\\\":\\\"/etc\\\"",
            "a path in it is none",
        ),
        (
            "{\\\"Folder\\\":\\\"2019-lantern-fair\\\"}",
            "{\\\"Folder\\\":\\\"../secret\\\"}",
            "a path in it is none",
        ),
        (
            "{\\\"Folder\\\":\\\"2019-lantern-fair\\\"}",
            "{\\\"Folder\\\":\\\"\\\"}",
            "whole source",
        ),
        (
            "},\\\"2019-river-play\\\"]",
            "},\\\"2019-lantern-fair/raw\\\"]",
            "in one another",
        ),
        (
            "},\\\"2019-river-play\\\"]",
            "},\\\"2019-lantern-fair\\\"]",
            "in one another",
        ),
        (
            "\\\"destination\\\":\\\"",
            "\\\"destination\\\":\\\"x",
            "another batch",
        ),
    ] {
        attack.changed(from, to, why);
    }
    // Places that are legal, and not those of the batch; told before an end is touched.
    let moved = attack.text.replacen(
        "\"place\":\"2019-lantern-fair/raw\"",
        "\"place\":\"2019-river-play\"",
        1,
    );
    std::fs::write(&attack.waybill, resealed(&moved)).expect("a waybill");
    let ends = [listing(&attack.scene.from), listing(&attack.scene.to)];
    let (code, refused) = attack.away.carry(&attack.waybill);
    assert_eq!(
        (code, &refused["error"]["code"]),
        (3, &"waybill-refused".into()),
        "{refused}"
    );
    assert_eq!([listing(&attack.scene.from), listing(&attack.scene.to)], ends);
    // What it left to work in is no place for another one.
    std::fs::write(&attack.waybill, &attack.text).expect("a waybill");
    let (code, refused) = attack.away.carry(&attack.waybill);
    assert_eq!(
        (code, &refused["error"]["code"]),
        (2, &"receipt-in-the-way".into()),
        "{refused}"
    );
    std::fs::remove_dir_all(attack.waybill.with_extension("carry")).expect("the work folder");
    // The very files twice: a whole folder, doubled under a good seal.
    let doubled = attack.text.replacen("{\"folder\":{\"path\":\"2019-lantern-fair/raw\"",
        "{\"folder\":{\"path\":\"2019-lantern-fair\",\"place\":\"2019-lantern-fair\"}}\n{\"folder\":{\"path\":\"2019-lantern-fair/raw\"", 1);
    attack.refused(&resealed(&doubled), "waybill-refused", "not in order");
    std::fs::write(&attack.waybill, &attack.text).expect("a waybill");
    attack.away.clean(&attack.waybill);
}

/// A waybill may lie about what is at an end; the ends themselves are believed.
#[test]
fn a_waybill_that_lies_about_files_gets_no_file_for_it() {
    let attack = Attack::new("copy");
    let secret = attack.scene.root().join("secret");
    std::fs::create_dir(&secret).expect("a folder");
    std::fs::write(secret.join("key"), b"secret").expect("a file");
    let play = attack.scene.from.join("2019-river-play");
    std::fs::rename(&play, attack.scene.from.join("x")).expect("another name");
    // Where the waybill lists a folder, a symlink leads out of the source.
    std::os::unix::fs::symlink(&secret, &play).expect("a symlink");
    let text = attack
        .text
        .replacen("\"name\":\"sound.bin\"", "\"name\":\"key\"", 1);
    std::fs::write(&attack.waybill, resealed(&text)).expect("a waybill");
    let (code, carried) = attack.away.carry(&attack.waybill);
    assert_eq!(code, 1, "{carried}");
    assert!(
        !attack.scene.to.join("2019/2019-river-play/key").exists(),
        "{carried}"
    );
    // And where its place at the destination is a symlink, nothing is written through it.
    std::fs::remove_file(&play).expect("the symlink");
    std::fs::rename(attack.scene.from.join("x"), &play).expect("its name");
    let attack = Attack::new("copy");
    let outside = attack.scene.root().join("outside");
    std::fs::create_dir(&outside).expect("a folder");
    std::fs::create_dir(attack.scene.to.join("2019")).expect("the dataset");
    std::os::unix::fs::symlink(&outside, attack.scene.to.join("2019/2019-river-play")).expect("a symlink");
    let (code, carried) = attack.away.carry(&attack.waybill);
    assert_eq!(code, 1, "{carried}");
    assert_eq!(std::fs::read_dir(&outside).expect("a folder").count(), 0);
}

#[test]
fn another_receipt_or_other_work_is_not_written_over() {
    let attack = Attack::new("copy");
    let receipt = attack.waybill.with_file_name("2019.1.copy.receipt");
    std::fs::write(&receipt, b"my notes\n").expect("a file");
    let (code, refused) = attack.away.carry(&attack.waybill);
    assert_eq!(
        (code, &refused["error"]["code"]),
        (2, &"receipt-in-the-way".into()),
        "{refused}"
    );
    assert_eq!(std::fs::read(&receipt).expect("a file"), b"my notes\n");
    std::fs::remove_file(&receipt).expect("a file of ours");
    attack.away.clean(&attack.waybill);
    let first = std::fs::read(&receipt).expect("a receipt");
    // Another waybill of the same batch and task: taken back at home and written anew.
    attack.scene.run("hold 2019.1 --off").expect(0);
    let written = attack.scene.json("waybill 2019.1 --task copy").1;
    let anew = Path::new(written["waybills"][0]["path"].as_str().expect("a path")).to_path_buf();
    let old = std::fs::read(&attack.waybill).expect("a waybill");
    let bytes = std::fs::read(anew).expect("a waybill");
    assert_ne!(bytes, old);
    std::fs::write(&attack.waybill, bytes).expect("a waybill");
    let (code, refused) = attack.away.carry(&attack.waybill);
    assert_eq!(
        (code, &refused["error"]["code"]),
        (2, &"receipt-in-the-way".into()),
        "{refused}"
    );
    assert_eq!(std::fs::read(&receipt).expect("a receipt"), first);
    std::fs::remove_file(&receipt).expect("a file of ours");
    let (code, refused) = attack.away.carry(&attack.waybill);
    assert_eq!(
        (code, &refused["error"]["code"]),
        (2, &"receipt-in-the-way".into()),
        "{refused}"
    );
}

#[test]
fn a_waybill_to_read_back_that_was_made_up_is_refused() {
    let attack = Attack::new("verify");
    for (from, to, why) in [
        ("\"hash\":\"", "\"hash\":\"x", "64 digits"),
        ("\"record\":{", "\"record\":{\"blocks\":3,", "form"),
        (
            "\"place\":\"2019-lantern-fair\"",
            "\"place\":\"/2019-lantern-fair\"",
            "no file below",
        ),
    ] {
        attack.changed(from, to, why);
    }
    // One that says another hash than was recorded finds a difference, and home refuses nothing less.
    let at = attack.text.find("\"hash\":\"").expect("a hash") + 8;
    let mut text = attack.text.clone();
    text.replace_range(at..at + 64, &"0".repeat(64));
    std::fs::write(&attack.waybill, resealed(&text)).expect("a waybill");
    let (code, carried) = attack.away.carry(&attack.waybill);
    assert_eq!(code, 1, "{carried}");
    let receipt = attack.waybill.with_extension("receipt");
    let words = ["absorb", receipt.to_str().expect("a path")];
    let refused = attack.scene.run_words(&words);
    assert!(refused.code > 0, "{}", refused.text());
}
