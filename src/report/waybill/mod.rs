//! Two sealed documents: a waybill holds all that another machine needs for one task of one batch, a
//! receipt what that machine answers, file by file.
//!
//! Both are UTF-8, one JSON object a line, each line with one name that says what it is. They are
//! written and read in bounded memory: of a waybill the names of folders that are still to come are
//! held, of both nothing of any file that was handed on. Of every value there is one spelling, of
//! every line one form: what does not come out again byte for byte is refused.
//!
//! ```text
//! waybill   {"waybill":head}  {"locked":text}…            the batch as it was begun, in pieces
//!           {"folder":{path, place}}                      the index slice, parents before children,
//!           {"entry":{name, facts, record}}…              names in byte order; the root comes first
//!           {"values":"hex"}…                             chaining values of the entry before
//!           {"other":place}…  {"taken":place}…            names of others, places of later batches
//!           {"total":…}  {"seal":"hex"}
//! receipt   {"receipt":head}
//!           {"folder":path}  {"done":…} | {"failed":…}    one answer for each file that is asked for
//!           {"values":"hex"}…
//!           {"kept":…}…  {"lost":…}…  {"troubled":…}…  {"difference":…}  {"ranges":[…]}…
//!           {"disagreement":…}  {"ranges":[…]}…  {"total":…}  {"seal":"hex"}
//! ```
//!
//! The seal of a waybill is the BLAKE3 of every byte before it: it tells damage. That of a receipt
//! is keyed with the key that stands in the waybill, so that nobody makes one who has not seen the
//! waybill. Nothing that a reader hands on may be believed before it has come to the end.
//!
//! A file has a place at the destination where it belongs to the batch. Which files are asked for is
//! [`Listed::is_asked`]'s to say: of a copy files and symlinks, of a verification those with a
//! record, of a hashing of the source its regular files.

mod facts;
mod line;
mod order;
mod reader;
pub mod receipt;
mod writer;

#[cfg(test)]
mod tests;

pub use crate::report::sealed::Bad;
pub use facts::{Attributes, Goal, Head, Listed, Origin, Owned, Record, Settings, Task};
pub use reader::{Part, Totals, read};
pub use writer::Writer;

use crate::entry::Identity;

/// The version of both documents.
pub const FORMAT: u32 = 1;

/// Longest line. PATH_MAX (limits.h) is 4,096 bytes; JSON escapes a byte by six at most; an entry
/// has its name, a place, a symlink's target and an error's words.
pub const LONGEST: usize = 256 << 10;

/// Most chaining values of one file: 32 TiB in blocks of 16 MiB. Of a larger file none are carried,
/// and a difference in it names no range.
pub const MOST_VALUES: usize = 1 << 21;

/// Whether a file seen on another machine is the one that an index lists: by size, time, and inode
/// number where `inodes` says that both ends number alike. A mount may tell times less exactly than
/// the disks behind it: one side cut to a tenth of a microsecond or coarser fits the other. The time
/// of the last change of attributes is left out: servers make up their own.
pub fn fits(listed: &Identity, seen: &Identity, inodes: bool) -> bool {
    let same_time = listed.mtime == seen.mtime
        || (listed.mtime.seconds == seen.mtime.seconds
            && (is_cut(listed.mtime.nanos, seen.mtime.nanos)
                || is_cut(seen.mtime.nanos, listed.mtime.nanos)));
    listed.size == seen.size && same_time && (!inodes || listed.inode == seen.inode)
}

/// Whether `coarse` is `fine` with digits cut off at its end, two or more (SMB counts tenths of a
/// microsecond: MS-DTYP, FILETIME).
fn is_cut(coarse: u32, fine: u32) -> bool {
    [100, 1_000, 1_000_000, 1_000_000_000]
        .into_iter()
        .any(|unit| coarse == fine / unit * unit)
}
