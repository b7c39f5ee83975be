//! The receipt of a copy: files become recorded as copied where they are seen to lie as it says.

use super::receipt::Receipt;
use super::{Brought, answered, inside, look};
use crate::digest::Digest;
use crate::entry::{EntryKind, Identity};
use crate::ledger::{
    Attributes, Content, Disagreement, Entering, Failure, FileRecord, GroupResult, Ledger, Promise, Proof,
    to_second,
};
use crate::lifecycle::{Event, after};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::ops::batch::{self, AtHand};
use crate::ops::content::Shelf;
use crate::ops::desk::Desk;
use crate::ops::waybill::records::Asked;
use crate::ops::{guard, view};
use crate::report::waybill::receipt::{Came, Done, Lost, Part};
use crate::report::waybill::{self, fits};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use crate::world::OpenFolders;
use crate::world::{Durability, Loss, OsFs, Publish};

/// Files written to the ledger in one piece; what is held of them in memory.
const GROUP: usize = 4_096;

/// What the first look makes of one answer.
enum Seen {
    /// It lies there; as what, seen from here.
    Fits(Identity),
    /// It does not lie there as the answer says.
    Off(&'static str),
    /// Its source was no longer what the index lists.
    Changed,
    /// The answer is that it was not done.
    Failed,
}

/// Enters a receipt that may be entered.
///
/// # Errors
/// [`Trouble`] where it is refused or an end is missing; nothing is entered then.
pub(super) fn enter(desk: &mut Desk<'_>, receipt: &Receipt) -> Result<Brought, Trouble> {
    let at_hand = super::at_hand(desk, receipt)?;
    let state = after(batch::state_of(Some(&at_hand.row)), Event::CopyEnds)?;
    receipt.same_list(&at_hand, &desk.ledger)?;
    let target = guard::dataset_seen(desk, &at_hand.destination, &at_hand.dataset)?;
    let mut brought = Brought {
        machine: receipt.head.machine.clone(),
        state: Some(state),
        ..Brought::default()
    };
    let reader = desk.second_ledger()?;
    let entry = Entry {
        receipt,
        at_hand: &at_hand,
        reader: &reader,
        shelf: Shelf::of(&reader, &at_hand.index)?,
        now: desk.now(),
    };
    let seen = look(desk, &entry, &target, &mut brought)?;
    if brought.done.files == 0 && brought.not_as_answered > 0 {
        let text = format!(
            "of {} files none is at {} as the receipt says",
            brought.not_as_answered,
            target.path().display()
        );
        return Err(Trouble::stopped("not-as-answered", text).mend(
            "Nothing of it was entered. Look whether the other machine wrote to the same destination, and whether this is it.",
        ));
    }
    // From here on the folder is known by its mount.
    batch::target(desk, &at_hand)?;
    let (by, now) = (answered(desk, receipt), entry.now);
    let batch = (
        at_hand.row.id,
        at_hand.dataset.name.as_str(),
        at_hand.row.source.as_str(),
    );
    brought.disagreed = desk.ledger.absorb(batch, &by, |entering| {
        entering.clear_failures()?;
        entering.no_forecast()?;
        if let Some(promise) = promise(receipt, &at_hand, now) {
            entering.promise(&promise)?;
        }
        let disagreed = record(&entry, entering, seen)?;
        entering.state(state.word(), now)?;
        Ok(disagreed)
    })?;
    let words = format!(
        "{}: {} copied by {}",
        at_hand.row.name, brought.done, brought.machine
    );
    desk.ledger.event(now, "absorbed", &words)?;
    brought.view = view::after_batch(desk, &at_hand.destination)?;
    Ok(brought)
}

/// Holds every answer against the index and against what lies at the destination; what stands beside
/// the answers is only looked through.
fn look(
    desk: &Desk<'_>,
    entry: &Entry<'_>,
    target: &OsFs,
    brought: &mut Brought,
) -> Result<Vec<Seen>, Trouble> {
    let (receipt, at_hand) = (entry.receipt, entry.at_hand);
    let mut folders = OpenFolders::new(target);
    let mut all = Vec::new();
    let inodes = at_hand.inodes_stay && receipt.head.source.as_ref().is_some_and(|end| end.inodes);
    let each = |asked: Asked, came: Came| {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        let seen = match came {
            Came::Failed { .. } => Seen::Failed,
            Came::Done(done) => {
                let (source, placed) = both(receipt, &done)?;
                match is_listed(&asked, &done, &source, inodes) {
                    false => Seen::Changed,
                    true => {
                        let there = look::at(&mut folders, &asked.place)?;
                        match (look::differs(there.as_ref(), done.kind, &placed), there) {
                            (None, Some(there)) => Seen::Fits(there.identity()),
                            (why, _) => Seen::Off(why.unwrap_or("nothing lies at its place")),
                        }
                    }
                }
            }
        };
        match &seen {
            Seen::Fits(_) => brought.done.add(Amount::one(asked.entry.size)),
            Seen::Off(_) => brought.not_as_answered += 1,
            Seen::Changed => brought.changed += 1,
            Seen::Failed => {}
        }
        brought.failed += u64::from(!matches!(seen, Seen::Fits(_)));
        all.push(seen);
        Ok(())
    };
    receipt.walk(at_hand, entry.reader, each, |part| {
        entry.beside(part, &mut GroupResult::default())
    })?;
    Ok(all)
}

/// What a copied file was and became; an answer without either is none to a copy.
fn both(receipt: &Receipt, done: &Done) -> Result<(Identity, Identity), Trouble> {
    done.source
        .zip(done.placed)
        .ok_or_else(|| receipt.refused("it answers a copy without saying what a file was and became"))
}

fn is_listed(asked: &Asked, done: &Done, source: &Identity, inodes: bool) -> bool {
    let target = asked.entry.target.as_ref();
    let same_target = asked.entry.kind != EntryKind::Symlink
        || target.is_some_and(|target| Digest::of(target) == done.hash);
    done.kind == asked.entry.kind && same_target && fits(&asked.entry.identity(), source, inodes)
}

fn promise(receipt: &Receipt, at_hand: &AtHand, now: Moment) -> Option<Promise> {
    let end = receipt.head.destination.as_ref()?;
    let classes = [Durability::Local, Durability::ServerSaid, Durability::Unproven];
    let class = classes.into_iter().find(|class| class.word() == end.durability)?;
    let ways = [Publish::Rename, Publish::Link, Publish::Checked];
    let publish = ways.into_iter().find(|way| way.word() == end.publish)?;
    Some(Promise {
        dataset: at_hand.dataset.name.clone(),
        class: class.word().to_string(),
        publish: publish.word().to_string(),
        sync_reaches: class == Durability::Local,
        at: now,
    })
}

/// What is the same for every answer while they are written down.
struct Entry<'a> {
    receipt: &'a Receipt,
    at_hand: &'a AtHand,
    reader: &'a Ledger,
    shelf: Shelf,
    now: Moment,
}

/// Writes all of it down, in pieces of one transaction; answers how many reads disagreed.
fn record(entry: &Entry<'_>, entering: &Entering<'_>, seen: Vec<Seen>) -> Result<u64, Trouble> {
    let mut seen = seen.into_iter();
    let group = std::cell::RefCell::new(GroupResult::default());
    group.borrow_mut().shelf.0 = entry.shelf.place().to_string();
    let disagreed = std::cell::Cell::new(0);
    let flush = |group: &mut GroupResult| {
        disagreed.set(disagreed.get() + group.disagreements.len() as u64);
        entering.group(group)?;
        let shelf = (std::mem::take(&mut group.shelf.0), Vec::new());
        *group = GroupResult {
            shelf,
            ..GroupResult::default()
        };
        Ok::<(), Trouble>(())
    };
    entry.receipt.walk(
        entry.at_hand,
        entry.reader,
        |asked, came| {
            let seen = seen.next().unwrap_or(Seen::Failed);
            let mut group = group.borrow_mut();
            entry.answer(asked, came, seen, &mut group)?;
            match group.records.len() + group.failures.len() >= GROUP {
                true => flush(&mut group),
                false => Ok(()),
            }
        },
        |part| entry.beside(part, &mut group.borrow_mut()),
    )?;
    flush(&mut group.borrow_mut())?;
    Ok(disagreed.get())
}

impl Entry<'_> {
    fn answer(&self, asked: Asked, came: Came, seen: Seen, group: &mut GroupResult) -> Result<(), Trouble> {
        let size = asked.entry.size;
        let failed = |code: &str, text: &str| Failure {
            place: asked.place.clone(),
            code: code.to_string(),
            text: text.to_string(),
            bytes: size,
            at: self.now,
        };
        match (came, seen) {
            (Came::Failed { code, text }, _) => group.failures.push(failed(&code, &text)),
            (Came::Done(_), Seen::Off(why)) => group.failures.push(failed("not-as-answered", why)),
            (Came::Done(_), Seen::Changed | Seen::Failed) => {
                let why = "it changed at the source before the other machine read it";
                group.failures.push(failed("changed", why));
            }
            (Came::Done(done), Seen::Fits(placed)) => self.done(asked, *done, placed, group)?,
        }
        Ok(())
    }

    fn done(
        &self,
        asked: Asked,
        done: Done,
        placed: Identity,
        group: &mut GroupResult,
    ) -> Result<(), Trouble> {
        let source = asked.entry.identity();
        let at = self.receipt.time(done.at, self.now);
        let known = self.shelf.known(self.reader, &asked.path, &asked.entry)?;
        let before = asked.record.as_ref().filter(|record| record.source == source);
        let earlier = before
            .map(|record| record.hash)
            .or(known.as_ref().and_then(|k| k.hash));
        match earlier.filter(|earlier| *earlier != done.hash) {
            Some(earlier) => {
                let reads = (earlier, done.hash);
                let one = Disagreement::unsettled(asked.path.clone(), source, reads, self.now);
                group.disagreements.push(one);
            }
            None => group.shelf.1.extend(known.map(|known| {
                let content = Content {
                    whole: Some(done.hash),
                    read_at: at,
                    ..Content::default()
                };
                (known.key, content)
            })),
        }
        if let Some(kept) = done.attributes {
            group
                .attributes
                .push((asked.place.clone(), Some(attributes(kept))));
        }
        let links = if self.at_hand.inodes_hold {
            asked.entry.links
        } else {
            1
        };
        let record = FileRecord {
            place: asked.place,
            kind: done.kind,
            source,
            placed,
            hash: done.hash,
            copied_at: to_second(at),
            proof: if done.adopted {
                Proof::Adopted
            } else {
                Proof::Copied
            },
        };
        group.records.push((record, done.values, links));
        Ok(())
    }

    fn beside(&self, part: Part, group: &mut GroupResult) -> Result<(), Trouble> {
        match part {
            Part::Kept(place, kept) => {
                self.inside(&place)?;
                group.attributes.push((place, Some(attributes(kept))));
            }
            Part::Lost(Lost { place, kind, why }) => {
                self.inside(&place)?;
                let kind = Loss::KINDS.into_iter().find(|known| *known == kind);
                let kind =
                    kind.ok_or_else(|| self.receipt.refused("it tells of a loss that there is none of"))?;
                group.losses.push((place, Loss { kind, why }));
            }
            Part::Troubled(place, code, text) => {
                self.inside(&place)?;
                group.failures.push(Failure {
                    place,
                    code,
                    text,
                    bytes: Bytes::ZERO,
                    at: self.now,
                });
            }
            Part::Disagreement(one) => {
                group
                    .disagreements
                    .push(super::disagreement(self.receipt, self.at_hand, *one, self.now)?)
            }
            Part::Answer(_) | Part::Difference(_) => {
                return Err(self
                    .receipt
                    .refused("it tells of differences, which a copy has none of"));
            }
        }
        Ok(())
    }

    fn inside(&self, place: &RelPath) -> Result<(), Trouble> {
        match inside::is_of_batch(self.at_hand, place)? {
            true => Ok(()),
            false => Err(self
                .receipt
                .refused(&format!("it tells of {place}, which is not the batch's"))),
        }
    }
}

fn attributes(kept: waybill::Attributes) -> Attributes {
    Attributes {
        names: kept.names,
        hash: kept.hash,
    }
}
