//! The list of hashes of a batch, in the check format of coreutils.

use super::batch::AtHand;
use super::desk::Desk;
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::report::manifest::blake3_list;
use crate::trouble::Trouble;
use std::path::PathBuf;

/// Where a batch's manifest lies.
pub fn path(desk: &Desk<'_>, batch: &str) -> PathBuf {
    desk.folder
        .join("reports")
        .join("manifests")
        .join(format!("{batch}.blake3"))
}

/// Writes the manifest of every file recorded, and answers its own hash.
///
/// # Errors
/// [`Trouble`] where it cannot be written.
pub fn write(desk: &Desk<'_>, at_hand: &AtHand) -> Result<Digest, Trouble> {
    let mut files = Vec::new();
    desk.ledger
        .each_record(at_hand.row.id, &at_hand.dataset.name, |record| {
            if record.kind == EntryKind::File {
                files.push((record.place, record.hash));
            }
            Ok(())
        })?;
    files.sort();
    let text = blake3_list(files.iter().map(|(place, hash)| (place, *hash)));
    let path = path(desk, &at_hand.row.name);
    put(&path, &text)?;
    Ok(Digest::of(&text))
}

/// Writes a file to the side and renames it, with its folder made.
///
/// # Errors
/// [`Trouble`] where that is refused.
pub fn put(path: &std::path::Path, bytes: &[u8]) -> Result<(), Trouble> {
    let fail = |e: std::io::Error| {
        Trouble::stopped("report-denied", format!("cannot write {}: {e}", path.display()))
            .mend("Make room on the disk of the move folder, or check who owns it.")
    };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(fail)?;
    }
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    std::fs::write(&part, bytes).map_err(fail)?;
    std::fs::rename(&part, path).map_err(fail)
}
