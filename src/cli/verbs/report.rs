//! report.

use super::desk;
use crate::cli::Context;
use crate::cli::exit::Code;
use crate::ops::report::report;
use crate::trouble::Trouble;
use serde_json::json;

pub(super) fn run(context: &Context) -> Result<Code, Trouble> {
    let desk = desk(context)?;
    let written = report(&desk)?;
    for path in &written {
        context.out.say(&format!("Wrote {}", path.display()));
    }
    context.out.object("report", json!({"files": written}));
    Ok(Code::Done)
}
