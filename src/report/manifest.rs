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
    /// SHA-512, 64 bytes.
    Sha512,
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
    /// All of them.
    pub const ALL: [Algorithm; 5] = [
        Algorithm::Md5,
        Algorithm::Sha1,
        Algorithm::Sha256,
        Algorithm::Sha512,
        Algorithm::Blake3,
    ];

    /// Its name in tagged lines and, in lower case, in file names.
    pub fn name(self) -> &'static str {
        match self {
            Algorithm::Md5 => "MD5",
            Algorithm::Sha1 => "SHA1",
            Algorithm::Sha256 => "SHA256",
            Algorithm::Sha512 => "SHA512",
            Algorithm::Blake3 => "BLAKE3",
        }
    }

    /// Length of its hash in bytes.
    pub fn length(self) -> usize {
        match self {
            Algorithm::Md5 => 16,
            Algorithm::Sha1 => 20,
            Algorithm::Sha256 | Algorithm::Blake3 => 32,
            Algorithm::Sha512 => 64,
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
            (b"sha512", Algorithm::Sha512),
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
        Algorithm::ALL.into_iter().find(|a| a.name().as_bytes() == tag)
    }

    /// By the length of a hash alone, 32 bytes being SHA-256, the older custom (common practice,
    /// no source).
    fn of_length(length: usize) -> Option<Algorithm> {
        match length {
            16 => Some(Algorithm::Md5),
            20 => Some(Algorithm::Sha1),
            32 => Some(Algorithm::Sha256),
            64 => Some(Algorithm::Sha512),
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

/// The one hash that a check file holds without a name: it belongs to the file that the check
/// file's own name says without its ending, `film.mov` for `film.mov.md5`. `None` where more or
/// less than one hash of that ending's length stands in it.
pub fn read_bare_digest(bytes: &[u8], list: &[u8]) -> Option<Listed> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let dot = list.iter().rposition(|b| *b == b'.')?;
    let (path, ending) = (list.get(..dot)?, list.get(dot + 1..)?.to_ascii_lowercase());
    let ending = ending.strip_suffix(b"sum").unwrap_or(&ending);
    let lower = |algorithm: &Algorithm| algorithm.name().to_ascii_lowercase();
    let algorithm = match ending {
        b"b3" => Algorithm::Blake3,
        _ => Algorithm::ALL
            .into_iter()
            .find(|a| lower(a).as_bytes() == ending)?,
    };
    let says = |line: &&[u8]| !line.is_empty() && !matches!(line.first(), Some(b'#' | b';'));
    let mut lines = bytes.split(|b| *b == b'\n').map(<[u8]>::trim_ascii).filter(says);
    let (line, None) = (lines.next()?, lines.next()) else {
        return None;
    };
    // What was hashed from a pipe has a dash for a name.
    let digits = line
        .strip_suffix(b" -")
        .or(line.strip_suffix(b" *-"))
        .unwrap_or(line);
    let digest = unhex(digits.trim_ascii())?;
    let fits = digest.len() == algorithm.length() && !path.is_empty();
    fits.then(|| Listed {
        path: path.to_vec(),
        algorithm,
        digest,
    })
}

/// A path with backslashes as separators, as lists from Windows have it; `None` where it has none.
/// One that begins with a drive is absolute.
pub fn with_slashes(path: &[u8]) -> Option<Vec<u8>> {
    if !path.contains(&b'\\') {
        return None;
    }
    let drive = matches!(path, [letter, b':', ..] if letter.is_ascii_alphabetic());
    let slash = |b: &u8| if *b == b'\\' { b'/' } else { *b };
    Some(
        drive
            .then_some(b'/')
            .into_iter()
            .chain(path.iter().map(slash))
            .collect(),
    )
}

/// Where a line of a check file leads, from the folder that holds it: `.` and `..` are followed as
/// long as they stay below the root. `None` for an absolute path and one that leads outside. The
/// lines of an RFC 8493 manifest (`manifest-*.txt`) are percent-decoded.
pub fn place_of_line(folder: &RelPath, list: &[u8], path: &[u8]) -> Option<RelPath> {
    let decoded;
    let path = match list.starts_with(b"manifest-") {
        true => {
            decoded = percent_decoded(path);
            &decoded[..]
        }
        false => path,
    };
    if path.starts_with(b"/") {
        return None;
    }
    let mut place = folder.clone();
    for part in path.split(|b| *b == b'/') {
        match part {
            b"" | b"." => {}
            b".." => place = place.split()?.0,
            name => place = place.join(name).ok()?,
        }
    }
    Some(place)
}

/// `%0D`, `%0A` and `%25`, in either case of hex; any other `%` stands for itself.
fn percent_decoded(path: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(path.len());
    let mut rest = path;
    while let Some((first, after)) = rest.split_first() {
        let code = after.get(..2).map(<[u8]>::to_ascii_uppercase);
        let byte = match (first, code.as_deref()) {
            (b'%', Some(b"0D")) => Some(b'\r'),
            (b'%', Some(b"0A")) => Some(b'\n'),
            (b'%', Some(b"25")) => Some(b'%'),
            _ => None,
        };
        out.push(byte.unwrap_or(*first));
        rest = rest.get(if byte.is_some() { 3 } else { 1 }..).unwrap_or_default();
    }
    out
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
mod tests;
