//! What needs a file system of its own: disks that go bad, attributes that come and go.

use crate::support::loops::{Kind, Loop};
use crate::util::{Scene, kinds, noise};
use std::os::unix::fs::MetadataExt;

const BLOCK: usize = 16 << 20;

/// Changes bytes in the image of a file system, below everything that could notice.
fn rot(image: &std::path::Path, old: &[u8], new: &[u8]) {
    use std::os::unix::fs::FileExt;
    assert_eq!(old.len(), new.len());
    let file = std::fs::File::options()
        .read(true)
        .write(true)
        .open(image)
        .expect("the image");
    let size = file.metadata().expect("its size").len();
    let mut piece = vec![0; 1 << 20];
    let mut found = 0;
    for at in (0..size).step_by(1 << 20) {
        let length = file.read_at(&mut piece, at).expect("a piece");
        // Blocks of file systems are of 1 KiB at least.
        for block in (0..length).step_by(1024) {
            if piece[block..length].starts_with(old) {
                file.write_all_at(new, at + block as u64).expect("other bytes");
                found += 1;
            }
        }
    }
    assert_eq!(found, 1, "these bytes lie there once");
}

#[test]
fn a_block_that_goes_bad_on_the_disk_is_named_and_repaired_alone() {
    // A kind that is known again by its own identity: another loop device may hold it next time.
    if let Some(mut disk) = Loop::sized(Kind::Ext4, 400) {
        let mut scene = Scene::bare();
        scene.to = disk.path().join("archive");
        std::fs::create_dir(&scene.to).expect("the destination");
        let film = noise(3 * BLOCK + 5_000, 7);
        scene.put("2019-fair/film.bin", &film);
        scene.put("2019-fair/note.txt", b"words\n");
        scene.copied();
        scene.run("verify").expect(0);
        let old = &film[BLOCK + 40_960..BLOCK + 40_960 + 64];
        disk.cycle_after(|image| rot(image, old, &[7; 64]));
        let (code, verified) = scene.json("verify 2019.1 --again");
        assert_eq!(code, 1, "{verified}");
        assert_eq!(kinds(&verified, "differences"), ["content 2019-fair/film.bin"]);
        let ranges = &verified["batches"][0]["differences"][0]["ranges"];
        assert_eq!(*ranges, serde_json::json!([[BLOCK, 2 * BLOCK]]));
        let place = scene.to.join("2019/2019-fair/film.bin");
        let inode = place.metadata().expect("the film").ino();
        let (code, copied) = scene.json("copy 2019.1");
        assert_eq!(code, 0, "{copied}");
        let batch = &copied["batches"][0];
        assert_eq!(
            (&batch["bytes_repaired"], &batch["files_copied"]),
            (&BLOCK.into(), &0.into())
        );
        assert_eq!(place.metadata().expect("the film").ino(), inode);
        scene.run("verify 2019.1").expect(0);
        disk.cycle();
        assert!(std::fs::read(&place).expect("the film") == film);
    }
}

/// An access list in the form of the attribute `system.posix_acl_access`: version 2, then tag,
/// permissions and id of each entry, little-endian (linux/posix_acl_xattr.h, from memory). Owner
/// rw, user 1234 r, group r, mask r, others r.
fn access_list() -> Vec<u8> {
    let mut bytes = 2u32.to_le_bytes().to_vec();
    for (tag, may, id) in [
        (0x01u16, 6u16, u32::MAX),
        (0x02, 4, 1234),
        (0x04, 4, u32::MAX),
        (0x10, 4, u32::MAX),
        (0x20, 4, u32::MAX),
    ] {
        bytes.extend_from_slice(&tag.to_le_bytes());
        bytes.extend_from_slice(&may.to_le_bytes());
        bytes.extend_from_slice(&id.to_le_bytes());
    }
    bytes
}

fn set(path: &std::path::Path, name: &str, value: &[u8]) {
    rustix::fs::setxattr(path, name, value, rustix::fs::XattrFlags::empty()).expect(name);
}

fn get(path: &std::path::Path, name: &str) -> Vec<u8> {
    let mut value = [0; 200];
    let length = rustix::fs::getxattr(path, name, &mut value[..]).expect(name);
    value[..length].to_vec()
}

/// A source on ext4 whose files and folders have attributes.
fn with_attributes(disk: &Loop) -> Scene {
    let mut scene = Scene::bare();
    scene.from = disk.path().join("old");
    std::fs::create_dir(&scene.from).expect("the source");
    for name in ["tagged", "listed", "large", "plain"] {
        let size = if name == "large" { 2 * BLOCK + 9 } else { 900 };
        let path = scene.put(format!("2019-fair/{name}.bin"), &noise(size, 3));
        if name != "plain" {
            set(&path, "user.tag", b"blue");
            set(&path, "user.empty", b"");
        }
        if name == "listed" {
            set(&path, "system.posix_acl_access", &access_list());
        }
    }
    let folder = scene.from.join("2019-fair/inner");
    std::fs::create_dir(&folder).expect("a folder");
    set(&folder, "user.tag", b"a folder's");
    set(&folder, "system.posix_acl_default", &access_list());
    scene
}

#[test]
fn attributes_and_access_lists_are_carried_compared_and_told_apart() {
    let Some(source) = Loop::sized(Kind::Ext4, 200) else {
        return;
    };
    for kind in Kind::ALL {
        let Some(disk) = Loop::sized(kind, 400) else {
            continue;
        };
        let mut scene = with_attributes(&source);
        scene.to = disk.path().join("archive");
        std::fs::create_dir(&scene.to).expect("the destination");
        scene.copied();
        let place = |name: &str| scene.to.join("2019/2019-fair").join(name);
        assert_eq!(
            get(&place("listed.bin"), "system.posix_acl_access"),
            access_list()
        );
        assert_eq!(get(&place("inner"), "system.posix_acl_default"), access_list());
        scene.run("verify").expect(0);
        set(&place("tagged.bin"), "user.tag", b"bluE");
        rustix::fs::removexattr(place("large.bin"), "user.empty").expect("it was there");
        rustix::fs::removexattr(place("listed.bin"), "system.posix_acl_access").expect("it was there");
        set(&place("plain.bin"), "user.of-another-program", b"no harm");
        rustix::fs::removexattr(place("inner"), "user.tag").expect("it was there");
        let (code, verified) = scene.json("verify 2019.1 --again");
        assert_eq!(code, 1, "{}", kind.name());
        let expected = [
            "xattr 2019-fair/inner",
            "xattr 2019-fair/large.bin",
            "xattr 2019-fair/listed.bin",
            "xattr 2019-fair/tagged.bin",
        ];
        assert_eq!(kinds(&verified, "differences"), expected, "{}", kind.name());
        // Files touched by others are kept; the folder is dressed again.
        let (code, copied) = scene.json("copy 2019.1");
        assert_eq!(code, 1, "{copied}");
        assert_eq!(get(&place("inner"), "user.tag"), b"a folder's");
        assert_eq!(get(&place("tagged.bin"), "user.tag"), b"bluE");
        let failures = copied["batches"][0]["failures"].as_array().expect("failures");
        assert_eq!(failures.len(), 3);
        std::fs::remove_dir_all(&scene.from).expect("the source goes");
    }
}

#[test]
fn a_folder_that_lets_nobody_write_takes_what_is_brought_back_into_it() {
    use std::os::unix::fs::PermissionsExt;
    crate::util::UNPRIVILEGED.set(true);
    let scene = Scene::bare();
    scene.put("2019-fair/shut/inner/film.bin", &noise(900, 3));
    let shut = |folder: &std::path::Path, mode| {
        std::fs::set_permissions(folder, std::fs::Permissions::from_mode(mode)).expect("a mode");
    };
    let names = ["2019-fair/shut/inner", "2019-fair/shut"];
    names.iter().for_each(|name| shut(&scene.from.join(name), 0o555));
    scene.copied();
    let place = scene.to.join("2019").join(names[0]);
    shut(&place, 0o755);
    std::fs::remove_file(place.join("film.bin")).expect("the film");
    shut(&place, 0o555);
    scene.run("verify").expect(1);
    scene.run("copy 2019.1").expect(0);
    scene.run("verify").expect(0);
    assert_eq!(place.metadata().expect("the folder").mode() & 0o777, 0o555);
    for end in [scene.from.clone(), scene.to.join("2019")] {
        names.iter().for_each(|name| shut(&end.join(name), 0o755));
    }
}
