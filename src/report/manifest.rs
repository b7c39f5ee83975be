//! Check files: lines that coreutils and BLAKE3 tools check, RFC 8493 manifest lines, and a reader
//! of the check files that people have lying beside their data.
//!
//! Rules: the GNU coreutils manual, "cksum output modes" (a name with a backslash, LF or CR is
//! written with these three escaped and one more backslash in front of the line; any other byte
//! stands raw), and RFC 8493 section 2.1.3 (CR, LF and `%` percent-encoded, nothing else).

use crate::digest::Digest;
use crate::names::RelPath;
use std::fmt::Write;

/// A hash function that check files are written for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Algorithm {
    /// MD5, 16 bytes.
    Md5,
    /// SHA-1, 20 bytes.
    Sha1,
    /// SHA-256, 32 bytes.
    Sha256,
    /// BLAKE3, 32 bytes.
    Blake3,
}

/// One line of a check file: a path as it stands there (relative to the check file's folder as a
/// rule, but it may be anything) and the hash it should have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// The path, raw bytes, unescaped. Not checked: it may be absolute or hold `..`.
    pub path: Vec<u8>,
    /// By which function.
    pub algorithm: Algorithm,
    /// The hash; as long as the function says.
    pub digest: Vec<u8>,
}

/// What a check file holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CheckFile {
    /// Its lines in order.
    pub listed: Vec<Listed>,
    /// Numbers (from 1) of lines that say nothing to us: neither a hash and a name, nor a comment.
    pub unread: Vec<u64>,
}

impl Algorithm {
    /// Its name in tagged lines and, in lower case, in file names.
    pub fn name(self) -> &'static str {
        match self {
            Algorithm::Md5 => "MD5",
            Algorithm::Sha1 => "SHA1",
            Algorithm::Sha256 => "SHA256",
            Algorithm::Blake3 => "BLAKE3",
        }
    }

    /// Length of its hash in bytes.
    pub fn length(self) -> usize {
        match self {
            Algorithm::Md5 => 16,
            Algorithm::Sha1 => 20,
            Algorithm::Sha256 | Algorithm::Blake3 => 32,
        }
    }

    /// What the name of a check file says it is for: `disk1.md5`, `SHA256SUMS`,
    /// `manifest-sha1.txt`. `None` where it says nothing.
    pub fn of_file_name(name: &[u8]) -> Option<Algorithm> {
        let lower = name.to_ascii_lowercase();
        let has = |word: &[u8]| lower.windows(word.len()).any(|part| part == word);
        [
            (&b"blake3"[..], Algorithm::Blake3),
            (b"b3", Algorithm::Blake3),
            (b"sha256", Algorithm::Sha256),
            (b"sha1", Algorithm::Sha1),
            (b"md5", Algorithm::Md5),
        ]
        .into_iter()
        .find(|(word, _)| {
            let ending = [b".", *word].concat();
            let sums = [*word, b"sum"].concat();
            let manifest = [b"manifest-", *word].concat();
            lower.ends_with(&ending) || has(&sums) || has(&manifest)
        })
        .map(|(_, algorithm)| algorithm)
    }

    fn of_tag(tag: &[u8]) -> Option<Algorithm> {
        [
            Algorithm::Md5,
            Algorithm::Sha1,
            Algorithm::Sha256,
            Algorithm::Blake3,
        ]
        .into_iter()
        .find(|a| a.name().as_bytes() == tag)
    }

    /// By the length of a hash alone, 32 bytes being SHA-256, the older custom (common practice,
    /// no source).
    fn of_length(length: usize) -> Option<Algorithm> {
        match length {
            16 => Some(Algorithm::Md5),
            20 => Some(Algorithm::Sha1),
            32 => Some(Algorithm::Sha256),
            _ => None,
        }
    }
}

/// Lower-case hex.
pub fn hex(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len() * 2);
    for b in bytes {
        // Writing to a String cannot fail.
        let _ = write!(out, "{b:02x}");
    }
    out
}

/// Appends one untagged line in the coreutils check format.
pub fn push_check_line(out: &mut Vec<u8>, digest: &[u8], path: &[u8]) {
    let escape = needs_escape(path);
    if escape {
        out.push(b'\\');
    }
    out.extend_from_slice(hex(digest).as_bytes());
    out.extend_from_slice(b"  ");
    push_escaped(out, path);
    out.push(b'\n');
}

/// Appends one tagged line, `SHA256 (name) = hex`, which says itself what it is for.
pub fn push_tagged_line(out: &mut Vec<u8>, algorithm: Algorithm, digest: &[u8], path: &[u8]) {
    if needs_escape(path) {
        out.push(b'\\');
    }
    out.extend_from_slice(algorithm.name().as_bytes());
    out.extend_from_slice(b" (");
    push_escaped(out, path);
    out.extend_from_slice(b") = ");
    out.extend_from_slice(hex(digest).as_bytes());
    out.push(b'\n');
}

fn needs_escape(path: &[u8]) -> bool {
    path.iter().any(|b| matches!(b, b'\\' | b'\n' | b'\r'))
}

fn push_escaped(out: &mut Vec<u8>, path: &[u8]) {
    for b in path {
        match b {
            b'\\' => out.extend_from_slice(b"\\\\"),
            b'\n' => out.extend_from_slice(b"\\n"),
            b'\r' => out.extend_from_slice(b"\\r"),
            _ => out.push(*b),
        }
    }
}

/// A whole BLAKE3 check file, lines in the order given.
pub fn blake3_list<'a>(files: impl IntoIterator<Item = (&'a RelPath, Digest)>) -> Vec<u8> {
    let mut out = Vec::new();
    for (path, digest) in files {
        push_check_line(&mut out, &digest.0, path.as_bytes());
    }
    out
}

/// A whole SHA-256 check file, lines in the order given.
pub fn sha256_list<'a>(files: impl IntoIterator<Item = (&'a RelPath, [u8; 32])>) -> Vec<u8> {
    let mut out = Vec::new();
    for (path, digest) in files {
        push_check_line(&mut out, &digest, path.as_bytes());
    }
    out
}

/// Appends one line of an RFC 8493 payload manifest. `path` is given as it lies below the bag's
/// payload folder; `data/` is put in front.
pub fn push_bag_line(out: &mut Vec<u8>, digest: &[u8], path: &RelPath) {
    out.extend_from_slice(hex(digest).as_bytes());
    out.extend_from_slice(b"  data/");
    for b in path.as_bytes() {
        match b {
            b'\r' => out.extend_from_slice(b"%0D"),
            b'\n' => out.extend_from_slice(b"%0A"),
            b'%' => out.extend_from_slice(b"%25"),
            _ => out.push(*b),
        }
    }
    out.push(b'\n');
}

/// Reads a check file: untagged lines (two blanks, blank and `*`, or one blank between hash and
/// name) and tagged ones, coreutils escapes, either case of hex, LF or CRLF, a byte order mark,
/// comments after `#` or `;`. `named` says what untagged lines are for where the file's name tells
/// ([`Algorithm::of_file_name`]); else their length decides. Never fails: lines it cannot read are
/// numbered.
pub fn read_check_file(bytes: &[u8], named: Option<Algorithm>) -> CheckFile {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut found = CheckFile::default();
    for (number, line) in (1u64..).zip(bytes.split(|b| *b == b'\n')) {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if line.iter().all(|b| matches!(b, b' ' | b'\t')) || matches!(line.first(), Some(b'#' | b';')) {
            continue;
        }
        match read_line(line, named) {
            Some(listed) => found.listed.push(listed),
            None => found.unread.push(number),
        }
    }
    found
}

fn read_line(line: &[u8], named: Option<Algorithm>) -> Option<Listed> {
    let line = line.trim_ascii_start();
    let (escaped, line) = match line.strip_prefix(b"\\") {
        Some(rest) => (true, rest),
        None => (false, line),
    };
    let (name, algorithm, digest) = tagged(line).or_else(|| untagged(line, named))?;
    let path = if escaped { unescaped(name)? } else { name.to_vec() };
    // NUL stands in no path, and a line of a UTF-16 file is full of them.
    if path.is_empty() || path.contains(&0) {
        return None;
    }
    Some(Listed {
        path,
        algorithm,
        digest,
    })
}

/// `SHA256 (name) = hex`; the blanks may be missing. The name may hold `) = ` itself: the last one
/// counts.
fn tagged(line: &[u8]) -> Option<(&[u8], Algorithm, Vec<u8>)> {
    let open = line.iter().position(|b| *b == b'(')?;
    let algorithm = Algorithm::of_tag(line.get(..open)?.trim_ascii_end())?;
    let close = line.iter().rposition(|b| *b == b')')?;
    let name = line.get(open + 1..close)?;
    let rest = line.get(close + 1..)?.trim_ascii().strip_prefix(b"=")?;
    let digest = unhex(rest.trim_ascii())?;
    (digest.len() == algorithm.length()).then_some((name, algorithm, digest))
}

fn untagged(line: &[u8], named: Option<Algorithm>) -> Option<(&[u8], Algorithm, Vec<u8>)> {
    let end = line.iter().position(|b| matches!(b, b' ' | b'\t'))?;
    let digest = unhex(line.get(..end)?)?;
    let algorithm = match named {
        Some(algorithm) if algorithm.length() == digest.len() => algorithm,
        _ => Algorithm::of_length(digest.len())?,
    };
    let rest = line.get(end + 1..)?;
    let name = match rest {
        [b' ' | b'*', name @ ..] if !name.is_empty() => name,
        _ => rest,
    };
    Some((name, algorithm, digest))
}

fn unescaped(name: &[u8]) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(name.len());
    let mut bytes = name.iter();
    while let Some(b) = bytes.next() {
        if *b != b'\\' {
            out.push(*b);
            continue;
        }
        out.push(match bytes.next()? {
            b'\\' => b'\\',
            b'n' => b'\n',
            b'r' => b'\r',
            _ => return None,
        });
    }
    Some(out)
}

fn unhex(digits: &[u8]) -> Option<Vec<u8>> {
    if digits.is_empty() || !digits.len().is_multiple_of(2) {
        return None;
    }
    let value = |b: u8| char::from(b).to_digit(16);
    digits
        .chunks_exact(2)
        .map(|pair| match pair {
            [high, low] => u8::try_from(value(*high)? * 16 + value(*low)?).ok(),
            _ => None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
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
        let bad = format!("junk\n\\{hex}  a\\qb\n{hex}\nSHA512 (x) = {hex}\nMD5 (x) = {hex}\n");
        assert_eq!(read_check_file(bad.as_bytes(), None).unread, [1, 2, 3, 4, 5]);
    }

    #[test]
    fn the_name_of_a_check_file_tells_its_function() {
        for (name, wanted) in [
            (&b"disk1.md5"[..], Some(Algorithm::Md5)),
            (b"SHA256SUMS", Some(Algorithm::Sha256)),
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
}
