//! Scans of real small trees, on the disk that tests run on.

use crate::entry::{EntryKind, Identity, Listing};
use crate::index::{Index, InodeClass, Uneven};
use crate::moment::Moment;
use crate::names::{RelPath, SourceName};
use crate::scan::{InodeLook, Progress, ScanOutcome, ScanRequest, classify_inodes, look, scan};
use crate::trouble::Trouble;
use crate::units::Bytes;
use rustix::fs::{Mode, OFlags};
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

fn rel(path: impl Into<Vec<u8>>) -> RelPath {
    RelPath::new(path).unwrap()
}

/// A source and a place for its index beside it.
struct Bench {
    _scratch: tempfile::TempDir,
    root: PathBuf,
    request: ScanRequest,
}

fn bench() -> Bench {
    let scratch = tempfile::tempdir().unwrap();
    let root = scratch.path().join("source");
    fs::create_dir(&root).unwrap();
    let request = request(&root, scratch.path());
    Bench {
        _scratch: scratch,
        root,
        request,
    }
}

fn request(root: &Path, beside: &Path) -> ScanRequest {
    ScanRequest {
        source: SourceName("oldbox".into()),
        root: root.to_path_buf(),
        index: beside.join("oldbox.index"),
        parts: beside.join("oldbox.parts"),
        never_enter: Arc::new(|_, _| None),
        rules: "none".into(),
        cross: Vec::new(),
        gentle: false,
        threads: Some(4),
        recount: None,
        resume: true,
        only: None,
        expected_entries: None,
        inodes: InodeClass::Unknown,
    }
}

fn run(request: &ScanRequest) -> Result<ScanOutcome, Trouble> {
    scan(request, &|_| {}, &|| false)
}

fn listings(index: &Index) -> Vec<Listing> {
    index.listings().map(Result::unwrap).collect()
}

/// A tree with the awkward things that a local file system can hold.
fn awkward_tree(root: &Path) {
    let write = |path: &str, size: usize| {
        let path = root.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, vec![7u8; size]).unwrap();
    };
    for n in 0..40 {
        write(&format!("acorn/clips/A{n:03}.mov"), n * 100);
        write(&format!("birch/{}/x.txt", n % 7), n);
    }
    write("loose.txt", 3);
    write("two\nlines/\u{202e}odd", 1);
    fs::create_dir(root.join("empty")).unwrap();
    fs::write(root.join(std::ffi::OsStr::from_bytes(b"acorn/caf\xe9")), b"x").unwrap();
    fs::hard_link(root.join("loose.txt"), root.join("birch/again.txt")).unwrap();
    symlink("..", root.join("acorn/up")).unwrap();
    symlink(".", root.join("acorn/clips/self")).unwrap();
    symlink("/nowhere/at all", root.join("broken")).unwrap();
    rustix::fs::mknodat(
        rustix::fs::CWD,
        root.join("fifo"),
        rustix::fs::FileType::Fifo,
        Mode::RUSR,
        0,
    )
    .unwrap();
    let _socket = std::os::unix::net::UnixListener::bind(root.join("s")).unwrap();
}

/// Every fact of every entry by the standard library, path by path: another way to the same tree.
fn check_against_std(root: &Path, index: &Index) {
    let mut seen = 0;
    for listing in index.listings() {
        let listing = listing.unwrap();
        let folder = root.join(std::ffi::OsStr::from_bytes(listing.folder.as_bytes()));
        let mut names: Vec<Vec<u8>> = fs::read_dir(&folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().as_bytes().to_vec())
            .collect();
        names.sort();
        let ours: Vec<Vec<u8>> = listing.children.iter().map(|c| c.name.clone()).collect();
        assert_eq!(ours, names, "{}", folder.display());
        for child in &listing.children {
            let path = folder.join(std::ffi::OsStr::from_bytes(&child.name));
            let (meta, e) = (fs::symlink_metadata(&path).unwrap(), &child.entry);
            seen += 1;
            assert_eq!(
                (e.size.0, e.allocated.0),
                (meta.size(), meta.blocks() * 512),
                "{path:?}"
            );
            assert_eq!((e.inode, e.links), (meta.ino(), meta.nlink()), "{path:?}");
            assert_eq!(
                (e.mode, e.uid, e.gid),
                (meta.mode() & 0o7777, meta.uid(), meta.gid()),
                "{path:?}"
            );
            let time = |seconds, nanos| Moment {
                seconds,
                nanos: nanos as u32,
            };
            assert_eq!(e.mtime, time(meta.mtime(), meta.mtime_nsec()), "{path:?}");
            assert_eq!(e.ctime, time(meta.ctime(), meta.ctime_nsec()), "{path:?}");
            let target = fs::read_link(&path)
                .ok()
                .map(|t| t.as_os_str().as_bytes().to_vec());
            assert_eq!(e.target, target, "{path:?}");
            assert_eq!(e.error, None, "{path:?}");
        }
    }
    assert_eq!(seen, index.header().totals.entries);
}

#[test]
fn every_fact_agrees_with_the_standard_library() {
    let mut bench = bench();
    awkward_tree(&bench.root);
    for (gentle, threads) in [(false, 1), (false, 7), (true, 1)] {
        (bench.request.gentle, bench.request.threads) = (gentle, Some(threads));
        let outcome = run(&bench.request).unwrap();
        check_against_std(&bench.root, &outcome.index);
        let totals = outcome.index.header().totals;
        assert_eq!((totals.symlinks, totals.special, totals.unreadable), (3, 2, 0));
        assert!(outcome.index.header().complete);
    }
}

/// GNU find, as its manual describes `-printf`, on the sources of the crates at hand.
#[test]
fn counts_and_sizes_agree_with_find_on_a_real_tree() {
    let home = std::env::var_os("CARGO_HOME").map(PathBuf::from);
    let home = home.or_else(|| std::env::var_os("HOME").map(|home| Path::new(&home).join(".cargo")));
    let Some(root) = home
        .map(|home| home.join("registry/src"))
        .filter(|root| root.is_dir())
    else {
        println!("skipped: no crate sources here");
        return;
    };
    let output = Command::new("find")
        .arg(&root)
        .args(["-mindepth", "1", "-printf", "%y %s %b\\n"])
        .output();
    let Ok(output) = output else {
        println!("skipped: no find here");
        return;
    };
    let (mut files, mut bytes, mut blocks, mut folders, mut links) = (0, 0, 0, 0, 0);
    for line in String::from_utf8(output.stdout).unwrap().lines() {
        let facts: Vec<&str> = line.split(' ').collect();
        match facts[0] {
            "f" => {
                files += 1;
                bytes += facts[1].parse::<u64>().unwrap();
                blocks += facts[2].parse::<u64>().unwrap();
            }
            "d" => folders += 1,
            "l" => links += 1,
            _ => {}
        }
    }
    let scratch = tempfile::tempdir().unwrap();
    let totals = run(&request(&root, scratch.path()))
        .unwrap()
        .index
        .header()
        .totals;
    assert_eq!((totals.files.files, totals.files.bytes.0), (files, bytes));
    assert_eq!(
        (totals.allocated.0, totals.directories, totals.symlinks),
        (blocks * 512, folders, links)
    );
}

#[test]
fn a_scan_that_was_interrupted_ends_as_one_that_was_not() {
    let mut bench = bench();
    awkward_tree(&bench.root);
    let whole = listings(&run(&bench.request).unwrap().index);
    fs::remove_file(&bench.request.index).unwrap();
    // Stopped by a rule that counts folders: after ever more of them.
    for most in [1, 3, 6, 9] {
        let seen = Arc::new(AtomicUsize::new(0));
        let stop_at = Arc::clone(&seen);
        bench.request.never_enter = Arc::new(move |_, _| {
            // Long enough for the wish to stop to be noticed.
            if stop_at.fetch_add(1, Ordering::SeqCst) >= most {
                std::thread::sleep(std::time::Duration::from_millis(150));
            }
            None
        });
        bench.request.threads = Some(1);
        let result = scan(&bench.request, &|_| {}, &|| seen.load(Ordering::SeqCst) > most);
        let Err(trouble) = result else {
            panic!("not interrupted at {most}");
        };
        assert_eq!(trouble.code, "interrupted");
        assert!(!bench.request.index.exists());
        let partial = Index::open(&bench.request.parts).unwrap();
        assert!(!partial.header().complete);
        assert!(listings(&partial).iter().all(|listing| whole.contains(listing)));
    }
    bench.request.never_enter = Arc::new(|_, _| None);
    let outcome = run(&bench.request).unwrap();
    assert!(outcome.kept_segments > 0);
    assert_eq!(listings(&outcome.index), whole);
}

#[test]
fn rules_keep_the_scan_out_and_are_named() {
    let mut bench = bench();
    fs::create_dir_all(bench.root.join("acorn/.snapshot/hourly/acorn")).unwrap();
    bench.request.never_enter = Arc::new(|_, name| (name == b".snapshot").then(|| "snapshots".to_string()));
    let index = run(&bench.request).unwrap().index;
    assert_eq!(listings(&index).len(), 2);
    let noted = &index.header().not_entered[0];
    assert_eq!(
        (noted.path.clone(), noted.rule.as_str()),
        (rel("acorn/.snapshot"), "snapshots")
    );
    assert!(index.entry(&rel("acorn/.snapshot")).unwrap().is_some());
}

/// Runs something without root's right to read everything. On Linux that right belongs to a thread,
/// and the threads it starts inherit what it has then (capabilities(7)).
fn as_any_user<T>(what: impl FnOnce() -> T) -> T {
    use rustix::thread::{CapabilitySet, capabilities, set_capabilities};
    let before = capabilities(None).unwrap();
    let mut fewer = before;
    fewer
        .effective
        .remove(CapabilitySet::DAC_OVERRIDE | CapabilitySet::DAC_READ_SEARCH);
    set_capabilities(None, fewer).unwrap();
    let answer = what();
    set_capabilities(None, before).unwrap();
    answer
}

#[test]
fn a_folder_that_may_not_be_read_is_unknown_and_not_empty() {
    let bench = bench();
    for shut in ["acorn/shut", "top-shut"] {
        fs::create_dir_all(bench.root.join(shut)).unwrap();
        fs::set_permissions(bench.root.join(shut), fs::Permissions::from_mode(0o0)).unwrap();
    }
    let index = as_any_user(|| {
        assert!(fs::read_dir(bench.root.join("top-shut")).is_err());
        run(&bench.request).unwrap().index
    });
    for shut in ["acorn/shut", "top-shut"] {
        let entry = index.entry(&rel(shut)).unwrap().unwrap();
        assert_eq!(entry.error.as_deref(), Some("permission denied"));
        assert_eq!(index.listings_below(&rel(shut)).count(), 0);
    }
    assert_eq!(index.header().totals.unreadable, 2);
}

/// The same for a user who may read everything: the folder goes while the scan is on its way.
#[test]
fn a_folder_that_vanishes_is_recorded_and_the_scan_goes_on() {
    let mut bench = bench();
    for folder in ["acorn/gone", "gone", "zebra"] {
        fs::create_dir_all(bench.root.join(folder)).unwrap();
    }
    let root = bench.root.clone();
    // The rule is asked between the look at a folder and its opening.
    bench.request.never_enter = Arc::new(move |folder, name| {
        if name == b"gone" {
            let _ = fs::remove_dir(
                root.join(std::ffi::OsStr::from_bytes(folder.as_bytes()))
                    .join("gone"),
            );
        }
        None
    });
    for gentle in [false, true] {
        bench.request.gentle = gentle;
        fs::create_dir_all(bench.root.join("acorn/gone")).unwrap();
        fs::create_dir_all(bench.root.join("gone")).unwrap();
        let index = run(&bench.request).unwrap().index;
        for gone in ["acorn/gone", "gone"] {
            let entry = index.entry(&rel(gone)).unwrap().unwrap();
            assert_eq!(entry.error.as_deref(), Some("vanished during the scan"));
            assert_eq!(entry.kind, EntryKind::Directory);
        }
        assert_eq!(index.header().totals.unreadable, 2);
        assert_eq!(index.listings_below(&rel("zebra")).count(), 1);
    }
}

#[test]
fn paths_longer_than_the_kernel_takes_at_once_are_walked() {
    let mut bench = bench();
    let name = "d".repeat(200);
    let mut fd = look::open_below(rustix::fs::CWD, bench.root.as_os_str().as_bytes());
    // An absolute path is opened relative to the root folder of the process.
    if bench.root.is_absolute() {
        fd = rustix::fs::open(&bench.root, OFlags::RDONLY | OFlags::DIRECTORY, Mode::empty());
    }
    let mut fd = fd.unwrap();
    for _ in 0..60 {
        rustix::fs::mkdirat(&fd, name.as_str(), Mode::RWXU).unwrap();
        fd = look::open_folder(&fd, name.as_bytes()).unwrap();
    }
    for gentle in [false, true] {
        bench.request.gentle = gentle;
        let index = run(&bench.request).unwrap().index;
        assert_eq!(index.header().totals.directories, 60);
        assert_eq!(index.header().totals.unreadable, 0);
        let deepest = listings(&index).pop().unwrap().folder;
        assert_eq!(deepest.as_bytes().len(), 60 * 201 - 1);
    }
    // tempfile removes by path, which is too long here.
    let removed = Command::new("rm").arg("-rf").arg(&bench.root).status().unwrap();
    assert!(removed.success());
}

#[test]
fn one_folder_of_many_entries_is_read_by_several_threads() {
    let bench = bench();
    for n in 0..5_000 {
        fs::write(bench.root.join(format!("{:05}", n * 7 % 5_000)), b"").unwrap();
    }
    let index = run(&bench.request).unwrap().index;
    check_against_std(&bench.root, &index);
    assert_eq!(listings(&index)[0].children.len(), 5_000);
}

#[test]
fn a_million_top_level_folders_would_share_segments() {
    let bench = bench();
    for n in 0..4_500 {
        fs::create_dir(bench.root.join(format!("p{n}"))).unwrap();
    }
    fs::write(bench.root.join("p7/x"), b"1").unwrap();
    let index = run(&bench.request).unwrap().index;
    check_against_std(&bench.root, &index);
    assert_eq!(listings(&index).len(), 4_501);
    assert!(fs::metadata(&bench.request.index).unwrap().len() < 1 << 21);
}

#[test]
fn a_missing_source_is_no_empty_source() {
    let mut bench = bench();
    bench.request.root = bench.root.join("nothing");
    let Err(trouble) = run(&bench.request) else {
        panic!("scanned nothing");
    };
    assert_eq!(trouble.code, "source-missing");
    assert!(!bench.request.index.exists());
}

#[test]
fn progress_ends_with_everything_seen() {
    let mut bench = bench();
    awkward_tree(&bench.root);
    bench.request.expected_entries = Some(10);
    let last: std::cell::RefCell<Option<Progress>> = Default::default();
    let outcome = scan(&bench.request, &|p| drop(last.replace(Some(p))), &|| false).unwrap();
    let last = last.take().unwrap();
    assert_eq!(last.entries, outcome.index.header().totals.entries);
    assert_eq!(last.bytes, outcome.index.header().totals.files.bytes);
    assert_eq!(last.share, Some(1.0));
}

#[test]
fn a_mount_within_the_source_is_a_boundary_and_a_loop_is_refused() {
    let bench = bench();
    fs::create_dir_all(bench.root.join("acorn/back/inner")).unwrap();
    let mount = Command::new("mount")
        .arg("--bind")
        .arg(bench.root.join("acorn"))
        .arg(bench.root.join("acorn/back"))
        .output();
    if !mount.is_ok_and(|output| output.status.success()) {
        println!("skipped: this user may not mount");
        return;
    }
    let mut request = request(&bench.root, bench.root.parent().unwrap());
    let boundary = run(&request);
    request.cross = vec![rel("acorn/back")];
    let looped = run(&request);
    let unmounted = Command::new("umount").arg(bench.root.join("acorn/back")).status();
    assert!(unmounted.unwrap().success());
    let index = boundary.unwrap().index;
    assert_eq!(index.header().boundaries, [rel("acorn/back")]);
    let entry = index.entry(&rel("acorn/back")).unwrap().unwrap();
    assert_eq!(entry.error.as_deref(), Some(crate::survey::surveyor::BOUNDARY));
    assert_eq!(index.header().totals.unreadable, 0);
    assert_eq!(index.listings_below(&rel("acorn/back")).count(), 0);
    let entry = looped.unwrap().index.entry(&rel("acorn/back")).unwrap().unwrap();
    assert_eq!(
        entry.error.as_deref(),
        Some("a loop: it shows acorn, in which it lies")
    );
}

fn inode_look(session: &str, inodes: [u64; 4]) -> InodeLook {
    let identity = |inode| Identity {
        inode,
        size: Bytes(5),
        ..Identity::default()
    };
    let files: BTreeMap<RelPath, Identity> = ["a", "b", "c", "d"]
        .into_iter()
        .zip(inodes)
        .map(|(name, inode)| (rel(name), identity(inode)))
        .collect();
    InodeLook {
        session: session.into(),
        files,
    }
}

#[test]
fn inodes_are_classed_by_two_looks() {
    let first = inode_look("one", [1, 2, 3, 4]);
    for (session, inodes, class) in [
        ("two", [1, 2, 3, 4], InodeClass::Stable),
        ("one", [1, 2, 3, 4], InodeClass::Session),
        ("two", [9, 8, 7, 6], InodeClass::Session),
        ("one", [9, 8, 7, 6], InodeClass::Worthless),
        ("two", [0, 0, 0, 0], InodeClass::Worthless),
    ] {
        let second = inode_look(session, inodes);
        assert_eq!(classify_inodes(&first, &second), class, "{session} {inodes:?}");
    }
    // Two of one size and time have changed names, each with its number: the numbers hold.
    let second = inode_look("one", [2, 1, 3, 4]);
    assert_eq!(classify_inodes(&first, &second), InodeClass::Session);
    let nothing = InodeLook::default();
    assert_eq!(classify_inodes(&first, &nothing), InodeClass::Unknown);
}

#[test]
fn the_second_look_finds_the_files_of_the_first() {
    let bench = bench();
    awkward_tree(&bench.root);
    let index = run(&bench.request).unwrap().index;
    let first = InodeLook::of_index(&index, 100).unwrap();
    let second = first.again(&bench.root).unwrap();
    assert!(first.files.len() > 10);
    assert_eq!(first, second);
    assert_eq!(classify_inodes(&first, &second), InodeClass::Session);
}

#[test]
fn a_folder_that_does_not_show_the_same_names_twice_is_named() {
    let mut bench = bench();
    awkward_tree(&bench.root);
    bench.request.recount = Some(true);
    let index = run(&bench.request).unwrap().index;
    assert!(index.header().recounted);
    assert_eq!(index.header().uneven, []);
    // A file appears after its folder was listed: the rule is asked about `lines` later on.
    let root = bench.root.clone();
    bench.request.never_enter = Arc::new(move |folder, name| {
        if folder.as_bytes() == b"acorn" && name == b"clips" {
            fs::write(root.join("acorn/late"), b"").unwrap();
        }
        None
    });
    let index = run(&bench.request).unwrap().index;
    let uneven = Uneven {
        folder: rel("acorn"),
        names: (3, 4),
    };
    assert_eq!(index.header().uneven, [uneven]);
}
