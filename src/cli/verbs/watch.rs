//! status: once, again and again, or for browsers.

use super::serve;
use super::status::once;
use crate::cli::Context;
use crate::cli::args::Status;
use crate::cli::exit::Code;
use crate::trouble::Trouble;
use crate::world::Clock;
use std::time::Duration;

/// Between two pictures.
const EVERY: Duration = Duration::from_secs(4);
/// The cursor to the first line, and everything below it cleared (ECMA-48, CUP and ED).
const CLEAR: &[u8] = b"\x1b[H\x1b[J";

pub(super) fn run(args: &Status, context: &Context) -> Result<Code, Trouble> {
    if let Some(address) = &args.serve {
        return serve::run(address, context);
    }
    if !args.watch {
        return once(args, context, true);
    }
    if !context.out.redraws() {
        context
            .out
            .note("No terminal to draw on again and again: this is the state now.");
        return once(args, context, true);
    }
    // Ctrl-C is how one looks away; nothing is wrong then.
    while !context.stop.is_set() {
        context.out.raw(CLEAR);
        once(args, context, false)?;
        context.out.say("Ctrl-C ends this view; the work goes on.");
        context.clock.wait(EVERY, &context.stop);
    }
    Ok(Code::Done)
}
