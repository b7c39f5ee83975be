//! hold.

use super::desk;
use crate::cli::Context;
use crate::cli::args::Hold;
use crate::cli::exit::Code;
use crate::moment::Moment;
use crate::ops::hold::hold;
use crate::trouble::Trouble;
use serde_json::json;
use std::collections::BTreeMap;

pub(super) fn run(args: &Hold, context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let zone = desk.settings.windows.zone;
    let until = args.until.as_ref().map(|text| {
        Moment::parse_typed(text, zone, desk.now()).ok_or_else(|| {
            Trouble::usage("bad-time", format!("{text:?} is no time"))
                .mend("Write it like \"2027-02-03 07:00\", \"07:00\" or 2027-02-03T07:00:00+01:00.")
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
    let named = |name: &str| if name == "*" { "everything" } else { name }.to_string();
    let lines = done.held.iter().map(|(name, until)| match until {
        Some(until) => format!("{} until {}", named(name), until.local(zone)),
        None => named(name),
    });
    let lines: Vec<String> = lines.collect();
    match lines.is_empty() {
        true => context.out.say("Nothing is held."),
        false => context.out.say(&format!("Held: {}.", lines.join(", "))),
    }
    let held: Vec<String> = done.held.iter().map(|(name, _)| named(name)).collect();
    let until: BTreeMap<String, Option<String>> = done
        .held
        .iter()
        .map(|(name, until)| (named(name), until.map(|until| until.rfc3339(zone))))
        .collect();
    context.out.object(
        "hold",
        json!({"held": held, "until": until, "taken_back": done.taken_back}),
    );
    Ok(Code::Done)
}
