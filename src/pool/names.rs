//! What a pool and a dataset may be called, and a legal name for any folder.
//!
//! The rules are those of module/zcommon/zfs_namecheck.c and of what `zfs create` and
//! `zpool create` add; each row of the measured tables of names agrees.

use crate::digest::Digest;
use crate::names::shown;
use crate::trouble::Trouble;
use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// Bytes of a full dataset name, pool included (`ZFS_MAX_DATASET_NAME_LEN` less the NUL).
pub const DATASET_MAX: usize = 255;

/// Components of a dataset name, pool included (`zfs_max_dataset_nesting`).
pub const DEPTH_MAX: usize = 50;

/// Bytes of a pool name: room is kept for `$ORIGIN@$ORIGIN` behind it.
pub const POOL_MAX: usize = 239;

/// The longest slug. It leaves 55 bytes for pool, parents and a snapshot's name.
pub const SLUG_MAX: usize = 200;

fn legal(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_' | b'.' | b':' | b' ')
}

/// Checks a full dataset name, `pool/archive/2019`.
///
/// # Errors
/// `dataset-name` with the rule that is broken.
pub fn check_dataset(name: &[u8]) -> Result<(), Trouble> {
    let fail = |why: String| {
        let text = format!("{} cannot be a dataset: {why}", quoted(name));
        Err(Trouble::usage("dataset-name", text)
            .mend("Use letters, digits, - _ . : and spaces, 255 bytes and 50 levels in all."))
    };
    if name.len() > DATASET_MAX {
        return fail(format!(
            "it is {} bytes long, {DATASET_MAX} are allowed",
            name.len()
        ));
    }
    let mut depth = 0;
    for part in name.split(|b| *b == b'/') {
        depth += 1;
        if part.is_empty() {
            return fail("a component is empty".into());
        }
        if part == b"." || part == b".." {
            return fail("a component is . or ..".into());
        }
        if let Some(bad) = part.iter().find(|b| !legal(**b)) {
            return fail(format!("{} is not allowed", quoted(&[*bad])));
        }
    }
    if depth > DEPTH_MAX {
        return fail(format!("it has {depth} levels, {DEPTH_MAX} are allowed"));
    }
    Ok(())
}

/// Checks a pool name as `zpool create` does.
///
/// # Errors
/// `pool-name` with the rule that is broken.
pub fn check_pool(name: &[u8]) -> Result<(), Trouble> {
    let fail = |why: String| {
        let text = format!("{} cannot be a pool: {why}", quoted(name));
        Err(Trouble::usage("pool-name", text)
            .mend("Begin with a letter; use letters, digits, - _ . : and spaces, 239 bytes in all."))
    };
    if !name.first().is_some_and(u8::is_ascii_alphabetic) {
        return fail("it must begin with a letter".into());
    }
    if name.len() > POOL_MAX {
        return fail(format!("it is {} bytes long, {POOL_MAX} are allowed", name.len()));
    }
    if let Some(bad) = name.iter().find(|b| !legal(**b)) {
        return fail(format!("{} is not allowed", quoted(&[*bad])));
    }
    let reserved = [&b"mirror"[..], b"raidz", b"draid", b"spare"];
    if name == b"log" || reserved.iter().any(|word| name.starts_with(word)) {
        return fail("log and names that begin with mirror, raidz, draid or spare are reserved".into());
    }
    Ok(())
}

fn quoted(name: &[u8]) -> String {
    let most = name.get(..60).unwrap_or(name);
    let dots = if most.len() < name.len() { "…" } else { "" };
    format!("\"{}{dots}\"", shown(most))
}

/// A legal, readable dataset name for a folder of any name: base letters for accented ones, `_` for
/// what a dataset cannot hold, never empty, never at the start what a command would take for an
/// option or what hides it. The same name always gives the same slug. Where letters were lost (or
/// the end was cut off) a few digits of the name's hash stand behind it, so that two names in a
/// script without base letters stay apart; names that differ in punctuation alone may meet, which
/// the plan finds and asks about.
pub fn slug(name: &[u8]) -> String {
    let mut out = String::new();
    let mut lost = false;
    for chunk in name.utf8_chunks() {
        for c in chunk.valid().nfd() {
            lost |= push_letter(&mut out, c);
        }
        if !chunk.invalid().is_empty() {
            lost = true;
            push_gap(&mut out);
        }
    }
    let trimmed = out
        .trim_matches(['_', ' '])
        .trim_start_matches(['-', '.', '_', ':']);
    let mark = || Digest::of(name).to_string().chars().take(8).collect::<String>();
    let mut slug = trimmed.to_string();
    if slug.is_empty() {
        return format!("folder-{}", mark());
    }
    // All of it is ASCII here, so any cut is between characters.
    if slug.len() > SLUG_MAX {
        slug.truncate(SLUG_MAX - 9);
        lost = true;
    }
    if lost {
        let kept = slug.len().min(SLUG_MAX - 9);
        slug.truncate(kept);
        slug = format!("{}-{}", slug.trim_end_matches(['_', '-']), mark());
    }
    slug
}

/// Adds what stands for one character; true where a letter was lost.
fn push_letter(out: &mut String, c: char) -> bool {
    match c {
        ' ' => push_gap(out),
        c if c.is_ascii() && legal(c as u8) => out.push(c),
        c if is_combining_mark(c) => {}
        // Letters of Latin alphabets that have no decomposition in Unicode.
        'ß' => out.push_str("ss"),
        'ẞ' => out.push_str("SS"),
        'æ' => out.push_str("ae"),
        'Æ' => out.push_str("AE"),
        'œ' => out.push_str("oe"),
        'Œ' => out.push_str("OE"),
        'ø' => out.push('o'),
        'Ø' => out.push('O'),
        'đ' | 'ð' => out.push('d'),
        'Đ' | 'Ð' => out.push('D'),
        'ł' => out.push('l'),
        'Ł' => out.push('L'),
        'þ' => out.push_str("th"),
        'Þ' => out.push_str("Th"),
        'ı' => out.push('i'),
        '–' | '—' | '‐' | '‑' | '−' => out.push('-'),
        c => {
            push_gap(out);
            return c.is_alphanumeric();
        }
    }
    false
}

fn push_gap(out: &mut String) {
    if !out.ends_with('_') {
        out.push('_');
    }
}
