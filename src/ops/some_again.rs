//! scan of some projects: which folders are scanned again, and the index that gives the rest.

use super::desk::Desk;
use super::scan::newest_index;
use super::settings::SourceSettings;
use crate::entry::EntryKind;
use crate::index::Index;
use crate::names::{RelPath, nearest};
use crate::scan::Only;
use crate::trouble::Trouble;
use std::collections::BTreeSet;
use std::sync::Arc;

/// The sources that have one of the named projects, each with what is to be scanned again. Where
/// projects lie deeper than the first level, the whole top-level folder around one is scanned.
///
/// # Errors
/// `not-scanned` where a source has no index yet, `no-such-project` with the nearest names.
pub(super) fn chosen(desk: &Desk<'_>, names: &[String]) -> Result<Vec<(SourceSettings, Only)>, Trouble> {
    let (mut all, mut unknown) = (Vec::new(), names.iter().collect::<BTreeSet<_>>());
    for source in &desk.settings.sources {
        let before = newest_index(desk, &source.name.0).map_err(whole_first)?;
        let mut again = BTreeSet::new();
        for name in names {
            if let Some(path) = found(source, &before, name)? {
                unknown.remove(name);
                again.extend(path.components().next().map(<[u8]>::to_vec));
            }
        }
        all.push((source.clone(), before, again));
    }
    if let Some(name) = unknown.first() {
        return Err(no_such_project(&all, name)?);
    }
    let some = all.into_iter().filter(|(_, _, again)| !again.is_empty());
    let only = |(source, before, again)| {
        let before = Arc::new(before);
        (source, Only { before, again })
    };
    Ok(some.map(only).collect())
}

fn whole_first(trouble: Trouble) -> Trouble {
    match trouble.code {
        "not-scanned" => trouble.mend("Run `poolward scan` without names first: a whole scan."),
        _ => trouble,
    }
}

/// The path of a project: in the index before, or new on the source since.
fn found(source: &SourceSettings, before: &Index, name: &str) -> Result<Option<RelPath>, Trouble> {
    let path = RelPath::new(name.trim_end_matches('/').as_bytes()).ok();
    let Some(path) = path.filter(|path| path.depth() == source.project_depth) else {
        return Ok(None);
    };
    let is_folder = |kind: EntryKind| kind == EntryKind::Directory;
    if before.entry(&path)?.is_some_and(|entry| is_folder(entry.kind)) {
        return Ok(Some(path));
    }
    let now = std::fs::symlink_metadata(source.path.join(name));
    Ok(now.is_ok_and(|facts| facts.is_dir()).then_some(path))
}

fn no_such_project(
    all: &[(SourceSettings, Index, BTreeSet<Vec<u8>>)],
    name: &str,
) -> Result<Trouble, Trouble> {
    let mut known = Vec::new();
    for (source, before, _) in all {
        for piece in before.pieces() {
            let listing = piece?.listing;
            if listing.folder.depth() + 1 != source.project_depth {
                continue;
            }
            let folders = listing
                .children
                .iter()
                .filter(|c| c.entry.kind == EntryKind::Directory);
            known.extend(folders.filter_map(|child| listing.folder.join(&child.name).ok()));
        }
    }
    let known: Vec<String> = known.iter().map(ToString::to_string).collect();
    let near = nearest(name, known.iter().map(String::as_str), 3).join(", ");
    let trouble = Trouble::usage("no-such-project", format!("no source has a project {name}"));
    Ok(match near.is_empty() {
        true => trouble.mend("Run `poolward survey` for the names."),
        false => trouble.mend(format!("The nearest names: {near}.")),
    })
}
