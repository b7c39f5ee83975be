//! The settings file: read, refused with its place, written and changed.

use super::*;
use crate::forecast::link::RunsOn;
use crate::plan::By;
use crate::units::{Bytes, LinkSpeed};
use proptest::prelude::*;

const SMALLEST: &str = "[[source]]\nname = \"old\"\npath = \"/mnt/old\"\n[[destination]]\nname = \"pool\"\npath = \"/mnt/pool\"\n";

fn refused(text: &str) -> (String, String) {
    let trouble = parse(text).expect_err("must be refused");
    (trouble.text, trouble.mend.unwrap_or_default())
}

#[test]
fn the_template_parses_back_to_the_usual_values() {
    let start = Start {
        sources: vec![("old box".into(), Path::new("/mnt/old \"quoted\""))],
        to: Path::new("/mnt/pool"),
        link: Some(LinkSpeed(10_000_000_000)),
        zone: chrono_tz::Europe::Lisbon,
    };
    let text = template(&start).unwrap();
    let settings = parse(&text).unwrap();
    let usual = parse(SMALLEST).unwrap();
    assert_eq!(settings.sources[0].path, Path::new("/mnt/old \"quoted\""));
    assert_eq!(settings.link, start.link);
    assert_eq!(settings.windows.zone, start.zone);
    assert_eq!(
        (settings.by, settings.batch_max, settings.batch_min),
        (usual.by, usual.batch_max, usual.batch_min)
    );
    assert_eq!((settings.waiting_days, settings.quiet_days), (28, 7));
    assert!(settings.without_effect().is_empty());
    // What is a comment is right as well, once it is taken in.
    let opened: String = text
        .lines()
        .map(|line| match line.strip_prefix("# ") {
            Some(rest) if rest.starts_with("[[") || rest.contains(" = ") || rest.starts_with('[') => {
                format!("{rest}\n")
            }
            _ => format!("{line}\n"),
        })
        .collect();
    let settings = parse(&opened).unwrap_or_else(|t| panic!("{}\n{opened}", t.text));
    assert_eq!(settings.batch_max, Bytes(4_000_000_000_000));
    assert_eq!(settings.runs_on, RunsOn::Pool);
    assert_eq!(settings.windows.windows.len(), 1);
}

#[test]
fn what_is_wrong_is_named_with_its_place() {
    let (text, mend) = refused(&format!("{SMALLEST}[plan]\nbatchmax = \"4 TB\"\n"));
    assert!(
        text.starts_with("move.toml:8:1: unknown field `batchmax`"),
        "{text}"
    );
    assert!(mend.contains("`batch-max`"), "{mend}");
    let (text, mend) = refused(&format!("{SMALLEST}[plan]\nbatch-max = \"4 Tonnes\"\n"));
    assert_eq!(text, "move.toml:8:13: batch-max: \"4 Tonnes\" is not a size");
    assert!(mend.starts_with("Write for example 14 TB"), "{mend}");
    let (text, _) = refused(&format!("{SMALLEST}[plan]\nby = \"yaer\"\n"));
    assert!(
        text.starts_with("move.toml:8:6: by: \"yaer\" is none of"),
        "{text}"
    );
    let (text, _) = refused(&format!("{SMALLEST}[[tag]]\nmatch = '('\nyear = 2019\n"));
    assert!(
        text.starts_with("move.toml:8:9: match: cannot read the pattern"),
        "{text}"
    );
    let (text, _) = refused(&format!("{SMALLEST}fill-limit = 0\n"));
    assert!(
        text.starts_with("move.toml:7:14: fill-limit: 0 is not 1 to 100"),
        "{text}"
    );
    let (text, _) = refused(&SMALLEST.replace("/mnt/pool", "/mnt/old/new"));
    assert!(text.contains("lie inside one another"), "{text}");
    let (text, _) = refused("[[source]]\nname = \"a\"\n");
    assert!(text.starts_with("move.toml:1:1: missing field `path`"), "{text}");
    let (text, _) = refused("x = = 1");
    assert!(text.starts_with("move.toml:1:"), "{text}");
}

#[test]
fn a_tag_is_set_before_the_others_and_comments_stay() {
    let text = format!("# mine\n{SMALLEST}[[tag]] # every year\nmatch = '^20'\nhold = true\n");
    let once = add_tag(&text, "2019 Lantern", "year", "2018").unwrap();
    let twice = add_tag(&once, "2019 Lantern", "hold", "true").unwrap();
    assert!(
        twice.contains("# mine") && twice.contains("# every year"),
        "{twice}"
    );
    let settings = parse(&twice).unwrap_or_else(|t| panic!("{}\n{twice}", t.text));
    assert_eq!(settings.tags.len(), 2, "{twice}");
    assert_eq!(settings.tags[0].year.as_deref(), Some("2018"), "{twice}");
    assert!(settings.tags[0].hold && settings.tags[1].hold);
    for (key, value) in [
        ("year", "soon"),
        ("hold", "yes"),
        ("color", "red"),
        ("order", "first"),
    ] {
        assert!(add_tag(&text, "p", key, value).is_err(), "{key}");
    }
}

#[test]
fn all_of_the_contract_is_accepted() {
    let text = format!(
        "{SMALLEST}dataset = \"pool/archive\"\nlayout = \"1 x 15 raidz2\"\ndisk-size = \"14 TB\"\nashift = 12\n\
         accept = [\"owner\"]\n[plan]\nby = \"tag\"\n[permissions]\nowner = \"editor\"\n[copy]\nyield-to-others = true\n\
         [notify]\ncommand = [\"/bin/true\"]\n[view]\nflat = true\n[release]\naccept-read = [\"server\"]\n"
    );
    let settings = parse(&text).unwrap();
    assert_eq!(settings.by, By::Tag);
    assert_eq!(
        settings.without_effect(),
        [
            "[permissions]",
            "copy.yield-to-others",
            "notify.command",
            "view.flat"
        ]
    );
}

proptest! {
    #[test]
    fn no_text_makes_the_reader_panic(text in "[\\[\\]a-z=\"0-9. \n#-]{0,200}") {
        let _ = parse(&text);
        let _ = parse(&format!("{SMALLEST}{text}"));
    }
}
