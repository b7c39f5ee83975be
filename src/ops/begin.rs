//! begin: a move folder, its ledger, and how both ends are known again.

use super::desk::Desk;
use super::guard;
use super::settings::{DestinationSettings, Settings, SourceSettings};
use crate::ledger::Ledger;
use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::world::{Clock, MountTable};
use std::path::{Path, PathBuf};

/// What is asked for.
pub struct Request<'a> {
    /// The move folder.
    pub folder: &'a Path,
    /// The settings as they will be written.
    pub settings: &'a Settings,
    /// Their text.
    pub text: &'a str,
    /// Whether the destination may lie on the disk the system runs from.
    pub allow_root_disk: bool,
    /// A number no other move has.
    pub move_id: &'a str,
}

/// Begins a move.
///
/// # Errors
/// [`Trouble`] where there is a move already, an end is missing, the ends overlap, or the
/// destination lies on the root disk.
pub fn begin(request: &Request<'_>, clock: &dyn Clock) -> Result<(), Trouble> {
    let folder = request.folder;
    if folder.join("move.toml").exists() || folder.join("ledger.db").exists() {
        return Err(Trouble::usage(
            "move-exists",
            format!("there is a move in {} already", folder.display()),
        )
        .mend("Use it, or name another folder: `poolward begin DIR --from … --to …`."));
    }
    for source in &request.settings.sources {
        guard::look_at_source(source)?;
    }
    refuse_before_making(request)?;
    for destination in &request.settings.destinations {
        make_destination(&destination.path)?;
    }
    make(folder, "the move folder")?;
    super::desk::refuse_network(folder)?;
    make(&folder.join("indexes"), "a folder")?;
    make(&folder.join("reports"), "a folder")?;
    record(request, clock.now())?;
    // The settings last: a folder with them is a move that was begun to its end.
    write_settings(folder, request.text)
}

/// Everything that is refused is refused before the first folder is made: one made inside the
/// source would be a write to it.
fn refuse_before_making(request: &Request<'_>) -> Result<(), Trouble> {
    let (folder, settings) = (real(request.folder), request.settings);
    for destination in &settings.destinations {
        find_parent(&destination.path)?;
        for source in &settings.sources {
            refuse_overlap(&source.path, &destination.path)?;
        }
        refuse_root_disk(&destination.path, request.allow_root_disk)?;
        if folder.starts_with(real(&destination.path)) {
            return Err(inside("the destination", &destination.path));
        }
    }
    let around = |source: &&SourceSettings| folder.starts_with(real(&source.path));
    match settings.sources.iter().find(around) {
        Some(source) => Err(inside("the source", &source.path)),
        None => Ok(()),
    }
}

/// A path without symlinks, as far as it exists; the rest as it is written.
pub(super) fn real(path: &Path) -> PathBuf {
    for above in path.ancestors() {
        if let (Ok(found), Ok(rest)) = (std::fs::canonicalize(above), path.strip_prefix(above)) {
            return found.join(rest);
        }
    }
    path.to_path_buf()
}

/// Makes a destination that came into `move.toml` after the beginning one of this move, before the
/// first write to it: all that `begin` refuses is refused, then our marker is placed.
///
/// # Errors
/// As for [`begin`].
pub fn join(desk: &mut Desk<'_>, at: &DestinationSettings) -> Result<(), Trouble> {
    find_parent(&at.path)?;
    for source in &desk.settings.sources {
        refuse_overlap(&source.path, &at.path)?;
    }
    refuse_root_disk(&at.path, at.root_disk)?;
    if real(&desk.folder).starts_with(real(&at.path)) {
        return Err(inside("the destination", &at.path));
    }
    make_destination(&at.path)?;
    let move_id = desk.ledger.move_id()?;
    place_marker(&at.path, &move_id)?;
    for source in &desk.settings.sources {
        guard::refuse_same_storage(&source.path, &at.path, &move_id)?;
    }
    desk.ledger
        .keep_end(&guard::look_at_destination(at, &move_id)?, false)
}

fn record(request: &Request<'_>, now: Moment) -> Result<(), Trouble> {
    let mut ledger = Ledger::create(&request.folder.join("ledger.db"), request.move_id, now)?;
    for destination in &request.settings.destinations {
        place_marker(&destination.path, request.move_id)?;
        for source in &request.settings.sources {
            guard::refuse_same_storage(&source.path, &destination.path, request.move_id)?;
        }
        ledger.keep_end(&guard::look_at_destination(destination, request.move_id)?, false)?;
    }
    for source in &request.settings.sources {
        ledger.keep_end(&guard::look_at_source(source)?, false)?;
    }
    Ok(())
}

/// Writes `move.toml`, to the side and renamed.
///
/// # Errors
/// [`Trouble`] where it cannot be written.
pub fn write_settings(folder: &Path, text: &str) -> Result<(), Trouble> {
    let (part, target) = (folder.join("move.toml.part"), folder.join("move.toml"));
    let written = std::fs::write(&part, text).and_then(|()| std::fs::rename(&part, &target));
    written.map_err(|e| {
        Trouble::stopped(
            "settings-denied",
            format!("cannot write {}: {e}", target.display()),
        )
    })
}

fn make(path: &Path, what: &str) -> Result<(), Trouble> {
    std::fs::create_dir_all(path).map_err(|e| {
        Trouble::stopped(
            "folder-denied",
            format!("cannot create {what} {}: {e}", path.display()),
        )
        .mend("Name a folder that you may write to.")
    })
}

/// The destination itself may be missing, its parent may not: a parent that is missing is a mount
/// that is missing.
pub(super) fn find_parent(path: &Path) -> Result<(), Trouble> {
    if path.is_dir() || path.parent().is_some_and(Path::is_dir) {
        return Ok(());
    }
    Err(Trouble::stopped(
        "mount-missing",
        format!("cannot find the destination {}", path.display()),
    )
    .mend("Mount the pool, or create its folder; only the last part of the path may be missing."))
}

fn make_destination(path: &Path) -> Result<(), Trouble> {
    match path.is_dir() {
        true => Ok(()),
        false => make(path, "the destination"),
    }
}

pub(super) fn refuse_root_disk(path: &Path, allowed: bool) -> Result<(), Trouble> {
    let table = MountTable::read().map_err(|fault| Trouble::stopped("no-mount-table", fault.to_string()))?;
    // What does not exist yet will lie where the folder above it lies.
    let there = path.ancestors().find(|above| above.exists()).unwrap_or(path);
    let find = |path: &Path| {
        table
            .of(path)
            .map_err(|fault| Trouble::stopped("no-mount-table", fault.to_string()))
    };
    let (at, root) = (find(there)?, find(Path::new("/"))?);
    if allowed || at.source != root.source || at.kind != root.kind {
        return Ok(());
    }
    Err(Trouble::usage(
        "root-disk",
        format!(
            "the destination {} lies on the disk this system runs from",
            path.display()
        ),
    )
    .mend("Mount the pool there first. If you mean it, add --allow-root-disk to `begin`, or root-disk = true to this [[destination]]."))
}

pub(super) fn refuse_overlap(source: &Path, destination: &Path) -> Result<(), Trouble> {
    let (from, to) = (real(source), real(destination));
    if from.starts_with(&to) || to.starts_with(&from) {
        return Err(overlap(source, destination));
    }
    guard::refuse_bound(source, &to)
}

fn overlap(source: &Path, destination: &Path) -> Trouble {
    Trouble::usage(
        "ends-overlap",
        format!(
            "the source {} and the destination {} lie inside one another",
            source.display(),
            destination.display()
        ),
    )
    .mend("Choose two folders of which neither contains the other.")
}

fn inside(what: &str, path: &Path) -> Trouble {
    Trouble::usage(
        "folder-inside",
        format!("the move folder lies inside {what} {}", path.display()),
    )
    .mend("Keep the move folder on a disk of its own: it must survive both ends.")
}

fn place_marker(destination: &Path, move_id: &str) -> Result<(), Trouble> {
    let path = guard::marker_path(destination);
    let home = destination.join(".poolward");
    make(&home, "our folder at the destination")?;
    let other = std::fs::read_to_string(&path).unwrap_or_default();
    if !other.trim().is_empty() && other.trim() != move_id {
        return Err(Trouble::usage(
            "other-move",
            format!("another move has {} as its destination", destination.display()),
        )
        .mend("Go on with that move, take its ledger back with `begin --recover`, or choose another destination."));
    }
    std::fs::write(&path, format!("{move_id}\n")).map_err(|e| {
        Trouble::stopped(
            "destination-denied",
            format!("cannot write to the destination {}: {e}", destination.display()),
        )
        .mend("Check that it is mounted for writing and that you may write there.")
    })
}

/// Takes back the ledger's copy kept at a destination.
///
/// # Errors
/// [`Trouble`] where there is none, or a ledger is there already.
pub fn recover(folder: &Path, settings: &Settings) -> Result<PathBuf, Trouble> {
    let target = folder.join("ledger.db");
    if target.exists() {
        return Err(Trouble::usage(
            "ledger-exists",
            format!("there is a ledger at {} already", target.display()),
        )
        .mend("Move it aside first; the newer of the two is the true one."));
    }
    let copies = settings
        .destinations
        .iter()
        .map(|d| d.path.join(".poolward").join("ledger.db"));
    // Where there are several, one may not have been mounted at the end: the newest is the true one.
    let written = |path: &PathBuf| std::fs::metadata(path).and_then(|facts| facts.modified()).ok();
    let Some(copy) = copies.filter(|path| path.is_file()).max_by_key(written) else {
        return Err(
            Trouble::stopped("no-ledger-copy", "no copy of a ledger is kept at the destination")
                .mend("Check that the destination is mounted; the copy lies in its folder .poolward."),
        );
    };
    make(folder, "the move folder")?;
    make(&folder.join("indexes"), "a folder")?;
    make(&folder.join("reports"), "a folder")?;
    if let Some(home) = copy.parent() {
        take_back_indexes(&home.join("indexes"), &folder.join("indexes"))?;
    }
    // The ledger last: with it the move is whole.
    super::spare::copy(&copy, &target)?;
    Ledger::open(&target)?;
    Ok(copy)
}

/// The indexes of begun batches, where they are kept; without them only a new scan helps.
fn take_back_indexes(kept: &Path, into: &Path) -> Result<(), Trouble> {
    let Ok(found) = std::fs::read_dir(kept) else {
        return Ok(());
    };
    for item in found.flatten() {
        let target = into.join(item.file_name());
        if !target.exists() && item.path().extension().is_none_or(|end| end != "part") {
            super::spare::copy(&item.path(), &target)?;
        }
    }
    Ok(())
}

/// Takes back the settings kept at a destination, where the move folder has none.
///
/// # Errors
/// [`Trouble`] where the folder cannot be written.
pub fn recover_settings(folder: &Path, to: &Path) -> Result<(), Trouble> {
    let (kept, target) = (to.join(".poolward").join("move.toml"), folder.join("move.toml"));
    if target.exists() || !kept.is_file() {
        return Ok(());
    }
    make(folder, "the move folder")?;
    super::spare::copy(&kept, &target)
}
