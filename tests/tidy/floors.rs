//! The floors of `src/lib.rs`, and which modules the code really uses.

use crate::Offence;
use crate::text::Source;

/// Each floor from the ground up, with its modules.
pub const FLOORS: [&[&str]; 6] = [
    &["units", "names", "moment", "digest", "entry", "sizes", "trouble"],
    &["survey", "pool", "plan", "lifecycle", "forecast", "report", "web"],
    &["world", "index", "ledger"],
    &["scan", "copy", "verify", "release", "probe", "serve"],
    &["ops"],
    &["cli"],
];

/// What a module may use beside the floors below it. The words of floor 0 are made of each other,
/// in this order; within floor 1 these are the arrows of `src/lib.rs`.
const ARROWS: [(&str, &[&str]); 7] = [
    ("entry", &["moment", "names", "units"]),
    ("sizes", &["units"]),
    ("trouble", &["names"]),
    ("plan", &["survey", "pool"]),
    ("lifecycle", &["plan"]),
    ("forecast", &["plan", "pool"]),
    ("report", &["survey", "pool", "plan", "lifecycle", "forecast"]),
];

/// The floor of a module.
pub fn floor(module: &str) -> Option<usize> {
    FLOORS.iter().position(|modules| modules.contains(&module))
}

/// Whether `module` may use `used`; tests may use their own floor too.
fn allowed(module: &str, used: &str, in_test: bool) -> Result<(), String> {
    if module == used {
        return Ok(());
    }
    let Some(above) = floor(module) else {
        return Err(format!("`{module}` is on no floor of the map"));
    };
    let Some(below) = floor(used) else {
        return Err(format!("`crate::{used}` is on no floor of the map"));
    };
    let arrow = ARROWS
        .iter()
        .any(|(from, to)| *from == module && to.contains(&used));
    if below < above || arrow || (in_test && below == above) {
        return Ok(());
    }
    Err(format!(
        "`{module}` (floor {above}) may not use `{used}` (floor {below})"
    ))
}

/// Every place where a source uses a module of the crate: byte and name.
pub fn uses(code: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    for (at, _) in code.match_indices("crate::") {
        let before = code[..at].bytes().next_back();
        if before.is_some_and(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'$') {
            continue;
        }
        let rest = &code[at + "crate::".len()..];
        match rest.strip_prefix('{') {
            Some(group) => found.extend(heads(group).into_iter().map(|name| (at, name))),
            None => found.push((at, head(rest))),
        }
    }
    found
}

fn head(text: &str) -> String {
    text.trim_start()
        .chars()
        .take_while(|c| c.is_alphanumeric() || matches!(c, '_' | '*'))
        .collect()
}

/// The first names within `{a::b, c::{d, e}}`, the opening brace taken off.
fn heads(group: &str) -> Vec<String> {
    let (mut open, mut start, mut names) = (0, 0, Vec::new());
    for (at, byte) in group.bytes().enumerate() {
        match byte {
            b'{' => open += 1,
            b'}' if open > 0 => open -= 1,
            b',' | b'}' if open == 0 => {
                names.push(head(&group[start..at]));
                start = at + 1;
                if byte == b'}' {
                    break;
                }
            }
            _ => {}
        }
    }
    names.retain(|name| !name.is_empty());
    names
}

/// Holds one file to the floors.
pub fn check(source: &Source, into: &mut Vec<Offence>) {
    for (at, used) in uses(&source.code) {
        if let Err(why) = allowed(source.module(), &used, source.tests_at(at)) {
            into.push(Offence::at(source, at, "floors", why));
        }
    }
    climbs(source, into);
}

/// `super::super::…` up to the top of the crate would go around the check above.
fn climbs(source: &Source, into: &mut Vec<Offence>) {
    let mut from = 0;
    while let Some(found) = source.shipped[from..].find("super::") {
        let at = from + found;
        let run = source.shipped[at..]
            .split("super::")
            .take_while(|part| part.is_empty())
            .count();
        let ups = run.max(1);
        if ups >= source.depth() {
            let why = "climbs to the top of the crate; write `crate::` instead".to_string();
            into.push(Offence::at(source, at, "floors", why));
        }
        from = at + ups * "super::".len();
    }
}

/// Modules that `src/lib.rs` declares.
pub fn declared(lib: &str) -> Vec<String> {
    let lines = lib
        .lines()
        .filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';'));
    lines.map(str::to_string).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn offences(path: &str, text: &str) -> usize {
        let mut found = Vec::new();
        check(&Source::new(path, text), &mut found);
        found.len()
    }

    #[test]
    fn every_form_of_use_is_read() {
        let code = "use crate::units::Bytes;\nuse crate::{plan::{A, b::C}, pool, names::*};\n\
                    fn f() { crate::world::now() }\npub(crate) fn g() {}\n$crate::x!();";
        let names: Vec<String> = uses(code).into_iter().map(|(_, name)| name).collect();
        assert_eq!(names, ["units", "plan", "pool", "names", "world"]);
    }

    #[test]
    fn lower_floors_and_arrows_pass_and_the_rest_does_not() {
        assert_eq!(offences("src/plan/a.rs", "use crate::survey::Survey;"), 0);
        assert_eq!(offences("src/survey/a.rs", "use crate::plan::Plan;"), 1);
        assert_eq!(
            offences("src/plan/a.rs", "use crate::{units::Bytes, ledger::Ledger};"),
            1
        );
        assert_eq!(offences("src/verify/mod.rs", "fn f() { crate::copy::g() }"), 1);
        assert_eq!(offences("src/units.rs", "use crate::names::RelPath;"), 1);
        assert_eq!(offences("src/cli/mod.rs", "use crate::ops::plan;"), 0);
        assert_eq!(offences("src/ops/mod.rs", "use crate::nowhere::X;"), 1);
    }

    #[test]
    fn a_test_may_use_its_own_floor_and_no_higher() {
        let test = |used: &str| format!("#[cfg(test)]\nmod tests {{\n    use crate::{used}::X;\n}}\n");
        assert_eq!(offences("src/survey/a.rs", &test("plan")), 0);
        assert_eq!(offences("src/survey/a.rs", &test("ledger")), 1);
    }

    #[test]
    fn climbing_past_the_own_module_is_seen() {
        assert_eq!(offences("src/plan/a.rs", "use super::Plan;"), 0);
        assert_eq!(offences("src/plan/a.rs", "use super::super::ledger::X;"), 1);
        assert_eq!(offences("src/plan/mod.rs", "use super::ledger::X;"), 1);
        assert_eq!(offences("src/plan/deep/a.rs", "use super::super::Plan;"), 0);
    }

    #[test]
    fn no_two_arrows_form_a_circle() {
        for (from, to) in ARROWS {
            for next in to {
                let back = ARROWS.iter().any(|(f, t)| f == next && t.contains(&from));
                assert!(!back, "{from} and {next} use each other");
            }
        }
    }
}
