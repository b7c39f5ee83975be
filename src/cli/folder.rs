//! Finding the move folder.

use crate::trouble::Trouble;
use std::path::{Path, PathBuf};

/// The nearest folder from here upwards that holds a `move.toml`.
///
/// # Errors
/// `no-move` where there is none.
pub fn find(start: &Path) -> Result<PathBuf, Trouble> {
    let start = std::fs::canonicalize(start).unwrap_or_else(|_| start.to_path_buf());
    let found = start
        .ancestors()
        .find(|folder| folder.join("move.toml").is_file());
    found.map(Path::to_path_buf).ok_or_else(|| {
        Trouble::usage(
            "no-move",
            format!("there is no move.toml in {} or above it", start.display()),
        )
        .mend("Go to the move folder, name it with --folder, or begin a move with `poolward begin`.")
    })
}
