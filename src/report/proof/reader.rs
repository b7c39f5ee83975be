//! Reads a proof back, with every check that can be made.

use super::line::{Facts, Head};
use super::{FORMAT, LONGEST, Proven, seal_line};
use crate::digest::Digest;
use crate::names::RelPath;
use crate::report::sealed::{Bad, Lines};
use crate::units::Amount;
use serde::Deserialize;
use std::io::BufRead;

/// What a whole proof holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Totals {
    /// What stands for all files.
    pub head: Head,
    /// Files and symlinks, and their bytes.
    pub amount: Amount,
    /// BLAKE3 of the whole document, as the release sheet has it.
    pub hash: Digest,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Total {
    files: u64,
    bytes: u64,
}

/// Reads a proof, handing on its files one by one, in order. Nothing that was handed on may be
/// believed before this has answered well: the seal stands at the end.
///
/// # Errors
/// [`Bad`] for anything that is not exactly what [`super::Writer`] writes.
pub fn read(from: impl BufRead, mut each: impl FnMut(Proven)) -> Result<Totals, Bad> {
    let mut lines = Lines::new(from, LONGEST);
    let head = head(&mut lines)?;
    lines.exactly("\"files\":[")?;
    let mut amount = Amount::default();
    let mut before: Option<Proven> = None;
    let mut open = true;
    loop {
        let text = lines.next()?;
        if text == "]," {
            // After a comma another file must follow.
            if open && amount.files > 0 {
                return Err(lines.bad("a file is missing"));
            }
            break;
        }
        if !open {
            return Err(lines.bad("a comma is missing"));
        }
        let body = text.strip_suffix(',');
        let file = file(body.unwrap_or(&text)).map_err(|why| lines.bad(why))?;
        open = body.is_some();
        if before
            .as_ref()
            .is_some_and(|b| order(&b.place) >= order(&file.place))
        {
            return Err(lines.bad("files are not in order, or one stands there twice"));
        }
        amount.add(Amount::one(file.size));
        each(file.clone());
        before = Some(file);
    }
    end(&mut lines, &amount)?;
    let hash = lines.whole();
    Ok(Totals { head, amount, hash })
}

fn head(lines: &mut Lines<impl BufRead>) -> Result<Head, Bad> {
    #[derive(Deserialize)]
    struct Version {
        format: u32,
    }
    let text = lines.next()?;
    let body = text
        .strip_prefix("{\"head\":")
        .and_then(|rest| rest.strip_suffix(','));
    let Some(body) = body else {
        return Err(lines.bad("it does not begin like a proof"));
    };
    if let Ok(version) = serde_json::from_str::<Version>(body) {
        if version.format != FORMAT {
            return Err(Bad::Format {
                found: version.format,
                known: FORMAT,
            });
        }
    }
    serde_json::from_str(body).map_err(|e| lines.bad(e.to_string()))
}

fn file(text: &str) -> Result<Proven, String> {
    let facts: Facts = serde_json::from_str(text).map_err(|e| e.to_string())?;
    facts.proven().map_err(str::to_string)
}

/// Folders in byte order, and in each the names.
fn order(place: &RelPath) -> (RelPath, Vec<u8>) {
    place
        .split()
        .map(|(above, name)| (above, name.to_vec()))
        .unwrap_or_default()
}

fn end(lines: &mut Lines<impl BufRead>, amount: &Amount) -> Result<(), Bad> {
    let text = lines.next()?;
    let body = text
        .strip_prefix("\"total\":")
        .and_then(|rest| rest.strip_suffix(','));
    let total = body.and_then(|body| serde_json::from_str::<Total>(body).ok());
    if total.is_none_or(|total| (total.files, total.bytes) != (amount.files, amount.bytes.0)) {
        return Err(lines.bad("the total is not that of its files"));
    }
    lines.sealed(seal_line)
}
