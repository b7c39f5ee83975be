//! Trouble between the entries of one folder: names that fold into one, partner files, bundles,
//! camera cards, split clips.

use crate::entry::{EntryKind, Listing, Named};
use crate::names::RelPath;
use crate::survey::hazards::names::{self, Marks};
use crate::survey::hazards::{Sort, Tally};
use crate::survey::kinds;
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

/// Hashes of the folded names of one folder, each with its place.
#[derive(Debug, Default)]
pub struct Siblings {
    folded: Vec<(u64, u32)>,
    may_collide: bool,
    has_colon: bool,
}

impl Siblings {
    /// Takes in one name; `at` is its place in the listing.
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
    pub fn finish(mut self, listing: &Listing, tally: &mut Tally) {
        if self.has_colon {
            report_hex_twins(listing, tally);
        }
        // Names without capitals in plain ASCII are as different folded as they are on disk.
        if !self.may_collide {
            return;
        }
        self.folded.sort_unstable();
        for group in self
            .folded
            .chunk_by(|a, b| a.0 == b.0)
            .filter(|group| group.len() > 1)
        {
            let names: Vec<&[u8]> = group
                .iter()
                .filter_map(|(_, at)| listing.children.get(*at as usize))
                .map(|child| child.name.as_slice())
                .collect();
            report_group(&names, &listing.folder, tally);
        }
    }
}

/// Names written with hex escapes whose plain form stands beside them (hazard N10).
fn report_hex_twins(listing: &Listing, tally: &mut Tally) {
    let mut plain: BTreeMap<Vec<u8>, u64> = BTreeMap::new();
    let escaped = |name: &[u8]| names::holds_hex_escape(name);
    if !listing.children.iter().any(|child| escaped(&child.name)) {
        return;
    }
    for child in &listing.children {
        *plain.entry(names::unescaped(&child.name)).or_default() += 1;
    }
    for child in &listing.children {
        let twin = plain
            .get(&names::unescaped(&child.name))
            .is_some_and(|count| *count > 1);
        if escaped(&child.name) && twin {
            tally.note(Sort::NameHexTwin, &listing.folder, &child.name);
        }
    }
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

/// What the folder as a whole is.
pub fn check_folder(listing: &Listing, tally: &mut Tally) {
    if listing.children.len() > HUGE {
        tally.note_path(Sort::HugeFolder, &listing.folder);
    }
    let is_card = listing
        .children
        .iter()
        .any(|child| child.entry.kind == EntryKind::Directory && CARD.contains(&child.name.as_slice()));
    // PRIVATE holds further card folders; the outermost is the card.
    let inside = listing.folder.components().any(|name| CARD.contains(&name));
    if is_card && !inside {
        tally.note_path(Sort::CameraCard, &listing.folder);
    }
    if is_bundle(listing) {
        tally.note_path(Sort::Bundle, &listing.folder);
    }
}

fn is_bundle(listing: &Listing) -> bool {
    let Some((_, name)) = listing.folder.split() else {
        return false;
    };
    let Some(ending) = kinds::ending(name) else {
        return false;
    };
    if BUNDLE.iter().any(|known| ending.eq_ignore_ascii_case(known)) {
        return true;
    }
    // `Take 2. final` has no ending a desktop would know.
    if !ending.iter().all(u8::is_ascii_alphanumeric) || ending.iter().all(u8::is_ascii_digit) {
        return false;
    }
    listing.children.iter().any(|child| {
        child.entry.kind == EntryKind::File
            && (child.name == b"Info.plist"
                || kinds::ending(&child.name)
                    .is_some_and(|ending| DATABASE.iter().any(|known| ending.eq_ignore_ascii_case(known)))
                    && !child.name.eq_ignore_ascii_case(b"thumbs.db"))
    })
}

/// Whether a sibling of exactly this name exists.
pub fn sibling<'a>(listing: &'a Listing, name: &[u8]) -> Option<&'a Named> {
    let at = listing
        .children
        .binary_search_by(|child| child.name.as_slice().cmp(name))
        .ok()?;
    listing.children.get(at)
}

/// The piece before the one at hand.
#[derive(Debug, Default)]
pub struct ClipBefore<'a> {
    cut: Option<&'a Named>,
    reported: bool,
}

impl<'a> ClipBefore<'a> {
    /// Takes in the next media file in byte order. A cut piece and the one numbered next, cut or
    /// the shorter last one, are both reported.
    pub fn push(&mut self, folder: &RelPath, child: &'a Named, tally: &mut Tally) {
        let is_cut = CUT.contains(&child.entry.size.0);
        let before = self
            .cut
            .filter(|cut| follows(last_number(&cut.name), last_number(&child.name)));
        if let Some(before) = before {
            if !self.reported {
                tally.note(Sort::SplitClip, folder, &before.name);
            }
            tally.note(Sort::SplitClip, folder, &child.name);
        }
        self.reported = before.is_some() && is_cut;
        self.cut = is_cut.then_some(child);
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
