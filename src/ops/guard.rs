//! Whether both ends are there, and are what they were: a source that is not mounted is not an
//! emptied source, an absent destination is not the root disk.

use super::desk::Desk;
use super::settings::{DestinationSettings, SourceSettings};
use crate::ledger::{EndRole, EndRow};
use crate::names::RelPath;
use crate::plan::Dataset;
use crate::trouble::Trouble;
use crate::units::counted;
use crate::world::{FaultKind, Fs, MountIdentity, MountTable, OsFs};
use std::path::{Path, PathBuf};

/// How many names at a source are remembered.
const KNOWN_NAMES: usize = 16;

/// What a source is known by.
///
/// # Errors
/// [`Trouble`] where it is not there.
pub fn look_at_source(source: &SourceSettings) -> Result<EndRow, Trouble> {
    let mount = mount_of(&source.path, "--from")?;
    let mut known = names_in(&source.path)?;
    known.truncate(KNOWN_NAMES);
    Ok(EndRow {
        role: EndRole::Source,
        name: source.name.0.clone(),
        path: source.path.clone(),
        mount,
        known,
    })
}

/// What a destination is known by: its mount, and our marker in it.
///
/// # Errors
/// [`Trouble`] where it is not there.
pub fn look_at_destination(destination: &DestinationSettings, marker: &str) -> Result<EndRow, Trouble> {
    let mount = mount_of(&destination.path, "--to")?;
    let known = vec![marker.to_string()];
    Ok(EndRow {
        role: EndRole::Destination,
        name: destination.name.clone(),
        path: destination.path.clone(),
        mount,
        known,
    })
}

/// Checks one source and opens it.
///
/// # Errors
/// `mount-missing` or `mount-changed`, with the mend.
pub fn source(desk: &Desk<'_>, source: &SourceSettings) -> Result<OsFs, Trouble> {
    let fs = open(&source.path, "--from")?;
    if let Some(kept) = desk.ledger.end(EndRole::Source, &source.name.0)? {
        same_mount(&source.path, &kept.mount, fs.mount())?;
        let now = names_in(&source.path)?;
        if !kept.known.is_empty() && !kept.known.iter().any(|name| now.contains(name)) {
            return Err(missing(
                &source.path,
                "none of the folders known from before are in it",
            ));
        }
    }
    Ok(fs)
}

/// Lets a source be known by one more name at its top: a folder that we are about to make there.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be written.
pub fn also_known(desk: &mut Desk<'_>, source: &SourceSettings, name: &str) -> Result<(), Trouble> {
    if let Some(mut kept) = desk.ledger.end(EndRole::Source, &source.name.0)? {
        if !kept.known.iter().any(|known| known == name) {
            kept.known.push(name.to_string());
            desk.ledger.keep_end(&kept, true)?;
        }
    }
    Ok(())
}

/// Lets a source no longer be known by a name that is about to go. Where no other known name lies
/// there, it is known by those that do; an emptied source has none, and its mount alone tells it.
///
/// # Errors
/// [`Trouble`] where the source cannot be listed or the ledger not be written.
pub fn known_without(desk: &mut Desk<'_>, source: &SourceSettings, name: &str) -> Result<(), Trouble> {
    let Some(mut kept) = desk.ledger.end(EndRole::Source, &source.name.0)? else {
        return Ok(());
    };
    let mut now = names_in(&source.path)?;
    now.retain(|one| one != name);
    kept.known.retain(|one| one != name);
    if !kept.known.iter().any(|known| now.contains(known)) {
        now.truncate(KNOWN_NAMES);
        kept.known = now;
    }
    desk.ledger.keep_end(&kept, true)
}

/// Checks one destination.
///
/// # Errors
/// `mount-missing` or `mount-changed`, with the mend.
pub fn destination(desk: &Desk<'_>, destination: &DestinationSettings) -> Result<OsFs, Trouble> {
    let fs = open(&destination.path, "--to")?;
    if let Some(kept) = desk.ledger.end(EndRole::Destination, &destination.name)? {
        same_mount(&destination.path, &kept.mount, fs.mount())?;
        let marker = std::fs::read_to_string(marker_path(&destination.path)).unwrap_or_default();
        if kept.known.first().map(String::as_str) != Some(marker.trim()) {
            return Err(missing(&destination.path, "the marker of this move is not in it"));
        }
    }
    Ok(fs)
}

/// Sees to it that a destination is one of this move, before anything is written to it.
///
/// # Errors
/// As for [`super::begin::join`].
pub fn joined(desk: &mut Desk<'_>, at: &DestinationSettings) -> Result<(), Trouble> {
    match desk.ledger.end(EndRole::Destination, &at.name)? {
        Some(_) => Ok(()),
        None => super::begin::join(desk, at),
    }
}

/// A marker written at the destination must not appear at the source: two paths may lead to the
/// same storage by a second export or a union (hazard L6). Nor may one lie inside the other by way
/// of a bind mount.
///
/// # Errors
/// `same-storage` or `ends-overlap`.
pub fn refuse_same_storage(source: &Path, destination: &Path, move_id: &str) -> Result<(), Trouble> {
    let seen = std::fs::read_to_string(marker_path(source)).unwrap_or_default();
    if seen.trim() == move_id {
        return Err(Trouble::usage(
            "same-storage",
            format!("the source {} and the destination are the same storage: a marker written to one appears in the other", source.display()),
        )
        .mend("Look where both paths are mounted from. Nothing was copied."));
    }
    refuse_bound(source, destination)
}

/// Refuses two paths of which one lies inside the other on the same file system, however each is
/// mounted. What does not exist yet will lie where the folder above it lies.
///
/// # Errors
/// `ends-overlap`.
pub fn refuse_bound(source: &Path, destination: &Path) -> Result<(), Trouble> {
    use std::os::unix::fs::MetadataExt;
    let table = MountTable::read().map_err(|fault| Trouble::stopped("no-mount-table", fault.to_string()))?;
    let place = |path: &Path| {
        let there = path.ancestors().find(|above| above.exists())?;
        let real = std::fs::canonicalize(there).ok()?;
        let device = std::fs::metadata(&real).ok()?.dev();
        let inside = table.of(&real).ok()?.inside(&real)?;
        Some((device, inside.join(path.strip_prefix(there).ok()?)))
    };
    // An end that is missing is told by those who open it.
    let (Some((one, from)), Some((other, to))) = (place(source), place(destination)) else {
        return Ok(());
    };
    if one != other || !(from.starts_with(&to) || to.starts_with(&from)) {
        return Ok(());
    }
    let text = format!(
        "the source {} and the destination {} lie inside one another on one file system, by a bind mount",
        source.display(),
        destination.display()
    );
    Err(Trouble::usage("ends-overlap", text).mend(
        "Look where both paths are mounted from, and choose two folders of which neither contains the other.",
    ))
}

/// Where our marker lies at a destination.
pub fn marker_path(destination: &Path) -> PathBuf {
    destination.join(".poolward").join("marker")
}

/// The dataset's folder: made where the destination is plain folders, asked for where it must be
/// a dataset of its own.
///
/// # Errors
/// `dataset-missing` or `dataset-not-mounted` with the commands to use.
pub fn dataset(desk: &mut Desk<'_>, at: &DestinationSettings, dataset: &Dataset) -> Result<OsFs, Trouble> {
    joined(desk, at)?;
    destination(desk, at)?;
    let path = dataset_path(at, dataset);
    if at.dataset.is_none() && !path.is_dir() {
        make_folders(&path)?;
    }
    let fs = dataset_seen(desk, at, dataset)?;
    if desk.ledger.end(EndRole::Dataset, &dataset.name)?.is_none() {
        let row = EndRow {
            role: EndRole::Dataset,
            name: dataset.name.clone(),
            path,
            mount: fs.mount().clone(),
            known: Vec::new(),
        };
        desk.ledger.keep_end(&row, false)?;
    }
    Ok(fs)
}

fn dataset_path(at: &DestinationSettings, dataset: &Dataset) -> PathBuf {
    use std::os::unix::ffi::OsStrExt;
    at.path
        .join(std::ffi::OsStr::from_bytes(dataset.folder.as_bytes()))
}

/// The same for those who come before anything of ours may lie there: nothing is made, and nothing
/// recorded.
///
/// # Errors
/// As for [`dataset`]; `dataset-missing` also where it is a plain folder that is not there.
pub fn dataset_seen(desk: &Desk<'_>, at: &DestinationSettings, dataset: &Dataset) -> Result<OsFs, Trouble> {
    destination(desk, at)?;
    let path = dataset_path(at, dataset);
    let named = dataset.full_name.as_ref().unwrap_or(&dataset.name);
    let mend = match at.dataset {
        Some(_) => "Create the datasets with the commands of `poolward plan --datasets`, or mount them.",
        None => "Look whether this is the destination that was copied to.",
    };
    if !path.is_dir() {
        let text = format!("the dataset {named} has no folder at {}", path.display());
        return Err(Trouble::stopped("dataset-missing", text).mend(mend));
    }
    let own = || MountTable::read().is_ok_and(|table| table.is_mount_point(&path));
    if at.dataset.is_some() && !own() {
        let text = format!(
            "the dataset {named} is not mounted at {}: files would land in its parent",
            path.display()
        );
        return Err(Trouble::stopped("dataset-not-mounted", text).mend(mend));
    }
    let fs = open(&path, "--to")?;
    if let Some(kept) = desk.ledger.end(EndRole::Dataset, &dataset.name)? {
        same_mount(&path, &kept.mount, fs.mount())?;
    }
    Ok(fs)
}

/// The dataset's folder for reading alone: nothing is made, marked or recorded. A folder in which
/// nothing lies that the ledger knows there is not the dataset, but the place it is mounted at.
///
/// # Errors
/// `mount-missing` or `mount-changed`, with the mend.
pub fn dataset_there(desk: &Desk<'_>, at: &DestinationSettings, dataset: &Dataset) -> Result<OsFs, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    destination(desk, at)?;
    let folder = std::ffi::OsStr::from_bytes(dataset.folder.as_bytes());
    let fs = open(&at.path.join(folder), "--to")?;
    if let Some(kept) = desk.ledger.end(EndRole::Dataset, &dataset.name)? {
        same_mount(fs.path(), &kept.mount, fs.mount())?;
    }
    let known = desk.ledger.names_at(&dataset.name, &RelPath::root())?;
    holds_any(&fs, known.iter().map(Vec::as_slice))?;
    Ok(fs)
}

/// That a folder holds at least one of the names it must hold, where there are any.
///
/// # Errors
/// `mount-missing` where it holds none of them.
pub fn holds_any<'a>(fs: &OsFs, names: impl Iterator<Item = &'a [u8]>) -> Result<(), Trouble> {
    let root = fs.root().map_err(|fault| crate::copy::trouble_of(&fault))?;
    let mut known = 0u64;
    for name in names {
        match root.stat(name) {
            Err(fault) if fault.kind == FaultKind::NotFound => known += 1,
            _ => return Ok(()),
        }
    }
    if known == 0 {
        return Ok(());
    }
    let text = format!(
        "{} is not there: none of the {} known to lie in it {}",
        crate::names::shown(fs.path().as_os_str().as_encoded_bytes()),
        counted(known, "name"),
        if known == 1 { "does" } else { "do" }
    );
    Err(Trouble::stopped("mount-missing", text).mend(
        "Mount the pool or dataset there, then run the same command again. Nothing was read or counted as absent.",
    ))
}

fn make_folders(path: &Path) -> Result<(), Trouble> {
    std::fs::create_dir_all(path).map_err(|e| {
        let code = match e.kind() {
            std::io::ErrorKind::ReadOnlyFilesystem => "read-only",
            _ => "destination-denied",
        };
        Trouble::stopped(code, format!("cannot create {}: {e}", path.display()))
            .mend("Check that the destination is mounted for writing and that you may write there.")
    })
}

pub(super) fn open(path: &Path, option: &str) -> Result<OsFs, Trouble> {
    OsFs::open(path).map_err(|fault| {
        Trouble::stopped(
            "mount-missing",
            format!("cannot open {}: {}", path.display(), fault.words),
        )
        .mend(format!(
            "Mount it, or correct the path in move.toml (given by {option} at the beginning)."
        ))
    })
}

/// Whether a folder is there to be opened; `option` is how its path was given.
///
/// # Errors
/// `mount-missing` where it is not.
pub(super) fn is_there(path: &Path, option: &str) -> Result<(), Trouble> {
    OsFs::open(path).map(|_| ()).map_err(|fault| {
        let text = format!("cannot open {}: {}", path.display(), fault.words);
        Trouble::stopped("mount-missing", text).mend(format!("Mount it, or give another path with {option}."))
    })
}

fn mount_of(path: &Path, option: &str) -> Result<MountIdentity, Trouble> {
    Ok(open(path, option)?.mount().clone())
}

pub(super) fn same_mount(path: &Path, kept: &MountIdentity, now: &MountIdentity) -> Result<(), Trouble> {
    if kept.is_same(now) {
        return Ok(());
    }
    let words = format!(
        "it lies on {} now, and lay on {} ({}) before",
        now.words(),
        kept.source,
        kept.kind
    );
    Err(missing(path, &words))
}

pub(super) fn missing(path: &Path, why: &str) -> Trouble {
    let text = format!("{} is not what it was: {why}", path.display());
    Trouble::stopped("mount-changed", text).mend(
        "Mount the share or pool there again, then run the same command again. Nothing was read or written.",
    )
}

/// Names at the top of a folder, as they are shown, in order.
pub(super) fn names_in(path: &Path) -> Result<Vec<String>, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    let fail = |e: std::io::Error| {
        Trouble::stopped(
            "source-unreadable",
            format!("cannot list {}: {e}", path.display()),
        )
        .mend("Run as a user who may read it.")
    };
    let mut names = Vec::new();
    for item in std::fs::read_dir(path).map_err(fail)? {
        names.push(crate::names::shown(item.map_err(fail)?.file_name().as_bytes()));
    }
    names.sort();
    Ok(names)
}
