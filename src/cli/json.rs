//! Pieces of the JSON that several verbs print. The names are the contract's.

use crate::forecast::Range;
use crate::ledger::{Difference, Failure};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::ops::moves::Found;
use crate::units::Span;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use chrono_tz::Tz;
use serde_json::{Map, Value, json};

/// Bytes as text, lossy.
pub fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Puts a path under `path`, and its exact bytes beside it where it is not UTF-8.
pub fn put_path(map: &mut Map<String, Value>, path: &RelPath) {
    map.insert("path".into(), json!(path.lossy()));
    if std::str::from_utf8(path.as_bytes()).is_err() {
        map.insert("path_b64".into(), json!(STANDARD.encode(path.as_bytes())));
    }
}

/// An object that is about a path.
pub fn with_path(path: &RelPath, mut object: Value) -> Value {
    if let Some(map) = object.as_object_mut() {
        put_path(map, path);
    }
    object
}

/// A list of paths, as `examples` has them: text, or an object with the exact bytes.
pub fn path_value(path: &RelPath) -> Value {
    match std::str::from_utf8(path.as_bytes()) {
        Ok(text) => json!(text),
        Err(_) => with_path(path, json!({})),
    }
}

/// A time in a zone, or null.
pub fn time(moment: Option<Moment>, zone: Tz) -> Value {
    moment.map_or(Value::Null, |moment| json!(moment.rfc3339(zone)))
}

/// A range of times.
pub fn times(range: &Range<Option<Moment>>, zone: Tz) -> Value {
    json!({"low": time(range.low, zone), "likely": time(range.likely, zone), "high": time(range.high, zone)})
}

/// A range of durations in seconds.
pub fn spans(range: &Range<Span>) -> Value {
    json!({"low": seconds(range.low), "likely": seconds(range.likely), "high": seconds(range.high)})
}

/// A duration in seconds; never is null.
pub fn seconds(span: Span) -> Value {
    if span == Span::FOREVER {
        Value::Null
    } else {
        json!((span.secs_f64() * 1000.0).round() / 1000.0)
    }
}

/// Files that failed.
pub fn failures(failures: &[Failure]) -> Value {
    let one = |f: &Failure| with_path(&f.place, json!({"error": f.text, "code": f.code}));
    Value::Array(failures.iter().map(one).collect())
}

/// Differences of a verification.
pub fn differences(found: &[Difference]) -> Value {
    let one = |d: &Difference| {
        let ranges: Vec<[u64; 2]> = d.ranges.iter().map(|(a, b)| [*a, *b]).collect();
        with_path(&d.place, json!({"kind": d.kind, "ranges": ranges}))
    };
    Value::Array(found.iter().map(one).collect())
}

/// Files of begun batches that lie elsewhere at the source: what a rename at the destination follows,
/// whether it was done, and what comes as later files, with the reason.
pub fn moved(found: &Found, done: bool) -> Value {
    let followed = found.followed();
    let one = |(why, amount): (String, crate::units::Amount)| json!({"why": why, "files": amount.files, "bytes": amount.bytes.0});
    let again: Vec<Value> = found.doubted().into_iter().map(one).collect();
    json!({"files": followed.files, "bytes": followed.bytes.0, "followed": done && followed.files > 0,
           "again": again})
}
