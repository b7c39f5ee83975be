//! The receipt of a reading of the source: its hashes are kept, and where a file was copied they are
//! a second, independent reading of it.

use super::receipt::Receipt;
use super::{Brought, answered};
use crate::entry::EntryKind;
use crate::ledger::{Content, ContentKey, Disagreement, Entering, Ledger};
use crate::moment::Moment;
use crate::ops::batch::{self, AtHand};
use crate::ops::content::Shelf;
use crate::ops::desk::Desk;
use crate::ops::waybill::records::Asked;
use crate::report::waybill::fits;
use crate::report::waybill::receipt::{Came, Done, Part};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes};
use std::cell::RefCell;

/// Rows written in one piece.
const GROUP: usize = 4_096;

/// Enters a receipt that may be entered.
///
/// # Errors
/// [`Trouble`] where it is refused; nothing is entered then.
pub(super) fn enter(desk: &mut Desk<'_>, receipt: &Receipt) -> Result<Brought, Trouble> {
    let at_hand = super::at_hand(desk, receipt)?;
    receipt.same_list(&at_hand, &desk.ledger)?;
    let (reader, now) = (desk.second_ledger()?, desk.now());
    let by = answered(desk, receipt);
    let batch = (
        at_hand.row.id,
        at_hand.dataset.name.as_str(),
        at_hand.row.source.as_str(),
    );
    let mut brought = desk.ledger.absorb(batch, &by, |entering| {
        record(receipt, &at_hand, (&reader, entering), now)
    })?;
    brought.machine = receipt.head.machine.clone();
    let row = desk.ledger.batch(&at_hand.row.name)?;
    brought.state = row.map(|row| batch::state_of(Some(&row)));
    let words = format!(
        "{}: {} read at the source by {}",
        at_hand.row.name, brought.done, brought.machine
    );
    desk.ledger.event(now, "absorbed", &words)?;
    Ok(brought)
}

struct Hashes<'a> {
    receipt: &'a Receipt,
    entering: &'a Entering<'a>,
    reader: &'a Ledger,
    shelf: Shelf,
    inodes: bool,
    now: Moment,
    rows: Vec<(ContentKey, Content)>,
    brought: Brought,
}

fn record(
    receipt: &Receipt,
    at_hand: &AtHand,
    (reader, entering): (&Ledger, &Entering<'_>),
    now: Moment,
) -> Result<Brought, Trouble> {
    let hashes = RefCell::new(Hashes {
        receipt,
        entering,
        reader,
        shelf: Shelf::of(reader, &at_hand.index)?,
        inodes: at_hand.inodes_stay && receipt.head.source.as_ref().is_some_and(|end| end.inodes),
        now,
        rows: Vec::new(),
        brought: Brought::default(),
    });
    receipt.walk(
        at_hand,
        reader,
        |asked, came| hashes.borrow_mut().answer(&asked, came),
        |part| match part {
            Part::Disagreement(one) => {
                let one = super::disagreement(receipt, at_hand, *one, now)?;
                hashes.borrow_mut().brought.disagreed += 1;
                entering.disagreement(&one)
            }
            _ => Err(receipt.refused("it tells of what a reading of the source does not bring")),
        },
    )?;
    let mut hashes = hashes.into_inner();
    hashes.flush()?;
    Ok(hashes.brought)
}

impl Hashes<'_> {
    fn answer(&mut self, asked: &Asked, came: Came) -> Result<(), Trouble> {
        let Came::Done(done) = came else {
            self.brought.failed += 1;
            return Ok(());
        };
        let source = done.source.ok_or_else(|| {
            self.receipt
                .refused("it does not say what a file was when it was read")
        })?;
        let same = done.kind == EntryKind::File && fits(&asked.entry.identity(), &source, self.inodes);
        if !same {
            self.brought.failed += 1;
            self.brought.changed += 1;
            return Ok(());
        }
        self.brought.done.add(Amount::one(asked.entry.size));
        self.keep(asked, &done)?;
        match self.rows.len() >= GROUP {
            true => self.flush(),
            false => Ok(()),
        }
    }

    /// Keeps the hash under the identity that the index has, and holds it against the earlier one.
    fn keep(&mut self, asked: &Asked, done: &Done) -> Result<(), Trouble> {
        let (source, at) = (asked.entry.identity(), self.receipt.time(done.at, self.now));
        // A record of what lay there before or after says nothing of this file.
        let record = asked
            .record
            .as_ref()
            .filter(|record| fits(&source, &record.source, self.inodes));
        let kept = self.shelf.known(self.reader, &asked.path, &asked.entry)?;
        let earlier = record
            .map(|record| record.hash)
            .or(kept.and_then(|known| known.hash));
        if let Some(earlier) = earlier.filter(|earlier| *earlier != done.hash) {
            self.brought.disagreed += 1;
            let reads = (earlier, done.hash);
            let one = Disagreement::unsettled(asked.path.clone(), source, reads, self.now);
            return self.entering.disagreement(&one);
        }
        if record.is_some() {
            self.entering.read_again(&asked.place, done.hash, at)?;
        }
        if asked.entry.size > Bytes::ZERO {
            let content = Content {
                whole: Some(done.hash),
                read_at: at,
                ..Content::default()
            };
            self.rows.push((self.shelf.key(&asked.path, &source), content));
        }
        Ok(())
    }

    fn flush(&mut self) -> Result<(), Trouble> {
        self.entering.content(self.shelf.place(), &self.rows)?;
        self.rows.clear();
        Ok(())
    }
}
