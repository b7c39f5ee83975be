//! Trees from one text.
//!
//! One entry a line: PATH KIND WHAT MODE TIME, parted by spaces; trailing parts may be left out or
//! written `-`. Lines that are empty or begin with `#` say nothing. Folders above an entry are made.
//!
//! ```text
//! # path               kind    what            mode  time
//! jobs/2019            folder  -               0750  2019-03-04T10:00:00Z
//! jobs/2019/a.mov      file    4M/7            0644  2019-03-04T10:00:00.123456789Z
//! jobs/2019/disk.img   holes   64M/8
//! jobs/2019/again.mov  name    jobs/2019/a.mov
//! jobs/latest          link    2019
//! jobs/pipe            pipe
//! caf\xe9/two\x20words file    12
//! ```
//!
//! - `file`: WHAT is its size, with K, M or G for powers of 1024, and after `/` the seed of its
//!   content; without one, the line's number.
//! - `holes`: as `file`, but only its first and last 4 KiB are written.
//! - `name`: a further name (hard link) of the file at WHAT, which stands further up.
//! - `link`: a symlink to WHAT. `pipe`: a named pipe. `folder`: a folder, empty or not.
//! - `\xNN` in PATH and WHAT stands for any byte. MODE is octal; TIME is RFC 3339.

use super::content;
use rustix::fs::{AtFlags, CWD, FileType, Mode, Timespec, Timestamps};
use std::ffi::OsString;
use std::fs::{File, Permissions};
use std::os::unix::ffi::OsStringExt;
use std::os::unix::fs::{FileExt, PermissionsExt, symlink};
use std::path::{Path, PathBuf};

/// What is written at each end of a file with holes.
const END: usize = 4096;

struct Line<'a> {
    number: u64,
    path: PathBuf,
    kind: &'a str,
    what: &'a str,
    mode: Option<u32>,
    time: Option<Timespec>,
}

/// Builds a tree below `root`; see the head of this file for the text.
#[track_caller]
pub fn tree(root: &Path, spec: &str) {
    let lines: Vec<Line<'_>> = spec
        .lines()
        .enumerate()
        .map(|(at, line)| (at, line.trim()))
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'))
        .map(|(at, line)| read_line(root, at as u64 + 1, line))
        .collect();
    for line in &lines {
        make(root, line);
    }
    // Modes before times, and both deepest first: a shut folder would keep us out, and every entry
    // made in a folder changes its time.
    let mut order: Vec<&Line<'_>> = lines.iter().collect();
    order.sort_by_key(|line| std::cmp::Reverse(line.path.components().count()));
    for line in order {
        dress(line);
    }
}

fn read_line<'a>(root: &Path, number: u64, line: &'a str) -> Line<'a> {
    let mut parts = line.split_whitespace();
    let mut part = || parts.next().filter(|part| *part != "-");
    let path = part().unwrap_or_else(|| panic!("line {number}: no path"));
    let kind = part().unwrap_or_else(|| panic!("line {number}: no kind"));
    Line {
        number,
        path: root.join(bytes(path)),
        kind,
        what: part().unwrap_or(""),
        mode: part().map(|mode| u32::from_str_radix(mode, 8).expect("an octal mode")),
        time: part().map(time),
    }
}

fn time(text: &str) -> Timespec {
    let time = chrono::DateTime::parse_from_rfc3339(text).unwrap_or_else(|e| panic!("{text}: {e}"));
    Timespec {
        tv_sec: time.timestamp(),
        tv_nsec: time.timestamp_subsec_nanos().into(),
    }
}

/// A text in which `\xNN` stands for a byte.
fn bytes(text: &str) -> OsString {
    let mut out = Vec::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once("\\x") {
        out.extend_from_slice(before.as_bytes());
        out.push(u8::from_str_radix(&after[..2], 16).expect("two hex digits after \\x"));
        rest = &after[2..];
    }
    out.extend_from_slice(rest.as_bytes());
    OsString::from_vec(out)
}

/// Size and seed of `4M/7`.
fn size_and_seed(what: &str, number: u64) -> (usize, u64) {
    let (size, seed) = what.split_once('/').unwrap_or((what, ""));
    let (digits, power) = match size.as_bytes().last() {
        Some(b'K') => (&size[..size.len() - 1], 10),
        Some(b'M') => (&size[..size.len() - 1], 20),
        Some(b'G') => (&size[..size.len() - 1], 30),
        _ => (size, 0),
    };
    let size = digits
        .parse::<usize>()
        .unwrap_or_else(|_| panic!("line {number}: `{what}` is no size"))
        << power;
    let seed = if seed.is_empty() {
        number
    } else {
        seed.parse().expect("a seed")
    };
    (size, seed)
}

fn make(root: &Path, line: &Line<'_>) {
    let (path, number) = (&line.path, line.number);
    let folder = if line.kind == "folder" {
        path
    } else {
        path.parent().expect("below the root")
    };
    std::fs::create_dir_all(folder).unwrap_or_else(|e| panic!("line {number}: {e}"));
    let made = match line.kind {
        "folder" => Ok(()),
        "file" => {
            let (size, seed) = size_and_seed(line.what, number);
            std::fs::write(path, content(seed, size))
        }
        "holes" => {
            let (size, seed) = size_and_seed(line.what, number);
            holes(path, size, seed)
        }
        "name" => std::fs::hard_link(root.join(bytes(line.what)), path),
        "link" => symlink(bytes(line.what), path),
        "pipe" => {
            rustix::fs::mknodat(CWD, path, FileType::Fifo, Mode::from_raw_mode(0o644), 0).map_err(Into::into)
        }
        other => panic!("line {number}: `{other}` is no kind"),
    };
    made.unwrap_or_else(|e| panic!("line {number}: {e}"));
}

fn holes(path: &Path, size: usize, seed: u64) -> std::io::Result<()> {
    let file = File::create(path)?;
    file.set_len(size as u64)?;
    let end = content(seed, END.min(size));
    file.write_all_at(&end, 0)?;
    file.write_all_at(&end, (size - end.len()) as u64)
}

fn dress(line: &Line<'_>) {
    if let Some(mode) = line.mode {
        std::fs::set_permissions(&line.path, Permissions::from_mode(mode)).expect("a mode");
    }
    if let Some(time) = line.time {
        let times = Timestamps {
            last_access: time,
            last_modification: time,
        };
        rustix::fs::utimensat(CWD, &line.path, &times, AtFlags::SYMLINK_NOFOLLOW).expect("a time");
    }
}
