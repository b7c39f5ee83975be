//! What is kept of a move at its destinations: the ledger's copy, the settings, and the index of
//! every batch that has begun, without which it could not go on.

use super::desk::Desk;
use crate::ledger::Ledger;
use crate::trouble::Trouble;
use std::cell::Cell;
use std::path::{Path, PathBuf};

/// Seconds between two copies of the ledger while one batch is copied.
const EVERY: f64 = 3_600.0;

/// Keeps everything at each destination that is there.
///
/// # Errors
/// [`Trouble`] where it cannot be written.
pub fn keep(desk: &Desk<'_>) -> Result<(), Trouble> {
    for home in homes(desk) {
        desk.ledger.snapshot(&home.join("ledger.db"))?;
        let settings = desk.folder.join("move.toml");
        if settings.is_file() {
            copy(&settings, &home.join("move.toml"))?;
        }
        keep_indexes(desk, &home.join("indexes"))?;
    }
    Ok(())
}

/// Our folder at each destination, where the destination is there. What another machine keeps of a
/// waybill is not the move's ledger, and must not take the place of its copy.
fn homes(desk: &Desk<'_>) -> Vec<PathBuf> {
    let at_home = desk.elsewhere.is_none();
    let destinations = desk.settings.destinations.iter().filter(|_| at_home);
    let homes = destinations.map(|destination| destination.path.join(".poolward"));
    homes.filter(|home| home.is_dir()).collect()
}

/// An index never changes: what is there is complete, since it was renamed into place.
fn keep_indexes(desk: &Desk<'_>, into: &Path) -> Result<(), Trouble> {
    for batch in desk.ledger.batches()? {
        let rows = desk.ledger.indexes(&batch.source)?;
        let Some(row) = rows.into_iter().find(|row| row.digest == batch.index) else {
            continue;
        };
        let (file, target) = (desk.folder.join("indexes").join(&row.file), into.join(&row.file));
        if file.is_file() && !target.exists() {
            std::fs::create_dir_all(into).map_err(|e| denied(into, &e))?;
            copy(&file, &target)?;
        }
    }
    Ok(())
}

/// Copies one small file of ours beside its target, then into its place.
///
/// # Errors
/// `ledger-copy` where it cannot be written.
#[expect(
    clippy::disallowed_methods,
    reason = "a spare of our own files, synced before it has its name"
)]
pub(super) fn copy(from: &Path, target: &Path) -> Result<(), Trouble> {
    let part = target.with_extension("part");
    let done = std::fs::copy(from, &part)
        .and_then(|_| std::fs::File::open(&part)?.sync_all())
        .and_then(|()| std::fs::rename(&part, target));
    done.map_err(|e| denied(target, &e))
}

fn denied(target: &Path, error: &std::io::Error) -> Trouble {
    let text = format!("cannot keep a copy at {}: {error}", target.display());
    Trouble::stopped("ledger-copy", text).mend(
        "Look whether the destination is mounted, may be written and has room, then run the same command again.",
    )
}

/// Copies of the ledger during a long copy, by a connection of their own.
pub(super) struct Hourly {
    ledger: Ledger,
    homes: Vec<PathBuf>,
    last: Cell<f64>,
}

impl Hourly {
    /// Begins to count at `ticks`.
    pub fn new(desk: &Desk<'_>, ticks: f64) -> Result<Hourly, Trouble> {
        Ok(Hourly {
            ledger: desk.second_ledger()?,
            homes: homes(desk),
            last: Cell::new(ticks),
        })
    }

    /// Keeps a copy where one is due. One that cannot be kept now is tried again in an hour, and
    /// at the end of the batch, where its failure is told.
    pub fn at(&self, ticks: f64) {
        if !is_due(self.last.get(), ticks) {
            return;
        }
        self.last.set(ticks);
        for home in self.homes.iter().filter(|home| home.is_dir()) {
            let _ = self.ledger.snapshot(&home.join("ledger.db"));
        }
    }
}

fn is_due(last: f64, now: f64) -> bool {
    now - last >= EVERY
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Moment;

    #[test]
    fn the_ledger_is_kept_every_hour_and_the_copy_is_whole() {
        let folder = tempfile::tempdir().unwrap();
        let (path, home) = (folder.path().join("ledger.db"), folder.path().join("home"));
        std::fs::create_dir(&home).unwrap();
        let writer = Ledger::create(&path, "c0ffee", Moment::default()).unwrap();
        let hourly = Hourly {
            ledger: Ledger::open(&path).unwrap(),
            homes: vec![home.clone(), folder.path().join("unmounted")],
            last: Cell::new(100.0),
        };
        let kept = home.join("ledger.db");
        hourly.at(3_699.0);
        assert!(!kept.exists());
        writer.event(Moment::default(), "one", "").unwrap();
        hourly.at(3_700.0);
        assert_eq!(Ledger::open(&kept).unwrap().move_id().unwrap(), "c0ffee");
        let size = std::fs::metadata(&kept).unwrap().modified().unwrap();
        hourly.at(7_299.0);
        assert_eq!(std::fs::metadata(&kept).unwrap().modified().unwrap(), size);
        hourly.at(7_300.0);
        assert!(std::fs::metadata(&kept).unwrap().modified().unwrap() > size);
        assert!(!folder.path().join("unmounted").exists());
    }
}
