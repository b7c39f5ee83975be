//! `move.toml`: the file's raw shape, its meaning, its template, and one tag written into it.

mod ends;
mod meaning;
mod place;
mod raw;
mod reader;
mod rules;
mod tags;
mod template;
#[cfg(test)]
mod tests;

pub use tags::add_tag;
pub use template::{Start, template};

use crate::ops::settings::Settings;
use crate::trouble::Trouble;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

/// Reads a move's settings.
///
/// # Errors
/// [`Trouble`] with line and column of what cannot be, and the mend.
pub fn read(path: &Path) -> Result<Settings, Trouble> {
    let here = |trouble: Trouble| trouble.at(path.as_os_str().as_bytes());
    let bytes = std::fs::read(path).map_err(|e| {
        let text = format!("cannot read {}: {e}", path.display());
        here(Trouble::usage("settings-unreadable", text))
            .mend("Begin a move with `poolward begin`, or name its folder with --folder.")
    })?;
    let text = String::from_utf8(bytes).map_err(|e| here(no_text(&e)))?;
    parse(&text).map_err(here)
}

/// TOML is UTF-8; an editor that writes another encoding shows itself at the first accent.
fn no_text(error: &std::string::FromUtf8Error) -> Trouble {
    let good = error.utf8_error().valid_up_to();
    let whole = String::from_utf8_lossy(error.as_bytes());
    let (line, column) = place::place(&whole, good);
    let text = format!("move.toml:{line}:{column}: the character here is not UTF-8");
    Trouble::usage("settings", text).mend("Save the file as UTF-8 with your editor.")
}

/// Settings from their text.
///
/// # Errors
/// [`Trouble`] with line and column of what cannot be, and the mend.
pub fn parse(text: &str) -> Result<Settings, Trouble> {
    let raw: raw::Move = toml::from_str(text).map_err(|error| place::trouble(text, &error))?;
    meaning::settings(text, &raw)
}
