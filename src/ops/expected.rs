//! What may lie in each folder of a batch, kept small: a batch of millions of files has as many names.

use crate::names::RelPath;
use std::collections::{BTreeMap, BTreeSet};

/// Names by folder, each followed by a NUL, which no name holds.
#[derive(Debug, Default)]
pub(super) struct Expected(BTreeMap<RelPath, Vec<u8>>);

impl Expected {
    /// Further names of a folder; several parts of a batch may name the same one.
    pub fn add(&mut self, folder: RelPath, mut names: BTreeSet<Vec<u8>>) {
        let kept = self.0.entry(folder).or_default();
        let last = kept
            .strip_suffix(&[0])
            .and_then(|all| all.rsplit(|b| *b == 0).next());
        if last.is_some_and(|last| names.first().is_some_and(|first| last < first.as_slice())) {
            // The next piece of a long folder.
            for name in names {
                kept.extend_from_slice(&name);
                kept.push(0);
            }
            return;
        }
        names.extend(parted(kept));
        let mut all = Vec::with_capacity(names.iter().map(|name| name.len() + 1).sum());
        for name in names {
            all.extend_from_slice(&name);
            all.push(0);
        }
        *kept = all;
    }

    /// Each folder with what may lie there: beside its own names, the way down to deeper folders and
    /// to `others`, the places of other sources.
    pub fn each(&self, others: &[RelPath]) -> impl Iterator<Item = (&RelPath, BTreeSet<Vec<u8>>)> {
        let mut ways: BTreeMap<RelPath, BTreeSet<Vec<u8>>> = BTreeMap::new();
        for mut place in self.0.keys().chain(others).cloned() {
            while let Some((above, name)) = place.split() {
                let is_new = !self.0.contains_key(&above)
                    || ways.entry(above.clone()).or_default().insert(name.to_vec());
                if !is_new {
                    // Its own way up was gone before.
                    break;
                }
                place = above;
            }
        }
        self.0.iter().map(move |(folder, names)| {
            let mut all: BTreeSet<Vec<u8>> = parted(names).collect();
            all.extend(ways.remove(folder).unwrap_or_default());
            (folder, all)
        })
    }
}

fn parted(names: &[u8]) -> impl Iterator<Item = Vec<u8>> {
    let parts = names.split(|byte| *byte == 0).filter(|name| !name.is_empty());
    parts.map(<[u8]>::to_vec)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn path(text: &str) -> RelPath {
        RelPath::new(text).unwrap()
    }

    type Names = BTreeMap<RelPath, BTreeSet<Vec<u8>>>;

    /// The same in full, without a thought of space: every folder's names, and of every known place
    /// every step of the way.
    fn plainly(parts: &[(RelPath, BTreeSet<Vec<u8>>)], others: &[RelPath]) -> Names {
        let mut all = Names::new();
        for (folder, names) in parts {
            all.entry(folder.clone()).or_default().extend(names.clone());
        }
        for place in parts.iter().map(|(folder, _)| folder).chain(others) {
            for depth in 0..place.depth() {
                let (above, step) = (place.prefix(depth).unwrap(), place.prefix(depth + 1).unwrap());
                if let Some(names) = all.get_mut(&above) {
                    names.insert(step.split().unwrap().1.to_vec());
                }
            }
        }
        all
    }

    proptest! {
        #[test]
        fn names_and_ways_are_those_of_the_plain_form(
            parts in prop::collection::vec(
                ("([ab]/){0,3}[ab]", prop::collection::btree_set("[a-c\u{e9}]{1,3}", 0..4)), 0..8),
            others in prop::collection::vec("([abc]/){0,3}[abc]", 0..3),
        ) {
            let names = |all: BTreeSet<String>| all.into_iter().map(String::into_bytes).collect();
            let parts: Vec<(RelPath, BTreeSet<Vec<u8>>)> =
                parts.into_iter().map(|(folder, all)| (path(&folder), names(all))).collect();
            let others: Vec<RelPath> = others.iter().map(|one| path(one)).collect();
            let mut expected = Expected::default();
            for (folder, all) in parts.clone() {
                expected.add(folder, all);
            }
            let found: Names = expected.each(&others).map(|(folder, all)| (folder.clone(), all)).collect();
            prop_assert_eq!(found, plainly(&parts, &others));
        }
    }
}
