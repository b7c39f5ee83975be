//! Cutting a row of units into contiguous batches.
//!
//! The best cut has the least total shortfall below the minimum, among those the fewest batches,
//! among those the most even ones (least sum of squares, which for a fixed number of batches is
//! the least total squared deviation from their mean). No batch passes the maximum unless it is
//! one unit. Costs are integers and are compared in that order, so there is no rounding; sums of
//! them keep the order, so the best cut of a row ends in one batch after the best cut of the rest.
//! The work is units times the units that fit into one batch.

use crate::units::Bytes;
use std::ops::Range;

/// What one cut costs; less is better.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Cost {
    shortfall: u128,
    batches: u64,
    squares: u128,
}

impl Cost {
    /// Of one batch of this many bytes.
    pub(super) fn of(bytes: u128, min: Bytes) -> Cost {
        Cost {
            shortfall: u128::from(min.0).saturating_sub(bytes),
            batches: 1,
            squares: bytes.saturating_mul(bytes),
        }
    }

    /// Of both together.
    pub(super) fn plus(self, other: Cost) -> Cost {
        Cost {
            shortfall: self.shortfall.saturating_add(other.shortfall),
            batches: self.batches.saturating_add(other.batches),
            squares: self.squares.saturating_add(other.squares),
        }
    }
}

/// The best cut of units of these sizes. Of equal ones that whose last batches are longest.
pub(super) fn cut(sizes: &[Bytes], min: Bytes, max: Bytes) -> Vec<Range<usize>> {
    // best[i]: cost of the first i units and where the last batch of that cut begins.
    let mut best: Vec<(Cost, usize)> = Vec::with_capacity(sizes.len() + 1);
    best.push((Cost::default(), 0));
    for end in 1..=sizes.len() {
        let mut found: Option<(Cost, usize)> = None;
        let mut sum = 0u128;
        for start in (0..end).rev() {
            sum += u128::from(sizes[start].0);
            if sum > u128::from(max.0) && start + 1 < end {
                break;
            }
            let cost = best[start].0.plus(Cost::of(sum, min));
            if found.is_none_or(|(known, _)| cost <= known) {
                found = Some((cost, start));
            }
        }
        best.push(found.unwrap_or_default());
    }
    let mut ranges = Vec::new();
    let mut end = sizes.len();
    while end > 0 {
        let start = best[end].1;
        ranges.push(start..end);
        end = start;
    }
    ranges.reverse();
    ranges
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn cost(sizes: &[Bytes], ranges: &[Range<usize>], min: Bytes) -> Cost {
        let sums = ranges
            .iter()
            .map(|r| sizes[r.clone()].iter().map(|b| u128::from(b.0)).sum());
        sums.fold(Cost::default(), |all, sum| all.plus(Cost::of(sum, min)))
    }

    /// All 2^(n-1) cuts, tried one after another.
    fn brute(sizes: &[Bytes], min: Bytes, max: Bytes) -> Cost {
        let n = sizes.len();
        let mut least: Option<Cost> = None;
        for mask in 0u32..1 << (n - 1) {
            let mut ranges = Vec::new();
            let mut start = 0;
            for end in 1..=n {
                if end == n || mask & (1 << (end - 1)) != 0 {
                    ranges.push(start..end);
                    start = end;
                }
            }
            let legal = ranges
                .iter()
                .all(|r| r.len() == 1 || sizes[r.clone()].iter().copied().sum::<Bytes>() <= max);
            if legal {
                let this = cost(sizes, &ranges, min);
                least = Some(least.map_or(this, |l| l.min(this)));
            }
        }
        least.unwrap()
    }

    proptest! {
        #[test]
        fn no_other_cut_is_better(sizes in prop::collection::vec(0u64..60, 1..11), min in 0u64..40, room in 0u64..60) {
            let sizes: Vec<Bytes> = sizes.into_iter().map(Bytes).collect();
            let (min, max) = (Bytes(min), Bytes(min + room));
            let ranges = cut(&sizes, min, max);
            prop_assert_eq!(ranges.iter().cloned().flatten().collect::<Vec<_>>(), (0..sizes.len()).collect::<Vec<_>>());
            prop_assert_eq!(cost(&sizes, &ranges, min), brute(&sizes, min, max));
        }

        #[test]
        fn sizes_at_the_end_of_the_range_do_not_overflow(n in 0usize..6, max in any::<u64>()) {
            let sizes = vec![Bytes(u64::MAX); n];
            prop_assert_eq!(cut(&sizes, Bytes(max), Bytes(max)).len(), n);
        }
    }

    #[test]
    fn six_thousand_projects_are_cut_at_once() {
        let sizes: Vec<Bytes> = (0..6_000u64).map(|i| Bytes(i * 7_919 % 1_000)).collect();
        let ranges = cut(&sizes, Bytes(100_000), Bytes(400_000));
        assert_eq!(ranges.len(), 8, "3.0 MB in the fewest batches of 0.4 MB");
    }
}
