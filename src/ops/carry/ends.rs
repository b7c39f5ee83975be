//! Both ends as they were given on this machine: there, apart from each other, and those of the move.

use super::Request;
use super::bill::Bill;
use super::room::Room;
use crate::ledger::{EndRole, EndRow};
use crate::ops::begin::{find_parent, real, refuse_overlap, refuse_root_disk};
use crate::ops::desk::Desk;
use crate::ops::guard;
use crate::report::waybill::Task;
use crate::trouble::Trouble;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

/// Whether the paths that a task needs were given.
///
/// # Errors
/// `path-needed` with what is.
pub(super) fn given(request: &Request, bill: &Bill) -> Result<(), Trouble> {
    let task = bill.head.task;
    let home = |bytes: &[u8]| crate::names::shown(bytes);
    let needed = |option: &str, what: &str, at_home: String| {
        let text = format!("to {} this waybill, {what} is needed here", verb(task));
        let mend = format!("Add {option} PATH: on the machine that wrote the waybill it is {at_home}.");
        Err(Trouble::usage("path-needed", text).mend(mend))
    };
    if task.reads_source() && request.source.is_none() {
        return needed("--source", "the path of the source", home(&bill.head.source.root));
    }
    if task.needs_destination() && request.destination.is_none() {
        let path = home(&bill.head.destination.path);
        return needed("--destination", "the path of the destination", path);
    }
    Ok(())
}

fn verb(task: Task) -> &'static str {
    match task {
        Task::Copy => "copy",
        Task::Verify => "read back",
        Task::HashSource => "hash the source of",
    }
}

/// Refuses ends that overlap, lie where nothing should be written, or hold the receipt. Nothing was
/// made until then.
///
/// # Errors
/// [`Trouble`] as for `begin`.
pub(super) fn refuse(request: &Request, bill: &Bill, room: &Room) -> Result<(), Trouble> {
    let task = bill.head.task;
    let source = request.source.as_deref().filter(|_| task.reads_source());
    let destination = request
        .destination
        .as_deref()
        .filter(|_| task.needs_destination());
    for (what, end) in [("source", source), ("destination", destination)] {
        let Some(end) = end else { continue };
        if real(&room.work).starts_with(real(end)) {
            let text = format!(
                "the receipt {} would lie inside the {what}",
                room.receipt.display()
            );
            return Err(Trouble::usage("folder-inside", text)
                .mend("Name a folder on another disk of this machine with --out."));
        }
    }
    if let Some(source) = source {
        guard::is_there(source, "--source")?;
    }
    let Some(destination) = destination else {
        return Ok(());
    };
    if task == Task::Verify {
        guard::is_there(destination, "--destination")?;
    }
    find_parent(destination)?;
    if let Some(source) = source {
        refuse_overlap(source, destination)?;
        guard::refuse_same_storage(source, destination, &bill.head.move_id)?;
    }
    if bill.apart {
        return Ok(());
    }
    match marker(destination) {
        found if found == bill.head.move_id => Ok(()),
        found if found.is_empty() && task == Task::Copy => {
            refuse_root_disk(destination, bill.head.destination.root_disk)
        }
        found if found.is_empty() => Err(not_ours(destination, "the marker of this move is not in it")),
        _ => Err(not_ours(destination, "it is the destination of another move")),
    }
}

fn marker(destination: &Path) -> String {
    let text = std::fs::read_to_string(guard::marker_path(destination));
    text.unwrap_or_default().trim().to_string()
}

fn not_ours(path: &Path, why: &str) -> Trouble {
    let text = format!("{} is not the destination of this waybill: {why}", path.display());
    Trouble::usage("not-the-destination", text)
        .at(path.as_os_str().as_bytes())
        .mend("Give the folder that move.toml names as destination, not a dataset or project in it; mount the pool first.")
}

/// Keeps how both ends are known again, so that a later run refuses others.
///
/// # Errors
/// [`Trouble`] where the source holds nothing of what is listed, or an end is missing.
pub(super) fn know(desk: &mut Desk<'_>, bill: &Bill) -> Result<(), Trouble> {
    let task = bill.head.task;
    if task.reads_source() {
        know_source(desk, bill)?;
    }
    if !task.needs_destination() || bill.apart {
        return Ok(());
    }
    let Some(goal) = desk.settings.destinations.first().cloned() else {
        return Ok(());
    };
    let ours = marker(&goal.path) == bill.head.move_id;
    if ours && desk.ledger.end(EndRole::Destination, &goal.name)?.is_none() {
        let row = guard::look_at_destination(&goal, &bill.head.move_id)?;
        desk.ledger.keep_end(&row, false)?;
    }
    let folder = bill.locked.dataset.folder.as_bytes();
    let folder = goal.path.join(std::ffi::OsStr::from_bytes(folder));
    if task == Task::Verify && !folder.is_dir() {
        return Err(not_ours(
            &goal.path,
            &format!("it has no folder {}", folder.display()),
        ));
    }
    Ok(())
}

fn know_source(desk: &mut Desk<'_>, bill: &Bill) -> Result<(), Trouble> {
    let Some(source) = desk.settings.sources.first() else {
        return Ok(());
    };
    if desk.ledger.end(EndRole::Source, &source.name.0)?.is_some() {
        // Held against what is kept by all who open it.
        return Ok(());
    }
    let mut row: EndRow = guard::look_at_source(source)?;
    let here = guard::names_in(&source.path)?;
    if !bill.tops.is_empty() && !bill.tops.iter().any(|name| here.contains(name)) {
        let text = format!(
            "{} is not the source of this waybill: none of the folders that it lists lies in it",
            source.path.display()
        );
        return Err(Trouble::usage("not-the-source", text)
            .at(source.path.as_os_str().as_bytes())
            .mend("Give the folder that move.toml names as source; mount the share first."));
    }
    row.known = bill.tops.clone();
    desk.ledger.keep_end(&row, false)
}
