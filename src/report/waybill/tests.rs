//! Waybills go out and come back, and no changed one is taken.

use super::facts::*;
use super::*;
use crate::digest::{BLOCK, BlockValue, Digest};
use crate::entry::{Entry, EntryKind};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::Bytes;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

pub(super) fn path(text: &str) -> RelPath {
    RelPath::new(text).unwrap()
}

fn at(seconds: i64, nanos: u32) -> Moment {
    Moment { seconds, nanos }
}

pub(super) fn head(task: Task) -> Head {
    Head {
        format: FORMAT,
        version: "0.1.0".into(),
        made: at(1_800_000_000, 0),
        move_id: "c0ffee".into(),
        batch: "2019.1".into(),
        task,
        dataset: "2019".into(),
        index: Digest([1; 32]),
        key: Digest([2; 32]),
        only: false,
        source: Origin {
            name: "oldbox".into(),
            root: b"/mnt/old\xff".to_vec(),
            mount: "nfs4".into(),
            started: at(1_700_000_000, 5),
            ended: at(1_700_000_100, 0),
            inodes: "stable".into(),
            project_depth: 1,
            under: RelPath::root(),
        },
        destination: Goal {
            name: "pool".into(),
            path: b"/mnt/pool".to_vec(),
            dataset: Some("pool/archive".into()),
            accept: vec!["owner".into()],
            reserve: Some(1_000_000),
            root_disk: false,
        },
        settings: Settings {
            zone: "Europe/Berlin".into(),
            accept_read: vec!["direct".into()],
            compared: vec!["time".into()],
            streams: None,
            streams_large_max: 4,
            permissions: Owned {
                gid: Some(100),
                ..Owned::default()
            },
        },
    }
}

fn entry(kind: EntryKind, size: u64) -> Entry {
    Entry {
        kind,
        size: Bytes(size),
        allocated: Bytes(size.div_ceil(512) * 512),
        mtime: at(-3, 999_999_999),
        ctime: at(1_560_000_000, 1),
        birth: size.is_multiple_of(2).then(|| at(0, 0)),
        inode: size.wrapping_mul(7),
        links: 1 + size % 3,
        mode: 0o640,
        uid: 1000,
        gid: 100,
        target: (kind == EntryKind::Symlink).then(|| b"../\xe9".to_vec()),
        error: (kind == EntryKind::Unknown).then(|| "denied".into()),
    }
}

fn listed(name: &[u8], kind: EntryKind, size: u64, place: Option<&str>, recorded: bool) -> Listed {
    let entry = entry(kind, size);
    let mine = place.is_some();
    let mut values = vec![BlockValue([9; 32]); size.div_ceil(BLOCK) as usize];
    if values.len() < 2 {
        values.clear();
    }
    let mut placed = entry.identity();
    (placed.inode, placed.ctime) = (77, at(1_800_000_000, 3));
    if size.is_multiple_of(5) {
        placed.mtime = at(1, 0);
    }
    let mut source = entry.identity();
    if size.is_multiple_of(7) {
        source.ctime = at(4, 4);
    }
    let record = (recorded && matches!(kind, EntryKind::File | EntryKind::Symlink)).then(|| Record {
        hash: Digest::of(name),
        source,
        placed,
        copied_at: at(1_800_000_000, 0),
        values,
    });
    Listed {
        name: name.to_vec(),
        mine,
        place: place.map(path),
        attributes: (size % 4 == 1).then(|| Attributes {
            names: vec![b"system.posix_acl_access".to_vec(), b"user.tag".to_vec()],
            hash: Digest([3; 32]),
        }),
        record,
        entry,
    }
}

/// A small tree: a project with a renamed place, a folder on the way, loose files beside it.
pub(super) fn sample() -> Vec<Part> {
    use EntryKind::*;
    let add = |name: &[u8], kind, size, place: Option<&str>| {
        Part::Entry(Box::new(listed(name, kind, size, place, true)))
    };
    vec![
        Part::Folder(RelPath::root(), None),
        add(b"2019-fair", Directory, 3, None),
        add(b"loose\xff", File, 10, Some("loose-2019/x")),
        Part::Folder(path("2019-fair"), Some(path("2019-fair (2)"))),
        add(b"big", File, 600 * BLOCK + 1, Some("2019-fair (2)/big")),
        add(b"empty", Directory, 4, Some("2019-fair (2)/empty")),
        add(b"link", Symlink, 4, Some("2019-fair (2)/link")),
        add(b"one\n\"", File, 21, Some("2019-fair (2)/one\n\"")),
        add(b"pipe", Special, 0, Some("2019-fair (2)/pipe")),
        add(b"raw", Directory, 5, Some("2019-fair (2)/raw")),
        Part::Folder(path("2019-fair/raw"), Some(path("2019-fair (2)/raw"))),
        add(b"a", File, 35, Some("2019-fair (2)/raw/a")),
        Part::Other(path("2019-fair (2)/late.mov")),
        Part::Other(path("x")),
        Part::Taken(path("2019-fair (2)/new")),
    ]
}

pub(super) fn written(head: &Head, locked: &str, parts: &[Part]) -> std::io::Result<Vec<u8>> {
    let mut writer = Writer::begin(Vec::new(), head, locked)?;
    for part in parts {
        match part {
            Part::Folder(path, place) => writer.folder(path, place.as_ref())?,
            Part::Entry(listed) => writer.add(listed)?,
            Part::Other(place) => writer.other(place)?,
            Part::Taken(place) => writer.taken(place)?,
        }
    }
    let (hash, out) = writer.end()?;
    assert_eq!(hash, Digest::of(&out));
    Ok(out)
}

fn all(bytes: &[u8]) -> Result<(Totals, Vec<Part>), Bad> {
    let mut found = Vec::new();
    let totals = read(bytes, |part| {
        found.push(part);
        Ok(())
    })?;
    Ok((totals, found))
}

/// What was written, changed and sealed anew: a seal keeps nobody from forging.
fn resealed(text: &str) -> Result<(Totals, Vec<Part>), Bad> {
    let body = &text[..text.rfind("{\"seal\"").unwrap()];
    let seal = super::writer::seal_line(Digest::of(body.as_bytes()));
    all((body.to_string() + &seal).as_bytes())
}

#[test]
fn what_is_written_is_read_back_line_by_line_as_json() {
    for task in Task::ALL {
        let locked = "{\"batch\":\"\u{fc}\\\"\"}".repeat(9_000);
        let out = written(&head(task), &locked, &sample()).unwrap();
        let (totals, found) = all(&out).unwrap();
        assert_eq!(found, sample());
        assert_eq!((totals.head, totals.hash), (head(task), Digest::of(&out)));
        assert_eq!((totals.locked, totals.entries), (locked, 9));
        let asked = [5, 5, 4][Task::ALL.iter().position(|one| *one == task).unwrap()];
        assert_eq!(totals.asked.files, asked, "{task:?}");
        // An independent reader of JSON takes every line.
        for line in std::str::from_utf8(&out).unwrap().lines() {
            let value: serde_json::Value = serde_json::from_str(line).unwrap();
            assert_eq!(value.as_object().unwrap().len(), 1);
        }
    }
}

/// Every single bit of a small waybill, one after the other; every cut; every line left out, doubled
/// or put in another place.
#[test]
fn one_changed_bit_or_line_is_refused_wherever_it_is() {
    let mut parts = sample();
    parts.remove(4);
    let out = written(&head(Task::Verify), "{}", &parts).unwrap();
    for bit in 0..out.len() * 8 {
        let mut changed = out.clone();
        changed[bit / 8] ^= 1 << (bit % 8);
        assert!(all(&changed).is_err(), "bit {bit} of byte {}", bit / 8);
    }
    for end in 0..out.len() {
        assert!(all(&out[..end]).is_err(), "cut at {end}");
    }
    assert!(all(&[&out[..], b"\n"].concat()).is_err());
    let text = String::from_utf8(out).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    let put = |lines: &[&str]| all((lines.join("\n") + "\n").as_bytes());
    for at in 0..lines.len() {
        let mut doubled = lines.clone();
        doubled.insert(at, lines[at]);
        assert!(put(&doubled).is_err(), "doubled {}", lines[at]);
        // Even under a good seal nothing stands there twice, but for text that only goes on.
        let again = resealed(&(doubled.join("\n") + "\n"));
        let goes_on = lines[at].starts_with("{\"locked\"") || at + 1 == lines.len();
        assert!(again.is_err() || goes_on, "doubled {}", lines[at]);
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

/// A waybill sealed anew over false content is still held to its own rules.
#[test]
fn a_good_seal_over_nonsense_is_refused() {
    let text = String::from_utf8(written(&head(Task::Copy), "{}", &sample()).unwrap()).unwrap();
    assert!(resealed(&text).is_ok());
    let cases: [(&str, &str, &str); 20] = [
        ("\"name\":\"link\"", "\"name\":\"..\"", "no file can have"),
        ("\"name\":\"link\"", "\"name\":\"a/b\"", "no file can have"),
        ("\"name\":\"link\"", "\"name\":\"/dev/sda\"", "no file can have"),
        ("\"name\":\"link\"", "\"name\":\"\"", "no file can have"),
        ("\"name\":\"link\"", "\"name\":\"l\\u0000\"", "no file can have"),
        ("\"name\":\"link\"", "\"name\":\"empty\"", "twice"),
        ("\"name\":\"link\"", "\"name\":\"aaa\"", "order"),
        (
            "\"path\":\"2019-fair/raw\"",
            "\"path\":\"2019-fair/rax\"",
            "in none",
        ),
        (
            "\"path\":\"2019-fair/raw\"",
            "\"path\":\"../../etc\"",
            "no file below",
        ),
        (
            "\"place\":\"loose-2019/x\"",
            "\"place\":\"/etc/x\"",
            "no file below",
        ),
        (
            "\"place\":\"loose-2019/x\"",
            "\"place\":\"a/../../x\"",
            "no file below",
        ),
        ("\"other\":\"x\"", "\"other\":\"../x\"", "no file below"),
        (
            "\"batch\":\"2019.1\"",
            "\"batch\":\"../2019.1\"",
            "no file can have",
        ),
        ("\"batch\":\"2019.1\"", "\"batch\":\"\"", "no file can have"),
        (
            "\"move_id\":\"c0ffee\"",
            "\"move_id\":\"../c0\"",
            "letters and digits",
        ),
        ("\"task\":\"copy\"", "\"task\":\"remove\"", "unknown task"),
        ("\"format\":1", "\"format\":2", "format 2"),
        ("\"size\":21,", "\"size\":22,", "total"),
        ("\"size\":21,", "\"size\": 21,", "form"),
        ("\"blocks\":601", "\"blocks\":600", "values"),
    ];
    for (from, to, why) in cases {
        assert!(text.contains(from), "{from}");
        let refused = resealed(&text.replacen(from, to, 1)).unwrap_err().to_string();
        assert!(refused.contains(why), "{to}: {refused}");
    }
}

#[test]
fn what_could_not_be_read_back_is_not_written() {
    use EntryKind::*;
    let refused = |parts: &[Part]| written(&head(Task::Copy), "{}", parts).is_err();
    let file = |name: &[u8], place: Option<&str>| Part::Entry(Box::new(listed(name, File, 1, place, false)));
    let root = Part::Folder(RelPath::root(), None);
    assert!(refused(&[file(b"a", Some("a"))]));
    assert!(refused(&[
        root.clone(),
        file(b"b", Some("b")),
        file(b"a", Some("a"))
    ]));
    assert!(refused(&[root.clone(), Part::Folder(path("a"), None)]));
    assert!(refused(&[
        root.clone(),
        Part::Other(path("a")),
        file(b"a", Some("a"))
    ]));
    assert!(refused(&[
        root.clone(),
        Part::Taken(path("b")),
        Part::Taken(path("a"))
    ]));
    let mut homeless = listed(b"a", File, 1, None, false);
    homeless.mine = true;
    assert!(refused(&[root.clone(), Part::Entry(Box::new(homeless))]));
    let mut long = listed(b"a", Unknown, 1, Some("a"), false);
    long.entry.error = Some("x".repeat(LONGEST));
    assert!(refused(&[root.clone(), Part::Entry(Box::new(long))]));
    assert!(!refused(&[root, file(b"a", Some("a"))]));
}

#[test]
fn a_line_without_end_takes_no_memory_without_end() {
    let endless = std::io::Read::chain(&b"{\"waybill\":"[..], std::io::repeat(b'x'));
    assert!(read(std::io::BufReader::new(endless), |_| Ok(())).is_err());
}

#[test]
fn a_file_is_known_by_size_and_time_over_mounts_that_tell_less() {
    let id = |size, nanos, inode| Identity {
        inode,
        size: Bytes(size),
        mtime: at(7, nanos),
        ctime: at(i64::from(nanos), 0),
    };
    let listed = id(5, 123_456_700, 1);
    for (seen, inodes, same) in [
        (id(5, 123_456_700, 1), true, true),
        (id(5, 123_456_700, 2), true, false),
        (id(5, 123_456_789, 2), false, true),
        (id(5, 0, 2), false, true),
        (id(5, 123_456_800, 1), false, false),
        (id(5, 123_456_701, 1), true, true),
        (id(6, 123_456_700, 1), false, false),
    ] {
        assert_eq!(fits(&listed, &seen, inodes), same, "{seen:?}");
        assert_eq!(fits(&seen, &listed, inodes), same, "{seen:?}");
    }
    let exact = id(5, 123_456_789, 1);
    assert!(!fits(&exact, &id(5, 123_456_788, 1), false));
    let later = Identity {
        mtime: at(8, 123_456_700),
        ..listed
    };
    assert!(!fits(&listed, &later, false));
}

/// A random tree as the parts of a waybill: an oracle that keeps whole maps where the writer streams.
fn parts_of(files: &BTreeMap<Vec<Vec<u8>>, (u64, bool, bool)>) -> Vec<Part> {
    type Names = BTreeMap<Vec<u8>, Option<(u64, bool, bool)>>;
    let mut folders: BTreeMap<Vec<Vec<u8>>, Names> = BTreeMap::new();
    folders.insert(Vec::new(), BTreeMap::new());
    let is_folder = |path: &[Vec<u8>]| {
        files
            .keys()
            .any(|other| other.len() > path.len() && other.starts_with(path))
    };
    for (path, facts) in files.iter().filter(|(path, _)| !is_folder(path)) {
        for depth in 0..path.len() {
            let leaf = depth + 1 == path.len();
            let names = folders.entry(path[..depth].to_vec()).or_default();
            names.insert(path[depth].clone(), leaf.then_some(*facts));
        }
    }
    let mut parts = Vec::new();
    for (folder, names) in folders {
        let place = (!folder.is_empty()).then(|| path("moved").join_path(&join(&folder)));
        parts.push(Part::Folder(join(&folder), place.clone()));
        for (name, facts) in names {
            let (size, mine, recorded) = facts.unwrap_or((3, true, false));
            let here = place.clone().unwrap_or_else(|| path("top")).join(&name).unwrap();
            let kind = match facts {
                None => EntryKind::Directory,
                Some((size, ..)) if size.is_multiple_of(11) => EntryKind::Symlink,
                Some(_) => EntryKind::File,
            };
            let mut one = listed(&name, kind, size, None, recorded && mine);
            (one.mine, one.place) = (mine, mine.then_some(here));
            if one.record.is_none() || !mine {
                one.record = None;
            }
            parts.push(Part::Entry(Box::new(one)));
        }
    }
    parts
}

fn join(parts: &[Vec<u8>]) -> RelPath {
    RelPath::new(parts.join(&b'/')).unwrap()
}

fn any_name() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(
        prop_oneof![
            Just(b'a'),
            Just(b' '),
            Just(b'\n'),
            Just(0xff),
            Just(b'"'),
            Just(b'-')
        ],
        1..4,
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn any_tree_round_trips_and_gives_the_same_bytes(
        files in prop::collection::btree_map(prop::collection::vec(any_name(), 1..4),
            (0u64..40, any::<bool>(), any::<bool>()), 0..12),
        others in prop::collection::btree_set("[a-c]{1,3}(/[a-c]{1,2}){0,2}", 0..4),
        locked in ".{0,60}", which in 0usize..3,
    ) {
        let mut parts = parts_of(&files);
        let others: BTreeSet<RelPath> = others.iter().map(|one| path(one)).collect();
        parts.extend(others.into_iter().map(Part::Other));
        let head = head(Task::ALL[which]);
        let out = written(&head, &locked, &parts).unwrap();
        prop_assert_eq!(&written(&head, &locked, &parts).unwrap(), &out);
        let (totals, found) = all(&out).unwrap();
        prop_assert_eq!(&found, &parts);
        prop_assert_eq!((totals.head, totals.locked), (head, locked));
    }

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(all(&bytes).is_err());
    }

    #[test]
    fn no_change_of_bytes_is_taken_even_under_a_good_seal_without_being_the_only_form(
        at in any::<prop::sample::Index>(), byte: u8,
    ) {
        let mut parts = sample();
        parts.remove(4);
        let out = written(&head(Task::Copy), "{}", &parts).unwrap();
        let end = out.len() - 76;
        let mut changed = out[..end].to_vec();
        let at = at.index(end);
        changed[at] = byte;
        let seal = super::writer::seal_line(Digest::of(&changed));
        changed.extend_from_slice(seal.as_bytes());
        // Whatever is still taken comes out again as it is: there is no second form of anything.
        if let Ok((totals, found)) = all(&changed) {
            prop_assert_eq!(written(&totals.head, &totals.locked, &found).unwrap(), changed);
        }
    }
}
