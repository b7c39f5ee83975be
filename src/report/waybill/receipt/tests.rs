//! Receipts go out and come back, with the waybill's key alone.

use super::*;
use crate::digest::BLOCK;
use crate::report::sealed::Bad;
use crate::report::waybill::FORMAT;
use crate::trouble::Trouble;
use proptest::prelude::*;

const KEY: Digest = Digest([7; 32]);

fn path(text: impl AsRef<[u8]>) -> RelPath {
    RelPath::new(text.as_ref()).unwrap()
}

fn at(seconds: i64, nanos: u32) -> Moment {
    Moment { seconds, nanos }
}

fn head(task: Task) -> Head {
    Head {
        format: FORMAT,
        version: "0.1.0".into(),
        waybill: Digest([1; 32]),
        move_id: "c0ffee".into(),
        batch: "2019.1".into(),
        task,
        machine: "old-box".into(),
        started: at(1_800_000_000, 0),
        ended: at(1_800_000_060, 0),
        source: task.reads_source().then(|| SourceEnd {
            mount: "ext4".into(),
            inodes: false,
        }),
        destination: task.needs_destination().then(|| DestinationEnd {
            mount: "zfs".into(),
            durability: "local".into(),
            publish: "rename".into(),
        }),
        witness: (task == Task::Verify).then(|| Witness {
            due: 12,
            delivered: None,
            why: Some("no counters".into()),
        }),
    }
}

fn done(size: u64) -> Came {
    let identity = Identity {
        inode: size * 3,
        size: Bytes(size),
        mtime: at(-5, 7),
        ctime: at(5, 0),
    };
    let blocks = size.div_ceil(BLOCK) as usize;
    Came::Done(Box::new(Done {
        kind: if size.is_multiple_of(9) {
            EntryKind::Symlink
        } else {
            EntryKind::File
        },
        size: Bytes(size),
        source: size.is_multiple_of(2).then_some(identity),
        placed: size.is_multiple_of(3).then_some(identity),
        hash: Digest([size as u8; 32]),
        values: vec![crate::digest::BlockValue([8; 32]); if blocks > 1 { blocks } else { 0 }],
        sha256: size.is_multiple_of(5).then_some([4; 32]),
        at: at(1_800_000_001, 0),
        how: size.is_multiple_of(4).then_some(ReadHow::Evicted),
        adopted: size.is_multiple_of(7),
        attributes: (size % 6 == 1).then(|| Attributes {
            names: vec![b"user.a\xff".to_vec()],
            hash: Digest([6; 32]),
        }),
    }))
}

fn answer(text: impl AsRef<[u8]>, came: Came) -> Part {
    Part::Answer(Box::new(Answer {
        path: path(text),
        came,
    }))
}

fn sample() -> Vec<Part> {
    let failed = Came::Failed {
        code: "changed".into(),
        text: "it is another file: \"\u{e9}\"\n".into(),
    };
    vec![
        answer(b"loose\xff", done(10)),
        answer("a/big", done(300 * BLOCK + 1)),
        answer("a/no", failed),
        answer("a/b/c", done(0)),
        answer("d/e", done(7)),
        Part::Kept(
            path("a"),
            Attributes {
                names: vec![b"user.a".to_vec(), b"user.b".to_vec()],
                hash: Digest([6; 32]),
            },
        ),
        Part::Lost(Lost {
            place: path("d/e"),
            kind: "owner".into(),
            why: "not permitted".into(),
        }),
        Part::Troubled(path("a/b"), "denied".into(), "no".into()),
        Part::Difference(Difference {
            place: path("a/no"),
            kind: "content".into(),
            ranges: (0..2_500).map(|n| (n * 10, n * 10 + 5)).collect(),
            blocking: true,
        }),
        Part::Difference(Difference {
            place: path("a/x"),
            kind: "uninvited".into(),
            ranges: Vec::new(),
            blocking: false,
        }),
        Part::Disagreement(Box::new(Disagreement {
            path: path("d/e"),
            identity: Identity::default(),
            earlier: Digest([1; 32]),
            later: Digest([2; 32]),
            ranges: vec![(0, BLOCK)],
            at: at(-1, 999_999_999),
            settled_by: "none".into(),
        })),
    ]
}

fn written(head: &Head, parts: &[Part], key: &Digest) -> std::io::Result<Vec<u8>> {
    let mut writer = Writer::begin(Vec::new(), head, key)?;
    for part in parts {
        match part {
            Part::Answer(answer) => writer.answer(answer)?,
            Part::Kept(place, attributes) => writer.kept(place, attributes)?,
            Part::Lost(lost) => writer.lost(lost)?,
            Part::Troubled(place, code, text) => writer.troubled(place, code, text)?,
            Part::Difference(one) => writer.difference(one)?,
            Part::Disagreement(one) => writer.disagreement(one)?,
        }
    }
    let (hash, out) = writer.end()?;
    assert_eq!(hash, Digest::of(&out));
    Ok(out)
}

fn all(bytes: &[u8], key: Digest) -> Result<(Totals, Vec<Part>), Bad> {
    let mut found = Vec::new();
    let totals = read(
        bytes,
        |_| Ok(key),
        |part| {
            found.push(part);
            Ok(())
        },
    )?;
    Ok((totals, found))
}

fn resealed(body: &str) -> Result<(Totals, Vec<Part>), Bad> {
    let body = &body[..body.rfind("{\"seal\"").unwrap()];
    let seal = Digest(*blake3::keyed_hash(&KEY.0, body.as_bytes()).as_bytes());
    all(
        (body.to_string() + &crate::report::waybill::writer::seal_line(seal)).as_bytes(),
        KEY,
    )
}

#[test]
fn what_is_written_is_read_back_with_the_key_of_its_waybill_alone() {
    for task in Task::ALL {
        let out = written(&head(task), &sample(), &KEY).unwrap();
        let (totals, found) = all(&out, KEY).unwrap();
        assert_eq!(found, sample());
        assert_eq!((totals.head, totals.hash), (head(task), Digest::of(&out)));
        assert_eq!((totals.done.files, totals.failed), (4, 1));
        // The key is BLAKE3's own: its keyed hash in one call, no code of ours between.
        let at = out.len() - 76;
        let seal = blake3::keyed_hash(&KEY.0, &out[..at]).to_hex();
        assert_eq!(&out[at..], format!("{{\"seal\":\"{seal}\"}}\n").as_bytes());
        for bit in 0..256 {
            let mut other = KEY;
            other.0[bit / 8] ^= 1 << (bit % 8);
            let refused = all(&out, other).unwrap_err().to_string();
            assert!(refused.contains("seal does not fit"), "{refused}");
        }
        // Nor is one taken that anybody could make, with the plain hash for a seal.
        let plain = crate::report::waybill::writer::seal_line(Digest::of(&out[..at]));
        assert!(all(&[&out[..at], plain.as_bytes()].concat(), KEY).is_err());
        for line in std::str::from_utf8(&out).unwrap().lines() {
            assert!(
                serde_json::from_str::<serde_json::Value>(line)
                    .unwrap()
                    .is_object()
            );
        }
    }
    let refusal = Trouble::usage("no-such-waybill", "x");
    let out = written(&head(Task::Copy), &sample(), &KEY).unwrap();
    let refused = read(&out[..], |_| Err(refusal.clone()), |_| panic!("handed on")).unwrap_err();
    assert!(matches!(refused, Bad::Taker(why) if why == refusal));
}

#[test]
fn one_changed_bit_or_line_is_refused_wherever_it_is() {
    let mut parts = sample();
    parts.remove(1);
    let Part::Difference(one) = &mut parts[7] else {
        panic!()
    };
    one.ranges.truncate(2);
    let out = written(&head(Task::Copy), &parts, &KEY).unwrap();
    for bit in 0..out.len() * 8 {
        let mut changed = out.clone();
        changed[bit / 8] ^= 1 << (bit % 8);
        assert!(all(&changed, KEY).is_err(), "bit {bit} of byte {}", bit / 8);
    }
    for end in 0..out.len() {
        assert!(all(&out[..end], KEY).is_err(), "cut at {end}");
    }
    assert!(all(&[&out[..], b"\n"].concat(), KEY).is_err());
    let text = String::from_utf8(out).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    let put = |lines: &[&str]| all((lines.join("\n") + "\n").as_bytes(), KEY);
    for at in 0..lines.len() {
        let mut doubled = lines.clone();
        doubled.insert(at, lines[at]);
        assert!(put(&doubled).is_err(), "doubled {}", lines[at]);
        // Even under a good seal nothing stands there twice.
        let again = resealed(&(doubled.join("\n") + "\n"));
        assert!(again.is_err() || at + 1 == lines.len(), "doubled {}", lines[at]);
        let mut without = lines.clone();
        without.remove(at);
        assert!(put(&without).is_err(), "without {}", lines[at]);
        for to in at + 1..lines.len() {
            let mut moved = lines.clone();
            moved.swap(at, to);
            assert!(put(&moved).is_err(), "{} moved to {to}", lines[at]);
        }
    }
}

#[test]
fn a_good_seal_over_nonsense_is_refused() {
    let text = String::from_utf8(written(&head(Task::Copy), &sample(), &KEY).unwrap()).unwrap();
    assert!(resealed(&text).is_ok());
    let cases: [(&str, &str, &str); 17] = [
        ("\"folder\":\"a/b\"", "\"folder\":\"../b\"", "no file below"),
        ("\"folder\":\"a/b\"", "\"folder\":\"/dev\"", "no file below"),
        ("\"folder\":\"a/b\"", "\"folder\":\"a\"", "twice"),
        ("\"name\":\"no\"", "\"name\":\"..\"", "no file can have"),
        ("\"name\":\"no\"", "\"name\":\"big\"", "twice"),
        ("\"name\":\"no\"", "\"name\":\"a\"", "order"),
        (
            "\"kind\":\"file\",\"size\":7",
            "\"kind\":\"special\",\"size\":7",
            "neither",
        ),
        (
            "\"kind\":\"file\",\"size\":7",
            "\"kind\":\"device\",\"size\":7",
            "unknown variant",
        ),
        ("\"size\":7", "\"size\":8", "total"),
        ("\"place\":\"a/x\"", "\"place\":\"a/../x\"", "no file below"),
        ("\"place\":\"a/x\"", "\"place\":\"a/no\"", "total"),
        ("[0,5]", "[5,5]", "ranges"),
        ("\"how\":\"evicted\"", "\"how\":\"guessed\"", "way of reading"),
        ("\"code\":\"changed\"", "\"code\":\"Changed!\"", "no word"),
        ("\"batch\":\"2019.1\"", "\"batch\":\"a/b\"", "no file can have"),
        ("\"task\":\"copy\"", "\"task\":\"verify\"", "ends"),
        ("\"format\":1", "\"format\":9", "format 9"),
    ];
    for (from, to, why) in cases {
        assert!(text.contains(from), "{from}");
        let changed = text.replacen(from, to, 1);
        match resealed(&changed) {
            Err(refused) => assert!(refused.to_string().contains(why), "{to}: {refused}"),
            Ok(_) => assert_eq!(to, "\"place\":\"a/no\"", "{to} was taken"),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn any_answers_round_trip(
        sizes in prop::collection::btree_map("[a-c]{1,2}(/[a-c]{1,2}){0,2}", (0u64..200, any::<bool>()), 1..12),
        which in 0usize..3,
    ) {
        let mut paths: Vec<(RelPath, (u64, bool))> =
            sizes.into_iter().map(|(text, facts)| (path(text), facts)).collect();
        // By folder, then name: a sort of whole paths in the order of an index would mix them.
        paths.sort_by(|(a, _), (b, _)| {
            let ((x, n), (y, m)) = (a.split().unwrap(), b.split().unwrap());
            crate::report::waybill::order::order(&x, &y).then(n.cmp(m))
        });
        let parts: Vec<Part> = paths.into_iter().map(|(path, (size, well))| {
            let failed = Came::Failed { code: "medium".into(), text: "no".into() };
            Part::Answer(Box::new(Answer { path, came: if well { done(size) } else { failed } }))
        }).collect();
        let head = head(Task::ALL[which]);
        let out = written(&head, &parts, &KEY).unwrap();
        let (totals, found) = all(&out, KEY).unwrap();
        prop_assert_eq!(found, parts);
        prop_assert_eq!(totals.head, head);
    }

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(all(&bytes, KEY).is_err());
    }
}
