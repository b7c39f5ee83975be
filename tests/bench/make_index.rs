//! An index of files that exist nowhere, for `tests/bench/plan.sh`: `make_index MOVE PROJECTS
//! FILES [awkward]`. The move must have begun; its first source gets the index. With no project all
//! files lie loose in the root; awkward ones have partners, locks and names that fold into one.

use poolward::entry::{Entry, EntryKind};
use poolward::index::{Folder, IndexWriter, InodeClass, Start};
use poolward::ledger::{IndexRow, Ledger};
use poolward::moment::Moment;
use poolward::names::{RelPath, SourceName};
use poolward::units::{Amount, Bytes};
use std::path::PathBuf;

/// 2010-01-01, and 2026-01-01.
const FIRST: i64 = 1_262_304_000;
const LAST: i64 = 1_767_225_600;

fn entry(kind: EntryKind, size: u64, seconds: i64, inode: u64) -> Entry {
    let at = Moment::from_seconds(seconds);
    Entry {
        kind,
        size: Bytes(size),
        allocated: Bytes(size.next_multiple_of(4096)),
        mtime: at,
        ctime: at,
        birth: None,
        inode,
        links: 1,
        mode: 0o644,
        uid: 1000,
        gid: 100,
        target: None,
        error: None,
    }
}

/// Sizes as media archives have them: many small ones, a few that hold most bytes.
fn size(n: u64) -> u64 {
    let spread = n.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40;
    match n % 20 {
        0 => 400_000_000 + spread * 300,
        1..=6 => 4_000_000 + spread,
        _ => 2_000 + spread / 100,
    }
}

fn file_name(n: u64, awkward: bool) -> Vec<u8> {
    let of = n / 4;
    let name = match n % 4 {
        _ if !awkward => format!("clip-{n:08}.mov"),
        0 => format!("clip-{of:07}.mov"),
        1 => format!("Clip-{of:07}.mov"),
        2 => format!("._clip-{of:07}.mov"),
        _ => format!("clip-{of:07}.mov.lock"),
    };
    name.into_bytes()
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let home = PathBuf::from(&args[0]);
    let (projects, files): (u64, u64) = (
        args[1].parse().expect("a number"),
        args[2].parse().expect("a number"),
    );
    let awkward = args.get(3).is_some_and(|word| word == "awkward");
    let source = std::fs::read_to_string(home.join("move.toml")).expect("a move");
    let line = source
        .lines()
        .find(|l| l.trim().starts_with("name ="))
        .expect("a source");
    let name = line.split('"').nth(1).expect("a name").to_string();
    let start = Start {
        source: SourceName(name.clone()),
        root: b"/nowhere".to_vec(),
        root_entry: entry(EntryKind::Directory, 4096, LAST, 2),
        started: Moment::from_seconds(LAST + 1_000),
        mount_type: "nfs4".into(),
        session: "bench".into(),
        inodes: InodeClass::Unknown,
        rules: String::new(),
        tool: "bench".into(),
    };
    let file = "bench.index";
    let path = home.join("indexes").join(file);
    let writer =
        IndexWriter::begin(&path, &home.join("indexes/bench.parts"), start, false).expect("a writer");
    let each = (files / projects.max(1)).max(1);
    let when = |p: u64| FIRST + ((LAST - FIRST) as u64 * p / projects.max(1)) as i64;
    let folder_name = |p: u64| format!("{:05}-project-{}", p, 2010 + p * 16 / projects.max(1)).into_bytes();
    let mut top = Folder::new(RelPath::root());
    for p in 0..projects {
        top.push(
            &folder_name(p),
            entry(EntryKind::Directory, 4096, when(p), p + 10),
        );
    }
    let mut amount = Amount::default();
    for n in (0..files).filter(|_| projects == 0) {
        let when = FIRST + ((LAST - FIRST) as u64 * n / files) as i64;
        let one = entry(EntryKind::File, size(n), when, 1_000_000 + n);
        amount.add(Amount::one(one.size));
        top.push(&file_name(n, awkward), one);
    }
    let segment = writer.segment(vec![]);
    segment.push(top).expect("a folder");
    segment.finish().expect("a segment");
    for p in 0..projects {
        let name = folder_name(p);
        let segment = writer.segment(vec![name.clone()]);
        let mut folder = Folder::new(RelPath::new(name).expect("a name"));
        for n in 0..each {
            let number = p * each + n;
            let one = entry(
                EntryKind::File,
                size(number),
                when(p) + n as i64 % 80_000,
                1_000_000 + number,
            );
            amount.add(Amount::one(one.size));
            folder.push(&file_name(n, awkward), one);
        }
        segment.push(folder).expect("a folder");
        segment.finish().expect("a segment");
    }
    let index = writer
        .finish(Moment::from_seconds(LAST + 2_000))
        .expect("an index");
    let mut ledger = Ledger::open(&home.join("ledger.db")).expect("a ledger");
    let row = IndexRow {
        digest: index.digest(),
        source: name,
        file: file.into(),
        scanned_at: Moment::from_seconds(LAST + 1_000),
        finished_at: Moment::from_seconds(LAST + 2_000),
        amount,
        entries: amount.files + projects,
    };
    ledger.keep_index(&row).expect("a row");
    println!(
        "files {} bytes {} projects {projects}",
        amount.files, amount.bytes.0
    );
}
