//! The surveyor as a whole: trees in, surveys out.

mod asked;
mod changes;
mod hazards;
mod oracles;
mod pieces;
mod rows;
mod rules;
mod totals;

use crate::entry::{Entry, EntryKind, Listing, Named};
use crate::moment::{Moment, Year};
use crate::names::{RelPath, SourceName};
use crate::survey::changes::{Changes, InodeTrust, compare, moves, walk_order};
use crate::survey::exclude::{Exclude, ExcludeRules};
use crate::survey::hazards::Sort;
use crate::survey::surveyor::BOUNDARY;
use crate::survey::{Effect, HeaderDate, Membership, Owner, ProjectKey, Survey, SurveyRules, Surveyor};
use crate::units::{Amount, Bytes};
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

pub(super) fn path(text: &str) -> RelPath {
    RelPath::new(text).unwrap()
}

fn at(text: &str) -> Moment {
    Moment::parse_rfc3339(text).unwrap()
}

fn now() -> Moment {
    at("2027-02-03T12:00:00Z")
}

fn entry(kind: EntryKind) -> Entry {
    Entry {
        kind,
        size: Bytes(0),
        allocated: Bytes(0),
        mtime: at("2019-03-04T10:00:00.5Z"),
        ctime: at("2019-03-04T10:00:00.5Z"),
        birth: None,
        inode: 0,
        links: 1,
        mode: if kind == EntryKind::Directory {
            0o755
        } else {
            0o644
        },
        uid: 1000,
        gid: 1000,
        target: None,
        error: None,
    }
}

/// A tree from (path, entry); folders above are made.
#[derive(Debug, Default)]
struct Tree {
    entries: BTreeMap<Vec<Vec<u8>>, Entry>,
}

impl Tree {
    fn put(&mut self, at: impl AsRef<[u8]>, entry_: Entry) -> &mut Self {
        let parts: Vec<Vec<u8>> = at.as_ref().split(|b| *b == b'/').map(<[u8]>::to_vec).collect();
        for depth in 1..parts.len() {
            let inode = 1_000_000 + self.entries.len() as u64;
            self.entries
                .entry(parts[..depth].to_vec())
                .or_insert_with(|| Entry {
                    inode,
                    ..entry(EntryKind::Directory)
                });
        }
        self.entries.insert(parts, entry_);
        self
    }

    fn file(&mut self, at: impl AsRef<[u8]>, size: u64) -> &mut Self {
        self.put(
            at,
            Entry {
                size: Bytes(size),
                allocated: Bytes(size),
                ..entry(EntryKind::File)
            },
        )
    }

    fn link(&mut self, at: &str, target: &str) -> &mut Self {
        self.put(
            at,
            Entry {
                target: Some(target.as_bytes().to_vec()),
                ..entry(EntryKind::Symlink)
            },
        )
    }

    /// Folder by folder in walk order.
    fn listings(&self) -> Vec<Listing> {
        let folders = std::iter::once(Vec::new()).chain(
            self.entries
                .iter()
                .filter(|(_, e)| e.kind == EntryKind::Directory && e.error.is_none())
                .map(|(p, _)| p.clone()),
        );
        folders
            .map(|folder| Listing {
                children: self
                    .entries
                    .iter()
                    .filter(|(p, _)| p.len() == folder.len() + 1 && p.starts_with(&folder))
                    .map(|(p, e)| Named {
                        name: p.last().unwrap().clone(),
                        entry: e.clone(),
                    })
                    .collect(),
                folder: RelPath::new(folder.join(&b'/')).unwrap(),
            })
            .collect()
    }

    fn survey_with(&self, change: impl FnOnce(&mut SurveyRules)) -> Survey {
        let mut rules = SurveyRules::usual(SourceName("oldbox".into()), chrono_tz::Europe::Berlin, now());
        change(&mut rules);
        rules.exclude = Exclude::new(rules.exclude.rules().clone(), rules.project_depth).unwrap();
        let mut surveyor = Surveyor::new(rules);
        for listing in self.listings() {
            surveyor.push(&listing);
        }
        if surveyor.wants_second_look() {
            for listing in self.listings() {
                surveyor.push_again(&listing);
            }
        }
        surveyor.finish()
    }

    fn survey(&self) -> Survey {
        self.survey_with(|_| {})
    }
}

fn count(survey: &Survey, sort: Sort) -> u64 {
    survey
        .hazards
        .iter()
        .find(|hazard| hazard.kind == sort.kind())
        .map_or(0, |hazard| hazard.count)
}

fn names(survey: &Survey) -> Vec<String> {
    survey.projects.iter().map(|project| project.key.name()).collect()
}
