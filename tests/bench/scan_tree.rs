//! One scan for `tests/bench/scan.sh`: `scan_tree FOLDER INDEX [--threads N] [--gentle]
//! [--recount] [--cross PATH,…]`; or, to
//! read an index back, `scan_tree --read INDEX`, or `scan_tree --pieces INDEX` with long folders piece
//! by piece. Prints one line of figures.

use poolward::index::{Index, InodeClass};
use poolward::names::{RelPath, SourceName};
use poolward::scan::{ScanRequest, scan};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

#[expect(clippy::disallowed_methods, reason = "it measures time")]
fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let began = Instant::now();
    if args[0] == "--read" || args[0] == "--pieces" {
        let index = Index::open(&PathBuf::from(&args[1])).expect("an index");
        let entries: usize = match args[0] == "--read" {
            true => index
                .listings()
                .map(|listing| listing.expect("a listing").children.len())
                .sum(),
            false => index
                .pieces()
                .map(|piece| piece.expect("a piece").listing.children.len())
                .sum(),
        };
        println!("entries {entries} seconds {:.3}", began.elapsed().as_secs_f64());
        return;
    }
    let value = |key: &str| args.iter().position(|a| a == key).and_then(|at| args.get(at + 1));
    let request = ScanRequest {
        source: SourceName("bench".into()),
        root: PathBuf::from(&args[0]),
        index: PathBuf::from(&args[1]),
        parts: PathBuf::from(format!("{}.parts", args[1])),
        never_enter: Arc::new(|_, _| None),
        rules: String::new(),
        cross: value("--cross").map_or(Vec::new(), |list| {
            let paths = list
                .split(',')
                .map(|path| RelPath::new(path).expect("a path below the root"));
            paths.collect()
        }),
        gentle: args.iter().any(|a| a == "--gentle"),
        threads: value("--threads").map(|n| n.parse().expect("a number")),
        recount: args.iter().any(|a| a == "--recount").then_some(true),
        resume: false,
        only: None,
        expected_entries: None,
        inodes: InodeClass::Unknown,
    };
    let outcome = scan(&request, &|_| {}, &|| false).expect("a scan");
    let entries = outcome.index.header().totals.entries;
    let size = std::fs::metadata(&args[1]).expect("an index").len();
    println!(
        "entries {entries} seconds {:.3} threads {} index_bytes {size} bytes_per_entry {:.1}",
        began.elapsed().as_secs_f64(),
        outcome.threads,
        size as f64 / entries as f64
    );
}
