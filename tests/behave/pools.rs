//! Several destinations, disks that are free only later, and plans that break a limit.

use crate::util::*;
use serde_json::Value;
use std::path::{Path, PathBuf};

/// The settings of a second destination, put before the link's.
fn second(scene: &Scene, name: &str, keys: &str) -> PathBuf {
    let path = scene.root().join(name);
    let more = format!(
        "[[destination]]\nname = \"{name}\"\npath = \"{}\"\nroot-disk = true\n{keys}\n[link]",
        path.display()
    );
    scene.edit("[link]", &more);
    path
}

/// Tags come at the end.
fn tag(scene: &Scene, keys: &str) {
    let path = scene.home.join("move.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, format!("{text}\n[[tag]]\n{keys}\n")).unwrap();
}

const PLAIN: &str = "fill-limit = 100\nfree = \"1 TB\"\nreserve = \"1 MB\"";

/// Two years of projects, the older of which go to a pool of their own.
fn parted(how: &str) -> (Scene, PathBuf) {
    let scene = Scene::bare();
    scene.small();
    scene.put("2014-weir/reel.mov", &noise(40_000, 7));
    scene.put("2014-weir/notes.txt", b"low water\n");
    scene.begin();
    let cold = second(&scene, "cold", PLAIN);
    tag(&scene, how);
    scene.run("scan").expect(0);
    (scene, cold)
}

fn batch<'a>(value: &'a Value, destination: &str) -> &'a Value {
    let all = value["batches"].as_array().unwrap();
    all.iter()
        .find(|b| b["destination"] == destination)
        .unwrap_or_else(|| panic!("{value}"))
}

#[test]
fn a_move_to_two_pools_is_copied_verified_and_judged_where_each_batch_lies() {
    let (scene, cold) = parted("years = \"..2015\"\npool = \"cold\"");
    let (code, plan) = scene.json("plan");
    assert_eq!(code, 0, "{plan}");
    let pools: Vec<&str> = plan["pools"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| p["name"].as_str().unwrap())
        .collect();
    assert_eq!(pools, ["pool", "cold"]);
    assert_eq!(batch(&plan, "cold")["dataset"], "2014-cold");
    let sum = |key: &str| {
        plan["pools"]
            .as_array()
            .unwrap()
            .iter()
            .map(|p| p[key].as_u64().unwrap())
            .sum::<u64>()
    };
    assert_eq!(plan["pool"]["needed_bytes"], sum("needed_bytes"));

    // The second destination gets our marker with the first batch that goes there.
    assert!(!cold.exists());
    scene.run("copy --all").expect(0);
    assert!(cold.join(".poolward/marker").is_file());
    let same = |a: &Path, b: &Path| assert_eq!(listing(a), listing(b));
    same(&cold.join("2014/2014-weir"), &scene.from.join("2014-weir"));
    same(
        &scene.to.join("2019/2019-river-play"),
        &scene.from.join("2019-river-play"),
    );
    assert!(!scene.to.join("2014").exists() && !cold.join("2019").exists());

    // A change on the second pool is found there and nowhere else.
    std::fs::write(cold.join("2014/2014-weir/notes.txt"), b"high tide\n").unwrap();
    let (code, verify) = scene.json("verify");
    assert_eq!(code, 1, "{verify}");
    let name = batch(&plan, "cold")["name"].as_str().unwrap().to_string();
    for one in verify["batches"].as_array().unwrap() {
        let found = !one["differences"].as_array().unwrap().is_empty();
        assert_eq!(found, one["name"] == name.as_str(), "{verify}");
    }
    let (_, status) = scene.json("status");
    assert_eq!(batch(&status, "cold")["name"], name.as_str());
    assert_eq!(batch(&status, "cold")["files"]["copied"], 2);

    let (_, release) = scene.json("release 2019.1");
    assert!(
        release["batches"][0]["sheet"].is_string() || release["batches"][0]["sheet"].is_null(),
        "{release}"
    );
    scene.run("report").expect(0);
    let page = std::fs::read_to_string(scene.home.join("reports/report.html")).unwrap();
    for place in [&scene.to, &cold] {
        assert!(page.contains(&place.display().to_string()));
    }
    assert!(page.matches("Space on ").count() == 2);
}

#[test]
fn the_ledger_is_taken_back_from_the_newer_of_two_copies() {
    let (scene, cold) = parted("years = \"..2015\"\npool = \"cold\"");
    scene.run("plan").expect(0);
    scene.run("copy --all").expect(0);
    // The first destination was not there at the end: its copy is older.
    let old = scene.to.join(".poolward/ledger.db");
    std::fs::write(&old, b"an older state").unwrap();
    set_time(&old, 1_500_000_000, 0);
    std::fs::remove_file(scene.home.join("ledger.db")).unwrap();
    let words = [Path::new("begin"), &scene.home, Path::new("--recover")];
    let ran = poolward(words).expect(0);
    assert!(ran.text().contains(&cold.display().to_string()), "{}", ran.text());
    scene.run("verify").expect(0);
}

#[test]
fn tags_send_by_age_kind_and_name_and_say_so() {
    let (scene, _) = parted("older-than = \"1 y\"\nkinds = [\"video\"]\npool = \"cold\"");
    let (_, plan) = scene.json("plan");
    assert_eq!(batch(&plan, "cold")["projects"], serde_json::json!(["2014-weir"]));
    let why = scene.run("plan --why 2014-weir");
    assert!(
        why.text().contains("older than 366 days, kinds video"),
        "{}",
        why.text()
    );
    // One key of one project is changed; what the other tag has set for it stays.
    scene.run_words(&["plan", "--set", "2014-weir", "year=2015"]);
    let (_, plan) = scene.json("plan");
    assert_eq!(batch(&plan, "cold")["dataset"], "2015-cold");
}

#[test]
fn a_destination_on_the_system_disk_is_refused_until_it_is_allowed() {
    let (scene, cold) = parted("years = \"..2015\"\npool = \"cold\"");
    scene.run("plan").expect(0);
    scene.edit("root-disk = true", "root-disk = false");
    let ran = scene.run("copy --all");
    // On a machine whose temporary folder is a disk of its own there is nothing to refuse.
    if ran.code == 2 {
        assert!(ran.err.contains("root-disk = true"), "{}", ran.err);
        assert!(!cold.exists());
    }
}

/// 4 x 1 stripe of 64 MiB disks and its like: pools so small that a few files break them.
fn tiny(limit: u8) -> String {
    format!("layout = \"1 x 3 raidz1\"\ndisk-size = \"100 MiB\"\nfill-limit = {limit}\nreserve = \"0 B\"")
}

#[test]
fn a_plan_that_breaks_a_limit_says_which_batch_and_what_helps() {
    let scene = Scene::bare();
    for year in 2012..2016 {
        scene.put(format!("{year}-reel/a.mov"), &noise(20_000_000, year));
    }
    scene.begin();
    second(&scene, "cold", &tiny(50));
    tag(&scene, "match = '.'\npool = \"cold\"");
    scene.run("scan").expect(0);
    let (code, plan) = scene.json("plan");
    assert_eq!(code, 1, "{plan}");
    let cold = &plan["pools"][1];
    assert_eq!(
        (cold["fits"].as_bool(), plan["pools"][0]["fits"].as_bool()),
        (Some(false), Some(true))
    );
    let breach = &plan["pool"]["breach"];
    assert_eq!(
        (breach["pool"].as_str(), breach["code"].as_str()),
        (Some("cold"), Some("pool-full"))
    );
    let (batch, mend) = (
        breach["batch"].as_str().unwrap(),
        breach["mend"].as_str().unwrap(),
    );
    assert!(mend.contains("to pool: pool = \"pool\""), "{breach}");
    let ran = scene.run("plan").expect(1);
    assert!(
        ran.text().contains(&format!(
            "batch {batch} takes the destination cold past its fill limit"
        )),
        "{}",
        ran.text()
    );
    // What is said to help, helps.
    let moved = mend.split_whitespace().nth(2).unwrap();
    let all = plan["batches"].as_array().unwrap();
    let sent = all.iter().find(|b| b["name"] == moved).unwrap();
    for project in sent["projects"].as_array().unwrap() {
        scene.run_words(&["plan", "--set", project.as_str().unwrap(), "pool=pool"]);
    }
    let (_, again) = scene.json("plan");
    assert_ne!(again["pool"]["breach"]["batch"], breach["batch"], "{again}");
}

#[test]
fn disks_of_the_old_box_are_used_only_after_its_release() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2014-weir/reel.mov", &noise(40_000, 7));
    scene.begin();
    let cold = second(&scene, "cold", &format!("{}\nafter = \"2019.1\"", tiny(80)));
    tag(&scene, "years = \"..2015\"\npool = \"cold\"");
    scene.run("scan").expect(0);
    let (code, plan) = scene.json("plan");
    assert_eq!(code, 0, "{plan}");
    let names: Vec<&str> = plan["batches"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["name"].as_str().unwrap())
        .collect();
    assert_eq!(names.last(), Some(&"2014-cold.1"), "{plan}");
    // All that can be copied is; the rest says what it waits for, and nothing is made there.
    let ran = scene.run("copy --all").expect(0);
    assert!(
        ran.err.contains("2014-cold.1") && ran.err.contains("2019.1 is released"),
        "{}",
        ran.err
    );
    let ran = scene.run("copy 2014-cold.1").expect(3);
    assert!(ran.err.contains("Release what it waits for"), "{}", ran.err);
    assert!(!cold.exists());
    // The user has built it: then it is there.
    std::fs::create_dir(&cold).unwrap();
    scene.run("copy").expect(0);
    scene.run("verify").expect(0);
    assert_eq!(
        listing(&cold.join("2014/2014-weir")),
        listing(&scene.from.join("2014-weir"))
    );
}

#[test]
fn a_pool_cannot_wait_for_a_source_that_lies_on_it() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    second(
        &scene,
        "cold",
        &format!("{}\nafter-source = \"oldbox\"", tiny(80)),
    );
    tag(&scene, "match = '^2020'\npool = \"cold\"");
    scene.run("scan").expect(0);
    let ran = scene.run("plan").expect(1);
    assert!(ran.text().contains("it would wait for itself"), "{}", ran.text());
    assert!(ran.text().contains("cold: It does NOT fit"), "{}", ran.text());
}

#[test]
fn datasets_and_layouts_are_told_pool_by_pool() {
    let scene = Scene::bare();
    for year in 2012..2014 {
        scene.put(format!("{year}-reel/a.mov"), &noise(5_000_000, year));
    }
    for n in 0..200 {
        scene.put(format!("2020-notes/{n}.txt"), &noise(900, n));
    }
    scene.begin();
    scene.edit(
        "fill-limit = 100",
        "dataset = \"fast/archive\"\nlayout = \"1 x 7 raidz2\"\ndisk-size = \"1 TB\"\nfill-limit = 100",
    );
    second(
        &scene,
        "cold",
        "dataset = \"cold/archive\"\nlayout = \"1 x 3 raidz1\"\ndisk-size = \"1 TB\"",
    );
    tag(&scene, "years = \"..2015\"\npool = \"cold\"");
    scene.run("scan").expect(0);
    let (code, datasets) = scene.json("plan --datasets");
    assert_eq!(code, 0);
    let text = datasets["commands"].as_str().unwrap();
    assert!(
        text.contains("# --- pool ---") && text.contains("# --- cold ---"),
        "{text}"
    );
    let of = |name: &str| {
        let all = datasets["datasets"].as_array().unwrap();
        all.iter()
            .find(|d| d["name"] == name)
            .unwrap_or_else(|| panic!("{datasets}"))
            .clone()
    };
    // Long files are read from end to end (OpenZFS, Workload Tuning: 1M); short ones gain nothing.
    assert_eq!(
        (
            of("2012-cold")["recordsize"].as_str(),
            of("2020")["recordsize"].as_str()
        ),
        (Some("1M"), Some("128K"))
    );
    assert_eq!(of("2012-cold")["full_name"], "cold/archive/2012-cold");
    assert!(
        text.lines()
            .any(|l| l.starts_with("zfs create -o recordsize=128K") && l.ends_with("fast/archive/2020"))
    );
    let (_, pool) = scene.json("pool");
    let names: Vec<&str> = pool["pools"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| p["name"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["pool", "cold"]);
    assert_eq!(pool["pools"][0]["layouts"], pool["layouts"]);
    // What the plan needs of each pool is what `pool` says these files take there.
    let (_, plan) = scene.json("plan");
    for (planned, shown) in plan["pools"]
        .as_array()
        .unwrap()
        .iter()
        .zip(pool["pools"].as_array().unwrap())
    {
        let (a, b) = (
            planned["needed_bytes"].as_f64().unwrap(),
            shown["layouts"][0]["needed_bytes"].as_f64().unwrap(),
        );
        assert!((a - b).abs() <= b * 0.01, "{planned} {}", shown["layouts"][0]);
        assert_eq!(planned["usable_bytes"], shown["layouts"][0]["usable_bytes"]);
    }
}

/// What nobody has is refused in one sentence with what to do, and code 2; never a panic.
#[test]
fn absurd_pools_are_refused_with_the_nearest_that_is_sensible() {
    let asked = |disks: &str, size: &str, layout: &str| {
        let mut words = vec![
            "pool",
            "--ashift",
            "12",
            "--json",
            "--disks",
            disks,
            "--disk-size",
            size,
        ];
        words.extend(["--layout", layout]);
        poolward(words)
    };
    for (disks, size, layout, text, mend) in [
        ("0", "14 TB", "1 x 4 raidz2", "0 disks make no pool", "--disks 15"),
        (
            "1000000000",
            "14 TB",
            "1 x 4 raidz2",
            "1000000000 disks make no pool",
            "--disks 15",
        ),
        (
            "4",
            "14 TB",
            "1 x 15 raidz2",
            "needs 15 disks and 4 are",
            "1 x 4 raidz2",
        ),
        (
            "3",
            "14 TB",
            "1 x 4 raidz3",
            "needs 4 disks and 3 are",
            "1 x 3 raidz1",
        ),
        (
            "3",
            "14 TB",
            "1 x 3 raidz3",
            "takes at least 4 disks",
            "1 x 5 raidz3",
        ),
        ("3", "14 parsecs", "1 x 3 raidz1", "is not a size", "14 TB"),
        ("3", "-1 TB", "1 x 3 raidz1", "is not a size", "14 TB"),
        (
            "3",
            "10 EB",
            "1 x 3 raidz1",
            "largest size that can be counted",
            "14 TB",
        ),
        ("3", "10 MB", "1 x 3 raidz1", "too small for ZFS", "64 MiB"),
        (
            "3",
            "2 x 14 TB, 2 x 12 TB",
            "1 x 3 raidz1",
            "4 sizes of disks are told, and 3 disks",
            "Count all",
        ),
        (
            "3",
            "14 TB",
            "-1 x 3 raidz1",
            "is no number of vdevs",
            "2 x 7 raidz2",
        ),
        (
            "3",
            "14 TB",
            "99999999999 x 3 raidz1",
            "is no number of vdevs",
            "2 x 7 raidz2",
        ),
        (
            "12",
            "14 TB",
            "4000000 x 3 raidz1",
            "no pool has more than",
            "833 x 12 raidz1",
        ),
    ] {
        let ran = asked(disks, size, layout).expect(2);
        let error = &ran.object()["error"];
        assert!(
            error["text"].as_str().unwrap().contains(text),
            "{disks} {size} {layout}: {error}"
        );
        assert!(
            error["mend"].as_str().unwrap().contains(mend),
            "{disks} {size} {layout}: {error}"
        );
    }
    assert!(asked("-3", "14 TB", "1 x 3 raidz1").code == 2);
    let mixed = asked("3", "2 x 14 TB, 12 TB", "1 x 3 raidz1").expect(0).object();
    assert_eq!(mixed["disk_bytes"], 12_000_000_000_000_u64);
    assert!(
        mixed["disks_differ"]
            .as_str()
            .unwrap()
            .contains("the smallest counts")
    );
    assert_eq!(mixed["layouts"][0]["raw_bytes"], 36_000_000_000_000_u64);
}

/// A terminal of 100 columns shows every row on one line.
#[test]
fn layouts_are_compared_within_a_hundred_columns() {
    for disks in [1, 2, 3, 6, 12, 15, 24, 60] {
        let count = disks.to_string();
        let words = [
            "pool",
            "--disks",
            &count,
            "--disk-size",
            "22 TB",
            "--ashift",
            "12",
            "--layout",
        ];
        let layout = if disks < 4 {
            format!("{disks} x 1 stripe")
        } else {
            format!("1 x {disks} raidz2")
        };
        let text = poolward(words.iter().copied().chain([layout.as_str()]))
            .expect(0)
            .text();
        let rows: Vec<&str> = text.lines().take_while(|line| !line.is_empty()).collect();
        assert!(
            rows.len() > 1 && text.lines().all(|line| line.chars().count() <= 100),
            "{text}"
        );
        assert!(rows.iter().any(|row| row.starts_with('*')), "{text}");
    }
}
