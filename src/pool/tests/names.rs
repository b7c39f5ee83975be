//! Names against what a real OpenZFS accepted.

use crate::pool::names::{SLUG_MAX, check_dataset, check_pool, slug};
use proptest::prelude::*;

/// `\xNN` back to bytes.
fn unescaped(text: &str) -> Vec<u8> {
    let mut out = Vec::new();
    let mut rest = text;
    while let Some(at) = rest.find("\\x") {
        out.extend_from_slice(&rest.as_bytes()[..at]);
        out.push(u8::from_str_radix(&rest[at + 2..at + 4], 16).unwrap());
        rest = &rest[at + 4..];
    }
    out.extend_from_slice(rest.as_bytes());
    out
}

/// The full name that was tried in a row of `names.tsv`: long ones are shortened there.
fn tried(kind: &str, component: &str, bytes: usize, full: usize, depth: usize) -> Vec<u8> {
    let name = match kind {
        "empty" => Vec::new(),
        _ if component.contains("...(") => [b"t/".to_vec(), vec![b'x'; bytes]].concat(),
        _ if kind.starts_with("depth") => [b"t".to_vec(), b"/a".repeat(depth - 1)].concat(),
        "fullpath" => {
            let middle = full - bytes - 3;
            [
                b"t/".to_vec(),
                vec![b'y'; middle],
                b"/".to_vec(),
                vec![b'z'; bytes],
            ]
            .concat()
        }
        _ => [b"t/".to_vec(), unescaped(component)].concat(),
    };
    assert_eq!(
        name.len(),
        if kind.starts_with("parent") {
            name.len()
        } else {
            full
        },
        "{kind} {component}"
    );
    name
}

/// Measured on OpenZFS 2.3.2, `fixtures/zfs/names.tsv`.
#[test]
fn dataset_names_agree_with_every_measured_row() {
    let table = include_str!("../../../fixtures/zfs/names.tsv");
    let mut rows = 0;
    for line in table.lines().skip(1) {
        let f: Vec<&str> = line.split('\t').collect();
        let n = |i: usize| f[i].parse::<usize>().unwrap();
        // Refused for want of a parent, not for its name.
        if f[0] == "parent-missing" {
            continue;
        }
        let name = tried(f[0], f[1], n(2), n(3), n(4));
        assert_eq!(check_dataset(&name).is_ok(), f[5] == "yes", "{line}");
        rows += 1;
    }
    assert!(rows >= 175, "{rows}");
}

/// Measured on OpenZFS 2.3.2, `fixtures/zfs/pool_names.tsv`.
#[test]
fn pool_names_agree_with_every_measured_row() {
    let table = include_str!("../../../fixtures/zfs/pool_names.tsv");
    for line in table.lines().skip(1) {
        let f: Vec<&str> = line.split('\t').collect();
        let bytes: usize = f[1].parse().unwrap();
        let name = if f[0].contains("...(") {
            vec![b'x'; bytes]
        } else {
            unescaped(f[0])
        };
        assert_eq!(name.len(), bytes, "{line}");
        assert_eq!(check_pool(&name).is_ok(), f[2] == "yes", "{line}");
    }
}

#[test]
fn slugs_read_like_the_names_they_stand_for() {
    for (name, slug_of_it) in [
        ("2019", "2019"),
        ("2019-03-04 Müller & Söhne", "2019-03-04_Muller_Sohne"),
        ("Straße nach Ærø", "Strasse_nach_AEro"),
        ("  (old) café  ", "old_cafe"),
        ("-rf", "rf"),
        (".hidden", "hidden"),
        ("client: spot #3", "client:_spot_3"),
        ("cafe\u{301}", "cafe"),
    ] {
        assert_eq!(slug(name.as_bytes()), slug_of_it);
    }
    assert_ne!(slug("東京".as_bytes()), slug("大阪".as_bytes()));
    assert!(slug(b"").starts_with("folder-"));
    assert!(slug(b"...").starts_with("folder-"));
    assert!(slug(b"caf\xe9 2019").starts_with("caf_2019-"));
}

proptest! {
    #[test]
    fn every_name_has_a_legal_slug(name in prop::collection::vec(any::<u8>(), 0..300)) {
        let slug = slug(&name);
        prop_assert!(!slug.is_empty() && slug.len() <= SLUG_MAX, "{}", slug);
        prop_assert!(check_dataset(format!("pool/{slug}").as_bytes()).is_ok(), "{}", slug);
        prop_assert!(!slug.starts_with(['-', '.', ' ']) && !slug.ends_with(' '));
    }

    #[test]
    fn every_text_has_a_legal_slug_that_is_its_own(name in "\\PC{0,120}") {
        let first = slug(name.as_bytes());
        prop_assert!(check_dataset(format!("pool/{first}").as_bytes()).is_ok(), "{}", first);
        prop_assert_eq!(slug(first.as_bytes()), first);
    }

    #[test]
    fn no_name_makes_the_checks_panic(name in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = (check_dataset(&name), check_pool(&name));
    }
}
