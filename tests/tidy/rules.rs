//! Rules of size, words, and which module may name what.

use crate::Offence;
use crate::text::Source;

/// Longest file, in lines.
const FILE_LINES: usize = 500;
/// Longest function, from its `fn` line to its closing brace.
const FUNCTION_LINES: usize = 70;
/// `main.rs`: parse, one call, print, exit code.
const MAIN_LINES: usize = 30;
/// A verb in `cli/verbs`: arguments, and one call of its operation. Lines that hold shipped code.
const VERB_LINES: usize = 80;
/// An operation: gather, decide, record. Lines that hold shipped code.
const OPERATION_LINES: usize = 100;

/// Marks of unfinished work, put together here so that this file does not hold them itself.
const UNFINISHED: [&str; 3] = [concat!("FIX", "ME"), concat!("TO", "DO"), concat!("XX", "X")];

/// Words that say nothing to a reader of the product.
const PROSE: [&str; 3] = [
    concat!("session", " id"),
    concat!("AI", "-generated"),
    concat!("LL", "M"),
];

/// What only some modules may name, each with the modules that may. Tests are free.
const OWNED: [(&str, &[&str], &str); 16] = [
    ("rusqlite", &["ledger"], "only the ledger knows SQL"),
    ("bincode", &["index"], "only the index knows its encoding"),
    ("jwalk", &["scan"], "only the scan walks"),
    ("walkdir", &["scan"], "only the scan walks"),
    ("httparse", &["web"], "only web knows the grammar of requests"),
    ("std::net", &["serve"], "only serve opens sockets"),
    ("TcpStream", &["serve"], "only serve opens sockets"),
    ("clap", &["cli", "main"], "arguments stay in cli"),
    ("indicatif", &["cli", "main"], "progress is shown in cli"),
    ("println!", &["cli", "main"], "only cli prints"),
    ("eprintln!", &["cli", "main"], "only cli prints"),
    ("print!", &["cli", "main"], "only cli prints"),
    ("eprint!", &["cli", "main"], "only cli prints"),
    ("dbg!", &[], "left from a search for a fault"),
    ("env::", &["cli", "main"], "only cli reads the environment"),
    ("process::exit", &["main"], "only main ends the process"),
];

/// What floors 0 and 1 do without, so that the same values always give the same answer.
const IMPURE: [&str; 10] = [
    "std::fs",
    "std::thread",
    "Instant",
    "SystemTime",
    "std::env",
    "std::net",
    "std::process",
    "rand",
    "Utc::now",
    "Local::now",
];

/// Holds one file to all rules of this module.
pub fn check(source: &Source, into: &mut Vec<Offence>) {
    sizes(source, into);
    functions(source, into);
    words(source, into);
    owned(source, into);
    if crate::floors::floor(source.module()).is_some_and(|floor| floor <= 1) {
        pure(source, into);
    }
    if !source.text.starts_with("//!") {
        into.push(Offence::at(
            source,
            0,
            "module-docs",
            "says at its top not what it is for".into(),
        ));
    }
}

fn sizes(source: &Source, into: &mut Vec<Offence>) {
    let mut hold = |rule, what: &str, lines: usize, limit: usize| {
        if lines > limit {
            into.push(Offence::at(
                source,
                0,
                rule,
                format!("{lines} {what}, the limit is {limit}"),
            ));
        }
    };
    let (all, code) = (source.text.lines().count(), source.code_lines());
    hold("file-lines", "lines", all, FILE_LINES);
    let path = source.path.as_str();
    if path == "src/main.rs" {
        hold("main-lines", "lines", all, MAIN_LINES);
    }
    let in_folder = |folder| {
        path.strip_prefix(folder)
            .is_some_and(|rest: &str| rest != "mod.rs")
    };
    if in_folder("src/cli/verbs/") {
        hold("verb-lines", "lines of code", code, VERB_LINES);
    }
    if in_folder("src/ops/") {
        hold("operation-lines", "lines of code", code, OPERATION_LINES);
    }
}

/// A function ends at the first brace that closes at its own indentation; rustfmt sees to that.
fn functions(source: &Source, into: &mut Vec<Offence>) {
    let lines: Vec<&str> = source.code.lines().collect();
    let mut at = 0;
    for (number, line) in lines.iter().enumerate() {
        let inner = line.trim_start();
        if is_function(inner) && !ends_at_once(&lines[number..]) {
            let indent = line.len() - inner.len();
            let close = lines[number..].iter().position(|l| {
                l.len() > indent && l[..indent].trim().is_empty() && l[indent..].starts_with('}')
            });
            let length = close.map_or(0, |n| n + 1);
            if length > FUNCTION_LINES {
                let name = inner
                    .split("fn ")
                    .nth(1)
                    .and_then(|s| s.split(['(', '<']).next())
                    .unwrap_or("");
                let why = format!("`{name}` has {length} lines, the limit is {FUNCTION_LINES}");
                into.push(Offence::at(source, at, "function-lines", why));
            }
        }
        at += line.len() + 1;
    }
}

fn is_function(line: &str) -> bool {
    let mut rest = line;
    loop {
        let word = rest.split(' ').next().unwrap_or("");
        let modifier = matches!(word, "pub" | "const" | "async" | "unsafe" | "extern" | "default");
        if word == "fn" {
            return true;
        }
        if !modifier && !word.starts_with("pub(") {
            return false;
        }
        rest = rest[word.len()..].trim_start();
    }
}

/// A function on one line, or a signature without a body.
fn ends_at_once(lines: &[&str]) -> bool {
    let end = lines.iter().position(|l| l.trim_end().ends_with([';', '{', '}']));
    end.is_none_or(|n| !lines[n].trim_end().ends_with('{'))
}

fn words(source: &Source, into: &mut Vec<Offence>) {
    for (rule, list) in [("unfinished", UNFINISHED), ("prose", PROSE)] {
        for word in list {
            for at in names(&source.text, word) {
                into.push(Offence::at(source, at, rule, format!("says `{word}`")));
            }
        }
    }
}

fn owned(source: &Source, into: &mut Vec<Offence>) {
    for (word, owners, why) in OWNED {
        if !owners.contains(&source.module()) {
            for at in names(&source.shipped, word) {
                // The macro that reads a variable of the build is no environment of the user's.
                into.push(Offence::at(source, at, "owned", format!("names `{word}`: {why}")));
            }
        }
    }
}

fn pure(source: &Source, into: &mut Vec<Offence>) {
    for word in IMPURE {
        for at in names(&source.shipped, word) {
            let why = format!("names `{word}`, and floors 0 and 1 depend on values alone");
            into.push(Offence::at(source, at, "pure", why));
        }
    }
    // `use std::{fs, thread}` names the same things.
    for (at, _) in source.shipped.match_indices("use std::{") {
        let rest = &source.shipped[at..];
        let group = &rest[..rest.find(';').unwrap_or(rest.len())];
        for word in ["fs", "thread", "env", "net", "process"] {
            if !names(group, word).is_empty() {
                into.push(Offence::at(source, at, "pure", format!("names `std::{word}`")));
            }
        }
    }
}

/// Where `word` stands on its own, not as a part of a longer name.
fn names(text: &str, word: &str) -> Vec<usize> {
    let part = |b: Option<u8>| b.is_some_and(|b| b.is_ascii_alphanumeric() || b == b'_');
    let open_end = part(word.bytes().next_back());
    text.match_indices(word)
        .map(|(at, _)| at)
        .filter(|at| !part(text[..*at].bytes().next_back()))
        .filter(|at| !(open_end && part(text[at + word.len()..].bytes().next())))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rules(path: &str, text: &str) -> Vec<&'static str> {
        let mut found = Vec::new();
        check(&Source::new(path, text), &mut found);
        found.into_iter().map(|offence| offence.rule).collect()
    }

    fn function(lines: usize) -> String {
        let body = "        work();\n".repeat(lines - 2);
        format!("//! Docs.\nimpl A {{\n    pub(crate) fn long(\n{body}    }}\n}}\n")
            .replace("long(\n", "long() {\n")
    }

    #[test]
    fn a_file_says_what_it_is_for() {
        assert_eq!(rules("src/a.rs", "//! Docs.\n"), [""; 0]);
        assert_eq!(rules("src/a.rs", "fn a() {}\n"), ["module-docs"]);
    }

    #[test]
    fn long_files_and_functions_are_seen_at_their_limit() {
        let file = |lines: usize| format!("//! Docs.\n{}", "const A: u8 = 1;\n".repeat(lines - 1));
        assert_eq!(rules("src/a.rs", &file(500)), [""; 0]);
        assert_eq!(rules("src/a.rs", &file(501)), ["file-lines"]);
        assert_eq!(rules("src/main.rs", &file(31)), ["main-lines"]);
        assert_eq!(rules("src/a.rs", &function(70)), [""; 0]);
        assert_eq!(rules("src/a.rs", &function(71)), ["function-lines"]);
    }

    #[test]
    fn a_signature_over_several_lines_belongs_to_its_function() {
        let text = format!(
            "//! D.\nfn a(\n    b: u8,\n) -> u8\nwhere\n    u8: Copy,\n{{\n{}}}\nfn c();\n",
            "    d();\n".repeat(70)
        );
        assert_eq!(rules("src/a.rs", &text), ["function-lines"]);
        assert!(ends_at_once(&["fn c();"]) && ends_at_once(&["fn c() {}"]) && !ends_at_once(&["fn c() {"]));
        assert!(is_function("pub(crate) const unsafe fn x()") && !is_function("let fn_x = 1;"));
    }

    #[test]
    fn verbs_and_operations_are_counted_without_comments_and_tests() {
        let file = |lines: usize| format!("//! Docs.\n\n// Why.\n{}", "const A: u8 = 1;\n".repeat(lines));
        assert_eq!(rules("src/ops/a.rs", &file(100)), [""; 0]);
        assert_eq!(rules("src/ops/a.rs", &file(101)), ["operation-lines"]);
        assert_eq!(rules("src/ops/mod.rs", &file(101)), [""; 0]);
        assert_eq!(rules("src/cli/verbs/a.rs", &file(81)), ["verb-lines"]);
        assert_eq!(rules("src/cli/args.rs", &file(81)), [""; 0]);
    }

    #[test]
    fn only_its_owner_names_a_thing() {
        let test = |word: &str| format!("//! D.\n#[cfg(test)]\nmod t {{\n    use {word}::X;\n}}\n");
        assert_eq!(rules("src/ops/a.rs", "//! D.\nuse rusqlite::X;\n"), ["owned"]);
        assert_eq!(rules("src/ledger/a.rs", "//! D.\nuse rusqlite::X;\n"), [""; 0]);
        assert_eq!(rules("src/ops/a.rs", "//! rusqlite lives elsewhere.\n"), [""; 0]);
        assert_eq!(rules("src/ops/a.rs", &test("bincode")), [""; 0]);
        assert_eq!(
            rules("src/scan/a.rs", "//! D.\nfn a() { eprintln!(\"x\") }\n"),
            ["owned"]
        );
        assert_eq!(
            rules("src/ops/a.rs", "//! D.\nconst V: &str = env!(\"X\");\n"),
            [""; 0]
        );
        assert_eq!(
            rules("src/ops/a.rs", "//! D.\nfn a() { std::env::var(\"X\"); }\n"),
            ["owned"]
        );
    }

    #[test]
    fn the_lower_floors_touch_no_world() {
        assert_eq!(rules("src/plan/a.rs", "//! D.\nuse std::fs;\n"), ["pure"]);
        assert_eq!(
            rules("src/plan/a.rs", "//! D.\nuse std::{collections::BTreeMap, fs};\n"),
            ["pure"]
        );
        assert_eq!(
            rules("src/plan/a.rs", "//! D.\nuse std::time::Duration;\n"),
            [""; 0]
        );
        assert_eq!(
            rules("src/units.rs", "//! D.\nuse std::time::Instant;\n"),
            ["pure"]
        );
        assert_eq!(
            rules("src/plan/a.rs", "//! D.\nstruct Instantly; mod std_fs {}\n"),
            [""; 0]
        );
        assert_eq!(rules("src/world/a.rs", "//! D.\nuse std::fs;\n"), [""; 0]);
    }

    #[test]
    fn unfinished_work_is_seen_in_comments_too() {
        let mark = UNFINISHED[1];
        assert_eq!(
            rules("src/a.rs", &format!("//! D.\n// {mark}: later\n")),
            ["unfinished"]
        );
        assert_eq!(rules("src/a.rs", &format!("//! D.\n// {mark}S\n")), [""; 0]);
    }
}
