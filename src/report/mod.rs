//! Values in, strings out: the page, the calendar, the tables, the check files and the sheets.
//!
//! Nothing here opens a file, reads a clock or adds up what a ledger knows: a [`model::ReportModel`]
//! arrives finished, with `now` in it, and the same model always gives the same bytes.
//!
//! - [`model`]: what is known of a move, ready to be shown.
//! - [`again`]: when each dataset was last read again, and what was found.
//! - [`page`]: one self-contained HTML page.
//! - [`sheet`]: the release sheet of a batch and the one-page sheet of a project.
//! - [`calendar`]: the schedule as RFC 5545 calendar.
//! - [`tables`]: CSV for spreadsheets.
//! - [`manifest`]: check files in the coreutils format, RFC 8493 lines, and a reader of check files.
//! - [`proof`]: the sealed proof file of a batch, written and read line by line.
//! - [`waybill`]: what another machine needs for one task of one batch, and what it answers.
//! - [`findings`]: what a survey found, gravest first, for a terminal of 80 columns.
//! - [`words`]: sentences and aligned tables for a terminal.

pub mod again;
pub mod calendar;
pub mod exposed;
pub mod findings;
pub mod manifest;
pub mod model;
pub mod page;
pub mod proof;
mod sealed;
pub mod sheet;
pub mod tables;
pub mod waybill;
pub mod words;

#[cfg(test)]
mod sample;
#[cfg(test)]
mod tests;
