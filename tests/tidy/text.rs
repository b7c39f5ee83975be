//! Rust source seen three ways: as written, without comments and texts, and without its tests too.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// One file of the code.
pub struct Source {
    /// Its path from the top of the package, as `src/plan/build.rs`.
    pub path: String,
    /// As written.
    pub text: String,
    /// Of the same length, with comments and the insides of texts blanked.
    pub code: String,
    /// `code` with everything under `#[cfg(test)]` blanked; all blank where the file is a test.
    pub shipped: String,
    /// Whether the whole file is built for tests only.
    pub is_test: bool,
}

impl Source {
    /// A source from its text, for a file that is not itself a test.
    pub fn new(path: &str, text: &str) -> Source {
        let code = blank_comments_and_texts(text);
        let shipped = blank_tests(&code);
        Source {
            path: path.into(),
            text: text.into(),
            code,
            shipped,
            is_test: false,
        }
    }

    /// The module of the map that the file belongs to: `plan` for `src/plan/build.rs`.
    pub fn module(&self) -> &str {
        let inner = self.path.strip_prefix("src/").unwrap_or(&self.path);
        let first = inner.split('/').next().unwrap_or(inner);
        first.strip_suffix(".rs").unwrap_or(first)
    }

    /// How many modules lie between the file's own code and the top of the crate.
    pub fn depth(&self) -> usize {
        let inner = self.path.strip_prefix("src/").unwrap_or(&self.path);
        let parts = inner.split('/').count();
        if inner.ends_with("/mod.rs") {
            parts - 1
        } else {
            parts
        }
    }

    /// Whether the byte at `at` is part of a test.
    pub fn tests_at(&self, at: usize) -> bool {
        self.is_test || (self.shipped.as_bytes()[at] == b' ' && self.code.as_bytes()[at] != b' ')
    }

    /// The line of the byte at `at`, from 1.
    pub fn line(&self, at: usize) -> usize {
        self.text.as_bytes()[..at].iter().filter(|b| **b == b'\n').count() + 1
    }

    /// Lines that hold shipped code: no blank line, comment or test among them.
    pub fn code_lines(&self) -> usize {
        self.shipped
            .lines()
            .filter(|line| !line.trim().is_empty())
            .count()
    }
}

/// Every `.rs` under `top`/`folder`, in order of path, with the test files among them marked.
pub fn read_all(top: &Path, folder: &str) -> Vec<Source> {
    let mut paths = Vec::new();
    collect(&top.join(folder), &mut paths);
    paths.sort();
    let mut sources: Vec<Source> = paths
        .iter()
        .map(|path| {
            let text = std::fs::read_to_string(path).expect("source is UTF-8");
            let short = path
                .strip_prefix(top)
                .expect("below the top")
                .to_string_lossy()
                .into_owned();
            Source::new(&short, &text)
        })
        .collect();
    mark_tests(&mut sources);
    sources
}

fn collect(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("a folder of sources") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            collect(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
}

/// Follows `#[cfg(test)] mod name;` to the files it brings in, and to what lies below those.
pub fn mark_tests(sources: &mut [Source]) {
    let mut roots = BTreeSet::new();
    let declares = regex::Regex::new(r"#\[cfg\(test\)\]\s*(?:pub(?:\([a-z]+\))? )?mod (\w+);").unwrap();
    for source in sources.iter() {
        let folder = match source.path.strip_suffix("/mod.rs") {
            Some(folder) => folder.to_string(),
            None => match source.path.as_str() {
                "src/lib.rs" | "src/main.rs" => "src".to_string(),
                path => path.strip_suffix(".rs").unwrap_or(path).to_string(),
            },
        };
        for found in declares.captures_iter(&source.code) {
            roots.insert(format!("{folder}/{}", &found[1]));
        }
    }
    for source in sources.iter_mut() {
        let is_test = roots.iter().any(|root| {
            source
                .path
                .strip_prefix(root.as_str())
                .is_some_and(|rest| rest == ".rs" || rest.starts_with('/'))
        });
        if is_test {
            source.is_test = true;
            source.shipped = blank(&source.code);
        }
    }
}

fn blank(text: &str) -> String {
    text.bytes()
        .map(|b| if b == b'\n' { '\n' } else { ' ' })
        .collect()
}

/// Blanks comments and the insides of texts, byte for byte, so that places and lines stay.
pub fn blank_comments_and_texts(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut out = Vec::with_capacity(bytes.len());
    let mut at = 0;
    while at < bytes.len() {
        let end = match bytes[at] {
            b'/' if bytes[at..].starts_with(b"//") => line_end(bytes, at),
            b'/' if bytes[at..].starts_with(b"/*") => comment_end(bytes, at),
            b'"' => text_end(bytes, at),
            b'r' if !follows_name(bytes, at) => raw_end(bytes, at),
            b'\'' => quote_end(bytes, at),
            _ => at,
        };
        if end == at {
            out.push(bytes[at]);
            at += 1;
        } else {
            out.extend(
                bytes[at..end]
                    .iter()
                    .map(|b| if *b == b'\n' { b'\n' } else { b' ' }),
            );
            at = end;
        }
    }
    // What is left outside texts and comments may hold parts of longer characters only whole.
    String::from_utf8(out).expect("cut at whole characters")
}

fn line_end(bytes: &[u8], at: usize) -> usize {
    bytes[at..]
        .iter()
        .position(|b| *b == b'\n')
        .map_or(bytes.len(), |n| at + n)
}

fn comment_end(bytes: &[u8], start: usize) -> usize {
    let (mut at, mut open) = (start, 0);
    while at < bytes.len() {
        if bytes[at..].starts_with(b"/*") {
            open += 1;
            at += 2;
        } else if bytes[at..].starts_with(b"*/") {
            open -= 1;
            at += 2;
            if open == 0 {
                return at;
            }
        } else {
            at += 1;
        }
    }
    bytes.len()
}

fn text_end(bytes: &[u8], start: usize) -> usize {
    let mut at = start + 1;
    while at < bytes.len() {
        match bytes[at] {
            b'\\' => at += 2,
            b'"' => return at + 1,
            _ => at += 1,
        }
    }
    bytes.len()
}

/// Whether the byte before `at` continues a name, so that `r` begins no raw text (`br"` does).
fn follows_name(bytes: &[u8], at: usize) -> bool {
    let Some(before) = at.checked_sub(1).map(|n| bytes[n]) else {
        return false;
    };
    let byte_text = before == b'b' && !follows_name(bytes, at - 1);
    !byte_text && (before.is_ascii_alphanumeric() || before == b'_')
}

fn raw_end(bytes: &[u8], at: usize) -> usize {
    let marks = bytes[at + 1..].iter().take_while(|b| **b == b'#').count();
    let open = at + 1 + marks;
    if bytes.get(open) != Some(&b'"') {
        return at;
    }
    let close: Vec<u8> = std::iter::once(b'"')
        .chain(std::iter::repeat_n(b'#', marks))
        .collect();
    let found = bytes[open + 1..]
        .windows(close.len())
        .position(|window| window == close);
    found.map_or(bytes.len(), |n| open + 1 + n + close.len())
}

/// The end of a character such as `'{'` or `'\n'`; a lifetime is left alone.
fn quote_end(bytes: &[u8], at: usize) -> usize {
    if bytes.get(at + 1) == Some(&b'\\') {
        let rest = bytes[at + 3..].iter().position(|b| *b == b'\'');
        return rest.map_or(bytes.len(), |n| at + 3 + n + 1);
    }
    // One character is at most four bytes.
    let close = bytes
        .iter()
        .enumerate()
        .skip(at + 2)
        .take(4)
        .find(|(_, b)| **b == b'\'');
    let one = |end: usize| std::str::from_utf8(&bytes[at + 1..end]).is_ok_and(|s| s.chars().count() == 1);
    match close {
        Some((end, _)) if one(end) => end + 1,
        _ => at,
    }
}

/// Blanks each item under `#[cfg(test)]`; takes code whose comments and texts are blank already.
pub fn blank_tests(code: &str) -> String {
    const MARK: &str = "#[cfg(test)]";
    let mut out = code.to_string();
    let mut from = 0;
    while let Some(found) = code[from..].find(MARK) {
        let start = from + found;
        let end = item_end(code, start + MARK.len());
        out.replace_range(start..end, &blank(&code[start..end]));
        from = end;
    }
    out
}

/// Where the item that begins at `from` ends: at its `;`, or at the brace that closes it.
fn item_end(code: &str, from: usize) -> usize {
    let mut open = 0_usize;
    for (at, byte) in code.bytes().enumerate().skip(from) {
        match byte {
            b'{' | b'(' | b'[' => open += 1,
            b'}' | b')' | b']' => {
                open = open.saturating_sub(1);
                let after = code[at + 1..].bytes().next();
                if open == 0 && byte == b'}' && after != Some(b';') {
                    return at + 1;
                }
            }
            b';' if open == 0 => return at + 1,
            _ => {}
        }
    }
    code.len()
}

#[test]
fn comments_and_texts_are_blanked_and_places_stay() {
    let text = "let a = \"use crate::plan \\\" {\"; // crate::pool\n/* a /* b */ c */ let é = 'x';\n";
    let code = blank_comments_and_texts(text);
    assert_eq!(code.len(), text.len());
    assert_eq!(code.lines().count(), 2);
    assert!(!code.contains("crate") && !code.contains('{'));
    assert!(
        code.contains("let é ="),
        "what is not text or comment stays: {code}"
    );
}

#[test]
fn raw_texts_characters_and_lifetimes_are_told_apart() {
    let code = blank_comments_and_texts(
        "f(r#\"a \" {\"#, br\"{\", '{', b'\\'', '\\u{7b}'); fn g<'a>(b: &'a str) {}",
    );
    assert_eq!(code.matches('{').count(), 1, "{code}");
    assert!(code.contains("fn g<'a>(b: &'a str) {}"), "{code}");
}

#[test]
fn what_is_built_for_tests_only_does_not_ship() {
    let source = Source::new(
        "src/a.rs",
        "fn a() {}\n#[cfg(test)]\nmod t {\n  fn b() {}\n}\nfn c() {}\n",
    );
    assert!(source.shipped.contains("fn a") && source.shipped.contains("fn c"));
    assert!(!source.shipped.contains("fn b"));
    assert!(source.tests_at(source.text.find("fn b").unwrap()));
    assert_eq!(source.code_lines(), 2);
}

#[test]
fn test_files_are_found_through_their_declaration() {
    let mut sources = vec![
        Source::new("src/a/mod.rs", "#[cfg(test)]\nmod trials;\nmod real;\n"),
        Source::new("src/a/real.rs", "fn a() {}\n"),
        Source::new("src/a/trials/deep.rs", "fn b() {}\n"),
        Source::new("src/b.rs", "#[cfg(test)]\nmod tests;\n"),
        Source::new("src/b/tests.rs", "fn c() {}\n"),
    ];
    mark_tests(&mut sources);
    let tests: Vec<bool> = sources.iter().map(|s| s.is_test).collect();
    assert_eq!(tests, [false, false, true, false, true]);
}

#[test]
fn depth_counts_the_modules_above() {
    let depth = |path| Source::new(path, "").depth();
    assert_eq!(
        [
            depth("src/units.rs"),
            depth("src/plan/mod.rs"),
            depth("src/plan/build.rs")
        ],
        [1, 1, 2]
    );
}
