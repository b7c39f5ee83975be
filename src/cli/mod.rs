//! What the user touches: arguments, settings, printing, exit codes. Only this module prints or
//! reads the environment.

pub mod args;
mod exit;
pub mod folder;
mod json;
pub mod manual;
mod out;
pub mod policy;
mod progress;
mod verbs;

use crate::trouble::Trouble;
use crate::world::{Stop, SystemClock};
use args::Cli;
use clap::Parser;
use out::Out;
use std::ffi::OsString;
use std::process::ExitCode;

/// What every verb is handed.
pub(crate) struct Context {
    pub out: Out,
    pub folder: Option<std::path::PathBuf>,
    pub clock: SystemClock,
    pub stop: Stop,
}

/// Parses, runs one verb, prints an error once, and answers the exit code.
pub fn main(words: Vec<OsString>) -> ExitCode {
    let json = words.iter().any(|word| word == "--json");
    let cli = match Cli::try_parse_from(words) {
        Ok(cli) => cli,
        Err(error) if json && error.use_stderr() => {
            Out::new(true, true).trouble(&exit::as_trouble(&error));
            return ExitCode::from(exit::Code::Usage.number());
        }
        Err(error) => return exit::usage(&error),
    };
    let out = Out::new(cli.json, cli.quiet);
    let context = Context {
        out,
        folder: cli.folder,
        clock: SystemClock::default(),
        stop: Stop::new(),
    };
    let done = listen(&context.stop).and_then(|()| verbs::run(cli.command, &context));
    match done {
        Ok(code) => ExitCode::from(code.number()),
        Err(trouble) => {
            context.out.trouble(&trouble);
            ExitCode::from(exit::code_of(&trouble).number())
        }
    }
}

/// Ctrl-C asks to stop at a safe point; a second one ends at once, and loses nothing either.
fn listen(stop: &Stop) -> Result<(), Trouble> {
    use signal_hook::consts::{SIGINT, SIGTERM};
    for signal in [SIGINT, SIGTERM] {
        let flag = stop.flag();
        let armed = signal_hook::flag::register_conditional_shutdown(signal, 130, flag.clone())
            .and_then(|_| signal_hook::flag::register(signal, flag));
        armed.map_err(|e| Trouble::stopped("no-signals", format!("cannot listen for Ctrl-C: {e}")))?;
    }
    Ok(())
}

/// The zone this machine tells its time in: `TZ`, else what /etc/localtime points to, else UTC.
#[expect(clippy::disallowed_methods, reason = "the one place that asks for the zone")]
pub fn local_zone() -> chrono_tz::Tz {
    let named = std::env::var("TZ")
        .ok()
        .and_then(|name| name.trim_start_matches(':').parse().ok());
    let linked = || {
        let target = std::fs::read_link("/etc/localtime").ok()?;
        let text = target.to_string_lossy().into_owned();
        text.split_once("zoneinfo/")
            .and_then(|(_, name)| name.parse().ok())
    };
    named.or_else(linked).unwrap_or(chrono_tz::UTC)
}
