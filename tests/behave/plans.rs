//! Plans of several shapes, and moves along them.

use crate::util::*;
use std::ffi::OsStr;

fn names(plan: &serde_json::Value) -> Vec<String> {
    plan["batches"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["name"].as_str().unwrap().to_string())
        .collect()
}

#[test]
fn by_project_puts_the_content_directly_into_a_folder_of_the_projects_name() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    scene.edit("by = \"year\"", "by = \"project\"");
    scene.run("scan").expect(0);
    assert!(scene.run("plan").code < 2);
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    for project in ["2019-lantern-fair", "2019-river-play", "2020-harvest"] {
        assert_eq!(
            listing(&scene.to.join(project)),
            listing(&scene.from.join(project))
        );
    }
}

#[test]
fn by_project_an_uninvited_file_at_the_top_of_a_project_is_found() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    scene.edit("by = \"year\"", "by = \"project\"");
    scene.run("scan").expect(0);
    assert!(scene.run("plan").code < 2);
    scene.run("copy --all").expect(0);
    write(&scene.to.join("2020-harvest/visitor.txt"), b"nobody sent me");
    let (code, verify) = scene.json("verify");
    let found = kinds(&verify, "differences");
    assert!(found.contains(&"uninvited visitor.txt".into()), "{verify}");
    assert_eq!(code, 1);
}

#[test]
fn two_sources_with_the_same_names_lie_under_their_own_folders() {
    let scene = Scene::bare();
    scene.small();
    let second = scene.root().join("newbox");
    write(&second.join("2019-lantern-fair/notes.txt"), b"another fair");
    let from = [scene.from.as_os_str(), second.as_os_str()];
    let words = [
        OsStr::new("begin"),
        scene.home.as_os_str(),
        OsStr::new("--from"),
        from[0],
        from[1],
        OsStr::new("--to"),
        scene.to.as_os_str(),
        OsStr::new("--allow-root-disk"),
    ];
    poolward(words).expect(0);
    let to = format!("path = \"{}\"", scene.to.display());
    scene.edit(
        &to,
        &format!("{to}\nfill-limit = 100\nfree = \"1 TB\"\nreserve = \"1 MB\""),
    );
    scene.run("scan").expect(0);
    let ran = scene.run("plan").expect(2);
    assert!(ran.err.contains("under"), "{}", ran.err);
    let path = format!("path = \"{}\"", second.display());
    scene.edit(&path, &format!("{path}\nunder = \"newbox\""));
    let ran = scene.run("plan");
    assert!(ran.code < 2, "{}", ran.err);
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    let text = |path: &str| std::fs::read_to_string(scene.to.join(path)).unwrap();
    assert_eq!(text("2019/newbox/2019-lantern-fair/notes.txt"), "another fair");
    assert_eq!(
        text("2019/2019-lantern-fair/notes.txt"),
        "call the lighthouse keeper\n"
    );
}

#[test]
fn loose_files_form_a_project_by_year() {
    let scene = Scene::bare();
    scene.small();
    scene.put("price list.txt", b"2019");
    let late = scene.put("contract.txt", b"2020");
    set_time(&late, 1_592_000_000, 0);
    scene.copied();
    scene.run("verify").expect(0);
    let text = |path: &str| std::fs::read_to_string(scene.to.join(path)).unwrap();
    assert_eq!(text("2019/loose-2019/price list.txt"), "2019");
    assert_eq!(text("2020/loose-2020/contract.txt"), "2020");
}

#[test]
fn project_depth_two_takes_the_folders_below_the_clients() {
    let scene = Scene::bare();
    scene.put("harbour/2019-fair/a.bin", b"a");
    scene.put("harbour/2020-play/b.bin", b"b");
    scene.put("mill/2019-fair/c.bin", b"c");
    scene.put("mill/loose.txt", b"loose");
    scene.begin();
    let path = format!("path = \"{}\"", scene.from.display());
    scene.edit(&path, &format!("{path}\nproject-depth = 2"));
    scene.run("scan").expect(0);
    let ran = scene.run("plan");
    assert!(ran.code < 2, "{}", ran.err);
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    let text = |path: &str| std::fs::read_to_string(scene.to.join(path)).unwrap_or_default();
    assert_eq!(text("2019/harbour/2019-fair/a.bin"), "a");
    assert_eq!(text("2020/harbour/2020-play/b.bin"), "b");
    assert_eq!(text("2019/mill/2019-fair/c.bin"), "c");
    assert_eq!(text("2019/loose-2019/mill/loose.txt"), "loose");
}

#[test]
fn what_a_rule_leaves_out_is_counted_listed_and_not_copied() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2020-harvest/@eaDir/thumb.jpg", b"thumb");
    scene.put("2020-harvest/scratch.tmp", b"scratch");
    scene.begin();
    scene.edit("[exclude]", "[exclude]\nnames = [\"*.tmp\"]");
    let (_, scan) = scene.json("scan");
    let excluded = scan["sources"][0]["excluded"].as_array().unwrap();
    let files: u64 = excluded.iter().map(|one| one["files"].as_u64().unwrap()).sum();
    assert_eq!(files, 2, "{scan}");
    assert!(scene.run("plan").code < 2);
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    assert!(!scene.to.join("2020/2020-harvest/scratch.tmp").exists());
    assert!(!scene.to.join("2020/2020-harvest/@eaDir").exists());
    let (_, status) = scene.json("status --left-behind");
    let left = status["left_behind"].to_string();
    assert!(left.contains("scratch.tmp") && left.contains("@eaDir"), "{left}");
    let (_, shut) = scene.json("release 2020.1");
    assert!(
        shut["batches"][0]["reasons"].to_string().contains("left-behind"),
        "{shut}"
    );
}

#[test]
fn a_batch_copied_by_other_means_is_seen_adopted_and_verified_like_a_copy() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    std::fs::create_dir(scene.to.join("2019")).unwrap();
    for project in ["2019-lantern-fair", "2019-river-play"] {
        let from = scene.from.join(project);
        let to = scene.to.join("2019");
        let words = [OsStr::new("-a"), from.as_os_str(), to.as_os_str()];
        assert!(other("cp", &words, &scene.from).unwrap().0);
    }
    let (_, status) = scene.json("status");
    let arrived: u64 = status["arrived"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["files"].as_u64().unwrap())
        .sum();
    assert_eq!(arrived, 3, "{status}");
    let (_, plan) = scene.json("plan");
    for name in names(&plan).iter().filter(|name| name.starts_with("2019")) {
        let (code, adopt) = scene.json(&format!("adopt {name}"));
        assert_eq!(code, 0, "{adopt}");
        assert_eq!(adopt["batches"][0]["files_copied"], 0);
        assert!(adopt["batches"][0]["files_adopted"].as_u64() > Some(0));
    }
    let (code, verify) = scene.json("verify");
    assert_eq!(code, 0, "{verify}");
    assert!(
        verify["batches"]
            .as_array()
            .unwrap()
            .iter()
            .all(|b| b["state"] == "verified")
    );
}

#[test]
fn adopting_reports_what_is_missing_or_other_and_repairs_nothing() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let there = scene.to.join("2019/2019-lantern-fair/notes.txt");
    write(&there, b"call the lighthouse keepeR\n");
    let (code, adopt) = scene.json("adopt 2019.1");
    assert_eq!(code, 1, "{adopt}");
    assert_eq!(std::fs::read(&there).unwrap(), b"call the lighthouse keepeR\n");
    assert!(!scene.to.join("2019/2019-river-play/sound.bin").exists());
}

#[test]
fn the_file_list_of_a_batch_is_what_the_copy_takes() {
    let scene = Scene::bare();
    scene.small();
    scene.put("2020-harvest/two\nlines.txt", b"x");
    scene.planned();
    let list = scene.run("plan --files 2020.1").expect(0).out;
    let mut listed: Vec<_> = list.split(|b| *b == 0).filter(|name| !name.is_empty()).collect();
    listed.sort();
    assert_eq!(
        listed,
        [
            b"2020-harvest/photo.bin".as_slice(),
            b"2020-harvest/two\nlines.txt"
        ]
    );
    assert_eq!(list.last(), Some(&0));
    let (_, copy) = scene.json("copy 2020.1");
    assert_eq!(copy["batches"][0]["files_copied"], 2);
}

#[test]
fn a_tag_that_is_set_is_written_and_moves_the_project() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let ran = scene.run("plan --set 2019-river-play year=2021");
    assert!(ran.code < 2, "{}", ran.err);
    let text = std::fs::read_to_string(scene.home.join("move.toml")).unwrap();
    assert!(text.contains("[[tag]]") && text.contains("year = 2021"), "{text}");
    let (_, plan) = scene.json("plan");
    assert!(names(&plan).contains(&"2021.1".to_string()), "{plan}");
    let why = scene.run("plan --why 2019-river-play").expect(0).text();
    assert!(why.contains("2021"), "{why}");
    let ran = scene.run("plan --set 2019-river-play colour=red").expect(2);
    assert!(ran.err.contains("colour"), "{}", ran.err);
    assert!(
        !std::fs::read_to_string(scene.home.join("move.toml"))
            .unwrap()
            .contains("colour")
    );
    scene.run("plan --why 2019-rivr-play").expect(2);
    let before = std::fs::read(scene.home.join("move.toml")).unwrap();
    let ran = scene.run("plan --set 2019-rivr-play year=2022").expect(2);
    assert!(ran.err.contains("2019-river-play"), "{}", ran.err);
    assert_eq!(std::fs::read(scene.home.join("move.toml")).unwrap(), before);
    // As a shell completes a folder's name.
    assert!(scene.run("plan --set 2019-river-play/ year=2022").code < 2);
    let why = scene.run("plan --why 2019-river-play").expect(0).text();
    assert!(why.contains("2022"), "{why}");
}

#[test]
fn every_form_of_plan_prints_one_object_with_json() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.run("plan --why 2020-harvest --json").object();
    scene.run("plan --datasets --json").object();
    scene.run("plan --files 2020.1 --json").object();
    scene.run("copy no-such --json").expect(2).object();
    scene.run("copy --no-such-option --json").expect(2).object();
}

#[test]
fn a_plan_that_differs_after_a_batch_has_begun_is_written_only_when_accepted() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.run("copy 2019.1").expect(0);
    scene.put("2018-early-fair/a.bin", b"found in a drawer");
    let (_, scan) = scene.json("scan");
    assert_eq!(scan["changes"]["new"]["files"], 1, "{scan}");
    let (code, plan) = scene.json("plan");
    assert_eq!((code, &plan["written"]), (1, &false.into()), "{plan}");
    assert!(plan["difference"].is_object());
    let (_, plan) = scene.json("plan --accept");
    assert_eq!(plan["written"], true);
    let (_, same) = scene.json("plan");
    assert_eq!(names(&same), names(&plan));
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    assert!(scene.to.join("2018/2018-early-fair/a.bin").is_file());
}

#[test]
fn a_held_batch_is_not_copied_until_it_is_let_go() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.run("hold 2020.1").expect(0);
    let ran = scene.run("copy 2020.1").expect(3);
    assert!(
        ran.err.contains("held") && ran.err.contains("hold 2020.1 --off"),
        "{}",
        ran.err
    );
    assert!(scene.json("status").1["batches"].to_string().contains("held"));
    let over = scene
        .run("hold --everything --until 2001-01-01T00:00:00Z")
        .expect(2);
    assert!(over.err.contains("over already"), "{}", over.err);
    scene.run("hold --everything --until someday").expect(2);
    let held = scene
        .run_words(&["hold", "--everything", "--until", "2101-02-03 07:00"])
        .expect(0)
        .text();
    assert!(held.contains("everything until Thu 2101-02-03 07:00"), "{held}");
    let ran = scene.run("copy --all").expect(0);
    assert!(
        ran.text().contains("No batch can be copied now."),
        "{}",
        ran.text()
    );
    assert!(ran.err.contains("until Thu 2101-02-03"), "{}", ran.err);
    assert!(ran.err.contains("hold --everything --off"), "{}", ran.err);
    scene.run("hold --everything --off").expect(0);
    scene.run("copy 2020.1").expect(3);
    scene.run("hold 2020.1 --off").expect(0);
    scene.run("copy 2020.1").expect(0);
    scene.run("copy --all").expect(0);
}

#[test]
fn forecast_puts_every_case_side_by_side_and_changes_nothing() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let ledger = std::fs::read(scene.home.join("move.toml")).unwrap();
    let words = [
        "forecast",
        "--link",
        "1GbE",
        "--link",
        "10GbE",
        "--windows",
        "mon-fri 19:00-07:00",
        "--json",
    ];
    let cases = scene.run_words(&words).expect(0).object();
    assert!(cases["cases"].as_array().unwrap().len() >= 2, "{cases}");
    assert_eq!(std::fs::read(scene.home.join("move.toml")).unwrap(), ledger);
    let ran = scene.run("forecast --link fast").expect(2);
    assert!(ran.err.contains("fast"), "{}", ran.err);
    scene.run("forecast --runs-on moon").expect(2);
}

#[test]
fn a_new_scan_says_what_has_changed_in_all_and_by_batch() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.put("2020-harvest/new.bin", &noise(500, 9));
    scene.put("2019-lantern-fair/notes.txt", b"call the miller\n");
    std::fs::remove_file(scene.from.join("2019-lantern-fair/raw/clip.bin")).unwrap();
    let (from, to) = ("2019-river-play/sound.bin", "2019-river-play/sound-1.bin");
    std::fs::rename(scene.from.join(from), scene.from.join(to)).unwrap();
    let (code, scan) = scene.json("scan");
    assert_eq!(code, 0);
    let changes = &scan["changes"];
    let four = ["new", "changed", "gone", "moved"].map(|kind| changes[kind]["bytes"].as_u64().unwrap());
    assert_eq!(four, [500, 16, 300_000, 70_000], "{changes}");
    let harvest = changes["batches"]
        .as_array()
        .unwrap()
        .iter()
        .find(|b| b["name"] == "2020.1")
        .unwrap();
    assert_eq!(
        (&harvest["new"]["files"], &harvest["gone"]["files"]),
        (&1.into(), &0.into())
    );
    let (_, same) = scene.json("scan");
    assert_eq!(same["changes"]["new"]["files"], 0, "{same}");
}
