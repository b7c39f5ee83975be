//! run.

use super::desk;
use crate::cli::exit::Code;
use crate::cli::progress::Meter;
use crate::cli::{Context, json as pieces, policy};
use crate::ops::desk::Desk;
use crate::ops::run::{Ran, Voice, run as carry_out};
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::Stop;
use serde_json::{Value, json};
use std::cell::RefCell;

pub(super) fn run(context: &Context) -> Result<Code, Trouble> {
    let pause = Stop::below(&context.stop);
    let mut desk = Desk {
        stop: &pause,
        ..desk(context)?
    };
    let meter: RefCell<Option<Meter<'_>>> = RefCell::new(None);
    let clear = || {
        if let Some(meter) = meter.take() {
            meter.done();
        }
    };
    let voice = Voice {
        say: &|line| context.out.note(line),
        begins: &|what, total: Bytes| {
            if context.out.draws() {
                meter.replace(Some(Meter::new(&context.out, what, total)));
            }
        },
        at: &|bytes, files| {
            if let Some(meter) = meter.borrow().as_ref() {
                meter.at(bytes, files, "files", "");
            }
        },
        ends: &clear,
        read: &policy::read,
    };
    let ran = carry_out(&mut desk, &voice)?;
    tell(context, &ran);
    let failed = ran.batches.iter().any(|(_, _, failed)| *failed > 0);
    Ok(Code::clean_if(ran.need.is_none() && !failed))
}

fn tell(context: &Context, ran: &Ran) {
    let stake = ran.stake;
    let need = ran.need.as_ref().map_or(Value::Null, |need| {
        context
            .out
            .say(&format!("It needs you: {}. {}", need.what, need.mend));
        json!({"code": need.code, "text": need.what, "mend": need.mend})
    });
    if ran.need.is_none() {
        context.out.say(&format!(
            "Every batch is verified: {} no longer exist only on the old box. Next: `poolward scan` for what came since, then `poolward release`.",
            stake.proven.bytes
        ));
    }
    let failed: u64 = ran.batches.iter().map(|(_, _, failed)| failed).sum();
    if failed > 0 {
        context.out.say(&format!(
            "{failed} files could not be copied: `poolward status --left-behind` lists them."
        ));
    }
    let batches = ran.batches.iter();
    let batches: Vec<Value> = batches
        .map(|(name, state, failed)| json!({"name": name, "state": state.word(), "files_failed": failed}))
        .collect();
    context.out.object(
        "run",
        json!({"finished": ran.need.is_none(), "needs": need, "batches": batches,
               "bytes_proven": stake.proven.bytes.0, "bytes_only_at_source": stake.only_there.bytes.0,
               "seconds": pieces::seconds(ran.elapsed)}),
    );
}
