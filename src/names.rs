//! Names: paths as raw bytes, batches, sources, and how a name is shown where bytes cannot stand.
//!
//! A name on a file system is any bytes but NUL and `/`. Nothing here assumes UTF-8; what is shown
//! to a person is escaped so that one name is one line and no name can steer a terminal.

use std::fmt;

/// A path below a root: components joined by `/`, no leading or trailing slash, no empty, `.` or
/// `..` component, no NUL. The empty path is the root itself.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RelPath(Vec<u8>);

/// Why bytes are not a [`RelPath`].
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{shown} is not a path below the root: {why}")]
pub struct PathError {
    /// The bytes, escaped.
    pub shown: String,
    /// What is wrong with them.
    pub why: &'static str,
}

/// The name of a batch: the dataset and a number from 1, `2019.2`. A pilot is `pilot` with the
/// dataset it was drawn from left to the plan. Once begun, a name is never used again.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BatchName(String);

/// The name a source has in `move.toml`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SourceName(pub String);

impl RelPath {
    /// The root.
    pub fn root() -> RelPath {
        RelPath(Vec::new())
    }

    /// Checks the bytes.
    ///
    /// # Errors
    /// [`PathError`] with the rule that is broken.
    pub fn new(bytes: impl Into<Vec<u8>>) -> Result<RelPath, PathError> {
        let bytes = bytes.into();
        let fail = |why| {
            Err(PathError {
                shown: shown(&bytes),
                why,
            })
        };
        if bytes.is_empty() {
            return Ok(RelPath(bytes));
        }
        for part in bytes.split(|b| *b == b'/') {
            match part {
                b"" => return fail("it has an empty component or a slash at an end"),
                b"." | b".." => return fail("it has a component . or .."),
                _ if part.contains(&0) => return fail("it holds a NUL byte"),
                _ => {}
            }
        }
        Ok(RelPath(bytes))
    }

    /// The bytes.
    pub fn as_bytes(&self) -> &[u8] {
        &self.0
    }

    /// Whether this is the root.
    pub fn is_root(&self) -> bool {
        self.0.is_empty()
    }

    /// This path with one more component. `name` must be a legal component.
    ///
    /// # Errors
    /// [`PathError`] where it is not.
    pub fn join(&self, name: &[u8]) -> Result<RelPath, PathError> {
        if name.contains(&b'/') || name.is_empty() {
            return Err(PathError {
                shown: shown(name),
                why: "it is not one component",
            });
        }
        Ok(self.join_path(&RelPath::new(name)?))
    }

    /// This path with another below it.
    pub fn join_path(&self, below: &RelPath) -> RelPath {
        if self.0.is_empty() || below.0.is_empty() {
            return if self.0.is_empty() {
                below.clone()
            } else {
                self.clone()
            };
        }
        let mut bytes = Vec::with_capacity(self.0.len() + below.0.len() + 1);
        bytes.extend_from_slice(&self.0);
        bytes.push(b'/');
        bytes.extend_from_slice(&below.0);
        RelPath(bytes)
    }

    /// The components in order.
    pub fn components(&self) -> impl DoubleEndedIterator<Item = &[u8]> {
        self.0.split(|b| *b == b'/').filter(|part| !part.is_empty())
    }

    /// How many components; 0 for the root.
    pub fn depth(&self) -> usize {
        self.components().count()
    }

    /// The folder this lies in, and its last component; `None` for the root.
    pub fn split(&self) -> Option<(RelPath, &[u8])> {
        if self.0.is_empty() {
            return None;
        }
        match self.0.iter().rposition(|b| *b == b'/') {
            Some(at) => Some((RelPath(self.0[..at].to_vec()), &self.0[at + 1..])),
            None => Some((RelPath::root(), &self.0)),
        }
    }

    /// The first `depth` components, or `None` where there are fewer.
    pub fn prefix(&self, depth: usize) -> Option<RelPath> {
        let mut end = 0;
        let mut seen = 0;
        for part in self.components() {
            if seen == depth {
                break;
            }
            end += part.len() + usize::from(seen > 0);
            seen += 1;
        }
        (seen == depth).then(|| RelPath(self.0[..end].to_vec()))
    }

    /// What is left of this path below `above`, or `None` where it does not lie there.
    pub fn below(&self, above: &RelPath) -> Option<RelPath> {
        if above.0.is_empty() {
            return Some(self.clone());
        }
        let rest = self.0.strip_prefix(above.0.as_slice())?;
        match rest.first() {
            None => Some(RelPath::root()),
            Some(b'/') => Some(RelPath(rest[1..].to_vec())),
            Some(_) => None,
        }
    }

    /// As text where it is UTF-8, with U+FFFD elsewhere. For JSON, beside the exact bytes.
    pub fn lossy(&self) -> String {
        String::from_utf8_lossy(&self.0).into_owned()
    }
}

impl fmt::Display for RelPath {
    /// Escaped for a terminal, one line.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() {
            f.pad(".")
        } else {
            f.pad(&shown(&self.0))
        }
    }
}

impl BatchName {
    /// The batch of this number in a dataset.
    pub fn numbered(dataset: &str, number: u32) -> BatchName {
        BatchName(format!("{dataset}.{number}"))
    }

    /// A name as typed; whether it exists is the plan's to say.
    pub fn typed(text: &str) -> BatchName {
        BatchName(text.to_string())
    }

    /// As text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for BatchName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Display for SourceName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// Bytes for a person: UTF-8 as it is, but for control characters, invisible direction marks,
/// backslashes and bytes that are no UTF-8, which become `\n`, `\t`, `\\`, `\xNN` or `\u{NNNN}`.
pub fn shown(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        for c in chunk.valid().chars() {
            push_shown(&mut out, c);
        }
        for b in chunk.invalid() {
            out.push_str(&format!("\\x{b:02x}"));
        }
    }
    out
}

/// Whether a character is a bidirectional control or a zero-width mark: these can make one name look
/// like another.
pub fn is_unseen(c: char) -> bool {
    matches!(c, '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

fn push_shown(out: &mut String, c: char) {
    match c {
        '\\' => out.push_str("\\\\"),
        '\n' => out.push_str("\\n"),
        '\r' => out.push_str("\\r"),
        '\t' => out.push_str("\\t"),
        c if is_unseen(c) => {
            out.push_str(&format!("\\u{{{:x}}}", c as u32));
        }
        c if c.is_control() => out.push_str(&format!("\\x{:02x}", c as u32)),
        c => out.push(c),
    }
}

/// Up to `most` of `known` that are nearest to `wanted` by edit distance, nearest first. For the
/// mend of a mistyped name.
pub fn nearest<'a>(wanted: &str, known: impl IntoIterator<Item = &'a str>, most: usize) -> Vec<&'a str> {
    let mut ranked: Vec<(usize, &str)> = known
        .into_iter()
        .map(|name| (distance(wanted, name), name))
        .collect();
    ranked.sort();
    ranked.truncate(most);
    ranked.into_iter().map(|(_, name)| name).collect()
}

fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut before = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let change = before + usize::from(ca != *cb);
            before = row[j + 1];
            row[j + 1] = change.min(before + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn nothing_that_leads_outside_is_a_path() {
        for bad in [
            &b"/a"[..],
            b"a/",
            b"a//b",
            b"..",
            b"a/../b",
            b".",
            b"a/./b",
            b"a\0b",
        ] {
            assert!(RelPath::new(bad).is_err(), "{:?}", shown(bad));
        }
        for good in [&b""[..], b"a", b"a/b", b"...", b"a\nb", b"\xff\xfe", b"-rf"] {
            assert!(RelPath::new(good).is_ok(), "{:?}", shown(good));
        }
    }

    #[test]
    fn prefixes_and_remainders() {
        let path = RelPath::new("clients/acorn/a.mov").unwrap();
        assert_eq!(path.prefix(2), Some(RelPath::new("clients/acorn").unwrap()));
        assert_eq!(path.prefix(0), Some(RelPath::root()));
        assert_eq!(path.prefix(4), None);
        assert_eq!(
            path.below(&RelPath::new("clients").unwrap()),
            Some(RelPath::new("acorn/a.mov").unwrap())
        );
        assert_eq!(path.below(&RelPath::new("client").unwrap()), None);
    }

    #[test]
    fn a_shown_name_cannot_steer_a_terminal() {
        assert_eq!(shown(b"a\x1b[2Jb"), "a\\x1b[2Jb");
        assert_eq!(shown(b"two\nlines"), "two\\nlines");
        assert_eq!(shown(b"caf\xe9"), "caf\\xe9");
        assert_eq!(shown("evil\u{202e}txt".as_bytes()), "evil\\u{202e}txt");
        assert_eq!(shown("Ünïcode ⊗".as_bytes()), "Ünïcode ⊗");
    }

    #[test]
    fn the_nearest_names_come_first() {
        assert_eq!(nearest("2o19.1", ["2018.1", "2019.1", "2021.1"], 2)[0], "2019.1");
    }

    proptest! {
        #[test]
        fn joining_and_splitting_are_inverse(parts in prop::collection::vec("[^/\0]{1,8}", 1..6)) {
            prop_assume!(parts.iter().all(|p| p != "." && p != ".."));
            let mut path = RelPath::root();
            for part in &parts {
                path = path.join(part.as_bytes()).unwrap();
            }
            prop_assert_eq!(path.depth(), parts.len());
            let (folder, last) = path.split().unwrap();
            prop_assert_eq!(last, parts.last().unwrap().as_bytes());
            prop_assert_eq!(folder.join(last).unwrap(), path.clone());
            let rest = path.below(&folder).unwrap();
            prop_assert_eq!(rest.as_bytes(), last);
        }

        #[test]
        fn shown_names_are_one_printable_line(bytes in prop::collection::vec(any::<u8>(), 0..40)) {
            prop_assert!(shown(&bytes).chars().all(|c| !c.is_control()));
        }

        #[test]
        fn different_names_are_shown_differently(a in prop::collection::vec(any::<u8>(), 0..6), b in prop::collection::vec(any::<u8>(), 0..6)) {
            prop_assert_eq!(a == b, shown(&a) == shown(&b));
        }
    }
}
