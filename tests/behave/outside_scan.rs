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
