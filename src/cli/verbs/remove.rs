//! release --remove and --undo.

use super::desk;
use crate::cli::args::Release;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces};
use crate::ops::desk::Desk;
use crate::ops::remove::{Question, Removed, Step, remove, undo};
use crate::report::words::CAUTIONS;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes, counted, grouped};
use serde_json::{Value, json};
use std::cell::RefCell;
use std::io::IsTerminal;

pub(super) fn run(args: &Release, context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let zone = desk.settings.windows.zone;
    let (mut done, mut clean) = (Vec::new(), true);
    for name in &args.batches {
        let removed = match args.undo {
            true => undo(&mut desk, name)?,
            false => checked_and_removed(&mut desk, name, &args.accept, context)?,
        };
        tell(context, &removed, args.undo, zone);
        clean &= removed.reasons.is_empty() && removed.surprises.is_empty();
        done.push(object(&removed, zone));
    }
    context.out.object("release", json!({"batches": done}));
    Ok(Code::clean_if(clean))
}

/// Comparing every file, and reading a sample again, takes its time: it is told how far it is. While
/// the question waits for its answer nothing else is drawn.
fn checked_and_removed(
    desk: &mut Desk<'_>,
    name: &str,
    accept: &[String],
    context: &Context,
) -> Result<Removed, Trouble> {
    let meter = |what: &str| Meter::new(&context.out, &format!("{what} {name}"), Bytes::ZERO);
    let shown = RefCell::new(meter("comparing"));
    let mut ask = |question: &Question<'_>| {
        shown.borrow().done();
        confirm(context, question)?;
        shown.replace(meter("comparing once more and removing"));
        Ok(())
    };
    let told = |sum: Amount| shown.borrow().at(sum.bytes, sum.files, "files compared", "");
    let removed = remove(desk, name, accept, &mut ask, &told);
    shown.borrow().done();
    removed
}

/// The batch's name must be typed, or come as a line on standard input where that is no terminal.
fn confirm(context: &Context, question: &Question<'_>) -> Result<(), Trouble> {
    let what = match question.step {
        Step::Empty => "will be REMOVED FOR GOOD from what is set aside at",
        _ => "will be renamed aside at",
    };
    let text = format!(
        "Batch {}: {} in {} {what} {}.",
        question.batch,
        question.amount,
        counted(question.pieces, "project or loose file"),
        question.source.display()
    );
    if std::io::stdin().is_terminal() {
        for caution in CAUTIONS {
            context.out.ask(&format!("  {caution}"));
        }
        context.out.ask(&text);
        context
            .out
            .ask(&format!("Type the batch's name to go on ({}): ", question.batch));
    }
    let mut line = String::new();
    let read = std::io::stdin().read_line(&mut line);
    if read.is_ok() && line.trim_end_matches(['\n', '\r']) == question.batch {
        return Ok(());
    }
    let text = format!(
        "{text} The name {} was not typed, so nothing was touched",
        question.batch
    );
    Err(Trouble::usage("not-confirmed", text).mend(format!(
        "Run it on a terminal and type the name, or give the name as a line on standard input: `echo {0} | poolward release {0} --remove`.",
        question.batch
    )))
}

fn tell(context: &Context, removed: &Removed, undone: bool, zone: chrono_tz::Tz) {
    let name = &removed.name;
    let say = |line: String| context.out.say(&line);
    let until = removed.until.map_or(String::new(), |until| until.local(zone));
    match (undone, removed.reasons.is_empty(), removed.step) {
        (true, ..) if removed.withdrawn => say(format!(
            "Batch {name}: its sign-off is taken back, and it is verified again. `poolward verify {name} --again` shows what is wrong, `poolward copy {name}` mends it from the source, and `poolward release {name}` signs it off anew."
        )),
        (true, ..) => say(format!(
            "Batch {name}: {} brought back.",
            counted(removed.moved, "project or loose file")
        )),
        (_, false, _) => say(format!(
            "Nothing of batch {name} was touched. What stands against it:"
        )),
        (_, _, Step::SetAside) => say(format!(
            "Batch {name}: {} set aside. `poolward release {name} --undo` brings it back; from {until} on a second `--remove` removes it for good.",
            counted(removed.moved, "project or loose file")
        )),
        (_, _, Step::Empty) => say(format!(
            "Batch {name}: {} removed at the source so far. Where snapshots of the source, or a recycle folder of its box, still hold them, the space comes back only when those go.",
            removed.removed
        )),
        (_, _, Step::Nothing) => say(format!("Nothing of batch {name} is left at the source.")),
    }
    for reason in &removed.reasons {
        say(format!("  {} ({}; {})", reason.text, reason.code, reason.count));
    }
    for surprise in &removed.surprises {
        say(format!("  {}: {}", surprise.path, surprise.code));
    }
    if !removed.surprises.is_empty() && removed.reasons.is_empty() {
        say(
            "Stopped there. What was done is recorded; look at these, then run the same command again."
                .into(),
        );
    }
    if !removed.stays.is_empty() && removed.reasons.is_empty() {
        say(format!(
            "Stays at the source: {}",
            grouped(removed.stays.len() as u64)
        ));
        for (path, code, bytes) in &removed.stays {
            say(format!("  {path}  ({code}, {bytes})"));
        }
    }
    for folder in &removed.aside {
        say(format!(
            "Set aside in {}.",
            crate::names::shown(folder.as_os_str().as_encoded_bytes())
        ));
    }
}

fn object(removed: &Removed, zone: chrono_tz::Tz) -> Value {
    let reason = |r: &crate::lifecycle::Reason| json!({"code": r.code, "text": r.text, "count": r.count});
    let folder = |path: &std::path::PathBuf| pieces::text(path.as_os_str().as_encoded_bytes());
    let folders: Vec<Value> = removed.aside.iter().map(|path| json!(folder(path))).collect();
    let surprises = removed.surprises.iter();
    let stays = removed.stays.iter();
    json!({
        "name": removed.name,
        "releasable": removed.reasons.is_empty(),
        "reasons": removed.reasons.iter().map(reason).collect::<Vec<_>>(),
        "files": removed.removed.files, "bytes": removed.removed.bytes.0, "sheet": null,
        "removed": removed.finished,
        "aside": folders.first(), "aside_folders": folders, "aside_until": pieces::time(removed.until, zone),
        "moved": removed.moved, "withdrawn": removed.withdrawn,
        "surprises": surprises.map(|s| pieces::with_path(&s.path, json!({"code": s.code}))).collect::<Vec<_>>(),
        "stays": stays.map(|(path, code, bytes)| pieces::with_path(path, json!({"code": code, "bytes": bytes.0}))).collect::<Vec<_>>(),
    })
}
