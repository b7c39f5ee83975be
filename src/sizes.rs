//! How file sizes are spread: a histogram by powers of two.
//!
//! Slice `k` holds files of 2^(k-1) to 2^k - 1 bytes, slice 0 the empty ones, so a slice's upper
//! end is exclusive at 2^k. Sixty-five slices cover every size of 64 bits.

use crate::units::{Amount, Bytes};

const SLICES: usize = 65;

/// Files and bytes by size.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SizeHistogram {
    slices: [Amount; SLICES],
}

/// One row of the histogram.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slice {
    /// Sizes below this; `None` in the last slice, whose end passes 64 bits.
    pub up_to: Option<Bytes>,
    /// What lies in it.
    pub amount: Amount,
}

impl Default for SizeHistogram {
    fn default() -> Self {
        SizeHistogram {
            slices: [Amount::default(); SLICES],
        }
    }
}

impl SizeHistogram {
    /// Counts one file.
    pub fn push(&mut self, size: Bytes) {
        self.slices[slice_of(size)].add(Amount::one(size));
    }

    /// Adds to slice `k`, sizes of 2^(k-1) to 2^k - 1 bytes; what lies past the last slice is left
    /// out. For histograms kept elsewhere.
    pub fn put(&mut self, k: usize, amount: Amount) {
        if let Some(slice) = self.slices.get_mut(k) {
            slice.add(amount);
        }
    }

    /// Adds all of another histogram.
    pub fn merge(&mut self, other: &SizeHistogram) {
        for (mine, theirs) in self.slices.iter_mut().zip(&other.slices) {
            mine.add(*theirs);
        }
    }

    /// Everything together.
    pub fn total(&self) -> Amount {
        self.slices.iter().copied().sum()
    }

    /// Files below `limit` bytes; exact where the limit is a power of two.
    pub fn below(&self, limit: Bytes) -> Amount {
        self.slices[..slice_of(limit)].iter().copied().sum()
    }

    /// The slices that hold anything, smallest sizes first.
    pub fn slices(&self) -> impl Iterator<Item = Slice> + '_ {
        self.slices
            .iter()
            .enumerate()
            .filter(|(_, amount)| amount.files > 0)
            .map(|(k, amount)| Slice {
                up_to: (k < 64).then(|| Bytes(1u64 << k)),
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
        let gap: f64 = self
            .slices
            .iter()
            .zip(&other.slices)
            .map(|(a, b)| {
                (share(a.files, mine.files) - share(b.files, theirs.files)).abs()
                    + (share(a.bytes.0, mine.bytes.0) - share(b.bytes.0, theirs.bytes.0)).abs()
            })
            .sum();
        gap / 4.0
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
