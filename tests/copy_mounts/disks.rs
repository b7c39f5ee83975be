//! Whole moves from and to ext4, XFS and Btrfs on loop devices: everything that a tree can have.

use crate::support::loops::{Kind, Loop};
use crate::support::tree;
use crate::util::{Scene, walk};
use crate::{equal, failures, stopped, whole_or_absent};
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// Holes, further names, links, odd names, folders without rights to write, times of nanoseconds and
/// before 1970.
const SPEC: &str = r"
    2019-fair/raw/film.bin         file    18M/7    0640  2019-03-04T10:00:00.123456789Z
    2019-fair/edit/again.bin       name    2019-fair/raw/film.bin
    2019-fair/disk.img             holes   24M/8    0600  2019-01-01T00:00:00.000000001Z
    2019-fair/empty                file    0        0444  1969-12-31T23:59:59.25Z
    2019-fair/latest               link    raw/film.bin  -  2019-05-01T00:00:00Z
    2019-fair/nowhere              link    ..\x2f..\x2fgone\xff  -  2019-05-01T00:00:00Z
    2019-fair/caf\xe9/two\x20words file    12/7     0644  2019-01-01T00:00:00.999999999Z
    2019-fair/caf\xe9/-rf          file    13/7     0644  2019-01-01T00:00:00Z
    2019-fair/caf\xe9/a\x0ab       file    14/7     0644  2019-01-01T00:00:00Z
    2019-fair/shut/in/photo.bin    file    90K/9    0400  2019-01-01T00:00:00Z
    2019-fair/shut/in              folder  -        0555  2019-02-01T00:00:00.5Z
    2019-fair/shut                 folder  -        0555  2019-02-02T00:00:00.25Z
    2019-fair/hollow/inner         folder  -        0711  2019-02-03T00:00:00Z
    2019-fair/caf\xe9              folder  -        0755  2019-02-04T00:00:00.125Z
    2019-fair                      folder  -        0750  2019-02-05T00:00:00Z
";

/// An access list as in `on_disks.rs`: version 2, then tag, permissions and id of each entry,
/// little-endian (linux/posix_acl_xattr.h, from memory). Owner rw, user 1234 r, group r, mask r,
/// others r.
fn access_list() -> Vec<u8> {
    let mut bytes = 2u32.to_le_bytes().to_vec();
    let none = u32::MAX;
    let entries = [
        (1u16, 6u16, none),
        (2, 4, 1234),
        (4, 4, none),
        (16, 4, none),
        (32, 4, none),
    ];
    for (tag, may, id) in entries {
        bytes.extend_from_slice(&tag.to_le_bytes());
        bytes.extend_from_slice(&may.to_le_bytes());
        bytes.extend_from_slice(&id.to_le_bytes());
    }
    bytes
}

/// The tree with attributes, an access list and owners, its times as the text says.
fn fill(root: &Path) {
    tree(root, SPEC);
    let owner = |name: &str| std::os::unix::fs::chown(root.join(name), Some(1001), Some(1002)).unwrap();
    owner("2019-fair/disk.img");
    let set = |name: &str, key: &str, value: &[u8]| {
        let flags = rustix::fs::XattrFlags::empty();
        rustix::fs::setxattr(root.join(name), key, value, flags).unwrap();
    };
    set("2019-fair/raw/film.bin", "user.tag", b"blue");
    set(
        "2019-fair/raw/film.bin",
        "system.posix_acl_access",
        &access_list(),
    );
    set("2019-fair/hollow", "system.posix_acl_default", &access_list());
    set("2019-fair/shut", "user.note", b"closed");
}

/// Attributes of every file and folder, by path. XFS shows root its access lists by a second name
/// (`fs/xfs/xfs_xattr.c` of Linux), which is none of the tree's.
fn attributes(root: &Path) -> Vec<String> {
    let mut all = Vec::new();
    walk(root, &mut |path, facts| {
        if facts.is_symlink() {
            return;
        }
        let below = path.strip_prefix(root).unwrap();
        let own = |key: &std::ffi::OsString| !key.to_string_lossy().starts_with("trusted.SGI_ACL");
        for key in xattr::list(path).unwrap().filter(own) {
            let value = xattr::get(path, &key).unwrap().unwrap();
            all.push(format!("{} {} {value:?}", below.display(), key.display()));
        }
    });
    all.sort();
    all
}

fn moved_whole(scene: &Scene, what: &str) {
    let before = crate::util::listing(&scene.from);
    scene.planned();
    let (code, copied) = scene.json("copy --all");
    assert_eq!((code, failures(&copied)), (0, Vec::new()), "{what}: {copied}");
    scene.run("verify").expect(0);
    equal(scene);
    assert_eq!(
        crate::util::listing(&scene.from),
        before,
        "{what}: the source was touched"
    );
    let arrived = scene.to.join("2019");
    assert_eq!(attributes(&arrived), attributes(&scene.from), "{what}");
    if !what.ends_with("xfs") {
        let film = arrived.join("2019-fair/raw/film.bin");
        let double = xattr::get(film, "trusted.SGI_ACL_FILE").unwrap();
        assert_eq!(double, None, "{what}: a second access list without meaning");
    }
    let facts = |name: &str| arrived.join("2019-fair").join(name).metadata().unwrap();
    assert_eq!(
        facts("raw/film.bin").ino(),
        facts("edit/again.bin").ino(),
        "{what}"
    );
    let held = facts("disk.img").blocks() * 512;
    assert!(
        held < 1 << 20,
        "{what}: holes were filled, {held} bytes are stored"
    );
}

#[test]
fn everything_a_tree_has_arrives_on_every_kind_of_disk_from_every_kind() {
    // Each kind is the source once and the destination once.
    let [a, b, c] = Kind::ALL;
    for (from, to) in [(a, b), (b, c), (c, a)] {
        let (Some(source), Some(target)) = (Loop::sized(from, 400), Loop::sized(to, 400)) else {
            continue;
        };
        let mut scene = Scene::bare();
        (scene.from, scene.to) = (source.path().join("old"), target.path().join("archive"));
        std::fs::create_dir(&scene.from).unwrap();
        std::fs::create_dir(&scene.to).unwrap();
        fill(&scene.from);
        moved_whole(&scene, &format!("{} to {}", from.name(), to.name()));
    }
}

#[test]
fn a_disk_without_room_takes_nothing_until_there_is_some() {
    for kind in Kind::ALL {
        let Some(target) = Loop::sized(kind, 320) else {
            continue;
        };
        let mut scene = Scene::bare();
        scene.to = target.path().join("archive");
        std::fs::create_dir(&scene.to).unwrap();
        for n in 0..10 {
            scene.put(format!("2019-fair/{n}.bin"), &crate::util::noise(5 << 20, n + 1));
        }
        scene.planned();
        let ballast = std::fs::File::create(target.path().join("ballast")).unwrap();
        let free = rustix::fs::statvfs(target.path()).unwrap();
        let most = free.f_bavail * free.f_frsize - (30 << 20);
        rustix::fs::fallocate(&ballast, rustix::fs::FallocateFlags::empty(), 0, most).unwrap();
        ballast.sync_all().unwrap();
        stopped(&scene.json("copy --all"), "no-space");
        assert_eq!(whole_or_absent(&scene), (0, Vec::new()), "{}", kind.name());
        ballast.set_len(0).unwrap();
        // Freed for all to see once the whole file system is synced.
        rustix::fs::syncfs(&ballast).unwrap();
        scene.run("copy --all").expect(0);
        scene.run("verify").expect(0);
        equal(&scene);
    }
}
