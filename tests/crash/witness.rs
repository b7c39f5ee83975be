//! Reads that call themselves direct and come from memory, beside disks that tell otherwise.

use super::memfs::{Content, Control, MemClock, MemFs, Nature, path};
use super::support::loops::{Kind, Loop};
use poolward::ledger::{FileRecord, Proof};
use poolward::moment::Moment;
use poolward::units::Bytes;
use poolward::verify::compare::Facts;
use poolward::verify::{Check, Request, verify};
use poolward::world::{Disks, Fs, OsFs, ReadHow, Stop};

const SIZE: u64 = 6 << 20;

/// How a file in memory is said to have been read, with these disks watched.
fn how(disks: Option<&Disks>) -> Vec<(ReadHow, Bytes)> {
    let control = Control::new(MemClock::new());
    let target = MemFs::new("target", &control, Nature::default());
    let content = Content::pattern(4, SIZE);
    let hash = content.hash();
    target.put_file(&path("p/film"), content);
    let folder = target.root().expect("the root").enter(b"p").expect("a folder");
    let entry = folder.stat(b"film").expect("a file");
    let record = FileRecord {
        place: path("p/film"),
        kind: entry.kind,
        source: entry.identity(),
        placed: entry.identity(),
        hash,
        copied_at: Moment::from_seconds(0),
        proof: Proof::Copied,
    };
    let check = Check {
        record,
        entry,
        values: Vec::new(),
        attributes: None,
        sha256: false,
        listed: Vec::new(),
    };
    let request = Request {
        target: &target,
        stop: &Stop::default(),
        streams: 2,
        facts: Facts {
            times: true,
            modes: true,
            owners: true,
            xattrs: true,
        },
        inodes_hold: true,
        disks,
    };
    let mut found = Vec::new();
    let mut note = |equal: &[poolward::ledger::ReadBack]| {
        found.extend(equal.iter().map(|one| one.how));
        Ok(())
    };
    let outcome = verify(request, &mut [Ok(check)].into_iter(), &mut note, &|_| {}).expect("it ends");
    found.into_iter().map(|how| (how, outcome.due)).collect()
}

#[test]
fn disks_that_deliver_nothing_take_a_direct_reads_word_back() {
    let Some(idle) = Loop::new(Kind::Ext4) else {
        return;
    };
    let end = OsFs::open(idle.path()).expect("the mount");
    let disks = Disks::behind(&end).expect("a loop device");
    assert_eq!(how(Some(&disks)), [(ReadHow::Unknown, Bytes(SIZE))]);
    assert_eq!(how(None), [(ReadHow::Direct, Bytes(SIZE))]);
    // Something else reads meanwhile: that can hide it, which is why enough proves little.
    let file = idle.path().join("other");
    std::fs::write(&file, vec![7u8; 2 * SIZE as usize]).expect("a file");
    rustix::fs::sync();
    let file = std::fs::File::open(&file).expect("a file");
    rustix::fs::fadvise(&file, 0, None, rustix::fs::Advice::DontNeed).expect("a hint");
    std::io::copy(&mut &file, &mut std::io::sink()).expect("a read");
    assert_eq!(how(Some(&disks)), [(ReadHow::Direct, Bytes(SIZE))]);
}
