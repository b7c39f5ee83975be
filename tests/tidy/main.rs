//! The rules of the code, read off its own text: floors, sizes, words, and who may name what.
//!
//! A rule that is only written down is forgotten; these fail the build instead. Each rule has small
//! tests of its own beside it.

mod floors;
mod licences;
mod rules;
mod text;

use std::path::Path;
use text::Source;

/// Files that may break a rule, each with the reason. A line here that is no longer needed fails.
const EXCEPTIONS: &[Exception] = &[
    Exception {
        rule: "floors",
        path: "src/ledger/",
        about: "may not use `world`",
        reason: "records name values that the seam defines (how a read was done, what a mount is); move those down",
    },
    Exception {
        rule: "operation-lines",
        path: "src/ops/",
        about: "",
        reason: "operations still hold steps that belong on lower floors; each is to come down to the limit",
    },
    Exception {
        rule: "verb-lines",
        path: "src/cli/verbs/",
        about: "",
        reason: "verbs still hold the words they print; each is to come down to the limit",
    },
    Exception {
        rule: "function-lines",
        path: "src/cli/verbs/demo.rs",
        about: "`run`",
        reason: "one step of the demo after the other, with what it says between; to be cut by step",
    },
    Exception {
        rule: "function-lines",
        path: "src/ops/release.rs",
        about: "`write_sheet`",
        reason: "gathers what the sheet says, field by field; to be cut with the rest of the operations",
    },
];

/// A file, or all below a folder, that may break one rule.
struct Exception {
    rule: &'static str,
    /// How the path begins.
    path: &'static str,
    /// What the offence must speak of; empty for any.
    about: &'static str,
    reason: &'static str,
}

impl Exception {
    fn covers(&self, offence: &Offence) -> bool {
        let about = offence.why.contains(self.about);
        self.rule == offence.rule && offence.path.starts_with(self.path) && about
    }
}

/// One place that breaks one rule.
pub struct Offence {
    /// The rule, in one word.
    pub rule: &'static str,
    path: String,
    line: usize,
    why: String,
}

impl Offence {
    /// An offence at a byte of a source.
    pub fn at(source: &Source, at: usize, rule: &'static str, why: String) -> Offence {
        Offence {
            rule,
            path: source.path.clone(),
            line: source.line(at),
            why,
        }
    }

    fn line_of_text(&self) -> String {
        format!("{}:{}: {}: {}", self.path, self.line, self.rule, self.why)
    }
}

fn top() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn the_code_keeps_its_rules() {
    let mut offences = Vec::new();
    for source in text::read_all(top(), "src") {
        rules::check(&source, &mut offences);
        if !matches!(source.path.as_str(), "src/lib.rs" | "src/main.rs") {
            floors::check(&source, &mut offences);
        }
    }
    let excused = |offence: &Offence| EXCEPTIONS.iter().any(|e| e.covers(offence));
    let idle: Vec<String> = EXCEPTIONS
        .iter()
        .filter(|e| !offences.iter().any(|o| e.covers(o)))
        .map(|e| format!("{}: the exception for {} is no longer needed", e.path, e.rule))
        .collect();
    for offence in offences.iter().filter(|offence| excused(offence)) {
        println!("excused: {}", offence.line_of_text());
    }
    let broken = offences.iter().filter(|offence| !excused(offence));
    let lines: Vec<String> = broken.map(Offence::line_of_text).chain(idle).collect();
    assert!(
        lines.is_empty(),
        "{} places break a rule:\n{}",
        lines.len(),
        lines.join("\n")
    );
}

#[test]
fn each_exception_gives_a_reason() {
    for exception in EXCEPTIONS {
        assert!(
            exception.reason.len() > 20,
            "{} for {}",
            exception.path,
            exception.rule
        );
    }
}

#[test]
fn the_map_and_the_floors_name_the_same_modules() {
    let lib = std::fs::read_to_string(top().join("src/lib.rs")).unwrap();
    let mut declared = floors::declared(&lib);
    let mut known: Vec<String> = floors::FLOORS.concat().iter().map(|m| m.to_string()).collect();
    declared.sort();
    known.sort();
    assert_eq!(declared, known);
    for module in known {
        assert!(
            lib.contains(&format!("[`{module}`]")),
            "the map leaves out {module}"
        );
    }
}

#[test]
fn each_dependency_says_why_it_is_there() {
    let manifest = std::fs::read_to_string(top().join("Cargo.toml")).unwrap();
    assert_eq!(
        unexplained(&manifest),
        [""; 0],
        "dependencies without a `# why` on their line"
    );
}

/// Dependencies whose line ends in no comment.
fn unexplained(manifest: &str) -> Vec<&str> {
    let mut section = "";
    let mut found = Vec::new();
    for line in manifest.lines().map(str::trim) {
        if line.starts_with('[') {
            section = line;
        } else if section.ends_with("dependencies]") && !line.is_empty() && !line.starts_with('#') {
            let why = line.rsplit_once(" # ").map_or("", |(_, why)| why.trim());
            if why.len() < 10 {
                found.push(line.split(['=', ' ']).next().unwrap_or(line));
            }
        }
    }
    found
}

#[test]
fn a_dependency_without_a_reason_is_seen() {
    let manifest = "[package]\nname = \"x\"\n[dependencies]\na = \"1\" # reads the thing\nb = \"2\"\n\
                    # c\n[dev-dependencies]\nd = \"1\" # no\n";
    assert_eq!(unexplained(manifest), ["b", "d"]);
}

#[test]
fn nothing_lies_at_the_top_that_the_design_does_not_name() {
    let known = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "src",
        "tests",
        "fixtures",
        "man",
        "target",
    ];
    for entry in std::fs::read_dir(top()).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        assert!(
            name.starts_with('.') || known.contains(&name.as_str()),
            "{name} lies at the top"
        );
    }
}
