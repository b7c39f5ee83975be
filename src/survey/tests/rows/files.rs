//! Parts C to G: bundles, by-products, links, open files, dates.

use super::*;

pub(super) fn bundles_and_cards() -> Rows {
    vec![
        (
            "B1",
            Found(&[(Sort::Bundle, 3)], |t| {
                t.file("a/lib.pics/data.sqlite", 9)
                    .file("a/doc.rtfd/x", 1)
                    .file("a/set.song/Info.plist", 1);
                t.file("a/plain.folder/x", 1);
            }),
        ),
        (
            "B2",
            Found(&[(Sort::LooksInUse, 1)], |t| {
                t.file("a/lib.pics/data.sqlite", 9)
                    .file("a/lib.pics/data.sqlite-wal", 9);
            }),
        ),
        (
            "B3",
            Found(&[(Sort::CameraCard, 2)], |t| {
                t.file("a/card1/DCIM/100/x.mov", 9)
                    .file("a/card2/PRIVATE/CLIP/x.mov", 9);
            }),
        ),
        (
            "B4",
            Found(&[(Sort::SplitClip, 2)], |t| {
                t.file("a/C0001.MOV", 4 * GIB)
                    .file("a/C0002.MOV", GIB)
                    .file("a/C0009.MOV", GIB);
            }),
        ),
        (
            "B5",
            Found(&[(Sort::EditPaths, 1)], |t| {
                t.file("a/cut.edl", 9).file("a/cut.srt", 9);
            }),
        ),
    ]
}

pub(super) fn by_products() -> Rows {
    vec![
        (
            "X1",
            Rule("snapshots", 2, |t| {
                t.file("a/.zfs/x", 9).file("@snapshots/x", 9).file("a/x", 1);
            }),
        ),
        (
            "X2",
            Rule("recycle", 3, |t| {
                t.file("$RECYCLE.BIN/x", 9)
                    .file("a/.Trash-1000/x", 9)
                    .file("#recycle/x", 9)
                    .file("a/x", 1);
            }),
        ),
        (
            "X3",
            Rule("thumbnails", 2, |t| {
                t.file("a/@thumbs/x", 9)
                    .file("a/.AppleDouble/x", 9)
                    .file("a/x", 1);
            }),
        ),
        (
            "X4",
            Found(&[(Sort::DesktopMetadata, 3)], |t| {
                t.file("a/.DS_Store", 1)
                    .file("a/Thumbs.db", 1)
                    .file("a/desktop.ini", 1);
            }),
        ),
        (
            "X5",
            Found(&[(Sort::NetworkLeftover, 3)], |t| {
                t.file("a/.nfs0012", 1)
                    .file("a/.smbdeleteAB", 1)
                    .file("a/x.mov.part", 1);
            }),
        ),
        (
            "X6",
            Found(&[(Sort::CacheMedia, 2)], |t| {
                t.file("a/Media Cache/x.mov", 9)
                    .file("a/x.pek", 9)
                    .file("a/x.mov", 9);
            }),
        ),
    ]
}

pub(super) fn links_and_holes() -> Rows {
    vec![
        (
            "L1",
            Found(
                &[
                    (Sort::HardLink, 1),
                    (Sort::HardLinkAcross, 1),
                    (Sort::HardLinkOutside, 1),
                ],
                |t| {
                    let linked = |inode| with(|e| (e.inode, e.links) = (inode, 2));
                    t.put("a/x", linked(7))
                        .put("b/x", linked(7))
                        .put("a/y", linked(8));
                },
            ),
        ),
        (
            "L2",
            Found(&[(Sort::Sparse, 1)], |t| {
                t.put(
                    "a/disk.img",
                    with(|e| (e.size, e.allocated) = (Bytes(GIB), Bytes(GIB / 2))),
                );
            }),
        ),
        (
            "L3",
            Found(&[(Sort::NothingAllocated, 1)], |t| {
                t.put(
                    "a/disk.img",
                    with(|e| (e.size, e.allocated) = (Bytes(GIB), Bytes(0))),
                );
                t.file("a/other.img", GIB);
            }),
        ),
        (
            "L4",
            Found(
                &[
                    (Sort::SymlinkAbsolute, 1),
                    (Sort::SymlinkOutside, 1),
                    (Sort::SymlinkBroken, 1),
                    (Sort::SymlinkLoop, 2),
                ],
                |t| {
                    t.link("a/abs", "/export/x")
                        .link("a/out", "../../x")
                        .link("a/gone", "none");
                    t.link("a/l1", "l2").link("a/l2", "l1");
                },
            ),
        ),
        (
            "L5",
            Found(&[(Sort::Special, 1)], |t| {
                t.put("a/pipe", entry(EntryKind::Special));
            }),
        ),
    ]
}

pub(super) fn open_files() -> Rows {
    vec![
        (
            "L6",
            Not("what lies on one disk is told by the mounts: begin and the mount guard compare them"),
        ),
        (
            "O1",
            Not("a change during the copy is seen by copy, which looks before and after"),
        ),
        (
            "O2",
            Found(&[(Sort::LooksInUse, 3), (Sort::ProjectInUse, 1)], |t| {
                t.file("a/~$letter.docx", 1)
                    .file("a/cut.mov", 9)
                    .file("a/cut.mov.lock", 1)
                    .file("a/.~lock.x#", 1);
                t.put("a/young", with(|e| e.mtime = at("2027-02-01T00:00:00Z")));
            }),
        ),
        (
            "O3",
            Found(&[(Sort::Racy, 1)], |t| {
                t.put("a/fresh", with(|e| e.mtime = at("2027-02-03T11:59:59Z")));
                t.put("a/calm", with(|e| e.mtime = at("2027-02-03T11:59:57Z")));
            }),
        ),
        (
            "O4",
            Not("the clock of the old box shows only by writing there, and nothing is written at a source"),
        ),
        (
            "O5",
            Not("a rename shows between two scans: `changes` follows it"),
        ),
        (
            "O6",
            Not("a refusal in the middle of a file is met by copy, which hashes every range"),
        ),
    ]
}

pub(super) fn stamps() -> Rows {
    vec![
        (
            "D1",
            Found(&[(Sort::CopyDay, 3)], |t| {
                for project in ["acorn", "birch", "cedar"] {
                    for n in 0..8 {
                        t.file(format!("{project}/C{n}.MOV"), 1000 + n);
                    }
                }
            }),
        ),
        (
            "D2",
            Found(&[(Sort::TimeEpoch, 3)], |t| {
                for (name, text) in [
                    ("a/1", "1970-01-01T00:00:00Z"),
                    ("a/2", "1980-01-01T00:00:00Z"),
                    ("a/3", "1904-01-01T00:00:00Z"),
                ] {
                    t.put(name, with(|e| e.mtime = at(text)));
                }
            }),
        ),
        (
            "D3",
            Found(&[(Sort::TimeFuture, 2)], |t| {
                t.put("a/1", with(|e| e.mtime = at("2036-02-07T06:28:15Z")));
                t.put("a/2", with(|e| e.mtime = at("2079-12-31T10:00:00Z")));
            }),
        ),
        (
            "D4",
            Found(&[(Sort::HeaderCorrected, 1)], |t| {
                t.file("a/corrected.mov", 1000);
            }),
        ),
        (
            "D5",
            Found(&[(Sort::HeaderNewYear, 1)], |t| {
                t.file("a/new-year.mov", 1000);
            }),
        ),
    ]
}

pub(super) fn projects() -> Rows {
    vec![
        (
            "D6",
            Found(&[(Sort::ProjectSpans, 1)], |t| {
                t.put("a/1.mov", with(|e| e.mtime = at("2018-12-30T10:00:00Z")));
                t.put("a/2.mov", with(|e| e.mtime = at("2019-01-03T10:00:00Z")));
                t.put("b/2.txt", with(|e| e.mtime = at("2016-01-03T10:00:00Z")));
                t.put("b/2.mov", with(|e| e.mtime = at("2017-01-03T10:00:00Z")));
            }),
        ),
        (
            "D7",
            Found(&[(Sort::DateAmbiguous, 1)], |t| {
                t.file("030412 acorn/x.txt", 1);
            }),
        ),
        (
            "D8",
            Found(&[(Sort::DateDisagrees, 1)], |t| {
                t.put(
                    "2012-05-06 acorn/x.mov",
                    with(|e| (e.size, e.mtime) = (Bytes(9), at("2019-03-04T10:00:00Z"))),
                );
            }),
        ),
        (
            "D9",
            Found(&[(Sort::DateDisagrees, 1)], |t| {
                t.put("acorn/x", with(|e| e.mtime = at("1970-01-01T00:00:00Z")));
            }),
        ),
    ]
}
