//! Hours, rates and files that leave nothing to divide by: plan, forecast and status still answer,
//! and never promise that nothing is left while there is.

use crate::util::*;
use serde_json::Value;

fn scene(settings: &str) -> Scene {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    add(&scene, settings);
    scene.run("scan").expect(0);
    scene
}

fn add(scene: &Scene, settings: &str) {
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str(settings);
    std::fs::write(&path, text).unwrap();
}

/// plan, forecast and status as text and as objects; the three finishes.
#[track_caller]
fn answers(scene: &Scene) -> Vec<Value> {
    let mut finishes = Vec::new();
    for verb in ["plan", "forecast", "status"] {
        let ran = scene.run(verb);
        assert!(ran.code < 2, "{verb}: {}{}", ran.text(), ran.err);
        for wrong in ["NaN", "inf ", "-inf", "panicked", "NeverOpens", "NothingMoves"] {
            assert!(!ran.text().contains(wrong), "{verb}: {}", ran.text());
        }
        let (_, value) = scene.json(verb);
        let finish = match verb {
            "forecast" => value["cases"][0]["finish"].clone(),
            _ => value["finish"].clone(),
        };
        has(&finish, "low likely high");
        finishes.push(finish);
    }
    finishes
}

#[track_caller]
fn an_end_is_seen(scene: &Scene) {
    for finish in answers(scene) {
        assert!(finish["likely"].is_string(), "{finish}");
    }
}

#[track_caller]
fn no_end_is_seen(scene: &Scene) {
    for finish in answers(scene) {
        assert!(finish["likely"].is_null(), "{finish}");
    }
    let (code, value) = scene.json("forecast");
    assert_eq!(code, 1);
    let case = &value["cases"][0];
    assert!(
        case["seconds"]["likely"].is_null() || case["seconds"]["likely"].as_f64() > Some(0.0),
        "{case}"
    );
}

#[test]
fn windows_that_never_open_have_no_finish_and_say_why() {
    // Every day on which the window could open is quiet.
    let scene = scene(
        "\n[[window]]\ndays = \"mon\"\nfrom = \"19:00\"\nuntil = \"20:00\"\n\
         [[blackout]]\nfrom = \"2000-01-01\"\nuntil = \"2199-12-31\"\n",
    );
    no_end_is_seen(&scene);
    let text = scene.run("plan").text();
    assert!(
        text.contains("No end can be seen: it would take more than a hundred years"),
        "{text}"
    );
}

#[test]
fn overlapping_windows_are_one() {
    let scene = scene(
        "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"00:00\"\nuntil = \"24:00\"\n\
         [[window]]\ndays = \"mon-fri\"\nfrom = \"19:00\"\nuntil = \"07:00\"\n\
         [[window]]\ndays = \"sat\"\nfrom = \"06:00\"\nuntil = \"23:00\"\n",
    );
    an_end_is_seen(&scene);
}

#[test]
fn a_window_shorter_than_a_file_at_its_limit_takes_many_nights() {
    // 300 kB at 1 kB/s are 300 s, the window has 60.
    let scene = scene(
        "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"19:00\"\nuntil = \"19:01\"\nrate-limit = \"1 kB/s\"\n",
    );
    an_end_is_seen(&scene);
    let (_, value) = scene.json("forecast");
    assert!(value["cases"][0]["nights"].as_u64() >= Some(5), "{value}");
}

/// 2027-03-28 02:30 is skipped and 2027-10-31 02:30 comes twice in Berlin (the tz database; the
/// last Sundays of March and October, directive 2000/84/EC). No window may stop the answer.
#[test]
fn local_times_that_are_missing_or_come_twice_have_an_answer() {
    let scene = scene("\n[[window]]\ndays = \"sun\"\nfrom = \"02:15\"\nuntil = \"02:45\"\n");
    scene.edit("[schedule]\n", "[schedule]\nstarts = \"2027-03-28\"\n");
    an_end_is_seen(&scene);
    let (_, value) = scene.json("forecast");
    let likely = value["cases"][0]["finish"]["likely"].as_str().unwrap();
    assert!(likely > "2027-03-28", "{likely}");
    scene.edit("starts = \"2027-03-28\"", "starts = \"2027-10-31\"");
    an_end_is_seen(&scene);
}

#[test]
fn a_zone_that_does_not_exist_is_refused_with_the_line() {
    let scene = scene("");
    let path = scene.home.join("move.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let lines: Vec<String> = text
        .lines()
        .map(|line| match line.trim_start_matches("# ").starts_with("zone =") {
            true => "zone = \"Europe/Atlantis\"".into(),
            false => line.to_string(),
        })
        .collect();
    std::fs::write(&path, lines.join("\n")).unwrap();
    for verb in ["plan", "forecast", "status"] {
        let ran = scene.run(verb).expect(2);
        assert!(ran.err.contains("Atlantis"), "{}", ran.err);
    }
}

#[test]
fn rates_of_zero_are_refused_or_have_no_finish() {
    for (old, new) in [
        ("project-depth", "read-rate = \"0 MB/s\"\nproject-depth"),
        ("[link]\n", "[link]\nspeed = \"0 Gbit/s\"\n"),
    ] {
        let scene = Scene::bare();
        scene.small();
        scene.begin();
        scene.run("scan").expect(0);
        let path = scene.home.join("move.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        let new = match text.contains(&format!("# {old}")) {
            true => text.replacen(&format!("# {old}"), new, 1),
            false => text.replacen(old, new, 1),
        };
        std::fs::write(&path, new).unwrap();
        let ran = scene.run("plan");
        match ran.code {
            2 => assert!(ran.err.contains("move.toml:"), "{}", ran.err),
            _ => no_end_is_seen(&scene),
        }
    }
}

#[test]
fn a_limit_of_zero_in_the_only_window_is_refused_or_has_no_finish() {
    let scene = scene("");
    add(
        &scene,
        "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"00:00\"\nuntil = \"24:00\"\nrate-limit = \"0 MB/s\"\n",
    );
    let ran = scene.run("plan");
    match ran.code {
        2 => assert!(ran.err.contains("rate-limit"), "{}", ran.err),
        _ => no_end_is_seen(&scene),
    }
}

#[test]
fn one_sample_is_enough_and_too_little_at_once() {
    let scene = scene("");
    scene.run("plan");
    let (_, plan) = scene.json("plan");
    let first = plan["batches"][0]["name"].as_str().unwrap().to_string();
    scene.run(&format!("copy {first}")).expect(0);
    an_end_is_seen(&scene);
    let (_, value) = scene.json("forecast");
    let seconds = &value["cases"][0]["seconds"];
    assert!(seconds["likely"].as_f64().unwrap() > 0.0, "work is left: {value}");
    assert!(seconds["low"].as_f64() <= seconds["high"].as_f64());
}

#[test]
fn files_that_are_all_empty_take_time_too() {
    let scene = Scene::bare();
    for n in 0..50 {
        scene.put(format!("2019-fair/{n}"), b"");
    }
    scene.begin();
    scene.run("scan").expect(0);
    an_end_is_seen(&scene);
    let (_, value) = scene.json("forecast");
    assert!(
        value["cases"][0]["seconds"]["likely"].as_f64().unwrap() > 0.0,
        "{value}"
    );
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    let (_, status) = scene.json("status --exposed");
    assert_eq!(status["totals"]["files"]["verified"], 50);
}

#[test]
fn a_source_without_any_file_has_an_answer() {
    let scene = Scene::bare();
    std::fs::create_dir(scene.from.join("2019-empty")).unwrap();
    scene.begin();
    scene.run("scan").expect(0);
    for verb in ["plan", "forecast", "status"] {
        let ran = scene.run(verb);
        assert!(
            ran.code < 2 && !ran.text().contains("NaN"),
            "{}{}",
            ran.text(),
            ran.err
        );
    }
}
