//! How file sizes are spread: a histogram by powers of two.
//!
//! Slice `k` holds files of 2^(k-1) to 2^k - 1 bytes, slice 0 the empty ones, so a slice's upper
//! end is exclusive at 2^k. Sixty-five slices cover every size of 64 bits.

use crate::units::{Amount, Bytes};

const SLICES: usize = 65;

/// Files and bytes by size. Only slices that hold anything take room: there is one of these for each
/// of very many projects.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SizeHistogram {
    /// By slice; never an [`Amount`] of nothing at all.
    slices: Vec<(u8, Amount)>,
}

/// One row of the histogram.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slice {
    /// Sizes below this; `None` in the last slice, whose end passes 64 bits.
    pub up_to: Option<Bytes>,
    /// What lies in it.
    pub amount: Amount,
}

impl SizeHistogram {
    /// Counts one file.
    pub fn push(&mut self, size: Bytes) {
        self.put(slice_of(size), Amount::one(size));
    }

    /// Adds to slice `k`, sizes of 2^(k-1) to 2^k - 1 bytes; what lies past the last slice is left
    /// out. For histograms kept elsewhere.
    pub fn put(&mut self, k: usize, amount: Amount) {
        if k >= SLICES || amount == Amount::default() {
            return;
        }
        let k = k as u8;
        let at = self.slices.partition_point(|(known, _)| *known < k);
        match self.slices.get_mut(at) {
            Some((known, slice)) if *known == k => slice.add(amount),
            _ => self.slices.insert(at, (k, amount)),
        }
    }

    /// Adds all of another histogram.
    pub fn merge(&mut self, other: &SizeHistogram) {
        for (k, theirs) in &other.slices {
            self.put(usize::from(*k), *theirs);
        }
    }

    /// Gives back the room that was kept for more.
    pub fn shrink(&mut self) {
        self.slices.shrink_to_fit();
    }

    /// Everything together.
    pub fn total(&self) -> Amount {
        self.slices.iter().map(|(_, amount)| *amount).sum()
    }

    /// Files below `limit` bytes; exact where the limit is a power of two.
    pub fn below(&self, limit: Bytes) -> Amount {
        let below = self
            .slices
            .iter()
            .filter(|(k, _)| usize::from(*k) < slice_of(limit));
        below.map(|(_, amount)| *amount).sum()
    }

    /// The slices that hold anything, smallest sizes first.
    pub fn slices(&self) -> impl Iterator<Item = Slice> + '_ {
        self.slices
            .iter()
            .filter(|(_, amount)| amount.files > 0)
            .map(|(k, amount)| Slice {
                up_to: (*k < 64).then(|| Bytes(1u64 << k)),
                amount: *amount,
            })
    }

    /// How far this spread is from another's shape: half the sum of the differences of the shares
    /// of bytes and of files, 0 (alike) to 1 (nothing in common).
    pub fn distance(&self, other: &SizeHistogram) -> f64 {
        let (mine, theirs) = (self.total(), other.total());
        let share = |part: u64, whole: u64| {
            if whole == 0 {
                0.0
            } else {
                part as f64 / whole as f64
            }
        };
        // Slices empty on both sides add nothing, so only the others are met, smallest first.
        let (mut a, mut b) = (self.slices.as_slice(), other.slices.as_slice());
        let mut gap = 0.0;
        while let Some(k) = a.first().into_iter().chain(b.first()).map(|(k, _)| *k).min() {
            let (a, b) = (next(&mut a, k), next(&mut b, k));
            gap += (share(a.files, mine.files) - share(b.files, theirs.files)).abs()
                + (share(a.bytes.0, mine.bytes.0) - share(b.bytes.0, theirs.bytes.0)).abs();
        }
        gap / 4.0
    }
}

/// Slice `k`, taken from the front where it is there.
fn next(slices: &mut &[(u8, Amount)], k: u8) -> Amount {
    match slices.split_first() {
        Some(((first, amount), rest)) if *first == k => {
            *slices = rest;
            *amount
        }
        _ => Amount::default(),
    }
}

fn slice_of(size: Bytes) -> usize {
    (64 - size.0.leading_zeros()) as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn slice_totals_equal_entry_totals_and_ends_are_exclusive(sizes in prop::collection::vec(any::<u32>(), 0..50)) {
            let mut histogram = SizeHistogram::default();
            for size in &sizes {
                histogram.push(Bytes(u64::from(*size)));
            }
            let sum: u64 = sizes.iter().map(|s| u64::from(*s)).sum();
            prop_assert_eq!(histogram.total(), Amount { files: sizes.len() as u64, bytes: Bytes(sum) });
            let mut low = 0u64;
            for slice in histogram.slices() {
                let high = slice.up_to.map_or(u64::MAX, |b| b.0);
                let expected = sizes.iter().filter(|s| (low..high).contains(&u64::from(**s))).count();
                prop_assert_eq!(slice.amount.files, expected as u64);
                low = high;
            }
        }
    }

    proptest! {
        /// The oracle goes through all 65 slices of both.
        #[test]
        fn slices_kept_apart_are_those_of_a_full_table(
            mine in prop::collection::vec((0usize..70, 0u64..3, any::<u64>()), 0..20),
            theirs in prop::collection::vec((0usize..70, 0u64..3, any::<u64>()), 0..20),
            limit in 0u32..64,
        ) {
            let mut made = [SizeHistogram::default(), SizeHistogram::default()];
            let mut tables = [[Amount::default(); SLICES]; 2];
            for (of, rows) in [mine, theirs].iter().enumerate() {
                for (k, files, bytes) in rows {
                    let amount = Amount { files: *files, bytes: Bytes(*bytes) };
                    made[of].put(*k, amount);
                    if let Some(slice) = tables[of].get_mut(*k) {
                        slice.add(amount);
                    }
                }
            }
            let total = |table: &[Amount]| table.iter().copied().sum::<Amount>();
            let share = |part: u64, whole: u64| if whole == 0 { 0.0 } else { part as f64 / whole as f64 };
            let (a, b) = (total(&tables[0]), total(&tables[1]));
            let mut gap = 0.0;
            for (x, y) in tables[0].iter().zip(&tables[1]) {
                gap += (share(x.files, a.files) - share(y.files, b.files)).abs()
                    + (share(x.bytes.0, a.bytes.0) - share(y.bytes.0, b.bytes.0)).abs();
            }
            prop_assert_eq!(made[0].distance(&made[1]).to_bits(), (gap / 4.0f64).to_bits());
            prop_assert_eq!(made[0].total(), a);
            prop_assert_eq!(made[0].below(Bytes(1 << limit)), total(&tables[0][..=limit as usize]));
            let [mut sum, other] = made;
            sum.merge(&other);
            let [mut all, more] = tables;
            for (x, y) in all.iter_mut().zip(&more) {
                x.add(*y);
            }
            let full: Vec<Amount> = all.into_iter().filter(|x| x.files > 0).collect();
            prop_assert_eq!(sum.slices().map(|s| s.amount).collect::<Vec<_>>(), full);
        }
    }

    #[test]
    fn a_spread_is_at_no_distance_from_itself() {
        let mut a = SizeHistogram::default();
        a.push(Bytes(10));
        a.push(Bytes(1 << 30));
        let mut b = SizeHistogram::default();
        b.push(Bytes(1 << 20));
        assert_eq!(a.distance(&a), 0.0);
        assert!((a.distance(&b) - 1.0).abs() < 1e-12);
        assert_eq!(a.below(Bytes(1 << 20)).files, 1);
    }
}
