//! Lines go out as the tools write them and come back from whatever people have.

use super::*;
use proptest::prelude::*;
use sha2::{Digest as _, Sha256};
use std::os::unix::ffi::OsStrExt;
use std::process::Command;

/// Lines observed from GNU coreutils 9.1 `sha256sum` for files with these contents and names.
const SHA256_LINES: [(&str, &[u8], &[u8]); 4] = [
    (
        "x",
        b"a\\b",
        b"\\2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881  a\\\\b\n",
    ),
    (
        "y",
        b"c\nd",
        b"\\a1fce4363854ff888cff4b8e7875d600c2682390412a8cf79b37d0b11148b0fa  c\\nd\n",
    ),
    (
        "z",
        b"e\rf",
        b"\\594e519ae499312b29433b7dd8a97ff068defcba9755b6d5d00e84c524d67b06  e\\rf\n",
    ),
    (
        "w",
        b"plain",
        b"50e721e49c013f00c62cf59f2163542a9d8df02464efeb615d31051b0fddc326  plain\n",
    ),
];

/// Lines observed from a BLAKE3 command-line tool for the same contents and names.
const BLAKE3_LINES: [(&str, &[u8], &[u8]); 3] = [
    (
        "x",
        b"a\\b",
        b"\\3ae7d805f6789a6402acb70ad4096a85a56bf6804eaf25c0493ac697548d30b5  a\\\\b\n",
    ),
    (
        "y",
        b"c\nd",
        b"\\08112a9e334ce73042b531c25668cf5cb12a1ee040a4326afeac065461079a06  c\\nd\n",
    ),
    (
        "w",
        b"plain",
        b"f2f21520bebe5d07c6813b972de3617a0a0d50a36be3784e9fece54cff8d8032  plain\n",
    ),
];

#[test]
fn lines_are_those_of_the_tools() {
    for (content, name, line) in SHA256_LINES {
        let mut out = Vec::new();
        push_check_line(&mut out, &Sha256::digest(content), name);
        assert_eq!(out, line);
    }
    for (content, name, line) in BLAKE3_LINES {
        let path = RelPath::new(name).unwrap();
        let out = blake3_list([(&path, Digest::of(content.as_bytes()))]);
        assert_eq!(out, line);
    }
}

#[test]
fn the_tools_lines_are_read_back() {
    for (content, name, line) in SHA256_LINES {
        let found = read_check_file(line, None);
        assert_eq!(found.unread, [0u64; 0]);
        assert_eq!(found.listed[0].path, name);
        assert_eq!(found.listed[0].digest, Sha256::digest(content).to_vec());
    }
    let found = read_check_file(BLAKE3_LINES[0].2, Algorithm::of_file_name(b"B3SUMS"));
    assert_eq!(found.listed[0].algorithm, Algorithm::Blake3);
}

/// What `sha256sum --check` of coreutils 9.1 was observed to accept and to skip.
#[test]
fn odd_lines_are_read_as_coreutils_reads_them() {
    let hex = "50E721E49C013F00C62CF59F2163542A9D8DF02464EFEB615D31051B0FDDC326";
    for text in [
        format!("{hex}  plain\n"),
        format!("{hex} plain\n"),
        format!("{hex} *plain\r\n"),
        format!("# a comment\n{hex}  plain"),
        format!("SHA256 (plain) = {hex}\n"),
        format!("SHA256(plain)= {hex}\n"),
        format!("\u{feff}{hex}  plain\n"),
    ] {
        let found = read_check_file(text.as_bytes(), None);
        assert_eq!(found.listed.len(), 1, "{text:?}");
        assert_eq!(found.listed[0].path, b"plain", "{text:?}");
        assert_eq!(found.listed[0].algorithm, Algorithm::Sha256);
        assert!(found.unread.is_empty());
    }
    let bad = format!("junk\n\\{hex}  a\\qb\n{hex}\nSHA384 (x) = {hex}\nMD5 (x) = {hex}\n");
    assert_eq!(read_check_file(bad.as_bytes(), None).unread, [1, 2, 3, 4, 5]);
}

#[test]
fn the_name_of_a_check_file_tells_its_function() {
    for (name, wanted) in [
        (&b"disk1.md5"[..], Some(Algorithm::Md5)),
        (b"SHA256SUMS", Some(Algorithm::Sha256)),
        (b"disk1.sha512", Some(Algorithm::Sha512)),
        (b"sha1sum.txt", Some(Algorithm::Sha1)),
        (b"manifest-md5.txt", Some(Algorithm::Md5)),
        (b"2019.1.blake3", Some(Algorithm::Blake3)),
        (b"notes.txt", None),
        (b"md5", None),
    ] {
        assert_eq!(Algorithm::of_file_name(name), wanted);
    }
}

/// RFC 8493 section 2.1.3: only CR, LF and `%` are encoded.
#[test]
fn bag_lines_follow_rfc_8493() {
    let mut out = Vec::new();
    push_bag_line(
        &mut out,
        &[0xab; 2],
        &RelPath::new(&b"100%/a\nb\rc \\d"[..]).unwrap(),
    );
    assert_eq!(out, b"abab  data/100%25/a%0Ab%0Dc \\d\n");
}

#[test]
fn coreutils_accepts_our_list_for_every_awkward_name() {
    let folder = tempfile::tempdir().unwrap();
    let names: [&[u8]; 8] = [
        b"plain",
        b"a\\b",
        b"c\nd",
        b"e\rf",
        b"caf\xe9",
        b" leading",
        b"*star",
        b"end\\",
    ];
    let mut files = Vec::new();
    for name in names {
        std::fs::write(folder.path().join(std::ffi::OsStr::from_bytes(name)), name).unwrap();
        let digest: [u8; 32] = Sha256::digest(name).into();
        files.push((RelPath::new(name).unwrap(), digest));
    }
    let mut list = sha256_list(files.iter().map(|(p, d)| (p, *d)));
    let mut tagged = Vec::new();
    for (path, digest) in &files {
        push_tagged_line(&mut tagged, Algorithm::Sha256, digest, path.as_bytes());
    }
    list.extend(tagged);
    std::fs::write(folder.path().join("list"), &list).unwrap();
    let run = Command::new("sha256sum")
        .args(["--check", "--strict", "--quiet", "list"])
        .current_dir(folder.path())
        .output();
    // Without coreutils there is nothing to ask.
    if let Ok(run) = run {
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    }
}

/// Names that a BLAKE3 tool of any age can express: no CR, valid UTF-8.
#[test]
fn a_blake3_tool_accepts_our_list() {
    let folder = tempfile::tempdir().unwrap();
    let mut files = Vec::new();
    for name in ["plain", "a\\b", "c\nd", "caf\u{e9}", " leading", "*star"] {
        std::fs::write(folder.path().join(name), name).unwrap();
        files.push((RelPath::new(name).unwrap(), Digest::of(name.as_bytes())));
    }
    let list = blake3_list(files.iter().map(|(p, d)| (p, *d)));
    std::fs::write(folder.path().join("list"), &list).unwrap();
    let run = Command::new("b3sum")
        .args(["--check", "list"])
        .current_dir(folder.path())
        .output();
    // Without the tool there is nothing to ask.
    if let Ok(run) = run {
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    }
}

proptest! {
    #[test]
    fn every_name_survives_writing_and_reading(
        name in prop::collection::vec(prop_oneof![Just(b'\\'), Just(b'\n'), Just(b'\r'), Just(b')'), Just(b' '), 1u8..=255], 1..20),
        digest: [u8; 20],
    ) {
        let mut out = Vec::new();
        push_check_line(&mut out, &digest, &name);
        push_tagged_line(&mut out, Algorithm::Sha1, &digest, &name);
        let found = read_check_file(&out, None);
        prop_assert_eq!(found.unread, Vec::<u64>::new());
        let wanted = Listed { path: name, algorithm: Algorithm::Sha1, digest: digest.to_vec() };
        prop_assert_eq!(found.listed, vec![wanted.clone(), wanted]);
    }

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = read_check_file(&bytes, Some(Algorithm::Blake3));
    }
}

#[test]
fn lines_lead_from_the_folder_of_their_list_and_not_outside() {
    let folder = RelPath::new(&b"fair/lists"[..]).unwrap();
    for (list, path, wanted) in [
        (&b"a.md5"[..], &b"film.mov"[..], Some(&b"fair/lists/film.mov"[..])),
        (b"a.md5", b"./sub//x", Some(b"fair/lists/sub/x")),
        (b"a.md5", b"../film.mov", Some(b"fair/film.mov")),
        (b"a.md5", b"../../../film.mov", None),
        (b"a.md5", b"/mnt/film.mov", None),
        (b"a.md5", b"50%25", Some(b"fair/lists/50%25")),
        (
            b"manifest-md5.txt",
            b"data/50%25%0a%0D%zz",
            Some(b"fair/lists/data/50%\n\r%zz"),
        ),
    ] {
        let found = place_of_line(&folder, list, path);
        assert_eq!(found.as_ref().map(RelPath::as_bytes), wanted);
    }
}

/// One hash and nothing else; the line of `md5sum < film.mov` (observed from coreutils 9.1) has a
/// dash for a name.
#[test]
fn a_bare_hash_belongs_to_the_file_its_list_is_named_after() {
    let hex = "D41D8CD98F00B204E9800998ECF8427E";
    for text in [
        hex.to_string(),
        format!("\u{feff}{hex}\r\n"),
        format!("; made on a Tuesday\r\n\r\n  {hex}\r\n"),
        format!("{}  -\n", hex.to_lowercase()),
        format!("{hex} *-"),
    ] {
        for list in [&b"film.mov.md5"[..], b"film.mov.MD5", b"film.mov.md5sum"] {
            let found = read_bare_digest(text.as_bytes(), list).unwrap();
            assert_eq!(
                (&found.path[..], found.algorithm),
                (&b"film.mov"[..], Algorithm::Md5),
                "{text:?}"
            );
            assert_eq!(hex.to_lowercase(), super::hex(&found.digest));
        }
    }
    for (text, list) in [
        // Two hashes, another length, a name, an ending that says nothing, no name left.
        (format!("{hex}\n{hex}\n"), &b"film.mov.md5"[..]),
        (hex.to_string(), b"film.mov.sha1"),
        (format!("{hex}0"), b"film.mov.md5"),
        (format!("{hex}  film.mov"), b"film.mov.md5"),
        (hex.to_string(), b"md5sum.txt"),
        (hex.to_string(), b".md5"),
        (String::new(), b"film.mov.md5"),
    ] {
        assert_eq!(read_bare_digest(text.as_bytes(), list), None, "{text:?}");
    }
}

#[test]
fn backslashes_are_separators_and_a_drive_is_absolute() {
    for (path, wanted) in [
        (&b"sub\\film.mov"[..], Some(&b"sub/film.mov"[..])),
        (b"..\\x", Some(b"../x")),
        (b"\\\\box\\share", Some(b"//box/share")),
        (b"C:\\film.mov", Some(b"/C:/film.mov")),
        (b"film.mov", None),
    ] {
        assert_eq!(with_slashes(path).as_deref(), wanted);
    }
}
