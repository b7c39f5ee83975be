//! waybill.

use super::desk;
use crate::cli::Context;
use crate::cli::args::Waybill;
use crate::cli::exit::Code;
use crate::lifecycle::waybills::Task;
use crate::ops::waybill::{Request, Wrote, write};
use crate::trouble::Trouble;
use serde_json::{Value, json};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

pub(super) fn run(args: &Waybill, context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let out = match &args.out {
        Some(path) => Some(std::path::absolute(path).map_err(|e| Trouble::usage("bad-path", e.to_string()))?),
        None => None,
    };
    let request = Request {
        batches: args.batch.iter().cloned().collect(),
        all: args.all,
        tasks: args.task.iter().filter_map(|word| Task::parse(word)).collect(),
        out,
    };
    let wrote = write(&mut desk, &request)?;
    tell(&wrote, args, context);
    context.out.object("waybill", object(&wrote));
    let named = args.batch.is_some();
    match (wrote.written.is_empty(), named) {
        (true, true) => Err(nothing(&wrote)),
        _ => Ok(Code::clean_if(!named || wrote.unwritten.is_empty())),
    }
}

/// A batch was named, and nothing of it could be written.
fn nothing(wrote: &Wrote) -> Trouble {
    let why = wrote.unwritten.iter().map(|one| {
        let task = one
            .task
            .map_or_else(String::new, |task| format!(" for {}", task.word()));
        format!("no waybill{task} of batch {}: {}", one.batch, one.why)
    });
    Trouble::usage("not-in-this-state", why.collect::<Vec<_>>().join("; "))
        .mend("`poolward status` shows where the batch stands.")
}

fn tell(wrote: &Wrote, args: &Waybill, context: &Context) {
    for one in &wrote.written {
        let (batch, task, path) = (&one.batch, one.task.word(), one.path.display());
        context
            .out
            .say(&format!("Batch {batch}: {task} of {}: {path}", one.asked));
    }
    let told = if args.batch.is_some() {
        &[][..]
    } else {
        &wrote.unwritten[..]
    };
    for one in told {
        context
            .out
            .note(&format!("Batch {}: no waybill: {}.", one.batch, one.why));
    }
    if wrote.written.is_empty() && args.batch.is_none() {
        context.out.say("There is nothing that another machine could do.");
    } else if !wrote.written.is_empty() {
        context.out.say(
            "Each holds the key of its receipt, so its owner alone can read it: give it (chown) to the account that carries it, and to nobody else.",
        );
        context.out.say(
            "On the other machine: `poolward carry WAYBILL --source PATH --destination PATH`; then here: `poolward absorb RECEIPT`.",
        );
    }
    if let Some(script) = &wrote.script {
        context.out.say(&format!(
            "For a scheduler: SOURCE=… DESTINATION=… sbatch {}",
            script.display()
        ));
    }
}

fn object(wrote: &Wrote) -> Value {
    let path = |path: &Path| super::super::json::text(path.as_os_str().as_bytes());
    let written = wrote.written.iter().map(|one| {
        json!({"batch": one.batch, "task": one.task.word(), "path": path(&one.path),
               "blake3": one.hash.to_string(), "files": one.asked.files, "bytes": one.asked.bytes.0})
    });
    let unwritten = wrote
        .unwritten
        .iter()
        .map(|one| json!({"batch": one.batch, "task": one.task.map(Task::word), "why": one.why}));
    json!({"waybills": written.collect::<Value>(), "not_written": unwritten.collect::<Value>(),
           "script": wrote.script.as_deref().map(path)})
}
