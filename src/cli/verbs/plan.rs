//! plan.

use super::{desk, planned};
use crate::cli::args::Plan as PlanArgs;
use crate::cli::exit::Code;
use crate::cli::{Context, folder, json as pieces, policy};
use crate::entry::EntryKind;
use crate::ops::batch::{named, preview};
use crate::ops::desk::Desk;
use crate::ops::items::Walk;
use crate::ops::plan::{Planned, plan};
use crate::plan::why::why;
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use serde_json::json;

pub(super) fn run(args: &PlanArgs, context: &Context) -> Result<Code, Trouble> {
    if let Some(set) = &args.set {
        set_tag(context, set)?;
    }
    let mut desk = desk(context)?;
    if let Some(batch) = &args.files {
        return files(&desk, context, batch);
    }
    let planned = plan(&mut desk, args.accept)?;
    if let Some(project) = &args.why {
        return explain(context, &planned, project);
    }
    if args.datasets {
        planned::datasets(&desk, context, &planned)?;
        return Ok(Code::Done);
    }
    let zone = desk.settings.windows.zone;
    planned::tell(context, &planned, zone);
    let states = planned::states(&desk)?;
    context
        .out
        .object("plan", planned::object(&planned, &states, zone));
    let blocked = !planned.room.fits || !planned.notes.questions.is_empty() || !planned.written;
    Ok(Code::clean_if(!blocked))
}

fn set_tag(context: &Context, set: &[String]) -> Result<(), Trouble> {
    let folder = folder::find(context.folder.as_deref().unwrap_or(std::path::Path::new(".")))?;
    let [project, setting] = set else { return Ok(()) };
    let Some((key, value)) = setting.split_once('=') else {
        return Err(Trouble::usage("bad-tag", format!("{setting} is no KEY=VALUE"))
            .mend("Write for example year=2019."));
    };
    let path = folder.join("move.toml");
    let text = std::fs::read_to_string(&path).map_err(|e| {
        Trouble::usage(
            "settings-unreadable",
            format!("cannot read {}: {e}", path.display()),
        )
    })?;
    let changed = policy::add_tag(&text, project, key, value)?;
    policy::parse(&changed)?;
    crate::ops::begin::write_settings(&folder, &changed)
}

/// The batch's files below the source, each ended by a NUL: what other means of copying take.
fn files(desk: &Desk<'_>, context: &Context, name: &str) -> Result<Code, Trouble> {
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

fn explain(context: &Context, planned: &Planned, typed: &str) -> Result<Code, Trouble> {
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
