//! Names for datasets, and the proof that no two projects land on one path.

use super::rules::PlanRules;
use super::settle::Settled;
use super::{Dataset, LockedBatch};
use crate::digest::Digest;
use crate::names::{RelPath, SourceName, shown};
use crate::pool::names::{DATASET_MAX, slug};
use crate::sizes::SizeHistogram;
use crate::trouble::Trouble;
use crate::units::Amount;
use std::collections::{BTreeMap, BTreeSet};
use unicode_normalization::UnicodeNormalization;

/// A dataset is known by its destination and its folder there.
pub(super) type Home = (String, RelPath);

/// Empty datasets for all that was settled and all that has begun.
///
/// # Errors
/// `name-too-long` where a whole dataset name passes 255 bytes; `datasets-collide` where two
/// folders of datasets differ only by case or normalization.
pub(super) fn datasets(
    settled: &[Settled<'_>],
    locked: &[LockedBatch],
    rules: &PlanRules,
) -> Result<BTreeMap<Home, Dataset>, Trouble> {
    let mut found: BTreeMap<Home, Dataset> = BTreeMap::new();
    for begun in locked {
        let dataset = &begun.dataset;
        let home = (dataset.destination.clone(), dataset.folder.clone());
        found.entry(home).or_insert_with(|| Dataset {
            amount: Amount::default(),
            sizes: SizeHistogram::default(),
            ..dataset.clone()
        });
    }
    let mut taken: BTreeSet<String> = found.values().map(|d| d.name.clone()).collect();
    let wanted: BTreeSet<(usize, &RelPath)> = settled.iter().map(|s| (s.destination, &s.folder)).collect();
    // Names that need no change come first, so that none of them is lost to one that does.
    let (plain, changed): (Vec<_>, Vec<_>) = wanted
        .into_iter()
        .partition(|(at, folder)| *at == 0 && slug(folder.as_bytes()).as_bytes() == folder.as_bytes());
    for (at, folder) in plain.into_iter().chain(changed) {
        let Some(destination) = rules.destinations.get(at) else {
            continue;
        };
        let home = (destination.name.clone(), folder.clone());
        if found.contains_key(&home) {
            continue;
        }
        let mut name = slug(folder.as_bytes());
        if at > 0 {
            name = format!("{name}-{}", slug(destination.name.as_bytes()));
        }
        if taken.contains(&name) {
            name = hashed(&name, folder.as_bytes());
        }
        // Only contrived names get here: a folder called like another's slug with its hash.
        while taken.contains(&name) {
            name.push('x');
        }
        taken.insert(name.clone());
        let full_name = destination
            .parent
            .as_ref()
            .map(|parent| format!("{parent}/{name}"));
        check_length(full_name.as_deref())?;
        found.insert(
            home,
            Dataset {
                name,
                full_name,
                destination: destination.name.clone(),
                folder: folder.clone(),
                amount: Amount::default(),
                sizes: SizeHistogram::default(),
            },
        );
    }
    folders_differ(&found)?;
    Ok(found)
}

/// A slug made unlike others by the content hash of the real name: stable, whatever else is there.
fn hashed(slug: &str, name: &[u8]) -> String {
    let digest = Digest::of(name).to_string();
    format!("{slug}-{}", digest.get(..8).unwrap_or_default())
}

/// The key under which two names are one on a file system that folds case or normalizes: full case
/// folding between two decompositions (Unicode definition D145, canonical caseless match). Bytes
/// that are no UTF-8 stand for themselves.
fn folded(name: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(name.len());
    for chunk in name.utf8_chunks() {
        let once: String = caseless::default_case_fold_str(&chunk.valid().nfd().collect::<String>());
        out.extend(once.nfd().collect::<String>().into_bytes());
        out.extend_from_slice(chunk.invalid());
    }
    out
}

fn check_length(full_name: Option<&str>) -> Result<(), Trouble> {
    match full_name {
        Some(name) if name.len() > DATASET_MAX => Err(Trouble::usage(
            "name-too-long",
            format!(
                "the dataset name {name} has {} bytes, more than {DATASET_MAX}",
                name.len()
            ),
        )
        .mend("Shorten the parent dataset, or set dataset = in a tag.")),
        _ => Ok(()),
    }
}

fn folders_differ(found: &BTreeMap<Home, Dataset>) -> Result<(), Trouble> {
    let mut seen: BTreeMap<(&str, Vec<u8>), &RelPath> = BTreeMap::new();
    for (destination, folder) in found.keys() {
        let key = (destination.as_str(), folded(folder.as_bytes()));
        if let Some(other) = seen.insert(key, folder) {
            return Err(Trouble::usage(
                "datasets-collide",
                format!("the datasets' folders {other} and {folder} differ only by case or by how accents are written"),
            )
            .mend("Give one of them another name with dataset = or as = in a [[tag]]."));
        }
    }
    Ok(())
}

/// Our own folder at each destination; no project may land in it.
const OURS: &[u8] = b".poolward";

/// Someone who lands somewhere.
struct Landing {
    path: RelPath,
    name: String,
    source: SourceName,
}

/// Holds that no two projects land on one path, nor one inside another, by bytes or by full case
/// folding and normalization.
///
/// # Errors
/// `places-collide`, with both names and the mend; `reserved-name` for a project that would land
/// among our own files.
pub(super) fn places_differ(
    settled: &[Settled<'_>],
    locked: &[LockedBatch],
    rules: &PlanRules,
) -> Result<(), Trouble> {
    // Keyed by the folded components: a folder's own entry sorts directly before all below it.
    let mut seen: BTreeMap<(String, Vec<Vec<u8>>), Landing> = BTreeMap::new();
    let begun = locked.iter().filter(|l| !l.batch.delta).flat_map(|l| {
        l.batch.projects.iter().map(move |placed| {
            let landing = Landing {
                path: l.dataset.folder.join_path(&placed.place),
                name: shown(&super::project_name(&placed.key)),
                source: l.batch.source.clone(),
            };
            (l.dataset.destination.clone(), landing)
        })
    });
    let fresh = settled.iter().filter(|s| !s.delta).map(|s| {
        let destination = rules.destinations.get(s.destination);
        let landing = Landing {
            path: s.folder.join_path(&s.place),
            name: shown(&s.name),
            source: s.project.source.clone(),
        };
        (destination.map(|d| d.name.clone()).unwrap_or_default(), landing)
    });
    for (destination, landing) in begun.chain(fresh) {
        let parts: Vec<Vec<u8>> = landing.path.components().map(folded).collect();
        if parts.first().is_some_and(|first| first == OURS) {
            return Err(reserved(&landing));
        }
        let key = (destination, parts);
        if let Some(other) = seen.get(&key) {
            return Err(collide(other, &landing));
        }
        seen.insert(key, landing);
    }
    let mut before: Option<(&(String, Vec<Vec<u8>>), &Landing)> = None;
    for (key, landing) in &seen {
        if let Some((outer, other)) = before {
            if outer.0 == key.0 && key.1.starts_with(&outer.1) {
                return Err(collide(other, landing));
            }
        }
        before = Some((key, landing));
    }
    Ok(())
}

fn reserved(landing: &Landing) -> Trouble {
    Trouble::usage(
        "reserved-name",
        format!(
            "the project {} (source {}) would land in {}, where Poolward keeps its own files",
            landing.name, landing.source, landing.path
        ),
    )
    .mend("Give it another folder with dataset = or as = in a [[tag]].")
}

fn collide(a: &Landing, b: &Landing) -> Trouble {
    let how = if a.path == b.path {
        format!("both land on {}", a.path)
    } else {
        format!(
            "land on {} and {}, which are one path or lie inside each other",
            a.path, b.path
        )
    };
    let mend = if a.source == b.source {
        format!(
            "Add a [[tag]] with projects = [{:?}] and as = \"another name\".",
            b.name
        )
    } else {
        format!(
            "Set under = {:?} in the [[source]] called {}, or add a [[tag]] with as = for one of them.",
            b.source.0, b.source
        )
    };
    Trouble::usage(
        "places-collide",
        format!(
            "the projects {} (source {}) and {} (source {}) {how}",
            a.name, a.source, b.name, b.source
        ),
    )
    .mend(mend)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Full folding, not simple: sharp s equals ss (Unicode CaseFolding.txt, status F).
    #[test]
    fn names_fold_fully() {
        assert_eq!(folded("Straße".as_bytes()), folded("STRASSE".as_bytes()));
        assert_eq!(folded("\u{e9}".as_bytes()), folded("E\u{301}".as_bytes()));
        assert_ne!(folded(b"caf\xe9"), folded(b"caf\xe8"));
    }
}
