//! What one block occupies on one vdev, and the deflated bytes in which `zfs list` counts it.

use crate::pool::layout::{Layout, Level};
use crate::trouble::Trouble;

/// The sector of a vdev as a power of two: 9 (512 B) to 16 (64 KiB); 12 is 4 KiB.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ashift(u8);

/// Width, level and sector of a vdev: all that decides what a block takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Geometry {
    width: u32,
    level: Level,
    ashift: Ashift,
}

/// The block on which OpenZFS fixes the deflate ratio (`SPA_OLD_MAXBLOCKSIZE`).
const DEFLATE_BLOCK: u64 = 128 << 10;

impl Ashift {
    /// 4 KiB, right for every large disk sold today.
    pub const FOUR_KIB: Ashift = Ashift(12);

    /// Checks the number.
    ///
    /// # Errors
    /// `ashift` where it is not 9 to 16 (zpoolprops(7)).
    pub fn new(n: u64) -> Result<Ashift, Trouble> {
        match u8::try_from(n) {
            Ok(n @ 9..=16) => Ok(Ashift(n)),
            _ => Err(
                Trouble::usage("ashift", format!("an ashift of {n} does not exist"))
                    .mend("Give 9 to 16; 12 (sectors of 4 KiB) is right for large disks."),
            ),
        }
    }

    /// The power, 9 to 16.
    pub fn get(self) -> u8 {
        self.0
    }

    /// Bytes in a sector.
    pub fn sector(self) -> u64 {
        1 << self.0
    }

    /// Sectors that hold so many bytes.
    pub fn sectors(self, bytes: u64) -> u64 {
        bytes.div_ceil(self.sector())
    }
}

impl Geometry {
    /// The geometry of a layout's vdevs.
    pub fn of(layout: Layout, ashift: Ashift) -> Geometry {
        Geometry {
            width: layout.width(),
            level: layout.level(),
            ashift,
        }
    }

    /// The sector size.
    pub fn ashift(self) -> Ashift {
        self.ashift
    }

    /// The redundancy.
    pub fn level(self) -> Level {
        self.level
    }

    /// Sectors on all disks for a block of `data` sectors: data, parity of each row, padding to a
    /// multiple of parity + 1. In a raidz this is `vdev_raidz_psize_to_asize`
    /// (module/zfs/vdev_raidz.c); a mirror's copies are not counted, neither by `zpool list`.
    pub fn allocated_sectors(self, data: u64) -> u64 {
        let parity = u64::from(self.level.parity());
        if parity == 0 {
            return data;
        }
        let row = u64::from(self.width) - parity;
        let sectors = data.saturating_add(parity.saturating_mul(data.div_ceil(row)));
        sectors.div_ceil(parity + 1).saturating_mul(parity + 1)
    }

    /// Bytes on all disks for a block of so many bytes.
    pub fn allocated(self, bytes: u64) -> u64 {
        self.allocated_sectors(self.ashift.sectors(bytes))
            .saturating_mul(self.ashift.sector())
    }

    /// Deflated bytes per 512 bytes allocated, 512 at most: what a 128 KiB block makes of its
    /// allocation, rounded down (`vdev_set_deflate_ratio`, module/zfs/vdev.c).
    pub fn deflate_ratio(self) -> u64 {
        if self.level.is_raidz() {
            DEFLATE_BLOCK / (self.allocated(DEFLATE_BLOCK) >> 9).max(1)
        } else {
            512
        }
    }

    /// Allocated bytes as `zfs list` counts them.
    pub fn deflated(self, allocated: u64) -> u64 {
        (allocated >> 9).saturating_mul(self.deflate_ratio())
    }
}
