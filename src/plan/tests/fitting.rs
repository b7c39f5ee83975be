//! Plans against pools: staged disks, what breaks, and that no verdict lets a limit pass.

use super::*;
use crate::plan::After;
use crate::plan::fit::{Offer, fit};
use crate::pool::FillLimit;
use crate::pool::staging::Change;
use proptest::prelude::*;

fn offer(name: &str, at_once: u64) -> Offer {
    Offer {
        name: name.into(),
        fill_limit: FillLimit::new(80).unwrap(),
        reserve: Bytes::ZERO,
        used: Bytes::ZERO,
        at_once: Bytes(at_once * MB),
        later: None,
    }
}

/// A second destination, cold, that takes what begins with c.
fn two_pools(late: bool) -> PlanRules {
    let mut rules = rules();
    rules.destinations.push(DestinationRule {
        name: "cold".into(),
        parent: None,
        late,
    });
    let mut away = tag("^c");
    away.pool = Some("cold".into());
    rules.tags = vec![away];
    rules
}

/// What each batch takes everywhere: its bytes.
fn needs(plan: &Plan, offers: usize) -> Vec<Vec<Bytes>> {
    let row = |batch: &Batch| vec![batch.amount.bytes; offers];
    plan.batches.iter().map(row).collect()
}

#[test]
fn a_pool_that_waits_comes_after_all_that_frees_its_disks() {
    let projects = [mb("a", 2020, 80), mb("b", 2021, 80), mb("c", 2001, 80)];
    let lines = |late| {
        let (plan, _) = plan_of(&projects, &two_pools(late));
        super::lines(&plan)
    };
    assert_eq!(lines(false), ["2001-cold.1: c", "2020.1: a", "2021.1: b"]);
    assert_eq!(lines(true), ["2020.1: a", "2021.1: b", "2001-cold.1: c"]);

    let (plan, _) = plan_of(&projects, &two_pools(true));
    let mut cold = offer("cold", 0);
    cold.later = Some((After::Batch(plan.batches[1].name.clone()), Bytes(100 * MB)));
    let offers = [offer("pool", 1_000), cold.clone()];
    let verdict = fit(&plan, 0, &offers, &needs(&plan, 2));
    assert!(verdict.fits() && verdict.remarks.is_empty(), "{verdict:?}");
    assert_eq!(
        (verdict.pools[1].usable, verdict.pools[1].limit),
        (Bytes(100 * MB), Bytes(80 * MB))
    );

    // Planned as if it were there already, the first batch is told to wait.
    let (plan, _) = plan_of(&projects, &two_pools(false));
    let breach = fit(&plan, 0, &[offer("pool", 1_000), cold], &needs(&plan, 2))
        .breach
        .unwrap();
    assert_eq!(breach.batch.as_str(), "2001-cold.1");
    assert_eq!(breach.change, Change::After(plan.batches[2].name.clone()));
}

#[test]
fn disks_of_a_source_that_fills_the_pool_itself_never_become_free() {
    let (plan, _) = plan_of(&[mb("a", 2020, 80), mb("c", 2001, 80)], &two_pools(true));
    let with = |after| {
        let mut cold = offer("cold", 0);
        cold.later = Some((after, Bytes(500 * MB)));
        fit(&plan, 0, &[offer("pool", 150), cold], &needs(&plan, 2))
    };
    let circle = with(After::Source(SourceName("nas".into())));
    assert_eq!(circle.remarks[0].code, "wait-circular");
    assert!(!circle.fits() && circle.pools[0].fits && !circle.pools[1].fits);
    // A pool that is there and grows may be filled from that source, as far as it goes.
    let grows = |at_once| {
        let mut cold = offer("cold", at_once);
        cold.later = Some((After::Source(SourceName("nas".into())), Bytes(500 * MB)));
        fit(&plan, 0, &[offer("pool", 1_000), cold], &needs(&plan, 2))
    };
    let enough = grows(100);
    assert!(enough.fits() && enough.remarks.is_empty() && enough.pools[1].usable == Bytes(600 * MB));
    let scarce = grows(90);
    assert_eq!(scarce.remarks[0].code, "wait-circular");
    let to_pool = |change: &Change| matches!(change, Change::Elsewhere { pool, .. } if pool == "pool");
    assert!(!scarce.fits() && to_pool(&scarce.breach.unwrap().change));
    let strange = with(After::Batch(crate::names::BatchName::typed("2099.1")));
    assert_eq!(strange.remarks[0].code, "wait-unknown");
    assert!(
        strange.remarks[0].text.contains("near: 20"),
        "{}",
        strange.remarks[0].text
    );
}

proptest! {
    /// Oracle: the pools filled by hand, step after step, in another shape: for every prefix of the
    /// plan the sum of what went to a pool against what the prefix before has freed.
    #[test]
    fn what_fits_never_passes_a_limit_on_the_way(
        sizes in prop::collection::vec((1u64..90, any::<bool>()), 1..14),
        room in 1u64..900, later in 0u64..900, after in 0usize..14, used in 0u64..100, percent in 1u64..=100,
    ) {
        let named = sizes.iter().enumerate().map(|(n, (size, cold))| {
            mb(&format!("{}{n}", if *cold { 'c' } else { 'a' }), 2_000 + n as u16, *size)
        });
        let projects: Vec<_> = named.collect();
        let (plan, _) = plan_of(&projects, &two_pools(false));
        let freeing = plan.batches[after % plan.batches.len()].name.clone();
        let mut cold = offer("cold", room / 2);
        cold.fill_limit = FillLimit::new(percent).unwrap();
        cold.used = Bytes(used * MB);
        cold.later = Some((After::Batch(freeing.clone()), Bytes(later * MB)));
        let offers = [offer("pool", room), cold];
        let verdict = fit(&plan, 0, &offers, &needs(&plan, 2));
        let mut holds = true;
        for end in 1..=plan.batches.len() {
            for offer in &offers {
                let goes = |b: &&Batch| plan.datasets.iter().any(|d| d.name == b.dataset && d.destination == offer.name);
                let done = &plan.batches[..end];
                if !goes(&&done[end - 1]) {
                    continue;
                }
                let inside: u64 = offer.used.0 + done.iter().filter(goes).map(|b| b.amount.bytes.0).sum::<u64>();
                let freed = done[..end - 1].iter().any(|b| b.name == freeing) && offer.later.is_some();
                let usable = offer.at_once.0 + if freed { later * MB } else { 0 };
                holds &= inside <= usable * u64::from(offer.fill_limit.percent()) / 100;
            }
        }
        prop_assert_eq!(verdict.fits(), holds);
        prop_assert_eq!(verdict.breach.is_none(), holds);
        let all: Bytes = projects.iter().map(|p| p.amount.bytes).sum();
        prop_assert_eq!(verdict.pools.iter().map(|p| p.needed).sum::<Bytes>(), all);
    }
}
