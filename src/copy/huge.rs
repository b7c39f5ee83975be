//! A file larger than a group: written in rounds with a checkpoint after each, from which the next
//! run goes on.

use super::commit::{Written, names_durable};
use super::group::{Crew, Opened, Run, open_large};
use super::large::Large;
use super::retry::begins_anew;
use super::trouble_of;
use super::worker::{Bench, Job, Made, Report};
use super::{GROUP_BYTES, Item, small};
use crate::digest::BLOCK;
use crate::ledger::{Intent, Ledger};
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::{Course, Fault, FaultKind};
use std::sync::Arc;

/// Blocks between two checkpoints of one file.
const CHECKPOINT_BLOCKS: u64 = GROUP_BYTES / BLOCK;

impl<'a> Run<'a> {
    /// A file larger than a group: a checkpoint after every gibibyte.
    pub(super) fn huge(
        &mut self,
        crew: &mut Crew<'a, '_>,
        ledger: &mut Ledger,
        item: &Item,
    ) -> Result<(), Trouble> {
        let resume = self.resume_of(&mut crew.bench, item);
        let resumed = resume.clone();
        let intent = match resume {
            Some(intent) => intent,
            None => self.intend(ledger, item)?,
        };
        let id = intent.id;
        let mut resumed = resumed;
        for tries in 0.. {
            match self.attempt(crew, ledger, item, &intent, resumed.as_ref())? {
                Ok(None) => return Ok(()),
                Ok(Some(made)) => {
                    let mut written = Written::new(vec![intent]);
                    match made {
                        Made::Staged(staged) => written.staged(0, *staged),
                        Made::AtPlace(found) => written.at_place(0, *found, item.entry.links),
                    }
                    self.pending = Some(written);
                    return self.commit_pending(&mut crew.bench, ledger);
                }
                Err(fault) if begins_anew(self.ends, &fault, tries) => {
                    // No longer durable from there on: the note goes before the file does.
                    ledger.note_progress(id, Bytes::ZERO, &[])?;
                    small::discard(&mut crew.bench, item, &intent.staged);
                    resumed = None;
                }
                Err(fault) => return self.give_up(crew, ledger, Written::new(vec![intent]), item, fault),
            }
        }
        Ok(())
    }

    /// One try at the whole file, from the start or from a checkpoint; `None` where the hours ended
    /// before it.
    fn attempt(
        &mut self,
        crew: &mut Crew<'a, '_>,
        ledger: &mut Ledger,
        item: &Item,
        intent: &Intent,
        resume: Option<&Intent>,
    ) -> Result<Result<Option<Made>, Fault>, Trouble> {
        let large = match open_large(&mut crew.bench, item, &intent.staged, resume) {
            Ok(Opened::Large(large)) => Arc::new(*large),
            Ok(Opened::AtPlace(found)) => {
                small::discard(&mut crew.bench, item, &intent.staged);
                return Ok(Ok(Some(Made::AtPlace(found))));
            }
            Err(fault) => return Ok(Err(fault)),
        };
        let mut next = resume.map_or(0, |intent| intent.values.len() as u64);
        let resumed = Bytes(next * BLOCK).min(large.size());
        while next < large.blocks() {
            let end = (next + CHECKPOINT_BLOCKS).min(large.blocks());
            let result = self.round(crew, &large, next..end);
            let done = large.done();
            // A sync that fails leaves no second chance: the file is not what was written.
            let synced = match done.is_empty() {
                true => Ok(()),
                false => self.checkpoint(crew, &large, item),
            };
            if synced.is_ok() && !done.is_empty() {
                let bytes = Bytes(done.len() as u64 * BLOCK).min(large.size());
                ledger.note_progress(intent.id, bytes, &done)?;
            }
            if let Err(fault) = result.and(synced) {
                return Ok(Err(fault));
            }
            next = done.len() as u64;
            if next < end {
                // The hours are over: the intent keeps what is there for the next ones.
                self.outcome.shut = true;
                return Ok(Ok(None));
            }
        }
        let finished = large.finish(&mut crew.bench);
        if finished.is_ok() {
            self.outcome.resumed = self.outcome.resumed.plus(resumed);
        }
        Ok(finished.map(|staged| Some(Made::Staged(Box::new(staged)))))
    }

    /// Step 1 for one file.
    fn intend(&mut self, ledger: &mut Ledger, item: &Item) -> Result<Intent, Trouble> {
        let staged = self.staged_name();
        let replaces = item.recorded.is_some();
        let mut one = [Intent::new(
            item.place.clone(),
            staged,
            replaces,
            item.entry.identity(),
        )];
        ledger.intend(self.task.batch, &self.task.dataset, &mut one)?;
        let [one] = one;
        Ok(one)
    }

    /// Data, and the name it is found by: a sync of the file alone need not keep a new name.
    fn checkpoint(&self, crew: &mut Crew<'a, '_>, large: &Large, item: &Item) -> Result<(), Fault> {
        large.sync()?;
        let above = item.place.split().map(|(above, _)| above);
        names_durable(self.ends.target, &mut crew.bench.to, &above.into_iter().collect())
    }

    fn round(
        &self,
        crew: &Crew<'a, '_>,
        large: &Arc<Large>,
        blocks: std::ops::Range<u64>,
    ) -> Result<(), Fault> {
        // Few are handed out ahead, and what is handed out is done: so nothing of a round that the
        // end of the hours cuts short is read twice.
        let ahead = self.task.streams.large.most() + 1;
        let mut blocks = blocks;
        let (mut waiting, mut first) = (0, None);
        loop {
            while waiting < ahead && first.is_none() && !self.pace.is_shut(self.ends.clock) {
                let Some(index) = blocks.next() else { break };
                crew.send(Job::Block {
                    at: 0,
                    large: Arc::clone(large),
                    index,
                });
                waiting += 1;
            }
            if waiting == 0 {
                return first.map_or(Ok(()), Err);
            }
            waiting -= 1;
            if let Some(Report::Block {
                result: Err(fault), ..
            }) = crew.next()
            {
                first.get_or_insert(fault);
            }
        }
    }

    /// An interruption leaves a large file and its intent for the next run; a failure of the file
    /// itself does not.
    fn give_up(
        &mut self,
        crew: &mut Crew<'a, '_>,
        ledger: &mut Ledger,
        mut written: Written,
        item: &Item,
        fault: Fault,
    ) -> Result<(), Trouble> {
        let stops = fault.course() == Course::StopAll;
        if !stops {
            small::discard(&mut crew.bench, item, &written.intents[0].staged.clone());
        }
        written.failed(0, item, fault.clone());
        self.pending = Some(written);
        self.commit_pending(&mut crew.bench, ledger)?;
        if stops { Err(trouble_of(&fault)) } else { Ok(()) }
    }

    /// What an earlier run left of this file, if the source is still the same.
    fn resume_of(&mut self, bench: &mut Bench<'_>, item: &Item) -> Option<Intent> {
        let intent = self.resumable.remove(&item.place)?;
        let (above, _) = item.place.split()?;
        let staged = bench
            .to
            .get(&above)
            .and_then(|folder| folder.stat(&intent.staged));
        let (above_from, name) = item.from.split()?;
        let source = bench.from.get(&above_from).and_then(|folder| folder.stat(name));
        let same = source.is_ok_and(|now| self.task.same_source(&now.identity(), &intent.source));
        let whole = staged.is_ok_and(|facts| facts.size >= intent.done);
        if same && whole && intent.values.len() > 1 {
            return Some(intent);
        }
        small::discard(bench, item, &intent.staged);
        let staged = bench
            .to
            .get(&above)
            .and_then(|folder| folder.stat(&intent.staged));
        if staged.is_err_and(|fault| fault.kind == FaultKind::NotFound) {
            self.dropped.push(intent.id);
        }
        None
    }
}
