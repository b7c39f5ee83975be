//! The origination date in the `bext` chunk of Broadcast Wave files (EBU Tech 3285, clause 2.3:
//! Description 256 bytes, Originator 32, OriginatorReference 32, OriginationDate 10,
//! OriginationTime 8).

use super::{HeaderDate, Stop, Windows};
use crate::moment::Moment;
use chrono::NaiveDate;

/// Chunks looked at.
const CHUNKS: usize = 256;
const DATE_AT: u64 = 320;

/// The date.
pub fn date(file: &Windows) -> Result<HeaderDate, Stop> {
    if !matches!(file.get(0, 4)?, b"RIFF" | b"RF64" | b"BW64") || file.get(8, 4)? != b"WAVE" {
        return Err(Stop::Nothing);
    }
    let mut at = 12u64;
    for _ in 0..CHUNKS {
        let name = file.get(at, 4)?;
        let length = u64::from(file.u32_le(at + 4)?);
        if name == b"bext" {
            let text = file.get(at + 8 + DATE_AT, 18)?;
            return parse_date(text).ok_or(Stop::Nothing);
        }
        // In RF64 the true length stands elsewhere; a date after the sound is not looked for.
        if length == u64::from(u32::MAX) {
            return Err(Stop::Nothing);
        }
        at = at.checked_add(8 + length + length % 2).ok_or(Stop::Nothing)?;
    }
    Err(Stop::Nothing)
}

/// `2019-03-04` and `10:15:00`; any separators, as the standard allows.
fn parse_date(text: &[u8]) -> Option<HeaderDate> {
    let number = |from: usize, to: usize| -> Option<u32> {
        std::str::from_utf8(text.get(from..to)?).ok()?.parse().ok()
    };
    let date = NaiveDate::from_ymd_opt(i32::try_from(number(0, 4)?).ok()?, number(5, 7)?, number(8, 10)?)?;
    let clock = number(10, 12).zip(number(13, 15)).zip(number(16, 18));
    let time = clock
        .and_then(|((h, m), s)| date.and_hms_opt(h, m, s))
        .unwrap_or_else(|| date.and_time(chrono::NaiveTime::MIN));
    Some(HeaderDate {
        at: Moment::from_utc(time.and_utc()),
        local: true,
        corrected: false,
    })
}
