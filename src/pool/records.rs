//! The choices a dataset has: recordsize and compression.

use crate::trouble::Trouble;
use std::fmt;

/// A recordsize as a power of two, 16 KiB to 16 MiB.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RecordSize(u8);

/// Whether a dataset compresses. Media does not shrink, so `On` counts the zero tail of a file's
/// last record and nothing else.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Compression {
    /// Records are stored as long as they are.
    Off,
    /// lz4, the default in OpenZFS 2.3 (off was the default in 2.1).
    On,
}

/// One way to set a dataset up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Choice {
    /// The largest record.
    pub recordsize: RecordSize,
    /// Whether it compresses.
    pub compression: Compression,
}

const FIRST: u8 = 14;
const LAST: u8 = 24;

impl RecordSize {
    /// How many there are.
    pub const COUNT: usize = (LAST - FIRST) as usize + 1;

    /// 128K, what a dataset has if nothing is said.
    pub const DEFAULT: RecordSize = RecordSize(17);

    /// All of them, smallest first.
    pub fn all() -> impl DoubleEndedIterator<Item = RecordSize> {
        (FIRST..=LAST).map(RecordSize)
    }

    /// Reads `16K`, `128K`, `1M`, `16M`, also `1 MiB`.
    ///
    /// # Errors
    /// `recordsize` where it is not a power of two from 16K to 16M.
    pub fn parse(text: &str) -> Result<RecordSize, Trouble> {
        let plain: String = text.chars().filter(|c| !c.is_whitespace()).collect();
        let plain = plain.to_ascii_lowercase();
        let plain = plain.strip_suffix("ib").unwrap_or(&plain);
        RecordSize::all()
            .find(|size| size.to_string().eq_ignore_ascii_case(plain))
            .ok_or_else(|| {
                Trouble::usage("recordsize", format!("{text:?} is no recordsize"))
                    .mend("Give a power of two from 16K to 16M, for example 128K or 1M.")
            })
    }

    /// In bytes.
    pub fn bytes(self) -> u64 {
        1 << self.0
    }

    /// The power of two, 14 to 24.
    pub fn shift(self) -> u32 {
        u32::from(self.0)
    }

    /// Its place among [`RecordSize::all`].
    pub(crate) fn index(self) -> usize {
        usize::from(self.0 - FIRST)
    }

    /// The smallest one that holds so many bytes in one record, if any does.
    pub fn holding(bytes: u64) -> Option<RecordSize> {
        RecordSize::all().find(|size| bytes <= size.bytes())
    }
}

impl fmt::Display for RecordSize {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 < 20 {
            f.pad(&format!("{}K", 1u32 << (self.0 - 10)))
        } else {
            f.pad(&format!("{}M", 1u32 << (self.0 - 20)))
        }
    }
}

impl Compression {
    /// `off` or `on`.
    pub fn word(self) -> &'static str {
        match self {
            Compression::Off => "off",
            Compression::On => "on",
        }
    }
}

impl fmt::Display for Compression {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl Choice {
    /// All 22, by recordsize, each without and with compression.
    pub fn all() -> impl Iterator<Item = Choice> {
        RecordSize::all().flat_map(|recordsize| {
            [Compression::Off, Compression::On].map(|compression| Choice {
                recordsize,
                compression,
            })
        })
    }
}

impl fmt::Display for Choice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!(
            "recordsize {}, compression {}",
            self.recordsize, self.compression
        ))
    }
}
