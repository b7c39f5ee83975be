//! status --exposed: what exists only on the old box.

use crate::util::*;
use serde_json::Value;

fn sum(rows: &Value) -> u64 {
    rows.as_array()
        .unwrap()
        .iter()
        .map(|row| row["bytes"].as_u64().unwrap())
        .sum()
}

#[test]
fn what_is_not_verified_is_exposed_by_year_and_falls_batch_by_batch() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let whole = 300_000 + 27 + 70_000 + 9_000;
    let (_, before) = scene.json("status --exposed");
    assert_eq!(sum(&before["exposed"]), whole);
    assert_eq!(before["exposed_bytes"], whole);
    let years: Vec<&Value> = before["exposed"]
        .as_array()
        .unwrap()
        .iter()
        .map(|row| &row["year"])
        .collect();
    assert_eq!(years, [2019, 2020]);
    assert_eq!(before["exposed"][0]["projects"], 2);
    let curve = before["exposed_curve"].as_array().unwrap();
    let left: Vec<u64> = curve
        .iter()
        .map(|step| step["bytes_left"].as_u64().unwrap())
        .collect();
    assert!(
        left.windows(2).all(|w| w[0] > w[1]) && left.last() == Some(&0),
        "{left:?}"
    );

    // Copied is not proven: it still counts.
    scene.run("copy --all").expect(0);
    let (_, copied) = scene.json("status --exposed");
    assert_eq!(copied["exposed_bytes"], whole);
    scene.run("verify").expect(0);
    let (_, verified) = scene.json("status --exposed");
    assert_eq!(verified["exposed_bytes"], 0);
    assert_eq!(verified["exposed"].as_array().unwrap().len(), 0);
    let text = scene.run("status --exposed").text();
    assert!(text.contains("Nothing exists only on the old box"), "{text}");
    assert!(scene.json("status").1.get("exposed").is_none());
}

#[test]
fn the_users_groups_are_summed_and_the_read_error_caution_stands_beside() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str("\n[[tag]]\nmatch = \"lantern|harvest\"\ngroup = \"film\"\nyear = 2018\n");
    std::fs::write(&path, text).unwrap();
    scene.run("scan").expect(0);
    scene.run("plan");
    let (_, value) = scene.json("status --exposed");
    assert_eq!(value["exposed_groups"][0]["group"], "film");
    assert_eq!(value["exposed_groups"][0]["bytes"], 309_027);
    assert_eq!(value["exposed"][0]["year"], 2018);
    let said = scene.run("status --exposed").text();
    assert!(said.contains("pessimistic upper bounds"), "{said}");
    assert!(said.contains("after batch"), "{said}");
}

/// `order = "exposure-first"`: the user's tags by their `order`, then the most bytes first.
#[test]
fn exposure_first_takes_the_users_order_and_then_the_most_bytes() {
    let scene = Scene::bare();
    scene.put("2017-small/a.bin", &noise(40_000, 1));
    scene.put("2018-large/a.bin", &noise(400_000, 2));
    scene.put("2019-middle/a.bin", &noise(90_000, 3));
    scene.begin();
    scene.edit("by = \"year\"", "by = \"project\"\norder = \"exposure-first\"");
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str("\n[[tag]]\nprojects = [\"2017-small\"]\norder = 1\n");
    std::fs::write(&path, text).unwrap();
    scene.run("scan").expect(0);
    let (_, plan) = scene.json("plan");
    let projects: Vec<&str> = plan["batches"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|batch| batch["name"] != "pilot")
        .map(|batch| batch["projects"][0].as_str().unwrap())
        .collect();
    assert_eq!(projects, ["2017-small", "2018-large", "2019-middle"]);
}
