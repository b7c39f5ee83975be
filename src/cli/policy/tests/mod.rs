//! The settings file: read, refused with its place, written and changed.

mod changing;
mod refusing;
mod writing;

use super::{Start, add_tag, parse, read, template};
use crate::ops::settings::Settings;

/// The least that is a move.
const SMALLEST: &str = "[[source]]\nname = \"old\"\npath = \"/mnt/old\"\n\
    [[destination]]\nname = \"pool\"\npath = \"/mnt/pool\"\n";

/// The settings, all of them, in a form that can be compared.
fn all(settings: &Settings) -> String {
    format!("{settings:#?}")
}

fn accepted(text: &str) -> Settings {
    parse(text).unwrap_or_else(|trouble| panic!("{}\n{text}", trouble.text))
}
