//! Every sort of hazard, met on purpose.

use super::*;

#[test]
fn hazards_of_names() {
    let long = "x".repeat(256);
    let near = "y".repeat(241);
    let wide = "\u{e9}".repeat(127) + "a";
    let mut tree = Tree::default();
    for name in [
        "a/con",
        "a/NUL.txt",
        "a/nul.tar.gz",
        "a/COM\u{b9}.mov",
        "a/lpt9",
        "a/COM0",
        "a/COM56",
        "a/console",
        "a/t.",
        "a/t ",
        "a/two\nlines",
        "a/q?",
        "a/c\u{f03a}d",
        "a/x:2ey",
        "a/ABCDEF~1.MOV",
        "a/-rf",
        "a/fine~2 copy.mov",
        "a/z\u{202e}z",
        "a/\u{fffd}",
    ] {
        tree.file(name, 1);
    }
    tree.file(format!("a/{long}"), 1)
        .file(format!("a/{near}"), 1)
        .file(format!("a/{wide}"), 1);
    tree.file(b"a/caf\xe9", 1);
    let survey = tree.survey();
    for (sort, wanted) in [
        // Microsoft, "Naming Files, Paths, and Namespaces": COM0 and COM56 are not reserved.
        (Sort::NameReserved, 5),
        (Sort::NameTrailing, 2),
        (Sort::NameControl, 1),
        (Sort::NameWindows, 2),
        (Sort::NamePrivateUse, 1),
        (Sort::NameHexEscape, 1),
        (Sort::NameMangled, 1),
        (Sort::NameDash, 1),
        (Sort::NameInvisible, 1),
        (Sort::NameReplacement, 1),
        (Sort::NameNotUtf8, 1),
        (Sort::NameTooLong, 1),
        // POSIX counts bytes: 127 two-byte letters and one more are 255.
        (Sort::NameNearLimit, 2),
        (Sort::NameUtf16, 1),
    ] {
        assert_eq!(count(&survey, sort), wanted, "{}", sort.kind());
    }
    assert_eq!(survey.hazards[0].effect, Effect::Blocks);
    assert!(survey.hazards.windows(2).all(|w| w[0].effect <= w[1].effect));
}

/// Pairs from CaseFolding-15.0.0.txt and NormalizationTest-15.0.0.txt (Unicode), and the file name
/// of RFC 8493, section 6.1.1.2, in both forms.
#[test]
fn names_that_fold_into_one_are_found() {
    for (a, b, sort) in [
        ("Maße", "MASSE", Sort::NameCase),
        ("straße", "STRASSE", Sort::NameCase),
        ("\u{17f}x", "sx", Sort::NameCase),
        ("\u{212a}", "k", Sort::NameCase),
        ("\u{3a3}", "\u{3c2}", Sort::NameCase),
        ("\u{fb01}", "FI", Sort::NameCase),
        ("onecase.txt", "OneCase.txt", Sort::NameCase),
        ("\u{1e9e}", "ss", Sort::NameCase),
        ("\u{1f80}", "\u{1f00}\u{3b9}", Sort::NameCase),
        ("N\u{fa}\u{f1}ez", "Nu\u{301}n\u{303}ez", Sort::NameNormalization),
        ("\u{212b}", "A\u{30a}", Sort::NameNormalization),
        (
            "\u{1e9b}\u{323}",
            "\u{17f}\u{323}\u{307}",
            Sort::NameNormalization,
        ),
        ("\u{ac00}", "\u{1100}\u{1161}", Sort::NameNormalization),
        ("\u{958}", "\u{915}\u{93c}", Sort::NameNormalization),
    ] {
        let mut tree = Tree::default();
        tree.file(format!("p/{a}"), 1)
            .file(format!("p/{b}"), 1)
            .file("p/other", 1);
        let survey = tree.survey();
        assert_eq!(count(&survey, sort), 2, "{a} {b}");
        let both = count(&survey, Sort::NameCase) + count(&survey, Sort::NameNormalization);
        assert_eq!(both, 2, "{a} {b}");
    }
    let mut tree = Tree::default();
    // Compatibility forms stay apart, as do letters that fold to themselves.
    tree.file("p/\u{131}", 1)
        .file("p/i", 1)
        .file("p/\u{2460}", 1)
        .file("p/1", 1);
    assert_eq!(count(&tree.survey(), Sort::NameCase), 0);
}

#[test]
fn links_are_followed_as_far_as_the_tree_tells() {
    let mut tree = Tree::default();
    tree.file("a/real.mov", 1)
        .file("b/deep/x.mov", 1)
        .link("a/beside", "real.mov")
        .link("a/over", "../b/deep/x.mov")
        .link("a/dir", "../b")
        .link("a/through", "dir/deep/x.mov")
        .link("a/broken", "../b/none.mov")
        .link("a/broken2", "nowhere/none.mov")
        .link("a/through-broken", "dir/deep/y.mov")
        .link("a/l1", "l2")
        .link("a/l2", "../a/l1")
        .link("a/self", "self/x")
        .link("a/abs", "/export/x")
        .link("a/out", "../../etc/passwd")
        .link("a/root", "..");
    let survey = tree.survey();
    assert_eq!(count(&survey, Sort::SymlinkBroken), 3);
    assert_eq!(count(&survey, Sort::SymlinkLoop), 3);
    assert_eq!(count(&survey, Sort::SymlinkAbsolute), 1);
    assert_eq!(count(&survey, Sort::SymlinkOutside), 1);
    assert_eq!(survey.counts.symlinks, 13);
}

#[test]
fn hard_links_across_projects_name_both() {
    let mut tree = Tree::default();
    let linked = |inode, links| Entry {
        inode,
        links,
        ..entry(EntryKind::File)
    };
    tree.put("a/x", linked(7, 3))
        .put("b/x", linked(7, 3))
        .put("b/y", linked(7, 3))
        .put("c/p", linked(8, 2))
        .put("c/q", linked(8, 2))
        .put("c/r", linked(9, 2));
    let survey = tree.survey();
    assert_eq!(count(&survey, Sort::HardLinkAcross), 1);
    assert_eq!(count(&survey, Sort::HardLink), 2);
    assert_eq!(count(&survey, Sort::HardLinkOutside), 1);
    assert_eq!(survey.projects[0].linked_with, [ProjectKey::Folder(path("b"))]);
    assert_eq!(survey.projects[1].linked_with, [ProjectKey::Folder(path("a"))]);
    assert!(survey.projects[2].linked_with.is_empty());
    let blind = tree.survey_with(|rules| rules.inodes_hold = false);
    assert_eq!(count(&blind, Sort::HardLinkAcross), 0);
}

/// One of each thing that can be wrong with a file or a folder, beside its name.
fn troubled_tree() -> Tree {
    const GIB: u64 = 1 << 30;
    let failed = |kind, error: &str| Entry {
        error: Some(error.into()),
        ..entry(kind)
    };
    let dated = |text| Entry {
        mtime: at(text),
        ..entry(EntryKind::File)
    };
    let moded = |mode| Entry {
        mode,
        ..entry(EntryKind::File)
    };
    let big = |allocated| Entry {
        size: Bytes(GIB),
        allocated: Bytes(allocated),
        ..entry(EntryKind::File)
    };
    let mut tree = Tree::default();
    tree.file("a/CLIP/C0001.MOV", 4 * GIB)
        .file("a/CLIP/C0002.MOV", 4 * GIB)
        .file("a/CLIP/C0003.MOV", GIB)
        .file("a/CLIP/C0009.MOV", 4 * GIB)
        .file("a/lib.pics/data.sqlite", 9)
        .file("a/doc.rtfd/x", 1)
        .file("a/._C1.MOV", 4)
        .file("a/C1.MOV", 0)
        .file("a/._lost", 4)
        .file("a/~$letter.docx", 1)
        .file("a/.nfs000012", 1)
        .file("a/.DS_Store", 1)
        .file("a/2018.mhl", 1)
        .file("a/Media Cache/x.mov", 1)
        .put("a/pipe", entry(EntryKind::Special))
        .put("a/gone", failed(EntryKind::Unknown, "EIO"))
        .put("a/shut", failed(EntryKind::Directory, "EACCES"))
        .put("a/sub", failed(EntryKind::Directory, BOUNDARY))
        .put("a/future.txt", dated("2079-01-01T10:00:00Z"))
        .put("a/epoch.txt", dated("1980-01-01T00:00:00Z"))
        .put("a/young.txt", dated("2027-02-01T00:00:00Z"))
        .put("a/suid", moded(0o4755))
        .put("a/locked", moded(0o044))
        .put("a/disk.img", big(GIB / 2))
        .put("a/odd.img", big(0));
    tree
}

#[test]
fn hazards_of_files_and_folders() {
    let tree = troubled_tree();
    let survey = tree.survey_with(|rules| rules.hidden_by_mount = vec!["alternate streams".into()]);
    for (sort, wanted) in [
        (Sort::SplitClip, 3),
        (Sort::CameraCard, 1),
        (Sort::Bundle, 2),
        (Sort::ForkPartner, 1),
        (Sort::ForkOrphan, 1),
        (Sort::ForkHoldsData, 1),
        (Sort::LooksInUse, 1),
        (Sort::NetworkLeftover, 1),
        (Sort::DesktopMetadata, 1),
        (Sort::HashList, 1),
        (Sort::CacheMedia, 1),
        (Sort::Special, 1),
        (Sort::Unreadable, 2),
        (Sort::Boundary, 1),
        (Sort::TimeFuture, 1),
        (Sort::TimeEpoch, 1),
        (Sort::SetId, 1),
        (Sort::OwnerLocked, 1),
        (Sort::Sparse, 1),
        (Sort::NothingAllocated, 1),
        (Sort::ProjectInUse, 1),
        (Sort::HiddenByMount, 1),
    ] {
        assert_eq!(count(&survey, sort), wanted, "{}", sort.kind());
    }
    let reasons: Vec<_> = survey
        .unplanned
        .iter()
        .map(|u| (u.path.lossy(), u.reason))
        .collect();
    let wanted = [
        ("a/gone", "unreadable"),
        ("a/pipe", "special"),
        ("a/shut", "unreadable"),
        ("a/sub", "boundary"),
    ];
    assert_eq!(reasons, wanted.map(|(p, r)| (p.to_string(), r)));
    assert_eq!(survey.counts.unreadable, 2);
    assert!(
        survey
            .questions
            .iter()
            .any(|q| q.tag.contains("cross = [\"a/sub\"]"))
    );
}

#[test]
fn every_sort_has_a_word_of_its_own_and_one_sentence() {
    let kinds: BTreeSet<&str> = Sort::ALL.iter().map(|sort| sort.kind()).collect();
    assert_eq!(kinds.len(), Sort::ALL.len());
    for sort in Sort::ALL {
        assert!(
            sort.kind()
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
        );
        assert!(sort.words().ends_with('.') && !sort.words().trim_end_matches('.').contains(". "));
    }
}

/// Names of both sides as programs write them; common practice, no source.
#[test]
fn a_lock_counts_only_beside_what_it_locks() {
    let looks_in_use = |names: &[&str]| {
        let mut tree = Tree::default();
        names.iter().for_each(|name| {
            tree.file(name, 9);
        });
        count(&tree.survey(), Sort::LooksInUse)
    };
    let version_lists = [
        &["a/Cargo.lock", "a/Cargo.toml"][..],
        &["a/yarn.lock", "a/package.json"],
        &["a/Gemfile.lock", "a/Gemfile"],
        &["a/composer.lock", "a/composer.json"],
        &["a/pubspec.lock", "a/pubspec.yaml"],
        &["a/flake.lock", "a/flake.nix"],
        &["a/poetry.lock", "a/pyproject.toml"],
        &["a/gone.mov.lock", "b/gone.mov"],
        &["a/cut.lock", "a/cut.srt", "a/cut2.edl"],
        &["a/.lock", "a/lock"],
    ];
    for names in version_lists {
        assert_eq!(looks_in_use(names), 0, "{names:?}");
    }
    let held = [
        &["a/cut.lock", "a/cut.prproj"][..],
        &["a/cut.prproj.lock", "a/cut.prproj"],
        &["a/clip.mov.lck", "a/clip.mov"],
        &["a/bin.lck", "a/bin.aaf", "a/bin.avb"],
        &["a/base.ledger.lok", "a/base.ledger/part"],
        &["a/cut.prlock"],
        &["a/.~lock.letter.odt#"],
        &["a/~$letter.docx"],
        &["a/data.sqlite-wal"],
    ];
    for names in held {
        assert_eq!(looks_in_use(names), 1, "{names:?}");
    }
}
