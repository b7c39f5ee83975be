//! copy: what is outstanding of a batch, carried out and recorded.

use super::away;
use super::batch::{self, AtHand};
use super::content::Shelf;
use super::desk::Desk;
use super::foretold;
use super::hours;
use super::items::{Walk, own_folders};
use super::permissions::permissions;
use super::repair;
use super::rooms;
use super::settings::Settings;
use super::spare::Hourly;
use super::stretch::{Done, Stretches};
use super::view::{self, View};
use crate::copy::{self as hand, Ends, FolderItem, Item, Outcome, Pace, Progress, StreamLimits, Task};
use crate::entry::EntryKind;
use crate::forecast::streams::Streams;
use crate::ledger::{Failure, GroupResult, Ledger, Promise};
use crate::lifecycle::{Event, Fact, Remains, State, after, remains};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::{Class, Trouble};
use crate::units::{Bytes, Span};
use crate::world::{Durability, Fs, Publish};
use std::collections::{BTreeSet, VecDeque};
use std::sync::Arc;

/// Streams to begin with where the user named no number; what is best is found by measuring. Small
/// files wait for their disks (4 to 8 in flight, hazard P1), over a network for every call.
const SMALL_FIRST: usize = 4;
const SMALL_MOST: usize = 8;
const SMALL_MOST_NETWORK: usize = 16;
/// Two, so that one reads while the other writes.
const LARGE_FIRST: usize = 2;

/// What became of one batch.
pub struct Copied {
    /// Its name.
    pub name: String,
    /// Its state now.
    pub state: State,
    /// What this run did.
    pub outcome: Outcome,
    /// Files that lay at their places by the ledger.
    pub already: u64,
    /// What failed, of all runs.
    pub failures: Vec<Failure>,
    /// How long it took.
    pub elapsed: Span,
    /// What became of the folder of links.
    pub view: Option<View>,
}

/// Copies one batch, or what is left of it.
///
/// # Errors
/// [`Trouble`] where it had to stop; what was recorded stays.
pub fn copy(
    desk: &mut Desk<'_>,
    name: &str,
    at: Option<&[u8]>,
    progress: &dyn Fn(Progress),
) -> Result<Copied, Trouble> {
    section(desk, name, at, false, progress)
}

/// Copies one batch inside the windows of the settings, at their limits, over as many as it takes.
/// `say` gets a line for each wait.
///
/// # Errors
/// As for [`copy`]; `window-closed` where a batch may not span windows, `never-opens` where none
/// comes any more.
pub fn copy_in_windows(
    desk: &mut Desk<'_>,
    name: &str,
    say: &dyn Fn(&str),
    progress: &dyn Fn(Progress),
) -> Result<Copied, Trouble> {
    let mut so_far: Option<Copied> = None;
    loop {
        hours::wait(desk, say)?;
        // Each window begins anew: the lease, the holds and both mounts are looked at again.
        let mut part = section(desk, name, None, true, progress)?;
        if let Some(mut before) = so_far.take() {
            before.outcome.add(part.outcome);
            (part.outcome, part.already) = (before.outcome, before.already);
            part.elapsed = part.elapsed.plus(before.elapsed);
        }
        if !part.outcome.shut {
            return Ok(part);
        }
        if !desk.settings.spanning {
            return Err(hours::closed(desk, name));
        }
        so_far = Some(part);
    }
}

/// Copies one batch until it is done or the open window closes; the outcome says which.
///
/// # Errors
/// As for [`copy`].
pub fn copy_in_this_window(
    desk: &mut Desk<'_>,
    name: &str,
    progress: &dyn Fn(Progress),
) -> Result<Copied, Trouble> {
    section(desk, name, None, true, progress)
}

/// One run of a batch: to its end, or to the end of the hours.
fn section(
    desk: &mut Desk<'_>,
    name: &str,
    at: Option<&[u8]>,
    in_windows: bool,
    progress: &dyn Fn(Progress),
) -> Result<Copied, Trouble> {
    super::following::go_on(desk)?;
    let plan = batch::plan(desk)?;
    let mut batches = batch::named(&plan, &[name.to_string()])?;
    let chosen = batches.remove(0);
    refuse_held(desk, name)?;
    away::refuse_kin(desk, &plan, &chosen)?;
    if let Some(trouble) = rooms::too_early(desk, &plan, &chosen)? {
        return Err(trouble);
    }
    batch::alone(desk, name, |desk| {
        foretold::keep(desk, &plan, &chosen)?;
        let at_hand = batch::take_up(desk, &plan, &chosen, at)?;
        let pace = hours::pace(desk, &at_hand, in_windows)?;
        let mut copied = one(desk, &at_hand, &pace, progress)?;
        if copied.state >= State::Copied {
            copied.view = view::after_batch(desk, &at_hand.destination)?;
        }
        Ok(copied)
    })
}

pub(super) fn refuse_held(desk: &Desk<'_>, name: &str) -> Result<(), Trouble> {
    match held(desk, &desk.ledger.holds_until(desk.now())?, name) {
        Some((text, mend)) => Err(Trouble::stopped("held", text).mend(mend)),
        None => Ok(()),
    }
}

/// What of `holds` a batch is held by, with until when, and how it goes on.
pub fn held(desk: &Desk<'_>, holds: &[(String, Option<Moment>)], name: &str) -> Option<(String, String)> {
    for (held, until) in holds {
        let (what, words) = match held.as_str() {
            "*" => ("everything".to_string(), "--everything"),
            held if held == name => (format!("the batch {name}"), name),
            _ => continue,
        };
        let until = until.map(|until| format!(" until {}", until.local(desk.settings.windows.zone)));
        let text = format!("{what} is held{}", until.unwrap_or_default());
        let mend = format!("Let it go on with `poolward hold {words} --off`.");
        return Some((text, mend));
    }
    None
}

fn one(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    pace: &Arc<Pace>,
    progress: &dyn Fn(Progress),
) -> Result<Copied, Trouble> {
    let state = after(batch::state_of(Some(&at_hand.row)), Event::CopyBegins)?;
    let mut task = task_of(desk, at_hand)?;
    let (source, target) = batch::ends(desk, at_hand)?;
    let now = desk.now();
    desk.ledger.set_state(at_hand.row.id, state.word(), now)?;
    desk.ledger.clear_failures(at_hand.row.id)?;
    let network = source.mount().is_network() || target.mount().is_network();
    task.streams = streams(&desk.settings, network);
    task.placed_inodes_hold = target.mount().keeps_inodes();
    let ends = Ends {
        source: &source,
        target: &target,
        clock: desk.clock,
        stop: desk.stop,
    };
    let repaired = repair::repair(desk, at_hand, ends, &task, pace, progress)?;
    let mut outstanding = Outstanding::new(desk, at_hand, desk.second_ledger()?)?;
    outstanding.untouched = repaired.open;
    let began = desk.clock.ticks();
    let hourly = Hourly::new(desk, began)?;
    let stretches = Stretches::new(desk, at_hand, "copy", began)?;
    let progress = |p: Progress| {
        hourly.at(ends.clock.ticks());
        stretches.at(ends.clock.ticks(), ends.clock.now(), p.into());
        progress(p);
    };
    let copied = hand::copy_at(ends, &task, &mut desk.ledger, &mut outstanding, pace, &progress);
    let elapsed = Span::from_secs_f64(desk.clock.ticks() - began);
    let promised = promise(desk, at_hand, &target);
    let told = |done, streams| stretches.finish(ends.clock.ticks(), ends.clock.now(), done, streams);
    if copied.is_err() {
        let _ = told(None, 1);
    }
    let mut outcome = kept(desk, copied)?;
    promised?;
    outcome.repaired = repaired.amount;
    outcome.by_times = !task.placed_inodes_hold;
    let folders = std::mem::take(&mut outstanding.folders);
    let mut done = state;
    if !outcome.shut {
        dress(desk, at_hand, ends, &task, folders, &mut outcome)?;
        done = after(state, Event::CopyEnds)?;
    }
    let streams = outcome.streams.0.max(outcome.streams.1);
    told(Some(came_to(&outcome)), streams.unwrap_or(1))?;
    let now = desk.now();
    desk.ledger.set_state(at_hand.row.id, done.word(), now)?;
    desk.ledger.event(
        now,
        if outcome.shut { "window-closed" } else { "copied" },
        &format!("{}: {}", at_hand.row.name, outcome.copied),
    )?;
    desk.keep_ledger_copy()?;
    let failures = desk.ledger.failures(at_hand.row.id)?;
    Ok(Copied {
        view: None,
        name: at_hand.row.name.clone(),
        state: done,
        outcome,
        already: outstanding.already,
        failures,
        elapsed,
    })
}

/// What a copy came to; an interrupted one leaves the ledger's copy as it is now.
fn kept(desk: &mut Desk<'_>, copied: Result<Outcome, Trouble>) -> Result<Outcome, Trouble> {
    if matches!(&copied, Err(trouble) if trouble.class == Class::Interrupted) {
        desk.keep_ledger_copy()?;
    }
    copied
}

/// How many streams the user wants, or where to begin finding out.
fn streams(settings: &Settings, network: bool) -> StreamLimits {
    let large_most = settings.streams_large_max;
    match settings.streams {
        Some(fixed) => StreamLimits {
            small: Streams::fixed(fixed),
            large: Streams::fixed(fixed.min(large_most)),
        },
        None => StreamLimits {
            small: Streams::finding(SMALL_FIRST, if network { SMALL_MOST_NETWORK } else { SMALL_MOST }),
            large: Streams::finding(LARGE_FIRST, large_most),
        },
    }
}

/// What the dataset's folder has shown that it promises.
fn promise(desk: &mut Desk<'_>, at_hand: &AtHand, target: &dyn Fs) -> Result<(), Trouble> {
    let publish = target.publishes();
    if publish == Publish::Unseen {
        return Ok(());
    }
    let promise = Promise {
        dataset: at_hand.dataset.name.clone(),
        class: target.durability().word().to_string(),
        publish: publish.word().to_string(),
        sync_reaches: target.durability() == Durability::Local,
        at: desk.now(),
    };
    desk.ledger.keep_promise(&promise)
}

/// What is the same for all files of a batch. Asked before anything is made: an owner whom nobody
/// knows stops it here.
pub(super) fn task_of(desk: &Desk<'_>, at_hand: &AtHand) -> Result<Task, Trouble> {
    let free = at_hand.destination.reserve.unwrap_or_else(|| {
        let total = crate::world::OsFs::open(&at_hand.destination.path)
            .and_then(|fs| crate::world::Fs::space(&fs))
            .map_or(Bytes(0), |space| space.total);
        Bytes((total.0 / 20).min(200_000_000_000))
    });
    let carries = |fact: &str| !at_hand.destination.accept.iter().any(|accepted| accepted == fact);
    Ok(Task {
        batch: at_hand.row.id,
        dataset: at_hand.dataset.name.clone(),
        source: at_hand.row.source.clone(),
        tag: desk.ledger.move_id()?.chars().take(8).collect(),
        inodes_hold: at_hand.inodes_hold,
        owners: carries("owner"),
        permissions: permissions(&at_hand.permissions)?,
        streams: streams(&desk.settings, false),
        reserve: free,
        shelf: Shelf::of(&desk.ledger, &at_hand.index)?.place().to_string(),
        only_adopt: false,
        as_listed: desk.elsewhere.map(|there| there.inodes),
        placed_inodes_hold: true,
        accept: at_hand.destination.accept.clone(),
    })
}

fn dress(
    desk: &mut Desk<'_>,
    at_hand: &AtHand,
    ends: Ends<'_>,
    task: &Task,
    mut folders: Vec<FolderItem>,
    outcome: &mut Outcome,
) -> Result<(), Trouble> {
    let own = own_folders(at_hand)?.into_iter();
    for (from, place, entry) in own.filter(|(_, place, _)| !at_hand.taken.contains(place)) {
        folders.push(FolderItem { from, place, entry });
    }
    let dressed = hand::dress_folders(ends.source, ends.target, &folders, task);
    let mut group = GroupResult {
        attributes: dressed.attributes,
        ..GroupResult::default()
    };
    for (place, loss) in dressed.losses {
        *outcome.losses.entry(loss.kind).or_default() += 1;
        group.losses.push((place, loss));
    }
    for (place, fault) in dressed.faults {
        outcome.failed += 1;
        let (code, text) = (fault.kind.word().to_string(), fault.to_string());
        group.failures.push(Failure {
            place,
            code,
            text,
            bytes: Bytes::ZERO,
            at: desk.now(),
        });
    }
    ends.target.sync().map_err(|fault| hand::trouble_of(&fault))?;
    desk.ledger
        .record_group(task.batch, &task.dataset, &task.source, &group)
}

fn came_to(outcome: &Outcome) -> Done {
    let mut all = outcome.copied;
    // What an earlier run had written took none of this one's time.
    all.bytes = all.bytes.minus(outcome.resumed);
    Done {
        all,
        small: outcome.small,
        waited: outcome.waited,
    }
}

/// What is outstanding of a batch, and its folders on the way.
pub(super) struct Outstanding<'a> {
    walk: Walk<'a>,
    at_hand: &'a AtHand,
    ledger: Ledger,
    differing: BTreeSet<RelPath>,
    shelf: Shelf,
    ready: VecDeque<Item>,
    /// Folders met so far, for dressing.
    pub folders: Vec<FolderItem>,
    /// Files with nothing left to do.
    pub already: u64,
    /// Files that a repair has left open.
    pub untouched: BTreeSet<RelPath>,
}

impl<'a> Outstanding<'a> {
    pub(super) fn new(
        desk: &Desk<'_>,
        at_hand: &'a AtHand,
        ledger: Ledger,
    ) -> Result<Outstanding<'a>, Trouble> {
        let differences = desk.ledger.differences(at_hand.row.id)?;
        let blocking = |d: &crate::ledger::Difference| d.blocking && d.kind != "uninvited";
        let differing = differences
            .into_iter()
            .filter(blocking)
            .map(|d| d.place)
            .collect();
        Ok(Outstanding {
            shelf: Shelf::of(&ledger, &at_hand.index)?,
            walk: Walk::new(at_hand).in_pieces(),
            at_hand,
            ledger,
            differing,
            ready: VecDeque::new(),
            folders: Vec::new(),
            already: 0,
            untouched: BTreeSet::new(),
        })
    }

    fn fill(&mut self) -> Result<bool, Trouble> {
        let Some(mut folder) = self.walk.next().transpose()? else {
            return Ok(false);
        };
        let (id, dataset) = (self.at_hand.row.id, &self.at_hand.dataset.name);
        let records = self
            .ledger
            .some_records(id, dataset, &folder.place, folder.stretch())?;
        let scanned = self.at_hand.index.header().started();
        for child in std::mem::take(&mut folder.children) {
            let (Ok(from), Some(place)) = (folder.from.join(&child.name), folder.place_of(&child.name))
            else {
                continue;
            };
            // What a later batch brings is no longer ours to bring.
            if self.at_hand.taken.contains(&place) {
                continue;
            }
            if child.entry.kind == EntryKind::Directory {
                if child.entry.error.as_deref() != Some(crate::survey::surveyor::BOUNDARY) {
                    self.folders.push(FolderItem {
                        from,
                        place,
                        entry: child.entry,
                    });
                }
                continue;
            }
            if self.untouched.contains(&place) {
                continue;
            }
            let record = records.get(folder.placed_name(&child.name));
            let differs = self.differing.contains(&place);
            let fact = record.map(|r| Fact {
                source: r.source,
                at: r.copied_at,
                differs,
            });
            let seen = child.entry.identity();
            let what = remains(
                child.entry.kind,
                &seen,
                scanned,
                self.at_hand.inodes_stay,
                fact.as_ref(),
            );
            let recorded = match what {
                Remains::Nothing => {
                    self.already += 1;
                    continue;
                }
                Remains::NotCopied => continue,
                Remains::Copy => self.ledger.record_at(dataset, &place)?,
                Remains::Again => record.cloned(),
            };
            let known = self.shelf.known(&self.ledger, &from, &child.entry)?;
            self.ready.push_back(Item {
                from,
                place,
                entry: child.entry,
                recorded,
                known: known.map(Box::new),
            });
        }
        Ok(true)
    }
}

impl Iterator for Outstanding<'_> {
    type Item = Result<Item, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(item) = self.ready.pop_front() {
                return Some(Ok(item));
            }
            match self.fill() {
                Ok(true) => {}
                Ok(false) => return None,
                Err(trouble) => return Some(Err(trouble)),
            }
        }
    }
}
