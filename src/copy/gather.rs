//! What the next group holds, and whether there is room for it.

use super::group::Run;
use super::trouble_of;
use super::{GROUP_BYTES, GROUP_FILES, GROUPS_AT_ONCE, Item, LARGE_FROM};
use crate::entry::EntryKind;
use crate::ledger::Ledger;
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::Durability;

impl Run<'_> {
    /// The next group, in the order of the items; a file larger than a group stands alone.
    pub(super) fn gather(
        &mut self,
        ledger: &Ledger,
        items: &mut dyn Iterator<Item = Result<Item, Trouble>>,
    ) -> Result<Vec<Item>, Trouble> {
        let mut group = Vec::new();
        let mut bytes = 0u64;
        let most = self.most();
        while group.len() < GROUP_FILES / GROUPS_AT_ONCE as usize {
            let (mut item, is_new) = match self.ahead.take() {
                Some(item) => (item, false),
                None => match items.next().transpose()? {
                    Some(item) => (item, true),
                    None => break,
                },
            };
            // Whoever listed the items may have done so before these were recorded.
            if let Some(record) = self.recovered.get(&item.place) {
                if self.task.same_source(&record.source, &item.entry.identity()) {
                    continue;
                }
                item.recorded = Some(record.clone());
            }
            // What was held back for this group was looked at before: it is its own first name.
            if is_new && self.is_further_name(ledger, &item)? {
                self.deferred.push(item);
                continue;
            }
            bytes = bytes.saturating_add(item.entry.size.0);
            let alone = self.stands_alone(&item);
            if (alone || bytes > most) && !group.is_empty() {
                self.ahead = Some(item);
                break;
            }
            group.push(item);
            if alone {
                break;
            }
        }
        for end in [self.ends.source, self.ends.target] {
            end.is_there().map_err(|fault| trouble_of(&fault))?;
        }
        self.guard_space(&group)?;
        Ok(group)
    }

    /// Most bytes of the next group: of what may be under way at once, near the end of a window of
    /// what it has time for.
    pub(super) fn most(&self) -> u64 {
        let left = self.pace.left(self.ends.clock).unwrap_or(GROUP_BYTES);
        left.min(GROUP_BYTES) / GROUPS_AT_ONCE
    }

    /// Whether a file is written with checkpoints: larger than a group, than what its window has
    /// time for, or begun so before.
    pub(super) fn stands_alone(&self, item: &Item) -> bool {
        let size = item.entry.size.0;
        let large = size > LARGE_FROM && item.entry.kind == EntryKind::File;
        large && (size > self.most() || self.resumable.contains_key(&item.place))
    }

    fn is_further_name(&mut self, ledger: &Ledger, item: &Item) -> Result<bool, Trouble> {
        let linked = item.entry.kind == EntryKind::File && item.entry.links > 1 && self.task.inodes_hold;
        if !linked {
            return Ok(false);
        }
        if !self.seen.insert(item.entry.inode) {
            return Ok(true);
        }
        let placed = ledger.linked_place(&self.task.dataset, &self.task.source, item.entry.inode)?;
        let Some(placed) = placed.filter(|record| record.place != item.place) else {
            return Ok(false);
        };
        // Of another state, or bad, it is nothing to link to: this name is copied whole.
        let facts = (placed.source.size, placed.source.mtime);
        let same = facts == (item.entry.size, item.entry.mtime);
        Ok(same && !ledger.is_bad(&self.task.dataset, &placed.place)?)
    }

    fn guard_space(&self, group: &[Item]) -> Result<(), Trouble> {
        if group.is_empty() {
            return Ok(());
        }
        let space = self.ends.target.space().map_err(|fault| trouble_of(&fault))?;
        // Holes are kept by local file systems; what lies behind any other mount may fill them.
        let holes_stay = self.ends.target.durability() == Durability::Local;
        let needed: Bytes = group
            .iter()
            .map(|item| match holes_stay {
                true => item.entry.size.min(item.entry.allocated),
                false => item.entry.size,
            })
            .sum();
        if space.free >= self.task.reserve.plus(needed) {
            return Ok(());
        }
        Err(Trouble::stopped(
            "no-space",
            format!(
                "no room for the next {} at the destination: {} are free and {} stay in reserve",
                needed,
                space.free.binary(),
                self.task.reserve.binary()
            ),
        )
        .mend("Make room there or lower `reserve` in move.toml, then run `copy` again; what was placed stays placed."))
    }

    pub(super) fn staged_name(&mut self) -> Vec<u8> {
        // Two runs can begin in one second, and clocks can be set back.
        loop {
            self.sequence += 1;
            let name = format!(".pw-{}-{:x}-{}", self.task.tag, self.started, self.sequence).into_bytes();
            if !self.taken.contains(&name) {
                return name;
            }
        }
    }
}
