//! What is asked, what may be pasted, and what the sentences of hazards claim.

use super::*;
use crate::survey::exclude::literal;
use crate::survey::leave_open;

/// A folder whose name is no UTF-8 is left out by the pattern offered for it; no settings file can
/// hold the byte itself.
#[test]
fn the_pattern_offered_for_a_folder_leaves_out_that_folder() {
    let names: [&[u8]; 5] = [
        b"@bad\xff",
        b"@a[b]*?\\",
        b"@nl\nx",
        "@\u{202e}gnp".as_bytes(),
        b"#ok",
    ];
    for name in names {
        let path = RelPath::new(name).unwrap();
        let rules = ExcludeRules {
            names: vec![literal(&path)],
            ..ExcludeRules::default()
        };
        let exclude = Exclude::new(rules, 1).unwrap();
        assert!(
            exclude.rule_for_path(&path, EntryKind::Directory).is_some(),
            "{path}"
        );
        assert!(
            exclude
                .rule_for_path(&path_of(b"@other"), EntryKind::Directory)
                .is_none()
        );
    }
}

fn path_of(name: &[u8]) -> RelPath {
    RelPath::new(name).unwrap()
}

/// What a terminal would obey is nowhere in the lines, and a TOML reader takes every one of them.
#[test]
fn lines_to_paste_hold_no_unseen_character() {
    let mut tree = Tree::default();
    tree.file("@\u{202e}gnp/x.txt", 1)
        .file("@\u{200b}\u{7}\"\\/x.txt", 1);
    let mut boundary = entry(EntryKind::Directory);
    boundary.error = Some(BOUNDARY.into());
    tree.put("acorn/\u{202e}sub", boundary);
    let survey = tree.survey();
    assert_eq!(survey.questions.len(), 3);
    for question in &survey.questions {
        let odd = |c: char| crate::names::is_unseen(c) || (c.is_control() && c != '\n');
        assert!(!question.tag.contains(odd), "{:?}", question.tag);
        toml::from_str::<toml::Table>(&question.tag).unwrap();
    }
}

/// A year that is no more than a guess says so on its own line.
#[test]
fn a_guessed_year_says_where_it_comes_from() {
    let mut tree = Tree::default();
    for project in ["acorn", "birch", "cedar"] {
        for n in 0..8 {
            tree.file(format!("{project}/C{n}.MOV"), 1000 + n);
        }
    }
    let tag = &tree.survey().questions[0].tag;
    assert!(
        tag.contains("year = 2019   # its oldest time, which may be a copy's\n"),
        "{tag}"
    );
}

/// Answered questions take their projects out of the hazards that point to them.
#[test]
fn hazards_count_what_is_still_asked() {
    let mut tree = Tree::default();
    tree.file("@one/x.txt", 1)
        .file("@two/x.txt", 1)
        .file("acorn/x.txt", 1);
    let mut survey = tree.survey();
    assert_eq!(count(&survey, Sort::DoubtfulProject), 2);
    assert_eq!(
        survey
            .hazards
            .iter()
            .filter(|h| h.effect == Effect::Blocks)
            .count(),
        0,
        "such folders are moved"
    );
    survey.questions.retain(|q| q.project.name() == "@two");
    leave_open(&mut survey);
    let left = survey
        .hazards
        .iter()
        .find(|h| h.kind == "doubtful-project")
        .unwrap();
    assert_eq!((left.count, &left.examples[..]), (1, &[path("@two")][..]));
    survey.questions.clear();
    leave_open(&mut survey);
    assert_eq!(count(&survey, Sort::DoubtfulProject), 0);
}

/// One file without blocks says nothing of the others.
#[test]
fn a_mount_that_tells_blocks_of_small_files_tells_them() {
    let mut tree = Tree::default();
    let sized = |size, allocated| {
        let mut one = entry(EntryKind::File);
        (one.size, one.allocated) = (Bytes(size), Bytes(allocated));
        one
    };
    tree.put("a/hole.mov", sized(5 << 20, 0))
        .put("a/small.txt", sized(100, 4096));
    let words = |tree: &Tree| {
        let survey = tree.survey();
        let found = survey.hazards.into_iter().find(|h| h.kind == "nothing-allocated");
        found.unwrap().words
    };
    assert!(words(&tree).starts_with("The mount reports no stored blocks for a file"));
    tree.put("a/small.txt", sized(100, 0));
    assert!(words(&tree).contains("for any file"));
}

/// One example for each file that is counted, in however many projects it has names.
#[test]
fn a_file_linked_into_many_projects_is_one_example() {
    let mut tree = Tree::default();
    for project in ["a", "b", "c", "d"] {
        let mut one = entry(EntryKind::File);
        (one.inode, one.links) = (7, 4);
        tree.put(format!("{project}/x"), one);
    }
    let survey = tree.survey();
    let across = survey
        .hazards
        .iter()
        .find(|h| h.kind == "hard-link-across-projects")
        .unwrap();
    assert_eq!((across.count, across.examples.len()), (1, 1));
}

/// Unsaved work beside a document is a sign of use, as locks are (hazard O2).
#[test]
fn autosave_files_show_use() {
    let mut tree = Tree::default();
    tree.file("a/cut.doc.autosave", 1)
        .file("a/.notes.txt.swp", 1)
        .file("a/page.swp", 1);
    assert_eq!(count(&tree.survey(), Sort::LooksInUse), 2);
}
