//! Trouble in a single name. One pass over the bytes decides whether a closer look is needed.

use crate::survey::hazards::Sort;

const CONTROL: u8 = 1;
const WINDOWS: u8 = 2;
const COLON: u8 = 4;
const BEYOND_ASCII: u8 = 8;
const TILDE: u8 = 16;
const UPPER: u8 = 32;

/// What each byte may mean.
static MARKS: [u8; 256] = marks();

const fn marks() -> [u8; 256] {
    let mut table = [0u8; 256];
    let mut at = 0;
    while at < 256 {
        let byte = at as u8;
        table[at] = match byte {
            0..=31 | 127 => CONTROL,
            b':' => COLON | WINDOWS,
            b'<' | b'>' | b'"' | b'\\' | b'|' | b'?' | b'*' => WINDOWS,
            b'~' => TILDE,
            b'A'..=b'Z' => UPPER,
            128..=255 => BEYOND_ASCII,
            _ => 0,
        };
        at += 1;
    }
    table
}

/// What was seen in a name, for the look at its siblings.
#[derive(Debug, Clone, Copy, Default)]
pub struct Marks(u8);

impl Marks {
    /// Of a name.
    pub fn of(name: &[u8]) -> Marks {
        Marks(name.iter().fold(0, |seen, byte| seen | MARKS[usize::from(*byte)]))
    }

    /// Whether another name can be equal to it but for case or encoding.
    pub fn may_collide(self) -> bool {
        self.0 & (UPPER | BEYOND_ASCII) != 0
    }

    /// Whether a colon is in it.
    pub fn has_colon(self) -> bool {
        self.0 & COLON != 0
    }

    /// Whether all of it is ASCII.
    pub fn is_ascii(self) -> bool {
        self.0 & BEYOND_ASCII == 0
    }
}

/// Reports every hazard of a name.
pub fn check(name: &[u8], marks: Marks, name_max: usize, mut note: impl FnMut(Sort)) {
    if name.len() > 240 {
        check_length(name, name_max, &mut note);
    }
    if matches!(name.last(), Some(b'.' | b' ')) {
        note(Sort::NameTrailing);
    }
    if name.first() == Some(&b'-') {
        note(Sort::NameDash);
    }
    if is_reserved(name) {
        note(Sort::NameReserved);
    }
    if marks.0 & !UPPER == 0 {
        return;
    }
    if marks.0 & CONTROL != 0 {
        note(Sort::NameControl);
    }
    if marks.0 & WINDOWS != 0 {
        note(Sort::NameWindows);
    }
    if marks.0 & COLON != 0 && holds_hex_escape(name) {
        note(Sort::NameHexEscape);
    }
    if marks.0 & TILDE != 0 && is_mangled(name) {
        note(Sort::NameMangled);
    }
    if marks.0 & BEYOND_ASCII != 0 {
        check_unicode(name, name_max, &mut note);
    }
}

fn check_length(name: &[u8], name_max: usize, note: &mut impl FnMut(Sort)) {
    note(if name.len() > name_max {
        Sort::NameTooLong
    } else {
        Sort::NameNearLimit
    });
    let units: usize = String::from_utf8_lossy(name).encode_utf16().count();
    if units > 255 {
        note(Sort::NameUtf16);
    }
}

fn check_unicode(name: &[u8], name_max: usize, note: &mut impl FnMut(Sort)) {
    let Ok(text) = std::str::from_utf8(name) else {
        note(Sort::NameNotUtf8);
        return;
    };
    let any = |wanted: fn(char) -> bool| text.chars().any(wanted);
    if any(is_mapped) {
        note(Sort::NamePrivateUse);
    }
    if any(|c| c == '\u{fffd}') {
        note(Sort::NameReplacement);
    }
    // C1 controls; those of ASCII are seen by their bytes.
    if any(|c| ('\u{80}'..='\u{9f}').contains(&c)) {
        note(Sort::NameControl);
    }
    if grows(text, name_max) {
        note(Sort::NameGrows);
    }
    if any(crate::names::is_unseen) {
        note(Sort::NameInvisible);
    }
}

/// Whether a name that fits would not in one of the four normal forms (hazard N9). A form takes at
/// most eleven times the bytes (Unicode, UAX 15, "Stabilized Strings and expansion factors", from
/// memory), which lets most names go.
fn grows(text: &str, name_max: usize) -> bool {
    use unicode_normalization::UnicodeNormalization;
    if text.len() > name_max || text.len() * 11 <= name_max {
        return false;
    }
    let bytes = |form: &mut dyn Iterator<Item = char>| form.map(char::len_utf8).sum::<usize>();
    [
        bytes(&mut text.nfc()),
        bytes(&mut text.nfd()),
        bytes(&mut text.nfkc()),
        bytes(&mut text.nfkd()),
    ]
    .into_iter()
    .any(|length| length > name_max)
}

/// Whether a project's name can name a dataset as it is (zfs(8), and `zfs_namecheck.c` of
/// OpenZFS): letters, digits, `_ - : .` and blanks, a letter or digit first.
pub fn is_dataset_name(name: &[u8]) -> bool {
    name.first().is_some_and(u8::is_ascii_alphanumeric)
        && name
            .iter()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-' | b':' | b'.' | b' '))
}

/// A name with every colon and two hex digits read as the byte they stand for.
pub fn unescaped(name: &[u8]) -> Vec<u8> {
    let digit = |b: u8| char::from(b).to_digit(16).filter(|_| !b.is_ascii_uppercase());
    let mut out = Vec::with_capacity(name.len());
    let mut rest = name;
    while let Some((first, tail)) = rest.split_first() {
        rest = tail;
        let pair = tail.first().zip(tail.get(1)).filter(|_| *first == b':');
        match pair.and_then(|(a, b)| Some(digit(*a)? * 16 + digit(*b)?)) {
            Some(byte) => {
                out.push(byte as u8);
                rest = tail.get(2..).unwrap_or_default();
            }
            None => out.push(*first),
        }
    }
    out
}

/// Private-use code points that stand for characters Windows forbids, in both schemes (hazard N1).
fn is_mapped(c: char) -> bool {
    ('\u{f001}'..='\u{f07c}').contains(&c)
}

/// Device names of Windows, in any case, also with endings. Source: Microsoft, "Naming Files,
/// Paths, and Namespaces" (2024-08-28); `COM0` and `COM56` are not on its list.
fn is_reserved(name: &[u8]) -> bool {
    if !matches!(
        name.first(),
        Some(b'c' | b'C' | b'p' | b'P' | b'a' | b'A' | b'n' | b'N' | b'l' | b'L')
    ) {
        return false;
    }
    let stem = name.split(|b| *b == b'.').next().unwrap_or(name);
    let is = |word: &[u8]| stem.eq_ignore_ascii_case(word);
    match stem.len() {
        3 => is(b"con") || is(b"prn") || is(b"aux") || is(b"nul"),
        4 | 5 => {
            let (letters, rest) = stem.split_at(3);
            let port = letters.eq_ignore_ascii_case(b"com") || letters.eq_ignore_ascii_case(b"lpt");
            // The superscripts one, two and three count as digits.
            port && (matches!(rest, [b'1'..=b'9'] | [0xc2, 0xb9 | 0xb2 | 0xb3]))
        }
        _ => false,
    }
}

/// `ABC~1`, `ABCDEF~1.MOV`: at most eight characters and three, no lower case (hazard N4).
fn is_mangled(name: &[u8]) -> bool {
    if name.len() > 12 || name.iter().any(|b| b.is_ascii_lowercase() || *b == b' ') {
        return false;
    }
    let mut parts = name.splitn(2, |b| *b == b'.');
    let stem = parts.next().unwrap_or_default();
    let tail = parts.next().unwrap_or_default();
    let Some(at) = stem.iter().position(|b| *b == b'~') else {
        return false;
    };
    let mark = stem.get(at + 1..).unwrap_or_default();
    stem.len() <= 8
        && tail.len() <= 3
        && !tail.contains(&b'.')
        && at > 0
        && !mark.is_empty()
        && mark.iter().all(u8::is_ascii_alphanumeric)
}

pub(super) fn holds_hex_escape(name: &[u8]) -> bool {
    let hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
    name.windows(3)
        .any(|w| matches!(w, [b':', a, b] if hex(*a) && hex(*b)))
}
