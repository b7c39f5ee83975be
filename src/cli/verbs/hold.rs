//! hold.

use super::desk;
use crate::cli::Context;
use crate::cli::args::Hold;
use crate::cli::exit::Code;
use crate::moment::Moment;
use crate::ops::hold::hold;
use crate::trouble::Trouble;
use serde_json::json;

pub(super) fn run(args: &Hold, context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let until = args.until.as_ref().map(|text| {
        Moment::parse_rfc3339(text).ok_or_else(|| {
            Trouble::usage("bad-time", format!("{text:?} is no time"))
                .mend("Write it like 2027-02-03T07:00:00+01:00.")
        })
    });
    let until = until.transpose()?;
    let mut names = args.batches.clone();
    if args.everything {
        names.push("*".to_string());
    }
    if names.is_empty() && !args.off {
        return Err(Trouble::usage("no-batch", "nothing to hold was named")
            .mend("Name batches, or add --everything."));
    }
    let done = hold(&mut desk, &names, until, args.off)?;
    for name in &done.taken_back {
        context.out.say(&format!(
            "The waybill of batch {name} is taken back: its receipt is refused from now on. Stop the machine that carries it before you go on here."
        ));
    }
    let shown: Vec<String> = done
        .held
        .iter()
        .map(|n| if n == "*" { "everything".into() } else { n.clone() })
        .collect();
    match shown.is_empty() {
        true => context.out.say("Nothing is held."),
        false => context.out.say(&format!("Held: {}.", shown.join(", "))),
    }
    context
        .out
        .object("hold", json!({"held": shown, "taken_back": done.taken_back}));
    Ok(Code::Done)
}
