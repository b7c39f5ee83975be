//! Destinations that do not take every name, or take two for one.

use crate::support::fuse::{EINVAL, Fault};
use crate::util::noise;
use crate::{Mounted, equal, failures, whole_or_absent};

#[test]
fn a_name_that_the_destination_refuses_fails_alone() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.put("2019-fair/a:b.txt", b"words");
    scene.put("2019-fair/raw:2/one.bin", &noise(900, 31));
    scene.planned();
    fuse.fault("archive/2019/2019-fair/a:b.txt", Fault::Refused(EINVAL));
    fuse.fault("archive/2019/2019-fair/raw:2", Fault::Refused(EINVAL));
    let (code, copied) = scene.json("copy --all");
    assert_eq!(code, 1, "{copied}");
    let expected = [
        "name-refused 2019-fair/a:b.txt",
        "name-refused 2019-fair/raw:2",
        "name-refused 2019-fair/raw:2/one.bin",
    ];
    assert_eq!(failures(&copied), expected, "{copied}");
    assert_eq!(whole_or_absent(&scene).0, 5);
    fuse.heal();
    scene.run("copy 2019.1").expect(0);
    scene.run("verify").expect(0);
    equal(&scene);
}

#[test]
fn a_name_that_the_destination_refuses_gets_through_under_another() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.put("2019-fair/a:b.txt", b"words");
    scene.put("2019-fair/raw:2/one.bin", &noise(900, 31));
    scene.planned();
    fuse.fault("archive/2019/2019-fair/a:b.txt", Fault::Refused(EINVAL));
    fuse.fault("archive/2019/2019-fair/raw:2", Fault::Refused(EINVAL));
    scene.run("copy --all").expect(1);
    let rename = |from: &str, to: &str| {
        scene.edit(
            "[exclude]",
            &format!("[[rename]]\nfrom = \"{from}\"\nto = \"{to}\"\n[exclude]"),
        );
    };
    rename("2019-fair/a:b.txt", "2019-fair/a-b.txt");
    rename("2019-fair/raw:2", "2019-fair/raw-2");
    scene.run("copy --all").expect(0);
    let verified = scene.run("verify --all");
    assert_eq!(verified.code, 0, "{}{}", verified.text(), verified.err);
    let there = scene.to.join("2019/2019-fair");
    assert_eq!(std::fs::read(there.join("a-b.txt")).unwrap(), b"words");
    assert_eq!(
        std::fs::read(there.join("raw-2/one.bin")).unwrap(),
        noise(900, 31)
    );
}

#[test]
fn where_case_does_not_part_names_none_of_two_is_lost_silently() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    // Of different content, of the same content, and two folders.
    scene.put("2019-fair/Take.bin", &noise(4_000, 41));
    scene.put("2019-fair/take.bin", &noise(4_000, 42));
    scene.put("2019-fair/Note.txt", b"the same words");
    scene.put("2019-fair/NOTE.txt", b"the same words");
    scene.put("2019-fair/Sub/one.bin", &noise(700, 43));
    scene.put("2019-fair/sub/two.bin", &noise(700, 44));
    fuse.fold();
    scene.planned();
    let (_, survey) = scene.json("survey");
    let told = survey["hazards"].to_string();
    assert!(told.contains("name-case-collision"), "{told}");
    let (code, copied) = scene.json("copy --all");
    assert_eq!(code, 1, "{copied}");
    let failed = failures(&copied);
    let mut lost = Vec::new();
    for pair in [["Take.bin", "take.bin"], ["NOTE.txt", "Note.txt"]] {
        let told = |name: &&str| failed.iter().any(|one| one.ends_with(&format!("/{name}")));
        lost.push(pair.iter().filter(|name| told(name)).count());
    }
    assert!(lost.iter().all(|told| *told > 0), "{lost:?} {failed:?}");
    let (code, verified) = scene.json("verify");
    assert_eq!(code, 1, "{verified}");
}
