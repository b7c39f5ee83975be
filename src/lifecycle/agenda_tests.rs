//! The agenda against a model of the world that answers its steps at random.

use super::agenda::{Absent, BatchFacts, Facts, Hours, Need, Reading, Step, Why, next, pause};
use super::{Event, State, after};
use crate::moment::Moment;
use crate::names::BatchName;
use chrono::NaiveDate;
use proptest::prelude::*;

/// One batch as the world has it: what will happen to it, not what is known of it.
#[derive(Debug, Clone)]
struct Real {
    /// How often its copy is cut off before it is done.
    cuts: u8,
    /// Whether it reads back unequal the first and the second time.
    unequal: (bool, bool),
    conflict: bool,
    asked: bool,
    /// Held between these turns.
    held: (u32, u32),
    /// With another machine between these turns.
    away: (u32, u32),
    needs: f64,
}

fn real() -> impl Strategy<Value = Real> {
    let flags = (any::<(bool, bool)>(), 0..8u8, 0..8u8);
    let away = (0..40u32, 0..20u32);
    let held = (0..40u32, 0..40u32);
    (0..3u8, flags, held, away, 0.0..200_000.0f64).prop_map(|(cuts, flags, (from, long), away, needs)| Real {
        away: (away.0, away.0 + away.1),
        cuts,
        unequal: (flags.0.0, flags.0.0 && flags.0.1),
        conflict: flags.1 == 0,
        asked: flags.2 == 0,
        held: (from, from + long),
        needs,
    })
}

fn facts(batches: usize) -> Facts {
    let one = |n: usize| BatchFacts {
        name: BatchName::numbered("2019", n as u32 + 1),
        state: State::Waiting,
        held: false,
        busy: false,
        away: false,
        asked: false,
        conflict: false,
        reading: Reading::NotYet,
        put_off: false,
        needs: None,
    };
    Facts {
        now: Moment::from_seconds(1_800_000_000),
        today: NaiveDate::default(),
        hours: Hours::Open {
            left: None,
            next: None,
        },
        spanning: true,
        rescan_daily: false,
        scanned_on: None,
        all_held: false,
        absent: None,
        stuck: None,
        batches: (0..batches).map(one).collect(),
    }
}

/// Turns of one world; each closed or open, with an end that is away or not.
struct World {
    facts: Facts,
    real: Vec<Real>,
    shut: Vec<bool>,
    away: Vec<bool>,
    turn: u32,
    cut: Vec<u8>,
}

impl World {
    /// What is known at the beginning of a turn. After the rows end, all is open, there and let go.
    fn look(&mut self) {
        let turn = self.turn as usize;
        let flag = |row: &[bool]| row.get(turn).copied().unwrap_or(false);
        let later = self.facts.now.plus_seconds(40_000);
        let (left, next) = (Some(40_000.0), Some((later, 60_000.0)));
        self.facts.hours = match flag(&self.shut) {
            true => Hours::Closed(Some(later)),
            false => Hours::Open { left, next },
        };
        self.facts.absent = flag(&self.away).then(|| Absent {
            since: self.facts.now,
            tries: 0,
            next: self.facts.now.plus_seconds(1),
            words: "away".into(),
        });
        for (known, real) in self.facts.batches.iter_mut().zip(&self.real) {
            known.held = (real.held.0..real.held.1).contains(&self.turn);
            known.away = (real.away.0..real.away.1).contains(&self.turn);
            known.asked = real.asked;
            known.needs = Some(real.needs);
            known.conflict = real.conflict && known.state >= State::Copied;
        }
    }

    fn at(&self, name: &BatchName) -> usize {
        self.facts.batches.iter().position(|b| b.name == *name).unwrap()
    }

    fn copy(&mut self, name: &BatchName) {
        let at = self.at(name);
        let batch = &mut self.facts.batches[at];
        assert!(
            !batch.held && !batch.busy && !batch.away,
            "a held batch is copied"
        );
        assert!(
            !(batch.asked && batch.state == State::Waiting),
            "copied in spite of a question"
        );
        let repairs = batch.state == State::Copied;
        assert!(
            !repairs || batch.reading == Reading::Unequal,
            "copied for nothing"
        );
        batch.state = after(batch.state, Event::CopyBegins).unwrap();
        if self.cut[at] < self.real[at].cuts {
            self.cut[at] += 1;
            // A repair that is cut off is a copy that goes on.
            return;
        }
        batch.state = after(batch.state, Event::CopyEnds).unwrap();
        if batch.reading == Reading::Unequal {
            batch.reading = Reading::Repaired;
        }
    }

    fn verify(&mut self, name: &BatchName) {
        let at = self.at(name);
        let (batch, real) = (&mut self.facts.batches[at], &self.real[at]);
        assert!(
            !batch.held && !batch.busy && !batch.away,
            "a held batch is read back"
        );
        // Refused by the states before it is copied.
        batch.state = after(batch.state, Event::VerifyBegins).unwrap();
        let second = batch.reading == Reading::Repaired;
        let unequal = if second { real.unequal.1 } else { real.unequal.0 };
        if unequal || real.conflict {
            batch.state = after(batch.state, Event::VerifyEndsUnequal).unwrap();
            batch.reading = if second {
                Reading::UnequalAgain
            } else {
                Reading::Unequal
            };
        } else {
            batch.state = after(batch.state, Event::VerifyEndsEqual).unwrap();
        }
    }
}

proptest! {
    #[test]
    fn it_always_ends_and_never_does_what_it_must_not(
        real in prop::collection::vec(real(), 1..7),
        shut in prop::collection::vec(any::<bool>(), 0..30),
        away in prop::collection::vec(any::<bool>(), 0..30),
        spanning in any::<bool>(),
        daily in any::<bool>(),
    ) {
        let mut world = World { facts: facts(real.len()), cut: vec![0; real.len()], real, shut, away, turn: 0 };
        world.facts.spanning = spanning;
        world.facts.rescan_daily = daily;
        let mut last = None;
        loop {
            prop_assert!(world.turn < 2_000, "it does not end: {:?}", world.facts);
            world.look();
            let before = world.facts.clone();
            let cuts = world.cut.clone();
            let step = next(&world.facts);
            prop_assert_eq!(&step, &next(&world.facts));
            let working = matches!(step, Step::Copy(_) | Step::Verify(_) | Step::Rescan);
            if working {
                let open = matches!(before.hours, Hours::Open { .. });
                prop_assert!(open && before.absent.is_none(), "work while shut or away");
            }
            match &step {
                Step::Copy(name) => {
                    let unread = |b: &&BatchFacts| b.state == State::Copied && !b.held && !b.away
                        && matches!(b.reading, Reading::NotYet | Reading::Repaired);
                    let new = before.batches[world.at(name)].reading == Reading::NotYet;
                    prop_assert!(!new || before.batches.iter().filter(unread).count() <= 1, "reading back lags");
                    world.copy(name);
                }
                Step::Verify(name) => world.verify(name),
                Step::Rescan => {
                    prop_assert!(daily && before.scanned_on != Some(before.today));
                    world.facts.scanned_on = Some(before.today);
                }
                Step::Wait { until, why } => {
                    prop_assert!(*until > before.now);
                    if let Why::PutOff(name) = why {
                        let at = world.at(name);
                        prop_assert!(!spanning && !before.batches[at].put_off);
                        world.facts.batches[at].put_off = true;
                    }
                }
                Step::NeedsPerson(need) => {
                    prop_assert!(!need.what.is_empty() && !need.mend.is_empty());
                    let reason = |r: &Real| r.asked || r.conflict || r.unequal.1;
                    prop_assert!(world.real.iter().any(reason));
                    break;
                }
                Step::Finished => {
                    prop_assert!(before.batches.iter().all(|b| b.state == State::Verified));
                    break;
                }
            }
            // The same step on the same facts again would be a turn in place. A scan that finds nothing
            // changes no batch; it is held to once a day above.
            if matches!(step, Step::Copy(_) | Step::Verify(_)) {
                let turn = (step, before.batches, cuts);
                prop_assert!(last.as_ref() != Some(&turn), "a turn in place: {turn:?}");
                last = Some(turn);
            }
            world.turn += 1;
            world.facts.now = world.facts.now.plus_seconds(3_600);
            if world.turn.is_multiple_of(24) {
                world.facts.today = world.facts.today.succ_opt().unwrap();
            }
        }
    }
}

#[test]
fn the_first_is_read_back_after_the_second_is_copied_and_what_is_begun_goes_on_first() {
    let mut f = facts(3);
    let name = |n: usize| BatchName::numbered("2019", n as u32);
    assert_eq!(next(&f), Step::Copy(name(1)));
    f.batches[0].state = State::Copied;
    assert_eq!(next(&f), Step::Copy(name(2)));
    f.batches[2].state = State::Copying;
    assert_eq!(next(&f), Step::Copy(name(3)));
    (f.batches[1].state, f.batches[2].state) = (State::Copied, State::Waiting);
    assert_eq!(next(&f), Step::Verify(name(1)));
    f.batches[0].state = State::Verified;
    assert_eq!(next(&f), Step::Copy(name(3)));
    f.batches[2].state = State::Released;
    assert_eq!(next(&f), Step::Verify(name(2)));
    f.batches[1].state = State::Verified;
    assert_eq!(next(&f), Step::Finished);
}

#[test]
fn scans_are_due_once_a_local_day_in_the_hours_and_not_for_a_move_that_is_done() {
    let mut f = facts(1);
    f.rescan_daily = true;
    f.scanned_on = f.today.pred_opt();
    assert_eq!(next(&f), Step::Rescan);
    f.all_held = true;
    f.batches[0].held = true;
    assert!(matches!(
        next(&f),
        Step::Wait {
            why: Why::Held(_),
            ..
        }
    ));
    (f.all_held, f.batches[0].held) = (false, false);
    f.hours = Hours::Closed(Some(f.now.plus_seconds(60)));
    assert!(matches!(next(&f), Step::Wait { why: Why::Closed, .. }));
    f.hours = Hours::Closed(None);
    assert!(matches!(
        next(&f),
        Step::NeedsPerson(Need {
            code: "never-opens",
            ..
        })
    ));
    f.batches[0].state = State::Verified;
    assert_eq!(next(&f), Step::Finished);
}

#[test]
fn a_batch_that_may_not_span_waits_once_for_a_longer_window() {
    let mut f = facts(1);
    f.spanning = false;
    f.batches[0].needs = Some(9_000.0);
    let start = f.now.plus_seconds(86_400);
    let open = |left| Hours::Open {
        left: Some(left),
        next: Some((start, 10_000.0)),
    };
    f.hours = open(8_000.0);
    let name = f.batches[0].name.clone();
    assert_eq!(
        next(&f),
        Step::Wait {
            until: start,
            why: Why::PutOff(name.clone())
        }
    );
    f.hours = open(9_100.0);
    assert_eq!(next(&f), Step::Copy(name.clone()));
    f.hours = open(8_000.0);
    f.batches[0].put_off = true;
    assert_eq!(next(&f), Step::Copy(name));
}

#[test]
fn pauses_grow_from_a_second_to_a_quarter_of_an_hour() {
    let pauses: Vec<i64> = (0..13).map(pause).collect();
    assert_eq!(pauses, [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]);
    assert_eq!(pause(u32::MAX), 900);
}
