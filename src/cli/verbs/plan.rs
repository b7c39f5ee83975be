//! plan.

use super::{desk, extras, planned, rooms};
use crate::cli::args::Plan as PlanArgs;
use crate::cli::exit::Code;
use crate::cli::{Context, folder, policy};
use crate::ops::plan::plan;
use crate::survey::{ProjectKey, ProjectSummary};
use crate::trouble::Trouble;
use crate::world::Clock;

pub(super) fn run(args: &PlanArgs, context: &Context) -> Result<Code, Trouble> {
    if let Some(set) = &args.set {
        set_tag(context, set)?;
    }
    let mut desk = desk(context)?;
    if let Some(batch) = &args.files {
        return extras::files(&desk, context, batch);
    }
    let planned = plan(&mut desk, args.accept)?;
    if let Some(project) = &args.why {
        return extras::explain(context, &planned, project);
    }
    if args.datasets {
        rooms::datasets(&desk, context, &planned)?;
        return Ok(Code::Done);
    }
    let zone = desk.settings.windows.zone;
    planned::tell(context, &planned, zone);
    let states = planned::states(&desk)?;
    context
        .out
        .object_of("plan", || planned::object(&planned, &states, zone));
    let blocked = !planned.rooms.fit.fits() || !planned.notes.questions.is_empty() || !planned.written;
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
    let scanned = projects(context)?;
    // Before the first scan no name can be told from a slip of the finger.
    let (name, known) = match &scanned {
        None => (project.clone(), None),
        Some(all) => {
            let key = ProjectKey::lookup(project, all.iter().map(|project| &project.key))?;
            let known = all.iter().find(|project| project.key == *key);
            (key.name(), known.map(|known| (known, context.clock.now())))
        }
    };
    let changed = policy::add_tag(&text, &name, known, (key, value))?;
    policy::parse(&changed)?;
    crate::ops::begin::write_settings(&folder, &changed)
}

/// The projects of all sources; `None` before the first scan.
fn projects(context: &Context) -> Result<Option<Vec<ProjectSummary>>, Trouble> {
    match crate::ops::gather::surveys(&desk(context)?) {
        Err(trouble) if trouble.code == "not-scanned" => Ok(None),
        other => Ok(Some(
            other?.into_iter().flat_map(|one| one.survey.projects).collect(),
        )),
    }
}
