//! The creation time in `moov/mvhd` of ISO base media files (ISO/IEC 14496-12, clauses 4.2, 8.2.2).

use super::{HeaderDate, Stop, Windows};
use crate::moment::Moment;

/// Seconds from 1904-01-01 to 1970-01-01: 24,107 days.
pub const EPOCHS: i64 = 2_082_844_800;
/// 1990-01-01T00:00:00Z: an earlier date was written with the wrong epoch (hazard D4).
const FIRST: i64 = 631_152_000;
/// Boxes looked at on one level.
const BOXES: usize = 256;

/// A box: where its content begins and where it ends.
struct Found {
    content: u64,
    end: u64,
}

/// The date.
pub fn date(file: &Windows) -> Result<HeaderDate, Stop> {
    // From the first byte, so that one read serves the boxes that follow as well.
    file.get(0, 8)?;
    let first = file.get(4, 4)?;
    // Files that begin with neither are not of this family, whatever their name says.
    if !matches!(
        first,
        b"ftyp" | b"moov" | b"mdat" | b"wide" | b"free" | b"skip" | b"pnot" | b"uuid"
    ) {
        return Err(Stop::Nothing);
    }
    let moov = find(file, 0, file.size, b"moov")?;
    let mvhd = find(file, moov.content, moov.end, b"mvhd")?;
    let version = *file.get(mvhd.content, 1)?.first().ok_or(Stop::Nothing)?;
    let since_1904 = match version {
        0 => u64::from(file.u32_be(mvhd.content + 4)?),
        1 => file.u64_be(mvhd.content + 4)?,
        _ => return Err(Stop::Nothing),
    };
    from_1904(since_1904).ok_or(Stop::Nothing)
}

/// The time of a count of seconds since 1904, put right where it was counted from 1970.
pub fn from_1904(seconds: u64) -> Option<HeaderDate> {
    let counted = i64::try_from(seconds).ok().filter(|s| *s > 0)?;
    let unix = counted - EPOCHS;
    let corrected = unix < FIRST;
    Some(HeaderDate {
        at: Moment::from_seconds(if corrected { counted } else { unix }),
        local: false,
        corrected,
    })
}

fn find(file: &Windows, start: u64, end: u64, wanted: &[u8; 4]) -> Result<Found, Stop> {
    let mut at = start;
    for _ in 0..BOXES {
        if at.saturating_add(8) > end {
            return Err(Stop::Nothing);
        }
        let short = u64::from(file.u32_be(at)?);
        let name: [u8; 4] = file.get(at + 4, 4)?.try_into().map_err(|_| Stop::Nothing)?;
        let (header, length) = match short {
            0 => (8, end - at),
            1 => (16, file.u64_be(at + 8)?),
            length => (8, length),
        };
        if length < header {
            return Err(Stop::Nothing);
        }
        let next = at.checked_add(length).ok_or(Stop::Nothing)?;
        if &name == wanted {
            return Ok(Found {
                content: at + header,
                end: next.min(end),
            });
        }
        at = next;
    }
    Err(Stop::Nothing)
}
