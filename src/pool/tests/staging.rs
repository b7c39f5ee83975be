//! Several pools, step by step.

use crate::names::BatchName;
use crate::pool::FillLimit;
use crate::pool::staging::{Change, PoolRoom, Room, Step, check_volume, ends, fill};
use crate::units::Bytes;
use proptest::prelude::*;

fn limit(percent: u64) -> FillLimit {
    FillLimit::new(percent).unwrap()
}

fn steps(text: &str) -> Vec<Step> {
    let step = |part: &str| {
        let words: Vec<&str> = part.split_whitespace().collect();
        Step {
            batch: BatchName::typed(words[0]),
            pool: words[1].to_string(),
            needed: Bytes(words[2].parse().unwrap()),
            elsewhere: Vec::new(),
            begun: false,
        }
    };
    text.split(',').map(step).collect()
}

#[test]
fn batches_that_fit_leave_the_pools_as_full_as_they_say() {
    let pools = [
        PoolRoom::now("new", Bytes(1_000), limit(80)),
        PoolRoom::now("cold", Bytes(500), limit(90)),
    ];
    let ends = fill(&pools, &steps("a.1 new 300, b.1 cold 450, a.2 new 500")).unwrap();
    assert_eq!((ends[0].used, ends[0].limit), (Bytes(800), Bytes(800)));
    assert_eq!((ends[1].used, ends[1].limit), (Bytes(450), Bytes(450)));
}

#[test]
fn a_batch_too_early_is_told_to_wait_for_the_disks() {
    let cold = PoolRoom {
        rooms: vec![Room {
            after: Some(BatchName::typed("a.2")),
            usable: Bytes(500),
        }],
        ..PoolRoom::now("cold", Bytes(0), limit(90))
    };
    let pools = [PoolRoom::now("new", Bytes(1_000), limit(80)), cold];
    let breach = fill(&pools, &steps("a.1 new 300, b.1 cold 400, a.2 new 500")).unwrap_err();
    assert_eq!(
        (breach.at, breach.batch.as_str(), breach.missing),
        (1, "b.1", Bytes(400))
    );
    assert_eq!(breach.change, Change::After(BatchName::typed("a.2")));
    assert!(fill(&pools, &steps("a.1 new 300, a.2 new 500, b.1 cold 400")).is_ok());
}

#[test]
fn the_smallest_batch_that_helps_is_sent_elsewhere() {
    let pools = [
        PoolRoom::now("new", Bytes(1_000), limit(80)),
        PoolRoom::now("cold", Bytes(250), limit(80)),
    ];
    let breach = fill(&pools, &steps("a new 50, b new 150, c new 400, d new 300")).unwrap_err();
    assert_eq!((breach.at, breach.missing), (3, Bytes(100)));
    assert_eq!(
        breach.change,
        Change::Elsewhere {
            batch: BatchName::typed("b"),
            pool: "cold".into()
        }
    );
    assert!(breach.trouble().mend.unwrap().contains("Send batch b to cold"));
}

#[test]
fn what_has_begun_stays_and_other_pools_have_other_prices() {
    let pools = [
        PoolRoom::now("new", Bytes(1_000), limit(80)),
        PoolRoom::now("cold", Bytes(250), limit(80)),
    ];
    let mut steps = steps("a new 50, b new 150, c new 400, d new 300");
    steps[1].begun = true;
    let breach = fill(&pools, &steps).unwrap_err();
    assert_eq!(breach.change, Change::RaiseLimit(90));
    // Where it is cheaper, a larger batch fits as well.
    steps[3].elsewhere = vec![("cold".into(), Bytes(200))];
    let breach = fill(&pools, &steps).unwrap_err();
    let to = Change::Elsewhere {
        batch: BatchName::typed("d"),
        pool: "cold".into(),
    };
    assert_eq!(breach.change, to);
    let over: Vec<Bytes> = ends(&pools, &steps).iter().map(|end| end.over).collect();
    assert_eq!(over, [Bytes(100), Bytes(0)]);
}

#[test]
fn a_limit_is_raised_before_disks_are_bought() {
    let pools = [PoolRoom::now("new", Bytes(1_000), limit(80))];
    assert_eq!(
        fill(&pools, &steps("a new 850")).unwrap_err().change,
        Change::RaiseLimit(85)
    );
    assert_eq!(
        fill(&pools, &steps("a new 960")).unwrap_err().change,
        Change::MoreSpace(Bytes(200))
    );
    assert_eq!(
        fill(&pools, &steps("a nowhere 1")).unwrap_err().change,
        Change::KnownPool
    );
}

#[test]
fn a_volume_of_the_source_has_its_limit() {
    const TB: u64 = 1_000_000_000_000;
    assert!(check_volume("oldbox", Bytes(108 * TB), Bytes(80 * TB), Bytes(28 * TB)).is_ok());
    let trouble = check_volume("oldbox", Bytes(108 * TB), Bytes(80 * TB), Bytes(40 * TB)).unwrap_err();
    assert!(trouble.text.contains("12.0 TB"), "{}", trouble.text);
    assert!(trouble.mend.unwrap().contains("2 volumes"));
    assert!(check_volume("oldbox", Bytes(0), Bytes(u64::MAX), Bytes(u64::MAX)).is_err());
}

proptest! {
    /// Applying the change that is named takes the plan past the batch that broke it.
    #[test]
    fn the_change_that_is_named_helps(
        sizes in prop::collection::vec((0u64..400, 0usize..2), 1..12), room in 100u64..1_500, later in 0u64..1_000, after in 0usize..12
    ) {
        let names = ["new", "cold"];
        let mut steps: Vec<Step> = sizes.iter().enumerate().map(|(n, (needed, pool))| Step {
            batch: BatchName::numbered("d", n as u32 + 1), pool: names[*pool].into(), needed: Bytes(*needed), elsewhere: Vec::new(), begun: false,
        }).collect();
        let mut pools = vec![PoolRoom::now("new", Bytes(room), limit(80)), PoolRoom::now("cold", Bytes(room / 2), limit(90))];
        pools[1].rooms.push(Room { after: Some(BatchName::numbered("d", after as u32 + 1)), usable: Bytes(later) });
        if let Err(breach) = fill(&pools, &steps) {
            let at = pools.iter().position(|p| p.name == breach.pool).unwrap();
            let mut until = breach.at;
            match &breach.change {
                Change::After(batch) => {
                    until = steps.iter().position(|s| s.batch == *batch).unwrap();
                    steps[breach.at..=until].rotate_left(1);
                }
                Change::Elsewhere { batch, pool } => {
                    let step = steps.iter_mut().find(|s| s.batch == *batch).unwrap();
                    step.pool.clone_from(pool);
                }
                Change::RaiseLimit(percent) => pools[at].fill_limit = limit(u64::from(*percent)),
                Change::MoreSpace(bytes) => pools[at].rooms.push(Room { after: None, usable: *bytes }),
                Change::KnownPool => prop_assert!(false),
            }
            match fill(&pools, &steps) {
                Ok(_) => {}
                Err(next) => prop_assert!(next.at > until, "{:?} then {:?}", breach, next),
            }
        } else {
            let total: u64 = sizes.iter().map(|s| s.0).sum();
            let ends = fill(&pools, &steps).unwrap();
            prop_assert_eq!(ends.iter().map(|e| e.used.0).sum::<u64>(), total);
            prop_assert!(ends.iter().all(|e| e.used <= e.limit));
        }
    }
}
