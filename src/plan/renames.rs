//! The user's renames below the folders of projects: names that change on the way.

use super::Rename;
use crate::names::RelPath;
use crate::survey::ProjectKey;
use std::collections::BTreeMap;

/// Renames by the path at the source. Below a project only the last name changes, so that each
/// folder still lands in one folder.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Renames(BTreeMap<RelPath, Vec<u8>>);

impl Renames {
    /// Those of the user's that keep to one folder; others are for whole projects.
    pub fn new(all: &[Rename]) -> Renames {
        let inside = |rename: &Rename| {
            let ((from, _), (to, name)) = (rename.from.split()?, rename.to.split()?);
            (from == to).then(|| (rename.from.clone(), name.to_vec()))
        };
        // The first one holds, as for projects.
        let mut found = BTreeMap::new();
        for (from, name) in all.iter().filter_map(inside) {
            found.entry(from).or_insert(name);
        }
        Renames(found)
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The new name of the entry at a source path, if it gets one.
    pub fn of(&self, path: &RelPath) -> Option<&[u8]> {
        self.0.get(path).map(Vec::as_slice)
    }

    /// Where a folder of a project lies below the project's place.
    pub fn place(&self, key: &ProjectKey, folder: &RelPath) -> RelPath {
        let inside = key.inside(folder).unwrap_or_default();
        match key {
            ProjectKey::Folder(path) => self.inside(path, &inside),
            ProjectKey::Loose(_) => self.inside(&RelPath::root(), &inside),
        }
    }

    /// The path at the source of what lies at `place` below the project's place: the inverse of
    /// [`Renames::place`].
    pub fn at_source(&self, key: &ProjectKey, place: &RelPath) -> RelPath {
        let from = match key {
            ProjectKey::Folder(path) => path.clone(),
            ProjectKey::Loose(_) => RelPath::root(),
        };
        let name_of = |above: &RelPath, placed: &[u8]| {
            let is_it = |(from, name): &(&RelPath, &Vec<u8>)| {
                name.as_slice() == placed && from.split().is_some_and(|(folder, _)| folder == *above)
            };
            let renamed = self.0.iter().find(is_it);
            renamed.and_then(|(from, _)| Some(from.split()?.1.to_vec()))
        };
        place.components().fold(from, |above, placed| {
            let name = name_of(&above, placed).unwrap_or_else(|| placed.to_vec());
            above.join(&name).unwrap_or(above)
        })
    }

    /// Where `inside`, a path below `root` at the source, lies below what stands for `root` at the
    /// destination.
    pub fn inside(&self, root: &RelPath, inside: &RelPath) -> RelPath {
        if self.is_empty() {
            return inside.clone();
        }
        let (mut from, mut to) = (root.clone(), RelPath::root());
        for part in inside.components() {
            let Ok(next) = from.join(part) else {
                return inside.clone();
            };
            let name = self.of(&next).unwrap_or(part).to_vec();
            let Ok(place) = to.join(&name) else {
                return inside.clone();
            };
            (from, to) = (next, place);
        }
        to
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    fn path(text: &str) -> RelPath {
        RelPath::new(text).unwrap()
    }

    fn rename(from: &str, to: &str) -> Rename {
        Rename {
            from: path(from),
            to: path(to),
        }
    }

    #[test]
    fn names_change_step_by_step_and_projects_are_left_to_the_plan() {
        let renames = Renames::new(&[
            rename("p/a:b", "p/a-b"),
            rename("p/a:b/c?", "p/a:b/c"),
            rename("p/a:b/c?", "p/a:b/never"),
            rename("p", "q/r"),
        ]);
        let inside = |text: &str| renames.inside(&path("p"), &path(text)).to_string();
        assert_eq!(inside("a:b/c?/d"), "a-b/c/d");
        assert_eq!(inside("c?/d"), "c?/d");
        assert_eq!(renames.of(&path("p")), None);
        assert_eq!(renames.inside(&RelPath::root(), &path("p/a:b")), path("p/a-b"));
    }

    proptest! {
        /// Oracle: each name by itself, looked up by the text of the way to it.
        #[test]
        fn each_part_is_looked_up_by_its_own_path(
            parts in proptest::collection::vec("[ab]", 0..5),
            known in proptest::collection::btree_map("[ab](/[ab]){0,3}", "[xy]", 0..6),
        ) {
            let all: Vec<Rename> = known
                .iter()
                .map(|(from, name)| match from.rsplit_once('/') {
                    Some((above, _)) => rename(from, &format!("{above}/{name}")),
                    None => rename(from, name),
                })
                .collect();
            let wanted: Vec<String> = (0..parts.len())
                .map(|n| known.get(&parts[..=n].join("/")).unwrap_or(&parts[n]).clone())
                .collect();
            let renames = Renames::new(&all);
            let seen = renames.inside(&RelPath::root(), &path(&parts.join("/")));
            prop_assert_eq!(&seen, &path(&wanted.join("/")));
            // And back: what lies there now comes from a path that leads there, unless two names of
            // one folder would become one, which stops the batch.
            let targets: BTreeSet<RelPath> = all.iter().map(|one| one.to.clone()).collect();
            if targets.len() == all.len() {
                let key = ProjectKey::Loose(None);
                prop_assert_eq!(renames.place(&key, &renames.at_source(&key, &seen)), seen);
            }
        }
    }
}
