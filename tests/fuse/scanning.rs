//! A scan through FUSE sees what is behind it, and where that fails it says so, once, and knows a
//! folder that it could not list from an empty one.

use crate::support::fuse::{Call, EACCES, EIO, Fault, Fuse};
use crate::support::{poolward_in, scratch, tree};
use poolward::entry::{Entry, EntryKind};
use poolward::index::{Index, InodeClass};
use poolward::names::{RelPath, SourceName};
use poolward::scan::{ScanRequest, scan};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

const SPEC: &str = r"
    # path              kind    what        mode  time
    jobs/2019/a.mov     file    1M/7        0640  2019-03-04T10:00:00.123456789Z
    jobs/2019/b.mov     name    jobs/2019/a.mov
    jobs/2019/c.mov     file    9/1         0640  2019-03-04T10:00:00Z
    jobs/latest         link    20\x319    -     2020-01-01T00:00:00Z
    jobs/pipe           pipe    -           0600  2020-01-01T00:00:00Z
    shut/inner/x        file    3/1         0644  2020-01-01T00:00:00Z
    caf\xe9/two\x0awords file   12/7        0644  1969-12-31T23:59:59.25Z
    disk.img            holes   1M/8        0644  2020-01-01T00:00:00Z
    empty               folder  -           0755  2020-01-01T00:00:00Z
";

fn scanned(root: &Path, gentle: bool) -> Index {
    let made = scratch();
    let request = ScanRequest {
        source: SourceName("oldbox".into()),
        root: root.to_path_buf(),
        index: made.path().join("a.index"),
        parts: made.path().join("a.parts"),
        never_enter: Arc::new(|_, _| None),
        rules: String::new(),
        cross: Vec::new(),
        gentle,
        threads: Some(8),
        recount: Some(false),
        resume: false,
        only: None,
        expected_entries: None,
        inodes: InodeClass::Unknown,
    };
    scan(&request, &|_| {}, &|| false).expect("a scan").index
}

/// Every entry by its path; without the time of birth, which FUSE does not hand on.
fn entries(index: &Index) -> BTreeMap<RelPath, Entry> {
    let mut all = BTreeMap::new();
    for listing in index.listings() {
        let listing = listing.expect("a listing");
        for named in listing.children {
            let path = listing.folder.join(&named.name).expect("a path");
            let entry = Entry {
                birth: None,
                ..named.entry
            };
            all.insert(path, entry);
        }
    }
    all
}

fn listed(index: &Index) -> Vec<String> {
    index
        .listings()
        .map(|one| one.unwrap().folder.to_string())
        .collect()
}

/// Path and error of everything that has one.
fn errors(index: &Index) -> Vec<(String, String)> {
    let all = entries(index).into_iter();
    all.filter_map(|(path, entry)| Some((path.to_string(), entry.error?)))
        .collect()
}

fn words(pairs: &[(&str, &str)]) -> Vec<(String, String)> {
    pairs
        .iter()
        .map(|(a, b)| (a.to_string(), b.to_string()))
        .collect()
}

#[test]
fn the_same_index_as_of_the_folder_behind() {
    let behind = scratch();
    tree(behind.path(), SPEC);
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    let plain = scanned(behind.path(), false);
    assert_eq!(plain.header().totals.entries, 14);
    for gentle in [false, true] {
        let through = scanned(fuse.path(), gentle);
        assert_eq!(entries(&through), entries(&plain));
        assert_eq!(through.header().totals, plain.header().totals);
        assert_eq!(listed(&through), listed(&plain));
        assert_eq!(through.header().start.mount_type, "fuse");
    }
}

#[test]
fn what_fails_is_one_line_each_and_a_folder_unlisted_is_unknown() {
    let behind = scratch();
    tree(behind.path(), SPEC);
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    fuse.fault("jobs/2019/c.mov", Fault::Fails(Call::Lookup, EIO));
    fuse.fault("shut", Fault::Fails(Call::Opendir, EACCES));
    fuse.fault("jobs/pipe", Fault::Vanished);
    fuse.fault("jobs/latest", Fault::Fails(Call::Readlink, EIO));
    for gentle in [false, true] {
        let index = scanned(fuse.path(), gentle);
        let expected = [
            ("jobs/2019/c.mov", "the disk or the link failed to read it"),
            ("jobs/latest", "the disk or the link failed to read it"),
            ("jobs/pipe", "vanished during the scan"),
            ("shut", "permission denied"),
        ];
        assert_eq!(errors(&index), words(&expected));
        assert_eq!(index.header().totals.unreadable, 4);
        let all = entries(&index);
        let kind = |path: &str| all[&RelPath::new(path.as_bytes()).unwrap()].kind;
        assert_eq!(kind("shut"), EntryKind::Directory);
        assert_eq!(kind("jobs/2019/c.mov"), EntryKind::Unknown);
        let folders = listed(&index);
        assert!(folders.contains(&"empty".into()), "an empty folder was listed");
        assert!(
            !folders.iter().any(|f| f.starts_with("shut")),
            "an unlisted one was not: {folders:?}"
        );
        assert_eq!(kind("jobs/2019/a.mov"), EntryKind::File, "the rest is there");
    }
}

#[test]
fn a_listing_that_fails_in_its_middle_is_no_listing() {
    let behind = scratch();
    tree(behind.path(), SPEC);
    std::fs::create_dir(behind.path().join("long")).unwrap();
    for number in 0..3_000 {
        std::fs::write(behind.path().join(format!("long/{number:04}")), "").unwrap();
    }
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    for after in [0, 1, 1_500, 2_999] {
        fuse.heal();
        fuse.fault("long", Fault::ListingFails(after));
        for gentle in [false, true] {
            let index = scanned(fuse.path(), gentle);
            let expected = [("long", "the disk or the link failed to read it")];
            assert_eq!(errors(&index), words(&expected), "after {after}");
            assert!(!listed(&index).contains(&"long".into()));
            assert_eq!(index.header().totals.entries, 15, "none of its names is kept");
        }
    }
}

#[test]
fn a_folder_gone_between_its_look_and_its_opening_is_unknown() {
    let behind = scratch();
    tree(behind.path(), SPEC);
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    fuse.fault("shut/inner", Fault::Fails(Call::Opendir, 2));
    let index = scanned(fuse.path(), false);
    assert_eq!(
        errors(&index),
        words(&[("shut/inner", "vanished during the scan")])
    );
    assert!(!listed(&index).contains(&"shut/inner".into()));
}

#[test]
fn a_survey_says_once_a_source_what_the_mount_does_not_show() {
    let (behind, beside) = (scratch(), scratch());
    tree(behind.path(), SPEC);
    let Some(fuse) = Fuse::over(behind.path()) else {
        return;
    };
    let (from, to) = (fuse.path().to_str().unwrap(), beside.path().join("pool"));
    std::fs::create_dir(&to).unwrap();
    let begin = [
        "begin",
        "move",
        "--from",
        from,
        "--to",
        to.to_str().unwrap(),
        "--allow-root-disk",
    ];
    poolward_in(beside.path(), &begin).exits(0);
    let verb = |name: &str| poolward_in(&beside.path().join("move"), &[name, "--json"]);
    verb("scan");
    let survey = verb("survey").json();
    let hazards = survey["hazards"].as_array().unwrap();
    let hidden: Vec<_> = hazards
        .iter()
        .filter(|one| one["kind"] == "cannot-be-known-through-this-mount")
        .collect();
    assert_eq!(hidden.len(), 1, "{survey}");
    assert_eq!(hidden[0]["count"], 1);
}
