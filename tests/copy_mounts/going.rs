//! Mounts that go while files are copied, and that come back; mounts that are not for writing.

use crate::support::fuse::Call;
use crate::{Mounted, equal, stopped, whole_or_absent};

/// Lost in the middle, then unmounted with an empty folder left, then back.
fn goes_and_comes(end: Option<Mounted>, call: Call, calls: u64) {
    let Some(Mounted {
        scene,
        mut fuse,
        behind,
    }) = end
    else {
        return;
    };
    scene.planned();
    fuse.lose_after(call, calls);
    stopped(&scene.json("copy --all"), "mount-gone");
    let (code, _) = scene.json("copy --all");
    assert_eq!(code, 3, "still gone");
    fuse.heal();
    whole_or_absent(&scene);
    fuse.unmount();
    // A source is the mount itself, where the mount point's own file system lies now; the destination
    // is a folder in it, which is not there.
    let word = match scene.from == fuse.path() {
        true => "mount-changed",
        false => "mount-missing",
    };
    stopped(&scene.json("copy --all"), word);
    let left = std::fs::read_dir(fuse.path()).unwrap().count();
    assert_eq!(left, 0, "nothing was written below the empty mount point");
    fuse.mount_again(behind.path());
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    equal(&scene);
}

#[test]
fn a_source_that_goes_midway_stops_the_copy_and_nothing_counts_as_removed() {
    goes_and_comes(Mounted::source(), Call::Read, 60);
}

#[test]
fn a_destination_that_goes_midway_stops_the_copy() {
    goes_and_comes(Mounted::destination(), Call::Write, 20);
}

#[test]
fn a_destination_that_goes_while_names_are_given_stops_the_copy() {
    goes_and_comes(Mounted::destination(), Call::Rename, 2);
}

#[test]
fn a_destination_that_goes_while_it_is_read_back_is_no_difference() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.copied();
    fuse.lose_after(Call::Read, 40);
    let stop = scene.json("verify");
    stopped(&stop, "mount-gone");
    fuse.heal();
    scene.run("verify").expect(0);
    equal(&scene);
}

#[test]
fn a_destination_mounted_for_reading_alone_is_refused_with_what_to_do() {
    let Some(Mounted {
        scene,
        fuse,
        behind: _behind,
    }) = Mounted::destination()
    else {
        return;
    };
    scene.planned();
    // Before the dataset has its folder, and when it has.
    for _ in 0..2 {
        fuse.remount("ro");
        stopped(&scene.json("copy --all"), "read-only");
        fuse.remount("rw");
        std::fs::create_dir_all(scene.to.join("2019")).unwrap();
    }
    scene.run("copy --all").expect(0);
    scene.run("verify").expect(0);
    equal(&scene);
}
