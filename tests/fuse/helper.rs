//! The passthrough: well, it is the folder behind it; each fault is seen, and only where it is set.

use crate::support::fuse::{Call, EACCES, EIO, ENOSPC, Fault, Fuse};
use crate::support::{assert_same_tree, content, scratch, tree, tree_facts};
use std::io::ErrorKind;
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::Path;

const SPEC: &str = r"
    # path              kind    what        mode  time
    jobs/2019/a.mov     file    1M/7        0640  2019-03-04T10:00:00.123456789Z
    jobs/2019/b.mov     name    jobs/2019/a.mov
    jobs/latest         link    20\x319    -     2020-01-01T00:00:00Z
    jobs/pipe           pipe    -           0600  2020-01-01T00:00:00Z
    caf\xe9/two\x20words file   12/7        0644  1969-12-31T23:59:59.25Z
    disk.img            holes   1M/8        0644  2020-01-01T00:00:00Z
    jobs/2019           folder  -           0750  2019-03-04T10:00:00Z
    jobs                folder  -           0755  2020-01-01T00:00:00Z
    caf\xe9             folder  -           0755  2020-01-01T00:00:00Z
";

fn code<T: std::fmt::Debug>(result: std::io::Result<T>) -> Option<i32> {
    result.expect_err("it fails").raw_os_error()
}

#[test]
fn a_tree_read_and_a_tree_made_through_it_are_the_same() {
    let (behind, plain) = (scratch(), scratch());
    tree(behind.path(), SPEC);
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    assert_eq!(tree_facts(fuse.path()), tree_facts(behind.path()));
    tree(plain.path(), SPEC);
    std::fs::create_dir(behind.path().join("made")).unwrap();
    tree(&fuse.path().join("made"), SPEC);
    assert_same_tree(&fuse.path().join("made"), plain.path());
    assert_same_tree(&behind.path().join("made"), plain.path());
}

#[test]
fn names_are_changed_through_it_as_without() {
    let behind = scratch();
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    let at = |name: &str| fuse.path().join(name);
    std::fs::create_dir(at("one")).unwrap();
    std::fs::write(at("one/file"), "words").unwrap();
    std::fs::rename(at("one"), at("two")).unwrap();
    fuse.fault("two/file", Fault::Fails(Call::Open, EIO));
    assert_eq!(
        code(std::fs::read(at("two/file"))),
        Some(EIO),
        "faults go by the new name"
    );
    fuse.heal();
    std::fs::hard_link(at("two/file"), at("second")).unwrap();
    assert_eq!(std::fs::metadata(at("second")).unwrap().nlink(), 2);
    assert_eq!(
        std::fs::rename(at("two"), at("second")).unwrap_err().kind(),
        ErrorKind::NotADirectory
    );
    std::fs::remove_file(at("two/file")).unwrap();
    std::fs::remove_dir(at("two")).unwrap();
    assert_eq!(std::fs::read(behind.path().join("second")).unwrap(), b"words");
    xattr::set(at("second"), "user.note", b"blue").unwrap();
    assert_eq!(
        xattr::get(behind.path().join("second"), "user.note")
            .unwrap()
            .unwrap(),
        b"blue"
    );
    assert_eq!(xattr::get(at("second"), "user.none").unwrap(), None);
}

#[test]
fn reads_fail_or_lie_at_the_byte_they_are_told_to() {
    let behind = scratch();
    let bytes = content(7, 1 << 20);
    std::fs::write(behind.path().join("a"), &bytes).unwrap();
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    let at = fuse.path().join("a");
    fuse.fault_times("a", Fault::FlipRead(700_000), 1);
    let read = std::fs::read(&at).unwrap();
    let differing: Vec<usize> = (0..bytes.len()).filter(|n| read[*n] != bytes[*n]).collect();
    assert_eq!(differing, [700_000]);
    assert_eq!(std::fs::read(&at).unwrap(), bytes, "once only");
    fuse.fault("a", Fault::BadByte(700_000));
    assert_eq!(code(std::fs::read(&at)), Some(EIO));
    let file = std::fs::File::open(&at).unwrap();
    let mut block = [0u8; 4096];
    file.read_exact_at(&mut block, 0).unwrap();
    assert_eq!(block, bytes[..4096], "elsewhere it can be read");
}

#[test]
fn writes_fail_lie_and_are_lost_as_told() {
    let behind = scratch();
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    let at = |name: &str| fuse.path().join(name);
    let bytes = content(8, 10_000);
    fuse.fault("flipped", Fault::FlipWrite(5_000));
    std::fs::write(at("flipped"), &bytes).unwrap();
    let read = std::fs::read(behind.path().join("flipped")).unwrap();
    assert_eq!((read[5_000], &read[5_001..]), (bytes[5_000] ^ 1, &bytes[5_001..]));
    fuse.fault("lost", Fault::LoseWrite(0));
    std::fs::write(at("lost"), &bytes).unwrap();
    let read = std::fs::read(behind.path().join("lost")).unwrap();
    assert_eq!(read.len(), bytes.len());
    assert_ne!(read, bytes);
    fuse.fault("unsynced", Fault::Fails(Call::Fsync, EIO));
    let file = std::fs::File::create(at("unsynced")).unwrap();
    assert_eq!(code(file.sync_all()), Some(EIO));
    fuse.room(4_096);
    assert_eq!(code(std::fs::write(at("full"), &bytes)), Some(ENOSPC));
    fuse.heal();
    std::fs::write(at("full"), &bytes).unwrap();
}

#[test]
fn listings_and_looks_fail_as_told() {
    let behind = scratch();
    tree(behind.path(), SPEC);
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    let names = |path: &Path| -> std::io::Result<Vec<_>> { std::fs::read_dir(path)?.collect() };
    let jobs = fuse.path().join("jobs");
    fuse.fault("jobs", Fault::ListingFails(1));
    assert_eq!(code(names(&jobs)), Some(EIO));
    fuse.heal();
    fuse.fault("jobs/pipe", Fault::Vanished);
    assert_eq!(names(&jobs).unwrap().len(), 3);
    assert_eq!(
        std::fs::symlink_metadata(jobs.join("pipe")).unwrap_err().kind(),
        ErrorKind::NotFound
    );
    fuse.fault("jobs/2019", Fault::Fails(Call::Opendir, EACCES));
    assert_eq!(code(names(&jobs.join("2019"))), Some(EACCES));
    let before = fuse.calls(Call::Opendir);
    fuse.heal();
    assert_eq!(names(&jobs.join("2019")).unwrap().len(), 2);
    assert_eq!(fuse.calls(Call::Opendir), before + 1);
}
