//! Hashes of the source known from before: what copy and adopt make of them, and what two reads
//! that disagree come to. A wrong earlier read is written into the ledger by hand.

use crate::util::*;
use rusqlite::Connection;
use serde_json::Value;

/// Longer than the two seconds in which one more edit could have left the same times.
const SETTLED: std::time::Duration = std::time::Duration::from_millis(2_100);

fn ledger(scene: &Scene) -> Connection {
    Connection::open(scene.home.join("ledger.db")).unwrap()
}

/// Spoils what is known of all files of a size.
fn spoil(scene: &Scene, size: usize) -> usize {
    let sql = "UPDATE content SET whole = zeroblob(32) WHERE size = ?1";
    ledger(scene).execute(sql, [size as i64]).unwrap()
}

/// Of each disagreement what settled it.
fn settled(scene: &Scene) -> Vec<String> {
    let db = ledger(scene);
    let mut rows = db
        .prepare("SELECT settled_by FROM read_disagreements ORDER BY id")
        .unwrap();
    rows.query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect()
}

/// Two small twins, two large ones, one file alone of its size.
fn twins(scene: &Scene) {
    for name in ["2019-a", "2019-b"] {
        scene.put(format!("{name}/small"), &noise(5_000, 1));
        scene.put(format!("{name}/large"), &noise(1_200_000, 2));
    }
    scene.put("2019-a/alone", &noise(1_700_000, 3));
    scene.planned();
    std::thread::sleep(SETTLED);
    scene.run("survey --twins").expect(0);
}

/// Every file of the source lies somewhere at the destination with its content, and no other.
fn all_there(scene: &Scene) {
    let hashes = |root| {
        let mut found = Vec::new();
        walk(root, &mut |path, facts| {
            let ours = path.components().any(|part| part.as_os_str() == ".poolward");
            if facts.is_file() && !ours {
                let name = path.file_name().unwrap().to_os_string();
                found.push((name, blake3::hash(&std::fs::read(path).unwrap()).to_string()));
            }
        });
        found.sort();
        found
    };
    assert_eq!(hashes(&scene.from), hashes(&scene.to));
}

fn reasons(answer: &Value) -> Vec<(String, u64)> {
    let reasons = answer["batches"][0]["reasons"].as_array().unwrap();
    let one = |r: &Value| {
        (
            r["code"].as_str().unwrap().to_string(),
            r["count"].as_u64().unwrap(),
        )
    };
    reasons.iter().map(one).collect()
}

#[test]
fn a_known_hash_that_agrees_is_no_event() {
    let scene = Scene::bare();
    twins(&scene);
    let (code, copied) = scene.json("copy --all");
    assert_eq!((code, &copied["batches"][0]["reads_disagreed"]), (0, &0.into()));
    all_there(&scene);
    assert_eq!(settled(&scene), [""; 0]);
    // What copy has hashed is known as well: the file that had no twin is not read for one.
    let twin = scene.put("2019-c/alone", &noise(1_700_000, 3));
    scene.run("scan").expect(0);
    let twins = scene.json("survey --twins").1["twins"].clone();
    let size = std::fs::metadata(twin).unwrap().len();
    // Both are looked at, and only the new one is read.
    assert_eq!(twins["read_bytes"], 2 * (128 << 10) + size, "{twins}");
}

#[test]
fn a_wrong_earlier_read_is_outvoted_and_shuts_release_until_accepted() {
    let scene = Scene::bare();
    twins(&scene);
    assert_eq!((spoil(&scene, 5_000), spoil(&scene, 1_200_000)), (2, 2));
    let ran = scene.run("copy --all").expect(1);
    assert!(ran.text().contains("READS DISAGREE: 4"), "{}", ran.text());
    all_there(&scene);
    assert_eq!(settled(&scene), ["later-read"; 4]);
    scene.run("verify").expect(0);
    let name = scene.json("status").1["batches"][0]["name"]
        .as_str()
        .unwrap()
        .to_string();
    let shut = scene.json(&format!("release {name}")).1;
    let others = [
        ("no-second-copy".to_string(), 1),
        ("no-restore-test".to_string(), 1),
    ];
    let disagree = |count| ("reads-disagree".to_string(), count);
    assert_eq!(reasons(&shut), [&others[..], &[disagree(4)]].concat());
    let accepted = scene.json(&format!("release {name} --accept reads-disagree")).1;
    assert_eq!(reasons(&accepted), others);
    // The right hash is known now, so nothing disagrees a second time.
    let known = "SELECT count(*) FROM content WHERE whole = zeroblob(32)";
    let wrong: i64 = ledger(&scene).query_row(known, [], |row| row.get(0)).unwrap();
    assert_eq!(wrong, 0);
    // One more, and what was accepted is void.
    let again = "INSERT INTO read_disagreements (source, batch, path, inode, size, mtime, ctime, earlier, later, ranges, \
                 at, settled_by) SELECT source, batch, path, inode, size, mtime, ctime, earlier, later, ranges, at, \
                 settled_by FROM read_disagreements LIMIT 1";
    assert_eq!(ledger(&scene).execute(again, []).unwrap(), 1);
    let shut = scene.json(&format!("release {name}")).1;
    assert_eq!(reasons(&shut), [&others[..], &[disagree(5)]].concat());
    let text = scene.run(&format!("release {name}")).text();
    assert!(text.contains("4 when that was accepted"), "{text}");
}

#[test]
fn a_hash_read_within_two_seconds_of_a_change_is_not_used() {
    let scene = Scene::bare();
    for name in ["2019-a/x", "2019-b/x"] {
        scene.put(name, &noise(5_000, 1));
    }
    scene.planned();
    scene.run("survey --twins").expect(0);
    spoil(&scene, 5_000);
    // As if they had just been touched, however slow this machine is.
    ledger(&scene)
        .execute("UPDATE content SET read_at = ctime", [])
        .unwrap();
    scene.run("copy --all").expect(0);
    all_there(&scene);
    assert_eq!(settled(&scene), [""; 0]);
}

#[test]
fn adopt_asks_the_source_only_where_what_is_known_does_not_fit() {
    let scene = Scene::bare();
    twins(&scene);
    assert_eq!(spoil(&scene, 1_200_000), 2);
    let to = scene.root().join("elsewhere");
    let words = ["-a", scene.from.to_str().unwrap(), to.to_str().unwrap()].map(std::ffi::OsStr::new);
    assert!(other("cp", &words, &scene.root()).is_some_and(|(done, _)| done));
    let name = scene.json("status").1["batches"][0]["name"]
        .as_str()
        .unwrap()
        .to_string();
    // One small twin is another file there: a conflict, and no disagreement.
    write(&to.join("2019-b/small"), &noise(5_000, 9));
    let words = ["adopt", &name, "--at", to.to_str().unwrap(), "--json"];
    let adopted = scene.run_words(&words).expect(1).object()["batches"][0].clone();
    assert_eq!(adopted["hashes_known"], 1, "{adopted}");
    assert_eq!(adopted["files_adopted"], 4, "{adopted}");
    assert_eq!(adopted["reads_disagreed"], 2, "{adopted}");
    assert_eq!(adopted["failures"][0]["code"], "conflict-not-ours", "{adopted}");
    assert_eq!(settled(&scene), ["later-read"; 2]);
}
