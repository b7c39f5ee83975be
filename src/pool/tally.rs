//! The space ten million files take, at every recordsize, with and without compression.
//!
//! A [`SpaceTally`] counts blocks by their length in sectors. That depends on the files and the
//! sector size alone, so one pass over an index prices every layout afterwards. Its memory is fixed:
//! about 130 kB at ashift 12, eight times that at ashift 9, however many files go in.
//!
//! Everything is added up in integers and nothing is rounded before the end, so the tallies of the
//! datasets add up to the tally of the whole.

use crate::pool::blocks::{
    DNODES_PER_BLOCK, FolderNames, METADATA_COPIES, POINTERS, dnode_block, folder, indirect, last_record,
    link_target, metadata_indirect, one_block,
};
use crate::pool::geometry::{Ashift, Geometry};
use crate::pool::layout::Layout;
use crate::pool::records::{Choice, Compression, RecordSize};
use crate::units::Bytes;

/// Blocks counted by their length in sectors.
type BySectors = Vec<u64>;

/// What files take on one layout.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Taken {
    /// As `zfs list -p` counts it in `used`.
    pub used: Bytes,
    /// As `zpool list -p` counts it in `alloc`: parity and padding included, a mirror counted once.
    pub alloc: Bytes,
}

/// Counts blocks of files pushed into it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpaceTally {
    ashift: Ashift,
    /// Files, folders and links, each with one dnode.
    dnodes: u64,
    /// Logical bytes of files, held at 2^64 - 1.
    content: u64,
    /// Blocks of folders and of long link targets, one copy of each.
    metadata: BySectors,
    /// By recordsize.
    sizes: Vec<Records>,
    /// Sectors of an indirect block by pointers in use: beside each other (not raidz, raidz).
    indirect_sectors: Vec<[u16; 2]>,
}

/// What is counted for one recordsize.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Records {
    size: RecordSize,
    /// Files whose only record this is the smallest to hold, by sectors.
    single: BySectors,
    /// Those of them that compression puts into the block pointer; all are one sector long.
    vanishing: u64,
    /// Full records of files with more than one.
    full: u64,
    /// Last records of such files; without compression each is a full one.
    last: u64,
    /// The same with compression, by sectors; 0 stands for those in the block pointer.
    last_shrunk: BySectors,
    /// Indirect blocks, one copy, by sectors: (not raidz, raidz).
    indirect: [BySectors; 2],
}

impl SpaceTally {
    /// An empty tally for vdevs with this sector size.
    pub fn new(ashift: Ashift) -> SpaceTally {
        let table = (0..=POINTERS).map(|n| {
            [false, true].map(|raidz| u16::try_from(indirect(n.max(1), raidz, ashift)).unwrap_or(u16::MAX))
        });
        let bins = |bytes: u64| vec![0u64; ashift.sectors(bytes) as usize + 1];
        let records = |size: RecordSize| Records {
            size,
            single: bins(size.bytes()),
            vanishing: 0,
            full: 0,
            last: 0,
            last_shrunk: bins(size.bytes()),
            indirect: [bins(128 << 10), bins(128 << 10)],
        };
        SpaceTally {
            ashift,
            dnodes: 0,
            content: 0,
            metadata: bins(128 << 10),
            sizes: RecordSize::all().map(records).collect(),
            indirect_sectors: table.collect(),
        }
    }

    /// The sector size it counts in.
    pub fn ashift(&self) -> Ashift {
        self.ashift
    }

    /// Logical bytes of the files pushed.
    pub fn content(&self) -> Bytes {
        Bytes(self.content)
    }

    /// Files, folders and links pushed.
    pub fn entries(&self) -> u64 {
        self.dnodes
    }

    /// One file with content everywhere.
    pub fn push(&mut self, size: Bytes) {
        self.dnodes = self.dnodes.saturating_add(1);
        self.content = self.content.saturating_add(size.0);
        let one = one_block(size.0, self.ashift);
        if one.sectors == 0 {
            return;
        }
        let ashift = self.ashift;
        for records in &mut self.sizes {
            if size.0 <= records.size.bytes() {
                bump(&mut records.single, one.sectors, 1);
                records.vanishing += u64::from(one.vanishes);
                break;
            }
            records.push_many(size.0, ashift, &self.indirect_sectors);
        }
    }

    /// One file with holes: `data` bytes of it hold content, the rest was never written. Counted
    /// from above, as whole records. Only for a caller who has looked for holes: the blocks a
    /// source reports may be few because the source compresses, and then all of it is content here.
    pub fn push_with_holes(&mut self, size: Bytes, data: Bytes) {
        if data >= size {
            return self.push(size);
        }
        self.dnodes = self.dnodes.saturating_add(1);
        self.content = self.content.saturating_add(data.0);
        if data.0 == 0 {
            return;
        }
        let one = one_block(size.0, self.ashift);
        for records in &mut self.sizes {
            if size.0 <= records.size.bytes() {
                bump(&mut records.single, one.sectors, 1);
                break;
            }
            let count = size.0.div_ceil(records.size.bytes());
            let held = data.0.div_ceil(records.size.bytes()).saturating_add(1).min(count);
            records.full = records.full.saturating_add(held);
            records.push_pointers(count, &self.indirect_sectors);
        }
    }

    /// One empty file.
    pub fn push_empty(&mut self) {
        self.push(Bytes(0));
    }

    /// A folder below the top of its dataset.
    pub fn push_directory(&mut self, names: FolderNames) {
        self.dnodes = self.dnodes.saturating_add(1);
        self.push_top(names);
    }

    /// The top folder of a dataset, whose dnode every new dataset has already.
    pub fn push_top(&mut self, names: FolderNames) {
        let metadata = &mut self.metadata;
        folder(names, self.ashift, |sectors, count| {
            bump(metadata, sectors, count)
        });
    }

    /// A symbolic link.
    pub fn push_symlink(&mut self, target_bytes: u64) {
        self.dnodes = self.dnodes.saturating_add(1);
        bump(&mut self.metadata, link_target(target_bytes), 1);
    }

    /// Adds all of another tally. Both must count in the same sectors; where they do not, nothing
    /// is added and `false` comes back.
    #[must_use]
    pub fn merge(&mut self, other: &SpaceTally) -> bool {
        if self.ashift != other.ashift {
            return false;
        }
        self.dnodes = self.dnodes.saturating_add(other.dnodes);
        self.content = self.content.saturating_add(other.content);
        add_all(&mut self.metadata, &other.metadata);
        for (mine, theirs) in self.sizes.iter_mut().zip(&other.sizes) {
            mine.merge(theirs);
        }
        true
    }

    /// What it all takes on this layout.
    pub fn taken(&self, layout: Layout, choice: Choice) -> Taken {
        let geometry = Geometry::of(layout, self.ashift);
        let price = |sectors: usize| u128::from(geometry.allocated_sectors(sectors as u64));
        let sum = |bins: &BySectors| -> u128 {
            let held = bins.iter().enumerate().filter(|(_, n)| **n > 0);
            held.map(|(sectors, n)| u128::from(*n) * price(sectors)).sum()
        };
        let at = choice.recordsize.index();
        let mut data: u128 = self.sizes.iter().take(at + 1).map(|r| sum(&r.single)).sum();
        let mut twice = sum(&self.metadata);
        if let Some(records) = self.sizes.get(at) {
            let record = price(self.ashift.sectors(records.size.bytes()) as usize);
            data += u128::from(records.full) * record;
            data += match choice.compression {
                Compression::Off => u128::from(records.last) * record,
                Compression::On => sum(&records.last_shrunk),
            };
            twice += sum(&records.indirect[usize::from(layout.level().is_raidz())]);
        }
        if choice.compression == Compression::On {
            let vanishing: u64 = self.sizes.iter().take(at + 1).map(|r| r.vanishing).sum();
            data -= u128::from(vanishing) * price(1);
        }
        let sectors = data + twice * u128::from(METADATA_COPIES);
        let bytes = sectors * u128::from(self.ashift.sector()) + self.dnode_bytes(geometry);
        taken(bytes, geometry)
    }

    /// Bytes that lie in whole records of this length (a recordsize).
    pub(crate) fn long_bytes(&self, record: u64) -> u128 {
        let held = self.sizes.iter().find(|r| r.size.bytes() == record);
        held.map_or(0, |r| u128::from(r.full) * u128::from(record))
    }

    /// All 22 choices on this layout.
    pub fn taken_by_choice(&self, layout: Layout) -> Vec<(Choice, Taken)> {
        Choice::all()
            .map(|choice| (choice, self.taken(layout, choice)))
            .collect()
    }

    /// Allocated bytes of dnodes and of the pointers above them, shared out evenly: which file
    /// starts a new block of dnodes is chance.
    fn dnode_bytes(&self, geometry: Geometry) -> u128 {
        let sector = u128::from(self.ashift.sector());
        let block = u128::from(geometry.allocated_sectors(dnode_block(self.ashift)));
        let above = u128::from(geometry.allocated_sectors(metadata_indirect(POINTERS, self.ashift)));
        let each_block = (block * u128::from(POINTERS) + above) * sector * u128::from(METADATA_COPIES);
        u128::from(self.dnodes) * each_block / u128::from(POINTERS * DNODES_PER_BLOCK)
    }
}

impl Records {
    /// A file longer than this record.
    fn push_many(&mut self, size: u64, ashift: Ashift, sectors: &[[u16; 2]]) {
        let record = self.size.bytes();
        let before = (size - 1) >> self.size.shift();
        self.full = self.full.saturating_add(before);
        self.last += 1;
        let content = size - (before << self.size.shift());
        bump(&mut self.last_shrunk, last_record(content, record, ashift), 1);
        self.push_pointers(before + 1, sectors);
    }

    /// The tree of indirect blocks above so many records.
    fn push_pointers(&mut self, records: u64, sectors: &[[u16; 2]]) {
        let mut count = records;
        while count > 1 {
            let (full, rest) = (count / POINTERS, count % POINTERS);
            for (at, blocks) in [(POINTERS, full), (rest, u64::from(rest > 0))] {
                let lengths = sectors.get(at as usize).copied().unwrap_or([0; 2]);
                for (bins, length) in self.indirect.iter_mut().zip(lengths) {
                    bump(bins, u64::from(length), blocks);
                }
            }
            count = full + u64::from(rest > 0);
        }
    }

    fn merge(&mut self, other: &Records) {
        add_all(&mut self.single, &other.single);
        add_all(&mut self.last_shrunk, &other.last_shrunk);
        self.vanishing += other.vanishing;
        self.full = self.full.saturating_add(other.full);
        self.last += other.last;
        for (mine, theirs) in self.indirect.iter_mut().zip(&other.indirect) {
            add_all(mine, theirs);
        }
    }
}

fn bump(bins: &mut BySectors, sectors: u64, count: u64) {
    if let Some(bin) = bins.get_mut(sectors as usize) {
        *bin = bin.saturating_add(count);
    }
}

fn add_all(mine: &mut BySectors, theirs: &BySectors) {
    for (a, b) in mine.iter_mut().zip(theirs) {
        *a = a.saturating_add(*b);
    }
}

/// Allocated bytes as `used` and `alloc`, held at 2^64 - 1.
fn taken(bytes: u128, geometry: Geometry) -> Taken {
    let fit = |n: u128| Bytes(u64::try_from(n).unwrap_or(u64::MAX));
    Taken {
        used: fit(bytes * u128::from(geometry.deflate_ratio()) / 512),
        alloc: fit(bytes),
    }
}
