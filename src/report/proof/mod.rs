//! The sealed proof of a batch: one JSON document that says of every file what it is, which hash
//! it has, and when and how it was read at both ends.
//!
//! One line a file, so that ten million of them are written and read in a few kilobytes of memory.
//! The last line is the BLAKE3 of every byte before it: a proof of which one bit has changed is
//! refused. The seal tells damage, not forgery; against that the hash of the whole file stands on
//! the release sheet, on paper.
//!
//! Files stand in byte order of their folders, and in each of their names: twice the same one is
//! seen while reading. Times of files are seconds since 1970-01-01T00:00:00Z with nine decimals,
//! exact over their whole range; times of readings are RFC 3339.

mod line;
mod reader;
#[cfg(test)]
mod tests;

pub use crate::report::sealed::Bad;
pub use line::{Facts, Head, Settings};
pub use reader::{Totals, read};

use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::report::model::ReadHow;
use crate::units::{Amount, Bytes};
use std::io::{self, Write};

/// The version of the document.
pub const FORMAT: u32 = 1;

/// Longest line that is read. PATH_MAX (limits.h) is 4,096 bytes; JSON escapes a byte by six at
/// most, and the exact bytes stand once more in base64.
pub const LONGEST: usize = 64 << 10;

/// One file or symlink that is proven.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proven {
    /// Its place below the dataset's folder.
    pub place: RelPath,
    /// A file or a symlink.
    pub kind: EntryKind,
    /// Its size.
    pub size: Bytes,
    /// Last change of its content, at both ends.
    pub mtime: Moment,
    /// Last change of its attributes at the source, when it was read there.
    pub source_ctime: Moment,
    /// BLAKE3 of its content; of a symlink, of its target.
    pub blake3: Digest,
    /// SHA-256 of its content, where it was taken.
    pub sha256: Option<[u8; 32]>,
    /// When it was recorded as read at the source and durable at the destination.
    pub source_read: Moment,
    /// When its source was read a second time, and gave the same.
    pub source_again: Option<Moment>,
    /// When it was read back from the destination, and how.
    pub read_back: (Moment, ReadHow),
}

/// Writes a proof line by line.
pub struct Writer<W> {
    inner: W,
    seal: blake3::Hasher,
    total: Amount,
}

impl<W: Write> Writer<W> {
    /// Begins with the head.
    ///
    /// # Errors
    /// What the writer below answers.
    pub fn begin(inner: W, head: &Head) -> io::Result<Writer<W>> {
        let mut writer = Writer {
            inner,
            seal: blake3::Hasher::new(),
            total: Amount::default(),
        };
        let head = serde_json::to_string(head)?;
        writer.put(&format!("{{\"head\":{head},\n\"files\":["))?;
        Ok(writer)
    }

    /// Adds one file; they are handed in in order.
    ///
    /// # Errors
    /// What the writer below answers.
    pub fn add(&mut self, file: &Proven) -> io::Result<()> {
        let comma = if self.total.files == 0 { "" } else { "," };
        let text = serde_json::to_string(&Facts::of(file))?;
        self.put(&format!("{comma}\n{text}"))?;
        self.total.add(Amount::one(file.size));
        Ok(())
    }

    /// Ends with totals and seal; answers the BLAKE3 of the whole document and the writer below.
    ///
    /// # Errors
    /// What the writer below answers.
    pub fn end(mut self) -> io::Result<(Digest, Amount, W)> {
        let (files, bytes) = (self.total.files, self.total.bytes.0);
        self.put(&format!(
            "\n],\n\"total\":{{\"files\":{files},\"bytes\":{bytes}}},\n"
        ))?;
        let seal = Digest(*self.seal.finalize().as_bytes());
        self.put(&seal_line(seal))?;
        self.inner.flush()?;
        let whole = Digest(*self.seal.finalize().as_bytes());
        Ok((whole, self.total, self.inner))
    }

    fn put(&mut self, text: &str) -> io::Result<()> {
        self.seal.update(text.as_bytes());
        self.inner.write_all(text.as_bytes())
    }
}

fn seal_line(seal: Digest) -> String {
    format!("\"seal\":\"{seal}\"}}\n")
}
