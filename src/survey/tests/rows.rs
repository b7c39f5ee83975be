//! The rows of the project's list of hazards, parts A to G, each met on purpose or with the reason
//! why a list of names and facts cannot tell it.

mod files;
mod names;

use super::*;
use crate::survey::Sample;
use Answer::{Found, Not, Rule};

/// What answers a row.
enum Answer {
    /// Sorts that a tree shows, with their counts.
    Found(&'static [(Sort, u64)], fn(&mut Tree)),
    /// A rule of exclusion and the files it takes out.
    Rule(&'static str, u64, fn(&mut Tree)),
    /// An index cannot know; why, and who can.
    Not(&'static str),
}

type Rows = Vec<(&'static str, Answer)>;

/// How many rows each part has.
const PARTS: [(char, usize); 7] = [
    ('M', 12),
    ('N', 12),
    ('B', 5),
    ('X', 6),
    ('L', 6),
    ('O', 6),
    ('D', 9),
];

const GIB: u64 = 1 << 30;

fn with(change: impl FnOnce(&mut Entry)) -> Entry {
    let mut one = entry(EntryKind::File);
    change(&mut one);
    one
}

fn rows() -> Rows {
    [
        names::times(),
        names::forks_and_modes(),
        names::spelling(),
        names::lengths(),
        names::escapes_and_paths(),
        files::bundles_and_cards(),
        files::by_products(),
        files::links_and_holes(),
        files::open_files(),
        files::stamps(),
        files::projects(),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// A survey with the scan's time known and the headers that the names of samples ask for.
fn survey_of(tree: &Tree) -> Survey {
    let mut rules = SurveyRules::usual(SourceName("oldbox".into()), chrono_tz::UTC, now());
    rules.scanned = Some(now());
    let mut surveyor = Surveyor::new(rules);
    tree.listings().iter().for_each(|listing| surveyor.push(listing));
    if surveyor.wants_second_look() {
        tree.listings()
            .iter()
            .for_each(|listing| surveyor.push_again(listing));
    }
    let read = |sample: &Sample| {
        let text = match sample.path.lossy().as_str() {
            "a/corrected.mov" => "2019-03-04T10:00:00Z",
            "a/new-year.mov" => "2018-12-31T20:00:00Z",
            _ => return Ok::<_, ()>(None),
        };
        Ok(Some(HeaderDate {
            at: at(text),
            local: false,
            corrected: sample.path.lossy().contains("corrected"),
        }))
    };
    surveyor.read_headers(read).unwrap();
    surveyor.finish()
}

#[test]
fn every_row_is_found_or_has_its_reason() {
    let rows = rows();
    for (part, count) in PARTS {
        for number in 1..=count {
            let id = format!("{part}{number}");
            assert!(rows.iter().any(|(row, _)| *row == id), "{id} is answered nowhere");
        }
    }
    for (row, answer) in &rows {
        match answer {
            Found(sorts, build) => {
                let mut tree = Tree::default();
                build(&mut tree);
                let survey = survey_of(&tree);
                for (sort, wanted) in *sorts {
                    assert_eq!(count(&survey, *sort), *wanted, "{row} {}", sort.kind());
                }
            }
            Rule(rule, files, build) => {
                let mut tree = Tree::default();
                build(&mut tree);
                let survey = survey_of(&tree);
                let found = survey.excluded.iter().find(|one| one.rule == *rule);
                assert_eq!(found.map(|one| one.amount.files), Some(*files), "{row}");
            }
            Not(why) => assert!(why.len() > 40 && !why.ends_with('.'), "{row}"),
        }
    }
}

/// Sorts that answer no row: what cannot be read, what this mount hides, and what only slows down.
#[test]
fn every_sort_answers_a_row_or_is_known_to_answer_none() {
    let beside = [
        Sort::Unreadable,
        Sort::Boundary,
        Sort::ExcludedOriginals,
        Sort::HiddenByMount,
        Sort::NameWindows,
        Sort::NameInvisible,
        Sort::SymlinkUnknown,
        Sort::SetId,
        Sort::HashList,
        Sort::HugeFolder,
        Sort::SmallFiles,
        Sort::DoubtfulProject,
    ];
    let rows = rows();
    for sort in Sort::ALL {
        let answers = rows
            .iter()
            .any(|(_, answer)| matches!(answer, Found(sorts, _) if sorts.iter().any(|(s, _)| s == sort)));
        assert!(answers != beside.contains(sort), "{}", sort.kind());
    }
}
