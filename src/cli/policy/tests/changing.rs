//! One tag set, with everything else left as it is.

use super::*;
use crate::plan::{Match, Tag};
use proptest::prelude::*;

fn set(text: &str, project: &str, key: &str, value: &str) -> String {
    let after = add_tag(text, project, None, (key, value)).unwrap_or_else(|t| panic!("{}\n{text}", t.text));
    accepted(&after);
    after
}

fn projects(tag: &Tag) -> Vec<String> {
    match &tag.matches {
        Match::Projects(names) => names.clone(),
        Match::Pattern(_) | Match::All => Vec::new(),
    }
}

#[test]
fn a_tag_is_set_before_the_others_and_comments_stay() {
    let text = format!("# mine\n{SMALLEST}[[tag]] # every year\nmatch = '^20'\nhold = true\n");
    let once = set(&text, "2019 Lantern", "year", "2018");
    let twice = set(&once, "2019 Lantern", "kind", "video");
    assert!(
        twice.contains("# mine") && twice.contains("# every year"),
        "{twice}"
    );
    let settings = accepted(&twice);
    assert_eq!(settings.tags.len(), 2, "{twice}");
    assert_eq!(projects(&settings.tags[0]), ["2019 Lantern"]);
    assert_eq!(settings.tags[0].year.as_deref(), Some("2018"));
    assert_eq!(settings.tags[0].kind.as_deref(), Some("video"));
    assert!(settings.tags[0].hold && settings.tags[1].hold);
}

#[test]
fn a_value_is_replaced_in_its_place_and_the_comment_behind_it_stays() {
    let text =
        format!("{SMALLEST}[[tag]]\nprojects = [\"a\"]\nyear = 2018 # says Mara\n# kind = \"x\"\n\n[plan]\n");
    let wanted = text.replace("2018", "2019");
    assert_eq!(set(&text, "a", "year", "2019"), wanted);
}

#[test]
fn setting_one_key_changes_one_key() {
    let rules = "[[tag]]\nmatch = '^(?P<year>20\\d\\d) (?P<who>[a-z]+)'\ngroup = \"${who}\"\ndataset = \"all-$year\"\n\
                 order = 3\n[[tag]]\nprojects = [\"2019 lantern\"]\nyear = 1999\n";
    let after = accepted(&set(
        &format!("{SMALLEST}{rules}"),
        "2019 lantern",
        "hold",
        "true",
    ));
    let tag = &after.tags[0];
    assert_eq!(projects(tag), ["2019 lantern"]);
    assert_eq!(tag.year.as_deref(), Some("2019"), "the tag behind never decided");
    assert_eq!(
        (tag.group.as_deref(), tag.dataset.as_deref()),
        (Some("lantern"), Some("all-2019"))
    );
    assert_eq!((tag.order, tag.hold), (Some(3), true));
    // The same out of a tag for several projects, which keeps the others.
    let after = set(
        &format!("{SMALLEST}[[tag]]\nprojects = [\"a\", \"b\"]\nyear = 2001\n"),
        "a",
        "kind",
        "k",
    );
    let after = accepted(&after);
    assert_eq!(
        (projects(&after.tags[0]), projects(&after.tags[1])),
        (vec!["a".into()], vec!["a".into(), "b".into()])
    );
    assert_eq!(
        (after.tags[0].year.as_deref(), after.tags[1].kind.as_deref()),
        (Some("2001"), None)
    );
}

#[test]
fn commented_keys_keep_their_table() {
    let start = Start {
        sources: vec![("old".into(), std::path::Path::new("/mnt/old"))],
        to: std::path::Path::new("/mnt/pool"),
        link: None,
        zone: chrono_tz::UTC,
    };
    let text = template(&start).unwrap();
    let once = set(&text, "Harbour", "year", "2019");
    assert!(
        once.starts_with(&text),
        "the tag stands behind everything else\n{once}"
    );
    let twice = set(&once, "Lantern", "year", "2020");
    assert!(twice.starts_with(&text), "{twice}");
    assert_eq!(accepted(&twice).tags.len(), 2);
    // A key taken into force afterwards is one of its own table still.
    let open = twice
        .replace("# waiting-days = 28", "waiting-days = 30")
        .replace("# flat", "flat");
    let open = open
        .replace("# [view]", "[view]")
        .replace("# order = \"oldest", "order = \"oldest");
    assert_eq!(accepted(&open).waiting_days, 30);
}

#[test]
fn a_comment_directly_above_a_tag_stays_with_it() {
    let text = format!(
        "{SMALLEST}\n[plan]\nby = \"year\"\n# batch-max = \"1 TB\"\n\n# all of Mara's\n[[tag]]\nmatch = 'm'\n"
    );
    let after = set(&text, "a", "year", "2019");
    let wanted =
        "# batch-max = \"1 TB\"\n\n[[tag]]\nprojects = [\"a\"]\nyear = 2019\n\n# all of Mara's\n[[tag]]\n";
    assert!(after.contains(wanted), "{after}");
}

#[test]
fn a_file_without_a_last_line_end_is_no_trouble() {
    for end in ["", "\n", "# note", "\n\n# note\n\n"] {
        let text = format!("{}{end}", SMALLEST.trim_end());
        let after = set(&text, "new\nline \"x\"", "as", "plain");
        assert_eq!(after.contains("# note"), end.contains("# note"));
        assert_eq!(projects(&accepted(&after).tags[0]), ["new\nline \"x\""]);
    }
}

#[test]
fn what_a_tag_cannot_have_is_refused() {
    let wrong = [
        ("year", "soon"),
        ("year", "1899"),
        ("year", "2101"),
        ("hold", "yes"),
        ("color", "red"),
        ("match", "x"),
        ("order", "first"),
        ("kind", " "),
        ("as", "../x"),
        ("pool", "tank"),
    ];
    for (key, value) in wrong {
        let trouble = add_tag(SMALLEST, "p", None, (key, value)).expect_err(key);
        assert_eq!(trouble.code, "bad-tag", "{key}");
        assert!(
            trouble.text.starts_with(&format!("{key}={value}: ")),
            "{}",
            trouble.text
        );
        assert!(
            trouble.mend.is_some() && !trouble.text.contains("move.toml"),
            "{}",
            trouble.text
        );
    }
    assert_eq!(
        add_tag("x = = 1", "p", None, ("year", "2019")).unwrap_err().code,
        "settings"
    );
    let inline = format!("tag = [{{ projects = [\"p\"], year = 2019 }}]\n{SMALLEST}");
    assert_eq!(
        add_tag(&inline, "p", None, ("year", "2018")).unwrap_err().code,
        "settings"
    );
}

/// Tables of a file in any order, each with comments and some with keys that are commented out.
fn piece() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "[[tag]]\nprojects = [\"a\"]\nyear = 2001 # c1\n",
        "\n# c2\n[[tag]] # c3\nprojects = [\"a\", \"b\"]\nkind = \"k\"\n# c4\n\n",
        "[[tag]]\nmatch = '^(?P<year>20)?a'\norder = 2\n# hold = true\n",
        "# c5\n\n[[tag]]\nmatch = 'b'\n",
        "[[window]]\ndays = \"mon\"\nfrom = \"19:00\"\nuntil = \"07:00\"\n# rate-limit = \"1 Gbit/s\"\n",
        "\n[[source]]\n# c6\nname = \"extra\"\npath = \"/mnt/extra\"\n",
    ])
}

proptest! {
    /// Oracle: the tags as lists. The new or changed one decides about its project, all others are
    /// as before and in their order, and no comment is lost.
    #[test]
    fn a_set_tag_decides_and_nothing_else_changes(
        pieces in prop::collection::vec(piece(), 0..6),
        project in prop::sample::select(vec!["a", "b", "c"]),
        key in prop::sample::select(vec![("year", "2019"), ("hold", "true"), ("group", "g"), ("order", "7")]),
    ) {
        let text = format!("# top\n{SMALLEST}{}# end\n", pieces.concat());
        prop_assume!(parse(&text).is_ok());
        let before = accepted(&text);
        let after_text = set(&text, project, key.0, key.1);
        let after = accepted(&after_text);
        let told: Vec<String> = after.tags.iter().map(|tag| format!("{tag:?}")).collect();
        let known: Vec<String> = before.tags.iter().map(|tag| format!("{tag:?}")).collect();
        let decides = |tag: &&Tag| match &tag.matches {
            Match::Projects(names) => names.iter().any(|name| name == project),
            Match::All => false,
            Match::Pattern(pattern) => pattern.as_str().trim_start_matches("^(?P<year>20)?") == project,
        };
        let tag = after.tags.iter().find(decides).expect("a tag decides");
        let value = match key.0 {
            "year" => tag.year.clone(),
            "hold" => Some(tag.hold.to_string()),
            "group" => tag.group.clone(),
            _ => tag.order.map(|order| order.to_string()),
        };
        prop_assert_eq!(value.as_deref(), Some(key.1), "{}", after_text);
        prop_assert_eq!(projects(tag), [project]);
        if told.len() == known.len() {
            let changed = (0..told.len()).filter(|at| told[*at] != known[*at]).count();
            prop_assert!(changed <= 1, "{}", after_text);
        } else {
            prop_assert_eq!(&told[1..], &known[..], "{}", after_text);
        }
        for line in text.lines().filter_map(|line| line.split_once('#')).map(|(_, comment)| comment) {
            prop_assert_eq!(after_text.matches(line).count(), text.matches(line).count(), "{}", after_text);
        }
        prop_assert_eq!(set(&after_text, project, key.0, key.1), after_text.clone(), "twice is once");
        let (mut rest, mut same) = (after, before);
        (rest.tags, same.tags) = (Vec::new(), Vec::new());
        prop_assert_eq!(all(&rest), all(&same));
    }
}
