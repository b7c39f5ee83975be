//! Hand-made cases of building: each rule once, with the batches it should give.

use super::*;
use crate::plan::{By, Limit, Order, Rename, SourceRule};

fn datasets(plan: &Plan) -> Vec<&str> {
    plan.datasets.iter().map(|d| d.name.as_str()).collect()
}

#[test]
fn by_year_the_oldest_come_first_and_the_undated_last() {
    let projects = [mb("reel", 0, 50), mb("b", 2020, 50), mb("a", 2018, 50)];
    let (plan, notes) = plan_of(&projects, &rules());
    assert_eq!(lines(&plan), ["2018.1: a", "2020.1: b", "undated.1: reel"]);
    assert_eq!(plan.datasets[0].full_name.as_deref(), Some("pool/archive/2018"));
    assert_eq!(notes.questions.len(), 1);
    let mut turned = rules();
    turned.order = Order::NewestFirst;
    let (plan, _) = plan_of(&projects, &turned);
    assert_eq!(lines(&plan), ["2020.1: b", "2018.1: a", "undated.1: reel"]);
}

#[test]
fn by_project_each_is_its_own_dataset_with_a_legal_name() {
    let mut rules = rules();
    rules.by = By::Project;
    let (plan, _) = plan_of(&[mb("Orchard (final)", 2018, 50), mb("weir", 2019, 50)], &rules);
    assert_eq!(datasets(&plan), ["Orchard_final", "weir"]);
    assert_eq!(plan.datasets[0].folder.as_bytes(), b"Orchard (final)");
    assert!(plan.batches.iter().all(|b| b.projects[0].place.is_root()));
}

#[test]
fn by_kind_the_largest_kind_decides_unless_a_tag_does() {
    let mut rules = rules();
    rules.by = By::Kind;
    let mut cut = tag("^cut");
    cut.kind = Some("edit".into());
    rules.tags = vec![cut];
    let mut sound = mb("sound", 2018, 50);
    sound.kinds[0].0 = Kind::Audio;
    let (plan, _) = plan_of(&[mb("a", 2018, 50), sound, mb("cut", 2019, 50)], &rules);
    assert_eq!(lines(&plan), ["audio.1: sound", "video.1: a", "edit.1: cut"]);
}

#[test]
fn by_tag_the_rest_is_untagged_and_the_first_match_wins() {
    let mut rules = rules();
    rules.by = By::Tag;
    let (mut first, mut second) = (tag("^(?P<client>[a-z]+)_"), tag("."));
    first.dataset = Some("clients-${client}".into());
    second.order = Some(7);
    second.dataset = Some("never".into());
    rules.tags = vec![first, Tag::new(Match::Projects(vec!["weir".into()])), second];
    let (plan, notes) = plan_of(&[mb("acorn_x", 2019, 50), mb("weir", 2018, 50)], &rules);
    assert_eq!(lines(&plan), ["untagged.1: weir", "clients-acorn.1: acorn_x"]);
    assert_eq!(notes.idle_tags[0].number, 3);
    assert_eq!(notes.idle_tags[0].behind, Some(1));
}

#[test]
fn a_row_is_cut_between_minimum_and_maximum() {
    let projects: Vec<_> = ["a", "b", "c", "d", "e", "f"]
        .iter()
        .map(|name| mb(name, 2019, 30))
        .collect();
    let (plan, notes) = plan_of(&projects, &rules());
    assert_eq!(lines(&plan), ["2019.1: a b c", "2019.2: d e f"]);
    assert_eq!(plan.datasets[0].amount.bytes, Bytes(180 * MB));
    assert!(notes.verdicts.is_empty());
}

#[test]
fn what_no_cut_can_help_is_said() {
    let (plan, notes) = plan_of(&[mb("huge", 2018, 300), mb("tiny", 2019, 1)], &rules());
    assert_eq!(lines(&plan), ["2018.1: huge", "2019.1: tiny"]);
    let limits: Vec<Limit> = notes.verdicts.iter().map(|v| v.limit).collect();
    assert_eq!(limits, [Limit::AboveMax, Limit::BelowMin]);
}

#[test]
fn numbers_go_on_after_what_has_begun_and_begun_batches_stay() {
    let old = [mb("a", 2019, 90), mb("b", 2019, 90)];
    let (plan, _) = plan_of(&old, &rules());
    let locked = begin(&plan, 1);
    let all = [mb("0-new", 2019, 90), old[0].clone(), old[1].clone()];
    let inputs = Inputs {
        projects: &all,
        locked: &locked,
        ..Inputs::default()
    };
    let mut other = rules();
    other.by = By::Year;
    other.order = Order::LargestFirst;
    let (plan, _) = sound(&inputs, &other);
    assert_eq!(lines(&plan), ["2019.1: a", "2019.2: 0-new", "2019.3: b"]);
    assert_eq!(plan.datasets[0].amount.bytes, Bytes(270 * MB));
}

#[test]
fn later_files_go_to_a_delta_batch_beside_the_first_ones() {
    let old = [mb("a", 2019, 90), mb("b", 2020, 90)];
    let mut first = rules();
    let mut renamed = tag("^a$");
    renamed.renamed = Some("acorn".into());
    first.tags = vec![renamed];
    let (plan, _) = plan_of(&old, &first);
    let locked = begin(&plan, 1);
    let late = [mb("a", 2021, 3)];
    let inputs = Inputs {
        projects: &old,
        late: &late,
        locked: &locked,
        ..Inputs::default()
    };
    // The tag is gone and the year differs: the later files follow their project all the same.
    let (plan, _) = sound(&inputs, &rules());
    assert_eq!(lines(&plan), ["2019.1: a", "2020.1: b", "2019.2: a"]);
    assert!(plan.batches[2].delta);
    assert_eq!(plan.batches[2].projects[0].place.as_bytes(), b"acorn");
}

#[test]
fn the_pilot_is_small_first_and_only_where_nothing_has_begun() {
    let mut rules = rules();
    rules.pilot = true;
    let mut projects: Vec<_> = (0..10u16).map(|i| mb(&format!("p{i}"), 2010 + i, 90)).collect();
    projects.push(project("nas", "small", Some(2015), 10, MB));
    let (plan, _) = plan_of(&projects, &rules);
    assert_eq!(line(&plan.batches[0]), "pilot: small");
    assert!(plan.batches[0].pilot);
    let locked = begin(&plan, 2);
    let inputs = Inputs {
        projects: &projects,
        locked: &locked,
        ..Inputs::default()
    };
    let (plan, _) = sound(&inputs, &rules);
    assert_eq!(plan.batches.iter().filter(|b| b.pilot).count(), 1);
}

#[test]
fn projects_in_use_wait_for_the_end_and_held_ones_longer() {
    let mut rules = rules();
    rules.quiet_since = Some(Moment::from_seconds(1_000));
    let mut hold = tag("^h");
    hold.hold = true;
    rules.tags = vec![hold];
    let mut busy = mb("busy", 2001, 50);
    busy.newest = Some(Moment::from_seconds(1_001));
    let mut quiet = mb("quiet", 2002, 50);
    quiet.newest = Some(Moment::from_seconds(1_000));
    let projects = [mb("h", 2000, 50), busy, quiet, mb("reel", 0, 50)];
    let (plan, notes) = plan_of(&projects, &rules);
    let expected = ["2002.1: quiet", "undated.1: reel", "2001.1: busy", "2000.1: h"];
    assert_eq!(lines(&plan), expected);
    assert_eq!(notes.held, [plan.batches[3].name.clone()]);
    assert_eq!(notes.in_use, [plan.batches[2].name.clone()]);
}

#[test]
fn under_keeps_two_sources_apart_and_without_it_the_mend_names_it() {
    let projects = [
        project("nas", "a", Some(2019), 1, MB),
        project("oldbox", "a", Some(2019), 1, MB),
    ];
    let inputs = Inputs {
        projects: &projects,
        ..Inputs::default()
    };
    let refused = build(&inputs, &rules()).unwrap_err();
    assert_eq!(refused.code, "places-collide");
    assert!(refused.mend.unwrap().contains("under = \"oldbox\""));
    let mut rules = rules();
    rules.sources = vec![SourceRule {
        name: SourceName("oldbox".into()),
        under: RelPath::new("oldbox").unwrap(),
    }];
    let (plan, _) = plan_of(&projects, &rules);
    assert_eq!(plan.batches[1].projects[0].place.as_bytes(), b"oldbox/a");
}

#[test]
fn paths_that_fold_to_one_or_lie_in_each_other_are_refused_with_a_mend() {
    for (a, b) in [
        ("Acorn", "acorn"),
        ("caf\u{e9}", "cafe\u{301}"),
        ("Straße", "STRASSE"),
        ("a", "a/b"),
    ] {
        let projects = [mb(a, 2019, 1), mb(b, 2019, 1)];
        let inputs = Inputs {
            projects: &projects,
            ..Inputs::default()
        };
        let refused = build(&inputs, &rules()).unwrap_err();
        assert_eq!(refused.code, "places-collide", "{a} {b}");
        assert!(refused.mend.unwrap().contains("as = "));
    }
}

#[test]
fn no_project_lands_among_the_programs_own_files() {
    let mut rules = rules();
    let projects = [mb(".poolward", 2019, 50), mb("weir", 2019, 50)];
    plan_of(&projects, &rules);
    rules.by = By::Project;
    let inputs = Inputs {
        projects: &projects,
        ..Inputs::default()
    };
    let refused = build(&inputs, &rules).unwrap_err();
    assert_eq!(refused.code, "reserved-name");
    let mut away = tag("^[.]poolward$");
    away.renamed = Some("old ledger".into());
    rules.tags = vec![away];
    let (mut plan, _) = plan_of(&projects, &rules);
    let moved = plan
        .datasets
        .iter_mut()
        .find(|d| d.folder.as_bytes() == b"old ledger");
    moved.unwrap().folder = RelPath::new(".poolward").unwrap();
    let flaws = check(&plan, &inputs, &rules);
    assert!(flaws.iter().any(|f| matches!(f, Flaw::Collide(..))), "{flaws:?}");
}

/// The size named for planning: 6,000 projects, here in the two shapes that cost most.
#[test]
fn six_thousand_projects_are_planned_and_checked_at_once() {
    let projects: Vec<ProjectSummary> = (0..6_000u64)
        .map(|i| mb(&format!("p{i}"), 2_000 + (i % 20) as u16, i * 7_919 % 90))
        .collect();
    let mut rules = rules();
    for by in [By::Project, By::Year] {
        (rules.by, rules.pilot) = (by, true);
        (rules.batch_min, rules.batch_max) = (Bytes(4_000 * MB), Bytes(9_000 * MB));
        let (plan, _) = plan_of(&projects, &rules);
        let placed: usize = plan.batches.iter().map(|b| b.projects.len()).sum();
        assert_eq!(placed, 6_000);
    }
}

#[test]
fn a_group_stays_whole_in_the_dataset_of_its_earliest() {
    let mut rules = rules();
    let mut series = tag("^ep");
    series.group = Some("series".into());
    rules.tags = vec![series];
    let projects = [
        mb("ep1", 2018, 80),
        mb("mid", 2018, 80),
        mb("ep2", 2020, 80),
        mb("ep3", 0, 80),
    ];
    let (plan, _) = plan_of(&projects, &rules);
    assert_eq!(lines(&plan), ["2018.1: ep1 ep2 ep3", "2018.2: mid"]);
}

#[test]
fn a_rename_moves_a_projects_folder_and_a_tags_order_goes_first() {
    let mut rules = rules();
    rules.renames = vec![Rename {
        from: RelPath::new("a:b").unwrap(),
        to: RelPath::new("a-b").unwrap(),
    }];
    let mut soon = tag("^z");
    soon.order = Some(1);
    rules.tags = vec![soon];
    let (plan, _) = plan_of(&[mb("a:b", 2018, 50), mb("z", 2020, 50)], &rules);
    assert_eq!(lines(&plan), ["2020.1: z", "2018.1: a:b"]);
    assert_eq!(plan.batches[1].projects[0].place.as_bytes(), b"a-b");
}

#[test]
fn a_tag_sends_a_dataset_to_another_destination() {
    let mut rules = rules();
    rules.destinations.push(DestinationRule {
        name: "vault".into(),
        parent: None,
        late: false,
    });
    let mut away = tag("^v");
    away.pool = Some("vault".into());
    rules.tags = vec![away.clone()];
    let (plan, _) = plan_of(&[mb("a", 2018, 50), mb("v", 2018, 50)], &rules);
    assert_eq!(datasets(&plan), ["2018", "2018-vault"]);
    away.pool = Some("valt".into());
    rules.tags = vec![away];
    let projects = [mb("v", 2018, 50)];
    let inputs = Inputs {
        projects: &projects,
        ..Inputs::default()
    };
    assert!(
        build(&inputs, &rules)
            .unwrap_err()
            .mend
            .unwrap()
            .contains("vault")
    );
}

#[test]
fn rules_that_cannot_hold_are_refused() {
    for change in [
        (|r| r.destinations.clear()) as fn(&mut PlanRules),
        |r| r.batch_max = Bytes(0),
        |r| r.batch_min = Bytes(r.batch_max.0 + 1),
    ] {
        let mut rules = rules();
        change(&mut rules);
        assert_eq!(build(&Inputs::default(), &rules).unwrap_err().code, "bad-rules");
    }
}

#[test]
fn every_flaw_reads_as_a_sentence() {
    let (a, b) = (crate::names::BatchName::typed("2019.1"), "acorn".to_string());
    for flaw in [Flaw::Unplanned, Flaw::AboveMax(a.clone()), Flaw::Unknown(a, b)] {
        assert!(flaw.words().ends_with('.') && flaw.words().len() > 20);
    }
}
