//! Plans by example and by property: what `build` makes, `check` accepts; what is mutated, it
//! rejects.

use super::check::{Flaw, check};
use super::*;
use crate::moment::{Moment, Year};
use crate::survey::{Confidence, Evidence, Kind, ProjectDate};
use crate::units::Bytes;
use proptest::prelude::*;

fn project(source: &str, name: &str, year: Option<u16>, bytes: u64) -> ProjectSummary {
    let mut sizes = SizeHistogram::default();
    sizes.push(Bytes(bytes));
    ProjectSummary {
        source: SourceName(source.into()),
        key: ProjectKey::Folder(RelPath::new(name).unwrap()),
        amount: Amount::one(Bytes(bytes)),
        others: 0,
        sizes,
        kinds: vec![(Kind::Video, Amount::one(Bytes(bytes)))],
        newest: Some(Moment::from_seconds(1_500_000_000)),
        date: ProjectDate {
            year: year.map(Year),
            evidence: if year.is_some() {
                Evidence::FolderDate
            } else {
                Evidence::Nothing
            },
            confidence: Confidence::High,
            words: "the name says so".into(),
            against: Vec::new(),
        },
        linked_with: Vec::new(),
    }
}

fn rules(max: u64, min: u64) -> PlanRules {
    let mut rules = PlanRules::new(DestinationRule {
        name: "pool".into(),
        parent: Some("tank/archive".into()),
    });
    (rules.batch_max, rules.batch_min, rules.pilot) = (Bytes(max), Bytes(min), false);
    rules
}

fn inputs<'a>(projects: &'a [ProjectSummary], locked: &'a [LockedBatch]) -> Inputs<'a> {
    Inputs {
        projects,
        late: &[],
        locked,
        unplanned: &[],
    }
}

fn made(projects: &[ProjectSummary], rules: &PlanRules) -> Plan {
    build(&inputs(projects, &[]), rules).unwrap().0
}

fn names(plan: &Plan) -> Vec<&str> {
    plan.batches.iter().map(|b| b.name.as_str()).collect()
}

#[test]
fn years_become_datasets_and_undated_comes_last_with_a_question() {
    let all = [
        project("a", "x", None, 10),
        project("a", "2019 b", Some(2019), 10),
        project("a", "2017 c", Some(2017), 10),
    ];
    let (plan, notes) = build(&inputs(&all, &[]), &rules(100, 1)).unwrap();
    assert_eq!(names(&plan), ["2017.1", "2019.1", "undated.1"]);
    assert_eq!(plan.datasets[0].full_name.as_deref(), Some("tank/archive/2017"));
    assert_eq!(notes.questions.len(), 1);
}

#[test]
fn a_year_is_cut_into_contiguous_batches_and_a_large_project_stands_alone() {
    let sizes = [40, 40, 40, 500, 30, 30];
    let all: Vec<ProjectSummary> = sizes
        .iter()
        .enumerate()
        .map(|(n, s)| project("a", &format!("2019-0{n} p"), Some(2019), *s))
        .collect();
    let plan = made(&all, &rules(100, 30));
    for batch in &plan.batches {
        assert!(
            batch.amount.bytes.0 <= 100 || batch.projects.len() == 1,
            "{batch:?}"
        );
    }
    let order: Vec<String> = plan
        .batches
        .iter()
        .flat_map(|b| b.projects.iter().map(|p| p.key.name()))
        .collect();
    let mut sorted = order.clone();
    sorted.sort();
    assert_eq!(order, sorted);
}

#[test]
fn by_project_the_content_lies_in_the_dataset_itself() {
    let mut rules = rules(100, 1);
    rules.by = By::Project;
    let plan = made(&[project("a", "Harbour Lights", Some(2016), 10)], &rules);
    assert_eq!(plan.datasets[0].folder, RelPath::new("Harbour Lights").unwrap());
    assert!(plan.batches[0].projects[0].place.is_root());
    assert!(crate::pool::names::check_dataset(plan.datasets[0].name.as_bytes()).is_ok());
}

#[test]
fn two_projects_on_one_path_stop_the_plan_with_a_mend() {
    let all = [
        project("a", "Orchard", Some(2018), 1),
        project("b", "ORCHARD", Some(2018), 1),
    ];
    let trouble = build(&inputs(&all, &[]), &rules(100, 1)).unwrap_err();
    assert_eq!(trouble.code, "places-collide");
    assert!(trouble.mend.unwrap().contains("under"));
    let mut apart = rules(100, 1);
    apart.sources = vec![SourceRule {
        name: SourceName("b".into()),
        under: RelPath::new("shelf").unwrap(),
    }];
    assert_eq!(check(&made(&all, &apart), &inputs(&all, &[]), &apart), [].into());
}

#[test]
fn the_first_tag_that_matches_decides_and_idle_tags_are_told() {
    let mut rules = rules(100, 1);
    let mut by_name = Tag::new(Match::Pattern(Pattern::new("^(?P<year>20\\d\\d)").unwrap()));
    by_name.hold = true;
    let mut idle = Tag::new(Match::Projects(vec!["nobody".into()]));
    idle.year = Some("1999".into());
    rules.tags = vec![by_name, idle];
    let all = [
        project("a", "2012 old", Some(2019), 5),
        project("a", "new", Some(2019), 5),
    ];
    let (plan, notes) = build(&inputs(&all, &[]), &rules).unwrap();
    assert!(names(&plan).contains(&"2012.1"), "{:?}", names(&plan));
    assert_eq!(notes.idle_tags.len(), 1);
    assert_eq!(notes.held.len(), 1);
}

#[test]
fn what_has_begun_stays_and_its_name_is_not_used_again() {
    let all = [
        project("a", "2019 a", Some(2019), 10),
        project("a", "2019 b", Some(2019), 10),
    ];
    let first = made(&all[..1], &rules(15, 1));
    let locked = [LockedBatch {
        batch: first.batches[0].clone(),
        dataset: first.datasets[0].clone(),
    }];
    let with = inputs(&all, &locked);
    let (plan, _) = build(&with, &rules(15, 1)).unwrap();
    assert_eq!(names(&plan), ["2019.1", "2019.2"]);
    assert_eq!(plan.batches[0], locked[0].batch);
    assert_eq!(check(&plan, &with, &rules(15, 1)), [].into());
}

#[test]
fn a_pilot_is_small_and_comes_first() {
    let mut rules = rules(1_000, 300);
    rules.pilot = true;
    let with_small_files = |mut project: ProjectSummary| {
        for _ in 0..9 {
            project.sizes.push(Bytes(1));
            project.amount.add(Amount::one(Bytes(1)));
        }
        project
    };
    let all: Vec<ProjectSummary> = (0..60)
        .map(|n| {
            with_small_files(project(
                "a",
                &format!("p{n:02}"),
                Some(2010 + n / 6),
                100 + u64::from(n % 7),
            ))
        })
        .collect();
    let plan = made(&all, &rules);
    assert!(plan.batches[0].pilot);
    assert!(
        plan.batches[0].amount.bytes.0 < 600,
        "{:?}",
        plan.batches[0].amount
    );
    assert_eq!(plan.batches.iter().filter(|b| b.pilot).count(), 1);
    assert_eq!(check(&plan, &inputs(&all, &[]), &rules), [].into());
}

fn archive() -> impl Strategy<Value = Vec<ProjectSummary>> {
    let one = (
        0..2usize,
        "[a-z]{1,6}",
        prop::option::of(2015u16..2020),
        1u64..400,
    );
    prop::collection::btree_map("[a-z]{1,8}", one, 1..30).prop_map(|all| {
        all.into_iter()
            .map(|(name, (source, _, year, bytes))| project(["a", "b"][source], &name, year, bytes))
            .collect()
    })
}

proptest! {
    #[test]
    fn what_build_makes_check_accepts_in_whatever_order_it_comes(all in archive(), max in 50u64..500, by in 0..3usize, seed: u64) {
        let mut rules = rules(max, max / 4);
        rules.by = [By::Year, By::Kind, By::Project][by];
        rules.pilot = seed % 2 == 0;
        let plan = made(&all, &rules);
        prop_assert_eq!(check(&plan, &inputs(&all, &[]), &rules), [].into());
        let mut shuffled = all.clone();
        shuffled.rotate_left((seed % all.len() as u64) as usize);
        shuffled.reverse();
        prop_assert_eq!(made(&shuffled, &rules), plan);
    }

    #[test]
    fn any_one_mutation_is_rejected(all in archive(), which in 0..7usize, at: prop::sample::Index) {
        let rules = rules(200, 50);
        let mut plan = made(&all, &rules);
        let count = plan.batches.len();
        let batch = at.index(count);
        match which {
            0 => { plan.batches.remove(batch); }
            1 => { let again = plan.batches[batch].clone(); plan.batches.push(again); }
            2 => { plan.batches[batch].projects.pop(); }
            3 => { plan.batches[batch].amount.bytes.0 += 1; }
            4 => { plan.batches[batch].dataset = "elsewhere".into(); }
            5 => { let p = plan.batches[batch].projects[0].clone(); plan.batches[batch].projects.push(p); }
            _ => { plan.datasets[0].amount.files += 1; }
        }
        prop_assert!(!check(&plan, &inputs(&all, &[]), &rules).is_empty());
    }
}

#[test]
fn a_lost_project_is_named() {
    let all = [project("a", "x", Some(2019), 1)];
    let empty = Plan {
        datasets: vec![],
        batches: vec![],
        unplanned: vec![],
    };
    let flaws = check(&empty, &inputs(&all, &[]), &rules(9, 1));
    assert_eq!(
        flaws,
        [Flaw::Missing(SourceName("a".into()), all[0].key.clone())].into()
    );
}
