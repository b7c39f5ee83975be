//! Exclusions, membership and the names of projects.

use super::*;

#[test]
fn one_matcher_serves_names_and_paths() {
    let rules = ExcludeRules {
        names: vec![
            "*.tmp".into(),
            "/acorn/proxy".into(),
            "**/cache/*.b?".into(),
            "[a-c]x".into(),
            "[!a]y".into(),
        ],
        ..ExcludeRules::default()
    };
    let exclude = Exclude::new(rules, 1).unwrap();
    let rule = |p: &str, kind| exclude.rule_for_path(&path(p), kind).map(str::to_string);
    let file = |p| rule(p, EntryKind::File);
    assert_eq!(file("acorn/a.tmp").as_deref(), Some("*.tmp"));
    assert_eq!(file("acorn/a.tmpx"), None);
    assert_eq!(file("acorn/proxy/b/c.mov").as_deref(), Some("/acorn/proxy"));
    assert_eq!(file("birch/acorn/proxy/c"), None);
    assert_eq!(file("a/b/cache/z.bc").as_deref(), Some("**/cache/*.b?"));
    assert_eq!(file("cache/z.bc").as_deref(), Some("**/cache/*.b?"));
    assert_eq!(file("bx").as_deref(), Some("[a-c]x"));
    assert_eq!((file("dx"), file("ay")), (None, None));
    assert_eq!(file("acorn/.zfs/x").as_deref(), Some("snapshots"));
    assert_eq!(
        file("acorn/@x"),
        None,
        "a file is never left out for its first character"
    );
    assert_eq!(
        rule("acorn/@x", EntryKind::Directory).as_deref(),
        Some("thumbnails")
    );
    assert!(exclude.never_enter(b".snapshot") && !exclude.never_enter(b"#recycle"));
    for bad in ["", "/", "[a", "a\\"] {
        let rules = ExcludeRules {
            names: vec![bad.into()],
            ..ExcludeRules::default()
        };
        assert_eq!(Exclude::new(rules, 1).unwrap_err().code, "bad-pattern", "{bad:?}");
    }
}

#[test]
fn a_question_mark_stands_for_one_character_or_one_stray_byte() {
    let rules = ExcludeRules {
        names: vec!["caf?".into()],
        ..ExcludeRules::default()
    };
    let exclude = Exclude::new(rules, 1).unwrap();
    for name in ["café".as_bytes(), b"caf\xe9", b"cafe"] {
        assert!(
            exclude
                .rule_for(&RelPath::root(), name, EntryKind::File)
                .is_some()
        );
    }
    assert!(
        exclude
            .rule_for(&RelPath::root(), b"cafes", EntryKind::File)
            .is_none()
    );
}

#[test]
fn project_names_are_read_back_and_mistyped_ones_get_the_nearest() {
    let keys = [
        ProjectKey::Folder(path("2019 acorn")),
        ProjectKey::Folder(RelPath::new(b"caf\xe9".to_vec()).unwrap()),
        ProjectKey::Loose(Some(Year(2017))),
        ProjectKey::Loose(None),
    ];
    for key in &keys {
        assert_eq!(ProjectKey::lookup(&key.name(), &keys), Ok(key));
    }
    assert_eq!(ProjectKey::parse_loose("loose-2017"), Some(keys[2].clone()));
    assert_eq!(ProjectKey::parse_loose("loose-ends"), None);
    let error = ProjectKey::lookup("2019 acron", &keys).unwrap_err();
    assert!(
        error
            .mend
            .unwrap()
            .starts_with("The nearest names are: 2019 acorn")
    );
}

proptest! {
    /// Every file is in exactly one project, and its path goes in and back.
    #[test]
    fn paths_inside_a_project_go_back_to_the_source(parts in prop::collection::vec("[a-d]{1,3}", 1..6), depth in 1usize..4) {
        let whole = path(&parts.join("/"));
        let (folder, name) = whole.split().unwrap();
        let child = Named { name: name.to_vec(), entry: entry(EntryKind::File) };
        let membership = Membership::new(depth, chrono_tz::UTC, now());
        match membership.owner(&folder, &child) {
            Owner::Project(key) => {
                let inside = key.inside(&whole).unwrap();
                prop_assert_eq!(key.at_source(&inside), whole.clone());
                prop_assert_eq!(matches!(key, ProjectKey::Loose(_)), parts.len() <= depth);
            }
            Owner::Above => prop_assert!(false, "a file always has a project"),
        }
    }
}
