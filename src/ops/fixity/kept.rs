//! How far a round is that is read against a proof alone: a small file of our own, gone when the
//! round ends. Two lines: what is known as JSON, and the BLAKE3 of that line.

use crate::digest::Digest;
use crate::ledger::FixityFound;
use crate::lifecycle::fixity::{Fate, Part, Slice};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::ops::manifest;
use crate::report::proof::Totals;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};
use std::ffi::OsString;
use std::path::{Path, PathBuf};

const FORMAT: u32 = 1;

/// What is known between two runs.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Kept {
    /// BLAKE3 of the proof.
    pub proof: Digest,
    pub began: Moment,
    pub slice: Slice,
    /// Files of the proof, in its order, that are read, and their bytes.
    pub read: Amount,
    /// What this slice has found.
    pub found: Vec<FixityFound>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    format: u32,
    proof: String,
    began: String,
    due: u64,
    slice: u64,
    open: bool,
    files: u64,
    bytes: u64,
    found: Vec<(String, String)>,
}

/// Where it lies: beside the proof, or in a folder that was named.
pub(super) fn path(proof: &Path, folder: Option<&Path>) -> PathBuf {
    let mut name: OsString = proof.file_name().unwrap_or_default().to_owned();
    name.push(".fixity");
    match folder {
        Some(folder) => folder.join(name),
        None => proof.with_file_name(name),
    }
}

/// What an earlier run has left, or the beginning of a round. What belongs to another proof is no
/// beginning of this one's.
///
/// # Errors
/// `fixity-state` where it cannot be read or is not what was written.
pub(super) fn read(path: &Path, totals: &Totals, now: Moment) -> Result<Kept, Trouble> {
    let proof = totals.hash;
    let begin = Kept {
        proof,
        began: now,
        slice: Slice::BEFORE,
        read: Amount::default(),
        found: Vec::new(),
    };
    let text = match std::fs::read_to_string(path) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(begin),
        Err(e) => return Err(refused(path, &e.to_string())),
        Ok(text) => text,
    };
    let kept = parse(&text).ok_or_else(|| refused(path, "it is not what was written"))?;
    match kept.proof == proof {
        true if kept.read.files > totals.amount.files => Err(refused(path, "it is not of this proof")),
        true => Ok(kept),
        false => Ok(begin),
    }
}

fn refused(path: &Path, why: &str) -> Trouble {
    let text = format!("cannot go on by {}: {why}", path.display());
    Trouble::stopped("fixity-state", text)
        .mend("Remove that file to begin a new round; nothing but how far the last one was is lost.")
}

fn parse(text: &str) -> Option<Kept> {
    let (line, rest) = text.split_once('\n')?;
    if rest != format!("{}\n", Digest::of(line.as_bytes())) {
        return None;
    }
    let raw: Raw = serde_json::from_str(line).ok()?;
    let found = |(path, word): &(String, String)| {
        Some(FixityFound {
            place: RelPath::new(STANDARD.decode(path).ok()?).ok()?,
            fate: Fate::parse(word)?,
            ranges: Vec::new(),
            attributes: false,
        })
    };
    Some(Kept {
        proof: Digest::parse(&raw.proof).filter(|_| raw.format == FORMAT)?,
        began: Moment::parse_rfc3339(&raw.began)?,
        slice: Slice {
            due: Part::of_millionths(raw.due),
            number: raw.slice,
            open: raw.open,
        },
        read: Amount {
            files: raw.files,
            bytes: Bytes(raw.bytes),
        },
        found: raw.found.iter().map(found).collect::<Option<_>>()?,
    })
}

/// Keeps it, durable when this returns.
///
/// # Errors
/// `fixity-state` where it cannot be written.
pub(super) fn write(path: &Path, kept: &Kept) -> Result<(), Trouble> {
    let found = |one: &FixityFound| (STANDARD.encode(one.place.as_bytes()), one.fate.word().to_string());
    let raw = Raw {
        format: FORMAT,
        proof: kept.proof.to_string(),
        began: kept.began.rfc3339(chrono_tz::UTC),
        due: kept.slice.due.millionths(),
        slice: kept.slice.number,
        open: kept.slice.open,
        files: kept.read.files,
        bytes: kept.read.bytes.0,
        found: kept.found.iter().map(found).collect(),
    };
    let line = serde_json::to_string(&raw).map_err(|e| Trouble::defect(e.to_string()))?;
    let text = format!("{line}\n{}\n", Digest::of(line.as_bytes()));
    manifest::put(path, text.as_bytes()).map_err(|trouble| {
        Trouble::stopped(
            "fixity-state",
            format!("how far it is cannot be kept: {}", trouble.text),
        )
        .mend("Name a folder that can be written with --folder DIR.")
    })
}

/// Forgets it: the round has ended.
///
/// # Errors
/// `fixity-state` where it cannot be removed.
pub(super) fn forget(path: &Path) -> Result<(), Trouble> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(refused(path, &e.to_string())),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn totals(of: &[u8]) -> Totals {
        let head = serde_json::json!({
            "format": 1, "version": "", "made": "", "move_id": "", "batch": "2019.1", "dataset": "2019",
            "source": "", "destination": "", "durability": "",
            "settings": {"accept_read": [], "compared": []},
        });
        Totals {
            head: serde_json::from_value(head).unwrap(),
            amount: Amount {
                files: 2,
                bytes: Bytes(100),
            },
            hash: Digest::of(of),
        }
    }

    #[test]
    fn what_is_kept_is_read_back_and_one_changed_bit_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = path(&folder.path().join("2019.1.json"), None);
        assert!(path.ends_with("2019.1.json.fixity"));
        let now = Moment::from_seconds(1_800_000_000);
        let proof = totals(b"a proof");
        let mut kept = read(&path, &proof, now).unwrap();
        kept.slice = kept.slice.next(Part::percent("5"));
        kept.read = Amount::one(Bytes(77));
        kept.found.push(FixityFound {
            place: RelPath::new(&b"a/two\xff"[..]).unwrap(),
            fate: Fate::Rot,
            ranges: Vec::new(),
            attributes: false,
        });
        write(&path, &kept).unwrap();
        assert_eq!(read(&path, &proof, now).unwrap(), kept);
        // Of another proof it is no beginning.
        assert_eq!(read(&path, &totals(b"another"), now).unwrap().read.files, 0);
        let mut more = kept.clone();
        more.read.files = 3;
        write(&path, &more).unwrap();
        assert_eq!(read(&path, &proof, now).unwrap_err().code, "fixity-state");
        write(&path, &kept).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        for bit in 0..bytes.len() * 8 {
            let mut changed = bytes.clone();
            changed[bit / 8] ^= 1 << (bit % 8);
            std::fs::write(&path, changed).unwrap();
            let code = read(&path, &proof, now).unwrap_err().code;
            assert_eq!(code, "fixity-state", "bit {bit}");
        }
        forget(&path).unwrap();
        forget(&path).unwrap();
    }
}
