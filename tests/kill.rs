//! A real copy between real folders, killed at random instants again and again: in the end
//! everything is there and nothing of the way is left. 25 kills, 200 with `POOLWARD_SOAK` set.

#![allow(
    clippy::disallowed_methods,
    reason = "a test that kills its own child asks the time, the environment and clears its own folders"
)]

use poolward::copy::{Ends, Item, StreamLimits, Task, copy};
use poolward::digest::Digest;
use poolward::entry::EntryKind;
use poolward::ledger::{BatchRow, Ledger};
use poolward::moment::Moment;
use poolward::names::RelPath;
use poolward::units::Bytes;
use poolward::world::OsFs;
use poolward::world::{Clock, Folder, Fs, Stop, SystemClock};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The folder of the test, told to the process that copies.
const FOLDER: &str = "POOLWARD_TEST_KILL_FOLDER";

fn places(folder: &Path) -> [PathBuf; 3] {
    [
        folder.join("source"),
        folder.join("target"),
        folder.join("ledger.db"),
    ]
}

/// The tree that is copied: small files in several folders, links of both kinds, two larger ones.
fn make_source(root: &Path) {
    for folder in 0..6 {
        let above = root.join(format!("project {folder}/clips"));
        fs::create_dir_all(&above).unwrap();
        for file in 0..40u32 {
            let content = vec![file as u8; (file * file * 97) as usize];
            fs::write(above.join(format!("take {file}")), content).unwrap();
        }
        let first = above.join("take 7");
        fs::set_permissions(&first, fs::Permissions::from_mode(0o440)).unwrap();
        fs::hard_link(&first, root.join(format!("project {folder}/take again"))).unwrap();
        symlink("clips/take 3", root.join(format!("project {folder}/best"))).unwrap();
    }
    let noise: Vec<u8> = (0..40u32 << 20)
        .map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8)
        .collect();
    fs::write(root.join("film"), &noise).unwrap();
    fs::write(root.join("scene"), &noise[..5 << 20]).unwrap();
}

fn begin(ledger: &Path) {
    let mut ledger = Ledger::create(ledger, "c0ffee", Moment::default()).unwrap();
    let row = BatchRow {
        id: 0,
        name: "2019.1".into(),
        dataset: "2019".into(),
        source: "oldbox".into(),
        destination: "pool".into(),
        index: Digest([0; 32]),
        state: "copying".into(),
        begun_at: Moment::default(),
        copied_at: None,
        verified_at: None,
        released_at: None,
        body: String::new(),
    };
    assert_eq!(ledger.begin_batch(&row).unwrap().id, 1);
}

fn walk(folder: &dyn Folder, at: &RelPath, items: &mut Vec<Item>) {
    let mut listing = folder.list().unwrap();
    listing.sort();
    for (name, kind) in listing {
        let path = at.join(&name).unwrap();
        if kind == EntryKind::Directory {
            let below: Arc<dyn Folder> = folder.enter(&name).unwrap();
            walk(&*below, &path, items);
        } else {
            let entry = folder.stat(&name).unwrap();
            items.push(Item {
                from: path.clone(),
                place: path,
                entry,
                recorded: None,
                known: None,
            });
        }
    }
}

/// What the process that is killed does; in the ordinary run of the tests, nothing.
#[test]
fn the_process_that_copies() {
    let Some(folder) = std::env::var_os(FOLDER) else {
        return;
    };
    let [source, target, ledger] = places(Path::new(&folder));
    let (source, target) = (OsFs::open(&source).unwrap(), OsFs::open(&target).unwrap());
    let mut ledger = Ledger::open(&ledger).unwrap();
    let mut items = Vec::new();
    walk(&*source.root().unwrap(), &RelPath::root(), &mut items);
    let mut recorded = BTreeSet::new();
    let keep = |record: poolward::ledger::FileRecord| {
        recorded.insert(record.place);
        Ok(())
    };
    ledger.each_record(1, "2019", keep).unwrap();
    items.retain(|item| !recorded.contains(&item.place));
    let (clock, stop) = (SystemClock::default(), Stop::new());
    let ends = Ends {
        source: &source,
        target: &target,
        clock: &clock,
        stop: &stop,
    };
    let task = Task {
        only_adopt: false,
        as_listed: None,
        placed_inodes_hold: true,
        accept: Vec::new(),
        shelf: String::new(),
        batch: 1,
        dataset: "2019".into(),
        source: "oldbox".into(),
        tag: "c0ffee".into(),
        inodes_hold: true,
        owners: false,
        permissions: Default::default(),
        streams: StreamLimits::fixed(2),
        reserve: Bytes(1 << 20),
    };
    let outcome = copy(ends, &task, &mut ledger, &mut items.into_iter().map(Ok), &|_| {}).unwrap();
    assert_eq!(outcome.failed, 0, "{:?}", ledger.failures(1));
}

fn start(folder: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "the_process_that_copies", "--nocapture"])
        .env(FOLDER, folder)
        .stdout(Stdio::null())
        .stderr(Stdio::inherit())
        .spawn()
        .unwrap()
}

/// What a tree holds: per path its kind, mode, time and content, and which names are one file.
type Tree = BTreeMap<PathBuf, (u32, i64, i64, Vec<u8>)>;

fn tree(root: &Path) -> (Tree, BTreeSet<BTreeSet<PathBuf>>) {
    let (mut found, mut names) = (Tree::new(), BTreeMap::<u64, BTreeSet<PathBuf>>::new());
    let mut open = vec![root.to_path_buf()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let facts = fs::symlink_metadata(&path).unwrap();
            if facts.is_dir() {
                open.push(path);
                continue;
            }
            let content = match facts.is_symlink() {
                true => fs::read_link(&path).unwrap().as_os_str().as_bytes().to_vec(),
                false => Digest::of(&fs::read(&path).unwrap()).0.to_vec(),
            };
            let below = path.strip_prefix(root).unwrap().to_path_buf();
            names.entry(facts.ino()).or_default().insert(below.clone());
            found.insert(below, (facts.mode(), facts.mtime(), facts.mtime_nsec(), content));
        }
    }
    (found, names.into_values().collect())
}

#[test]
fn a_copy_killed_at_random_instants_ends_complete_and_clean() {
    let kills = if std::env::var_os("POOLWARD_SOAK").is_some() {
        200
    } else {
        25
    };
    let mut seed = SystemClock::default().now().nanos;
    println!("seed {seed}");
    let folder = tempfile::tempdir().unwrap();
    let [source, target, ledger] = places(folder.path());
    make_source(&source);
    let anew = || {
        let _ = fs::remove_dir_all(&target);
        for end in ["", "-wal", "-shm"] {
            let _ = fs::remove_file(folder.path().join(format!("ledger.db{end}")));
        }
        fs::create_dir(&target).unwrap();
        begin(&ledger);
    };
    anew();
    let began = Instant::now();
    assert!(start(folder.path()).wait().unwrap().success());
    let whole = began.elapsed();
    let expected = tree(&source);
    assert_eq!(tree(&target), expected);
    anew();
    let mut killed = 0;
    while killed < kills {
        let mut child = start(folder.path());
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        std::thread::sleep(
            whole.mul_f64(f64::from(seed >> 8) / f64::from(1 << 24)) / 2 + Duration::from_millis(2),
        );
        if let Some(status) = child.try_wait().unwrap() {
            assert!(status.success(), "the copy failed by itself");
            assert_eq!(tree(&target), expected);
            anew();
            continue;
        }
        child.kill().unwrap();
        child.wait().unwrap();
        killed += 1;
    }
    assert!(start(folder.path()).wait().unwrap().success());
    assert_eq!(tree(&target), expected);
    let ledger = Ledger::open(&ledger).unwrap();
    assert_eq!(ledger.intents_of(1, "2019").unwrap(), Vec::new());
    let mut records = 0;
    let count = |_| {
        records += 1;
        Ok(())
    };
    ledger.each_record(1, "2019", count).unwrap();
    assert_eq!(records, expected.0.len());
}
