//! survey --twins: what is said of files with identical content.

use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces};
use crate::ops::desk::Desk;
use crate::ops::twins::{self, Told};
use crate::report::words::{Align, table};
use crate::trouble::Trouble;
use crate::units::{Bytes, counted, grouped};
use serde_json::{Value, json};

/// Rows and examples in the text; the JSON has more.
const ROWS: usize = 10;

/// Finds them, with progress on stderr.
pub(super) fn find(desk: &Desk<'_>, context: &Context) -> Result<Told, Trouble> {
    let meter = Meter::new(&context.out, "hashing", Bytes::ZERO);
    let told = twins::twins(desk, &|bytes, files| meter.at(bytes, files, "files", ""))?;
    meter.done();
    Ok(told)
}

/// The text.
pub(super) fn tell(told: &Told, context: &Context) {
    let (s, out) = (&told.summary, &context.out);
    out.say(&format!(
        "Twins: {} of identical content, {}, {} more than once.",
        counted(s.sets, "set"),
        counted(s.files, "file"),
        s.reclaimable
    ));
    let name = |number: u32| {
        told.projects
            .get(number as usize)
            .map_or("", |(_, name)| name.as_str())
    };
    let row = |p: &crate::survey::twins::SharedPair| {
        let b = if p.a == p.b { "within itself" } else { name(p.b) };
        vec![
            name(p.a).to_string(),
            b.to_string(),
            grouped(p.files),
            p.bytes.to_string(),
        ]
    };
    let rows: Vec<Vec<String>> = s.pairs.iter().take(ROWS).map(row).collect();
    if !rows.is_empty() {
        let sides = [Align::Left, Align::Left, Align::Right, Align::Right];
        out.say(&table(
            &["project", "shares with", "files", "size"],
            &rows,
            &sides,
        ));
    }
    if s.wide_sets > 0 {
        out.say(&format!(
            "{} in very many projects: counted, but not in this table.",
            counted(s.wide_sets, "set")
        ));
    }
    for set in s.largest.iter().take(ROWS) {
        let shown: Vec<String> = set.numbers.iter().filter_map(|n| shown(told, *n)).collect();
        out.say(&format!(
            "{} times {}: {}",
            grouped(set.numbers.len() as u64),
            set.size,
            shown.join(", ")
        ));
    }
    tell_others(told, context);
    let (changed, unreadable) = told.left_out;
    if changed + unreadable > 0 {
        out.say(&format!(
            "Left out: {} changed or gone since the scan, {} not readable.",
            counted(changed, "file"),
            grouped(unreadable)
        ));
    }
    out.say("This reports and never deletes. Files that only look alike are not found. Leave the pool's own deduplication off.");
}

/// A file as it is shown: its source and path.
fn shown(told: &Told, number: u32) -> Option<String> {
    // The source only where there are several: its name says nothing otherwise.
    let several = told.projects.windows(2).any(|two| two[0].0 != two[1].0);
    told.paths.get(&number).map(|(source, path)| match several {
        true => format!("{source}: {path}"),
        false => path.to_string(),
    })
}

/// Names that stand for several contents (hazard U2).
fn tell_others(told: &Told, context: &Context) {
    let (s, out) = (&told.summary, &context.out);
    if s.other_content.0 > 0 {
        let (names, files) = s.other_content;
        out.say(&format!(
            "Same name and size, other content: {} on {}. All of them are kept.",
            counted(names, "name"),
            counted(files, "file")
        ));
        for example in s.other_examples.iter().take(ROWS) {
            out.say(&format!(
                "  {}",
                example
                    .iter()
                    .filter_map(|n| shown(told, *n))
                    .collect::<Vec<_>>()
                    .join(", ")
            ));
        }
    }
}

/// The object under `twins`.
pub(super) fn object(told: &Told) -> Value {
    let s = &told.summary;
    let project = |n: u32| told.projects.get(n as usize).map(|(_, name)| name.as_str());
    let source = |n: u32| told.projects.get(n as usize).map(|(source, _)| source.as_str());
    let paths = |numbers: &[u32]| -> Vec<Value> {
        let path = |n: &u32| told.paths.get(n);
        let one = |(source, path): &(String, _)| pieces::with_path(path, json!({"source": source}));
        numbers.iter().filter_map(path).map(one).collect()
    };
    let pairs = s.pairs.iter().map(|p| {
        json!({"a": project(p.a), "b": project(p.b), "a_source": source(p.a), "b_source": source(p.b),
               "files": p.files, "bytes": p.bytes.0})
    });
    let largest = s.largest.iter().map(
        |set| json!({"files": set.numbers.len(), "bytes_each": set.size.0, "examples": paths(&set.numbers)}),
    );
    let others: Vec<Value> = s.other_examples.iter().map(|e| json!(paths(e))).collect();
    json!({"sets": s.sets, "files": s.files, "bytes_reclaimable": s.reclaimable.0,
           "pairs": pairs.collect::<Vec<_>>(), "largest": largest.collect::<Vec<_>>(), "wide_sets": s.wide_sets,
           "other_content": {"names": s.other_content.0, "files": s.other_content.1, "examples": others},
           "hard_links": s.hard_links, "changed": told.left_out.0, "unreadable": told.left_out.1,
           "read_bytes": told.read.0, "hashes_known": told.known})
}
