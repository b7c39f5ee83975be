//! Dates inside media headers, from a few small reads that the caller makes.
//!
//! [`HeaderReader`] asks for ranges of the file ([`Next::Read`]) until it knows ([`Next::Found`]).
//! Each answer is kept as a window and the parse begins anew over all windows: a parse is a plain
//! function of the bytes known so far, and no state can be left half way.

mod exif;
mod iso;
mod riff;
#[cfg(test)]
mod tests;

use crate::moment::{Moment, Year};
use crate::survey::calendar::{Calendar, DAY};
use crate::survey::kinds;

/// Reads a file may cost. A clip with its index at the end needs three or four, a picture one or
/// two; a file that asks for more is damaged or unusual.
const READS: usize = 24;
/// The least that is asked for at once: one page costs no more than sixteen bytes.
const LEAST: u64 = 4096;
/// The most: no structure looked into is longer.
const MOST: u64 = 65_536;

/// Which structure a file has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum HeaderKind {
    /// ISO base media: `moov/mvhd` (ISO/IEC 14496-12, clause 8.2.2).
    IsoMedia,
    /// EXIF in a JPEG.
    Jpeg,
    /// EXIF in a TIFF, camera raw files built on it included.
    Tiff,
    /// RIFF or RF64 wave with a `bext` chunk (EBU Tech 3285).
    Wave,
}

/// A date found in a header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeaderDate {
    /// The time; for wall-clock times without a zone, their digits read as UTC.
    pub at: Moment,
    /// It is a wall-clock time without a zone.
    pub local: bool,
    /// It was off by the 66 years between two epochs and put right.
    pub corrected: bool,
}

/// What the reader wants next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// These bytes of the file.
    Read {
        /// From here.
        offset: u64,
        /// So many; never past the end of the file.
        len: usize,
    },
    /// It is done; `None`: no date inside.
    Found(Option<HeaderDate>),
}

/// Reads one file's date.
#[derive(Debug)]
pub struct HeaderReader {
    kind: HeaderKind,
    windows: Windows,
    reads: usize,
    asked: u64,
}

/// Why a parse ended without an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stop {
    /// These bytes are needed.
    Need { offset: u64, len: u64 },
    /// There is no date, or the structure is damaged.
    Nothing,
}

/// The parts of the file known so far.
#[derive(Debug)]
struct Windows {
    size: u64,
    parts: Vec<(u64, Vec<u8>)>,
}

impl Windows {
    fn get(&self, offset: u64, len: u64) -> Result<&[u8], Stop> {
        let end = offset.checked_add(len).ok_or(Stop::Nothing)?;
        if end > self.size || len > MOST {
            return Err(Stop::Nothing);
        }
        for (start, bytes) in &self.parts {
            let Some(from) = offset.checked_sub(*start).and_then(|n| usize::try_from(n).ok()) else {
                continue;
            };
            if let Some(found) = bytes.get(from..from.saturating_add(len as usize)) {
                return Ok(found);
            }
        }
        Err(Stop::Need { offset, len })
    }

    fn u32_be(&self, offset: u64) -> Result<u32, Stop> {
        self.get(offset, 4)
            .map(|b| b.iter().fold(0, |v, byte| v << 8 | u32::from(*byte)))
    }

    fn u64_be(&self, offset: u64) -> Result<u64, Stop> {
        self.get(offset, 8)
            .map(|b| b.iter().fold(0, |v, byte| v << 8 | u64::from(*byte)))
    }

    fn u32_le(&self, offset: u64) -> Result<u32, Stop> {
        self.u32_be(offset).map(u32::swap_bytes)
    }
}

/// The structure to expect in a file of this name, if any is known.
pub fn header_kind(name: &[u8]) -> Option<HeaderKind> {
    let mut word = [0u8; 4];
    let ending = kinds::ending(name).filter(|ending| ending.len() <= 4)?;
    for (to, from) in word.iter_mut().zip(ending) {
        *to = from.to_ascii_lowercase();
    }
    match word.get(..ending.len())? {
        b"mov" | b"mp4" | b"m4v" | b"m4a" | b"3gp" | b"3g2" | b"crm" | b"cr3" | b"lrv" | b"insv" => {
            Some(HeaderKind::IsoMedia)
        }
        b"jpg" | b"jpeg" | b"jpe" => Some(HeaderKind::Jpeg),
        b"tif" | b"tiff" | b"dng" | b"nef" | b"nrw" | b"cr2" | b"arw" | b"sr2" | b"pef" | b"srw" | b"3fr"
        | b"iiq" => Some(HeaderKind::Tiff),
        b"wav" | b"bwf" | b"rf64" | b"w64" => Some(HeaderKind::Wave),
        _ => None,
    }
}

impl HeaderReader {
    /// For a file of this structure and size.
    pub fn new(kind: HeaderKind, size: u64) -> HeaderReader {
        HeaderReader {
            kind,
            windows: Windows {
                // Below this no sum of two offsets can overflow.
                size: size.min(1 << 62),
                parts: Vec::new(),
            },
            reads: 0,
            asked: 0,
        }
    }

    /// What is wanted first.
    pub fn begin(&mut self) -> Next {
        self.go_on()
    }

    /// Takes in the bytes asked for last; fewer than asked for mean that the file ends there.
    pub fn feed(&mut self, bytes: &[u8]) -> Next {
        let kept = bytes.get(..MOST as usize).unwrap_or(bytes);
        self.windows.parts.push((self.asked, kept.to_vec()));
        self.go_on()
    }

    fn go_on(&mut self) -> Next {
        let found = match self.kind {
            HeaderKind::IsoMedia => iso::date(&self.windows),
            HeaderKind::Jpeg => exif::date_in_jpeg(&self.windows),
            HeaderKind::Tiff => exif::date_in_tiff(&self.windows, 0),
            HeaderKind::Wave => riff::date(&self.windows),
        };
        match found {
            Ok(date) => Next::Found(Some(date)),
            Err(Stop::Nothing) => Next::Found(None),
            Err(Stop::Need { .. }) if self.reads >= READS => Next::Found(None),
            Err(Stop::Need { offset, len }) => {
                self.reads += 1;
                self.asked = offset;
                let rest = self.windows.size.saturating_sub(offset);
                let len = len.clamp(LEAST, MOST).min(rest);
                Next::Read {
                    offset,
                    len: len as usize,
                }
            }
        }
    }
}

impl HeaderDate {
    /// The year on the wall calendar, where the date can be believed.
    pub fn year(&self, calendar: &Calendar) -> Option<Year> {
        let year = if self.local {
            self.at.year(chrono_tz::UTC)
        } else {
            self.at.year(calendar.zone())
        }?;
        calendar.believe(self.at).ok()?;
        Some(year)
    }

    /// Whether the date lies within a day of a new year, so that the zone it was written in
    /// decides the year (hazard D5).
    pub fn is_near_new_year(&self, calendar: &Calendar, year: Year) -> bool {
        let moved = |by: i64| {
            HeaderDate {
                at: self.at.plus_seconds(by),
                ..*self
            }
            .at
            .year(if self.local {
                chrono_tz::UTC
            } else {
                calendar.zone()
            })
        };
        moved(-DAY) != Some(year) || moved(DAY) != Some(year)
    }
}
