//! carry.

use super::{copy, verify};
use crate::cli::args::Carry;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces};
use crate::lifecycle::State;
use crate::ops::carry::{Carried, Hashed, Job, Outcome, Request};
use crate::report::waybill::Task;
use crate::trouble::Trouble;
use crate::units::{Rate, counted, grouped};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

pub(super) fn run(args: &Carry, context: &Context) -> Result<Code, Trouble> {
    let maybe = |path: &Option<PathBuf>| path.as_deref().map(absolute).transpose();
    let job = Job::open(Request {
        waybill: absolute(&args.waybill)?,
        source: maybe(&args.source)?,
        destination: maybe(&args.destination)?,
        out: maybe(&args.out)?,
    })?;
    let what = match job.head().task {
        Task::Copy => "copying",
        Task::Verify => "reading back",
        Task::HashSource => "hashing",
    };
    let meter = Meter::new(
        &context.out,
        &format!("{what} {}", job.head().batch),
        job.asked().bytes,
    );
    let carried = job.work(&context.clock, &context.stop, &|bytes, files| {
        meter.at(bytes, files, "files", "")
    });
    meter.done();
    let carried = carried?;
    tell(context, &carried);
    context.out.object("carry", object(&carried));
    Ok(Code::clean_if(is_clean(&carried)))
}

fn absolute(path: &Path) -> Result<PathBuf, Trouble> {
    std::path::absolute(path).map_err(|e| Trouble::usage("bad-path", e.to_string()))
}

fn is_clean(carried: &Carried) -> bool {
    carried.answered.1 == 0
        && match &carried.outcome {
            Outcome::Copied(copied) => copied.failures.is_empty() && copied.outcome.disagreed == 0,
            Outcome::Verified(verified) => verified.state == State::Verified,
            Outcome::Hashed(_) => true,
        }
}

fn tell(context: &Context, carried: &Carried) {
    match &carried.outcome {
        Outcome::Copied(copied) => copy::tell(context, copied, "copied", "the receipt lists all"),
        Outcome::Verified(verified) => verify::tell(context, verified, false),
        Outcome::Hashed(hashed) => tell_hashed(context, hashed),
    }
    let (done, failed) = carried.answered;
    let failed = match failed {
        0 => String::new(),
        _ => format!(", {} not done", grouped(failed)),
    };
    context.out.say(&format!(
        "The receipt {} answers for {}{failed}. Its BLAKE3 is {}.",
        carried.receipt.display(),
        counted(done + carried.answered.1, "file"),
        carried.hash
    ));
    context.out.say(&format!(
        "Take it to the move folder and run `poolward absorb` on it. The folder {} can be removed after that.",
        carried.work.display()
    ));
}

fn tell_hashed(context: &Context, hashed: &Hashed) {
    let rate = Rate::from_work(hashed.read.bytes, hashed.elapsed);
    context.out.say(&format!(
        "Batch {}: hashed {} at the source in {}, {rate} (read: {}).",
        hashed.name,
        hashed.read,
        hashed.elapsed,
        way(hashed)
    ));
    if hashed.already > 0 {
        let count = grouped(hashed.already);
        context
            .out
            .say(&format!("  {count} were hashed by an earlier run."));
    }
    copy::tell_failures(context, &hashed.failures, "the receipt lists all");
}

fn way(hashed: &Hashed) -> &'static str {
    hashed.ways.keys().max().map_or("direct", |how| how.word())
}

fn object(carried: &Carried) -> Value {
    let batch = match &carried.outcome {
        Outcome::Copied(copied) => copy::object(copied),
        Outcome::Verified(verified) => verify::object(verified),
        Outcome::Hashed(hashed) => json!({"name": hashed.name, "files_hashed": hashed.read.files,
            "files_already_there": hashed.already, "files_failed": hashed.failures.len(),
            "bytes_read": hashed.read.bytes.0, "read_how": way(hashed),
            "seconds": pieces::seconds(hashed.elapsed), "failures": pieces::failures(&hashed.failures)}),
    };
    json!({"receipt": carried.receipt.to_string_lossy(), "blake3": carried.hash.to_string(),
           "work": carried.work.to_string_lossy(), "files_done": carried.answered.0,
           "files_not_done": carried.answered.1, "batches": [batch]})
}
