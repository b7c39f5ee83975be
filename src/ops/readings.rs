//! verify: hashes of source files that were read at another time than the copy, held against what
//! the copy recorded. Nothing is read for that unless two of them disagree.

use super::batch::AtHand;
use super::content::Shelf;
use super::desk::Desk;
use super::guard;
use super::second_read::{Suspect, thirds};
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::ledger::{Content, Disagreement, Edit, FileRecord, Ledger};
use crate::lifecycle::{Stands, is_later_read, is_racy, settle};
use crate::names::RelPath;
use crate::trouble::Trouble;
use std::collections::BTreeMap;

/// What comparing came to.
#[derive(Debug, Clone, Default)]
pub struct Readings {
    /// Files of which another reading of the source gave the hash that is recorded.
    pub agree: u64,
    /// Files of which it gave another, although they have not changed.
    pub disagree: Vec<Disagreement>,
    /// Files that were edited behind their times: a later batch brings them.
    pub edited: Vec<RelPath>,
}

/// Compares, file by file, on the way through a batch.
pub(super) struct Comparing {
    shelf: Shelf,
    agree: u64,
    suspects: Vec<(Suspect, Digest)>,
}

impl Comparing {
    /// `None` where nothing is kept of this source.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn of(ledger: &Ledger, at_hand: &AtHand) -> Result<Option<Comparing>, Trouble> {
        let shelf = Shelf::of(ledger, &at_hand.index)?;
        let any = ledger.has_content(shelf.place())?;
        Ok(any.then_some(Comparing {
            shelf,
            agree: 0,
            suspects: Vec::new(),
        }))
    }

    /// Looks at one record. What is kept from before it was made was compared by the copy, or is
    /// the copy's own reading.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn see(&mut self, ledger: &Ledger, from: &RelPath, record: &FileRecord) -> Result<(), Trouble> {
        if record.kind != EntryKind::File || record.source.size.0 == 0 {
            return Ok(());
        }
        let kept = self.shelf.get_either(ledger, from, &record.source)?;
        let later = is_later_read(record.copied_at, kept.read_at);
        match kept.whole.filter(|_| later) {
            None => {}
            Some(hash) if hash == record.hash => self.agree += 1,
            Some(hash) => {
                let suspect = (from.clone(), record.place.clone(), record.clone());
                self.suspects.push((suspect, hash));
            }
        }
        Ok(())
    }

    /// Lets a third read of the source decide where two differ, and keeps each such event. Where the
    /// source is not there, none stands.
    ///
    /// # Errors
    /// [`Trouble`] where ledger or index fail.
    pub fn settle(self, desk: &mut Desk<'_>, at_hand: &AtHand) -> Result<Readings, Trouble> {
        let mut found = Readings {
            agree: self.agree,
            ..Readings::default()
        };
        let told = match self.suspects.is_empty() {
            true => return Ok(found),
            false => desk.ledger.read_disagreements(&at_hand.row.source)?,
        };
        let suspects: Vec<Suspect> = self.suspects.iter().map(|(one, _)| one.clone()).collect();
        let thirds = match guard::source(desk, &at_hand.source) {
            Ok(source) => thirds(desk, at_hand, &source, &suspects)?,
            // What was read back stays as it is; the source is asked at the next verification.
            Err(_) => BTreeMap::new(),
        };
        let (mut edits, mut rows, at) = (Vec::new(), Vec::new(), desk.now());
        let scanned = at_hand.index.header().started();
        for ((from, place, record), later) in self.suspects {
            let third = thirds.get(&from).copied().flatten();
            let stands = settle(&Some(record.hash), &Some(later), || third);
            if stands == Stands::Second {
                // Whatever the cause, the destination has not what the source has.
                edits.push(Edit {
                    place,
                    recorded: record.hash,
                    now: later,
                    at,
                });
                if is_racy(&record.source, scanned) {
                    found.edited.push(from);
                    continue;
                }
            }
            if stands == Stands::First {
                let right = Content {
                    whole: third,
                    read_at: at,
                    ..Content::default()
                };
                rows.push((self.shelf.key(&from, &record.source), right));
            }
            found.disagree.push(Disagreement {
                path: from,
                identity: record.source,
                earlier: record.hash,
                later,
                ranges: Vec::new(),
                at,
                settled_by: stands.word().to_string(),
            });
        }
        self.shelf.keep(&desk.ledger, &rows)?;
        desk.ledger.put_edits(&at_hand.dataset.name, &edits)?;
        let is_new = |one: &&Disagreement| {
            let same = |old: &Disagreement| {
                let facts = |d: &Disagreement| (d.identity, d.earlier, d.later, d.settled_by.clone());
                old.path == one.path && facts(old) == facts(one)
            };
            !told.iter().any(same)
        };
        let events: Vec<Disagreement> = found.disagree.iter().filter(is_new).cloned().collect();
        desk.ledger
            .put_read_disagreements(&at_hand.row.source, at_hand.row.id, &events)?;
        Ok(found)
    }
}
