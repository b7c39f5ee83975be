//! The verbs: each gathers its options, calls one operation, prints what it answers.

mod absorb;
mod accuracy;
mod adopt;
mod begin;
mod carried;
mod carry;
mod copy;
mod cutover;
mod demo;
mod exposed;
mod extras;
mod fixity;
mod fixity_told;
mod forecast;
mod hold;
mod layouts;
mod plan;
mod planned;
mod pool;
mod probe;
mod release;
mod remove;
mod report;
mod rooms;
mod run;
mod scan;
mod serve;
mod status;
mod survey;
mod twins;
mod verify;
mod verify_more;
mod verify_sample;
mod watch;
mod waybill;

use super::args::Command;
use super::exit::Code;
use super::{Context, folder, policy};
use crate::ops::desk::Desk;
use crate::trouble::Trouble;

/// Runs one verb.
pub(super) fn run(command: Command, context: &Context) -> Result<Code, Trouble> {
    match command {
        Command::Begin(args) => begin::run(&args, context),
        Command::Scan(args) => scan::run(&args, context),
        Command::Survey(args) => survey::run(&args, context),
        Command::Probe => probe::run(context),
        Command::Pool(args) => pool::run(&args, context),
        Command::Plan(args) => plan::run(&args, context),
        Command::Forecast(args) => forecast::run(&args, context),
        Command::Copy(args) => copy::run(&args, context),
        Command::Verify(args) => verify::run(&args, context),
        Command::Run => run::run(context),
        Command::Hold(args) => hold::run(&args, context),
        Command::Status(args) => watch::run(&args, context),
        Command::Release(args) => release::run(&args, context),
        Command::Report => report::run(context),
        Command::Adopt(args) => adopt::run(&args, context),
        Command::Waybill(args) => waybill::run(&args, context),
        Command::Absorb(args) => absorb::run(&args, context),
        Command::Carry(args) => carry::run(&args, context),
        Command::Fixity(args) => fixity::run(&args, context),
        Command::Demo(args) => demo::run(&args, context),
    }
}

/// Opens the move at hand.
pub(super) fn desk(context: &Context) -> Result<Desk<'_>, Trouble> {
    let folder = match &context.folder {
        Some(folder) => folder::find(folder)?,
        None => folder::find(std::path::Path::new("."))?,
    };
    let settings = policy::read(&folder.join("move.toml"))?;
    Desk::open(&folder, settings, &context.clock, &context.stop)
}
