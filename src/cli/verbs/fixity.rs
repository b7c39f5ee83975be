//! fixity.

use super::desk;
use super::fixity_told::{object, tell};
use crate::cli::Context;
use crate::cli::args::Fixity;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::lifecycle::fixity::Part;
use crate::ops::fixity::{ProofAsked, Reading, by_proof, chosen, due, fixity};
use crate::trouble::Trouble;
use crate::units::Bytes;
use serde_json::json;
use std::path::Path;

pub(super) fn run(args: &Fixity, context: &Context) -> Result<Code, Trouble> {
    let share = share(args)?;
    let readings = match &args.proof {
        Some(proof) => vec![against_proof(args, proof, share, context)?],
        None => against_ledger(args, share, context)?,
    };
    if readings.is_empty() {
        context
            .out
            .say("Nothing is verified yet that could be read again.");
    }
    let zone = crate::cli::local_zone();
    context.out.object(
        "fixity",
        json!({"datasets": readings.iter().map(|one| object(one, zone)).collect::<Vec<_>>()}),
    );
    Ok(Code::clean_if(readings.iter().all(Reading::is_clean)))
}

fn share(args: &Fixity) -> Result<Option<Part>, Trouble> {
    let Some(text) = &args.percent else {
        return Ok(None);
    };
    let wrong = || {
        let text = format!("--percent {text} is no share above 0 and up to 100");
        Trouble::usage("not-a-share", text).mend("Write it like 5 or 2.5, with four decimals at most.")
    };
    Part::percent(text).map(Some).ok_or_else(wrong)
}

fn against_ledger(args: &Fixity, share: Option<Part>, context: &Context) -> Result<Vec<Reading>, Trouble> {
    let mut desk = desk(context)?;
    let names: Vec<String> = args
        .datasets
        .iter()
        .map(|name| name.to_string_lossy().into_owned())
        .collect();
    let mut readings = Vec::new();
    for name in chosen(&desk, &names)? {
        let total = due(&desk, &name, share)?;
        let meter = Meter::new(&context.out, &format!("reading {name} again"), total);
        let reading = fixity(&mut desk, &name, share, &|p| {
            meter.at(p.bytes, p.files, "files", "")
        });
        meter.done();
        let reading = reading?;
        tell(context, &reading);
        readings.push(reading);
    }
    Ok(readings)
}

fn against_proof(
    args: &Fixity,
    proof: &Path,
    share: Option<Part>,
    context: &Context,
) -> Result<Reading, Trouble> {
    if args.datasets.len() > 1 {
        let text = "a proof is read against one folder";
        return Err(Trouble::usage("bad-usage", text)
            .mend("Name the folder in which its dataset lies now, or none: the proof names where it was."));
    }
    let asked = ProofAsked {
        proof,
        dataset: args.datasets.first().map(AsRef::as_ref),
        state: context.folder.as_deref(),
        share,
        clock: &context.clock,
        stop: &context.stop,
    };
    let meter = Meter::new(&context.out, "reading again", Bytes::ZERO);
    let reading = by_proof(asked, &|p| meter.at(p.bytes, p.files, "files", ""));
    meter.done();
    let reading = reading?;
    tell(context, &reading);
    Ok(reading)
}
