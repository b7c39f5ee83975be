//! What other machines have, as `status` shows it.

use crate::cli::{Context, json as pieces};
use crate::lifecycle::waybills::Task;
use crate::moment::Moment;
use crate::ops::away;
use crate::ops::desk::Desk;
use crate::trouble::Trouble;
use chrono_tz::Tz;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// One line for each waybill that is out; answers them by batch.
pub(super) fn tell(
    desk: &Desk<'_>,
    context: &Context,
) -> Result<BTreeMap<String, Vec<(Task, Moment)>>, Trouble> {
    let out = away::out(&desk.ledger)?;
    let zone = desk.settings.windows.zone;
    for (name, tasks) in &out {
        for (task, since) in tasks {
            let (task, since) = (task.word(), since.local(zone));
            context.out.say(&format!(
                "Batch {name}: out since {since} for {task}; `poolward absorb` enters the receipt, `poolward hold {name} --off` takes it back."
            ));
        }
    }
    Ok(out)
}

/// The waybills of one batch that are out.
pub(super) fn object(tasks: Option<&Vec<(Task, Moment)>>, zone: Tz) -> Value {
    let one = |(task, since): &(Task, Moment)| json!({"task": task.word(), "since": pieces::time(Some(*since), zone)});
    tasks
        .map(|tasks| tasks.iter().map(one).collect::<Value>())
        .unwrap_or_else(|| json!([]))
}
