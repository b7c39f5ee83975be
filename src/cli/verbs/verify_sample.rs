//! verify --sample and --confidence: some files drawn by lot.

use super::verify::how;
use super::verify_more;
use crate::cli::args::Verify;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces};
use crate::lifecycle::sampling::Share;
use crate::ops::desk::Desk;
use crate::ops::sampled::{Draw, Sampled, sample};
use crate::trouble::Trouble;
use crate::units::{Bytes, counted, grouped};
use serde_json::{Value, json};

/// What was asked for, if a sample was.
pub(super) fn asked(args: &Verify) -> Result<Option<Draw>, Trouble> {
    let share = |text: &String| {
        Share::percent(text).ok_or_else(|| {
            Trouble::usage(
                "not-a-share",
                format!("{text} is no percentage between 0 % and 100 %"),
            )
            .mend("Write it like 99% or 0.1%.")
        })
    };
    match (args.sample, &args.confidence, &args.rate) {
        (Some(files), ..) => Ok(Some(Draw::Files(files))),
        (None, Some(confidence), Some(rate)) => Ok(Some(Draw::Until {
            confidence: share(confidence)?,
            rate: share(rate)?,
        })),
        _ if args.seed.is_some() => Err(Trouble::usage("not-a-share", "--seed belongs to a sample")
            .mend("Give --sample N, or --confidence P with --rate R.")),
        _ => Ok(None),
    }
}

pub(super) fn run(
    desk: &mut Desk<'_>,
    names: &[String],
    wanted: (Draw, Option<u64>),
    context: &Context,
) -> Result<Code, Trouble> {
    if names.is_empty() {
        context
            .out
            .say("Nothing is copied that a sample could be drawn from.");
    }
    let (mut done, mut clean) = (Vec::new(), true);
    for name in names {
        let meter = Meter::new(&context.out, &format!("sampling {name}"), Bytes::ZERO);
        let sampled = sample(desk, name, wanted, &|p| meter.at(p.bytes, p.files, "files", ""));
        meter.done();
        let sampled = sampled?;
        tell(context, &sampled);
        clean &= sampled.differences.is_empty() && !sampled.witness.contradicts();
        done.push(object(&sampled));
    }
    context.out.object("verify", json!({"batches": done}));
    Ok(Code::clean_if(clean))
}

fn tell(context: &Context, sampled: &Sampled) {
    context.out.say(&format!(
        "Batch {}: read back {} of {}, drawn by seed {} (read: {}).",
        sampled.name,
        grouped(sampled.drawn),
        counted(sampled.of, "file"),
        sampled.seed,
        how(&sampled.outcome)
    ));
    verify_more::tell_witness(context, &sampled.witness, sampled.outcome.read.bytes);
    let mut words = sampled.statement.chars();
    let first = words.next().map(|c| c.to_ascii_uppercase()).into_iter();
    let sentence: String = first.chain(words).collect();
    context
        .out
        .say(&format!("  {sentence}. The batch is not verified by that."));
    for one in sampled.differences.iter().take(20) {
        context.out.say(&format!("  {}: {}", one.place, one.kind));
    }
}

fn object(sampled: &Sampled) -> Value {
    json!({"name": sampled.name, "state": sampled.state.word(), "files_checked": sampled.outcome.checked,
           "bytes_read": sampled.outcome.read.bytes.0, "read_how": how(&sampled.outcome),
           "differences": pieces::differences(&sampled.differences),
           "witness": verify_more::witness(&sampled.witness),
           "sample": {"files": sampled.drawn, "of": sampled.of, "seed": sampled.seed,
                      "statement": sampled.statement}})
}
