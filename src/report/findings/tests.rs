//! Within eighty columns, no word lost.

use super::*;
use crate::moment::Year;
use crate::survey::Growth;
use proptest::prelude::*;

fn hazard(effect: Effect, count: u64, examples: &[&str]) -> Hazard {
    Hazard {
            kind: "name-odd",
            effect,
            count,
            examples: examples.iter().map(|e| RelPath::new(*e).unwrap()).collect(),
            words: "The name is odd in a way that takes more than one line to tell, and so it is told in two: it is moved."
                .into(),
        }
}

#[test]
fn hazards_are_told_within_eighty_columns() {
    let long = format!("acorn/{}", "x".repeat(200));
    let rows = [
        hazard(Effect::Blocks, 1, &[&long]),
        hazard(Effect::Untidy, 1_204, &["a/b", "a/c"]),
    ];
    let text = hazards(&rows, Effect::Blocks, false).unwrap();
    assert!(text.lines().all(|line| display_width(line) <= COLUMNS), "{text}");
    insta::assert_snapshot!(hazards(&rows, Effect::Untidy, true).unwrap(), @r"
        Untidy: worth knowing, nothing is lost
          name-odd (1,204)
            The name is odd in a way that takes more than one line to tell, and so it is
            told in two: it is moved.
              a/b
              a/c
              and 1,202 more
        ");
    let whole = hazards(&rows, Effect::Blocks, true).unwrap();
    assert!(whole.contains(&long), "asked for, an example is written out");
    assert!(hazards(&rows, Effect::Loses, true).is_none());
}

#[test]
fn growth_says_its_range_and_what_was_left_out() {
    let grown = Grown {
        growth: Some(Growth {
            low: Bytes(3_000_000_000_000),
            likely: Bytes(4_100_000_000_000),
            high: Bytes(5_000_000_000_000),
        }),
        span: Some((Year(2015), Year(2025))),
        purged: vec![Year(2017), Year(2019)],
    };
    insta::assert_snapshot!(growth(&grown, Bytes(20_000_000_000)), @r"
        The archive grows by 4.10 TB a year, in nine cases of ten between 3.00 TB and
        5.00 TB, by the years 2015 to 2025; the first year and the current one are not
        whole and left out. 20.0 GB without a year are not counted. 2017 and 2019 hold
        next to nothing and may have been cleared out since: then more came in than is
        left, and growth is understated.
        ");
    let none = Grown {
        growth: None,
        span: None,
        purged: Vec::new(),
    };
    assert!(growth(&none, Bytes(1)).contains("cannot be told"));
}

proptest! {
    /// Wrapping loses no word and adds none, and only a lone word passes the edge.
    #[test]
    fn wrapping_keeps_every_word(text in "[a-zé資 ]{0,200}", columns in 10usize..90, indent in 0usize..8) {
        let out = wrapped(&text, columns, indent);
        let words = |t: &str| t.split([' ', '\n']).filter(|w| !w.is_empty()).map(String::from).collect::<Vec<_>>();
        prop_assert_eq!(words(&out), words(&text));
        for line in out.lines() {
            prop_assert!(display_width(line) <= columns || words(line).len() == 1, "{}", line);
        }
    }

    #[test]
    fn a_cut_path_keeps_its_ends_and_fits(name in "[a-z資]{1,120}", columns in 5usize..80) {
        let path = RelPath::new(name.clone()).unwrap();
        let cut = path_within(&path, columns);
        prop_assert!(display_width(&cut) <= columns);
        if display_width(&name) <= columns {
            prop_assert_eq!(cut, name);
        }
    }
}
