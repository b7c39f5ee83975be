//! Reads a proof back, with every check that can be made.

use super::line::{Facts, Head, hash};
use super::{FORMAT, LONGEST, Proven, seal_line};
use crate::digest::Digest;
use crate::names::RelPath;
use crate::units::Amount;
use serde::Deserialize;
use std::io::{self, BufRead, Read};

/// Why a proof is refused.
#[derive(Debug, thiserror::Error)]
pub enum Bad {
    /// The reader below failed.
    #[error("it cannot be read: {0}")]
    Io(#[from] io::Error),
    /// It is of another make.
    #[error("it is of format {0}, and this program reads {FORMAT}")]
    Format(u32),
    /// It is not what was written.
    #[error("line {line}: {why}")]
    Line {
        /// Its number, from 1.
        line: u64,
        /// What is wrong.
        why: String,
    },
}

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
    let mut lines = Lines {
        from,
        seal: blake3::Hasher::new(),
        number: 0,
        text: Vec::new(),
    };
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
    let hash = Digest(*lines.seal.finalize().as_bytes());
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
            return Err(Bad::Format(version.format));
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
    let wanted = Digest(*lines.seal.finalize().as_bytes());
    let text = lines.next()?;
    if format!("{text}\n") != seal_line(wanted) {
        let found = text.strip_prefix("\"seal\":\"").and_then(|rest| rest.get(..64));
        return Err(lines.bad(match found.is_some_and(|found| hash(found).is_ok()) {
            true => "its seal does not fit: it was changed or damaged since it was written",
            false => "it has no seal",
        }));
    }
    match lines.is_at_end()? {
        true => Ok(()),
        false => Err(lines.bad("something follows its end")),
    }
}

struct Lines<R> {
    from: R,
    seal: blake3::Hasher,
    number: u64,
    text: Vec<u8>,
}

impl<R: BufRead> Lines<R> {
    /// The next line without its end.
    fn next(&mut self) -> Result<String, Bad> {
        self.text.clear();
        self.number += 1;
        let mut bounded = self.from.by_ref().take(LONGEST as u64);
        bounded.read_until(b'\n', &mut self.text)?;
        self.seal.update(&self.text);
        let Some(body) = self.text.strip_suffix(b"\n") else {
            return Err(self.bad("it breaks off, or a line is longer than any that is written"));
        };
        match std::str::from_utf8(body) {
            Ok(text) => Ok(text.to_string()),
            Err(_) => Err(self.bad("it is not UTF-8")),
        }
    }

    fn exactly(&mut self, wanted: &str) -> Result<(), Bad> {
        match self.next()? == wanted {
            true => Ok(()),
            false => Err(self.bad(format!("it should say {wanted}"))),
        }
    }

    fn is_at_end(&mut self) -> Result<bool, Bad> {
        Ok(self.from.fill_buf()?.is_empty())
    }

    fn bad(&self, why: impl Into<String>) -> Bad {
        Bad::Line {
            line: self.number,
            why: why.into(),
        }
    }
}
