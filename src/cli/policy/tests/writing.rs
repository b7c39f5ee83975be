//! The file that `begin` writes.

use super::*;
use crate::forecast::link::RunsOn;
use crate::ops::settings::PermissionWords;
use crate::plan::{By, Order};
use crate::units::{Bytes, LinkSpeed, Rate};
use crate::world::ReadHow;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

fn start(path: &str) -> Start<'_> {
    Start {
        sources: vec![("old box".into(), Path::new(path))],
        to: Path::new("/mnt/pool"),
        link: Some(LinkSpeed(10_000_000_000)),
        zone: chrono_tz::Europe::Lisbon,
    }
}

/// With every commented key in force.
fn opened(text: &str) -> String {
    let line = |line: &str| match line.strip_prefix("# ") {
        Some(rest) if rest.starts_with('[') || rest.contains(" = ") => format!("{rest}\n"),
        _ => format!("{line}\n"),
    };
    text.lines().map(line).collect()
}

#[test]
fn the_template_parses_back_to_the_usual_values() {
    let path = "/mnt/old \"quoted\" \\ \u{e9}\u{1F4BE}\n";
    let text = template(&start(path)).unwrap();
    let settings = accepted(&text);
    let mut usual = accepted(SMALLEST);
    usual.sources[0].name.0 = "old box".into();
    usual.sources[0].path = Path::new(path).into();
    usual.link = Some(LinkSpeed(10_000_000_000));
    usual.windows.zone = chrono_tz::Europe::Lisbon;
    assert_eq!(all(&settings), all(&usual));
}

/// The values of part 3 of the contract.
#[test]
fn what_is_left_out_has_its_usual_value() {
    let usual = accepted(SMALLEST);
    assert_eq!(
        (usual.sources[0].project_depth, usual.destinations[0].fill_limit),
        (1, 80)
    );
    assert_eq!((usual.mtu, usual.runs_on, usual.link), (1500, RunsOn::Pool, None));
    assert_eq!(
        (usual.spanning, usual.rescan.as_str(), usual.quiet_days),
        (true, "daily", 7)
    );
    assert!(usual.windows.is_always());
    assert_eq!((usual.by, usual.order), (By::Year, Order::OldestFirst));
    assert_eq!(
        (usual.batch_max, usual.batch_min),
        (Bytes(4_000_000_000_000), Bytes(200_000_000_000))
    );
    assert_eq!(
        (usual.streams, usual.yield_to_others, usual.streams_large_max),
        (None, false, 4)
    );
    assert_eq!(
        (usual.second_copy.as_str(), usual.waiting_days, usual.hold_days),
        ("", 28, 14)
    );
    assert_eq!(usual.accept_read, [ReadHow::Direct, ReadHow::Evicted]);
    assert_eq!(usual.exclude, crate::survey::exclude::ExcludeRules::default());
    assert!(usual.notify.is_empty() && !usual.view_flat);
}

#[test]
fn what_the_template_shows_as_usual_is_usual_and_its_examples_are_right() {
    let text = template(&start("/mnt/old")).unwrap();
    // A destination waits for a batch or for a source, not for both.
    let one_wait = opened(&text).replace("after-source = ", "# ");
    let all_of_it = accepted(&one_wait);
    assert_eq!(all_of_it.windows.windows.len(), 1);
    assert_eq!(all_of_it.windows.blackouts.len(), 1);
    assert_eq!(all_of_it.sources[0].read_rate, Some(Rate(180_000_000)));
    assert_eq!((all_of_it.tags.len(), all_of_it.renames.len()), (2, 1));
    let permissions = PermissionWords {
        user: Some("editor".into()),
        group: Some("media".into()),
        directories: Some(0o750),
        files: Some(0o640),
    };
    assert_eq!(all_of_it.permissions, permissions);
    // Without the examples, nothing has changed: a value shown as usual is the usual one.
    let mut usual = accepted(&text);
    let got = all_of_it.clone();
    usual.sources = got.sources;
    usual.destinations = got.destinations;
    usual.windows = got.windows;
    (usual.tags, usual.renames, usual.permissions) = (got.tags, got.renames, got.permissions);
    assert_eq!(all(&usual), all(&all_of_it));
    assert_eq!(
        (
            all_of_it.sources[0].project_depth,
            all_of_it.destinations[0].fill_limit
        ),
        (1, 80)
    );
}

/// The keys are asked of the reader itself: an unknown one makes it name those it knows.
#[test]
fn the_template_shows_every_key_that_is_known() {
    let text = opened(&template(&start("/mnt/old")).unwrap());
    let headings = [
        "[[source]]",
        "[[destination]]",
        "[link]",
        "[schedule]",
        "[[window]]",
        "[[blackout]]",
        "[plan]",
        "[[tag]]",
        "[[rename]]",
        "[permissions]",
        "[exclude]",
        "[copy]",
        "[release]",
        "[notify]",
        "[view]",
    ];
    for heading in headings {
        let mend = parse(&format!("{heading}\nzzzz = 1\n"))
            .unwrap_err()
            .mend
            .unwrap();
        let keys = mend
            .split_once("keys here are ")
            .expect(heading)
            .1
            .trim_end_matches('.');
        let mut here = false;
        let mut shown = String::new();
        for line in text.lines() {
            here = if line.starts_with('[') {
                line.starts_with(heading)
            } else {
                here
            };
            shown.push_str(if here { line } else { "" });
            shown.push('\n');
        }
        for key in keys.split(", ") {
            assert!(shown.contains(&format!("\n{key} = ")), "{heading} {key}");
        }
    }
}

#[test]
fn several_sources_and_an_odd_link_are_written_as_they_are() {
    let mut odd = start("/mnt/a");
    odd.sources.push(("second".into(), Path::new("/mnt/b")));
    odd.link = Some(LinkSpeed(1_234_567_891));
    let settings = accepted(&template(&odd).unwrap());
    assert_eq!((settings.sources.len(), settings.link), (2, odd.link));
    odd.link = None;
    assert_eq!(accepted(&template(&odd).unwrap()).link, None);
}

#[test]
fn a_path_that_is_not_utf8_is_refused_with_the_mend() {
    let path = Path::new(std::ffi::OsStr::from_bytes(b"/mnt/caf\xe9"));
    let mut bad = start("/mnt/old");
    bad.to = path;
    let trouble = template(&bad).unwrap_err();
    assert_eq!(
        (trouble.code, trouble.path.as_deref()),
        ("path-not-utf8", Some(&b"/mnt/caf\xe9"[..]))
    );
    assert!(trouble.mend.is_some());
}

#[test]
fn all_of_the_contract_is_accepted() {
    let text = format!(
        "{SMALLEST}dataset = \"pool/archive\"\nlayout = \"1 x 15 raidz2\"\ndisk-size = \"14 TB\"\nashift = 12\n\
         accept = [\"owner\"]\n[plan]\nby = \"tag\"\n[permissions]\nowner = \"editor\"\n[copy]\nyield-to-others = true\n\
         streams = 3\n[notify]\ncommand = [\"/bin/true\"]\n[view]\nflat = true\n[release]\naccept-read = [\"server\"]\n"
    );
    let settings = accepted(&text);
    assert_eq!((settings.by, settings.streams), (By::Tag, Some(3)));
    assert!(settings.view_flat);
}
