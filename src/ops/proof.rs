//! The sealed proof file of a verified batch.

use super::batch::{self, AtHand};
use super::desk::Desk;
use super::manifest::{self, aside, denied};
use super::verify::compared;
use crate::ledger::{self, Beside, FileRecord, ProofRow};
use crate::lifecycle::State;
use crate::report::model::ReadHow;
use crate::report::proof::{FORMAT, Head, Proven, Settings, Totals, Writer, read};
use crate::trouble::Trouble;
use crate::world::{Fs, OsFs};
use std::path::{Path, PathBuf};

/// Where a batch's proof lies.
pub fn path(desk: &Desk<'_>, batch: &str) -> PathBuf {
    desk.folder
        .join("reports")
        .join("proofs")
        .join(format!("{batch}.json"))
}

/// Writes the proof of a batch of which every file is proven, reads it back with all its checks,
/// and records its hash.
///
/// # Errors
/// [`Trouble`] where it cannot be written or the ledger does not answer.
pub fn write(desk: &mut Desk<'_>, at_hand: &AtHand, target: &OsFs) -> Result<(), Trouble> {
    let path = path(desk, &at_hand.row.name);
    let shown = path.display().to_string();
    let head = head(desk, at_hand, target)?;
    let hash = aside(&path, |out| {
        let fail = |e: std::io::Error| denied(&shown, &e);
        let mut writer = Writer::begin(out, &head).map_err(fail)?;
        desk.ledger
            .each_in_order(at_hand.row.id, &at_hand.dataset.name, |record, beside| {
                writer.add(&proven(record, beside)?).map_err(fail)
            })?;
        Ok(writer.end().map_err(fail)?.0)
    })?;
    let found = check(&path)?;
    if found.hash != hash {
        return Err(refused(&path, "it is not what was written"));
    }
    let row = ProofRow {
        at: desk.now(),
        file: format!("{}.json", at_hand.row.name),
        hash,
    };
    desk.ledger.put_proof(at_hand.row.id, Some(&row))
}

/// Writes the proofs and manifests of batches whose files have got other names after the source and
/// that are verified still: no byte has to be read again for a name. One whose destination is not
/// there waits for it.
///
/// # Errors
/// As [`write()`].
pub fn write_due(desk: &mut Desk<'_>) -> Result<(), Trouble> {
    for row in desk.ledger.batches()? {
        let due = desk.ledger.renames(row.id)?.is_some_and(|renames| renames.due);
        if !due || batch::state_of(Some(&row)) != State::Verified {
            continue;
        }
        let at_hand = batch::open(desk, row)?;
        let Ok(target) = batch::target(desk, &at_hand) else {
            continue;
        };
        manifest::write(desk, &at_hand)?;
        write(desk, &at_hand, &target)?;
    }
    Ok(())
}

/// Reads a proof from end to end with every check.
///
/// # Errors
/// `proof-damaged` where it is not exactly what was once written.
pub fn check(path: &Path) -> Result<Totals, Trouble> {
    let file = std::fs::File::open(path).map_err(|e| refused(path, &e.to_string()))?;
    read(std::io::BufReader::new(file), |_| {}).map_err(|bad| refused(path, &bad.to_string()))
}

pub(super) fn refused(path: &Path, why: &str) -> Trouble {
    let words = format!("the proof {} is refused: {why}", path.display());
    Trouble::stopped("proof-damaged", words)
        .mend("Take it back from the second copy; its BLAKE3 stands on the release sheet.")
}

fn head(desk: &Desk<'_>, at_hand: &AtHand, target: &OsFs) -> Result<Head, Trouble> {
    let ways = desk.settings.accept_read.iter();
    Ok(Head {
        format: FORMAT,
        version: env!("CARGO_PKG_VERSION").to_string(),
        made: desk.now().rfc3339(chrono_tz::UTC),
        move_id: desk.ledger.move_id()?,
        batch: at_hand.row.name.clone(),
        dataset: at_hand.dataset.name.clone(),
        source: at_hand.source.path.to_string_lossy().into_owned(),
        destination: target.path().to_string_lossy().into_owned(),
        durability: target.durability().word().to_string(),
        renamed: desk
            .ledger
            .renames(at_hand.row.id)?
            .map(|renames| renames.at.rfc3339(chrono_tz::UTC)),
        settings: Settings {
            accept_read: ways.map(|how| how.word().to_string()).collect(),
            compared: compared(at_hand),
        },
    })
}

fn proven(record: FileRecord, beside: Beside) -> Result<Proven, Trouble> {
    let ledger::Proof::Verified { how, at } = record.proof else {
        let words = format!("{} has no proof in a batch that is verified", record.place);
        return Err(Trouble::defect(words));
    };
    let how = ReadHow::ALL.into_iter().find(|known| known.word() == how.word());
    Ok(Proven {
        place: record.place,
        kind: record.kind,
        size: record.source.size,
        mtime: record.source.mtime,
        source_ctime: record.source.ctime,
        blake3: record.hash,
        sha256: beside.sha256,
        source_read: record.copied_at,
        source_again: beside.source_again,
        read_back: (at, how.unwrap_or(ReadHow::Unknown)),
    })
}
