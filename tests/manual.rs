//! What is generated in `man/` is fresh, and the README lists every verb and exit code.
//! `POOLWARD_WRITE_MAN=1 cargo test --test manual` writes the files anew.

use std::path::Path;

#[test]
fn the_generated_files_are_fresh() {
    let home = Path::new(env!("CARGO_MANIFEST_DIR")).join("man");
    #[expect(clippy::disallowed_methods, reason = "new pages are asked for by hand")]
    let write = std::env::var_os("POOLWARD_WRITE_MAN").is_some();
    for (name, bytes) in poolward::cli::manual::files().unwrap() {
        let path = home.join(&name);
        if write {
            std::fs::write(&path, &bytes).unwrap();
        }
        let there = std::fs::read(&path).unwrap_or_default();
        assert!(
            there == bytes,
            "man/{name} is stale: POOLWARD_WRITE_MAN=1 cargo test --test manual"
        );
    }
}

#[test]
fn the_readme_names_every_verb_and_exit_code() {
    use clap::CommandFactory;
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    for verb in poolward::cli::args::Cli::command().get_subcommands() {
        assert!(
            readme.contains(&format!("`{}`", verb.get_name())),
            "README.md does not name `{}`",
            verb.get_name()
        );
    }
    for code in ["| 0 |", "| 1 |", "| 2 |", "| 3 |", "| 70 |", "| 130 |"] {
        assert!(readme.contains(code), "README.md does not list exit code {code}");
    }
}
