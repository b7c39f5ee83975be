//! The licences of what is linked, held to the list in `.deny.toml`.

use crate::top;
use std::process::Command;

/// Whether a licence expression can be met by the listed licences alone. The grammar is the part of
/// SPDX's (specification 2.3, annex D) that the tree uses; `/` is an old way to write OR.
fn met(expression: &str, listed: &[String]) -> bool {
    let spaced = expression
        .replace('/', " OR ")
        .replace('(', " ( ")
        .replace(')', " ) ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut at = 0;
    either(&words, &mut at, listed) && at == words.len()
}

fn either(words: &[&str], at: &mut usize, listed: &[String]) -> bool {
    let mut met = both(words, at, listed);
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        met |= both(words, at, listed);
    }
    met
}

fn both(words: &[&str], at: &mut usize, listed: &[String]) -> bool {
    let mut met = one(words, at, listed);
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        met &= one(words, at, listed);
    }
    met
}

fn one(words: &[&str], at: &mut usize, listed: &[String]) -> bool {
    let word = words.get(*at).copied().unwrap_or_default();
    *at += 1;
    if word == "(" {
        let met = either(words, at, listed);
        *at += 1;
        return met;
    }
    let mut name = word.to_string();
    if words.get(*at) == Some(&"WITH") {
        name = format!("{word} WITH {}", words.get(*at + 1).copied().unwrap_or_default());
        *at += 2;
    }
    listed.contains(&name)
}

#[test]
fn licence_expressions_are_read() {
    let listed = ["MIT".to_string(), "BSD-3-Clause".to_string()];
    for (expression, expected) in [
        ("MIT", true),
        ("MIT/Apache-2.0", true),
        ("Apache-2.0", false),
        ("MIT AND Unicode-3.0", false),
        ("(Apache-2.0 OR MIT) AND BSD-3-Clause", true),
        ("Apache-2.0 WITH LLVM-exception OR MIT", true),
        ("Apache-2.0 OR MIT AND Zlib", false),
        ("", false),
    ] {
        assert_eq!(met(expression, &listed), expected, "{expression}");
    }
}

#[test]
fn each_dependency_has_a_licence_we_list_and_comes_from_one_place() {
    let deny = std::fs::read_to_string(top().join(".deny.toml")).unwrap();
    let deny: toml::Table = deny.parse().expect("valid TOML");
    let listed: Vec<String> = deny["licenses"]["allow"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|licence| licence.as_str().expect("a name").to_string())
        .collect();
    // Only what is built here: nothing more need be on this disk.
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version=1", "--offline", "--locked"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(top())
        .output()
        .expect("cargo runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let tree: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = tree["packages"].as_array().unwrap();
    assert!(packages.len() > 50, "the whole tree is read");
    for package in packages {
        let (name, licence) = (&package["name"], package["license"].as_str().unwrap_or(""));
        assert!(
            met(licence, &listed),
            "{name} is under \"{licence}\"; see .deny.toml"
        );
    }
    let sources: std::collections::BTreeSet<_> =
        packages.iter().filter_map(|p| p["source"].as_str()).collect();
    assert_eq!(sources.len(), 1, "{sources:?}");
}
