//! Exit codes, one table for the program, the manual and the README.

use crate::trouble::{Class, Trouble};
use std::process::ExitCode;

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Code {
    /// Done and clean.
    Done,
    /// Done, but something needs the user.
    NeedsYou,
    /// Wrong usage or settings.
    Usage,
    /// Could not run or go on.
    Stopped,
    /// A defect of ours.
    Defect,
    /// Interrupted, state saved.
    Interrupted,
}

impl Code {
    /// All of them, for the manual.
    pub const ALL: [Code; 6] = [
        Code::Done,
        Code::NeedsYou,
        Code::Usage,
        Code::Stopped,
        Code::Defect,
        Code::Interrupted,
    ];

    /// The number.
    pub fn number(self) -> u8 {
        match self {
            Code::Done => 0,
            Code::NeedsYou => 1,
            Code::Usage => 2,
            Code::Stopped => 3,
            Code::Defect => 70,
            Code::Interrupted => 130,
        }
    }

    /// What it means.
    pub fn meaning(self) -> &'static str {
        match self {
            Code::Done => "done and clean",
            Code::NeedsYou => {
                "done, but something needs you: failed files, differences, a shut gate, open questions"
            }
            Code::Usage => "wrong usage or settings; nothing was done",
            Code::Stopped => {
                "could not run or go on: a mount is missing, no space, the batch is held or busy"
            }
            Code::Defect => "a defect of Poolward; please report it",
            Code::Interrupted => "interrupted; what was done is saved",
        }
    }

    /// Clean, or something needs the user.
    pub fn clean_if(clean: bool) -> Code {
        if clean { Code::Done } else { Code::NeedsYou }
    }
}

/// The exit code of an error.
pub fn code_of(trouble: &Trouble) -> Code {
    match trouble.class {
        Class::Usage => Code::Usage,
        Class::Stopped => Code::Stopped,
        Class::Interrupted => Code::Interrupted,
        Class::Defect => Code::Defect,
    }
}

/// What the parser says as an error of ours, for programs that read the object.
pub fn as_trouble(error: &clap::Error) -> Trouble {
    let text = error.to_string();
    let first = text.lines().next().unwrap_or_default();
    let first = first.strip_prefix("error: ").unwrap_or(first);
    Trouble::usage("bad-usage", first).mend("See `poolward --help`.")
}

/// Help and version are no errors; anything else the parser says is wrong usage.
pub fn usage(error: &clap::Error) -> ExitCode {
    // A closed pipe is no reason for another error.
    let _ = error.print();
    match error.use_stderr() {
        true => ExitCode::from(Code::Usage.number()),
        false => ExitCode::SUCCESS,
    }
}
