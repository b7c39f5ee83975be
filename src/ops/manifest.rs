//! The lists of hashes of a batch, in the check format of coreutils.

use super::batch::AtHand;
use super::desk::Desk;
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::report::manifest::push_check_line;
use crate::trouble::Trouble;
use std::io::{BufWriter, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// How far the SHA-256 manifest of a batch is: files with a hash, of all.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Sha256State {
    /// Files whose SHA-256 is known.
    pub known: u64,
    /// Files of the batch.
    pub of: u64,
}

/// Where a batch's manifest lies.
pub fn path(desk: &Desk<'_>, batch: &str) -> PathBuf {
    in_folder(desk, format!("{batch}.blake3"))
}

/// Where a batch's SHA-256 manifest lies, where there is one.
pub fn sha256_path(desk: &Desk<'_>, batch: &str) -> PathBuf {
    in_folder(desk, format!("{batch}.sha256"))
}

fn in_folder(desk: &Desk<'_>, name: String) -> PathBuf {
    desk.folder.join("reports").join("manifests").join(name)
}

/// Writes the manifest of every file recorded, and the SHA-256 one where that is known of every
/// file; half of one is none, and an older one that no longer fits goes away.
///
/// # Errors
/// [`Trouble`] where one cannot be written.
pub fn write(desk: &Desk<'_>, at_hand: &AtHand) -> Result<Sha256State, Trouble> {
    let (id, name) = (at_hand.row.id, &at_hand.row.name);
    let mut state = Sha256State::default();
    aside(&path(desk, name), |out| {
        let mut line = Vec::new();
        desk.ledger
            .each_in_order(id, &at_hand.dataset.name, |record, beside| {
                if record.kind == EntryKind::File {
                    state.of += 1;
                    state.known += u64::from(beside.sha256.is_some());
                    line.clear();
                    push_check_line(&mut line, &record.hash.0, record.place.as_bytes());
                    out.write_all(&line).map_err(|e| denied(name, &e))?;
                }
                Ok(())
            })
    })?;
    let second = sha256_path(desk, name);
    if state.known == 0 || state.known < state.of {
        match std::fs::remove_file(&second) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(denied(name, &e)),
            _ => return Ok(state),
        }
    }
    aside(&second, |out| {
        let mut line = Vec::new();
        desk.ledger
            .each_in_order(id, &at_hand.dataset.name, |record, beside| {
                if let (EntryKind::File, Some(hash)) = (record.kind, beside.sha256) {
                    line.clear();
                    push_check_line(&mut line, &hash, record.place.as_bytes());
                    out.write_all(&line).map_err(|e| denied(name, &e))?;
                }
                Ok(())
            })
    })?;
    Ok(state)
}

/// Writes a file to the side, line by line, and renames it when it is durable; its name is durable
/// then too. Of a file that could not be written nothing stays.
///
/// # Errors
/// [`Trouble`] where that is refused, or what `work` answers.
pub(super) fn aside<T>(
    path: &Path,
    work: impl FnOnce(&mut BufWriter<std::fs::File>) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    aside_as(path, 0o666, work)
}

/// The same for a file that its owner alone may read: it holds a key.
///
/// # Errors
/// As [`aside`].
pub(super) fn aside_closed<T>(
    path: &Path,
    work: impl FnOnce(&mut BufWriter<std::fs::File>) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    aside_as(path, 0o600, work)
}

fn aside_as<T>(
    path: &Path,
    mode: u32,
    work: impl FnOnce(&mut BufWriter<std::fs::File>) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    let shown = path.display().to_string();
    let fail = |e: std::io::Error| denied(&shown, &e);
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(fail)?;
    }
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    // One that a crash has left may have another mode.
    match std::fs::remove_file(&part) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(fail(e)),
        _ => {}
    }
    let mut how = std::fs::File::options();
    how.write(true).create_new(true).mode(mode);
    let mut out = BufWriter::new(how.open(&part).map_err(fail)?);
    let written = work(&mut out).and_then(|done| {
        let file = out.into_inner().map_err(|e| denied(&shown, e.error()))?;
        file.sync_all().map_err(fail)?;
        std::fs::rename(&part, path).map_err(fail)?;
        Ok(done)
    });
    if written.is_err() {
        // What stands in the way of the file may stand in the way of this too; the file's own
        // trouble says more.
        let _ = std::fs::remove_file(&part);
        return written;
    }
    // The parent of a bare name is empty, and means here.
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    std::fs::File::open(folder.unwrap_or(Path::new(".")))
        .and_then(|folder| folder.sync_all())
        .map_err(fail)?;
    written
}

/// A report that cannot be written.
pub(super) fn denied(what: &str, e: &std::io::Error) -> Trouble {
    Trouble::stopped("report-denied", format!("cannot write {what}: {e}"))
        .mend("Make room on the disk of the move folder, or check who owns it.")
}

/// Writes a file to the side and renames it, with its folder made.
///
/// # Errors
/// [`Trouble`] where that is refused.
pub fn put(path: &Path, bytes: &[u8]) -> Result<(), Trouble> {
    aside(path, |out| {
        out.write_all(bytes)
            .map_err(|e| denied(&path.display().to_string(), &e))
    })
}

/// BLAKE3 of a batch's manifest as it lies there, read in pieces; `None` where it cannot be read.
pub(super) fn hash(desk: &Desk<'_>, batch: &str) -> Option<Digest> {
    let mut hasher = blake3::Hasher::new();
    let read =
        std::fs::File::open(path(desk, batch)).and_then(|mut file| std::io::copy(&mut file, &mut hasher));
    read.ok().map(|_| Digest(*hasher.finalize().as_bytes()))
}
