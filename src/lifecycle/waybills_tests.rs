//! Waybills against a small model: a set of names that were handed out, one of them good at a time.

use super::waybills::{
    Answer, Known, Standing, Task, answer, key, may_write, next_round, next_task, round, set_aside_by, within,
};
use super::{Event, State, after};
use crate::digest::Digest;
use crate::moment::Moment;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

#[derive(Debug, Clone)]
enum Act {
    /// A waybill is written. The facts it rests on may have changed.
    Write(Task, u8),
    TakeBack,
    /// A receipt comes for one of the waybills ever written, in one of two versions.
    Receipt(usize, bool),
    /// One that names a waybill nobody wrote.
    Stranger(Task),
    /// A step at home, where it is allowed.
    Home(u8),
}

fn task() -> impl Strategy<Value = Task> {
    prop_oneof![Just(Task::Copy), Just(Task::Verify), Just(Task::HashSource)]
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        4 => (task(), 0..2u8).prop_map(|(task, facts)| Act::Write(task, facts)),
        1 => Just(Act::TakeBack),
        6 => (0..8usize, any::<bool>()).prop_map(|(which, version)| Act::Receipt(which, version)),
        1 => task().prop_map(Act::Stranger),
        2 => (0..3u8).prop_map(Act::Home),
    ]
}

const SECRET: [u8; 32] = [9; 32];

/// As the ledger keeps it: rows, and the state of the batch.
struct Kept {
    rows: Vec<Known>,
    state: State,
}

impl Kept {
    fn write(&mut self, task: Task, facts: u8) -> Option<Digest> {
        may_write(self.state, task).ok()?;
        let bytes = |round| {
            let key = key(&SECRET, "b", task, Digest([facts; 32]), round);
            Digest::of(&[&key[..], &[facts]].concat())
        };
        let same = bytes(round(&self.rows, task));
        let is_out = |r: &Known| r.task == task && r.standing == Standing::Out;
        if self.rows.iter().any(|r| is_out(r) && r.hash == same) {
            return Some(same);
        }
        let hash = bytes(next_round(&self.rows, task));
        for row in self.rows.iter_mut().filter(|r| is_out(r)) {
            row.standing = Standing::Withdrawn;
        }
        self.rows.push(Known {
            task,
            hash,
            standing: Standing::Out,
            receipt: None,
        });
        Some(hash)
    }

    fn enter(&mut self, at: usize, receipt: Digest) {
        self.rows[at].standing = Standing::Absorbed;
        self.rows[at].receipt = Some(receipt);
        let events: &[Event] = match self.rows[at].task {
            Task::Copy => &[Event::CopyBegins, Event::CopyEnds],
            Task::Verify => &[Event::VerifyBegins, Event::VerifyEndsEqual],
            Task::HashSource => &[],
        };
        for event in events {
            self.state = after(self.state, *event).expect("a receipt that is taken fits the state");
        }
    }
}

/// The model knows nothing of rows: for each task the one waybill that is good, and for each that
/// was answered, by what.
#[derive(Default)]
struct Model {
    good: BTreeMap<Task, (Digest, u8)>,
    answered: BTreeMap<Digest, Digest>,
    dead: BTreeSet<Digest>,
}

fn wanted(model: &Model, task: Task, waybill: Digest, receipt: Digest) -> &'static str {
    let is_good = model.good.get(&task).is_some_and(|(hash, _)| *hash == waybill);
    match (is_good, model.answered.get(&waybill)) {
        (true, _) => "enter",
        (_, Some(by)) if *by == receipt => "entered",
        (_, Some(_)) => "already",
        _ if model.dead.contains(&waybill) => "withdrawn",
        _ => "unknown",
    }
}

fn word(found: Answer) -> &'static str {
    match found {
        Answer::Enter(_) => "enter",
        Answer::Entered(_) => "entered",
        Answer::Already => "already",
        Answer::Withdrawn => "withdrawn",
        Answer::Unknown => "unknown",
    }
}

proptest! {
    #[test]
    fn one_answer_is_taken_for_each_waybill_and_nothing_is_done_twice(acts in prop::collection::vec(act(), 0..40)) {
        let mut kept = Kept { rows: Vec::new(), state: State::Waiting };
        let mut model = Model::default();
        let mut written: Vec<(Task, Digest)> = Vec::new();
        for act in acts {
            match act {
                Act::Write(task, facts) => {
                    let before = model.good.get(&task).copied();
                    let Some(hash) = kept.write(task, facts) else { continue };
                    match before {
                        // The same facts give the same bytes.
                        Some((same, then)) if then == facts => prop_assert_eq!(hash, same),
                        _ => {
                            prop_assert!(!written.contains(&(task, hash)), "one that is over came back");
                            model.dead.extend(before.map(|(hash, _)| hash));
                            model.good.insert(task, (hash, facts));
                            written.push((task, hash));
                        }
                    }
                }
                Act::TakeBack => {
                    for row in kept.rows.iter_mut().filter(|r| r.standing == Standing::Out) {
                        row.standing = Standing::Withdrawn;
                    }
                    model.dead.extend(std::mem::take(&mut model.good).into_values().map(|(hash, _)| hash));
                }
                Act::Receipt(which, version) => {
                    let Some((task, waybill)) = written.get(which).copied() else { continue };
                    let receipt = Digest([u8::from(version); 32]);
                    let found = answer(&kept.rows, task, waybill, receipt);
                    prop_assert_eq!(word(found), wanted(&model, task, waybill, receipt));
                    if let Answer::Enter(at) = found {
                        kept.enter(at, receipt);
                        model.good.remove(&task);
                        model.answered.insert(waybill, receipt);
                    }
                    // The same waybill answers no other task.
                    for other in Task::ALL.into_iter().filter(|other| *other != task) {
                        prop_assert_eq!(word(answer(&kept.rows, other, waybill, receipt)), "unknown");
                    }
                }
                Act::Stranger(task) => {
                    let found = answer(&kept.rows, task, Digest::of(b"nobody's"), Digest([0; 32]));
                    prop_assert_eq!(found, Answer::Unknown);
                }
                Act::Home(step) if set_aside_by(&kept.rows).is_none() => {
                    let event = [Event::CopyBegins, Event::CopyEnds, Event::VerifyBegins][usize::from(step)];
                    kept.state = after(kept.state, event).unwrap_or(kept.state);
                }
                Act::Home(_) => {}
            }
            let aside = model.good.keys().any(|task| *task != Task::HashSource);
            prop_assert_eq!(set_aside_by(&kept.rows).is_some(), aside);
            let out = kept.rows.iter().filter(|r| r.standing == Standing::Out).count();
            prop_assert_eq!(out, model.good.len());
        }
    }

    #[test]
    fn a_told_time_lies_between_writing_and_coming(told: i64, written: i64, now: i64) {
        let at = Moment::from_seconds;
        let found = within(at(told), at(written), at(now)).seconds;
        prop_assert!(found <= now);
        // A clock of ours that was set back is no reason to invent a time.
        prop_assert_eq!(found, if written > now { now } else { told.clamp(written, now) });
    }
}

#[test]
fn the_table_of_states_and_tasks() {
    use State as S;
    use Task as T;
    let rows = [
        (S::Waiting, Some(T::Copy), [true, false, true]),
        (S::Copying, Some(T::Copy), [true, false, true]),
        (S::Copied, Some(T::Verify), [false, true, true]),
        (S::Verifying, Some(T::Verify), [false, true, true]),
        (S::Verified, None, [false, false, true]),
        (S::Released, None, [false, false, true]),
    ];
    for (state, next, allowed) in rows {
        assert_eq!(next_task(state), next);
        assert_eq!(
            Task::ALL.map(|task| may_write(state, task).is_ok()),
            allowed,
            "{state}"
        );
    }
    assert!(
        Task::ALL
            .into_iter()
            .all(|task| Task::parse(task.word()) == Some(task))
    );
}

/// No part of the key's input can run into the next.
#[test]
fn another_batch_task_index_round_or_secret_has_another_key() {
    let base = ([1; 32], "2019.1", Task::Copy, Digest([2; 32]), 0);
    let of = |(secret, batch, task, index, round): ([u8; 32], &str, Task, Digest, u64)| {
        key(&secret, batch, task, index, round)
    };
    let others = [
        ([3; 32], base.1, base.2, base.3, base.4),
        (base.0, "2019.1c", base.2, base.3, base.4),
        (base.0, "2019.", base.2, base.3, base.4),
        (base.0, base.1, Task::Verify, base.3, base.4),
        (base.0, base.1, base.2, Digest([4; 32]), base.4),
        (base.0, base.1, base.2, base.3, 1),
    ];
    assert_eq!(of(base), of(base));
    let mut all: Vec<[u8; 32]> = others.into_iter().map(of).chain([of(base)]).collect();
    all.sort_unstable();
    all.dedup();
    assert_eq!(all.len(), 7);
}
