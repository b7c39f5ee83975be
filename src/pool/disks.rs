//! Single disks: how large they really are, how long reading one takes, what may not read back.

use crate::trouble::Trouble;
use crate::units::{Bytes, Rate, Span, UnitError};

/// Outer-edge rate of a large 7200 rpm disk where nothing was measured: a default, from memory of
/// the 12 to 18 TB generation (240 to 270 MB/s).
pub const OUTER_RATE: Rate = Rate(250_000_000);

/// How long one whole disk takes to read, and so the least a rebuild can take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WholeRead {
    /// If the rate of the outer edge held to the end, which it does not.
    pub at_outer_rate: Span,
    /// At the mean over the surface, three quarters of the outer rate.
    pub at_mean_rate: Span,
}

/// Read errors to expect at the rate a specification sheet allows.
///
/// Such rates are upper bounds that a maker warrants, not measurements: healthy disks do far
/// better, dying ones far worse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadErrors {
    /// Expected number of unreadable sectors.
    pub expected: f64,
    /// Chance of at least one, 0 to 1.
    pub chance: f64,
}

/// The sentence that stands beside every [`ReadErrors`].
pub const READ_ERRORS_CAUTION: &str = "Rates on specification sheets are pessimistic upper bounds, not \
    measurements; ZFS repairs an unreadable sector as long as redundancy is left, and loses one block, not \
    the pool, where none is.";

impl WholeRead {
    /// For a disk of this size. The inner edge of a 7200 rpm disk reads at about half the rate of
    /// the outer one (a published drive specification: 64.8 and 31.0 MB/s in 30 zones, 2.09 to 1);
    /// at constant density along the track the mean is then (1 + 1/2)/2 of the outer rate.
    pub fn of(disk: Bytes, outer: Rate) -> WholeRead {
        WholeRead {
            at_outer_rate: outer.time_for(disk),
            at_mean_rate: Rate(outer.0 / 4 * 3 + outer.0 % 4 * 3 / 4).time_for(disk),
        }
    }
}

impl ReadErrors {
    /// Reading so many bytes at one error in 10^`exponent` bits, 14 to 16 on the sheets of today.
    /// ("1 per 10E15" on a sheet means 10^15.)
    pub fn of(bytes: Bytes, exponent: u8) -> ReadErrors {
        let p = 10f64.powi(-i32::from(exponent.clamp(1, 30)));
        let bits = bytes.0 as f64 * 8.0;
        ReadErrors {
            expected: bits * p,
            chance: -(bits * (-p).ln_1p()).exp_m1(),
        }
    }
}

/// The size of a drive sold as so many GB: to 8,000 GB by IDEMA LBA1-03 (512-byte sectors
/// 97,696,368 + 1,953,504 x (GB - 50)), above by SFF-8447 in whole GiB. `None` below 50 GB.
pub fn drive_size(advertised_gb: u64) -> Option<Bytes> {
    if advertised_gb < 50 {
        return None;
    }
    if advertised_gb <= 8_000 {
        let sectors = 97_696_368 + 1_953_504 * (advertised_gb - 50);
        return Some(Bytes(sectors.div_ceil(8) * 8 * 512));
    }
    let bytes = advertised_gb.checked_mul(1_000_000_000)?;
    bytes.checked_next_multiple_of(1 << 30).map(Bytes)
}

/// More disks than anyone attaches to one machine.
const COUNT_MAX: usize = 10_000;

/// Reads the sizes of the disks at hand: `14 TB`, `14 TB, 12 TB` or `8 x 14 TB, 4 x 12 TB`. Each
/// size stands as often as it was counted.
///
/// # Errors
/// What is wrong, and the mend.
pub fn parse_sizes(text: &str) -> Result<Vec<Bytes>, UnitError> {
    let mut sizes = Vec::new();
    for part in text.split(',') {
        let (count, size) = match part.split_once(['x', '×']) {
            Some((count, size)) => (count.trim().parse::<usize>().ok(), size),
            None => (Some(1), part),
        };
        let size = Bytes::parse(size)?;
        match count {
            Some(count) if count > 0 && sizes.len().saturating_add(count) <= COUNT_MAX => {
                sizes.extend(std::iter::repeat_n(size, count));
            }
            _ => {
                return Err(UnitError {
                    text: part.trim().to_string(),
                    wanted: "a count of disks and their size",
                    mend: "write for example 14 TB, or 8 x 14 TB, 4 x 12 TB",
                });
            }
        }
    }
    Ok(sizes)
}

/// Disks at hand of one or several sizes: the smallest counts, and the sentence that says so.
///
/// # Errors
/// `disks` where there are none.
pub fn smallest(sizes: &[Bytes]) -> Result<(Bytes, Option<String>), Trouble> {
    let (Some(least), Some(most)) = (sizes.iter().min(), sizes.iter().max()) else {
        return Err(Trouble::usage("disks", "no disks were given").mend("Give --disks and --disk-size."));
    };
    let larger = sizes.iter().filter(|size| *size > least).count() as u64;
    let note = (larger > 0).then(|| {
        let each = Bytes(
            sizes
                .iter()
                .map(|s| u128::from(s.0 - least.0))
                .sum::<u128>()
                .min(u128::from(u64::MAX)) as u64,
        );
        format!(
            "The disks differ ({least} to {most}); the smallest counts, so {each} on {} stay unused.",
            crate::units::counted(larger, "disk")
        )
    });
    Ok((*least, note))
}
