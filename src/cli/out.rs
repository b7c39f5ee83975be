//! Everything that is printed: sentences and tables for people, one object for programs.

use crate::trouble::Trouble;
use serde_json::{Value, json};
use std::io::{IsTerminal, Write};

/// Where a verb prints.
pub(crate) struct Out {
    json: bool,
    quiet: bool,
}

impl Out {
    pub fn new(json: bool, quiet: bool) -> Out {
        Out { json, quiet }
    }

    /// Whether progress may be drawn.
    pub fn draws(&self) -> bool {
        !self.quiet && std::io::stderr().is_terminal()
    }

    /// Whether a screen can be drawn anew: standard output is a terminal and wanted for people.
    pub fn redraws(&self) -> bool {
        !self.json && !self.quiet && std::io::stdout().is_terminal()
    }

    /// Whether plain progress lines are wanted.
    pub fn tells(&self) -> bool {
        !self.quiet
    }

    /// Whether one object is wanted and nothing else.
    pub fn is_json(&self) -> bool {
        self.json
    }

    /// A line for people. A pipe that was closed is no error: whoever reads has seen enough.
    pub fn say(&self, line: &str) {
        if !self.json && !self.quiet {
            let _ = writeln!(std::io::stdout().lock(), "{line}");
        }
    }

    /// The one line that is left of an answer where nothing but what was asked for is wanted.
    pub fn asked(&self, line: &str) {
        if self.quiet && !self.json {
            let _ = writeln!(std::io::stdout().lock(), "{line}");
        }
    }

    /// Bytes as they are, for lists that other programs take.
    pub fn raw(&self, bytes: &[u8]) {
        let _ = std::io::stdout().lock().write_all(bytes);
    }

    /// A line beside the answer: a note, a warning.
    pub fn note(&self, line: &str) {
        if !self.quiet {
            let _ = writeln!(std::io::stderr().lock(), "{line}");
        }
    }

    /// A line of a question to the user, quiet or not.
    pub fn ask(&self, line: &str) {
        let mut error = std::io::stderr().lock();
        let _ = write!(error, "{line}");
        if !line.ends_with(' ') {
            let _ = writeln!(error);
        }
        let _ = error.flush();
    }

    /// The one object of `--json`.
    pub fn object(&self, command: &str, object: Value) {
        if self.json {
            let _ = writeln!(std::io::stdout().lock(), "{}", whole(command, object));
        }
    }

    /// The same, made only where it is asked for: one with a row for each project is large.
    pub fn object_of(&self, command: &str, object: impl FnOnce() -> Value) {
        if self.json {
            self.object(command, object());
        }
    }

    /// An error: what, where, what next.
    pub fn trouble(&self, trouble: &Trouble) {
        if self.json {
            let path = trouble.path.as_deref().map(super::json::text);
            let error =
                json!({"code": trouble.code, "text": trouble.text, "path": path, "mend": trouble.mend});
            let _ = writeln!(
                std::io::stdout().lock(),
                "{}",
                json!({"format": 1, "error": error})
            );
            return;
        }
        let mut text = format!("poolward: {}", trouble.text);
        if !text.ends_with(['.', '!', '?']) {
            text.push('.');
        }
        if let Some(mend) = &trouble.mend {
            text.push(' ');
            text.push_str(mend);
        }
        let _ = writeln!(std::io::stderr().lock(), "{text}");
    }
}

/// An object as `--json` prints it.
pub(crate) fn whole(command: &str, mut object: Value) -> Value {
    if let Some(map) = object.as_object_mut() {
        map.insert("format".into(), json!(1));
        map.insert("command".into(), json!(command));
    }
    object
}
