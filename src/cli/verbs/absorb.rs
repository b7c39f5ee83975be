//! absorb.

use super::{copy, desk};
use crate::cli::args::Absorb;
use crate::cli::exit::{Code, code_of};
use crate::cli::{Context, json as pieces};
use crate::lifecycle::State;
use crate::ops::absorb::{Absorbed, Brought, absorb};
use crate::trouble::Trouble;
use crate::units::counted;
use serde_json::{Value, json};
use std::os::unix::ffi::OsStrExt;

pub(super) fn run(args: &Absorb, context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let all = absorb(&mut desk, &args.receipts)?;
    let mut code = Code::Done;
    for one in &all {
        match &one.came {
            Ok(brought) => {
                tell(one, brought, context);
                let open = [
                    brought.failed,
                    brought.differences,
                    brought.disagreed,
                    brought.not_counted,
                ];
                let clean = open.iter().sum::<u64>() == 0;
                if code == Code::Done && !clean {
                    code = Code::NeedsYou;
                }
            }
            Err(trouble) => {
                if !context.out.is_json() {
                    context.out.trouble(trouble);
                }
                if matches!(code, Code::Done | Code::NeedsYou) {
                    code = code_of(trouble);
                }
            }
        }
    }
    let receipts: Vec<Value> = all.iter().map(object).collect();
    context.out.object("absorb", json!({"receipts": receipts}));
    Ok(code)
}

fn tell(one: &Absorbed, brought: &Brought, context: &Context) {
    let Some((batch, task)) = &one.about else { return };
    let task = task.word();
    if !one.entered {
        context.out.say(&format!(
            "Batch {batch}: this receipt for {task} was entered before; nothing has changed."
        ));
        return;
    }
    context.out.say(&format!(
        "Batch {batch}: {task} of {} by {} is entered{}.",
        brought.done,
        brought.machine,
        brought
            .state
            .map_or_else(String::new, |state| format!(", it is {state} now"))
    ));
    let also = [
        (
            brought.failed,
            "file",
            "not done; `poolward status --left-behind` lists what was to be copied",
        ),
        (
            brought.changed,
            "file",
            "of these no longer what the scan saw at the source",
        ),
        (
            brought.not_as_answered,
            "file",
            "of these not at the destination as the receipt says",
        ),
        (
            brought.differences,
            "difference",
            "against it; `poolward copy` repairs what is still ours",
        ),
        (
            brought.not_counted,
            "file",
            "read back in a way that [release] accept-read leaves out; `poolward verify` reads them here",
        ),
        (
            brought.disagreed,
            "file",
            "READ TWICE WITH DIFFERENT CONTENT: memory, a cable or a controller is bad",
        ),
    ];
    for (count, noun, words) in also.into_iter().filter(|(count, ..)| *count > 0) {
        context.out.say(&format!("  {}: {words}.", counted(count, noun)));
    }
    for line in brought.view.iter().flat_map(copy::view_told) {
        context.out.say(&format!("  {line}."));
    }
}

fn object(one: &Absorbed) -> Value {
    let (batch, task) = match &one.about {
        Some((batch, task)) => (json!(batch), json!(task.word())),
        None => (Value::Null, Value::Null),
    };
    let path = pieces::text(one.path.as_os_str().as_bytes());
    let mut object = json!({"path": path, "batch": batch, "task": task, "entered": one.entered});
    match &one.came {
        Ok(brought) => {
            object["machine"] = json!(brought.machine);
            object["state"] = json!(brought.state.map(State::word));
            object["files_done"] = json!(brought.done.files);
            object["bytes_done"] = json!(brought.done.bytes.0);
            object["files_failed"] = json!(brought.failed);
            object["differences"] = json!(brought.differences);
            object["reads_disagreed"] = json!(brought.disagreed);
            object["error"] = Value::Null;
        }
        Err(trouble) => {
            object["error"] = json!({"code": trouble.code, "text": trouble.text, "mend": trouble.mend});
        }
    }
    object
}
