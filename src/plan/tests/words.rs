//! What is said about a plan: the difference of two, why a project is where it is, lines to paste.

use super::*;
use crate::names::BatchName;
use crate::plan::difference::{Difference, difference};
use crate::plan::why::{tag_lines, why};
use crate::plan::{By, Order};
use proptest::prelude::*;

#[test]
fn a_plan_differs_in_nothing_from_itself() {
    let (plan, _) = plan_of(&[mb("a", 2018, 50), mb("b", 2019, 50)], &rules());
    assert_eq!(difference(&plan, &plan), Difference::default());
    assert!(difference(&plan, &plan).is_empty());
}

#[test]
fn a_project_that_gets_another_year_is_one_move_between_batches() {
    let (old, _) = plan_of(
        &[mb("a", 2018, 50), mb("b", 2018, 50), mb("c", 2019, 50)],
        &rules(),
    );
    let (new, _) = plan_of(
        &[mb("a", 2018, 50), mb("b", 2019, 50), mb("d", 2020, 50)],
        &rules(),
    );
    let found = difference(&old, &new);
    let name = |n: &Option<BatchName>| n.as_ref().map_or("-".to_string(), |n| n.to_string());
    let moved = found.moved.iter();
    let moved: Vec<String> = moved
        .map(|m| format!("{} {} {}", m.key.name(), name(&m.from), name(&m.to)))
        .collect();
    assert_eq!(moved, ["b 2018.1 2019.1", "c 2019.1 -", "d - 2020.1"]);
    assert_eq!(found.added, [BatchName::numbered("2020", 1)]);
    let changed = found.changed.iter();
    let changed: Vec<_> = changed.map(|c| (c.name.as_str(), c.gained, c.lost)).collect();
    assert_eq!(changed, [("2018.1", 0, 1), ("2019.1", 1, 1)]);
    assert!(found.removed.is_empty() && !found.reordered);
}

#[test]
fn another_order_alone_is_said_and_moves_nothing() {
    let projects = [mb("a", 2018, 50), mb("b", 2019, 50)];
    let (old, _) = plan_of(&projects, &rules());
    let mut turned = rules();
    turned.order = Order::NewestFirst;
    let (new, _) = plan_of(&projects, &turned);
    let found = difference(&old, &new);
    assert!(found.reordered && found.moved.is_empty() && found.changed.is_empty());
}

#[test]
fn why_names_the_tag_the_year_and_the_batch() {
    let mut rules = rules();
    rules.tags = vec![tag("^(?P<year>20\\d\\d)_")];
    let projects = [mb("2017_weir", 2019, 50), mb("orchard", 2018, 50)];
    let (plan, notes) = plan_of(&projects, &rules);
    let tagged = why(&projects[0], &plan, &notes, &rules).join(" ");
    for part in [
        "batch 2017.1",
        "2017/2017_weir",
        "Tag 1 (match = '",
        "The tag sets its year, 2017.",
    ] {
        assert!(tagged.contains(part), "{part} in {tagged}");
    }
    let plain = why(&projects[1], &plan, &notes, &rules).join(" ");
    for part in ["No tag matches it.", "high confidence"] {
        assert!(plain.contains(part), "{part} in {plain}");
    }
    let stranger = why(&mb("nowhere", 2018, 1), &plan, &notes, &rules);
    assert_eq!(stranger, ["nowhere of source nas is in no batch of this plan."]);
}

#[test]
fn why_says_that_a_begun_batch_is_fixed() {
    let projects = [mb("a", 2018, 50)];
    let (plan, _) = plan_of(&projects, &rules());
    let locked = begin(&plan, 1);
    let inputs = Inputs {
        projects: &projects,
        locked: &locked,
        ..Inputs::default()
    };
    let (plan, notes) = sound(&inputs, &rules());
    let words = why(&projects[0], &plan, &notes, &rules());
    assert_eq!(
        words.last().map(String::as_str),
        Some("Batch 2018.1 has begun, so its place is fixed.")
    );
}

/// The tag that pasted lines make, read by a TOML reader.
fn tag_from(lines: &str) -> Tag {
    let table: toml::Table = lines.parse().unwrap();
    let one = table["tag"].as_array().unwrap()[0].as_table().unwrap().clone();
    let text = |value: &toml::Value| value.as_str().unwrap().to_string();
    let mut tag = match one.get("projects") {
        Some(list) => {
            let names = list.as_array().unwrap().iter().map(text).collect();
            Tag::new(Match::Projects(names))
        }
        None => Tag::new(Match::Pattern(Pattern::new(&text(&one["match"])).unwrap())),
    };
    tag.year = one.get("year").map(text);
    tag
}

proptest! {
    #[test]
    fn pasted_lines_decide_for_their_project_whatever_its_bytes(name in prop::collection::vec(any::<u8>(), 1..12)) {
        prop_assume!(RelPath::new(name.clone()).is_ok());
        let mut project = mb("x", 0, 50);
        project.key = ProjectKey::Folder(RelPath::new(name.clone()).unwrap());
        let mut rules = rules();
        rules.by = By::Year;
        rules.tags = vec![tag_from(&tag_lines(&name, "year = \"2016\""))];
        let projects = [project, mb("bystander", 2019, 50)];
        let (plan, notes) = plan_of(&projects, &rules);
        prop_assert_eq!(plan.batches[0].name.as_str(), "2016.1");
        prop_assert_eq!(plan.batches[0].projects.len(), 1);
        prop_assert!(notes.idle_tags.is_empty() && notes.questions.is_empty() && notes.unknown_names.is_empty());
    }
}
