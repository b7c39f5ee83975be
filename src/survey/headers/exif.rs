//! `DateTimeOriginal` of EXIF (CIPA DC-008, tags 0x8769, 0x9003, 0x9004) in JPEG and TIFF files.
//!
//! `DateTime` (0x0132) is not used: editing programs write it when they save.

use super::{HeaderDate, Stop, Windows};
use crate::moment::Moment;
use chrono::NaiveDate;

/// Segments of a JPEG looked at before its picture data.
const SEGMENTS: usize = 64;
/// Entries of one directory looked at.
const ENTRIES: u16 = 512;
const EXIF_DIRECTORY: u16 = 0x8769;
const ORIGINAL: u16 = 0x9003;
const DIGITIZED: u16 = 0x9004;

/// The date in a JPEG's first EXIF segment.
pub fn date_in_jpeg(file: &Windows) -> Result<HeaderDate, Stop> {
    if file.get(0, 2)? != b"\xff\xd8" {
        return Err(Stop::Nothing);
    }
    let mut at = 2u64;
    for _ in 0..SEGMENTS {
        let head = file.get(at, 4)?;
        let &[0xff, marker, high, low] = head else {
            return Err(Stop::Nothing);
        };
        // Fill bytes, then start of scan or end of image: the metadata is over.
        if marker == 0xff {
            at += 1;
            continue;
        }
        if matches!(marker, 0xda | 0xd9) {
            return Err(Stop::Nothing);
        }
        let length = u64::from(high) << 8 | u64::from(low);
        if length < 2 {
            return Err(Stop::Nothing);
        }
        if marker == 0xe1 && length >= 16 && file.get(at + 4, 6)? == b"Exif\0\0" {
            return date_in_tiff(file, at + 10);
        }
        at += 2 + length;
    }
    Err(Stop::Nothing)
}

/// A TIFF structure that begins at `base`.
struct Tiff<'a> {
    file: &'a Windows,
    base: u64,
    little: bool,
}

/// The date in a TIFF structure that begins at `base`.
pub fn date_in_tiff(file: &Windows, base: u64) -> Result<HeaderDate, Stop> {
    let little = match file.get(base, 4)? {
        b"II\x2a\0" => true,
        b"MM\0\x2a" => false,
        _ => return Err(Stop::Nothing),
    };
    let tiff = Tiff { file, base, little };
    let first = tiff.u32(4)?;
    let exif = tiff.entry(first, EXIF_DIRECTORY)?.ok_or(Stop::Nothing)?;
    let exif = tiff.u32(exif + 8)?;
    for tag in [ORIGINAL, DIGITIZED] {
        let Some(entry) = tiff.entry(exif, tag)? else {
            continue;
        };
        if tiff.u32(entry + 4)? < 19 {
            continue;
        }
        let place = tiff.u32(entry + 8)?;
        let text = tiff.file.get(tiff.at(place)?, 19)?;
        if let Some(date) = parse_date(text) {
            return Ok(date);
        }
    }
    Err(Stop::Nothing)
}

impl Tiff<'_> {
    fn at(&self, offset: u64) -> Result<u64, Stop> {
        self.base.checked_add(offset).ok_or(Stop::Nothing)
    }

    fn u32(&self, offset: u64) -> Result<u64, Stop> {
        let at = self.at(offset)?;
        let value = if self.little {
            self.file.u32_le(at)?
        } else {
            self.file.u32_be(at)?
        };
        Ok(u64::from(value))
    }

    fn u16(&self, offset: u64) -> Result<u16, Stop> {
        let bytes: [u8; 2] = self
            .file
            .get(self.at(offset)?, 2)?
            .try_into()
            .map_err(|_| Stop::Nothing)?;
        Ok(if self.little {
            u16::from_le_bytes(bytes)
        } else {
            u16::from_be_bytes(bytes)
        })
    }

    /// Where the entry of this tag stands in the directory at `directory`.
    fn entry(&self, directory: u64, tag: u16) -> Result<Option<u64>, Stop> {
        let count = self.u16(directory)?.min(ENTRIES);
        for number in 0..u64::from(count) {
            let entry = directory + 2 + number * 12;
            if self.u16(entry)? == tag {
                return Ok(Some(entry));
            }
        }
        Ok(None)
    }
}

/// `2019:03:04 10:15:00`, a wall-clock time.
fn parse_date(text: &[u8]) -> Option<HeaderDate> {
    let number = |from: usize, to: usize| -> Option<u32> {
        std::str::from_utf8(text.get(from..to)?).ok()?.parse().ok()
    };
    let date = NaiveDate::from_ymd_opt(i32::try_from(number(0, 4)?).ok()?, number(5, 7)?, number(8, 10)?)?;
    let time = date.and_hms_opt(number(11, 13)?, number(14, 16)?, number(17, 19)?.min(59))?;
    Some(HeaderDate {
        at: Moment::from_utc(time.and_utc()),
        local: true,
        corrected: false,
    })
}
