//! From nothing to a released batch, and what the tree looks like afterwards.

use crate::util::*;
use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{FileExt, MetadataExt, PermissionsExt, symlink};

#[test]
fn a_whole_move_goes_from_begin_to_an_open_gate() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let (code, scan) = scene.json("scan");
    assert_eq!(code, 0);
    has(&scan, "command sources errors changes");
    has(
        &scan["sources"][0],
        "name path entries files directories symlinks special bytes allocated_bytes excluded boundaries \
         unreadable inodes seconds index",
    );
    assert_eq!(
        (&scan["sources"][0]["files"], &scan["sources"][0]["bytes"]),
        (&4.into(), &379_027.into())
    );
    let (_, survey) = scene.json("survey");
    has(
        &survey,
        "years kinds projects sizes hazards questions twins growth_bytes_per_year",
    );
    let (code, plan) = scene.json("plan");
    assert_eq!(code, 0, "{plan}");
    has(
        &plan,
        "datasets batches unplanned start finish pool difference written",
    );
    has(
        &plan["batches"][0],
        "name dataset source state flags projects files bytes start end seconds binding_stage",
    );
    has(&plan["pool"], "usable_bytes needed_bytes fits");
    let (code, copy) = scene.json("copy --all");
    assert_eq!(code, 0);
    has(
        &copy["batches"][0],
        "name state files_copied files_already_there files_failed bytes_copied bytes_resumed bytes_repaired \
         seconds losses failures",
    );
    let (code, verify) = scene.json("verify");
    assert_eq!(code, 0);
    has(
        &verify["batches"][0],
        "name state files_checked bytes_read read_how seconds differences listed",
    );
    let (code, status) = scene.json("status --left-behind");
    assert_eq!(code, 0);
    has(
        &status,
        "batches totals finish durability durability_of left_behind",
    );
    let promised = &status["durability_of"][0];
    has(promised, "dataset class publish sync_reaches");
    assert_eq!(promised["publish"], "rename", "{status}");
    has(
        &status["batches"][0],
        "name dataset state flags files bytes read_how planned_end forecast_end",
    );
    assert_eq!(status["totals"]["bytes"]["verified"], 379_027);
    let name = plan["batches"][0]["name"].as_str().unwrap().to_string();

    let (code, shut) = scene.json(&format!("release {name}"));
    assert_eq!(code, 1);
    has(
        &shut["batches"][0],
        "name releasable reasons files bytes sheet removed aside",
    );
    let codes: Vec<_> = shut["batches"][0]["reasons"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["code"].clone())
        .collect();
    assert_eq!(codes, ["no-second-copy", "no-restore-test"]);

    scene.edit(
        "second-copy = \"\"",
        "second-copy = \"a shelf at the harbour office\"",
    );
    let restored = scene.root().join("restored");
    write(&restored.join("clip.bin"), &noise(300_000, 1));
    let words = [
        "release",
        &name,
        "--restored",
        restored.to_str().unwrap(),
        "--json",
    ];
    let open = scene.run_words(&words).expect(0).object();
    assert_eq!(open["batches"][0]["releasable"], true, "{open}");
    let sheet = open["batches"][0]["sheet"].as_str().unwrap();
    let sheet = std::fs::read_to_string(sheet).unwrap();
    assert!(sheet.contains(&name));
    assert!(
        !sheet.contains("0 files"),
        "a project without its amount: {sheet}"
    );
    let (_, status) = scene.json("status");
    assert!(
        status["batches"]
            .as_array()
            .unwrap()
            .iter()
            .any(|b| b["state"] == "released")
    );

    let (code, report) = scene.json("report");
    assert_eq!(code, 0);
    for file in report["files"].as_array().unwrap() {
        assert!(
            std::fs::metadata(file.as_str().unwrap()).unwrap().len() > 0,
            "{file}"
        );
    }
    assert!(scene.home.join("reports/report.html").is_file());
    assert!(
        scene
            .home
            .join(format!("reports/manifests/{name}.blake3"))
            .is_file()
    );
    let (code, forecast) = scene.json("forecast --link 1GbE --link 10GbE");
    assert_eq!(code, 0);
    has(
        &forecast["cases"][0],
        "name link finish seconds nights binding_stage next_stage",
    );
}

#[test]
fn a_restore_test_that_differs_is_not_recorded_and_keeps_the_gate_shut() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    let restored = scene.root().join("restored");
    write(&restored.join("clip.bin"), b"something else");
    let ran = scene.run_words(&["release", "--restored", restored.to_str().unwrap()]);
    assert_ne!(ran.code, 0);
    let (_, shut) = scene.json("release 2020.1");
    assert!(
        shut["batches"][0]["reasons"]
            .to_string()
            .contains("no-restore-test")
    );
}

#[test]
fn a_changed_or_new_file_at_the_source_keeps_the_gate_shut() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify").expect(0);
    scene.put("2020-harvest/late.txt", b"one more");
    std::fs::write(scene.from.join("2020-harvest/photo.bin"), noise(9_000, 44)).unwrap();
    let (code, shut) = scene.json("release 2020.1");
    assert_eq!(code, 1);
    let reasons = shut["batches"][0]["reasons"].to_string();
    assert!(
        reasons.contains("changed-at-source") && reasons.contains("new-at-source"),
        "{reasons}"
    );
}

#[test]
fn the_tree_at_the_destination_equals_the_source_in_all_that_a_tree_has() {
    let scene = Scene::bare();
    let project = scene.from.join("2019-lantern-fair");
    for (name, seed) in names().into_iter().zip(10..) {
        write(&project.join(&name), &noise(1_000 + seed as usize, seed));
    }
    std::fs::create_dir_all(project.join("empty/inside")).unwrap();
    scene.put("2019-lantern-fair/nothing.bin", b"");
    scene.put("2019-lantern-fair/large.bin", &noise(36 << 20, 99));
    let secret = scene.put("2019-lantern-fair/secret.txt", b"quiet");
    std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o640)).unwrap();
    let first = scene.put("2019-lantern-fair/take.bin", &noise(5_000, 7));
    std::fs::create_dir(project.join("edit")).unwrap();
    std::fs::hard_link(&first, project.join("edit/take-again.bin")).unwrap();
    symlink("../take.bin", project.join("edit/to-take")).unwrap();
    symlink(OsStr::from_bytes(b"nowhere\xff"), project.join("dangling")).unwrap();
    let sparse = std::fs::File::create(project.join("sparse.img")).unwrap();
    sparse.set_len(64 << 20).unwrap();
    sparse.write_all_at(&noise(4096, 5), 8 << 20).unwrap();
    set_time(&project.join("sparse.img"), 1_560_000_000, 1);
    let edit = project.join("edit");
    std::fs::set_permissions(&edit, std::fs::Permissions::from_mode(0o750)).unwrap();
    for folder in ["edit", "empty/inside", "empty", ""] {
        set_time(&project.join(folder), 1_561_000_000, 42);
    }
    let before = listing(&scene.from);
    scene.copied();
    scene.run("verify").expect(0);
    assert_eq!(listing(&scene.from), before, "the source was touched");
    assert_eq!(listing(&scene.to.join("2019")), before);
    let arrived = scene.to.join("2019/2019-lantern-fair");
    let inode = |path: &str| arrived.join(path).metadata().unwrap().ino();
    assert_eq!(inode("take.bin"), inode("edit/take-again.bin"));
    let blocks = arrived.join("sparse.img").metadata().unwrap().blocks();
    assert!(blocks * 512 < 4 << 20, "holes were filled: {blocks} blocks");
}

/// Names that are legal and awkward: bytes that are not UTF-8, a newline, a leading dash, blanks,
/// quotes, a backslash, the longest there can be (255 bytes, NAME_MAX of limits.h in POSIX).
fn names() -> Vec<OsString> {
    let mut names: Vec<Vec<u8>> = vec![
        b"latin-\xe9t\xe9.txt".to_vec(),
        b"two\nlines.txt".to_vec(),
        b"-rf".to_vec(),
        b" blank ".to_vec(),
        b"it's \"quoted\".txt".to_vec(),
        b"back\\slash".to_vec(),
        "gr\u{fc}n.txt".into(),
        "gru\u{308}n.txt".into(),
        b"*".to_vec(),
        b"...".to_vec(),
        b"\x1b[31mred".to_vec(),
    ];
    names.push(vec![b'n'; 255]);
    names.into_iter().map(OsString::from_vec).collect()
}

#[test]
fn manifests_hold_the_blake3_of_every_file_and_another_program_accepts_them() {
    let scene = Scene::bare();
    scene.small();
    // b3sum reads check files as UTF-8 alone; names of other bytes have a test of their own.
    for name in names().into_iter().filter(|name| name.to_str().is_some()) {
        write(&scene.from.join("2019-lantern-fair").join(&name), name.as_bytes());
    }
    scene.copied();
    scene.run("verify").expect(0);
    let manifest = scene.home.join("reports/manifests/2020.1.blake3");
    let text = std::fs::read_to_string(&manifest).unwrap();
    let hash = blake3::hash(&noise(9_000, 3));
    assert!(
        text.contains(&format!("{hash}  2020-harvest/photo.bin")),
        "{text}"
    );
    let manifest = scene.home.join("reports/manifests/2019.1.blake3");
    let words = [OsStr::new("--check"), manifest.as_os_str()];
    // b3sum reads the check format of coreutils' sums, a backslash before escaped names included.
    match other("b3sum", &words, &scene.to.join("2019")) {
        Some((content, said)) => assert!(content, "{said}"),
        None => eprintln!("skipped: b3sum is not installed"),
    }
}

#[test]
fn a_name_that_is_not_utf_8_stands_in_the_manifest_as_its_bytes() {
    let scene = Scene::bare();
    let name = OsStr::from_bytes(b"latin-\xe9t\xe9.txt");
    write(&scene.from.join("2019-fair").join(name), b"summer");
    scene.copied();
    let (_, verify) = scene.json("verify");
    assert_eq!(verify["batches"][0]["state"], "verified");
    let manifest = std::fs::read(scene.home.join("reports/manifests/2019.1.blake3")).unwrap();
    let line = [
        blake3::hash(b"summer").to_string().as_bytes(),
        b"  2019-fair/latin-\xe9t\xe9.txt\n",
    ]
    .concat();
    assert_eq!(manifest, line);
}

#[test]
fn what_is_no_file_is_left_behind_until_it_is_accepted_by_code() {
    let scene = Scene::bare();
    scene.small();
    let pipe = scene.from.join("2020-harvest/pipe");
    let made = other("mkfifo", &[pipe.as_os_str()], &scene.from);
    assert!(made.unwrap().0);
    scene.copied();
    scene.run("verify").expect(0);
    let (_, shut) = scene.json("release 2020.1");
    assert!(
        shut["batches"][0]["reasons"].to_string().contains("left-behind"),
        "{shut}"
    );
    let ran = scene.run("release 2020.1 --accept nonsense").expect(2);
    assert!(ran.err.contains("special"), "{}", ran.err);
    let (_, shut) = scene.json("release 2020.1 --accept special");
    assert!(
        !shut["batches"][0]["reasons"].to_string().contains("left-behind"),
        "{shut}"
    );
}

#[test]
fn a_lost_manifest_is_told_on_the_sheet_and_written_anew() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    scene.run("verify --all").expect(0);
    let list = scene.home.join("reports/manifests/2019.1.blake3");
    let kept = std::fs::read(&list).unwrap();
    let hash = poolward::digest::Digest::of(&kept).to_string();
    let sheet = || {
        scene.run("release 2019.1");
        std::fs::read_to_string(scene.home.join("reports/release/2019.1.txt")).unwrap()
    };
    assert!(sheet().contains(&hash));
    std::fs::remove_file(&list).unwrap();
    let without = sheet();
    assert!(
        !without.contains(&hash) && without.contains("missing or unreadable"),
        "{without}"
    );
    scene.run("verify 2019.1").expect(0);
    assert_eq!(std::fs::read(&list).unwrap(), kept);
    assert!(sheet().contains(&hash));
}

#[test]
fn a_report_that_cannot_be_written_leaves_nothing_half_done() {
    let scene = Scene::bare();
    scene.small();
    scene.copied();
    // A folder has the list's name, so that it can be written aside and not be renamed.
    let list = scene.home.join("reports/manifests/2019.1.blake3");
    std::fs::create_dir_all(list.join("in the way")).unwrap();
    let ran = scene.run("verify 2019.1").expect(3);
    assert!(ran.err.contains("2019.1.blake3"), "{}", ran.err);
    let names: Vec<_> = std::fs::read_dir(list.parent().unwrap())
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    assert_eq!(names, ["2019.1.blake3"]);
}
