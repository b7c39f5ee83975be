//! A real tree of this machine: the sources of the libraries that Poolward is built from.

use crate::util::*;
use std::ffi::OsStr;
use std::path::PathBuf;

/// The folder of library sources, where there is one.
pub fn library_sources() -> Option<PathBuf> {
    let home = std::env::var_os("CARGO_HOME").map(PathBuf::from);
    let home = home.or_else(|| std::env::var_os("HOME").map(|home| PathBuf::from(home).join(".cargo")))?;
    let found = std::fs::read_dir(home.join("registry/src"))
        .ok()?
        .filter_map(Result::ok)
        .next();
    if found.is_none() {
        crate::support::skip("no library sources on this machine");
    }
    found.map(|item| item.path())
}

#[test]
fn counts_and_sizes_of_a_real_tree_equal_those_of_find() {
    let Some(tree) = library_sources() else { return };
    let mut scene = Scene::bare();
    scene.from = tree.clone();
    scene.begin();
    let (_, scan) = scene.json("scan");
    let find = |kind: &str| {
        let words = [".", "-mindepth", "1", "-type", kind, "-printf", "%s\n"].map(OsStr::new);
        let (fine, text) = other("find", &words, &tree).expect("find of findutils");
        assert!(fine);
        let sizes: Vec<u64> = text.lines().map(|line| line.parse().unwrap()).collect();
        (sizes.len() as u64, sizes.iter().sum::<u64>())
    };
    let source = &scan["sources"][0];
    let (files, bytes) = find("f");
    assert_eq!(
        (source["files"].as_u64(), source["bytes"].as_u64()),
        (Some(files), Some(bytes))
    );
    let folders = find("d").0;
    assert!(
        [Some(folders), Some(folders + 1)].contains(&source["directories"].as_u64()),
        "{source} {folders}"
    );
    assert_eq!(source["symlinks"].as_u64(), Some(find("l").0));
}

#[test]
fn a_real_tree_is_equal_by_diff_after_its_move() {
    let Some(tree) = library_sources() else { return };
    let scene = Scene::bare();
    let mut taken = 0;
    for item in std::fs::read_dir(&tree).unwrap().filter_map(Result::ok) {
        let path = item.path();
        let size = std::fs::read_dir(path.join("src"))
            .map(|list| list.count())
            .unwrap_or(0);
        if (5..60).contains(&size) && taken < 3 {
            taken += 1;
            let words = [OsStr::new("-a"), path.as_os_str(), scene.from.as_os_str()];
            assert!(other("cp", &words, &tree).unwrap().0);
        }
    }
    scene.begin();
    scene.edit("by = \"year\"", "by = \"project\"");
    scene.run("scan").expect(0);
    assert!(scene.run("plan").code < 2);
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    let words = [
        OsStr::new("-r"),
        OsStr::new("--no-dereference"),
        OsStr::new("--exclude=.poolward"),
        scene.from.as_os_str(),
        scene.to.as_os_str(),
    ];
    let (same, said) = other("diff", &words, &scene.from).expect("diff of diffutils");
    assert!(same, "{said}");
}
