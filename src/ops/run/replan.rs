//! Settings and plan while a run works: an edited `move.toml` is taken in, and a plan that only
//! grows. Any other plan waits for the person's word, as it does for `plan`.

use super::Voice;
use super::memory::{Memory, stamp};
use super::news;
use crate::ops::desk::Desk;
use crate::ops::plan::{Planned, plan};
use crate::plan::difference::Difference;
use crate::trouble::{Class, Trouble};

/// Plans once before the first step.
pub(super) fn at_first(desk: &mut Desk<'_>, voice: &Voice<'_>, memory: &mut Memory) -> Result<(), Trouble> {
    let planned = grown(desk, voice, memory)?;
    let pools = &planned.rooms.fit.pools;
    for pool in pools.iter().filter(|pool| !pool.fits) {
        let (needed, limit) = (pool.needed.binary(), pool.limit.binary());
        let on = if pools.len() > 1 {
            format!(" on {}", pool.name)
        } else {
            String::new()
        };
        let text = format!(
            "the move needs {needed}{on}, and {limit} may be used; it goes on until the reserve is reached"
        );
        news::trouble(desk, voice, None, "does-not-fit", &text)?;
    }
    Ok(())
}

/// Reads the settings again where the file has changed. One that cannot be read is told once; what
/// held before holds on.
pub(super) fn read_again(desk: &mut Desk<'_>, voice: &Voice<'_>, memory: &mut Memory) -> Result<(), Trouble> {
    let path = desk.folder.join("move.toml");
    let seen = stamp(&path);
    if seen == memory.settings {
        return Ok(());
    }
    memory.settings = seen;
    match (voice.read)(&path) {
        Ok(settings) => {
            desk.settings = settings;
            memory.stuck = None;
            memory.say(voice, "move.toml has changed; it holds from here on.");
            again(desk, voice, memory)
        }
        Err(trouble) => {
            let mend = trouble.mend.as_deref().unwrap_or_default();
            let text = format!(
                "move.toml: {} {mend} Until then what it said before holds.",
                trouble.text
            );
            news::trouble(desk, voice, None, trouble.code, &text)
        }
    }
}

/// Plans again after a scan or an edit. Where that cannot be done the plan of before holds.
pub(super) fn again(desk: &mut Desk<'_>, voice: &Voice<'_>, memory: &mut Memory) -> Result<(), Trouble> {
    match grown(desk, voice, memory) {
        Err(trouble) if trouble.class == Class::Usage => {
            let text = format!("no new plan can be made, the one before holds: {}", trouble.text);
            news::trouble(desk, voice, None, trouble.code, &text)
        }
        other => other.map(drop),
    }
}

/// Plans, takes in what has come, and remembers what waits for a person.
fn grown(desk: &mut Desk<'_>, voice: &Voice<'_>, memory: &mut Memory) -> Result<Planned, Trouble> {
    let mut planned = plan(desk, false)?;
    if !planned.written {
        // A folder that the destination would rename after the source is the person's to accept.
        let renames = planned.renamed.iter().any(|one| one.verdict.is_ok());
        // Single files are followed: nothing is replaced, and no batch is another one by that.
        let moves = !planned.moved.is_at_rest();
        let takes = |difference: &Difference| difference.is_growth() || (moves && difference.is_empty());
        if !renames && planned.difference.as_ref().is_some_and(takes) {
            planned = plan(desk, true)?;
            planned
                .moved
                .sentences(true)
                .iter()
                .for_each(|line| memory.say(voice, line));
            memory.say(
                voice,
                "The plan has taken in what has come since; nothing else in it has changed.",
            );
        } else {
            let line = "The plan would change by more than what has come; the one before holds. `poolward plan` shows the difference, `--accept` takes it.";
            memory.say(voice, line);
        }
    }
    let held = planned.notes.held.iter().map(|name| name.as_str().to_string());
    memory.tag_held = held.collect();
    let asked = |batch: &&crate::plan::Batch| {
        let about = |question: &crate::survey::Question| {
            batch.source == question.source && batch.projects.iter().any(|p| p.key == question.project)
        };
        planned.notes.questions.iter().any(about)
    };
    let names = planned.plan.batches.iter().filter(asked);
    memory.asked = names.map(|b| b.name.as_str().to_string()).collect();
    Ok(planned)
}
