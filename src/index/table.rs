//! The table at the end of an index, and the raw rows between our words and bincode.

use crate::entry::{Entry, EntryKind};
use crate::index::block::CODING;
use crate::index::{Header, InodeClass, NotEntered, Start, Totals, Uneven};
use crate::moment::Moment;
use crate::names::{RelPath, SourceName};
use crate::units::{Amount, Bytes};
use bincode::{Decode, Encode};

/// Where a block lies and where it begins in the order of folders and names.
#[derive(Debug, Clone, PartialEq, Eq, Encode, Decode)]
pub(super) struct BlockRef {
    pub offset: u64,
    pub length: u64,
    pub entries: u64,
    /// Its first folder.
    pub folder: Vec<u8>,
    /// Its first name, where it goes on with a folder that an earlier block began; else empty.
    pub name: Vec<u8>,
}

/// A finished segment: the listings below some top-level folders, or of the root itself.
#[derive(Debug, Clone, PartialEq, Eq, Encode, Decode)]
pub(super) struct RawSegment {
    /// The top-level folders in byte order; none for the root's own listing.
    pub tops: Vec<Vec<u8>>,
    pub blocks: Vec<BlockRef>,
    pub totals: [u64; 8],
    pub boundaries: Vec<Vec<u8>>,
    pub not_entered: Vec<(Vec<u8>, String)>,
    /// Not to be used again by a scan that goes on.
    pub once: bool,
}

/// What is known at the start.
#[derive(Debug, Clone, PartialEq, Eq, Encode, Decode)]
pub(super) struct RawStart {
    pub source: String,
    pub root: Vec<u8>,
    pub root_entry: RawEntry,
    pub started: (i64, u32),
    pub mount_type: String,
    pub session: String,
    pub inodes: u8,
    pub rules: String,
    pub tool: String,
}

/// One entry outside a block: only the root.
#[derive(Debug, Clone, PartialEq, Eq, Encode, Decode)]
pub(super) struct RawEntry {
    pub kind: u8,
    pub numbers: [u64; 4],
    pub ids: [u32; 3],
    pub mtime: (i64, u32),
    pub ctime: (i64, u32),
    pub birth: Option<(i64, u32)>,
    pub error: Option<String>,
}

/// A folder and its two counts.
pub(super) type RawUneven = (Vec<u8>, u64, u64);

/// The table.
#[derive(Debug, Clone, PartialEq, Eq, Encode, Decode)]
pub(super) struct RawTable {
    pub start: RawStart,
    pub ended: (i64, u32),
    pub complete: bool,
    /// Folders whose two counts differ; absent where nothing was counted twice.
    pub uneven: Option<Vec<RawUneven>>,
    pub segments: Vec<RawSegment>,
}

/// Encodes a raw row.
pub(super) fn encode<T: Encode>(row: &T) -> Result<Vec<u8>, String> {
    bincode::encode_to_vec(row, CODING).map_err(|e| e.to_string())
}

/// Decodes a raw row; `None` where the bytes are no such row or more than one.
pub(super) fn decode<T: Decode<()>>(bytes: &[u8]) -> Option<T> {
    let (row, used) = bincode::decode_from_slice(bytes, CODING).ok()?;
    (used == bytes.len()).then_some(row)
}

pub(super) fn raw_moment(moment: Moment) -> (i64, u32) {
    (moment.seconds, moment.nanos)
}

fn moment((seconds, nanos): (i64, u32)) -> Moment {
    Moment { seconds, nanos }
}

/// The start as a raw row.
pub(super) fn raw_start(start: &Start) -> RawStart {
    let entry = &start.root_entry;
    RawStart {
        source: start.source.0.clone(),
        root: start.root.clone(),
        root_entry: RawEntry {
            kind: u8::from(entry.kind == EntryKind::Directory),
            numbers: [entry.size.0, entry.allocated.0, entry.inode, entry.links],
            ids: [entry.mode, entry.uid, entry.gid],
            mtime: raw_moment(entry.mtime),
            ctime: raw_moment(entry.ctime),
            birth: entry.birth.map(raw_moment),
            error: entry.error.clone(),
        },
        started: raw_moment(start.started),
        mount_type: start.mount_type.clone(),
        session: start.session.clone(),
        inodes: match start.inodes {
            InodeClass::Unknown => 0,
            InodeClass::Stable => 1,
            InodeClass::Session => 2,
            InodeClass::Worthless => 3,
        },
        rules: start.rules.clone(),
        tool: start.tool.clone(),
    }
}

/// The start in our words.
pub(super) fn start_of(raw: &RawStart) -> Start {
    let entry = &raw.root_entry;
    Start {
        source: SourceName(raw.source.clone()),
        root: raw.root.clone(),
        root_entry: Entry {
            kind: if entry.kind == 1 {
                EntryKind::Directory
            } else {
                EntryKind::Unknown
            },
            size: Bytes(entry.numbers[0]),
            allocated: Bytes(entry.numbers[1]),
            mtime: moment(entry.mtime),
            ctime: moment(entry.ctime),
            birth: entry.birth.map(moment),
            inode: entry.numbers[2],
            links: entry.numbers[3],
            mode: entry.ids[0],
            uid: entry.ids[1],
            gid: entry.ids[2],
            target: None,
            error: entry.error.clone(),
        },
        started: moment(raw.started),
        mount_type: raw.mount_type.clone(),
        session: raw.session.clone(),
        inodes: match raw.inodes {
            1 => InodeClass::Stable,
            2 => InodeClass::Session,
            3 => InodeClass::Worthless,
            _ => InodeClass::Unknown,
        },
        rules: raw.rules.clone(),
        tool: raw.tool.clone(),
    }
}

/// Totals as a raw row.
pub(super) fn raw_totals(t: &Totals) -> [u64; 8] {
    [
        t.entries,
        t.files.files,
        t.files.bytes.0,
        t.allocated.0,
        t.directories,
        t.symlinks,
        t.special,
        t.unreadable,
    ]
}

pub(super) fn totals(raw: &[u64; 8]) -> Totals {
    let [
        entries,
        files,
        bytes,
        allocated,
        directories,
        symlinks,
        special,
        unreadable,
    ] = *raw;
    Totals {
        entries,
        files: Amount {
            files,
            bytes: Bytes(bytes),
        },
        allocated: Bytes(allocated),
        directories,
        symlinks,
        special,
        unreadable,
    }
}

/// The header that a table stands for; `None` for paths that are none.
pub(super) fn header_of(table: &RawTable) -> Option<Header> {
    let mut header = Header {
        start: start_of(&table.start),
        ended: moment(table.ended),
        not_entered: Vec::new(),
        boundaries: Vec::new(),
        recounted: table.uneven.is_some(),
        uneven: Vec::new(),
        totals: Totals::default(),
        complete: table.complete,
    };
    for (folder, first, second) in table.uneven.iter().flatten() {
        header.uneven.push(Uneven {
            folder: RelPath::new(folder.clone()).ok()?,
            names: (*first, *second),
        });
    }
    for segment in &table.segments {
        header.totals.add(&totals(&segment.totals));
        for path in &segment.boundaries {
            header.boundaries.push(RelPath::new(path.clone()).ok()?);
        }
        for (path, rule) in &segment.not_entered {
            header.not_entered.push(NotEntered {
                path: RelPath::new(path.clone()).ok()?,
                rule: rule.clone(),
            });
        }
    }
    header.boundaries.sort();
    header.not_entered.sort();
    Some(header)
}
