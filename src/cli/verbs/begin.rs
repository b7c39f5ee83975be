//! begin.

use crate::cli::args::Begin;
use crate::cli::exit::Code;
use crate::cli::{Context, local_zone, policy};
use crate::ops::begin::{Request, begin, recover, recover_settings};
use crate::trouble::Trouble;
use crate::units::LinkSpeed;
use crate::world::Clock;
use serde_json::json;
use std::path::{Path, PathBuf};

pub(super) fn run(args: &Begin, context: &Context) -> Result<Code, Trouble> {
    let folder = absolute(&args.dir)?;
    if args.recover {
        if let Some(to) = &args.to {
            recover_settings(&folder, &absolute(to)?)?;
        }
        let settings = policy::read(&folder.join("move.toml"))?;
        let copy = recover(&folder, &settings)?;
        context.out.say(&format!(
            "Took back the ledger kept at {}. Batches that have begun go on; run `poolward scan` for fresh indexes.",
            copy.display()
        ));
        context.out.object(
            "begin",
            json!({"folder": folder, "sources": [], "destinations": []}),
        );
        return Ok(Code::Done);
    }
    let from = args
        .from
        .iter()
        .map(|path| absolute(path))
        .collect::<Result<Vec<_>, _>>()?;
    let to = absolute(args.to.as_deref().unwrap_or(Path::new(".")))?;
    let speed = |text: &String| {
        LinkSpeed::parse(text)
            .map_err(|e| Trouble::usage("bad-link", format!("--link {e}")).mend(format!("{}.", e.mend)))
    };
    let link = args.link.as_ref().map(speed).transpose()?;
    let sources: Vec<(String, &Path)> = from
        .iter()
        .enumerate()
        .map(|(at, path)| (source_name(path, at, &from), path.as_path()))
        .collect();
    let start = policy::Start {
        sources,
        to: &to,
        link,
        zone: local_zone(),
    };
    let text = policy::template(&start)?;
    let settings = policy::parse(&text)?;
    let id = move_id(context, &folder);
    let request = Request {
        folder: &folder,
        settings: &settings,
        text: &text,
        allow_root_disk: args.allow_root_disk,
        move_id: &id,
    };
    begin(&request, &context.clock)?;
    context
        .out
        .say(&format!("The move folder {} is ready.", folder.display()));
    context
        .out
        .say("Next: look through its move.toml, then run `poolward scan` in it.");
    let named = |name: &str, path: &Path| json!({"name": name, "path": path});
    context.out.object(
        "begin",
        json!({
            "folder": folder,
            "sources": settings.sources.iter().map(|s| named(&s.name.0, &s.path)).collect::<Vec<_>>(),
            "destinations": settings.destinations.iter().map(|d| named(&d.name, &d.path)).collect::<Vec<_>>(),
        }),
    );
    Ok(Code::Done)
}

/// The whole path, symlinks in it kept as they were typed.
fn absolute(path: &Path) -> Result<PathBuf, Trouble> {
    let whole = std::path::absolute(path)
        .map_err(|e| Trouble::usage("bad-path", format!("{} is no path: {e}", path.display())))?;
    Ok(whole.components().collect())
}

/// A source is called by the last part of its path, with a number where two would be alike.
fn source_name(path: &Path, at: usize, all: &[PathBuf]) -> String {
    let last = |path: &Path| {
        path.file_name()
            .map_or("source".to_string(), |n| n.to_string_lossy().into_owned())
    };
    let name = last(path);
    let alike = all.iter().filter(|other| last(other) == name).count() > 1;
    if alike { format!("{name}-{}", at + 1) } else { name }
}

/// A number no other move has: the time, this process and the folder, hashed.
fn move_id(context: &Context, folder: &Path) -> String {
    let now = context.clock.now();
    let text = format!(
        "{} {} {} {}",
        now.seconds,
        now.nanos,
        std::process::id(),
        folder.display()
    );
    crate::digest::Digest::of(text.as_bytes())
        .to_string()
        .chars()
        .take(16)
        .collect()
}
