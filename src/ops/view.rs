//! The folder of links that looks like the old share, kept as far as batches are copied.

use super::desk::Desk;
use super::items::Walk;
use super::permissions::permissions;
use super::settings::DestinationSettings;
use super::{batch, guard, store};
use crate::copy::{links_in, set_links, trouble_of};
use crate::entry::EntryKind;
use crate::ledger::BatchRow;
use crate::lifecycle::State;
use crate::names::RelPath;
use crate::plan::view::{FOLDER, steps, text};
use crate::plan::{LockedBatch, Placed};
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

/// What came of it.
#[derive(Debug, Clone)]
pub struct View {
    /// The folder.
    pub folder: PathBuf,
    /// Links that are there now.
    pub links: u64,
    /// Wanted links whose place something else has.
    pub conflicts: Vec<RelPath>,
    /// Why it could not be brought up to date.
    pub trouble: Option<String>,
}

/// As [`keep`], after a batch: the links are a convenience, so what stands in their way is told and
/// spoils nothing. The next batch tries again.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be written.
pub fn after_batch(desk: &mut Desk<'_>, at: &DestinationSettings) -> Result<Option<View>, Trouble> {
    let trouble = match keep(desk, at) {
        Ok(view) => return Ok(view),
        Err(trouble) => trouble,
    };
    let now = desk.now();
    desk.ledger.event(now, "view-failed", &trouble.text)?;
    Ok(Some(View {
        folder: at.path.join(FOLDER),
        links: 0,
        conflicts: Vec::new(),
        trouble: Some(trouble.to_string()),
    }))
}

/// Makes the links of a destination what they should be, where the user wants them: one for each
/// project that is copied, and one for each loose file.
///
/// # Errors
/// [`Trouble`] where the destination is not there or refuses; what was copied is not touched by it.
pub fn keep(desk: &Desk<'_>, at: &DestinationSettings) -> Result<Option<View>, Trouble> {
    if !desk.settings.view_flat {
        return Ok(None);
    }
    let target = guard::destination(desk, at)?;
    let name = RelPath::new(FOLDER).map_err(|e| Trouble::defect(e.to_string()))?;
    let (mut wanted, mut datasets) = (BTreeMap::new(), BTreeSet::new());
    for row in desk.ledger.batches()? {
        let (locked, elsewhere) = store::locked_of(&row.body)?;
        if row.destination != at.name || elsewhere.is_some() {
            continue;
        }
        if locked.dataset.folder.below(&name).is_some() {
            let text = format!(
                "view.flat: the dataset {} has the folder {FOLDER} itself",
                row.dataset
            );
            return Err(Trouble::usage("name-taken", text)
                .mend("Give that dataset another name by a tag, or set flat = false."));
        }
        datasets.insert(locked.dataset.folder.clone());
        if State::parse(&row.state).is_some_and(|state| state >= State::Copied) {
            shown(desk, row, &locked, &mut wanted)?;
        }
    }
    let found = links_in(&target, &name).map_err(|fault| trouble_of(&fault))?;
    let steps = steps(&wanted, &found, &datasets);
    let permissions = permissions(&desk.settings.permissions)?;
    set_links(&target, &name, &steps, &permissions).map_err(|fault| trouble_of(&fault))?;
    Ok(Some(View {
        folder: at.path.join(FOLDER),
        links: steps.kept + steps.make.len() as u64,
        conflicts: steps.conflicts,
        trouble: None,
    }))
}

fn shown(
    desk: &Desk<'_>,
    row: BatchRow,
    locked: &LockedBatch,
    wanted: &mut BTreeMap<RelPath, Vec<u8>>,
) -> Result<(), Trouble> {
    let under = desk
        .settings
        .source(&row.source)
        .map(|source| source.under.clone());
    let under = under.unwrap_or_default();
    let mut show = |from: &RelPath, place: &RelPath| {
        let at = under.join_path(from);
        let text = text(&at, &locked.dataset.folder.join_path(place));
        wanted.entry(at).or_insert(text);
    };
    let mut loose = Vec::new();
    for placed in &locked.batch.projects {
        match &placed.key {
            ProjectKey::Folder(path) => show(path, &placed.place),
            ProjectKey::Loose(_) => loose.push(placed.clone()),
        }
    }
    if !loose.is_empty() {
        let dataset = locked.dataset.name.clone();
        for (from, place) in files_of(desk, row, &loose)? {
            if desk.ledger.record_at(&dataset, &place)?.is_some() {
                show(&from, &place);
            }
        }
    }
    Ok(())
}

/// Loose files with their places; they lie beside the projects and have no folder of their own.
fn files_of(desk: &Desk<'_>, row: BatchRow, loose: &[Placed]) -> Result<Vec<(RelPath, RelPath)>, Trouble> {
    let at_hand = batch::open(desk, row)?;
    let mut found = Vec::new();
    for placed in loose {
        for folder in Walk::of(&at_hand, placed) {
            let folder = folder?;
            for child in &folder.children {
                let is_file = matches!(child.entry.kind, EntryKind::File | EntryKind::Symlink);
                let paths = (folder.from.join(&child.name), folder.place_of(&child.name));
                if let (true, (Ok(from), Some(place))) = (is_file, paths) {
                    found.push((from, place));
                }
            }
        }
    }
    Ok(found)
}
