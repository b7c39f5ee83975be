//! Trouble between the entries of one folder: names that fold into one, partner files, bundles,
//! camera cards, split clips.

use crate::entry::{EntryKind, Listing, Named};
use crate::names::RelPath;
use crate::survey::hazards::beside::Beside;
use crate::survey::hazards::names::{self, Marks};
use crate::survey::hazards::{EXAMPLES, Sort, Tally};
use crate::survey::kinds;
use crate::trouble::Trouble;
use caseless::Caseless;
use std::collections::BTreeMap;
use unicode_normalization::UnicodeNormalization;

/// A folder with more entries than this is slow to list (hazard P2).
const HUGE: usize = 100_000;
/// Sizes of a clip cut by a card's file system (hazard B4): 3.9 to 4.0 GiB.
const CUT: std::ops::RangeInclusive<u64> = 4_187_593_113..=4_294_967_296;
/// Folder names at the root of a camera card (hazard B3).
const CARD: [&[u8]; 5] = [b"PRIVATE", b"DCIM", b"CONTENTS", b"CLIP", b"BPAV"];
/// Endings of folders that are documents by the ending alone (hazard B1).
const BUNDLE: [&[u8]; 3] = [b"app", b"rtfd", b"sparsebundle"];
/// Endings of files that make a folder with an ending a document.
const DATABASE: [&[u8]; 4] = [b"db", b"sqlite", b"sqlite3", b"sqlitedb"];

/// Names that are compared in full at a time: they are read once more, so that a folder of any length
/// costs some ten MB for them.
const AT_ONCE: usize = 500_000;

/// Hashes of the folded names of one folder, each with its place: 16 bytes an entry.
#[derive(Debug, Default)]
pub struct Siblings {
    folded: Hashes,
    may_collide: bool,
    has_colon: bool,
}

/// Hashes of names with the numbers of these in their folder.
type Hashes = Vec<(u64, u32)>;

impl Siblings {
    /// Takes in one name; `at` is its number in the folder.
    pub fn push(&mut self, at: usize, name: &[u8], marks: Marks) {
        let Ok(place) = u32::try_from(at) else {
            return;
        };
        self.may_collide |= marks.may_collide();
        self.has_colon |= marks.has_colon();
        let hash = if marks.is_ascii() {
            hash(name.iter().map(u8::to_ascii_lowercase))
        } else {
            hash(fold(name).into_iter())
        };
        self.folded.push((hash, place));
    }

    /// Reports what the names do to each other.
    ///
    /// # Errors
    /// A piece of the folder that cannot be read once more.
    pub fn finish(self, beside: &mut Beside<'_>, tally: &mut Tally) -> Result<(), Trouble> {
        let folder = &beside.at.listing.folder;
        // Names without capitals in plain ASCII are as different folded as they are on disk.
        if self.may_collide {
            let mut report = |group: &[(u32, &[u8])]| {
                let names: Vec<&[u8]> = group.iter().map(|(_, name)| *name).collect();
                report_group(&names, folder, tally);
            };
            each_alike(self.folded, AT_ONCE, beside, &mut report)?;
        }
        match self.has_colon {
            true => report_hex_twins(beside, tally),
            false => Ok(()),
        }
    }
}

/// Shows all names whose hashes stand beside another's, hash by hash, in the order of the folder.
pub(in crate::survey) fn each_alike(
    mut hashes: Hashes,
    at_once: usize,
    beside: &mut Beside<'_>,
    see: &mut dyn FnMut(&[(u32, &[u8])]),
) -> Result<(), Trouble> {
    hashes.sort_unstable();
    let mut rest = keep_groups(&mut hashes);
    while !rest.is_empty() {
        let least = at_once.min(rest.len());
        let more = rest[least..]
            .iter()
            .take_while(|(hash, _)| *hash == rest[least - 1].0);
        let (some, others) = rest.split_at(least + more.count());
        rest = others;
        let mut wanted: Vec<(u32, usize)> = (0..).zip(some).map(|(n, (_, place))| (*place, n)).collect();
        wanted.sort_unstable();
        let mut names: Vec<Vec<u8>> = vec![Vec::new(); some.len()];
        let mut wanted = wanted.into_iter().peekable();
        beside.each(&mut |number, name| {
            if let Some((_, n)) = wanted.next_if(|(place, _)| *place == number) {
                names[n] = name.to_vec();
            }
        })?;
        let places = some.iter().map(|(_, place)| *place);
        let named: Vec<(u32, &[u8])> = places.zip(names.iter().map(Vec::as_slice)).collect();
        let mut from = 0;
        for group in some.chunk_by(|a, b| a.0 == b.0) {
            see(&named[from..from + group.len()]);
            from += group.len();
        }
    }
    Ok(())
}

/// Brings the hashes that more than one name has to the front, and says which these are.
fn keep_groups(hashes: &mut Hashes) -> &[(u64, u32)] {
    let mut kept = 0;
    let mut from = 0;
    while from < hashes.len() {
        let length = hashes[from..]
            .iter()
            .take_while(|(hash, _)| *hash == hashes[from].0)
            .count();
        if length > 1 {
            hashes.copy_within(from..from + length, kept);
            kept += length;
        }
        from += length;
    }
    &hashes[..kept]
}

/// Names written with hex escapes whose plain form stands beside them (hazard N10).
fn report_hex_twins(beside: &mut Beside<'_>, tally: &mut Tally) -> Result<(), Trouble> {
    let (mut hashes, mut any) = (Hashes::new(), false);
    let escaped = |name: &[u8]| names::holds_hex_escape(name);
    beside.each(&mut |number, name| {
        any |= escaped(name);
        hashes.push((hash(names::unescaped(name).into_iter()), number));
    })?;
    if !any {
        return Ok(());
    }
    let (mut count, mut first): (u64, BTreeMap<u32, Vec<u8>>) = Default::default();
    each_alike(hashes, AT_ONCE, beside, &mut |group| {
        let mut plain: BTreeMap<Vec<u8>, u64> = BTreeMap::new();
        for (_, name) in group {
            *plain.entry(names::unescaped(name)).or_default() += 1;
        }
        let twins = group
            .iter()
            .filter(|(_, name)| escaped(name) && plain.get(&names::unescaped(name)).is_some_and(|n| *n > 1));
        for (number, name) in twins {
            count += 1;
            first.insert(*number, name.to_vec());
            if first.len() > EXAMPLES {
                first.pop_last();
            }
        }
    })?;
    let folder = &beside.at.listing.folder;
    let examples = first.values().filter_map(|name| folder.join(name).ok());
    tally.note_many(Sort::NameHexTwin, count, examples);
    Ok(())
}

/// Names with one hash: those whose folded forms are really equal.
fn report_group(names: &[&[u8]], folder: &RelPath, tally: &mut Tally) {
    let mut by_fold: BTreeMap<Vec<u8>, Vec<&[u8]>> = BTreeMap::new();
    for name in names {
        by_fold.entry(fold(name)).or_default().push(name);
    }
    for same in by_fold.values().filter(|same| same.len() > 1) {
        let mut by_form: BTreeMap<Vec<u8>, u64> = BTreeMap::new();
        for name in same {
            *by_form.entry(normal(name)).or_default() += 1;
        }
        for name in same {
            let twin = by_form.get(&normal(name)).is_some_and(|count| *count > 1);
            let sort = if twin {
                Sort::NameNormalization
            } else {
                Sort::NameCase
            };
            tally.note(sort, folder, name);
        }
    }
}

/// Full case folding between two canonical decompositions (Unicode, section 3.13, definition D145).
/// Bytes that are no UTF-8 stay, with ASCII lower-cased.
pub fn fold(name: &[u8]) -> Vec<u8> {
    match std::str::from_utf8(name) {
        Ok(text) => text
            .nfd()
            .default_case_fold()
            .nfd()
            .collect::<String>()
            .into_bytes(),
        Err(_) => name.to_ascii_lowercase(),
    }
}

fn normal(name: &[u8]) -> Vec<u8> {
    match std::str::from_utf8(name) {
        Ok(text) => text.nfd().collect::<String>().into_bytes(),
        Err(_) => name.to_vec(),
    }
}

/// FNV-1a; equal hashes are compared in full, so its quality is a matter of speed only.
fn hash(bytes: impl Iterator<Item = u8>) -> u64 {
    bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

/// What a folder as a whole is, gathered from its entries.
#[derive(Debug, Default)]
pub struct Whole {
    entries: usize,
    holds_card: bool,
    holds_database: bool,
}

impl Whole {
    /// Takes in the next entries of a folder.
    pub fn push(&mut self, listing: &Listing) {
        self.entries += listing.children.len();
        let is_card =
            |child: &Named| child.entry.kind == EntryKind::Directory && CARD.contains(&child.name.as_slice());
        self.holds_card = self.holds_card || listing.children.iter().any(is_card);
        let looks = !self.holds_database && bundle(&listing.folder) == Bundle::WithDatabase;
        self.holds_database |= looks && listing.children.iter().any(is_database);
    }

    /// Reports.
    pub fn finish(self, folder: &RelPath, tally: &mut Tally) {
        if self.entries > HUGE {
            tally.note_path(Sort::HugeFolder, folder);
        }
        // PRIVATE holds further card folders; the outermost is the card.
        let inside = folder.components().any(|name| CARD.contains(&name));
        if self.holds_card && !inside {
            tally.note_path(Sort::CameraCard, folder);
        }
        let is_bundle = match bundle(folder) {
            Bundle::Always => true,
            Bundle::WithDatabase => self.holds_database,
            Bundle::Never => false,
        };
        if is_bundle {
            tally.note_path(Sort::Bundle, folder);
        }
    }
}

/// Whether a folder is a document, by its own name.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Bundle {
    Always,
    /// If a database lies in it.
    WithDatabase,
    Never,
}

fn bundle(folder: &RelPath) -> Bundle {
    let Some((_, name)) = folder.split() else {
        return Bundle::Never;
    };
    let Some(ending) = kinds::ending(name) else {
        return Bundle::Never;
    };
    if BUNDLE.iter().any(|known| ending.eq_ignore_ascii_case(known)) {
        return Bundle::Always;
    }
    // `Take 2. final` has no ending a desktop would know.
    match ending.iter().all(u8::is_ascii_alphanumeric) && !ending.iter().all(u8::is_ascii_digit) {
        true => Bundle::WithDatabase,
        false => Bundle::Never,
    }
}

fn is_database(child: &Named) -> bool {
    let is_named_so = |ending: &[u8]| DATABASE.iter().any(|known| ending.eq_ignore_ascii_case(known));
    child.entry.kind == EntryKind::File
        && (child.name == b"Info.plist"
            || kinds::ending(&child.name).is_some_and(is_named_so)
                && !child.name.eq_ignore_ascii_case(b"thumbs.db"))
}

/// The piece before the one at hand.
#[derive(Debug, Default)]
pub struct ClipBefore {
    cut: Option<Vec<u8>>,
    reported: bool,
}

impl ClipBefore {
    /// Takes in the next media file in byte order. A cut piece and the one numbered next, cut or
    /// the shorter last one, are both reported.
    pub fn push(&mut self, folder: &RelPath, child: &Named, tally: &mut Tally) {
        let is_cut = CUT.contains(&child.entry.size.0);
        let before = self
            .cut
            .take()
            .filter(|cut| follows(last_number(cut), last_number(&child.name)));
        if let Some(before) = &before {
            if !self.reported {
                tally.note(Sort::SplitClip, folder, before);
            }
            tally.note(Sort::SplitClip, folder, &child.name);
        }
        self.reported = before.is_some() && is_cut;
        self.cut = is_cut.then(|| child.name.clone());
    }
}

fn follows(before: Option<u64>, now: Option<u64>) -> bool {
    before.zip(now).is_some_and(|(a, b)| a.checked_add(1) == Some(b))
}

fn last_number(name: &[u8]) -> Option<u64> {
    let stem = name.rsplitn(2, |b| *b == b'.').last().unwrap_or(name);
    let end = stem.iter().rposition(u8::is_ascii_digit)? + 1;
    let start = stem
        .get(..end)?
        .iter()
        .rposition(|b| !b.is_ascii_digit())
        .map_or(0, |at| at + 1);
    std::str::from_utf8(stem.get(start..end)?).ok()?.parse().ok()
}
