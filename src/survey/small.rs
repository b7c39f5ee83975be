//! Small maps and packed samples: what is kept of each of very many projects.

use std::borrow::Borrow;

/// An ordered map for a handful of entries: one sorted list. A tree's smallest node has room for
/// eleven; most projects have one day and no year.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SmallMap<K, V>(Vec<(K, V)>);

impl<K, V> Default for SmallMap<K, V> {
    fn default() -> Self {
        SmallMap(Vec::new())
    }
}

impl<K: Ord + Copy, V: Default> SmallMap<K, V> {
    /// The value of a key, an empty one put in where there is none.
    pub fn at(&mut self, key: K) -> &mut V {
        let found = match self.0.last() {
            // Neighbours in a folder are mostly of one day.
            Some((last, _)) if *last == key => Ok(self.0.len() - 1),
            Some((last, _)) if *last < key => Err(self.0.len()),
            _ => self.0.binary_search_by_key(&key, |(known, _)| *known),
        };
        let at = found.unwrap_or_else(|at| {
            self.0.insert(at, (key, V::default()));
            at
        });
        &mut self.0[at].1
    }

    /// The value of a key.
    pub fn get(&self, key: impl Borrow<K>) -> Option<&V> {
        let at = self.0.binary_search_by_key(key.borrow(), |(known, _)| *known);
        self.0.get(at.ok()?).map(|(_, value)| value)
    }

    /// All, by key.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = (&K, &V)> {
        self.0.iter().map(|(key, value)| (key, value))
    }

    /// The keys, in order.
    pub fn keys(&self) -> impl DoubleEndedIterator<Item = &K> {
        self.0.iter().map(|(key, _)| key)
    }

    /// The values, by key.
    pub fn values(&self) -> impl DoubleEndedIterator<Item = &V> {
        self.0.iter().map(|(_, value)| value)
    }

    /// Whether nothing is in it.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Gives back the room that was kept for more.
    pub fn shrink(&mut self) {
        self.0.shrink_to_fit();
    }
}

/// Appends a number, seven bits a byte, the lowest first; the top bit says that more follow
/// (LEB128: DWARF 5, section 7.6).
pub fn put(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push(number as u8 | 0x80);
        number >>= 7;
    }
    out.push(number as u8);
}

/// Takes a number from the front.
pub fn take(from: &mut &[u8]) -> Option<u64> {
    let mut number = 0;
    for shift in (0..64).step_by(7) {
        let (first, rest) = from.split_first()?;
        *from = rest;
        number |= u64::from(first & 0x7f) << shift;
        if first & 0x80 == 0 {
            return Some(number);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeMap;

    proptest! {
        #[test]
        fn a_small_map_is_a_map(pushes in prop::collection::vec((0i32..40, 1u64..9), 0..80), asked in 0i32..40) {
            let (mut small, mut tree) = (SmallMap::<i32, u64>::default(), BTreeMap::<i32, u64>::new());
            for (key, more) in pushes {
                *small.at(key) += more;
                *tree.entry(key).or_default() += more;
            }
            small.shrink();
            prop_assert!(small.iter().eq(tree.iter()));
            prop_assert!(small.keys().rev().eq(tree.keys().rev()));
            prop_assert!(small.values().eq(tree.values()));
            prop_assert_eq!(small.get(asked), tree.get(&asked));
            prop_assert_eq!(small.is_empty(), tree.is_empty());
        }

        #[test]
        fn numbers_come_back(numbers in prop::collection::vec(any::<u64>().prop_flat_map(|n| (0..64u32).prop_map(move |by| n >> by)), 0..20)) {
            let mut bytes = Vec::new();
            numbers.iter().for_each(|n| put(&mut bytes, *n));
            let mut rest = bytes.as_slice();
            for number in numbers {
                prop_assert_eq!(take(&mut rest), Some(number));
            }
            prop_assert_eq!((rest.len(), take(&mut rest)), (0, None));
        }
    }
}
