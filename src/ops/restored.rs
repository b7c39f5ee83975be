//! A restore test: files brought back to some place, compared with what was moved.

use super::desk::Desk;
use crate::digest::{Digest, TreeHasher};
use crate::entry::{EntryKind, Identity};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::collections::{HashMap, HashSet};
use std::io::Read;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// Compares every file below a path with the hashes of everything moved, and records the test
/// where all of them are known. Both ends of the move are no second copy: what lies there, or is the
/// very file that lies there under another mount, is refused.
///
/// # Errors
/// `restore-differs` where a file is none that was moved, `restore-empty` where there is none with
/// any content, `restore-from-move` where it is of the move itself.
pub fn restored(desk: &mut Desk<'_>, path: &Path) -> Result<Amount, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    let roots = roots(desk);
    refuse_ends(path, &roots)?;
    let mut amount = Amount::default();
    // As many as were brought back, however many were moved.
    let mut found: HashMap<Digest, Vec<Brought>> = HashMap::new();
    let mut waiting = vec![path.to_path_buf()];
    while let Some(next) = waiting.pop() {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        let fail = |e: std::io::Error| {
            Trouble::usage(
                "restore-unreadable",
                format!("cannot read {}: {e}", next.display()),
            )
        };
        let facts = std::fs::symlink_metadata(&next).map_err(fail)?;
        if facts.is_dir() {
            if roots.contains(&(facts.dev(), facts.ino())) {
                return Err(of_the_move(&next));
            }
            for item in std::fs::read_dir(&next).map_err(fail)? {
                waiting.push(item.map_err(fail)?.path());
            }
        } else if facts.is_file() {
            let (hash, length) = hash(&next).map_err(fail)?;
            let changed = (facts.ctime(), facts.ctime_nsec());
            let inode = facts.ino();
            let beside = roots.iter().any(|(device, _)| *device == facts.dev());
            let one = Brought {
                path: next,
                inode,
                changed,
                beside,
            };
            found.entry(hash).or_default().push(one);
            amount.add(Amount::one(length));
        }
    }
    compare(desk, &found)?;
    if amount.bytes.0 == 0 {
        return Err(Trouble::usage(
            "restore-empty",
            format!("there is no file with any content in {}", path.display()),
        )
        .mend("Bring back at least a few files and one whole project from the second copy."));
    }
    let now = desk.now();
    desk.ledger
        .put_restore(path.as_os_str().as_bytes(), amount, now)?;
    desk.ledger.event(now, "restored", &amount.to_string())?;
    Ok(amount)
}

/// A file that was brought back.
struct Brought {
    path: PathBuf,
    inode: u64,
    /// Its ctime: seconds and nanoseconds.
    changed: (i64, i64),
    /// Whether it lies on the file system of an end's own folder, as a second name would.
    beside: bool,
}

/// Each of them is equal to a file that was moved, and is not that file itself.
fn compare(desk: &Desk<'_>, found: &HashMap<Digest, Vec<Brought>>) -> Result<(), Trouble> {
    let mut known: HashSet<Digest> = HashSet::new();
    let mut itself = None;
    for row in desk.ledger.batches()? {
        desk.ledger.each_record(row.id, &row.dataset, |record| {
            let (EntryKind::File, Some(brought)) = (record.kind, found.get(&record.hash)) else {
                return Ok(());
            };
            known.insert(record.hash);
            // No copy has the inode of what it was made from on one file system, nor anywhere its
            // inode and its ctime: nobody can set these.
            let is = |one: &&Brought, of: &Identity| {
                let changed = (of.ctime.seconds, i64::from(of.ctime.nanos));
                one.inode == of.inode && (one.beside || one.changed == changed)
            };
            let same = |one: &&Brought| is(one, &record.placed) || is(one, &record.source);
            if let Some(one) = brought.iter().find(same) {
                itself = Some(one.path.clone());
            }
            Ok(())
        })?;
    }
    if let Some(path) = itself {
        return Err(of_the_move(&path));
    }
    let strange = found.iter().find(|(hash, _)| !known.contains(*hash));
    match strange.and_then(|(_, brought)| brought.first()) {
        None => Ok(()),
        Some(one) => Err(Trouble::usage(
            "restore-differs",
            format!("{} is not equal to any file that was moved", one.path.display()),
        )
        .mend("Look at it: the second copy may be damaged. The test was not recorded.")),
    }
}

/// Both ends' own folders, as they are known now: those that are not there hold nothing.
fn roots(desk: &Desk<'_>) -> HashSet<(u64, u64)> {
    let sources = desk.settings.sources.iter().map(|one| &one.path);
    let ends = sources.chain(desk.settings.destinations.iter().map(|one| &one.path));
    ends.filter_map(|path| std::fs::metadata(path).ok())
        .map(|facts| (facts.dev(), facts.ino()))
        .collect()
}

/// Refuses a path that lies in an end of the move, whatever mount or link it is reached by. Snapshots
/// lie there too, and die with the pool.
fn refuse_ends(path: &Path, roots: &HashSet<(u64, u64)>) -> Result<(), Trouble> {
    let fail = |e: std::io::Error| {
        let text = format!("cannot read {}: {e}", path.display());
        Trouble::usage("restore-unreadable", text)
    };
    let whole = path.canonicalize().map_err(fail)?;
    for above in whole.ancestors() {
        let facts = std::fs::metadata(above).map_err(fail)?;
        if roots.contains(&(facts.dev(), facts.ino())) {
            return Err(of_the_move(path));
        }
    }
    Ok(())
}

fn of_the_move(path: &Path) -> Trouble {
    Trouble::usage(
        "restore-from-move",
        format!("{} is part of the move itself, so it shows nothing of the second copy", path.display()),
    )
    .mend("Bring files back from the second copy to a folder of their own, and name that. The test was not recorded.")
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
