//! verify.

use super::{desk, verify_more, verify_sample};
use crate::cli::args::Verify;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces};
use crate::lifecycle::State;
use crate::ops::desk::Desk;
use crate::ops::verify::{How, Verified, verify};
use crate::ops::{away, batch};
use crate::trouble::Trouble;
use crate::units::{Bytes, counted};
use crate::verify::Outcome;
use serde_json::{Value, json};

pub(super) fn run(args: &Verify, context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let names = chosen(&desk, args, context)?;
    if let Some(draw) = verify_sample::asked(args)? {
        return verify_sample::run(&mut desk, &names, (draw, args.seed), context);
    }
    if names.is_empty() {
        context.out.say("Nothing is waiting to be verified.");
    }
    let (mut done, mut clean) = (Vec::new(), true);
    for name in names {
        let total = match desk.ledger.batch(&name)? {
            Some(row) => desk.ledger.progress_of(row.id)?.0.bytes,
            None => Bytes::ZERO,
        };
        let meter = Meter::new(&context.out, &format!("reading back {name}"), total);
        let how = How {
            again: args.again,
            sha256: args.sha256,
            twice_at_source: args.twice_at_source,
        };
        let verified = verify(&mut desk, &name, how, &|p| {
            meter.at(p.bytes, p.files, "files", "")
        });
        meter.done();
        let verified = verified?;
        tell(context, &verified, true);
        clean &= verified.state == State::Verified && verify_more::agrees(&verified);
        done.push(object(&verified));
    }
    context.out.object("verify", json!({"batches": done}));
    Ok(Code::clean_if(clean))
}

fn chosen(desk: &Desk<'_>, args: &Verify, context: &Context) -> Result<Vec<String>, Trouble> {
    if !args.batches.is_empty() {
        let named = batch::named(&batch::plan(desk)?, &args.batches)?;
        return Ok(named.into_iter().map(|b| b.name.as_str().to_string()).collect());
    }
    let also_verified = args.again || args.sample.is_some() || args.confidence.is_some();
    let wanted = |state: State| match also_verified {
        true => matches!(state, State::Copied | State::Verifying | State::Verified),
        false => matches!(state, State::Copied | State::Verifying),
    };
    let mut names = Vec::new();
    for row in desk.ledger.batches()? {
        if wanted(batch::state_of(Some(&row))) {
            match away::words(desk, &row.name)? {
                None => names.push(row.name),
                Some(carried) => context.out.note(&format!("Passed over: {carried}.")),
            }
        }
    }
    Ok(names)
}

pub(super) fn how(outcome: &Outcome) -> &'static str {
    outcome.ways.keys().max().map_or("direct", |how| how.word())
}

/// What a person reads of one batch; what to do about differences only where that can be done here.
pub(super) fn tell(context: &Context, verified: &Verified, at_home: bool) {
    let read = verified.outcome.read;
    let rate = crate::units::Rate::from_work(read.bytes, verified.elapsed);
    let name = &verified.name;
    context.out.say(&format!(
        "Batch {name}: read back {} in {}, {rate} (read: {}).",
        verified.outcome.compared(),
        verified.elapsed,
        how(&verified.outcome)
    ));
    verify_more::tell(context, verified);
    if verified.state == State::Verified && verified.outcome.equal == 0 {
        context
            .out
            .say("  Every file was proven before; --again reads them once more.");
    } else if verified.state == State::Verified {
        context
            .out
            .say("  Every file is equal in content, size, time, mode, owner, attributes and links.");
    } else {
        let count = counted(verified.differences.len() as u64, "difference");
        context.out.say(&format!("  {count} against it:"));
    }
    for one in verified.differences.iter().take(20) {
        context.out.say(
            format!(
                "  {}: {} {}",
                one.place,
                one.kind,
                verify_more::byte_ranges(&one.ranges)
            )
            .trim_end(),
        );
    }
    if at_home && !verified.differences.is_empty() {
        context.out.say(&format!(
            "  `poolward copy {name}` repairs what is still ours; then verify again."
        ));
    }
    for one in verified.listed.iter().take(5) {
        context
            .out
            .say(&format!("  listed, not against it: {} ({})", one.place, one.kind));
    }
}

/// One batch of the JSON.
pub(super) fn object(verified: &Verified) -> Value {
    json!({"name": verified.name, "state": verified.state.word(), "files_checked": verified.outcome.checked,
           "bytes_read": verified.outcome.read.bytes.0, "read_how": how(&verified.outcome),
           "seconds": pieces::seconds(verified.elapsed), "differences": pieces::differences(&verified.differences),
           "listed": pieces::differences(&verified.listed), "witness": verify_more::witness(&verified.witness),
           "sha256": {"files": verified.sha256.known, "complete": verified.sha256.known == verified.sha256.of},
           "check_files": verify_more::check_files(verified), "second_read": verify_more::second_read(verified),
           "source_readings": verify_more::readings(&verified.readings)})
}
