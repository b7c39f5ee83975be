//! The index against GNU find, which asks the kernel by itself, and GNU du: every entry of real trees
//! by kind, size, blocks, links, inode and target. find(1) and du(1) of findutils and coreutils.

use poolward::entry::EntryKind;
use poolward::index::{Index, InodeClass};
use poolward::names::SourceName;
use poolward::scan::{ScanRequest, scan};
use std::collections::BTreeSet;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, symlink};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

/// One entry: kind, size, blocks of 512 bytes, links, inode, target, path.
type Fact = (u8, u64, u64, u64, u64, Vec<u8>, Vec<u8>);

fn scanned(root: &Path) -> Index {
    let made = tempfile::tempdir().expect("a scratch folder");
    let request = ScanRequest {
        source: SourceName("oldbox".into()),
        root: root.to_path_buf(),
        index: made.path().join("index"),
        parts: made.path().join("parts"),
        never_enter: Arc::new(|_, _| None),
        rules: String::new(),
        cross: Vec::new(),
        gentle: false,
        threads: None,
        recount: Some(true),
        resume: false,
        only: None,
        expected_entries: None,
        inodes: InodeClass::Unknown,
    };
    scan(&request, &|_| {}, &|| false).expect("a scan").index
}

fn ours(index: &Index) -> BTreeSet<Fact> {
    let mut all = BTreeSet::new();
    for listing in index.listings() {
        let listing = listing.expect("a listing");
        for named in listing.children {
            let kind = match named.entry.kind {
                EntryKind::File => b'f',
                EntryKind::Directory => b'd',
                EntryKind::Symlink => b'l',
                EntryKind::Special => b's',
                EntryKind::Unknown => b'?',
            };
            let path = listing.folder.join(&named.name).expect("a path");
            all.insert((
                kind,
                named.entry.size.0,
                named.entry.allocated.0 / 512,
                named.entry.links,
                named.entry.inode,
                named.entry.target.unwrap_or_default(),
                path.as_bytes().to_vec(),
            ));
        }
    }
    all
}

/// `None` where find is not content: something went away meanwhile.
fn theirs(root: &Path) -> Option<BTreeSet<Fact>> {
    let format = r"%y\0%s\0%b\0%n\0%i\0%l\0%P\0";
    let output = Command::new("find")
        .arg(root)
        .args(["-xdev", "-mindepth", "1", "-printf", format])
        .output()
        .expect("GNU find");
    let fields: Vec<&[u8]> = output.stdout.split(|byte| *byte == 0).collect();
    let number = |field: &[u8]| std::str::from_utf8(field).ok()?.parse::<u64>().ok();
    let fact = |f: &[&[u8]]| {
        let kind = match f[0] {
            b"f" | b"d" | b"l" => f[0][0],
            _ => b's',
        };
        let [size, blocks, links, inode] = [1, 2, 3, 4].map(|at| number(f[at]));
        Some((kind, size?, blocks?, links?, inode?, f[5].to_vec(), f[6].to_vec()))
    };
    let facts = fields
        .chunks_exact(7)
        .map(fact)
        .collect::<Option<BTreeSet<Fact>>>();
    facts.filter(|_| output.status.success())
}

/// Bytes on the disk by du, every name of a file counted.
fn used(root: &Path) -> u64 {
    let words = ["-s", "-x", "-l", "--block-size=1"];
    let output = Command::new("du").args(words).arg(root).output().expect("GNU du");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    text.split_whitespace()
        .next()
        .and_then(|n| n.parse().ok())
        .expect("a number")
}

/// A tree of the machine may change while it is looked at; then it is looked at again.
fn agree(root: &Path) -> Index {
    for _ in 0..3 {
        let before = theirs(root);
        let index = scanned(root);
        let du = used(root);
        let Some(find) = before.filter(|before| theirs(root).as_ref() == Some(before)) else {
            continue;
        };
        let ours = ours(&index);
        let only_ours: Vec<&Fact> = ours.difference(&find).take(3).collect();
        let only_find: Vec<&Fact> = find.difference(&ours).take(3).collect();
        assert!(
            only_ours.is_empty() && only_find.is_empty(),
            "{only_ours:?} {only_find:?}"
        );
        assert_eq!(index.header().totals.entries, find.len() as u64);
        assert!(index.header().uneven.is_empty());
        let blocks: u64 = ours.iter().map(|fact| fact.2 * 512).sum();
        assert_eq!(blocks + root.metadata().expect("the root").blocks() * 512, du);
        return index;
    }
    panic!("{} changes all the time", root.display());
}

#[test]
fn the_index_of_trees_of_this_machine_is_what_find_and_du_say() {
    let mut seen = 0;
    for root in ["/usr/share", "/usr/lib", "/etc"] {
        let index = agree(Path::new(root));
        seen += index.header().totals.entries;
    }
    assert!(seen > 1_000, "trees worth looking at: {seen}");
}

#[test]
fn awkward_names_many_links_and_deep_paths_are_what_find_says() {
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let root = scratch.path();
    for name in [
        &b"new\nline"[..],
        b"\xff\xfe bytes",
        b" ",
        b"-rf",
        b"*?[",
        &[b'n'; 255],
    ] {
        std::fs::write(root.join(std::ffi::OsStr::from_bytes(name)), "x").expect("a file");
    }
    symlink(std::ffi::OsStr::from_bytes(b"\xff gone\n"), root.join("link")).expect("a link");
    symlink("a".repeat(4_000), root.join("long link")).expect("a link");
    std::fs::write(root.join("many"), "names").expect("a file");
    // ext4 takes 65,000 names of one file (EXT4_LINK_MAX of the kernel; from memory).
    std::fs::create_dir(root.join("names")).expect("a folder");
    for number in 0..20_000 {
        std::fs::hard_link(root.join("many"), root.join(format!("names/{number}"))).expect("a name");
    }
    // 17 names of 235 bytes: a path of 4,000 bytes below the root, longer than one call may take.
    let steps =
        "d=$(printf %0235d 0); for i in $(seq 17); do mkdir $d && cd $d || exit 1; done; echo end > file";
    let made = Command::new("sh").current_dir(root).args(["-c", steps]).status();
    assert!(made.expect("sh").success());
    let index = agree(root);
    let longest = ours(&index).into_iter().map(|fact| fact.6.len()).max();
    assert!(longest >= Some(4_000), "{longest:?}");
    assert!(ours(&index).iter().any(|fact| fact.3 == 20_001));
}

/// Every 97th entry by stat(1) of coreutils: size, blocks, links, inode.
fn stat_agrees(root: &Path, index: &Index) {
    let facts: Vec<Fact> = ours(index).into_iter().step_by(97).collect();
    for some in facts.chunks(500) {
        let mut stat = Command::new("stat");
        stat.current_dir(root).args(["--printf", r"%s %b %h %i\n", "--"]);
        stat.args(some.iter().map(|fact| std::ffi::OsStr::from_bytes(&fact.6)));
        let output = stat.output().expect("GNU stat");
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        let line = |f: &Fact| format!("{} {} {} {}\n", f.1, f.2, f.3, f.4);
        assert_eq!(said, some.iter().map(line).collect::<String>());
    }
}

/// Entries of a package by its own table of contents, which dpkg-deb(1) prints as tar(1) does: files
/// and further names of files, folders without the root, symbolic links.
fn contents(package: &Path) -> (u64, u64, u64) {
    let output = Command::new("dpkg-deb").arg("-c").arg(package).output();
    let output = output.expect("dpkg-deb");
    let first = |wanted: &[u8]| {
        let lines = output.stdout.split(|byte| *byte == b'\n');
        lines
            .filter(|line| line.first().is_some_and(|first| wanted.contains(first)))
            .count() as u64
    };
    (first(b"-h"), first(b"d") - 1, first(b"l"))
}

/// Packages of Debian with content that is awkward: an icon theme of more symbolic links than files
/// with names that differ in case only, manual pages with colons in their names.
#[test]
fn awkward_packages_are_what_their_contents_find_du_and_stat_say() {
    let packages = std::env::var_os("POOLWARD_PACKAGES").map(std::path::PathBuf::from);
    let found = packages.as_deref().map(std::fs::read_dir);
    let found: Vec<std::path::PathBuf> = match found {
        Some(Ok(list)) => list.map(|item| item.expect("a package").path()).collect(),
        _ => Vec::new(),
    };
    if found.is_empty() {
        return crate::support::skip("no packages were fetched; tests/run does it");
    }
    let mut links = 0;
    for package in found {
        let scratch = tempfile::tempdir().expect("a scratch folder");
        let mut unpack = Command::new("dpkg-deb");
        let unpacked = unpack.arg("-x").arg(&package).arg(scratch.path()).status();
        assert!(unpacked.expect("dpkg-deb").success());
        let index = agree(scratch.path());
        stat_agrees(scratch.path(), &index);
        let totals = &index.header().totals;
        let seen = (totals.files.files, totals.directories, totals.symlinks);
        assert_eq!(seen, contents(&package), "{}", package.display());
        links += totals.symlinks;
    }
    assert!(links > 10_000, "an icon theme is among them: {links}");
}

#[test]
fn the_sources_of_the_libraries_are_what_find_du_and_stat_say() {
    let Some(tree) = crate::real_tree::library_sources() else {
        return;
    };
    let index = agree(&tree);
    stat_agrees(&tree, &index);
    assert!(index.header().totals.files.files > 1_000);
}
