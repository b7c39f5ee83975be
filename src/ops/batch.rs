//! A batch at hand: its plan, its row in the ledger, its index, and both ends.

use super::desk::{Desk, is_alive, this_process};
use super::settings::{DestinationSettings, PermissionWords, SourceSettings};
use super::{away, gather, guard, late, scan, store};
use crate::index::Index;
use crate::ledger::BatchRow;
use crate::lifecycle::State;
use crate::names::{RelPath, nearest};
use crate::plan::{Batch, Dataset, LockedBatch, Plan, Renames};
use crate::survey::exclude::Exclude;
use crate::survey::member::Membership;
use crate::trouble::Trouble;
use crate::world::OsFs;
use std::collections::BTreeSet;

/// The number of a batch that has no row: it has not begun.
const NOT_BEGUN: i64 = -1;

/// A batch that has begun, with all that its work needs.
pub struct AtHand {
    /// Its row.
    pub row: BatchRow,
    /// As planned.
    pub batch: Batch,
    /// The dataset it fills.
    pub dataset: Dataset,
    /// Its source.
    pub source: SourceSettings,
    /// Its destination.
    pub destination: DestinationSettings,
    /// The index it was begun from.
    pub index: Index,
    /// What is left out.
    pub exclude: Exclude,
    /// Names that change on the way.
    pub renames: Renames,
    /// What files and folders get instead of what they had, as written.
    pub permissions: PermissionWords,
    /// What belongs to which project.
    pub membership: Membership,
    /// Whether inode numbers tell names of one file.
    pub inodes_hold: bool,
    /// Whether they tell a file from one scan to the next, over any remount.
    pub inodes_stay: bool,
    /// The folder that stands for the dataset's, for a batch copied by other means.
    pub at: Option<Vec<u8>>,
    /// For a batch of later files, the places below the dataset's folder that are all it brings.
    pub only: Option<BTreeSet<RelPath>>,
    /// Places that later batches bring anew: no longer this one's to copy or to hold.
    pub taken: BTreeSet<RelPath>,
}

/// The stored plan.
///
/// # Errors
/// `not-planned` where there is none.
pub fn plan(desk: &Desk<'_>) -> Result<Plan, Trouble> {
    match desk.ledger.plan()? {
        Some(row) => store::plan_of(&row.body),
        None => Err(Trouble::usage("not-planned", "there is no plan yet").mend("Run `poolward plan` first.")),
    }
}

/// The batches named, or all; unknown names get the nearest ones.
///
/// # Errors
/// `no-such-batch` with the nearest names.
pub fn named(plan: &Plan, names: &[String]) -> Result<Vec<Batch>, Trouble> {
    let known: Vec<&str> = plan.batches.iter().map(|batch| batch.name.as_str()).collect();
    let find = |name: &String| {
        plan.batches
            .iter()
            .find(|batch| batch.name.as_str() == name)
            .cloned()
            .ok_or_else(|| {
                let near = nearest(name, known.iter().copied(), 3).join(", ");
                let mend = if near.is_empty() {
                    "The plan has no batches.".to_string()
                } else {
                    format!("Did you mean one of these: {near}? `poolward status` lists all.")
                };
                Trouble::usage("no-such-batch", format!("there is no batch {name}")).mend(mend)
            })
    };
    names.iter().map(find).collect()
}

/// The state of a batch by its row.
pub fn state_of(row: Option<&BatchRow>) -> State {
    row.and_then(|row| State::parse(&row.state))
        .unwrap_or(State::Waiting)
}

/// Begins a batch, or takes it up again: its row is bound to the index it is begun from.
///
/// # Errors
/// [`Trouble`] where settings, index or ledger do not fit the plan any more.
pub fn take_up(
    desk: &mut Desk<'_>,
    plan: &Plan,
    batch: &Batch,
    at: Option<&[u8]>,
) -> Result<AtHand, Trouble> {
    let dataset = plan.datasets.iter().find(|dataset| dataset.name == batch.dataset);
    let dataset = dataset
        .cloned()
        .ok_or_else(|| Trouble::defect("a batch has no dataset"))?;
    let newest = desk.ledger.indexes(&batch.source.0)?.pop();
    let Some(newest) = newest else {
        return Err(Trouble::usage(
            "not-scanned",
            format!("the source {} was not scanned", batch.source),
        )
        .mend("Run `poolward scan`, then `poolward plan`."));
    };
    let mut locked = LockedBatch {
        batch: batch.clone(),
        dataset: dataset.clone(),
    };
    let places = match batch.delta {
        true => late::bind(desk, &mut locked.batch)?,
        false => Vec::new(),
    };
    let row = BatchRow {
        id: 0,
        name: batch.name.as_str().to_string(),
        dataset: dataset.name.clone(),
        source: batch.source.0.clone(),
        destination: dataset.destination.clone(),
        index: newest.digest,
        state: State::Waiting.word().to_string(),
        begun_at: desk.now(),
        copied_at: None,
        verified_at: None,
        released_at: None,
        body: store::locked_text(&locked, at)?,
    };
    let row = desk.ledger.begin_late(&row, &places)?;
    open(desk, row)
}

/// A batch that has begun, by its row.
///
/// # Errors
/// [`Trouble`] where settings or index are missing.
pub fn open(desk: &Desk<'_>, row: BatchRow) -> Result<AtHand, Trouble> {
    let (locked, at) = store::locked_of(&row.body)?;
    let gone = |what: &str, name: &str| {
        Trouble::usage(
            "settings-changed",
            format!(
                "move.toml has no {what} named {name}, but the batch {} needs it",
                row.name
            ),
        )
        .mend("Put it back as it was; batches that have begun keep their ends.")
    };
    let source = desk
        .settings
        .source(&row.source)
        .ok_or_else(|| gone("source", &row.source))?
        .clone();
    let destination = desk.settings.destination(&row.destination);
    let destination = destination
        .ok_or_else(|| gone("destination", &row.destination))?
        .clone();
    let index = scan::open_index(desk, &row.source, row.index)?;
    let exclude = gather::exclude(&desk.settings, &source)?;
    let membership = gather::membership(&desk.settings, &source, &index);
    let inodes_hold = gather::inodes_hold(&source, &index);
    let inodes_stay = gather::inodes_stay(&source, &index);
    let LockedBatch { batch, dataset } = locked;
    let only = match batch.delta {
        true => Some(desk.ledger.late_of(row.id, &dataset.name)?),
        false => None,
    };
    let taken = match row.id {
        NOT_BEGUN => BTreeSet::new(),
        id => desk.ledger.late_after(id, &dataset.name)?,
    };
    Ok(AtHand {
        only,
        taken,
        row,
        batch,
        dataset,
        source,
        destination,
        index,
        exclude,
        renames: Renames::new(&desk.settings.renames),
        permissions: desk.settings.permissions.clone(),
        membership,
        inodes_hold,
        inodes_stay,
        at,
    })
}

/// Both ends of a batch, checked.
///
/// # Errors
/// [`Trouble`] where one is missing or not what it was.
pub fn ends(desk: &mut Desk<'_>, at_hand: &AtHand) -> Result<(OsFs, OsFs), Trouble> {
    let source = guard::source(desk, &at_hand.source)?;
    let move_id = desk.ledger.move_id()?;
    guard::refuse_same_storage(&at_hand.source.path, &at_hand.destination.path, &move_id)?;
    Ok((source, target(desk, at_hand)?))
}

/// The destination's end of a batch, checked.
///
/// # Errors
/// [`Trouble`] where it is missing or not what it was.
pub fn target(desk: &mut Desk<'_>, at_hand: &AtHand) -> Result<OsFs, Trouble> {
    use std::os::unix::ffi::OsStrExt;
    match &at_hand.at {
        None => guard::dataset(desk, &at_hand.destination, &at_hand.dataset),
        Some(path) => {
            let path = std::path::Path::new(std::ffi::OsStr::from_bytes(path));
            OsFs::open(path).map_err(|fault| {
                Trouble::stopped(
                    "mount-missing",
                    format!("cannot open {}: {}", path.display(), fault.words),
                )
                .mend("It was given with `adopt --at`; mount it again.")
            })
        }
    }
}

/// Runs `work` as the one writer of a batch.
///
/// # Errors
/// `batch-busy` where another process works on it, `carried-elsewhere` where another machine does,
/// or what `work` answers.
pub fn alone<T>(
    desk: &mut Desk<'_>,
    batch: &str,
    work: impl FnOnce(&mut Desk<'_>) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    here_alone(desk, batch, |desk| {
        away::refuse(desk, batch)?;
        work(desk)
    })
}

/// The same whatever another machine does: for those who deal with its waybill.
///
/// # Errors
/// `batch-busy`, or what `work` answers.
pub fn here_alone<T>(
    desk: &mut Desk<'_>,
    batch: &str,
    work: impl FnOnce(&mut Desk<'_>) -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    let mine = this_process(desk.now());
    if let Err(holder) = desk.ledger.take_lease(batch, &mine, is_alive)? {
        let since = holder.since.local(desk.settings.windows.zone);
        return Err(Trouble::stopped(
            "batch-busy",
            format!(
                "the batch {batch} is worked on by process {} on {} since {since}",
                holder.process, holder.host
            ),
        )
        .mend("Let it end, or stop it with Ctrl-C; other batches can be worked on meanwhile."));
    }
    let done = work(desk);
    desk.ledger.drop_lease(batch)?;
    done
}

/// A batch that has not begun, as it would begin now; it cannot be recorded.
///
/// # Errors
/// [`Trouble`] where its source was not scanned or the settings do not fit.
pub fn preview(desk: &Desk<'_>, plan: &Plan, batch: &Batch) -> Result<AtHand, Trouble> {
    if let (true, Some(row)) = (batch.delta, desk.ledger.batch(batch.name.as_str())?) {
        return open(desk, row);
    }
    let dataset = plan.datasets.iter().find(|dataset| dataset.name == batch.dataset);
    let dataset = dataset
        .cloned()
        .ok_or_else(|| Trouble::defect("a batch has no dataset"))?;
    let newest = desk.ledger.indexes(&batch.source.0)?.pop();
    let newest = newest.ok_or_else(|| {
        Trouble::usage(
            "not-scanned",
            format!("the source {} was not scanned", batch.source),
        )
    })?;
    let destination = dataset.destination.clone();
    let locked = LockedBatch {
        batch: batch.clone(),
        dataset,
    };
    let row = BatchRow {
        id: NOT_BEGUN,
        name: batch.name.as_str().to_string(),
        dataset: locked.dataset.name.clone(),
        source: batch.source.0.clone(),
        destination,
        index: newest.digest,
        state: State::Waiting.word().to_string(),
        begun_at: desk.now(),
        copied_at: None,
        verified_at: None,
        released_at: None,
        body: store::locked_text(&locked, None)?,
    };
    let mut at_hand = open(desk, row)?;
    if batch.delta {
        let places = late::bind(desk, &mut at_hand.batch)?;
        at_hand.only = Some(places.into_iter().collect());
    }
    Ok(at_hand)
}
