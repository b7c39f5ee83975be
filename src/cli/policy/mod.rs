//! `move.toml`: the file's raw shape, its meaning, its template, and one tag written into it.

mod meaning;
mod raw;
mod tags;
mod template;
#[cfg(test)]
mod tests;

pub use tags::add_tag;
pub use template::{Start, template};

use crate::ops::settings::Settings;
use crate::trouble::Trouble;
use std::path::Path;

/// Reads a move's settings.
///
/// # Errors
/// [`Trouble`] with line and column of what cannot be, and the mend.
pub fn read(path: &Path) -> Result<Settings, Trouble> {
    let text = std::fs::read_to_string(path).map_err(|e| {
        Trouble::usage(
            "settings-unreadable",
            format!("cannot read {}: {e}", path.display()),
        )
        .mend("Begin a move with `poolward begin`, or name its folder with --folder.")
    })?;
    parse(&text)
}

/// Settings from their text.
///
/// # Errors
/// [`Trouble`] with line and column of what cannot be, and the mend.
pub fn parse(text: &str) -> Result<Settings, Trouble> {
    let raw: raw::Move = toml::from_str(text).map_err(|error| raw::trouble(text, &error))?;
    meaning::settings(text, raw)
}
