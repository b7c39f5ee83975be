//! How activities share what they use: max-min fair rates by progressive filling.
//!
//! All rates rise together until something they use is full; those held by it stop there, the
//! others rise on (Bertsekas and Gallager, Data Networks, 2nd edition, section 6.5.2, max-min flow
//! control; the section number is from memory). Here what is shared is time: a stage that works
//! one second a second is full.

/// What one activity needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Demand {
    /// Which resources it uses, and how much of each for one unit of its rate. Infinite: it cannot
    /// move at all.
    pub uses: Vec<(usize, f64)>,
    /// How fast its rate rises beside the others' while filling; above 0.
    pub weight: f64,
}

/// What one activity gets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grant {
    /// Its rate, finite and not negative.
    pub rate: f64,
    /// The resource that holds it; `None` where nothing does, and then the rate is
    /// [`UNBOUND`].
    pub held_by: Option<usize>,
}

/// The rate of an activity that nothing holds.
pub const UNBOUND: f64 = f64::MAX;

/// Resources whose slack is below this share of their capacity are full; floats do not hit 0.
const FULL: f64 = 1e-12;

/// Max-min fair rates. Resources beyond the end of `capacity` hold nothing back.
pub fn max_min(capacity: &[f64], demands: &[Demand]) -> Vec<Grant> {
    let mut grants: Vec<Option<Grant>> = demands.iter().map(|d| stuck(capacity, d)).collect();
    let mut level = 0.0f64;
    // Each round settles one activity or more.
    for _ in 0..demands.len() {
        let Some((step, full)) = next_full(capacity, demands, &grants, level) else {
            break;
        };
        level = level.max(step);
        for (demand, grant) in demands.iter().zip(&mut grants) {
            if grant.is_none() && need(demand, full) > 0.0 {
                *grant = Some(Grant {
                    rate: demand.weight * level,
                    held_by: Some(full),
                });
            }
        }
    }
    let free = Grant {
        rate: UNBOUND,
        held_by: None,
    };
    grants.into_iter().map(|g| g.unwrap_or(free)).collect()
}

/// An activity that can never move: it needs all of something, or something that is not there.
fn stuck(capacity: &[f64], demand: &Demand) -> Option<Grant> {
    let dead = |&&(resource, need): &&(usize, f64)| {
        let there = capacity.get(resource).copied().unwrap_or(f64::INFINITY);
        need.is_infinite() || (need > 0.0 && there <= 0.0)
    };
    let (resource, _) = demand.uses.iter().find(dead)?;
    Some(Grant {
        rate: 0.0,
        held_by: Some(*resource),
    })
}

/// How much of a resource one unit of an activity's rate needs.
fn need(demand: &Demand, resource: usize) -> f64 {
    let mine = demand.uses.iter().filter(|(r, _)| *r == resource);
    mine.map(|(_, need)| need).sum()
}

/// The common level at which the next resource is full, and which.
fn next_full(
    capacity: &[f64],
    demands: &[Demand],
    grants: &[Option<Grant>],
    level: f64,
) -> Option<(f64, usize)> {
    let mut first: Option<(f64, usize)> = None;
    for (resource, room) in capacity.iter().enumerate() {
        if room.is_infinite() {
            continue;
        }
        let (mut taken, mut rising) = (0.0, 0.0);
        for (demand, grant) in demands.iter().zip(grants) {
            let need = need(demand, resource);
            match grant {
                _ if need <= 0.0 => {}
                Some(grant) if grant.rate > 0.0 => taken += need * grant.rate,
                Some(_) => {}
                None => rising += need * demand.weight,
            }
        }
        if rising <= 0.0 {
            continue;
        }
        let slack = room - taken;
        let at = if slack <= room * FULL {
            level
        } else {
            slack / rising
        };
        if first.is_none_or(|(best, _)| at < best) {
            first = Some((at, resource));
        }
    }
    first
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn flow(links: &[usize]) -> Demand {
        Demand {
            uses: links.iter().map(|l| (*l, 1.0)).collect(),
            weight: 1.0,
        }
    }

    fn rates(capacity: &[f64], demands: &[Demand]) -> Vec<f64> {
        max_min(capacity, demands).iter().map(|g| g.rate).collect()
    }

    /// Bertsekas and Gallager, Data Networks, the worked example of max-min flow control (from
    /// memory): all links have capacity 1; flows 2, 3 and 5 share one link, flow 1 shares
    /// another with flow 3, flow 4 a third with flow 1's next link alone. Their answer:
    /// 2, 3 and 5 get 1/3, flow 1 gets 2/3, flow 4 gets 1.
    #[test]
    fn the_textbook_example_gets_the_textbook_rates() {
        let (shared, second, third) = (0, 1, 2);
        let flows = [
            flow(&[second]),
            flow(&[shared]),
            flow(&[shared, second]),
            flow(&[third]),
            flow(&[shared]),
        ];
        let expected = [2.0 / 3.0, 1.0 / 3.0, 1.0 / 3.0, 1.0, 1.0 / 3.0];
        for (got, expected) in rates(&[1.0, 1.0, 1.0], &flows).iter().zip(expected) {
            assert!((got - expected).abs() < 1e-12, "{got} {expected}");
        }
    }

    /// The common parking-lot example: one long flow over all links, one short on each.
    #[test]
    fn a_long_flow_gets_as_much_as_the_short_one_on_its_tightest_link() {
        let got = rates(&[1.0, 4.0], &[flow(&[0, 1]), flow(&[0]), flow(&[1])]);
        assert_eq!(got, [0.5, 0.5, 3.5]);
    }

    #[test]
    fn nothing_moves_through_what_is_not_there_and_the_others_go_on() {
        let dead = Demand {
            uses: vec![(1, f64::INFINITY)],
            weight: 1.0,
        };
        let grants = max_min(&[1.0, 0.0], &[flow(&[0]), flow(&[0, 1]), dead]);
        assert_eq!(
            grants[0],
            Grant {
                rate: 1.0,
                held_by: Some(0)
            }
        );
        assert_eq!(
            grants[1],
            Grant {
                rate: 0.0,
                held_by: Some(1)
            }
        );
        assert_eq!(
            grants[2],
            Grant {
                rate: 0.0,
                held_by: Some(1)
            }
        );
        assert_eq!(max_min(&[1.0], &[flow(&[])])[0].rate, UNBOUND);
        assert!(max_min(&[], &[]).is_empty());
    }

    /// The oracle: no search over allocations, but thousands of tiny raises. Every flow that can
    /// still rise by one grain does, until none can.
    fn by_tiny_raises(capacity: &[f64], demands: &[Demand], grain: f64) -> Vec<f64> {
        let mut rates = vec![0.0; demands.len()];
        let mut risen = true;
        while risen {
            risen = false;
            for i in 0..demands.len() {
                rates[i] += grain * demands[i].weight;
                let over = capacity.iter().enumerate().any(|(r, room)| {
                    let used: f64 = demands.iter().zip(&rates).map(|(d, x)| need(d, r) * x).sum();
                    used > *room && need(&demands[i], r) > 0.0
                });
                if over {
                    rates[i] -= grain * demands[i].weight;
                } else {
                    risen = true;
                }
            }
        }
        rates
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]
        #[test]
        fn progressive_filling_agrees_with_tiny_raises(
            capacity in prop::collection::vec(0.5f64..3.0, 1..4),
            flows in prop::collection::vec((prop::collection::vec((0usize..3, 0.5f64..2.0), 1..3), 0.5f64..2.0), 1..5),
        ) {
            let demands: Vec<Demand> = flows
                .into_iter()
                .map(|(uses, weight)| {
                    let uses = uses.into_iter().map(|(r, n)| (r % capacity.len(), n)).collect();
                    Demand { uses, weight }
                })
                .collect();
            let exact = rates(&capacity, &demands);
            for (a, b) in exact.iter().zip(by_tiny_raises(&capacity, &demands, 1e-3)) {
                prop_assert!((a - b).abs() < 0.06, "{} {}", a, b);
            }
            // The definition itself: each has a full resource on which no other gets more.
            for (demand, grant) in demands.iter().zip(max_min(&capacity, &demands)) {
                let held = grant.held_by.unwrap();
                let used: f64 = demands.iter().zip(&exact).map(|(d, x)| need(d, held) * x).sum();
                prop_assert!((used - capacity[held]).abs() < 1e-9);
                let mine = grant.rate / demand.weight;
                for (other, rate) in demands.iter().zip(&exact) {
                    prop_assert!(need(other, held) == 0.0 || rate / other.weight <= mine + 1e-9);
                }
            }
        }
    }
}
