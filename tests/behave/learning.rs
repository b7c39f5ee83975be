//! What a move learns of itself: forecasts kept at the beginning against what batches took.

use crate::util::*;
use serde_json::Value;
use std::time::UNIX_EPOCH;

fn batch<'a>(status: &'a Value, name: &str) -> &'a Value {
    let batches = status["batches"].as_array().unwrap();
    batches.iter().find(|b| b["name"] == name).unwrap()
}

#[test]
fn a_finished_batch_shows_what_was_forecast_when_it_began_and_what_it_took() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let (_, before) = scene.json("status");
    let names: Vec<String> = before["batches"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["name"].as_str().unwrap().to_string())
        .collect();
    for name in &names {
        assert!(batch(&before, name)["forecast_at_begin"].is_null());
        assert!(batch(&before, name)["actual_seconds"].is_null());
    }
    let (first, second) = (&names[0], &names[1]);
    scene.run(&format!("copy {first}")).expect(0);
    let (_, copied) = scene.json("status");
    let told = batch(&copied, first)["forecast_at_begin"].clone();
    has(&told, "at seconds end basis");
    assert!(told["seconds"]["low"].as_f64().unwrap() <= told["seconds"]["likely"].as_f64().unwrap());
    assert!(told["seconds"]["likely"].as_f64().unwrap() <= told["seconds"]["high"].as_f64().unwrap());
    assert_eq!(told["basis"], "default");
    assert!(
        batch(&copied, first)["actual_seconds"].is_null(),
        "not finished yet"
    );
    assert!(
        batch(&copied, second)["forecast_at_begin"].is_null(),
        "not begun yet"
    );

    scene.run("verify").expect(0);
    // What was said at the beginning stands, whatever was learned since.
    scene.run(&format!("verify {first} --again")).expect(0);
    let (_, verified) = scene.json("status");
    assert_eq!(batch(&verified, first)["forecast_at_begin"], told);
    assert!(batch(&verified, first)["actual_seconds"].as_f64().unwrap() > 0.0);
    let text = scene.run("status").text();
    assert!(
        text.contains("took") && (text.contains("● inside") || text.contains("○ outside")),
        "{text}"
    );
    scene.run("report").expect(0);
    let page = std::fs::read_to_string(scene.home.join("reports/report.html")).unwrap();
    assert!(page.contains("Forecast against actual"));
}

#[test]
fn copying_and_verifying_leave_samples_and_the_forecast_says_so() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    let db = rusqlite_rows(
        &scene,
        "SELECT task || ' ' || (streams > 0) || ' ' || (micros > 0) FROM samples",
    );
    assert!(db.contains(&"copy 1 1".to_string()), "{db:?}");
    assert!(db.contains(&"verify 1 1".to_string()), "{db:?}");
}

/// Reads one column of text of the ledger, beside the product.
fn rusqlite_rows(scene: &Scene, sql: &str) -> Vec<String> {
    let db = rusqlite::Connection::open(scene.home.join("ledger.db")).unwrap();
    let mut statement = db.prepare(sql).unwrap();
    let rows = statement.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

/// Samples of a pilot as an hour of copying and verifying leaves them: 100 MB/s, a minute each. The
/// files of this scene are far too small to be timed, so the ledger is filled by hand.
#[test]
fn after_the_pilot_the_range_is_narrower_and_forecast_and_status_say_so() {
    let scene = Scene::bare();
    for n in 0..6 {
        let path = scene.put(format!("{}-job/{n}.bin", 2014 + n), b"1");
        // Sparse: large by name, so that there is work left to forecast.
        let file = std::fs::File::options().write(true).open(&path).unwrap();
        file.set_len(50_000_000_000).unwrap();
        set_time(&path, 1_560_000_000, 0);
    }
    scene.planned();
    let width = |scene: &Scene| {
        let (_, value) = scene.json("forecast");
        let at = |end: &str| value["cases"][0]["seconds"][end].as_f64().unwrap();
        (at("high") - at("low")) / at("likely")
    };
    let before = width(&scene);
    assert!(!scene.run("forecast").text().contains("narrowed"));
    let db = rusqlite::Connection::open(scene.home.join("ledger.db")).unwrap();
    let now = std::time::SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap()
        .as_nanos() as i64;
    for (task, count) in [("copy", 40i64), ("verify", 20)] {
        for n in 0..count {
            let wobble = (n % 5 - 2) * 40_000_000;
            db.execute(
                "INSERT INTO samples (batch, source, task, at, files, bytes, small_files, small_bytes, micros, streams)
                 VALUES ('pilot', 'oldbox', ?1, ?2, 3, ?3, 0, 0, 60000000, 2)",
                (task, now - (60 - n) * 60_000_000_000, 6_000_000_000i64 + wobble),
            )
            .unwrap();
        }
    }
    drop(db);
    let after = width(&scene);
    assert!(after < before * 0.7, "{before} then {after}");
    for verb in ["forecast", "status"] {
        let text = scene.run(verb).text();
        assert!(text.contains("narrowed the range"), "{verb}: {text}");
    }
}
