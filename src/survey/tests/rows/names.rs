//! Parts A and B: metadata and names.

use super::*;

fn every_second(tree: &mut Tree, step: i64) {
    for n in 0..20 {
        let mtime = Moment::from_seconds(1_551_693_601 + n * 7_000_003 * step + (step - 1));
        tree.put(format!("a/{n}.txt"), with(|e| e.mtime = mtime));
    }
}

pub(super) fn times() -> Rows {
    vec![
        ("M1", Found(&[(Sort::WholeSeconds, 20)], |t| every_second(t, 1))),
        (
            "M1",
            Found(&[(Sort::TwoSeconds, 20)], |t| {
                for n in 0..20 {
                    let mtime = Moment::from_seconds(1_551_693_600 + n * 14_000_000);
                    t.put(format!("a/{n}.txt"), with(|e| e.mtime = mtime));
                }
            }),
        ),
        (
            "M2",
            Not("a shift of an hour shows between two scans, and verify tells that the content is equal"),
        ),
        (
            "M3",
            Not("whether the destination keeps times shows only by setting one: copy reads it back"),
        ),
        (
            "M4",
            Found(&[(Sort::BirthTime, 1)], |t| {
                t.put("a/x", with(|e| e.birth = Some(at("2019-03-04T10:00:00Z"))));
            }),
        ),
        (
            "M5",
            Not(
                "the index holds no access lists, which are extended attributes: copy carries them or records the loss",
            ),
        ),
        (
            "M6",
            Not("whether a path carries extended attributes shows only by trying: copy does"),
        ),
        (
            "M7",
            Not("the index holds no extended attributes: copy carries them or records the loss"),
        ),
    ]
}

pub(super) fn forks_and_modes() -> Rows {
    vec![
        (
            "M8",
            Found(&[(Sort::ForkHoldsData, 1), (Sort::ForkPartner, 1)], |t| {
                t.file("a/Font", 0).file("a/._Font", 900);
            }),
        ),
        (
            "M9",
            Found(&[(Sort::ForkPartner, 1), (Sort::ForkOrphan, 1)], |t| {
                t.file("a/x.mov", 5).file("a/._x.mov", 9).file("a/._lost", 9);
            }),
        ),
        (
            "M10",
            Not("streams are not in a listing: the survey says so as `cannot-be-known-through-this-mount`"),
        ),
        (
            "M11",
            Found(&[(Sort::MediaExecutable, 2)], |t| {
                t.put("a/x.mov", with(|e| e.mode = 0o744))
                    .put("a/y.wav", with(|e| e.mode = 0o755));
                t.file("a/z.mov", 1);
            }),
        ),
        (
            "M12",
            Found(&[(Sort::Owners, 2)], |t| {
                t.put("a/x", with(|e| e.uid = 1)).put("a/y", with(|e| e.uid = 2));
            }),
        ),
        (
            "M12",
            Found(&[(Sort::OwnerLocked, 1)], |t| {
                t.put("a/x", with(|e| e.mode = 0));
            }),
        ),
    ]
}

pub(super) fn spelling() -> Rows {
    vec![
        (
            "N1",
            Found(&[(Sort::NamePrivateUse, 3), (Sort::NameTwoSchemes, 2)], |t| {
                t.file("a/x\u{f022}y", 1)
                    .file("a/x\u{f03a}y", 1)
                    .file("a/x\u{f001}y", 1);
            }),
        ),
        (
            "N2",
            Found(&[(Sort::NameNormalization, 2)], |t| {
                t.file("a/caf\u{e9}", 1).file("a/cafe\u{301}", 1);
            }),
        ),
        (
            "N3",
            Found(&[(Sort::NameNotUtf8, 1), (Sort::NameReplacement, 1)], |t| {
                t.file(b"a/caf\xe9", 1).file("a/caf\u{fffd}", 1);
            }),
        ),
        (
            "N4",
            Found(&[(Sort::NameMangled, 2)], |t| {
                t.file("a/ABC~1", 1).file("a/ABCDEF~2.MOV", 1).file("a/abc~1", 1);
            }),
        ),
        (
            "N5",
            Found(&[(Sort::NameCase, 2)], |t| {
                t.file("a/onecase.txt", 1).file("a/OneCase.txt", 1);
            }),
        ),
        (
            "N6",
            Found(&[(Sort::NameTrailing, 2), (Sort::NameReserved, 3)], |t| {
                t.file("a/x.", 1).file("a/x ", 1);
                t.file("a/CON", 1).file("a/nul.txt", 1).file("a/Aux", 1);
            }),
        ),
    ]
}

pub(super) fn lengths() -> Rows {
    vec![
        (
            "N7",
            Found(
                &[
                    (Sort::NameTooLong, 1),
                    (Sort::NameNearLimit, 1),
                    (Sort::NameUtf16, 1),
                ],
                |t| {
                    t.file(format!("a/{}", "x".repeat(256)), 1)
                        .file(format!("a/{}", "x".repeat(241)), 1);
                    t.file(format!("a/{}", "x".repeat(240)), 1);
                },
            ),
        ),
        (
            "N8",
            Found(&[(Sort::NameEncrypted, 1)], |t| {
                t.file(format!("a/{}", "x".repeat(143)), 1).file("a/y", 1);
            }),
        ),
        // 100 letters of two bytes fit; decomposed they take three each.
        (
            "N9",
            Found(&[(Sort::NameGrows, 1)], |t| {
                t.file(format!("a/{}", "\u{e9}".repeat(100)), 1)
                    .file(format!("a/{}", "\u{e9}".repeat(80)), 1);
            }),
        ),
    ]
}

pub(super) fn escapes_and_paths() -> Rows {
    vec![
        (
            "N10",
            Found(
                &[
                    (Sort::NameControl, 1),
                    (Sort::NameDash, 1),
                    (Sort::NameHexEscape, 2),
                    (Sort::NameHexTwin, 1),
                ],
                |t| {
                    t.file("a/two\nlines", 1)
                        .file("a/-rf", 1)
                        .file("a/x:2ey", 1)
                        .file("a/x.y", 1)
                        .file("a/q:2fr", 1);
                },
            ),
        ),
        (
            "N10",
            Found(&[(Sort::SeenTwice, 1)], |t| {
                let folder = |inode| Entry {
                    inode,
                    ..entry(EntryKind::Directory)
                };
                t.put("a/x", folder(9)).put("a/y", folder(9));
            }),
        ),
        (
            "N11",
            Found(&[(Sort::PathWindows, 1)], |t| {
                t.file(format!("a/{}/{}", "x".repeat(130), "y".repeat(128)), 1);
                t.file(format!("a/{}/{}", "x".repeat(130), "y".repeat(127)), 1);
            }),
        ),
        (
            "N11",
            Found(&[(Sort::PathTooLong, 1)], |t| {
                let deep = vec!["d".repeat(200); 20].join("/");
                t.file(format!("a/{deep}/{}", "x".repeat(73)), 1)
                    .file(format!("a/{deep}/{}", "x".repeat(74)), 1);
            }),
        ),
        (
            "N12",
            Found(&[(Sort::NameNotDataset, 3)], |t| {
                t.file("M\u{fc}hle/x", 1)
                    .file("50%/x", 1)
                    .file("_old/x", 1)
                    .file("2019-03 a_b:c.d/x", 1);
            }),
        ),
    ]
}
