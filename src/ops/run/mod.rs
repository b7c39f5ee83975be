//! run: carries the schedule out until it is done, for weeks if it takes weeks.
//!
//! Each turn gathers facts, asks `lifecycle::agenda` for one step, and does it with the operation
//! a person would have called. Nothing is kept that a run begun after a crash could not find in
//! the ledger again, but for what was tried once already.

mod facts;
mod memory;
mod news;
mod replan;
mod steps;
mod waiting;
mod watch;

use super::desk::{Desk, is_alive, this_process};
use super::settings::Settings;
use crate::lifecycle::State;
use crate::lifecycle::agenda::{self, Need, Step};
use crate::trouble::{Class, Trouble};
use crate::units::{Bytes, Span};
use memory::Memory;
use std::path::Path;

pub use news::{Stake, stake};

/// The lease of the run itself; no batch has such a name.
const RUN: &str = "*run*";

/// How a run speaks, and how it reads the settings again.
pub struct Voice<'v> {
    /// A line worth keeping.
    pub say: &'v dyn Fn(&str),
    /// A step begins: what it is, and its bytes where they are known.
    pub begins: &'v dyn Fn(&str, Bytes),
    /// Bytes and files of the step so far.
    pub at: &'v dyn Fn(Bytes, u64),
    /// The step has ended.
    pub ends: &'v dyn Fn(),
    /// Reads `move.toml`.
    pub read: &'v dyn Fn(&Path) -> Result<Settings, Trouble>,
}

/// What a run came to.
pub struct Ran {
    /// What a person has to see to; `None`: every batch is verified.
    pub need: Option<Need>,
    /// Each batch of the plan: its name, its state, and files that could not be copied.
    pub batches: Vec<(String, State, u64)>,
    /// What is at stake now.
    pub stake: Stake,
    /// How long it ran.
    pub elapsed: Span,
}

/// Carries out what is left of the plan. The stop of the desk is a pause below the one that ends
/// the run ([`crate::world::Stop::below`]).
///
/// # Errors
/// `run-busy` where another run works on this move; an interruption; wrong settings or no plan at
/// the beginning; a defect.
pub fn run(desk: &mut Desk<'_>, voice: &Voice<'_>) -> Result<Ran, Trouble> {
    let mine = this_process(desk.now());
    if let Err(holder) = desk.ledger.take_lease(RUN, &mine, is_alive)? {
        let since = holder.since.local(desk.settings.windows.zone);
        let text = format!(
            "process {} on {} carries this move out since {since}",
            holder.process, holder.host
        );
        return Err(Trouble::stopped("run-busy", text)
            .mend("Look with `poolward status`; Ctrl-C or SIGTERM ends that one at a safe point."));
    }
    let done = until_the_end(desk, voice);
    // What the run came to is worth more than its last copy of the ledger.
    if let Err(trouble) = desk.keep_ledger_copy() {
        (voice.say)(&format!("No copy of the ledger was kept: {}.", trouble.text));
    }
    desk.ledger.drop_lease(RUN)?;
    done
}

fn until_the_end(desk: &mut Desk<'_>, voice: &Voice<'_>) -> Result<Ran, Trouble> {
    let began = desk.clock.ticks();
    super::batch::plan(desk)?;
    let mut memory = Memory::new(desk);
    replan::at_first(desk, voice, &mut memory)?;
    let need = loop {
        if desk.stop.is_final() {
            return Err(Trouble::interrupted());
        }
        desk.stop.clear();
        replan::read_again(desk, voice, &mut memory)?;
        waiting::look_for_absent(desk, voice, &mut memory)?;
        let facts = facts::gather(desk, &memory)?;
        news::of_batches_aside(desk, voice, &mut memory, &facts)?;
        let step = agenda::next(&facts);
        let done = match &step {
            Step::Copy(name) => steps::copy(desk, voice, &mut memory, name.as_str()),
            Step::Verify(name) => steps::verify(desk, voice, &mut memory, name.as_str()),
            Step::Rescan => steps::rescan(desk, voice, &mut memory),
            Step::Wait { until, why } => waiting::wait(desk, voice, &mut memory, *until, why),
            Step::NeedsPerson(need) => break Some(need.clone()),
            Step::Finished => break None,
        };
        let works = !matches!(step, Step::Wait { .. });
        match done {
            Ok(()) if works => waiting::works_again(desk, voice, &mut memory)?,
            Ok(()) => {}
            Err(trouble) => after_trouble(desk, voice, &mut memory, trouble)?,
        }
    };
    news::of_the_end(desk, voice, need.as_ref())?;
    Ok(Ran {
        need,
        batches: facts::states(desk)?,
        stake: stake(desk)?,
        elapsed: Span::from_secs_f64(desk.clock.ticks() - began),
    })
}

/// What a step that did not work means for the next turn.
fn after_trouble(
    desk: &Desk<'_>,
    voice: &Voice<'_>,
    memory: &mut Memory,
    trouble: Trouble,
) -> Result<(), Trouble> {
    match (trouble.class, agenda::course(trouble.code)) {
        (Class::Interrupted, _) if !desk.stop.is_final() => Ok(()),
        (Class::Interrupted | Class::Defect, _) => Err(trouble),
        (_, agenda::Course::Wait) => {
            desk.stop.clear();
            waiting::begin(desk, voice, memory, &trouble)
        }
        (_, agenda::Course::LookAgain) => {
            desk.clock.wait(std::time::Duration::from_secs(1), desk.stop);
            Ok(())
        }
        (_, agenda::Course::Person) => {
            memory.stuck = Some(Need {
                code: trouble.code,
                what: trouble.text,
                mend: trouble.mend.unwrap_or_default(),
            });
            Ok(())
        }
    }
}
