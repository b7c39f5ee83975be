//! What the tests of the real binary share: a scratch folder, trees from text, runs, and skips.
//!
//! Each test file brings it in with `mod support;` (from a folder: `#[path = "../support/mod.rs"]`).

// A test file uses the part it needs.
#![allow(dead_code, unused_imports)]
#![allow(clippy::disallowed_methods, reason = "tests ask the machine and its clock")]

pub mod content;
pub mod facts;
pub mod fuse;
pub mod loops;
pub mod tree;

pub use content::content;
pub use facts::{Fact, assert_same_tree, tree_facts};
pub use tree::tree;

use std::ffi::OsStr;
use std::io::Write;
use std::path::Path;
use std::time::Duration;

/// No run of a test takes this long; a hang ends with the output so far.
const PATIENCE: Duration = Duration::from_secs(120);

/// A folder of its own, removed when dropped.
pub fn scratch() -> tempfile::TempDir {
    tempfile::Builder::new()
        .prefix("poolward-")
        .tempdir()
        .expect("a scratch folder")
}

/// What a run of the binary answered.
#[derive(Debug)]
pub struct Run {
    /// Exit code; `None` where a signal ended it.
    pub code: Option<i32>,
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

impl Run {
    /// The one object that `--json` printed.
    #[track_caller]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|e| panic!("no JSON ({e}): {self:#?}"))
    }

    /// The run itself, once its exit code is the expected one.
    #[track_caller]
    pub fn exits(self, code: i32) -> Run {
        assert_eq!(self.code, Some(code), "{}\n{}", self.stdout, self.stderr);
        self
    }
}

/// Runs the real binary from the top of the package.
pub fn poolward<S: AsRef<OsStr>>(args: &[S]) -> Run {
    poolward_in(Path::new(env!("CARGO_MANIFEST_DIR")), args)
}

/// Runs the real binary in a folder, with a plain environment: no terminal, no colour, UTC.
pub fn poolward_in<S: AsRef<OsStr>>(folder: &Path, args: &[S]) -> Run {
    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_poolward"))
        .args(args)
        .current_dir(folder)
        .env_clear()
        .env("PATH", std::env::var_os("PATH").unwrap_or_default())
        .env("HOME", folder)
        .env("TZ", "UTC")
        .env("LC_ALL", "C.UTF-8")
        .timeout(PATIENCE)
        .output()
        .expect("the binary runs");
    Run {
        code: output.status.code(),
        stdout: String::from_utf8(output.stdout).expect("output is UTF-8"),
        stderr: String::from_utf8(output.stderr).expect("messages are UTF-8"),
    }
}

/// Says that the test at hand cannot run here, and why. `tests/run` names a file in
/// `POOLWARD_SKIPS` and counts its lines; the test returns after the call.
pub fn skip(reason: impl AsRef<str>) {
    let thread = std::thread::current();
    let line = format!("{}: {}\n", thread.name().unwrap_or("test"), reason.as_ref());
    let Some(list) = std::env::var_os("POOLWARD_SKIPS") else {
        println!("skipped: {line}");
        return;
    };
    let mut file = std::fs::File::options()
        .append(true)
        .create(true)
        .open(list)
        .expect("the list of skips");
    // One write, so that tests side by side do not cut each other's lines.
    file.write_all(line.as_bytes()).expect("the list of skips");
}

/// Whether the tests run as root.
pub fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

/// Whether a program is on the path.
pub fn has_program(name: &str) -> bool {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path).any(|folder| folder.join(name).is_file())
}
