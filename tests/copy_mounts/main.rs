//! Whole moves by the real binary from and to mounts: that go wrong on purpose, of other kinds of
//! file systems, and of another machine.

#![allow(clippy::disallowed_methods, clippy::expect_used, clippy::unwrap_used)]

mod disks;
mod faults;
mod going;
mod names;
mod sftp;
#[path = "../support/mod.rs"]
mod support;
#[path = "../behave/util.rs"]
#[allow(dead_code, reason = "shared; a part of it is used here")]
mod util;

use serde_json::Value;
use std::path::{Path, PathBuf};
use support::fuse::Fuse;
use util::{Scene, listing, noise};

/// A move with one end on a mount of the tests' own.
pub struct Mounted {
    /// The move.
    pub scene: Scene,
    /// The mount.
    pub fuse: Fuse,
    /// What the mount shows.
    pub behind: tempfile::TempDir,
}

/// Lengths of the files of [`archive`]: none, a few bytes, several pieces of one worker, several
/// blocks of all workers.
const FILES: [(&str, usize); 5] = [
    ("2019-fair/empty.txt", 0),
    ("2019-fair/note.txt", 1_700),
    ("2019-fair/raw/sound.bin", 5 << 20),
    ("2019-fair/raw/film.bin", 40 << 20),
    ("2019-river/photo.bin", 300_000),
];

/// Files of several sizes at the source.
pub fn archive(scene: &Scene) {
    for (seed, (name, size)) in (1..).zip(FILES) {
        scene.put(name, &noise(size, seed));
    }
}

impl Mounted {
    /// With the source on the mount.
    pub fn source() -> Option<Mounted> {
        let behind = support::scratch();
        let fuse = Fuse::over(behind.path())?;
        let mut scene = Scene::bare();
        scene.from = fuse.path().to_path_buf();
        archive(&scene);
        Some(Mounted { scene, fuse, behind })
    }

    /// With the destination on the mount.
    pub fn destination() -> Option<Mounted> {
        let behind = support::scratch();
        let fuse = Fuse::over(behind.path())?;
        let mut scene = Scene::bare();
        archive(&scene);
        scene.to = fuse.path().join("archive");
        std::fs::create_dir(&scene.to).unwrap();
        Some(Mounted { scene, fuse, behind })
    }
}

/// Fails unless the only dataset holds what the source holds, with all facts, and nothing else; by
/// a look of the tests' own and by `diff -r` of diffutils.
#[track_caller]
pub fn equal(scene: &Scene) {
    equal_below(&scene.from, &scene.to.join("2019"));
}

/// The same for two folders.
#[track_caller]
pub fn equal_below(from: &Path, to: &Path) {
    assert_eq!(listing(to), listing(from));
    let words = [
        "-r".as_ref(),
        "--no-dereference".as_ref(),
        from.as_os_str(),
        to.as_os_str(),
    ];
    let (same, said) = util::other("diff", &words, Path::new("/")).expect("diff is there");
    assert!(same, "{said}");
}

/// Files at the destination under names of the source, which must be whole and right; and how many
/// other names there are.
#[track_caller]
pub fn whole_or_absent(scene: &Scene) -> (usize, Vec<PathBuf>) {
    let (mut whole, mut others) = (0, Vec::new());
    let root = scene.to.join("2019");
    if !root.exists() {
        return (0, others);
    }
    util::walk(&root, &mut |path, facts| {
        let below = path.strip_prefix(&root).unwrap();
        let source = scene.from.join(below);
        if facts.is_dir() {
            return;
        }
        if !source.exists() {
            return others.push(below.to_path_buf());
        }
        let same = std::fs::read(path).unwrap() == std::fs::read(source).unwrap();
        assert!(same, "{} is half there", below.display());
        whole += 1;
    });
    (whole, others)
}

/// `code path` of every failure, sorted.
pub fn failures(copied: &Value) -> Vec<String> {
    let mut all = Vec::new();
    for batch in copied["batches"].as_array().unwrap() {
        for one in batch["failures"].as_array().unwrap() {
            let word = |name: &str| one[name].as_str().unwrap_or_default().to_string();
            all.push(format!("{} {}", word("code"), word("path")));
        }
    }
    all.sort();
    all
}

/// Fails unless the run stopped with 3 and that code, and says what to do.
#[track_caller]
pub fn stopped((code, value): &(i32, Value), word: &str) {
    assert_eq!(*code, 3, "{value}");
    assert_eq!(value["error"]["code"], word, "{value}");
    assert!(
        !value["error"]["mend"].as_str().unwrap_or_default().is_empty(),
        "{value}"
    );
}
