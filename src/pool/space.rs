//! From disks to the space that `zfs list` shows as available on the empty pool.
//!
//! The steps are those of OpenZFS: labels (`vdev_get_min_asize`, include/sys/vdev_impl.h),
//! metaslabs (`vdev_metaslab_set_size`, module/zfs/vdev.c), the embedded log
//! (module/zfs/vdev.c), deflation (module/zfs/vdev.c) and slop (`spa_get_slop_space`,
//! module/zfs/spa_misc.c). Each agrees to the byte with the measured tables.

use crate::pool::geometry::{Ashift, Geometry};
use crate::pool::layout::Layout;
use crate::trouble::Trouble;
use crate::units::Bytes;

const MIB: u64 = 1 << 20;
const GIB: u64 = 1 << 30;

/// Space taken by labels: 2 labels and the boot area in front (4 MiB), 2 labels behind (512 KiB).
const LABELS: u64 = 4 * MIB + 512 * 1024;

/// Disks are used in whole 256 KiB (the size of a label).
const DISK_STEP: u64 = 256 * 1024;

/// The smallest device OpenZFS takes (`SPA_MINDEVSIZE`).
const DISK_MIN: u64 = 64 * MIB;

/// From this many metaslabs on, a vdev sets one aside for the intent log.
const EMBEDDED_LOG_FROM: u64 = 64;

/// How full a pool may get, in whole percent of usable space, 1 to 100.
///
/// 80 is the older advice for all pools; the vendor's later advice is 90 in general and 95 for data
/// that is written once (Oracle ZFS blog, 2016-08-12). OpenZFS itself gives no figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FillLimit(u8);

/// Where the bytes of a pool go, from the disks to what is available.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Space {
    /// All disks but the spares, at full size.
    pub raw: Bytes,
    /// What `zpool list` shows as size: whole metaslabs, parity included.
    pub pool_size: Bytes,
    /// Lost to labels and to the last, partial metaslab of each vdev.
    pub label_and_rounding: Bytes,
    /// The pool's size less parity and the padding of 128 KiB blocks.
    pub after_parity: Bytes,
    /// Set aside for the intent log, deflated.
    pub embedded_log: Bytes,
    /// Held back by ZFS so that it can always free space.
    pub slop: Bytes,
    /// What an empty pool uses itself; small and not the same on every pool (about 0.4 to 1 MB).
    pub own_use: Bytes,
    /// What `zfs list -p` shows as available on the empty pool.
    pub usable: Bytes,
}

impl FillLimit {
    /// Checks the number.
    ///
    /// # Errors
    /// `fill-limit` where it is not 1 to 100.
    pub fn new(percent: u64) -> Result<FillLimit, Trouble> {
        match u8::try_from(percent) {
            Ok(p @ 1..=100) => Ok(FillLimit(p)),
            _ => Err(Trouble::usage(
                "fill-limit",
                format!("a fill limit of {percent} % makes no sense"),
            )
            .mend("Give 1 to 100; 80 is cautious, 90 is common for large files.")),
        }
    }

    /// The number.
    pub fn percent(self) -> u8 {
        self.0
    }

    /// So much of the usable space, rounded down.
    pub fn of(self, usable: Bytes) -> Bytes {
        let part = u128::from(usable.0) * u128::from(self.0) / 100;
        Bytes(u64::try_from(part).unwrap_or(u64::MAX))
    }
}

impl Space {
    /// The space of a layout of disks of one size.
    ///
    /// # Errors
    /// `disk-size` where a disk is smaller than 64 MiB, or all together pass 18.4 EB.
    pub fn of(layout: Layout, ashift: Ashift, disk: Bytes) -> Result<Space, Trouble> {
        Space::widened(layout, 0, ashift, disk)
    }

    /// The space after each raidz vdev was widened by so many disks (OpenZFS 2.3 and later): the
    /// new disks count in full, but deflation and metaslabs stay those of the old width
    /// (zpool-attach(8); confirmed by the measured pools). For other levels `by` must be 0.
    ///
    /// # Errors
    /// Those of [`Space::of`]; `layout` where the level cannot be widened or gets too wide.
    pub fn widened(layout: Layout, by: u32, ashift: Ashift, disk: Bytes) -> Result<Space, Trouble> {
        let too_much = || {
            let text = format!("{layout} of disks of {disk} passes the largest size that can be counted");
            Trouble::usage("disk-size", text).mend("Check the disk size and its unit, for example 14 TB.")
        };
        if by > 0 && !layout.level().is_raidz() {
            let text = format!("a {} vdev does not hold more for being widened", layout.level());
            return Err(Trouble::usage("layout", text).mend("Add a whole vdev."));
        }
        let wide = Layout::new(
            layout.vdevs(),
            layout.width().saturating_add(by),
            layout.level(),
            layout.spares(),
        )?;
        if disk.0 < DISK_MIN {
            return Err(Trouble::usage(
                "disk-size",
                format!("a disk of {} is too small for ZFS", disk.exact()),
            )
            .mend("Give the size of one disk, 64 MiB at least, for example 14 TB."));
        }
        let raw = disk
            .0
            .checked_mul(u64::from(wide.data_disks()))
            .ok_or_else(too_much)?;
        Ok(counted(layout, wide, ashift, disk.0, raw))
    }
}

/// The space of `wide`, made with the geometry of `first`. `raw` is all disks together, which bounds
/// every product here.
fn counted(first: Layout, wide: Layout, ashift: Ashift, disk: u64, raw: u64) -> Space {
    let geometry = Geometry::of(first, ashift);
    let leaf = disk / DISK_STEP * DISK_STEP - LABELS;
    let members = |layout: Layout| {
        if layout.level().is_raidz() {
            u64::from(layout.width())
        } else {
            1
        }
    };
    let shift = metaslab_shift(leaf * members(first));
    let metaslabs = (leaf * members(wide)) >> shift;
    let vdevs = u64::from(wide.vdevs());
    let pool_size = (metaslabs << shift) * vdevs;
    let after_parity = geometry.deflated(pool_size);
    let embedded_log = if metaslabs >= EMBEDDED_LOG_FROM {
        geometry.deflated((1 << shift) * vdevs)
    } else {
        0
    };
    let space = after_parity - embedded_log;
    let slop = slop(space, embedded_log);
    let own_use = own_use(geometry, vdevs).min(space - slop);
    let on_all_disks = pool_size * (u64::from(wide.width()) / members(wide));
    Space {
        raw: Bytes(raw),
        pool_size: Bytes(pool_size),
        label_and_rounding: Bytes(raw - on_all_disks),
        after_parity: Bytes(after_parity),
        embedded_log: Bytes(embedded_log),
        slop: Bytes(slop),
        own_use: Bytes(own_use),
        usable: Bytes(space - slop - own_use),
    }
}

/// The metaslab size of a vdev as a power of two: 512 MiB where that makes 16 to 200 of them, else
/// about 16 or 200, between 16 MiB and 16 GiB; above 2^17 metaslabs larger again. Source:
/// `vdev_metaslab_set_size`, module/zfs/vdev.c (the last rule from memory; it needs a vdev of 2 PiB).
fn metaslab_shift(vdev: u64) -> u32 {
    let bits = |n: u64| u64::BITS - n.leading_zeros();
    let count = vdev >> 29;
    let wanted = if count < 16 {
        bits(vdev / 16)
    } else if count > 200 {
        bits(vdev / 200)
    } else {
        29
    };
    if wanted <= 34 {
        return wanted.max(24);
    }
    if vdev >> 34 > 1 << 17 {
        bits(vdev >> 17)
    } else {
        34
    }
}

/// What ZFS holds back: 1/32 of the space, at most 128 GiB; the embedded log counts towards it up
/// to half; at least 128 MiB, but never more than half the space. Source: `spa_get_slop_space`,
/// module/zfs/spa_misc.c.
pub(crate) fn slop(space: u64, embedded_log: u64) -> u64 {
    let slop = (space / 32).min(128 * GIB);
    let slop = slop - embedded_log.min(slop / 2);
    slop.max((space / 2).min(128 * MIB))
}

/// What a fresh pool has written: about 90 blocks of one sector and 3 more for each further vdev,
/// twice as many where sectors are small. Read off the measured pools; of no weight but on tiny ones.
fn own_use(geometry: Geometry, vdevs: u64) -> u64 {
    let blocks = 90 + 3 * (vdevs - 1);
    let small = if geometry.ashift().get() < 12 { 2 } else { 1 };
    geometry.deflated(geometry.allocated(1) * blocks * small)
}
