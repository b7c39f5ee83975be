//! What threads gain where every call is a round trip: a scan over FUSE, each call a millisecond
//! late, by one thread and by sixteen. Prints both times and their ratio.
//!
//!   cargo run --example fuse_scan -- [FILES]      (3,000 if left out; needs /dev/fuse and root)

#![allow(dead_code, clippy::disallowed_methods, clippy::expect_used)]

#[path = "../support/fuse/mod.rs"]
mod fuse;

use poolward::index::InodeClass;
use poolward::names::SourceName;
use poolward::scan::{ScanRequest, scan};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// What the file system asks of the tests' support.
fn scratch() -> tempfile::TempDir {
    tempfile::tempdir().expect("a scratch folder")
}

fn skip(reason: impl AsRef<str>) {
    println!("skipped: {}", reason.as_ref());
}

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

fn has_program(name: &str) -> bool {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path).any(|folder| folder.join(name).is_file())
}

fn main() {
    let files: usize = std::env::args()
        .nth(1)
        .map_or(3_000, |n| n.parse().expect("a number"));
    let behind = scratch();
    for number in 0..files {
        let folder = behind
            .path()
            .join(format!("project {}/reel {}", number % 10, number / 10 % 10));
        std::fs::create_dir_all(&folder).expect("a folder");
        std::fs::write(folder.join(format!("take {number}")), "x").expect("a file");
    }
    let Some(mount) = fuse::Fuse::over(behind.path()) else {
        return;
    };
    mount.latency(Duration::from_millis(1));
    let [one, sixteen] = [1, 16].map(|threads| timed(mount.path(), threads));
    println!(
        "{files} files, a millisecond a call: 1 thread {one:.2} s, 16 threads {sixteen:.2} s, ratio {:.1}",
        one / sixteen
    );
}

/// Seconds that a scan took.
fn timed(root: &Path, threads: usize) -> f64 {
    let beside = scratch();
    let request = ScanRequest {
        source: SourceName("oldbox".into()),
        root: root.to_path_buf(),
        index: beside.path().join("index"),
        parts: beside.path().join("parts"),
        never_enter: Arc::new(|_, _| None),
        rules: String::new(),
        cross: Vec::new(),
        gentle: false,
        threads: Some(threads),
        recount: Some(false),
        resume: false,
        only: None,
        expected_entries: None,
        inodes: InodeClass::Unknown,
    };
    let outcome = scan(&request, &|_| {}, &|| false).expect("a scan");
    outcome.elapsed.secs_f64()
}
