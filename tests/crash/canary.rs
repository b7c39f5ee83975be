//! File systems broken on purpose: if the rig does not see it, it would see nothing.

use super::memfs::{Content, Plan, Publish, Unsynced, path};
use super::rig::mixed;
use poolward::world::FaultKind;

#[test]
fn a_sync_that_does_nothing_is_seen() {
    let rig = mixed();
    rig.target.become_like(|nature| nature.sync_works = false);
    rig.run(Plan::Nothing).unwrap();
    assert_eq!(rig.violations(&rig.target), Vec::<String>::new());
    let wrong = rig.violations(&rig.target.after_crash(Unsynced::Lost));
    assert!(
        wrong.iter().any(|text| text.contains("recorded and missing")),
        "{wrong:#?}"
    );
}

#[test]
fn a_publish_that_replaces_is_seen() {
    let rig = mixed();
    rig.target
        .become_like(|nature| nature.publish = Publish::Replaces);
    let target = rig.target.clone();
    let mut rig = rig;
    let place = path("a/empty");
    rig.control.hook(move |_, call| {
        if call.end == "target" && call.doing == "publish" && call.name == b"empty" {
            target.put_file(&path("a/empty"), Content::bytes(b"of another program, just now"));
        }
        None
    });
    rig.run(Plan::Nothing).unwrap();
    let theirs = Content::bytes(b"of another program, just now");
    let mut foreign = rig.target.files()[&place].clone();
    foreign.hash = theirs.hash();
    rig.foreign.insert(place, foreign);
    let wrong = rig.violations(&rig.target);
    assert!(
        wrong.iter().any(|text| text.contains("was there before")),
        "{wrong:#?}"
    );
}

#[test]
fn pages_that_a_failed_sync_gave_up_are_seen() {
    // The sync fails and the answer is lost on the way: the copy goes on as if it had worked.
    let rig = mixed();
    let target = rig.target.clone();
    rig.control.hook(move |_, call| {
        if call.end == "target" && call.doing == "sync all" {
            target.forget_dirty();
        }
        None
    });
    rig.run(Plan::Nothing).unwrap();
    let wrong = rig.violations(&rig.target.after_crash(Unsynced::Kept));
    assert!(wrong.iter().any(|text| text.contains("content")), "{wrong:#?}");
}

#[test]
fn a_lost_file_an_edit_and_a_leftover_are_seen() {
    let rig = mixed();
    rig.run(Plan::Nothing).unwrap();
    rig.target.take_away(&path("a/empty"));
    rig.target.edit(&path("a/small"), 0, b"A");
    rig.target.edit(&path("a/unrelated"), 0, b"A");
    rig.target.put_file(&path("a/.pw-c0ffee-1-1"), Content::default());
    rig.target
        .alter(&path("a/read-only"), |meta| meta.mtime.nanos += 1);
    let wrong = rig.violations(&rig.target).join("\n");
    for text in [
        "missing",
        "not what was hashed",
        "was there before",
        "no intent",
        "its time",
    ] {
        assert!(wrong.contains(text), "{text}: {wrong}");
    }
}

#[test]
fn writing_at_the_source_is_seen() {
    use poolward::world::Fs;
    let rig = mixed();
    let _ = rig.source.root().unwrap().make_folder(b"never");
    assert_eq!(rig.violations(&rig.target).len(), 1);
    rig.control.plan(Plan::Once {
        at: 1,
        kind: FaultKind::Medium,
    });
    assert!(rig.source.root().is_err());
}
