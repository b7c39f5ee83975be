//! `[permissions]`: what is set instead of carried.

use crate::util::*;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown, lchown, symlink};
use std::path::Path;

const SET: &str = "\n[permissions]\nowner = \"4001:4002\"\ndirs = \"2750\"\nfiles = \"0640\"\n";

fn is_root() -> bool {
    std::fs::metadata("/proc/self").unwrap().uid() == 0
}

/// Mode, owner and group of everything below a folder, as stat(1) of coreutils says them.
fn as_stat_says(root: &Path) -> Vec<(String, String)> {
    let mut found = Vec::new();
    walk(root, &mut |path, facts| {
        let words = ["-c".as_ref(), "%a %u:%g".as_ref(), path.as_os_str()];
        let (ok, said) = other("stat", &words, root).expect("stat of coreutils");
        assert!(ok, "{said}");
        let kind = match (facts.is_dir(), facts.is_symlink()) {
            (true, _) => "dir",
            (_, true) => "link",
            _ => "file",
        };
        found.push((format!("{kind} {}", path.display()), said.trim().to_string()));
    });
    found
}

fn awkward(scene: &Scene) {
    scene.small();
    let project = scene.from.join("2019-lantern-fair");
    let program = scene.put("2019-lantern-fair/a/run.sh", b"#!/bin/sh\n");
    std::fs::set_permissions(program, std::fs::Permissions::from_mode(0o755)).unwrap();
    symlink("a/run.sh", project.join("link")).unwrap();
    if is_root() {
        chown(project.join("a"), Some(77), Some(78)).unwrap();
        lchown(project.join("link"), Some(77), Some(78)).unwrap();
    }
}

#[test]
fn owner_and_bits_are_set_and_compared_with_what_was_set() {
    if !is_root() {
        return crate::support::skip("only root may give files away");
    }
    let scene = Scene::bare();
    awkward(&scene);
    scene.begin();
    scene.edit("[exclude]", &format!("{SET}[exclude]"));
    let before = listing(&scene.from);
    scene.run("scan");
    scene.run("plan");
    let ran = scene.run("copy --all");
    assert_eq!(ran.code, 0, "{}{}", ran.text(), ran.err);
    let (code, verified) = scene.json("verify --all");
    assert_eq!(code, 0, "{verified}");
    assert_eq!(listing(&scene.from), before);
    let found = as_stat_says(&scene.to.join("2019/2019-lantern-fair"));
    assert!(found.len() > 4);
    for (what, said) in found {
        let wanted = match what.split_once(' ').unwrap().0 {
            "dir" => "2750 4001:4002",
            "link" => "777 4001:4002",
            _ => "640 4001:4002",
        };
        assert_eq!(said, wanted, "{what}");
    }
}

#[test]
fn bits_set_later_are_a_difference_that_costs_no_second_copy() {
    let scene = Scene::bare();
    awkward(&scene);
    scene.copied();
    scene.run("verify --all").expect(0);
    scene.edit("[exclude]", "[permissions]\nfiles = \"0600\"\n[exclude]");
    let (code, verified) = scene.json("verify 2019.1 --again");
    assert_eq!(code, 1, "{verified}");
    let found = kinds(&verified, "differences");
    assert!(
        !found.is_empty() && found.iter().all(|f| f.starts_with("mode ")),
        "{found:?}"
    );
    let (_, copied) = scene.json("copy 2019.1");
    assert_eq!(copied["batches"][0]["bytes_copied"], 0, "{copied}");
    let (code, verified) = scene.json("verify 2019.1");
    assert_eq!(code, 0, "{verified}");
    let mode = |path: &str| std::fs::metadata(scene.to.join(path)).unwrap().mode() & 0o7777;
    assert_eq!(mode("2019/2019-lantern-fair/a/run.sh"), 0o600);
}

#[test]
fn nobody_of_that_name_stops_before_anything_is_written() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.edit(
        "[exclude]",
        "[permissions]\nowner = \"nobody-is-called-so\"\n[exclude]",
    );
    let ran = scene.run("copy --all").expect(2);
    assert!(ran.err.contains("nobody-is-called-so"), "{}", ran.err);
    assert!(!scene.to.join("2019").exists());
}
