//! A restore test: files brought back to some place, compared with what was moved.

use super::desk::Desk;
use crate::digest::{Digest, TreeHasher};
use crate::entry::EntryKind;
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::collections::HashSet;
use std::io::Read;
use std::path::Path;

/// Compares every file below a path with the hashes of everything moved, and records the test
/// where all of them are known.
///
/// # Errors
/// `restore-differs` where a file is none that was moved, `restore-empty` where there is none.
pub fn restored(desk: &mut Desk<'_>, path: &Path) -> Result<Amount, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    let mut known: HashSet<Digest> = HashSet::new();
    for row in desk.ledger.batches()? {
        desk.ledger.each_record(row.id, &row.dataset, |record| {
            if record.kind == EntryKind::File {
                known.insert(record.hash);
            }
            Ok(())
        })?;
    }
    let mut found = Amount::default();
    let mut waiting = vec![path.to_path_buf()];
    while let Some(next) = waiting.pop() {
        let fail = |e: std::io::Error| {
            Trouble::usage(
                "restore-unreadable",
                format!("cannot read {}: {e}", next.display()),
            )
        };
        let facts = std::fs::symlink_metadata(&next).map_err(fail)?;
        if facts.is_dir() {
            for item in std::fs::read_dir(&next).map_err(fail)? {
                waiting.push(item.map_err(fail)?.path());
            }
        } else if facts.is_file() {
            let (hash, length) = hash(&next).map_err(fail)?;
            if !known.contains(&hash) {
                return Err(Trouble::usage(
                    "restore-differs",
                    format!("{} is not equal to any file that was moved", next.display()),
                )
                .mend("Look at it: the second copy may be damaged. The test was not recorded."));
            }
            found.add(Amount::one(length));
        }
    }
    if found.files == 0 {
        return Err(
            Trouble::usage("restore-empty", format!("there is no file in {}", path.display()))
                .mend("Bring back at least a few files and one whole project from the second copy."),
        );
    }
    let now = desk.now();
    desk.ledger.put_restore(path.as_os_str().as_bytes(), found, now)?;
    desk.ledger.event(now, "restored", &found.to_string())?;
    Ok(found)
}

fn hash(path: &Path) -> std::io::Result<(Digest, Bytes)> {
    let mut file = std::fs::File::open(path)?;
    let mut hasher = TreeHasher::new();
    let mut buffer = vec![0u8; 1 << 20];
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            length => hasher.update(&buffer[..length]),
        }
    }
    let length = Bytes(hasher.position());
    Ok((hasher.finish().root, length))
}
