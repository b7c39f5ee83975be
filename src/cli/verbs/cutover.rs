//! The check list of status --cutover.

use crate::cli::Context;
use crate::lifecycle::cutover::{Before, Line};
use crate::ops::cutover::{confirm, list};
use crate::ops::desk::Desk;
use crate::report::words::CAUTIONS;
use crate::trouble::Trouble;
use serde_json::{Value, json};

/// Records what is confirmed, prints the list, and answers its object and whether all gates are open.
pub(super) fn run(
    desk: &Desk<'_>,
    confirmed: &[String],
    context: &Context,
) -> Result<(Value, bool), Trouble> {
    for what in confirmed {
        confirm(desk, what)?;
    }
    let lines = list(desk)?;
    for (before, title) in [
        (Before::Switching, "Before anyone works on the new storage:"),
        (Before::Letting, "Before the old box goes:"),
    ] {
        context.out.say("");
        context.out.say(title);
        for line in lines.iter().filter(|line| line.before == before) {
            tell(line, context);
        }
    }
    context.out.say("");
    for caution in CAUTIONS {
        context.out.say(&format!("  {caution}"));
    }
    let open = |before| {
        lines
            .iter()
            .filter(|line| line.before == before)
            .all(|line| line.open)
    };
    let gate = |line: &Line| {
        json!({"code": line.reason.code, "before": line.before.word(), "open": line.open, "text": line.reason.text,
               "count": line.reason.count, "mend": line.mend})
    };
    let object = json!({
        "gates": lines.iter().map(gate).collect::<Vec<_>>(),
        "may_switch": open(Before::Switching),
        "may_let_go": open(Before::Switching) && open(Before::Letting),
    });
    Ok((object, lines.iter().all(|line| line.open)))
}

fn tell(line: &Line, context: &Context) {
    let reason = &line.reason;
    match line.open {
        true => context.out.say(&format!("  ✓ {} ({})", reason.text, reason.code)),
        false => {
            let count = reason.count;
            context.out.say(&format!(
                "  ✗ not yet: {} ({}; {count})",
                reason.text, reason.code
            ));
            context.out.say(&format!("      {}", line.mend));
        }
    }
}
