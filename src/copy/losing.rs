//! A destination that keeps some fact of no file at all: found out by the first files of a run,
//! before thousands are copied badly.

use super::Task;
use super::worker::Staged;
use crate::entry::EntryKind;
use crate::trouble::Trouble;
use crate::world::{Loss, Xattr};
use std::collections::BTreeMap;

/// Files in a row, from the first on, that have to lose the same fact.
const IN_A_ROW: u32 = 20;

/// Counts losses from the start of a run on.
#[derive(Default)]
pub(super) struct LossWatch {
    /// Files so far that lost it, by kind; `None` once one has kept it.
    streaks: BTreeMap<&'static str, Option<u32>>,
}

impl LossWatch {
    /// Looks at one more file; answers why everything stops.
    pub(super) fn see(&mut self, task: &Task, staged: &Staged) -> Option<Trouble> {
        if staged.facts.kind != EntryKind::File {
            return None;
        }
        for kind in Loss::KINDS.into_iter().filter(|kind| !task.accepts(kind)) {
            let loss = staged.losses.iter().find(|loss| loss.kind == kind);
            let streak = self.streaks.entry(kind).or_insert(Some(0));
            match (loss, &mut *streak) {
                (Some(loss), Some(count)) => {
                    *count += 1;
                    if *count == IN_A_ROW {
                        return Some(too_many(loss, staged));
                    }
                }
                (None, Some(_)) if has(kind, task, staged) => *streak = None,
                _ => {}
            }
        }
        None
    }
}

/// Whether a file has this fact at all: one without attributes says nothing about them.
fn has(kind: &str, task: &Task, staged: &Staged) -> bool {
    match kind {
        "owner" => task.owners,
        "xattr" | "acl" => staged.attributes.as_ref().is_some_and(|kept| {
            let mut names = kept.names.iter();
            names.any(|name| Xattr::kind_of(name) == kind)
        }),
        _ => true,
    }
}

fn too_many(loss: &Loss, staged: &Staged) -> Trouble {
    let kind = loss.kind;
    Trouble::stopped(
        "facts-not-kept",
        format!(
            "the first {IN_A_ROW} files lost their {kind} at the destination: {}",
            loss.why
        ),
    )
    .at(staged.place.as_bytes().to_vec())
    .mend(format!(
        "Choose a file system or mount options that keep it. If this one cannot and that is all right, write \
         accept = [\"{kind}\"] below [[destination]] in move.toml and run the same command again."
    ))
}
