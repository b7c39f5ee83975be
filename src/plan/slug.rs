//! Legal dataset names from any bytes, and the key under which two names are one on a file system
//! that folds case or normalizes.

use crate::digest::Digest;
use unicode_normalization::UnicodeNormalization;

/// Longest slug in bytes; leaves room for parents within the 255 bytes of a whole dataset name.
const LONGEST: usize = 80;

/// A legal dataset component: letters, digits, `-`, `_`, `.` and `:`, beginning with a letter or
/// digit. Accents are taken off, other runs become one `-`. Never empty.
pub(super) fn slug(name: &[u8]) -> String {
    let text = String::from_utf8_lossy(name);
    let mut out = String::new();
    let mut gap = false;
    for c in text.nfd() {
        if unicode_normalization::char::is_combining_mark(c) {
            continue;
        }
        if c.is_ascii_alphanumeric() || (matches!(c, '-' | '_' | '.' | ':') && !out.is_empty()) {
            if gap && !out.is_empty() {
                out.push('-');
            }
            gap = false;
            out.push(c);
        } else {
            gap = true;
        }
    }
    if out.is_empty() {
        return hashed("x", name);
    }
    if out.len() > LONGEST {
        out.truncate(LONGEST);
        return hashed(&out, name);
    }
    out
}

/// A slug made unlike others by the content hash of the real name: stable, whatever else is there.
pub(super) fn hashed(slug: &str, name: &[u8]) -> String {
    let digest = Digest::of(name).to_string();
    format!("{slug}-{}", digest.get(..8).unwrap_or_default())
}

/// The key under which two names are one: full case folding between two decompositions (Unicode
/// definition D145, canonical caseless match). Bytes that are no UTF-8 stand for themselves.
pub(super) fn folded(name: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(name.len());
    for chunk in name.utf8_chunks() {
        let once: String = caseless::default_case_fold_str(&chunk.valid().nfd().collect::<String>());
        out.extend(once.nfd().collect::<String>().into_bytes());
        out.extend_from_slice(chunk.invalid());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_slug_reads_like_the_name() {
        assert_eq!(slug(b"2019"), "2019");
        assert_eq!(slug("Grüne Hochzeit (final)".as_bytes()), "Grune-Hochzeit-final");
        assert_eq!(slug(b"-rf"), "rf");
        assert_eq!(slug(b"clients/acorn"), "clients-acorn");
        assert!(slug("日本".as_bytes()).starts_with("x-"));
    }

    /// Full folding, not simple: sharp s equals ss (Unicode CaseFolding.txt, status F).
    #[test]
    fn names_fold_fully() {
        assert_eq!(folded("Straße".as_bytes()), folded("STRASSE".as_bytes()));
        assert_eq!(folded("\u{e9}".as_bytes()), folded("E\u{301}".as_bytes()));
        assert_ne!(folded(b"caf\xe9"), folded(b"caf\xe8"));
    }

    proptest! {
        #[test]
        fn every_slug_is_a_legal_component(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            let slug = slug(&bytes);
            prop_assert!(slug.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric()));
            prop_assert!(slug.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_.:".contains(&b)));
            prop_assert!(slug.len() <= LONGEST + 9);
        }
    }
}
