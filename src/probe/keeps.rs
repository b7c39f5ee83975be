//! What a path keeps beside bytes: found at the destination by setting and reading back, at a
//! source by looking at what is there.

use super::{Nest, Tools, read};
use crate::entry::Entry;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::Bytes;
use crate::world::{Course, Dress, Durability, FaultKind, Folder, Fs, OpenHow, Publish, Res, Xattr};
use std::sync::Arc;

/// One fact and whether the path keeps it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// Fixed word: `times`, `mode`, `xattr-user`.
    pub what: String,
    /// Whether it is kept.
    pub kept: bool,
    /// How exactly, or why not.
    pub text: String,
}

type Found = (bool, String);

/// Sets, makes and names things in the probe's folder and reads them back.
///
/// # Errors
/// A fault that would stop everything; a refusal is an answer.
pub fn keeps(fs: &dyn Fs, nest: &Nest, tools: Tools<'_>) -> Res<Vec<Kept>> {
    let as_root = rustix::process::geteuid().is_root();
    let folder = nest.folder();
    let mut out = Vec::new();
    let mut note = |what: &str, found: Res<Found>| -> Res<()> {
        tools.go_on()?;
        let (kept, text) = match found {
            Ok(found) => found,
            Err(fault) if fault.course() == Course::StopAll && fault.kind != FaultKind::NoSpace => {
                return Err(fault);
            }
            Err(fault) => (false, fault.words),
        };
        out.push(Kept {
            what: what.into(),
            kept,
            text,
        });
        Ok(())
    };
    note("times", times(folder))?;
    note("times-outside-1970-2038", far_times(folder))?;
    note("mode", mode(folder))?;
    note("owner", owner(folder, as_root))?;
    for (what, name, value) in attributes() {
        note(what, xattr(folder, what, name, &value))?;
    }
    note("birth-time", birth(folder))?;
    note("hard-links", hard_link(nest))?;
    note("symlinks", symlink(folder))?;
    note("holes", holes(folder))?;
    note("case", case(folder))?;
    note("normalization", normalization(folder))?;
    note("names-of-255-bytes", longest(folder))?;
    note("rename-without-replacing", rename(fs, folder))?;
    note("one-sync-for-all", Ok(sync_reach(fs)))?;
    note("clock", clock(folder, tools))?;
    Ok(out)
}

fn put(folder: &dyn Folder, name: &[u8], dress: &Dress) -> Res<(Entry, Vec<String>)> {
    let file = folder.stage(name, Bytes(1))?;
    file.write_at(0, b"p")?;
    let lost = file.dress(dress)?.into_iter().map(|loss| loss.why).collect();
    drop(file);
    Ok((folder.stat(name)?, lost))
}

/// Hazards M1 and M3: how exact, and whether at all. An odd second shows a clock of two.
fn times(folder: &dyn Folder) -> Res<Found> {
    let wanted = Moment {
        seconds: 1_500_000_001,
        nanos: 123_456_789,
    };
    let dress = Dress {
        mtime: Some(wanted),
        ..Dress::default()
    };
    let (entry, lost) = put(folder, b"fact-time", &dress)?;
    Ok(match grain(wanted, entry.mtime) {
        Some(grain) => (true, format!("exact to {grain}")),
        None => (
            false,
            refused(&lost, "the time that was set is not the time that is read"),
        ),
    })
}

/// How exactly a time came back; `None` where it is another time.
fn grain(set: Moment, got: Moment) -> Option<&'static str> {
    let same_second = set.seconds == got.seconds;
    let off = set.nanos.abs_diff(got.nanos);
    match (same_second, off) {
        (true, 0) => Some("1 ns"),
        (true, 1..100) => Some("100 ns"),
        (true, 100..1_000) => Some("1 µs"),
        (true, 1_000..1_000_000) => Some("1 ms"),
        (true, _) => Some("1 s"),
        (false, _) if set.seconds.abs_diff(got.seconds) < 2 => Some("2 s"),
        (false, _) => None,
    }
}

fn far_times(folder: &dyn Folder) -> Res<Found> {
    // 1960-01-01 and 2100-01-01.
    for (name, seconds) in [("fact-old", -315_619_200), ("fact-far", 4_102_444_800)] {
        let dress = Dress {
            mtime: Some(Moment::from_seconds(seconds)),
            ..Dress::default()
        };
        let (entry, lost) = put(folder, name.as_bytes(), &dress)?;
        if entry.mtime.seconds != seconds {
            return Ok((false, refused(&lost, "such a time comes back as another")));
        }
    }
    Ok((true, "1960 and 2100 come back".into()))
}

fn refused(lost: &[String], otherwise: &str) -> String {
    lost.first().cloned().unwrap_or_else(|| otherwise.into())
}

fn mode(folder: &dyn Folder) -> Res<Found> {
    for (name, mode) in [("fact-mode-a", 0o751), ("fact-mode-b", 0o444)] {
        let dress = Dress {
            mode: Some(mode),
            ..Dress::default()
        };
        let (entry, lost) = put(folder, name.as_bytes(), &dress)?;
        if entry.mode != mode {
            let otherwise = format!("{mode:o} comes back as {:o}", entry.mode);
            return Ok((false, refused(&lost, &otherwise)));
        }
    }
    Ok((true, String::new()))
}

fn owner(folder: &dyn Folder, as_root: bool) -> Res<Found> {
    if !as_root {
        return Ok((false, "only root may give files away".into()));
    }
    let dress = Dress {
        owner: Some((65_533, 65_532)),
        ..Dress::default()
    };
    let (entry, lost) = put(folder, b"fact-owner", &dress)?;
    let kept = (entry.uid, entry.gid) == (65_533, 65_532);
    let text = match kept {
        true => String::new(),
        false => refused(&lost, "another owner comes back"),
    };
    Ok((kept, text))
}

/// Attributes by name space. The ACL is the kernel's form (include/uapi/linux/posix_acl_xattr.h:
/// version 2, then tag, permissions, id): owner rw, user 65533 r, group none, mask r, others none.
fn attributes() -> Vec<(&'static str, &'static [u8], Vec<u8>)> {
    let mut acl = 2u32.to_le_bytes().to_vec();
    let rows = [
        (1u16, 6u16, u32::MAX),
        (2, 4, 65_533),
        (4, 0, u32::MAX),
        (16, 4, u32::MAX),
        (32, 0, u32::MAX),
    ];
    for (tag, permissions, id) in rows {
        acl.extend(tag.to_le_bytes());
        acl.extend(permissions.to_le_bytes());
        acl.extend(id.to_le_bytes());
    }
    vec![
        ("xattr-user", b"user.poolward".as_slice(), b"kept".to_vec()),
        // Hazard M7: some file systems hold 4 KiB in all.
        ("xattr-user-large", b"user.poolward", vec![b'x'; 60 << 10]),
        ("xattr-security", b"security.poolward", b"kept".to_vec()),
        ("acl", b"system.posix_acl_access", acl),
    ]
}

fn xattr(folder: &dyn Folder, what: &str, name: &[u8], value: &[u8]) -> Res<Found> {
    let place = format!("fact-{what}").into_bytes();
    let wanted = Xattr {
        name: name.to_vec(),
        value: value.to_vec(),
    };
    let dress = Dress {
        xattrs: vec![wanted.clone()],
        ..Dress::default()
    };
    let (_, lost) = put(folder, &place, &dress)?;
    let found = folder.open(&place, OpenHow::Plain)?.xattrs()?;
    Ok(match found.contains(&wanted) {
        true => (true, String::new()),
        false => (false, refused(&lost, "it was taken and is not there")),
    })
}

fn birth(folder: &dyn Folder) -> Res<Found> {
    let (entry, _) = put(folder, b"fact-birth", &Dress::default())?;
    Ok((
        false,
        match entry.birth {
            Some(_) => "shown, but no call sets it: the index keeps the old one".into(),
            None => "not shown".into(),
        },
    ))
}

fn hard_link(nest: &Nest) -> Res<Found> {
    let folder = nest.folder();
    let (first, _) = put(folder, b"fact-link", &Dress::default())?;
    folder.make_link(b"fact-link-2", &nest.path(b"fact-link")?)?;
    let second = folder.stat(b"fact-link-2")?;
    Ok(match (first.inode == second.inode, second.links) {
        (true, 2) => (true, String::new()),
        _ => (false, "a second name is not told from a second file".into()),
    })
}

fn symlink(folder: &dyn Folder) -> Res<Found> {
    folder.make_symlink(b"fact-symlink", b"../no/where")?;
    let target = folder.stat(b"fact-symlink")?.target;
    Ok(match target.as_deref() {
        Some(b"../no/where") => (true, String::new()),
        _ => (false, "another target comes back".into()),
    })
}

fn holes(folder: &dyn Folder) -> Res<Found> {
    const LENGTH: u64 = 16 << 20;
    let file = folder.stage(b"fact-holes", Bytes(1))?;
    file.set_length(Bytes(LENGTH))?;
    file.write_at(LENGTH - 4096, &[1u8; 4096])?;
    file.sync()?;
    let entry = file.facts()?;
    let kept = entry.size.0 == LENGTH && entry.allocated.0 < LENGTH / 2;
    Ok((
        kept,
        if kept {
            String::new()
        } else {
            "they take space".into()
        },
    ))
}

fn case(folder: &dyn Folder) -> Res<Found> {
    put(folder, b"fact-case", &Dress::default())?;
    Ok(match folder.stat(b"FACT-CASE") {
        Err(fault) if fault.kind == FaultKind::NotFound => (true, "names that differ by case are two".into()),
        Err(fault) => return Err(fault),
        Ok(_) => (
            false,
            "names that differ by case are one: the second is refused".into(),
        ),
    })
}

/// One name composed (NFC), asked for decomposed (NFD), and how it stands in the listing.
fn normalization(folder: &dyn Folder) -> Res<Found> {
    let (composed, decomposed) = ("fact-\u{e9}", "fact-e\u{301}");
    put(folder, composed.as_bytes(), &Dress::default())?;
    let as_written = folder.list()?.iter().any(|(name, _)| name == composed.as_bytes());
    let one = folder.stat(decomposed.as_bytes()).is_ok();
    Ok(match (as_written, one) {
        (true, false) => (true, "names come back byte for byte".into()),
        (true, true) => (
            false,
            "two spellings of one name are one: the second is refused".into(),
        ),
        (false, _) => (false, "names come back in another spelling".into()),
    })
}

/// The longest name, up to ZFS's 1,023 bytes (hazard N7).
fn longest(folder: &dyn Folder) -> Res<Found> {
    let takes = |length: usize| put(folder, &vec![b'n'; length], &Dress::default()).is_ok();
    let lengths = [1_023usize, 255, 254, 250, 240, 200, 143, 127, 64];
    let best = lengths.into_iter().find(|length| takes(*length)).unwrap_or(0);
    Ok((best >= 255, format!("longest of those tried: {best} bytes")))
}

fn rename(fs: &dyn Fs, folder: &dyn Folder) -> Res<Found> {
    put(folder, b"fact-staged", &Dress::default())?;
    put(folder, b"fact-taken", &Dress::default())?;
    let replaced = folder.publish(b"fact-staged", b"fact-taken").is_ok();
    if !replaced {
        folder.publish(b"fact-staged", b"fact-free")?;
    }
    let words = match fs.publishes() {
        Publish::Rename => "by the kernel",
        Publish::Link => "by a second name, then the first is removed",
        Publish::Checked | Publish::Unseen => "only by a look and a rename: keep other programs away",
    };
    let sure = !replaced && fs.publishes() < Publish::Checked;
    Ok((sure, words.into()))
}

fn sync_reach(fs: &dyn Fs) -> Found {
    match fs.durability() {
        Durability::Local => (true, "one sync makes a whole group durable".into()),
        Durability::ServerSaid => (
            false,
            "each file is synced by itself; the server says when it is durable".into(),
        ),
        Durability::Unproven => (
            false,
            "each file is synced by itself; the mount promises nothing".into(),
        ),
    }
}

/// Hazard O4: how far the other end's clock is from ours.
fn clock(folder: &dyn Folder, tools: Tools<'_>) -> Res<Found> {
    let before = tools.clock.now();
    let (entry, _) = put(folder, b"fact-clock", &Dress::default())?;
    let after = tools.clock.now();
    // The kernel stamps files by a clock that moves every few milliseconds.
    let behind = before.seconds_since(entry.mtime) - 2.0;
    let ahead = entry.mtime.seconds_since(after) - 2.0;
    Ok(match (behind > 0.0, ahead > 0.0) {
        (false, false) => (true, "within 2 s of this machine's".into()),
        (true, _) => (false, format!("{:.0} s behind this machine's", behind + 2.0)),
        (_, true) => (false, format!("{:.0} s ahead of this machine's", ahead + 2.0)),
    })
}

/// What a source shows of its files, by looking at some of them; nothing is written there.
///
/// # Errors
/// A fault that would stop everything.
pub fn seen(fs: &dyn Fs, paths: &[RelPath], tools: Tools<'_>) -> Res<Vec<Kept>> {
    let root: Arc<dyn Folder> = fs.root()?;
    let (mut files, mut fine, mut births, mut attributes) = (0u64, 0u64, 0u64, 0u64);
    for path in paths {
        tools.go_on()?;
        let looked = read::open(&root, path).and_then(|file| Ok((file.facts()?, file.xattrs()?)));
        match looked {
            Ok((entry, xattrs)) => {
                files += 1;
                fine += u64::from(entry.mtime.nanos != 0);
                births += u64::from(entry.birth.is_some());
                attributes += u64::from(!xattrs.is_empty());
            }
            Err(fault) if fault.course() == Course::StopAll => return Err(fault),
            Err(_) => {}
        }
    }
    let row = |what: &str, count: u64, yes: &str, no: &str| Kept {
        what: what.into(),
        kept: count > 0,
        text: if count > 0 { yes.into() } else { no.into() },
    };
    if files == 0 {
        return Ok(Vec::new());
    }
    Ok(vec![
        row(
            "times",
            files,
            if fine > 0 {
                "exact below a second"
            } else {
                "whole seconds only"
            },
            "",
        ),
        row("birth-time", births, "shown", "not shown through this mount"),
        row(
            "xattr",
            attributes,
            "some files show attributes",
            "none of the files looked at shows any: none there, or not through this mount",
        ),
    ])
}
