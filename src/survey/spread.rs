//! A bounded choice of things spread evenly over all that come by, the same each time.

/// Keeps at most `most` of what is offered: every one at first, then every second, every fourth.
#[derive(Debug, Clone)]
pub struct Spread<T> {
    kept: Vec<T>,
    most: usize,
    stride: u64,
    seen: u64,
}

impl<T> Spread<T> {
    /// Of at most `most`, at least 2.
    pub fn new(most: usize) -> Spread<T> {
        Spread {
            kept: Vec::new(),
            most: most.max(2),
            stride: 1,
            seen: 0,
        }
    }

    /// Offers one; `make` is called only where it is taken.
    pub fn offer(&mut self, make: impl FnOnce() -> T) {
        if self.seen.is_multiple_of(self.stride) {
            if self.kept.len() >= self.most {
                let mut keep = false;
                self.kept.retain(|_| {
                    keep = !keep;
                    keep
                });
                self.stride *= 2;
            }
            if self.seen.is_multiple_of(self.stride) {
                self.kept.push(make());
            }
        }
        self.seen += 1;
    }

    /// What was kept, so ordered that any first part of it is spread over all too (the order of
    /// van der Corput's sequence: places by their reversed binary digits).
    pub fn taken(self) -> Vec<T> {
        let mut places: Vec<(u64, T)> = self
            .kept
            .into_iter()
            .enumerate()
            .map(|(at, one)| ((at as u64).reverse_bits(), one))
            .collect();
        places.sort_by_key(|(place, _)| *place);
        places.into_iter().map(|(_, one)| one).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The oracle knows all that came by: what is kept stands at even distances of it, at least
        /// half of what may be kept, and the first of all is among it.
        #[test]
        fn what_is_kept_is_spread_evenly(count in 0u64..5_000, most in 2usize..70) {
            let mut spread = Spread::new(most);
            (0..count).for_each(|n| spread.offer(|| n));
            let mut kept = spread.taken();
            prop_assert_eq!(kept.first().copied(), (count > 0).then_some(0));
            kept.sort_unstable();
            prop_assert!(kept.len() <= most);
            prop_assert!(kept.len() as u64 >= count.min(most as u64 / 2));
            let steps: Vec<u64> = kept.windows(2).map(|w| w[1] - w[0]).collect();
            prop_assert!(steps.windows(2).all(|w| w[0] == w[1]), "{:?}", steps);
            prop_assert!(kept.last().is_none_or(|last| last + steps.first().unwrap_or(&count) >= count));
        }
    }

    #[test]
    fn a_first_part_is_spread_too() {
        let mut spread = Spread::new(16);
        (0..16).for_each(|n| spread.offer(|| n));
        assert_eq!(spread.taken()[..4], [0, 8, 4, 12]);
    }
}
