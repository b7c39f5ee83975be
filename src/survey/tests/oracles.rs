//! Detectors held against oracles of another shape, and a whole held against its parts.

use super::*;
use caseless::Caseless;
use unicode_normalization::UnicodeNormalization;

/// Where a path leads in a tree, by recursion over whole paths and no memory of links.
#[derive(Debug, PartialEq)]
enum Led {
    There,
    Nowhere,
    Above,
    Full,
    Round,
}

fn lead(tree: &Tree, at: &[Vec<u8>], rest: &[Vec<u8>], hops: u32) -> Led {
    let Some((part, rest)) = rest.split_first() else {
        return Led::There;
    };
    if part == b".." {
        return match at.split_last() {
            None => Led::Above,
            Some((_, above)) => lead(tree, above, rest, hops),
        };
    }
    let next = [at, std::slice::from_ref(part)].concat();
    match tree.entries.get(&next) {
        None => Led::Nowhere,
        Some(e) if e.kind != EntryKind::Symlink => lead(tree, &next, rest, hops),
        Some(_) if hops == 40 => Led::Round,
        Some(e) => {
            let target = e.target.as_deref().unwrap();
            if target.starts_with(b"/") {
                return Led::Full;
            }
            let parts = target.split(|b| *b == b'/').map(<[u8]>::to_vec);
            let all: Vec<Vec<u8>> = parts.chain(rest.iter().cloned()).collect();
            lead(tree, at, &all, hops + 1)
        }
    }
}

proptest! {
    /// Only folders stand before a slash here: what a file followed by `..` means is not asked.
    #[test]
    fn links_lead_where_a_naive_walk_leads(
        links in prop::collection::btree_map("[ab]/[p-t]", "(\\.\\./){0,2}([ab]|[ab]/d|[ab]/[p-t]|[p-t]|d/f|d/none|/x)", 1..8),
    ) {
        let mut tree = Tree::default();
        tree.file("a/d/f", 1).file("b/d/f", 1);
        for (link, target) in &links {
            tree.link(link, &target.replace("//", "/"));
        }
        let mut wanted = BTreeMap::new();
        for (path, _) in tree.entries.iter().filter(|(_, e)| e.kind == EntryKind::Symlink) {
            let sort = match lead(&tree, &[], path, 0) {
                Led::There => continue,
                Led::Nowhere => Sort::SymlinkBroken,
                Led::Above => Sort::SymlinkOutside,
                Led::Round => Sort::SymlinkLoop,
                Led::Full => continue,
            };
            *wanted.entry(sort).or_insert(0u64) += 1;
        }
        let survey = tree.survey();
        for sort in [Sort::SymlinkBroken, Sort::SymlinkOutside, Sort::SymlinkLoop] {
            prop_assert_eq!(count(&survey, sort), wanted.get(&sort).copied().unwrap_or(0), "{}", sort.kind());
        }
    }

    /// The oracle folds every pair of names with the library's own comparison.
    #[test]
    fn collisions_are_those_of_every_pair(names in prop::collection::btree_set("[aAkKsSßẞſKΣςσéÉ\u{301}\u{212b}åÅ]{1,3}", 1..9)) {
        let mut tree = Tree::default();
        for name in &names {
            tree.file(format!("p/{name}"), 1);
        }
        let same = |a: &String, b: &String| a != b && a.nfc().eq(b.nfc());
        let alike = |a: &String, b: &String| a != b && a.chars().canonical_caseless_match(b.chars());
        let forms = names.iter().filter(|a| names.iter().any(|b| same(a, b))).count() as u64;
        let cases = names
            .iter()
            .filter(|a| !names.iter().any(|b| same(a, b)) && names.iter().any(|b| alike(a, b)))
            .count() as u64;
        let survey = tree.survey();
        prop_assert_eq!(count(&survey, Sort::NameNormalization), forms);
        prop_assert_eq!(count(&survey, Sort::NameCase), cases);
    }

    /// The three limits by encoding the name in full.
    #[test]
    fn limits_of_names_are_those_of_their_encodings(letter in prop::sample::select(vec!['a', 'é', '資', '🎞']), length in 1usize..300) {
        let name: String = std::iter::repeat_n(letter, length).collect();
        let mut tree = Tree::default();
        tree.file(format!("p/{name}"), 1);
        let survey = tree.survey();
        let bytes = name.len();
        let units = name.encode_utf16().collect::<Vec<u16>>().len();
        let decomposed = name.nfd().collect::<String>().len();
        prop_assert_eq!(count(&survey, Sort::NameTooLong), u64::from(bytes > 255));
        prop_assert_eq!(count(&survey, Sort::NameNearLimit), u64::from((241..=255).contains(&bytes)));
        prop_assert_eq!(count(&survey, Sort::NameUtf16), u64::from(units > 255));
        prop_assert_eq!(count(&survey, Sort::NameGrows), u64::from(bytes <= 255 && decomposed > 255));
        prop_assert_eq!(count(&survey, Sort::NameEncrypted), u64::from(bytes == 143));
    }

    /// The survey of a tree is the sum of the surveys of its projects.
    #[test]
    fn a_whole_is_the_sum_of_its_projects(files in prop::collection::btree_map("[a-d]/([x-z]/){0,2}[m-o]\\.(mov|txt|pek)", 0u64..1_000_000, 1..20)) {
        let mut whole = Tree::default();
        let mut parts: BTreeMap<&str, Tree> = BTreeMap::new();
        for (path, size) in &files {
            whole.file(path, *size);
            parts.entry(&path[..1]).or_default().file(path, *size);
        }
        let survey = whole.survey();
        let parts: Vec<Survey> = parts.values().map(Tree::survey).collect();
        let sum = crate::survey::together(&parts);
        prop_assert_eq!(parts.iter().map(|p| p.counts.files).sum::<Amount>(), survey.counts.files);
        prop_assert_eq!(&sum.sizes, &survey.sizes);
        prop_assert_eq!(&sum.kinds, &survey.kinds);
        for (part, project) in parts.iter().zip(&survey.projects) {
            prop_assert_eq!(part.projects[0].amount, project.amount);
            prop_assert_eq!(&part.projects[0].kinds, &project.kinds);
            prop_assert_eq!(part.projects[0].others, project.others);
        }
        prop_assert_eq!(count(&survey, Sort::CacheMedia), parts.iter().map(|p| count(p, Sort::CacheMedia)).sum::<u64>());
    }

    /// Reading escapes undoes writing them.
    #[test]
    fn escapes_are_read_back(name in prop::collection::vec(1u8..=255, 1..20)) {
        use crate::survey::hazards::names::unescaped;
        let escaped: Vec<u8> = name.iter().flat_map(|b| format!(":{b:02x}").into_bytes()).collect();
        prop_assert_eq!(unescaped(&escaped), name);
    }
}

/// Several sources give one row a year, a kind and a size.
#[test]
fn rows_of_several_sources_are_summed() {
    let mut first = Tree::default();
    first
        .file("2019-03-04 acorn/a.mov", 100)
        .file("2019-03-04 acorn/b.wav", 5);
    let mut second = Tree::default();
    second
        .file("2019-05-06 birch/a.mov", 120)
        .file("2018-05-06 cedar/a.mov", 7);
    let sum = crate::survey::together(&[first.survey(), second.survey()]);
    let years: Vec<_> = sum
        .years
        .iter()
        .map(|y| (y.year.unwrap().0, y.projects, y.amount.bytes.0))
        .collect();
    assert_eq!(years, [(2018, 1, 7), (2019, 2, 225)]);
    let kinds: Vec<_> = sum.kinds.iter().map(|(kind, a)| (kind.word(), a.files)).collect();
    assert_eq!(kinds, [("video", 3), ("audio", 1)]);
    assert_eq!(
        sum.sizes.slices().count(),
        2,
        "100 and 120 share a slice, 5 and 7 another"
    );
}

/// Rows of CaseFolding-15.0.0.txt and NormalizationTest-15.0.0.txt (Unicode).
#[test]
fn published_rows_of_folding_and_normal_forms() {
    let folds = |a: &str, b: &str| {
        crate::survey::hazards::siblings::fold(a.as_bytes())
            == crate::survey::hazards::siblings::fold(b.as_bytes())
    };
    for (a, b) in [
        ("\u{df}", "ss"),
        ("\u{1e9e}", "ss"),
        ("\u{130}", "i\u{307}"),
        ("I", "i"),
        ("\u{17f}", "s"),
        ("\u{212a}", "k"),
        ("\u{212b}", "\u{e5}"),
        ("\u{2126}", "\u{3c9}"),
        ("\u{3a3}", "\u{3c3}"),
        ("\u{3c2}", "\u{3c3}"),
        ("\u{fb01}", "fi"),
        ("\u{149}", "\u{2bc}n"),
        ("\u{1f80}", "\u{1f00}\u{3b9}"),
        ("\u{b5}", "\u{3bc}"),
        ("\u{345}", "\u{3b9}"),
        ("\u{ab70}", "\u{13a0}"),
    ] {
        assert!(folds(a, b), "{a:?} {b:?}");
    }
    assert!(!folds("\u{131}", "i") && !folds("\u{131}", "I"));
    for (source, nfc, nfd) in [
        ("\u{212b}", "\u{c5}", "A\u{30a}"),
        ("\u{c5}", "\u{c5}", "A\u{30a}"),
        ("\u{2126}", "\u{3a9}", "\u{3a9}"),
        ("\u{1e0a}\u{323}", "\u{1e0c}\u{307}", "D\u{323}\u{307}"),
        ("\u{344}", "\u{308}\u{301}", "\u{308}\u{301}"),
        ("\u{958}", "\u{915}\u{93c}", "\u{915}\u{93c}"),
        ("\u{ac00}", "\u{ac00}", "\u{1100}\u{1161}"),
        ("\u{fa0c}", "\u{5140}", "\u{5140}"),
        ("\u{1e69}", "\u{1e69}", "s\u{323}\u{307}"),
    ] {
        for (a, b) in [(source, nfc), (source, nfd), (nfc, nfd)] {
            let mut tree = Tree::default();
            tree.file(format!("p/{a}"), 1).file(format!("p/{b}"), 1);
            let wanted = if a == b { 0 } else { 2 };
            assert_eq!(
                count(&tree.survey(), Sort::NameNormalization),
                wanted,
                "{a:?} {b:?}"
            );
        }
    }
}
