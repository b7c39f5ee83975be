//! survey --twins: which files of the sources have the same content.

use super::content::Shelf;
use super::desk::Desk;
use super::gather::{exclude, inodes_hold, membership};
use super::scan::newest_index;
use super::{guard, settings::SourceSettings};
use crate::entry::{EntryKind, Identity, Named};
use crate::index::Index;
use crate::ledger::{Content, ContentKey};
use crate::names::RelPath;
use crate::scan::content::{EDGE, Job, Outcome, read};
use crate::scan::usual_threads;
use crate::survey::exclude::Exclude;
use crate::survey::twins::{Offered, Part, Sizes, TwinSummary, Twins};
use crate::survey::{Membership, Owner};
use crate::trouble::Trouble;
use crate::units::Bytes;
use crate::world::OsFs;
use std::collections::{BTreeSet, HashMap};
use std::sync::atomic::AtomicU64;

/// Most jobs between two times of saving, and their bytes.
const JOBS: (usize, u64) = (512, 256 << 20);
/// Pairs, sets and examples that are kept; of one set so many paths.
const SHOWN: (usize, usize) = (20, 4);

/// What is known of twins, with names.
pub struct Told {
    /// The counts.
    pub summary: TwinSummary,
    /// Names of projects by number: the source, the project.
    pub projects: Vec<(String, String)>,
    /// Paths of the files in the examples: the source, the path.
    pub paths: HashMap<u32, (String, RelPath)>,
    /// Files left out: no longer what the scan saw, not readable.
    pub left_out: (u64, u64),
    /// Read from the sources in this run.
    pub read: Bytes,
    /// Hashes known from before.
    pub known: u64,
}

struct Looked {
    source: SourceSettings,
    index: Index,
    fs: OsFs,
    shelf: Shelf,
    members: Membership,
    exclude: Exclude,
}

/// Finds them in the newest scan of all sources together. What was hashed is kept, so that a run
/// that was stopped goes on; `progress` is told bytes read and files looked at.
///
/// # Errors
/// [`Trouble`] where a source is missing or not scanned, and after a wish to stop.
pub fn twins(desk: &Desk<'_>, progress: &dyn Fn(Bytes, u64)) -> Result<Told, Trouble> {
    let looked: Vec<Looked> = desk
        .settings
        .sources
        .iter()
        .map(|s| look(desk, s))
        .collect::<Result<_, _>>()?;
    let mut sizes = Sizes::default();
    each_file(desk, &looked, &mut |_, _, _, child| {
        sizes.push(child.entry.size);
        Ok(())
    })?;
    let mut numbers: HashMap<(usize, Owner), u32> = HashMap::new();
    let mut projects = Vec::new();
    let mut twins = Twins::new(sizes.repeated());
    each_file(desk, &looked, &mut |number, which, folder, child| {
        let one = &looked[which];
        let owner = one.members.owner(folder, child);
        let project = *numbers.entry((which, owner)).or_insert_with_key(|(_, owner)| {
            let name = match owner {
                Owner::Project(key) => key.name(),
                Owner::Above => folder.to_string(),
            };
            projects.push((one.source.name.0.clone(), name));
            (projects.len() - 1) as u32
        });
        let shared = child.entry.links > 1 && inodes_hold(&one.source, &one.index);
        twins.offer(&Offered {
            number,
            project,
            name: &child.name,
            size: child.entry.size,
            shared_inode: shared.then_some((which, child.entry.inode)),
        });
        Ok(())
    })?;
    let mut round = Round::new(desk, &looked, progress);
    for part in [Part::Sample, Part::Whole] {
        round.all(&mut twins, part)?;
    }
    let (left_out, read, known) = (round.left_out, Bytes(round.read.into_inner()), round.known);
    let summary = twins.summary(SHOWN.0);
    let paths = paths_of(desk, &looked, &summary)?;
    Ok(Told {
        summary,
        projects,
        paths,
        left_out,
        read,
        known,
    })
}

fn look(desk: &Desk<'_>, source: &SourceSettings) -> Result<Looked, Trouble> {
    let index = newest_index(desk, &source.name.0)?;
    Ok(Looked {
        fs: guard::source(desk, source)?,
        shelf: Shelf::of(&desk.ledger, &index)?,
        members: membership(&desk.settings, source, &index),
        exclude: exclude(&desk.settings, source)?,
        source: source.clone(),
        index,
    })
}

type See<'a> = dyn FnMut(u32, usize, &RelPath, &Named) -> Result<(), Trouble> + 'a;

/// Every file that is not left out, in the order of the indexes: its number, its source's.
fn each_file(desk: &Desk<'_>, looked: &[Looked], see: &mut See<'_>) -> Result<(), Trouble> {
    let mut number = 0u32;
    for (which, one) in looked.iter().enumerate() {
        for piece in one.index.pieces() {
            let listing = piece?.listing;
            if desk.stop.is_set() {
                return Err(Trouble::interrupted());
            }
            if one
                .exclude
                .rule_for_path(&listing.folder, EntryKind::Directory)
                .is_some()
            {
                continue;
            }
            for child in &listing.children {
                let file = child.entry.kind == EntryKind::File && child.entry.error.is_none();
                if file
                    && one
                        .exclude
                        .rule_for(&listing.folder, &child.name, EntryKind::File)
                        .is_none()
                {
                    see(number, which, &listing.folder, child)?;
                    number = number.saturating_add(1);
                }
            }
        }
    }
    Ok(())
}

/// One pass over the sources, reading what is wanted and not known yet.
struct Round<'a> {
    desk: &'a Desk<'a>,
    looked: &'a [Looked],
    progress: &'a dyn Fn(Bytes, u64),
    read: AtomicU64,
    files: u64,
    known: u64,
    left_out: (u64, u64),
    /// What waits to be read, all of one source.
    jobs: Vec<(u32, Job)>,
    bytes: u64,
    from: usize,
}

impl<'a> Round<'a> {
    fn new(desk: &'a Desk<'a>, looked: &'a [Looked], progress: &'a dyn Fn(Bytes, u64)) -> Round<'a> {
        Round {
            desk,
            looked,
            progress,
            read: AtomicU64::new(0),
            files: 0,
            known: 0,
            left_out: (0, 0),
            jobs: Vec::new(),
            bytes: 0,
            from: 0,
        }
    }

    fn all(&mut self, twins: &mut Twins, part: Part) -> Result<(), Trouble> {
        let mut wanted = twins.wanted(part).into_iter().peekable();
        let (desk, looked) = (self.desk, self.looked);
        each_file(desk, looked, &mut |number, which, folder, child| {
            if wanted.next_if_eq(&number).is_none() {
                return Ok(());
            }
            let Ok(path) = folder.join(&child.name) else {
                return Ok(());
            };
            self.take(twins, (number, which), path, child.entry.identity(), part)
        })?;
        self.flush(twins)
    }

    fn take(
        &mut self,
        twins: &mut Twins,
        at: (u32, usize),
        path: RelPath,
        identity: Identity,
        part: Part,
    ) -> Result<(), Trouble> {
        let (number, which) = at;
        if which != self.from || self.jobs.len() >= JOBS.0 || self.bytes >= JOBS.1 {
            self.flush(twins)?;
            self.from = which;
        }
        let one = &self.looked[which];
        // Short files have no sample: see `read`.
        let part = if identity.size.0 <= 2 * EDGE {
            Part::Whole
        } else {
            part
        };
        let kept = one.shelf.get(&self.desk.ledger, &path, &identity)?;
        let hash = if part == Part::Whole {
            kept.whole
        } else {
            kept.sample
        };
        if let Some(hash) = hash {
            self.known += 1;
            twins.learn(number, part, hash);
            return Ok(());
        }
        self.bytes += if part == Part::Whole {
            identity.size.0
        } else {
            2 * EDGE
        };
        let inodes_hold = inodes_hold(&one.source, &one.index);
        self.jobs.push((
            number,
            Job {
                path,
                identity,
                inodes_hold,
                part,
            },
        ));
        Ok(())
    }

    /// Reads what waits and keeps what came of it, also where it was stopped on the way.
    fn flush(&mut self, twins: &mut Twins) -> Result<(), Trouble> {
        let (numbers, jobs): (Vec<u32>, Vec<Job>) = std::mem::take(&mut self.jobs).into_iter().unzip();
        self.bytes = 0;
        let Some(one) = self.looked.get(self.from).filter(|_| !jobs.is_empty()) else {
            return Ok(());
        };
        let threads = usual_threads(&one.index.header().start.mount_type);
        // What was read counts from when its reading began: an edit may have come in between.
        let (stop, read_at) = (self.desk.stop, self.desk.now());
        let tell = |read: u64, done: u64| (self.progress)(Bytes(read), self.files + done);
        let outcomes = read(&one.fs, &jobs, threads, &|| stop.is_set(), &self.read, &tell);
        let mut rows: Vec<(ContentKey, Content)> = Vec::new();
        let mut stopped = false;
        for ((number, job), outcome) in numbers.into_iter().zip(&jobs).zip(outcomes) {
            self.files += 1;
            match outcome {
                Outcome::Hashed(part, hash) => {
                    twins.learn(number, part, hash);
                    let whole = (part == Part::Whole).then_some(hash);
                    let sample = (part == Part::Sample).then_some(hash);
                    let content = Content {
                        sample,
                        whole,
                        header: None,
                        read_at,
                    };
                    rows.push((one.shelf.key(&job.path, &job.identity), content));
                }
                Outcome::Changed => self.left_out.0 += 1,
                Outcome::Unreadable(_) => self.left_out.1 += 1,
                Outcome::Stopped => stopped = true,
            }
        }
        one.shelf.keep(&self.desk.ledger, &rows)?;
        match stopped {
            true => Err(Trouble::interrupted()),
            false => Ok(()),
        }
    }
}

/// The paths behind the numbers in the examples.
fn paths_of(
    desk: &Desk<'_>,
    looked: &[Looked],
    summary: &TwinSummary,
) -> Result<HashMap<u32, (String, RelPath)>, Trouble> {
    let sets = summary
        .largest
        .iter()
        .flat_map(|set| set.numbers.iter().take(SHOWN.1));
    let wanted: BTreeSet<u32> = sets
        .chain(summary.other_examples.iter().flatten())
        .copied()
        .collect();
    let mut paths = HashMap::new();
    each_file(desk, looked, &mut |number, which, folder, child| {
        if wanted.contains(&number) {
            if let Ok(path) = folder.join(&child.name) {
                paths.insert(number, (looked[which].source.name.0.clone(), path));
            }
        }
        Ok(())
    })?;
    Ok(paths)
}
