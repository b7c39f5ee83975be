//! One error for everything a user meets: what, where, what to do next.
//!
//! The code is a fixed kebab-case word, listed in the manual, for programs that read `--json`. The
//! class decides the exit code by an exhaustive match in `cli`.

use crate::names::RelPath;
use std::fmt;

/// Which exit code an error leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// Wrong usage or settings (exit code 2).
    Usage,
    /// Could not run or go on: a mount missing, no space, a lease held elsewhere (exit code 3).
    Stopped,
    /// Interrupted, with the state saved (exit code 130).
    Interrupted,
    /// A defect of ours (exit code 70).
    Defect,
}

/// An error in the user's words.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct Trouble {
    /// Fixed kebab-case word.
    pub code: &'static str,
    /// Decides the exit code.
    pub class: Class,
    /// What was tried and why it did not work: a lower-case fragment without a full stop.
    pub text: String,
    /// The path it is about, as bytes.
    pub path: Option<Vec<u8>>,
    /// What to do next: a sentence.
    pub mend: Option<String>,
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl Trouble {
    /// Wrong usage or settings.
    pub fn usage(code: &'static str, text: impl Into<String>) -> Trouble {
        Trouble {
            code,
            class: Class::Usage,
            text: text.into(),
            path: None,
            mend: None,
        }
    }

    /// Could not run or go on.
    pub fn stopped(code: &'static str, text: impl Into<String>) -> Trouble {
        Trouble {
            code,
            class: Class::Stopped,
            text: text.into(),
            path: None,
            mend: None,
        }
    }

    /// A defect of ours: an invariant that did not hold.
    pub fn defect(text: impl Into<String>) -> Trouble {
        Trouble {
            code: "defect",
            class: Class::Defect,
            text: text.into(),
            path: None,
            mend: Some(
                "This is a defect of Poolward. Nothing more was changed; please report it with this line."
                    .into(),
            ),
        }
    }

    /// The user pressed Ctrl-C or the system asked us to end.
    pub fn interrupted() -> Trouble {
        Trouble {
            code: "interrupted",
            class: Class::Interrupted,
            text: "interrupted; what was done is saved".into(),
            path: None,
            mend: Some("Run the same command again to go on.".into()),
        }
    }

    /// With the path it is about.
    pub fn at(mut self, path: impl Into<Vec<u8>>) -> Trouble {
        self.path = Some(path.into());
        self
    }

    /// With the path below a root it is about.
    pub fn at_rel(self, path: &RelPath) -> Trouble {
        self.at(path.as_bytes().to_vec())
    }

    /// With what to do next.
    pub fn mend(mut self, mend: impl Into<String>) -> Trouble {
        self.mend = Some(mend.into());
        self
    }
}
