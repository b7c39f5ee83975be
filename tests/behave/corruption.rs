//! Damage of every sort planted at a destination: all of it is found, and nothing else.

use crate::support::loops::{Kind, Loop};
use crate::util::*;
use std::os::unix::fs::{FileExt, MetadataExt, PermissionsExt, chown, symlink};
use std::path::Path;

/// How many are planted of each sort: 40 in all.
const SORTS: [(&str, usize); 10] = [
    ("content", 7),
    ("type", 4),
    ("size", 5),
    ("time", 5),
    ("mode", 4),
    ("owner", 4),
    ("xattr", 3),
    ("link", 2),
    ("absent", 3),
    ("uninvited", 3),
];

#[test]
fn forty_corruptions_of_every_sort_are_found_and_none_is_invented() {
    let (Some(old), Some(new)) = (Loop::new(Kind::Ext4), Loop::new(Kind::Ext4)) else {
        return;
    };
    let mut scene = Scene::bare();
    (scene.from, scene.to) = (old.path().join("oldbox"), new.path().join("pool"));
    std::fs::create_dir(&scene.from).unwrap();
    std::fs::create_dir(&scene.to).unwrap();
    let project = scene.from.join("2019-fair");
    for (sort, count) in SORTS {
        for number in 0..count {
            let seed = (sort.len() * 100 + number) as u64;
            let name = format!("2019-fair/{sort}/{number}.bin");
            match (sort, number) {
                ("uninvited", _) => {
                    // Something else is invited there.
                    scene.put("2019-fair/uninvited/asked.bin", b"asked");
                }
                ("content", 0) => drop(scene.put(&name, &noise(20 << 20, seed))),
                ("content", 1) => symlink("nowhere", scene.from.join(&name)).unwrap(),
                ("mode" | "owner" | "xattr", 0) => {
                    std::fs::create_dir_all(scene.from.join(&name)).unwrap();
                }
                _ => drop(scene.put(&name, &noise(6_000 + number, seed))),
            }
            if sort == "xattr" {
                xattr::set(scene.from.join(&name), "user.tag", b"blue").unwrap();
            }
            if sort == "link" {
                let first = scene.from.join(&name);
                std::fs::hard_link(&first, first.with_extension("again")).unwrap();
            }
        }
        scene.put(format!("2019-fair/{sort}/well.bin"), &noise(5_000, 9));
    }
    for (sort, _) in SORTS {
        set_time(&project.join(sort), 1_561_000_000, 7);
    }
    scene.copied();
    let (code, verify) = scene.json("verify");
    assert_eq!(code, 0, "{verify}");
    let there = scene.to.join("2019/2019-fair");
    let mut wanted = Vec::new();
    for (sort, count) in SORTS {
        for number in 0..count {
            let mut name = format!("{number}.bin");
            if sort == "link" {
                name = format!("{number}.again");
            }
            let folder = there.join(sort);
            keeping_time(&folder, || plant(sort, number, &folder.join(&name)));
            wanted.push(format!("{sort} 2019-fair/{sort}/{name}"));
        }
    }
    assert_eq!(wanted.len(), 40);
    wanted.sort();
    let (code, verify) = scene.json("verify --again");
    assert_eq!(code, 1);
    assert_eq!(kinds(&verify, "differences"), wanted);
    assert_eq!(kinds(&verify, "listed"), [""; 0]);
    assert_ne!(verify["batches"][0]["state"], "verified");
    let flipped = &verify["batches"][0]["differences"];
    let large = flipped
        .as_array()
        .unwrap()
        .iter()
        .find(|d| d["path"] == "2019-fair/content/0.bin");
    // Blocks of 16 MiB: the second of the file, to its end.
    assert_eq!(
        large.unwrap()["ranges"],
        serde_json::json!([[16 << 20, 20 << 20]])
    );
}

/// Runs `change` and puts the modification time of what is at `path` back.
fn keeping_time(path: &Path, change: impl FnOnce()) {
    let before = path.symlink_metadata().unwrap();
    change();
    let time = rustix::fs::Timespec {
        tv_sec: before.mtime(),
        tv_nsec: before.mtime_nsec(),
    };
    let times = rustix::fs::Timestamps {
        last_access: time,
        last_modification: time,
    };
    let flags = rustix::fs::AtFlags::SYMLINK_NOFOLLOW;
    rustix::fs::utimensat(rustix::fs::CWD, path, &times, flags).unwrap();
}

/// One corruption: that of its sort, and no other.
fn plant(sort: &str, number: usize, path: &Path) {
    match (sort, number) {
        ("content", 1) => keeping_time(path, || {
            std::fs::remove_file(path).unwrap();
            symlink("nowhero", path).unwrap();
        }),
        ("content", _) => keeping_time(path, || {
            let at = path.metadata().unwrap().len() - 1_000 + number as u64;
            let file = std::fs::File::options()
                .read(true)
                .write(true)
                .open(path)
                .unwrap();
            let mut byte = [0];
            file.read_exact_at(&mut byte, at).unwrap();
            file.write_all_at(&[byte[0] ^ 1 << number], at).unwrap();
        }),
        ("type", _) => {
            std::fs::remove_file(path).unwrap();
            match number % 2 {
                0 => symlink("well.bin", path).unwrap(),
                _ => std::fs::create_dir(path).unwrap(),
            }
        }
        ("size", _) => keeping_time(path, || {
            let file = std::fs::File::options().write(true).open(path).unwrap();
            file.set_len([0, 5_999, 1 << 20, 1, 4_096][number]).unwrap();
        }),
        ("time", _) => {
            let seconds = [1_560_000_001, 1_560_000_000, 0, 1_559_999_999, 4_000_000_000][number];
            set_time(path, seconds, 123_456_788);
        }
        ("mode", _) => {
            let mode = path.metadata().unwrap().mode() ^ [0o001, 0o4000, 0o222, 0o040][number];
            std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
        }
        ("owner", _) => {
            let (user, group) = [
                (Some(1_234), None),
                (None, Some(99)),
                (Some(7), Some(7)),
                (Some(1), None),
            ][number];
            chown(path, user, group).unwrap();
        }
        ("xattr", 0 | 1) => xattr::set(path, "user.tag", b"bluE").unwrap(),
        ("xattr", _) => xattr::remove(path, "user.tag").unwrap(),
        ("link", _) => {
            let first = path.with_extension("bin");
            std::fs::remove_file(path).unwrap();
            std::fs::copy(&first, path).unwrap();
            let time = first.metadata().unwrap();
            set_time(path, time.mtime() as u64, time.mtime_nsec() as u32);
        }
        ("absent", _) => std::fs::remove_file(path).unwrap(),
        _ => std::fs::write(path, "nobody asked").unwrap(),
    }
}
