//! A scan of some top-level folders, the rest taken over from the index before: when that may be
//! done, and what stays true of the whole.

use crate::index::{Index, InodeClass, Start, Uneven};
use crate::scan::Only;
use crate::trouble::Trouble;

/// Refuses where old and new segments would not mean the same.
pub(super) fn may_join(before: &Index, now: &Start) -> Result<(), Trouble> {
    let old = &before.header().start;
    let why = if !before.header().complete {
        "the scan before is not finished"
    } else if old.root != now.root || old.mount_type != now.mount_type {
        "the scan before was of another folder or mount"
    } else if old.rules != now.rules {
        "the scan before went by other rules of what is left out"
    } else if old.session != now.session && old.inodes != InodeClass::Stable {
        "the source was mounted anew since, which may have changed its inode numbers"
    } else {
        return Ok(());
    };
    let trouble = Trouble::usage(
        "scan-not-joinable",
        format!("some projects cannot be scanned alone: {why}"),
    );
    Err(trouble.mend("Run `poolward scan` without names: it scans the whole source."))
}

/// Where two counts differ in the joined index; `None` where its older part was counted once only.
pub(super) fn all_uneven(only: Option<&Only>, mut found: Vec<Uneven>) -> Option<Vec<Uneven>> {
    let Some(only) = only else {
        return Some(found);
    };
    let header = only.before.header();
    if !header.recounted {
        return None;
    }
    let top = |uneven: &Uneven| uneven.folder.components().next().map(<[u8]>::to_vec);
    let stays = |uneven: &&Uneven| top(uneven).is_some_and(|top| !only.again.contains(&top));
    found.extend(header.uneven.iter().filter(stays).cloned());
    found.sort();
    found.dedup();
    Some(found)
}

#[cfg(test)]
mod tests {
    use crate::entry::Listing;
    use crate::index::{Index, InodeClass};
    use crate::names::{RelPath, SourceName};
    use crate::scan::{Only, ScanRequest, scan};
    use std::fs;
    use std::path::Path;
    use std::sync::Arc;

    fn request(root: &Path, number: u32) -> ScanRequest {
        let beside = |end: &str| root.with_extension(format!("{number}-{end}"));
        ScanRequest {
            source: SourceName("oldbox".into()),
            root: root.to_path_buf(),
            index: beside("index"),
            parts: beside("parts"),
            never_enter: Arc::new(|_, _| None),
            rules: "none".into(),
            cross: Vec::new(),
            gentle: false,
            threads: Some(2),
            recount: Some(true),
            resume: true,
            only: None,
            expected_entries: None,
            inodes: InodeClass::Unknown,
        }
    }

    fn run(request: &ScanRequest) -> Index {
        scan(request, &|_| {}, &|| false).unwrap().index
    }

    fn below(index: &Index, top: &str) -> Vec<Listing> {
        let top = RelPath::new(top).unwrap();
        index.listings_below(&top).map(Result::unwrap).collect()
    }

    #[test]
    fn named_folders_are_new_and_the_rest_is_what_it_was() {
        let scratch = tempfile::tempdir().unwrap();
        let root = scratch.path().join("source");
        for top in ["a", "b", "c"] {
            fs::create_dir_all(root.join(top).join("in")).unwrap();
            fs::write(root.join(top).join("in/file"), top).unwrap();
        }
        let before = Arc::new(run(&request(&root, 1)));
        for top in ["a", "b", "c", "d"] {
            fs::create_dir_all(root.join(top)).unwrap();
            fs::write(root.join(top).join("more"), "later").unwrap();
        }
        fs::remove_dir_all(root.join("c")).unwrap();
        let only = Only {
            before: Arc::clone(&before),
            again: [b"b".to_vec()].into(),
        };
        let partly = run(&ScanRequest {
            only: Some(only),
            ..request(&root, 2)
        });
        let whole = run(&request(&root, 3));
        assert_eq!(below(&partly, "a"), below(&before, "a"), "taken over");
        for fresh in ["b", "c", "d"] {
            assert_eq!(below(&partly, fresh), below(&whole, fresh), "{fresh}");
        }
        assert_eq!(partly.header().totals.entries, whole.header().totals.entries - 1);
        assert_eq!(partly.finished_tops(), [b"a", b"b", b"d"]);
        let started = |index: &Index| index.header().start.started;
        assert_eq!(started(&partly), started(&before), "as old as its oldest part");
        assert!(partly.header().recounted && partly.header().complete);
        assert!(!request(&root, 2).parts.exists());
    }

    #[test]
    fn other_rules_and_other_folders_are_not_joined() {
        let scratch = tempfile::tempdir().unwrap();
        let (root, other) = (scratch.path().join("source"), scratch.path().join("other"));
        fs::create_dir_all(root.join("a")).unwrap();
        fs::create_dir_all(other.join("a")).unwrap();
        let before = Arc::new(run(&request(&root, 1)));
        let only = || {
            let again = [b"a".to_vec()].into();
            let before = Arc::clone(&before);
            Some(Only { before, again })
        };
        let rules = ScanRequest {
            rules: "others".into(),
            only: only(),
            ..request(&root, 2)
        };
        let folder = ScanRequest {
            only: only(),
            ..request(&other, 2)
        };
        for wrong in [rules, folder] {
            let refused = scan(&wrong, &|_| {}, &|| false).map(|_| ()).unwrap_err();
            assert_eq!(refused.code, "scan-not-joinable");
            assert!(!wrong.index.exists());
        }
    }
}
