//! The tests' own tools, tested: trees from text, their facts, mounted images, the real binary.

mod support;

use support::loops::{Kind, Loop};
use support::{assert_same_tree, content, scratch, tree, tree_facts};

const SPEC: &str = r"
    # path              kind    what        mode  time
    jobs/2019           folder  -           0750  2019-03-04T10:00:00Z
    jobs/2019/a.mov     file    1M/7        0640  2019-03-04T10:00:00.123456789Z
    jobs/2019/b.mov     name    jobs/2019/a.mov
    jobs/latest         link    20\x319    -     2020-01-01T00:00:00Z
    jobs/pipe           pipe    -           0600  2020-01-01T00:00:00Z
    caf\xe9/two\x20words file   12/7        0644  1969-12-31T23:59:59Z
    disk.img            holes   1M/8        0644  2020-01-01T00:00:00Z
    jobs                folder  -           0755  2020-01-01T00:00:00Z
    caf\xe9             folder  -           0755  2020-01-01T00:00:00Z
";

#[test]
fn a_tree_is_what_its_text_says() {
    let folder = scratch();
    tree(folder.path(), SPEC);
    let facts = tree_facts(folder.path());
    let paths: Vec<&str> = facts.iter().map(|fact| fact.path.as_str()).collect();
    let expected = [
        r"caf\xe9",
        r"caf\xe9/two words",
        "disk.img",
        "jobs",
        "jobs/2019",
        "jobs/2019/a.mov",
        "jobs/2019/b.mov",
        "jobs/latest",
        "jobs/pipe",
    ];
    assert_eq!(paths, expected);
    let kinds: Vec<&str> = facts.iter().map(|fact| fact.kind).collect();
    assert_eq!(
        kinds,
        [
            "folder", "file", "file", "folder", "folder", "file", "file", "link", "pipe"
        ]
    );
    assert_eq!(facts[1].mtime, -1_000_000_000);
    assert_eq!(
        (facts[4].mode, facts[4].mtime),
        (0o750, 1_551_693_600_000_000_000)
    );
    assert_eq!(
        (facts[5].size, facts[5].mode, facts[5].mtime),
        (1 << 20, 0o640, 1_551_693_600_123_456_789)
    );
    assert_eq!(
        facts[5].hash,
        blake3::hash(&content(7, 1 << 20)).to_hex().to_string()
    );
    assert_eq!(facts[5].hash, facts[6].hash);
    assert_eq!(facts[7].target, "2019");
}

#[test]
fn the_same_text_gives_the_same_tree_and_a_changed_byte_shows() {
    let (one, other) = (scratch(), scratch());
    tree(one.path(), SPEC);
    tree(other.path(), SPEC);
    assert_same_tree(one.path(), other.path());
    let before = tree_facts(other.path());
    let path = other.path().join("jobs/2019/a.mov");
    let time = std::fs::metadata(&path).unwrap().modified().unwrap();
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[99] ^= 1;
    std::fs::write(&path, bytes).unwrap();
    std::fs::File::options()
        .write(true)
        .open(&path)
        .unwrap()
        .set_modified(time)
        .unwrap();
    let after = tree_facts(other.path());
    let differ = before.iter().zip(&after).filter(|(a, b)| a != b).count();
    assert_eq!(differ, 2, "both names of the file show it");
}

#[test]
fn each_file_system_mounts_keeps_a_tree_and_goes_again() {
    for kind in Kind::ALL {
        let Some(mut image) = Loop::new(kind) else {
            continue;
        };
        let at = image.path().to_path_buf();
        tree(&at.join("tree"), SPEC);
        let before = tree_facts(&at.join("tree"));
        image.cycle();
        assert_eq!(tree_facts(&at.join("tree")), before, "{}", kind.name());
        image.remount("ro");
        assert!(std::fs::write(at.join("x"), "x").is_err());
        drop(image);
        let mounts = std::fs::read_to_string("/proc/self/mountinfo").unwrap();
        assert!(
            !mounts.contains(at.to_str().unwrap()),
            "{} stays mounted",
            kind.name()
        );
    }
}

/// The first outputs of SplitMix64 for seed 1234567, as library tests print them; from memory.
#[test]
fn the_generator_gives_the_published_numbers() {
    let bytes = content(1_234_567, 24);
    let first: Vec<u64> = bytes
        .chunks(8)
        .map(|c| u64::from_le_bytes(c.try_into().unwrap()))
        .collect();
    let expected = [
        6_457_827_717_110_365_317,
        3_203_168_211_198_807_973,
        9_817_491_932_198_370_423,
    ];
    assert_eq!(first, expected);
    assert_eq!(content(1_234_567, 11), bytes[..11]);
    assert_ne!(content(8, 64), content(7, 64));
}
