//! What is wrong is refused, with its place and the mend.

use super::*;
use proptest::prelude::*;

/// Text behind the smallest move (six lines), the refusal without `move.toml:`, part of the mend.
const WRONG: [(&str, &str, &str); 47] = [
    // No TOML.
    (
        "x = = 1",
        "7:5: x: extra `=`, expected nothing",
        "Correct that line",
    ),
    (
        "[plan]\nby",
        "8:3: key with no value, expected `=`",
        "Correct that line",
    ),
    (
        "[view]\nflat = yes",
        "8:8: flat: string values must be quoted",
        "Correct that line",
    ),
    (
        "[link]\nmtu = 1500\nmtu = 9000",
        "9:1: mtu: it is given twice",
        "Remove one",
    ),
    // Keys.
    (
        "[plan]\nbatchmax = \"4 TB\"",
        "8:1: batchmax: there is no such key here",
        "Did you mean `batch-max`?",
    ),
    (
        "[plan]\nspeed = \"10GbE\"",
        "8:1: speed: there is no such key here",
        "`speed` belongs under [link]",
    ),
    (
        "[sorce]\nname = 1",
        "7:2: sorce: there is no such key here",
        "Did you mean `source`?",
    ),
    (
        "[view]\nfalt = true",
        "8:1: falt: there is no such key here",
        "Did you mean `flat`?",
    ),
    (
        "view = 1",
        "7:1: view: there is no such key here",
        "`view` is a heading",
    ),
    (
        "[permissions]\nmode = \"0755\"",
        "8:1: mode: there is no such key here",
        "keys here are owner, dirs, files",
    ),
    (
        "[[window]]\nfrom = \"19:00\"\nuntil = \"07:00\"",
        "7:1: days: it is missing",
        "Add it",
    ),
    // Types.
    (
        "[plan]\nbatch-max = 4",
        "8:13: batch-max: invalid type: integer `4`, expected a string",
        "in quotes",
    ),
    (
        "[schedule]\nspanning = \"yes\"",
        "8:12: spanning: invalid type",
        "true or false",
    ),
    (
        "[schedule]\nstarts = 2027-02-01",
        "8:10: starts: a date or time without quotes",
        "in quotes",
    ),
    (
        "[exclude]\nnames = \"*.tmp\"",
        "8:9: names: invalid type",
        "in brackets",
    ),
    (
        "[link]\nmtu = \"9000\"",
        "8:7: mtu: invalid type",
        "without quotes",
    ),
    // Quantities and numbers.
    (
        "[plan]\nbatch-max = \"4 Tonnes\"",
        "8:13: batch-max: \"4 Tonnes\" is not a size",
        "Write for example 14 TB",
    ),
    (
        "[plan]\nbatch-max = \"0 B\"",
        "8:13: batch-max: nothing fits into it",
        "4 TB",
    ),
    (
        "[plan]\nbatch-min = \"5 TB\"",
        "8:13: batch-min: 5.00 TB is more than batch-max, 4.00 TB",
        "larger",
    ),
    (
        "[link]\nspeed = \"fast\"",
        "8:9: speed: \"fast\" is not a link speed",
        "10GbE",
    ),
    (
        "[link]\nmtu = 100",
        "8:7: mtu: an MTU of 100 is outside 576 to 65535 bytes",
        "1500",
    ),
    ("[link]\nmtu = -1", "8:7: mtu: an MTU of 0 is outside", "1500"),
    (
        "[schedule]\nquiet-days = -1",
        "8:14: quiet-days: -1 is not 0 to 3650",
        "whole number",
    ),
    (
        "[copy]\nstreams = 0",
        "8:11: streams: it is neither \"auto\" nor 1 to 64",
        "\"auto\"",
    ),
    (
        "[copy]\nstreams-large-max = 0",
        "8:21: streams-large-max: 0 is not 1 to 64",
        "1 to 64",
    ),
    (
        "fill-limit = 0",
        "7:14: fill-limit: 0 is not 1 to 100",
        "1 to 100",
    ),
    (
        "fill-limit = 101",
        "7:14: fill-limit: 101 is not 1 to 100",
        "1 to 100",
    ),
    ("layout = \"15 raidz2\"", "7:10: layout:", ""),
    (
        "accept = [\"owner\", \"colour\"]",
        "7:20: accept: \"colour\" is no fact",
        "owner, mode, time, xattr or acl",
    ),
    // Times.
    (
        "[[window]]\ndays = \"mo-fr\"\nfrom = \"19:00\"\nuntil = \"07:00\"",
        "8:8: days: \"mo-fr\" names no days",
        "mon-fri",
    ),
    (
        "[[window]]\ndays = \"mon\"\nfrom = \"19:60\"\nuntil = \"07:00\"",
        "9:8: from: \"19:60\" is no time",
        "19:00",
    ),
    (
        "[[window]]\ndays = \"mon\"\nfrom = \"19:00\"\nuntil = \"07:00\"\nrate-limit = \"0 MB/s\"",
        "11:14: rate-limit: nothing would move",
        "[[blackout]]",
    ),
    (
        "[[blackout]]\nfrom = \"2027-02-10\"\nuntil = \"2027-02-09\"",
        "9:9: until: it lies before from",
        "earlier",
    ),
    (
        "[schedule]\nstarts = \"2027-02-30\"",
        "8:10: starts: \"2027-02-30\" is no date",
        "2027-02-10",
    ),
    (
        "[schedule]\nzone = \"Europe/Berln\"",
        "8:8: zone: \"Europe/Berln\" is no time zone",
        "\"Europe/Berlin\"",
    ),
    // Words.
    (
        "[plan]\nby = \"yaer\"",
        "8:6: by: \"yaer\" is none of year, project, kind, tag",
        "\"year\"",
    ),
    (
        "[release]\naccept-read = [\"direct\", \"dirct\"]",
        "8:26: accept-read: \"dirct\"",
        "direct, evicted",
    ),
    (
        "[permissions]\nfiles = \"0999\"",
        "8:9: files: \"0999\" is no mode",
        "0750",
    ),
    (
        "[notify]\ncommand = [\"\"]",
        "8:12: command: the program has no name",
        "program first",
    ),
    // The user's rules.
    (
        "[exclude]\nnames = [\n  \"*.tmp\",\n  \"[a\",\n]",
        "10:3: names: the pattern \"[a\" cannot be used",
        "[a-z]",
    ),
    (
        "[[tag]]\nmatch = '('\nyear = 2019",
        "8:9: match: cannot read the pattern",
        "Correct match",
    ),
    (
        "[[tag]]\nmatch = 'a'\n\n[[tag]]\nyear = 2019",
        "10:1: tag: it does not say which projects",
        "either match",
    ),
    (
        "[[tag]]\nmatch = 'a'\nprojects = [\"a\"]",
        "8:9: match: a tag has match or projects, not both",
        "either",
    ),
    (
        "[[tag]]\nmatch = 'a'\nyear = 19",
        "9:8: year: it is no year from 1900 to 2100",
        "four digits",
    ),
    (
        "[[tag]]\nmatch = '(?P<yy>\\d\\d)'\nyear = '20${y}'",
        "9:8: year: the pattern has no group \"y\"",
        "(?P<name>",
    ),
    (
        "[[tag]]\nprojects = [\"a\"]\npool = \"tank\"",
        "9:8: pool: there is no destination \"tank\"",
        "pool.",
    ),
    (
        "[[rename]]\nfrom = \"a/../b\"\nto = \"c\"",
        "8:8: from: a/../b is not a path below the root",
        "clients/2019",
    ),
];

#[test]
fn what_is_wrong_is_named_with_its_place_and_the_mend() {
    for (more, place, mend) in WRONG {
        let trouble = parse(&format!("{SMALLEST}{more}\n")).expect_err(more);
        let start = format!("move.toml:{place}");
        assert!(trouble.text.starts_with(&start), "{more}\n{}", trouble.text);
        let said = trouble.mend.unwrap_or_default();
        assert!(
            said.contains(mend) && said.ends_with(['.', '?']),
            "{more}\n{said}"
        );
        assert_eq!(
            (trouble.code, trouble.class),
            ("settings", crate::trouble::Class::Usage)
        );
    }
}

#[test]
fn columns_count_characters_and_carriage_returns_do_not_shift_lines() {
    let text = format!(
        "# ä\r\n{}[plan]\r\nby = \"ä\"\r\n",
        SMALLEST.replace('\n', "\r\n")
    );
    let trouble = parse(&text).unwrap_err();
    assert!(trouble.text.starts_with("move.toml:9:6: by:"), "{}", trouble.text);
    let trouble = parse(&format!("{SMALLEST}accept = [\"ä\", \"b\"]")).unwrap_err();
    assert!(
        trouble.text.starts_with("move.toml:7:11: accept:"),
        "{}",
        trouble.text
    );
    let trouble = parse(&format!("{SMALLEST}accept = [\"owner\", \"ä\", 1]")).unwrap_err();
    assert!(
        trouble.text.starts_with("move.toml:7:25: accept:"),
        "{}",
        trouble.text
    );
}

#[test]
fn sources_and_destinations_stand_apart() {
    let ends = |sources: &[(&str, &str)], destinations: &[(&str, &str)]| {
        let entry = |kind, all: &[(&str, &str)]| -> String {
            let one = |(name, path): &(&str, &str)| format!("[[{kind}]]\nname = {name:?}\npath = {path:?}\n");
            all.iter().map(one).collect()
        };
        let text = entry("source", sources) + &entry("destination", destinations);
        parse(&text).map_err(|trouble| trouble.text)
    };
    let (old, pool) = (("old", "/mnt/old"), ("pool", "/mnt/pool"));
    let refused = [
        (
            ends(&[old, ("old", "/mnt/b")], &[pool]),
            "5:8: name: two sources have the same name",
        ),
        (
            ends(&[("a b", "/a"), ("a_b", "/b")], &[pool]),
            "5:8: name: two sources have the same name, or one too alike",
        ),
        (
            ends(&[old, ("b", "/mnt//old/")], &[pool]),
            "6:8: path: two sources are the same folder",
        ),
        (
            ends(&[old], &[pool, ("pool", "/c")]),
            "8:8: name: two destinations have the same name",
        ),
        (
            ends(&[old], &[("pool", "/mnt/old/new")]),
            "6:8: path: the source /mnt/old and the destination",
        ),
        (
            ends(&[old], &[("pool", "/mnt/./old/")]),
            "6:8: path: the source /mnt/old and the destination",
        ),
        (
            ends(&[("a", "/mnt/pool/a")], &[pool]),
            "6:8: path: the source /mnt/pool/a and the destination",
        ),
        (ends(&[("a", "/")], &[pool]), "6:8: path: the source / and"),
        (
            ends(&[old], &[("pool", "/mnt/pool/../old")]),
            "6:8: path: it goes upwards",
        ),
        (
            ends(&[("a", "mnt")], &[pool]),
            "3:8: path: it does not begin with a slash",
        ),
        (ends(&[(" ", "/a")], &[pool]), "2:8: name: it is empty"),
        (ends(&[old], &[]), "4:1: move: a move needs at least one"),
        (ends(&[], &[]), "1:1: move: a move needs at least one"),
    ];
    for (got, wanted) in refused {
        let text = got.map(|_| "accepted").unwrap_err();
        assert!(
            text.starts_with(&format!("move.toml:{wanted}")),
            "{text}\n{wanted}"
        );
    }
    // A name that only begins alike is another folder.
    assert!(ends(&[old], &[("pool", "/mnt/old2")]).is_ok());
    let single = parse("[source]\nname = \"a\"\npath = \"/b\"\n").unwrap_err();
    assert!(single.mend.unwrap().contains("[[source]]"));
}

#[test]
fn a_file_that_cannot_be_read_says_so() {
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("move.toml");
    assert_eq!(read(&path).unwrap_err().code, "settings-unreadable");
    std::fs::write(&path, b"# ok\nname = \"Caf\xe9\"\n").unwrap();
    let trouble = read(&path).unwrap_err();
    assert_eq!(trouble.text, "move.toml:2:12: the character here is not UTF-8");
    assert!(trouble.path.is_some() && trouble.mend.is_some());
    std::fs::write(&path, SMALLEST).unwrap();
    assert_eq!(all(&read(&path).unwrap()), all(&accepted(SMALLEST)));
    assert_eq!(read(scratch.path()).unwrap_err().code, "settings-unreadable");
}

#[test]
fn deep_nesting_is_refused_and_does_not_overflow() {
    for text in [
        format!("x = {}", "[".repeat(100_000)),
        format!("[{}]", "a.".repeat(50_000) + "a"),
    ] {
        assert!(parse(&text).is_err());
    }
}

proptest! {
    #[test]
    fn no_text_makes_the_reader_panic(text in "[\\[\\]{}a-zä=\"'\\\\0-9. ,:\r\n#$-]{0,200}") {
        let _ = parse(&text);
        let _ = parse(&format!("{SMALLEST}{text}"));
        let _ = add_tag(&text, &text, None, ("kind", &text));
    }

    #[test]
    fn no_value_makes_the_reader_panic(key in 0usize..20, value in "\\PC{0,30}") {
        let keys = [
            "[plan]\nbatch-max", "[plan]\nbatch-min", "[plan]\nby", "[link]\nspeed", "[link]\nruns-on",
            "[schedule]\nzone", "[schedule]\nstarts", "[schedule]\nrescan", "[copy]\nstreams",
            "layout", "disk-size", "dataset", "reserve", "[release]\naccept-read", "[[tag]]\nmatch",
            "[[tag]]\nmatch = 'a(b)?'\nyear", "[[tag]]\nmatch = 'a(b)?'\nas", "[[tag]]\nprojects = ['a']\nyear",
            "[permissions]\nfiles", "[[tag]]\nprojects = ['a']\nas",
        ];
        let quoted = toml_edit::Value::from(value.as_str()).to_string();
        for quoted in [&quoted, &value, &format!("[{quoted}]")] {
            let _ = parse(&format!("{SMALLEST}{} = {quoted}\n", keys[key]));
        }
    }
}

#[test]
fn pools_that_wait_and_tags_with_conditions_are_read_or_refused_at_their_line() {
    let late = |keys: &str| {
        parse(&format!(
            "{SMALLEST}layout = \"1 x 4 raidz2\"\ndisk-size = \"4 TB\"\n{keys}\n"
        ))
    };
    let text =
        |result: Result<crate::ops::settings::Settings, crate::trouble::Trouble>| result.unwrap_err().text;
    let settings = late("after = \"2019.3\"\ngrows-to = \"2 x 4 raidz2\"").unwrap();
    assert!(settings.destinations[0].after.is_some() && !settings.destinations[0].is_late());
    assert!(late("after-source = \"old\"").unwrap().destinations[0].is_late());
    for (keys, wanted) in [
        ("after = \"a\"\nafter-source = \"old\"", "not both"),
        ("after-source = \"elsewhere\"", "there is no source"),
        ("after = \" \"", "it is empty"),
        ("grows-to = \"2 x 4 raidz2\"", "when the disks are free"),
        (
            "after = \"a\"\ngrows-to = \"2 x 5 raidz2\"",
            "vdevs like those it has",
        ),
        (
            "after = \"a\"\ngrows-to = \"1 x 4 raidz2\"",
            "vdevs like those it has",
        ),
        ("after = \"a\"\ngrows-to = \"many\"", "grows-to"),
    ] {
        let found = text(late(keys));
        assert!(
            found.contains(wanted) && found.contains("move.toml:"),
            "{keys}: {found}"
        );
    }
    let unknown = text(parse(&format!("{SMALLEST}after = \"a\"\n")));
    assert!(unknown.contains("what the pool will hold"), "{unknown}");
    let tagged = |keys: &str| parse(&format!("{SMALLEST}[[tag]]\n{keys}\npool = \"pool\"\n"));
    let tag = tagged("older-than = \"3 y\"\nyears = \"..2015\"\nkinds = [\"video\"]")
        .unwrap()
        .tags
        .remove(0);
    assert!(tag.only.asks() && tag.only.words().contains("older than 1096 days"));
    for keys in [
        "older-than = \"old\"",
        "years = \"..\"",
        "kinds = [\"film\"]",
        "kinds = []",
    ] {
        let found = text(tagged(keys));
        assert!(found.contains("move.toml:"), "{keys}: {found}");
    }
}
