//! Proofs go out and come back, and no changed one is taken.

use super::*;
use crate::report::sealed::{decimal, moment};
use proptest::prelude::*;

fn head() -> Head {
    Head {
        renamed: Some("2027-02-03T12:00:00Z".into()),
        format: FORMAT,
        version: "0.1.0".into(),
        made: "2027-02-03T01:40:00+00:00".into(),
        move_id: "m".into(),
        batch: "2019.1".into(),
        dataset: "2019".into(),
        source: "/mnt/oldbox".into(),
        destination: "/pool/2019".into(),
        durability: "local".into(),
        settings: Settings {
            accept_read: vec!["direct".into()],
            compared: vec!["time".into(), "mode".into()],
        },
    }
}

fn proven(path: &[u8], size: u64) -> Proven {
    Proven {
        place: RelPath::new(path).unwrap(),
        kind: EntryKind::File,
        size: Bytes(size),
        mtime: Moment {
            seconds: -2,
            nanos: 500_000_000,
        },
        source_ctime: Moment {
            seconds: 1_561_000_000,
            nanos: 42,
        },
        blake3: Digest::of(path),
        sha256: size.is_multiple_of(2).then_some([7; 32]),
        source_read: Moment::from_seconds(1_800_000_000),
        source_again: size
            .is_multiple_of(3)
            .then(|| Moment::from_seconds(1_800_000_060)),
        read_back: (Moment::from_seconds(1_800_000_600), ReadHow::Evicted),
    }
}

fn written(files: &[Proven]) -> Vec<u8> {
    let mut writer = Writer::begin(Vec::new(), &head()).unwrap();
    files.iter().for_each(|file| writer.add(file).unwrap());
    let (hash, amount, out) = writer.end().unwrap();
    assert_eq!(hash, Digest::of(&out));
    assert_eq!(amount.files, files.len() as u64);
    out
}

fn all(bytes: &[u8]) -> Result<(Totals, Vec<Proven>), Bad> {
    let mut found = Vec::new();
    let totals = read(bytes, |file| found.push(file))?;
    Ok((totals, found))
}

#[test]
fn what_is_written_is_read_back_and_is_json() {
    let files = [
        proven(b"top \"quoted\"\n", 6),
        proven("a/gr\u{fc}n".as_bytes(), u64::MAX / 4),
        proven(b"a/latin-\xe9", 2),
        proven(b"a/b/c", 0),
    ];
    for count in 0..=files.len() {
        let out = written(&files[..count]);
        let (totals, found) = all(&out).unwrap();
        assert_eq!(found, files[..count]);
        assert_eq!((totals.head, totals.hash), (head(), Digest::of(&out)));
        // An independent reader of JSON takes the document whole.
        let value: serde_json::Value = serde_json::from_slice(&out).unwrap();
        assert_eq!(value["files"].as_array().unwrap().len(), count);
    }
}

/// Every single bit of a small proof, one after the other.
#[test]
fn one_changed_bit_is_refused_wherever_it_is() {
    let out = written(&[proven(b"a/one", 6), proven(b"a/two\xff", 1)]);
    for bit in 0..out.len() * 8 {
        let mut changed = out.clone();
        changed[bit / 8] ^= 1 << (bit % 8);
        assert!(all(&changed).is_err(), "bit {bit} of byte {}", bit / 8);
    }
    for end in 0..out.len() {
        assert!(all(&out[..end]).is_err(), "cut at {end}");
    }
    assert!(all(&[&out[..], b"\n"].concat()).is_err());
}

/// A proof sealed anew over false content is still held to its own rules.
#[test]
fn a_good_seal_over_nonsense_is_refused() {
    let reseal = |change: &dyn Fn(&str) -> String| {
        let text = String::from_utf8(written(&[proven(b"a/one", 6), proven(b"a/two", 1)])).unwrap();
        let body = change(&text[..text.rfind("\"seal\"").unwrap()]);
        let line = seal_line(Digest::of(body.as_bytes()));
        all((body + &line).as_bytes())
    };
    assert!(reseal(&|text| text.to_string()).is_ok());
    let cases: [(&str, &str, &str); 9] = [
        ("a/one", "a/zzz", "order"),
        ("a/one", "a/two", "order"),
        ("a/one", "../one", "path"),
        ("a/one", "/one", "path"),
        ("\"size\":6", "\"size\":7", "total"),
        ("\"kind\":\"file\"", "\"kind\":\"folder\"", "kind"),
        ("\"how\":\"evicted\"", "\"how\":\"guessed\"", "way"),
        ("\"size\":6", "\"size\":6,\"extra\":1", "unknown field"),
        ("\"format\":1", "\"format\":2", "format 2"),
    ];
    for (from, to, why) in cases {
        let refused = reseal(&|text| text.replacen(from, to, 1))
            .unwrap_err()
            .to_string();
        assert!(refused.contains(why), "{to}: {refused}");
    }
}

#[test]
fn a_line_without_end_takes_no_memory_without_end() {
    let endless = std::io::Read::chain(&b"{\"head\":"[..], std::io::repeat(b'x'));
    assert!(read(std::io::BufReader::new(endless), |_| {}).is_err());
}

proptest! {
    #[test]
    fn times_survive_over_their_whole_range(seconds: i64, nanos in 0u32..1_000_000_000) {
        let at = Moment { seconds, nanos };
        prop_assert_eq!(moment(&decimal(at)), Ok(at));
    }

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(all(&bytes).is_err());
    }
}
