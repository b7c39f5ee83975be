//! What plan answers beside the plan: one batch's files, and why a project is where it is.

use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::entry::EntryKind;
use crate::ops::batch::{named, preview};
use crate::ops::desk::Desk;
use crate::ops::items::Walk;
use crate::ops::plan::Planned;
use crate::plan::why::why;
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use serde_json::json;

/// The batch's files below the source, each ended by a NUL: what other means of copying take.
pub(super) fn files(desk: &Desk<'_>, context: &Context, name: &str) -> Result<Code, Trouble> {
    let stored = crate::ops::batch::plan(desk)?;
    let batch = named(&stored, &[name.to_string()])?.remove(0);
    let at_hand = preview(desk, &stored, &batch)?;
    let mut paths = Vec::new();
    for folder in Walk::new(&at_hand) {
        let folder = folder?;
        for child in &folder.children {
            if matches!(child.entry.kind, EntryKind::File | EntryKind::Symlink) {
                if let Ok(path) = folder.from.join(&child.name) {
                    paths.push(path);
                }
            }
        }
    }
    if context.out.is_json() {
        let listed: Vec<_> = paths
            .iter()
            .map(|path| pieces::with_path(path, json!({})))
            .collect();
        context
            .out
            .object("plan", json!({"batch": name, "files": listed}));
        return Ok(Code::Done);
    }
    for path in &paths {
        context.out.raw(path.as_bytes());
        context.out.raw(b"\0");
    }
    Ok(Code::Done)
}

/// Where one project went, and why.
pub(super) fn explain(context: &Context, planned: &Planned, typed: &str) -> Result<Code, Trouble> {
    let keys: Vec<&ProjectKey> = planned.projects.iter().map(|p| &p.key).collect();
    let key = ProjectKey::lookup(typed, keys)?;
    let mut lines = Vec::new();
    for project in planned.projects.iter().filter(|p| p.key == *key) {
        lines.extend(why(project, &planned.plan, &planned.notes, &planned.rules));
    }
    for line in &lines {
        context.out.say(line);
    }
    context
        .out
        .object("plan", json!({"project": typed, "why": lines}));
    Ok(Code::Done)
}
