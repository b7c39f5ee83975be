//! One slice of a dataset's round, read against the ledger.

use super::order::{Part, Standing, cost, parts, standings};
use super::reader::{GROUP_FILES, Reader, check, group_of};
use super::{Moved, Reading, feedback, moved, strangers};
use crate::ledger::{FileRecord, FixityFound, FixityMark, FixityRound};
use crate::lifecycle::State;
use crate::lifecycle::fixity::{Cost, Cut, Part as Share, Slice};
use crate::names::RelPath;
use crate::ops::desk::{Desk, is_alive, this_process};
use crate::ops::witness::Witness;
use crate::ops::{batch, verify};
use crate::trouble::Trouble;
use crate::units::{Amount, Bytes, Span, counted};
use crate::verify::{Outcome, Progress};
use crate::world::{Disks, ReadHow};
use std::collections::BTreeMap;

/// Reads the next slice of a dataset's round, or goes on with one that was interrupted.
///
/// # Errors
/// [`Trouble`] where the dataset is not there, another process reads it, or it had to stop; what was
/// read until then is recorded.
pub fn fixity(
    desk: &mut Desk<'_>,
    dataset: &str,
    asked: Option<Share>,
    progress: &dyn Fn(Progress),
) -> Result<Reading, Trouble> {
    let lease = format!("fixity of {dataset}");
    let mine = this_process(desk.now());
    if let Err(holder) = desk.ledger.take_lease(&lease, &mine, is_alive)? {
        let text = format!(
            "the dataset {dataset} is read by process {} on {}",
            holder.process, holder.host
        );
        return Err(Trouble::stopped("fixity-busy", text)
            .mend("Let it end, or stop it with Ctrl-C; then run the same command again."));
    }
    let done = Run::open(desk, dataset, asked).and_then(|run| run.read(desk, progress));
    desk.ledger.drop_lease(&lease)?;
    let mut done = done?;
    // A pool that is mounted for reading only can be read again all the same.
    done.not_kept = desk.keep_ledger_copy().err().map(|trouble| trouble.to_string());
    Ok(done)
}

/// About how many bytes the next run with this share reads, for a person who waits.
///
/// # Errors
/// [`Trouble`] where the dataset is not there or the ledger cannot be read.
pub fn due(desk: &Desk<'_>, dataset: &str, asked: Option<Share>) -> Result<Bytes, Trouble> {
    let rounds = desk.ledger.fixity_rounds(dataset, 1)?;
    let round = rounds.into_iter().find(|round| round.ended_at.is_none());
    let mut left = Amount::default();
    for part in parts(desk, dataset)?.0 {
        let mark = match &round {
            Some(round) => desk.ledger.fixity_mark(round.id, part.row.id)?,
            None => None,
        };
        left.add(desk.ledger.fixity_left(part.row.id, mark.as_ref())?);
    }
    let read = round.as_ref().map_or(Amount::default(), |round| round.read);
    let slice = round.map_or(Slice::BEFORE, |round| round.slice).next(asked);
    let whole = read.bytes.0.saturating_add(left.bytes.0);
    let until = u128::from(whole) * u128::from(slice.due.millionths()) / 1_000_000;
    let until = u64::try_from(until).unwrap_or(u64::MAX);
    Ok(Bytes(until.saturating_sub(read.bytes.0)))
}

/// What one run reads.
struct Run {
    parts: Vec<Part>,
    skipped: Vec<String>,
    standings: Vec<Standing>,
    round: FixityRound,
    cut: Cut,
    total: Cost,
}

impl Run {
    fn open(desk: &mut Desk<'_>, dataset: &str, asked: Option<Share>) -> Result<Run, Trouble> {
        let (parts, skipped) = parts(desk, dataset)?;
        let mut round = running(desk, dataset)?;
        let mut order = standings(desk, &parts, &round)?;
        let left = |order: &[Standing]| order.iter().map(|one| one.left).sum::<Amount>();
        if left(&order).files == 0 && round.read.files > 0 {
            // What was left of the round went to another batch: it has been read through.
            round.ended_at = Some(desk.now());
            desk.ledger.keep_fixity(&round)?;
            round = running(desk, dataset)?;
            order = standings(desk, &parts, &round)?;
        }
        let total = cost(round.read).plus(cost(left(&order)));
        round.slice = round.slice.next(asked);
        desk.ledger.keep_fixity(&round)?;
        let cut = Cut::new(dataset, total, round.slice.due);
        Ok(Run {
            parts,
            skipped,
            standings: order,
            round,
            cut,
            total,
        })
    }

    fn read(mut self, desk: &mut Desk<'_>, progress: &dyn Fn(Progress)) -> Result<Reading, Trouble> {
        let began = desk.clock.ticks();
        let disks = self.disks();
        let mut reader = Reader {
            stop: desk.stop,
            streams: desk.settings.streams.unwrap_or(verify::STREAMS),
            times: true,
            progress,
            outcome: Outcome::default(),
            checked: Amount::default(),
        };
        let mut whole = true;
        for standing in std::mem::take(&mut self.standings) {
            if !self.batch(desk, &mut reader, standing)? {
                whole = false;
                break;
            }
        }
        let mut outcome = reader.outcome;
        let witness = Witness::of(&disks, &outcome);
        if witness.contradicts() {
            self.round.how = Some(ReadHow::Unknown);
            outcome.ways = [(ReadHow::Unknown, outcome.ways.values().sum())].into();
        }
        let moved = match whole {
            true => self.end(desk)?,
            false => Vec::new(),
        };
        self.round.slice.open = false;
        desk.ledger.keep_fixity(&self.round)?;
        let found = desk
            .ledger
            .fixity_found(self.round.id, Some(self.round.slice.number))?;
        self.note(desk, reader.checked, &found)?;
        let share = match whole {
            true => 1.0,
            false => cost(self.round.read).share_of(self.total),
        };
        Ok(Reading {
            name: self.round.dataset.clone(),
            batch: None,
            folder: self
                .parts
                .first()
                .map(|part| part.target.path().to_path_buf())
                .unwrap_or_default(),
            outcome,
            witness,
            elapsed: Span::from_secs_f64(desk.clock.ticks() - began),
            found,
            share,
            began: self.round.began_at,
            ended: whole,
            slice: self.round.slice,
            of_round: self.round.read,
            skipped: self.skipped,
            not_kept: None,
            moved,
            repairable: repairable(desk, &self.parts)?,
        })
    }

    /// Reads what is due of one batch; false where the slice ends within it.
    fn batch(
        &mut self,
        desk: &mut Desk<'_>,
        reader: &mut Reader<'_>,
        standing: Standing,
    ) -> Result<bool, Trouble> {
        let mut mark = standing.mark;
        loop {
            let id = self.part(standing.part)?.row.id;
            let next = desk
                .ledger
                .fixity_next(id, &self.round.dataset, mark.as_ref(), GROUP_FILES as u32)?;
            if next.is_empty() {
                return Ok(true);
            }
            let mut before = cost(self.round.read);
            let due = next.iter().take_while(|(_, record)| {
                let mine = cost(Amount::one(record.source.size));
                let takes = self.cut.takes(before, mine);
                before = before.plus(mine);
                takes
            });
            let sizes: Vec<Bytes> = due.map(|(_, record)| record.source.size).collect();
            let count = group_of(sizes.iter().copied());
            let Some((last, _)) = next.get(..count).and_then(<[_]>::last).cloned() else {
                return Ok(false);
            };
            let group = next.into_iter().take(count).map(|(_, record)| record).collect();
            self.group(desk, reader, standing.part, (group, &last))?;
            mark = Some(last);
        }
    }

    /// Reads one group and records it.
    fn group(
        &mut self,
        desk: &mut Desk<'_>,
        reader: &mut Reader<'_>,
        part: usize,
        (records, mark): (Vec<FileRecord>, &FixityMark),
    ) -> Result<(), Trouble> {
        if desk.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        let part = self
            .parts
            .get(part)
            .ok_or_else(|| Trouble::defect("a batch of a round is not among its parts"))?;
        let (row, dataset) = (&part.row, &self.round.dataset);
        let mut checks = Vec::new();
        for record in &records {
            let values = desk.ledger.blocks_of(row.id, dataset, &record.place)?;
            checks.push(check(record.clone(), values));
        }
        let group = reader.read(&part.target, checks)?;
        let records: BTreeMap<RelPath, FileRecord> = records
            .into_iter()
            .map(|record| (record.place.clone(), record))
            .collect();
        let mut found: Vec<FixityFound> = Vec::new();
        for one in group.found {
            // What was copied anew while it was read here is another file now.
            let now = desk.ledger.record_at(dataset, &one.place)?;
            if now.as_ref().map(|now| now.placed) == records.get(&one.place).map(|then| then.placed) {
                found.push(one);
            }
        }
        self.round
            .read
            .add(records.values().map(|r| Amount::one(r.source.size)).sum());
        self.round.how = self.round.how.max(reader.outcome.ways.keys().max().copied());
        // The mark moves last: cut short before it, all of this is read and told once more.
        feedback::against(desk, row, &found)?;
        feedback::whole_again(desk, row, &records, &group.equal)?;
        let at = desk.now();
        desk.ledger.note_fixity(&self.round, (row.id, mark), &found, at)
    }

    /// Everything was read: what lies there and was never recorded is told with it.
    fn end(&mut self, desk: &mut Desk<'_>) -> Result<Vec<Moved>, Trouble> {
        let (mut found, mut moved) = (Vec::new(), Vec::new());
        if let Some(part) = self.parts.iter().find(|part| !part.elsewhere) {
            found = strangers::strangers(desk, &self.round.dataset, &part.target)?;
            moved = moved::moved(desk, &self.round, &part.target, &found)?;
        }
        let now = desk.now();
        desk.ledger.put_fixity_found(&self.round, &found, now)?;
        self.round.ended_at = Some(now);
        self.round.slice.due = Share::WHOLE;
        Ok(moved)
    }

    fn part(&self, part: usize) -> Result<&Part, Trouble> {
        let found = self.parts.get(part);
        found.ok_or_else(|| Trouble::defect("a batch of a round is not among its parts"))
    }

    /// The disks behind all parts, where that is one end.
    fn disks(&self) -> Result<Disks, String> {
        let mut targets = self.parts.iter().map(|part| &part.target);
        let first = targets.next().ok_or("nothing is read")?;
        match targets.all(|other| other.path() == first.path()) {
            true => Disks::behind(first),
            false => Err("the batches of this dataset lie in several places".to_string()),
        }
    }

    /// The log hears of what was found and of the end; of quiet nights the rounds tell enough.
    fn note(&self, desk: &mut Desk<'_>, checked: Amount, found: &[FixityFound]) -> Result<(), Trouble> {
        let needs = found.iter().filter(|one| one.fate.needs_you()).count() as u64;
        let ended = match self.round.ended_at {
            Some(_) => "; the round has ended",
            None if needs == 0 => return Ok(()),
            None => "",
        };
        let words = format!(
            "{}: {checked} read again, {}{ended}",
            self.round.dataset,
            counted(needs, "difference")
        );
        desk.ledger.event(desk.now(), "fixity", &words)
    }
}

/// The round that is running, or a new one.
fn running(desk: &mut Desk<'_>, dataset: &str) -> Result<FixityRound, Trouble> {
    match desk.ledger.fixity_rounds(dataset, 1)?.pop() {
        Some(round) if round.ended_at.is_none() => Ok(round),
        _ => {
            let now = desk.now();
            let text = format!("{dataset}: a round begins");
            desk.ledger.event(now, "fixity", &text)?;
            desk.ledger.begin_fixity(dataset, now)
        }
    }
}

/// Batches that this reading has found to differ, and whose source `copy` can still ask.
fn repairable(desk: &Desk<'_>, parts: &[Part]) -> Result<Vec<String>, Trouble> {
    let mut found = Vec::new();
    for part in parts {
        let state = batch::state_of(desk.ledger.batch(&part.row.name)?.as_ref());
        if state < State::Verified {
            found.push(part.row.name.clone());
        }
    }
    Ok(found)
}
