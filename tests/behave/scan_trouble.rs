//! Sources and indexes that make trouble: a file of a hundred thousand names, a folder that shows
//! one it lies in, folders that change while they are read, an index that was cut or flipped.

use crate::support::loops::{Kind, Loop};
use crate::support::skip;
use crate::util::*;
use poolward::entry::EntryKind;
use poolward::index::{Index, InodeClass};
use poolward::names::{RelPath, SourceName};
use poolward::scan::{NeverEnter, ScanRequest, scan};
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, symlink};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

fn scanned(root: &Path, beside: &Path, gentle: bool, rule: Arc<NeverEnter>) -> Index {
    let request = ScanRequest {
        source: SourceName("oldbox".into()),
        root: root.to_path_buf(),
        index: beside.join("index"),
        parts: beside.join("parts"),
        never_enter: rule,
        rules: String::new(),
        cross: Vec::new(),
        gentle,
        threads: Some(4),
        recount: Some(true),
        resume: false,
        only: None,
        expected_entries: None,
        inodes: InodeClass::Unknown,
    };
    scan(&request, &|_| {}, &|| false).expect("a scan").index
}

fn the_index(scene: &Scene) -> PathBuf {
    let mut list = fs::read_dir(scene.home.join("indexes")).unwrap();
    let found = list.find_map(|item| Some(item.unwrap().path()).filter(|path| path.is_file()));
    found.expect("an index")
}

/// ext4 stops at 65,000 names of one file, XFS does not.
#[test]
fn a_file_of_a_hundred_thousand_names_is_told_as_one() {
    const NAMES: u64 = 100_000;
    let Some(disk) = Loop::new(Kind::Xfs) else { return };
    let mut scene = Scene::bare();
    scene.from = disk.path().join("oldbox");
    let first = scene.put("2019-fair/first.bin", &noise(40_000, 6));
    let folder = scene.from.join("2019-fair/names");
    fs::create_dir(&folder).unwrap();
    for number in 1..NAMES {
        fs::hard_link(&first, folder.join(number.to_string())).unwrap();
    }
    assert_eq!(first.metadata().unwrap().nlink(), NAMES);
    scene.begin();
    let (code, scan) = scene.json("scan");
    let source = &scan["sources"][0];
    assert_eq!((code, source["files"].as_u64()), (0, Some(NAMES)), "{source}");
    // Names count, as the documentation of the totals says; that they are one file is a hazard told
    // once, not a hundred thousand times.
    let survey = scene.json("survey").1;
    assert_eq!(survey["projects"][0]["files"].as_u64(), Some(NAMES), "{survey}");
    let hazards = survey["hazards"].as_array().unwrap();
    let links = hazards
        .iter()
        .find(|one| one["kind"] == "hard-link")
        .expect("told");
    assert_eq!(links["count"], 1, "{links}");
    assert_eq!(links["examples"][0], "2019-fair/first.bin");
}

/// A bind mount, gone again when dropped.
struct Bound(PathBuf);

impl Bound {
    fn new(shown: &Path, at: &Path) -> Option<Bound> {
        let words = [OsStr::new("--bind"), shown.as_os_str(), at.as_os_str()];
        match Command::new("mount").args(words).output() {
            Ok(output) if output.status.success() => Some(Bound(at.to_path_buf())),
            _ => {
                skip("this user may not mount");
                None
            }
        }
    }
}

impl Drop for Bound {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_source_shown_again_in_its_own_child_ends_there() {
    let scene = Scene::bare();
    scene.small();
    let at = scene.from.join("2020-harvest/all-again");
    fs::create_dir(&at).unwrap();
    let Some(_bound) = Bound::new(&scene.from, &at) else {
        return;
    };
    scene.begin();
    let (code, scan) = scene.json("scan");
    let source = &scan["sources"][0];
    assert_eq!(code, 0, "{scan}");
    assert_eq!(
        (&source["boundaries"], &source["files"]),
        (&1.into(), &4.into()),
        "{source}"
    );
    let hazards = scene.json("survey").1["hazards"].to_string();
    assert!(
        hazards.contains("\"boundary\"") && hazards.contains("all-again"),
        "{hazards}"
    );
    // What lies behind it was not looked at, so the gate does not open by itself.
    assert!(scene.run("plan").code < 2);
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    let released = scene.run("release 2020.1").expect(1).text();
    assert!(released.contains("left behind as boundary"), "{released}");
    // Told to walk through, it finds that it would walk in a ring.
    let path = format!("path = \"{}\"", scene.from.display());
    scene.edit(&path, &format!("{path}\ncross = [\"2020-harvest/all-again\"]"));
    let (code, scan) = scene.json("scan");
    assert_eq!(code, 1, "{scan}");
    assert!(scan["errors"].to_string().contains("a loop"), "{scan}");
    assert_eq!(scan["sources"][0]["files"], 4, "{scan}");
}

#[test]
fn a_folder_swapped_for_something_else_is_not_followed() {
    let scene = Scene::bare();
    fs::create_dir(scene.root().join("elsewhere")).unwrap();
    fs::write(scene.root().join("elsewhere/secret"), "not ours").unwrap();
    let outside = scene.root().join("elsewhere");
    for gentle in [false, true] {
        for top in ["link", "file"] {
            let _ = fs::remove_file(scene.from.join(top));
            fs::create_dir_all(scene.from.join(top)).unwrap();
        }
        fs::create_dir_all(scene.from.join("stays/inner")).unwrap();
        let (root, outside) = (scene.from.clone(), outside.clone());
        // The rule is asked between the look at a folder and its opening.
        let swap = move |_: &RelPath, name: &[u8]| {
            let path = root.join(OsStr::from_bytes(name));
            let swapped = match name {
                b"link" => fs::remove_dir(&path).and_then(|()| symlink(&outside, &path)),
                b"file" => fs::remove_dir(&path).and_then(|()| fs::write(&path, "a file now")),
                _ => Ok(()),
            };
            swapped.unwrap();
            None
        };
        let index = scanned(&scene.from, &scene.root(), gentle, Arc::new(swap));
        for top in ["link", "file"] {
            let path = RelPath::new(top).unwrap();
            let entry = index.entry(&path).unwrap().unwrap();
            assert_eq!(entry.kind, EntryKind::Directory, "as it was seen");
            assert_eq!(
                entry.error.as_deref(),
                Some("became something else during the scan")
            );
            assert_eq!(index.listings_below(&path).count(), 0);
        }
        assert_eq!(index.header().totals.entries, 4);
        assert_eq!(index.header().totals.unreadable, 2);
    }
}

#[test]
fn a_folder_that_changes_all_the_time_loses_none_that_stays() {
    const STAY: usize = 6_000;
    let scene = Scene::bare();
    for number in 0..STAY {
        fs::write(scene.from.join(format!("stays-{number:05}")), "").unwrap();
    }
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let churn = scope.spawn(|| {
            let mut made = 0_u64;
            while !over.load(Ordering::Relaxed) {
                let path = scene.from.join(format!("comes-{}", made % 700));
                fs::write(&path, "x").unwrap();
                fs::rename(&path, scene.from.join(format!("goes-{}", made % 500))).unwrap();
                let _ = fs::remove_file(scene.from.join(format!("goes-{}", (made + 250) % 500)));
                made += 1;
            }
            made
        });
        for gentle in [false, true, false, true] {
            let index = scanned(&scene.from, &scene.root(), gentle, Arc::new(|_, _| None));
            let mut names = Vec::new();
            for listing in index.listings() {
                for child in listing.unwrap().children {
                    let error = child.entry.error.as_deref();
                    assert!(
                        matches!(error, None | Some("vanished during the scan")),
                        "{error:?}"
                    );
                    if child.name.starts_with(b"stays") {
                        assert_eq!((error, child.entry.kind), (None, EntryKind::File));
                        names.push(child.name);
                    }
                }
            }
            let distinct: BTreeSet<&Vec<u8>> = names.iter().collect();
            assert_eq!((names.len(), distinct.len()), (STAY, STAY), "each once");
        }
        over.store(true, Ordering::Relaxed);
        assert!(churn.join().unwrap() > 100, "it did change meanwhile");
    });
}

/// What the sealed format has: magic, version, blocks, table, length of the table, digest.
#[test]
fn an_index_cut_short_or_flipped_anywhere_is_refused_in_one_line() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    scene.run("scan").expect(0);
    let path = the_index(&scene);
    let good = fs::read(&path).unwrap();
    let refused = |what: &str| {
        let ran = scene.run("survey").expect(3);
        one_line(&ran, "");
        assert_eq!(ran.err.lines().count(), 1, "{what}: {}", ran.err);
        assert!(ran.text().is_empty(), "{what}: {}", ran.text());
        ran
    };
    let end = good.len();
    let lengths = [
        0,
        1,
        7,
        8,
        9,
        11,
        12,
        13,
        20,
        end / 4,
        end / 2,
        end - 41,
        end - 40,
        end - 33,
        end - 32,
        end - 31,
        end - 1,
    ];
    for length in lengths {
        fs::write(&path, &good[..length]).unwrap();
        refused(&format!("cut at {length} of {end}"));
    }
    for seed in noise(24 * 4, 77).chunks(4) {
        let at = u32::from_le_bytes([seed[0], seed[1], seed[2], 0]) as usize % end;
        let mut bad = good.clone();
        bad[at] ^= 1 << (seed[3] % 8);
        fs::write(&path, &bad).unwrap();
        refused(&format!("flipped at {at} of {end}"));
    }
    fs::write(&path, [good.as_slice(), b"\n"].concat()).unwrap();
    refused("a byte more");
    fs::write(&path, noise(end, 3)).unwrap();
    refused("other bytes");
    fs::remove_file(&path).unwrap();
    refused("none");
    fs::create_dir(&path).unwrap();
    refused("a folder");
    fs::remove_dir(&path).unwrap();
    fs::write(&path, &good).unwrap();
    assert!(scene.run("survey").code < 2);
}
