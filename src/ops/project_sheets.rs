//! The one-page sheet of each project, for a client, with the list of its hashes beside it.

use super::batch::AtHand;
use super::desk::Desk;
use super::{batch, manifest, pieces};
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::ledger::{FileRecord, Proof};
use crate::lifecycle::State;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::plan::Placed;
use crate::report::manifest::blake3_list;
use crate::report::model::{self, Period};
use crate::report::sheet::ProjectSheet;
use crate::survey::ProjectKey;
use crate::trouble::Trouble;
use crate::units::Amount;
use crate::world::ReadHow;
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

/// Longest part of a project's name in the name of its sheet, in bytes: with the batch's name before
/// it and an ending it stays far below the 255 of NAME_MAX.
const LONGEST: usize = 80;

/// What is recorded of one project, by all batches that hold files of it.
#[derive(Default)]
struct Tally {
    amount: Amount,
    files: Vec<(RelPath, Digest)>,
    copied: Option<Period>,
    read_back: Option<Period>,
    how: Option<ReadHow>,
    /// Something of it is not verified.
    open: bool,
}

impl Tally {
    fn add(&mut self, record: FileRecord) {
        self.copied = Some(wider(self.copied, record.copied_at));
        match record.proof {
            Proof::Verified { how, at } => {
                self.read_back = Some(wider(self.read_back, at));
                if record.kind == EntryKind::File && record.source.size.0 > 0 {
                    self.how = self.how.max(Some(how));
                }
            }
            Proof::Copied | Proof::Adopted => self.open = true,
        }
        if record.kind == EntryKind::File {
            self.amount.add(Amount::one(record.source.size));
            self.files.push((record.place, record.hash));
        }
    }
}

fn wider(period: Option<Period>, at: Moment) -> Period {
    match period {
        None => Period { start: at, end: at },
        Some(period) => Period {
            start: period.start.min(at),
            end: period.end.max(at),
        },
    }
}

/// Writes the sheets of all projects of a verified batch into `reports/projects/`. A project of
/// which another batch still holds files that are not verified gets none.
///
/// # Errors
/// [`Trouble`] where the ledger cannot be read or a file cannot be written.
pub fn write(desk: &Desk<'_>, name: &str) -> Result<Vec<PathBuf>, Trouble> {
    let kin = pieces::kin(desk, name)?;
    let Some(first) = kin.first() else {
        return Ok(Vec::new());
    };
    let mut tallies: BTreeMap<ProjectKey, Tally> = BTreeMap::new();
    for at_hand in &kin {
        tally(desk, at_hand, &mut tallies)?;
    }
    let (mut written, mut taken) = (Vec::new(), BTreeSet::new());
    for placed in &first.batch.projects {
        let ProjectKey::Folder(path) = &placed.key else {
            continue;
        };
        let Some(tally) = tallies.remove(&placed.key) else {
            continue;
        };
        let Some(read_back) = tally.read_back.filter(|_| !tally.open) else {
            continue;
        };
        let file = file_name(name, path, &mut taken);
        written.extend(sheet(desk, first, placed, &tally, read_back, &file)?);
    }
    Ok(written)
}

fn tally(desk: &Desk<'_>, at_hand: &AtHand, into: &mut BTreeMap<ProjectKey, Tally>) -> Result<(), Trouble> {
    let projects = at_hand.batch.projects.iter();
    let places: BTreeMap<&RelPath, &ProjectKey> = projects
        .filter(|placed| matches!(placed.key, ProjectKey::Folder(_)))
        .map(|placed| (&placed.place, &placed.key))
        .collect();
    let depths: BTreeSet<usize> = places.keys().map(|place| place.depth()).collect();
    desk.ledger
        .each_record(at_hand.row.id, &at_hand.dataset.name, |record| {
            let above = depths.iter().filter_map(|depth| record.place.prefix(*depth));
            let key = above.filter_map(|above| places.get(&above)).next_back();
            if let Some(key) = key {
                into.entry((*key).clone()).or_default().add(record);
            }
            Ok(())
        })?;
    if batch::state_of(Some(&at_hand.row)) < State::Verified {
        for key in places.values() {
            into.entry((*key).clone()).or_default().open = true;
        }
    }
    Ok(())
}

fn sheet(
    desk: &Desk<'_>,
    at_hand: &AtHand,
    placed: &Placed,
    tally: &Tally,
    read_back: Period,
    file: &str,
) -> Result<[PathBuf; 3], Trouble> {
    use std::os::unix::ffi::OsStrExt;
    let home = desk.folder.join("reports").join("projects");
    let mut files = tally.files.clone();
    files.sort();
    let list = blake3_list(files.iter().map(|(place, hash)| (place, *hash)));
    let list_name = format!("{file}.blake3");
    let path = match &placed.key {
        ProjectKey::Folder(path) => path.clone(),
        ProjectKey::Loose(_) => RelPath::root(),
    };
    let below = |root: &std::path::Path, path: &RelPath| {
        let path = root.join(std::ffi::OsStr::from_bytes(path.as_bytes()));
        path.as_os_str().as_bytes().to_vec()
    };
    let folder = std::ffi::OsStr::from_bytes(at_hand.dataset.folder.as_bytes());
    let title = desk
        .folder
        .file_name()
        .map(|name| name.to_string_lossy().into_owned());
    let sheet = ProjectSheet {
        project: placed.key.name().into_bytes(),
        title: title.unwrap_or_default(),
        zone: desk.settings.windows.zone,
        now: desk.now(),
        version: env!("CARGO_PKG_VERSION").to_string(),
        amount: tally.amount,
        source_path: below(&at_hand.source.path, &path),
        destination_path: below(&at_hand.destination.path.join(folder), &placed.place),
        read_at_source: tally.copied,
        read_back,
        // Without any content there is nothing that a cache could have answered.
        read_how: match tally.how {
            Some(ReadHow::Evicted) => model::ReadHow::Evicted,
            Some(ReadHow::Server) => model::ReadHow::Server,
            Some(ReadHow::Unknown) => model::ReadHow::Unknown,
            Some(ReadHow::Direct) | None => model::ReadHow::Direct,
        },
        matched_old_list: 0,
        list: (list_name.clone(), Digest::of(&list)),
        proof: None,
    };
    let text = home.join(format!("{file}.txt"));
    let page = home.join(format!("{file}.html"));
    let hashes = home.join(list_name);
    manifest::put(&hashes, &list)?;
    manifest::put(&text, sheet.text().as_bytes())?;
    manifest::put(&page, sheet.html().as_bytes())?;
    Ok([text, page, hashes])
}

/// `2019.1-lantern-fair`: letters, digits, dots, dashes and underscores; a number where two projects
/// would have the same.
fn file_name(batch: &str, project: &RelPath, taken: &mut BTreeSet<String>) -> String {
    let keep = |b: &u8| match b {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'.' | b'-' | b'_' => char::from(*b),
        _ => '_',
    };
    let slug: String = project.as_bytes().iter().take(LONGEST).map(keep).collect();
    let plain = format!("{batch}-{slug}");
    let numbered = (2u32..).map(|n| format!("{plain}.{n}"));
    let name = std::iter::once(plain.clone())
        .chain(numbered)
        .find(|name| !taken.contains(name));
    let name = name.unwrap_or(plain);
    taken.insert(name.clone());
    name
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_name_of_a_sheet_is_plain_and_taken_once() {
        let mut taken = BTreeSet::new();
        let mut name = |path: &str| file_name("2019.1", &RelPath::new(path).unwrap(), &mut taken);
        assert_eq!(name("2019-lantern-fair"), "2019.1-2019-lantern-fair");
        assert_eq!(name("clients/grün & co"), "2019.1-clients_gr__n___co");
        assert_eq!(name("clients/gr__n___co"), "2019.1-clients_gr__n___co.2");
        assert!(name(&"long".repeat(60)).len() < 100);
    }
}
