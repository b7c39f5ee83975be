//! A waybill as it was read: its seal checked, its batch understood, nothing in it that contradicts.

use super::refused;
use crate::digest::Digest;
use crate::index::InodeClass;
use crate::names::{RelPath, shown};
use crate::ops::store;
use crate::plan::{LockedBatch, Placed, Rename};
use crate::report::waybill::{Bad, Head, Listed, Part, Totals, read};
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use crate::units::Amount;
use crate::world::ReadHow;
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

/// Names at the source's top that it is known by.
const KNOWN: usize = 16;

/// What a waybill asks for, its list of files apart.
pub(super) struct Bill {
    pub head: Head,
    pub locked: LockedBatch,
    /// Whether the batch's files lie in a folder of their own, not below the destination's.
    pub apart: bool,
    pub inodes: InodeClass,
    pub zone: chrono_tz::Tz,
    pub accept_read: Vec<ReadHow>,
    pub asked: Amount,
    pub hash: Digest,
    /// Names that change on the way, below the folders of projects.
    pub renames: Vec<Rename>,
    /// Some names at the source's top, as they are shown.
    pub tops: Vec<String>,
    /// For a batch of later files: all that it brings.
    pub brings: Vec<RelPath>,
    /// Places that may hold something of others.
    pub others: Vec<RelPath>,
    /// Places that later batches bring anew.
    pub taken: Vec<RelPath>,
}

impl Bill {
    /// Reads all of it.
    ///
    /// # Errors
    /// `no-waybill` where there is none, `waybill-refused` for what cannot be worked on.
    pub fn read(path: &Path) -> Result<Bill, Trouble> {
        let mut tops = Vec::new();
        let (mut others, mut taken, mut renames) = (Vec::new(), Vec::new(), Vec::new());
        let mut open = RelPath::root();
        let mut totals = pass(path, |part| {
            match part {
                Part::Folder(folder, _) => open = folder,
                Part::Entry(listed) => {
                    if open.is_root() && tops.len() < KNOWN {
                        tops.push(shown(&listed.name));
                    }
                    renames.extend(rename(&open, &listed));
                }
                Part::Other(place) => others.push(place),
                Part::Taken(place) => taken.push(place),
            }
            Ok(())
        })?;
        let body = std::mem::take(&mut totals.locked);
        let brings = match totals.head.only {
            true => brings(path, totals.hash)?,
            false => Vec::new(),
        };
        let (locked, at) = store::locked_of(&body).map_err(|trouble| refused(path, &trouble.text))?;
        renames.retain(|rename: &Rename| {
            let is_project = |one: &Placed| one.key == ProjectKey::Folder(rename.from.clone());
            !locked.batch.projects.iter().any(is_project)
        });
        let settled = settled(&totals.head, &locked).map_err(|why| refused(path, why))?;
        Ok(Bill {
            inodes: settled.0,
            zone: settled.1,
            accept_read: settled.2,
            apart: at.is_some(),
            asked: totals.asked,
            hash: totals.hash,
            head: totals.head,
            locked,
            renames,
            tops,
            brings,
            others,
            taken,
        })
    }
}

/// The rename that an entry shows: its place has another name than it has itself. Of projects the
/// batch says where they go.
fn rename(folder: &RelPath, listed: &Listed) -> Option<Rename> {
    let (_, name) = listed.place.as_ref()?.split()?;
    let changes = name != listed.name.as_slice();
    let (from, to) = (folder.join(&listed.name), folder.join(name));
    Some(Rename {
        from: from.ok()?,
        to: to.ok()?,
    })
    .filter(|_| changes)
}

/// The places of a batch of later files; any other has too many to hold.
fn brings(path: &Path, hash: Digest) -> Result<Vec<RelPath>, Trouble> {
    let mut all = Vec::new();
    let totals = pass(path, |part| {
        if let Part::Entry(listed) = part {
            all.extend(listed.place.filter(|_| listed.mine));
        }
        Ok(())
    })?;
    match totals.hash == hash {
        true => Ok(all),
        false => Err(refused(path, "it changed while it was read")),
    }
}

/// Reads a waybill once, handing on its parts.
pub(super) fn pass(path: &Path, each: impl FnMut(Part) -> Result<(), Trouble>) -> Result<Totals, Trouble> {
    let file = File::open(path).map_err(|e| {
        Trouble::usage(
            "no-waybill",
            format!("cannot open the waybill {}: {e}", path.display()),
        )
        .mend("Name the file that `poolward waybill` has written.")
    })?;
    read(BufReader::with_capacity(1 << 18, file), each).map_err(|bad| match bad {
        Bad::Taker(trouble) => trouble,
        bad => refused(path, &bad.to_string()),
    })
}

type Settled = (InodeClass, chrono_tz::Tz, Vec<ReadHow>);

/// The words of a head as values, where head and batch agree.
fn settled(head: &Head, locked: &LockedBatch) -> Result<Settled, &'static str> {
    let (batch, dataset) = (&locked.batch, &locked.dataset);
    let same = batch.name.as_str() == head.batch
        && batch.dataset == head.dataset
        && dataset.name == head.dataset
        && batch.source.0 == head.source.name
        && dataset.destination == head.destination.name
        && batch.delta == head.only;
    if !same {
        return Err("its head speaks of another batch than its body");
    }
    if !(1..=64).contains(&head.source.project_depth) {
        return Err("it has no depth of projects");
    }
    let mut places: Vec<&RelPath> = Vec::new();
    for project in &batch.projects {
        let in_reach = match &project.key {
            ProjectKey::Folder(path) => !path.is_root(),
            ProjectKey::Loose(_) => true,
        };
        if !in_reach {
            return Err("a project that is the whole source");
        }
        places.push(&project.place);
    }
    places.sort();
    if places.windows(2).any(|pair| pair[1].below(pair[0]).is_some()) {
        return Err("two projects would come to lie in one another");
    }
    let classes = [
        InodeClass::Unknown,
        InodeClass::Stable,
        InodeClass::Session,
        InodeClass::Worthless,
    ];
    let inodes = classes
        .into_iter()
        .find(|class| class.word() == head.source.inodes);
    let ways = head.settings.accept_read.iter().map(|word| ReadHow::parse(word));
    Ok((
        inodes.ok_or("an unknown class of inode numbers")?,
        head.settings.zone.parse().map_err(|_| "an unknown zone")?,
        ways.collect::<Option<_>>().ok_or("an unknown way of reading")?,
    ))
}
