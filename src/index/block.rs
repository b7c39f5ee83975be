//! A block: some thousand entries of consecutive folders as columns. bincode lives here and in
//! [`super::table`] alone.

use crate::entry::EntryKind;
use crate::index::columns::{RawColumn, RawText, TextPacker, TextReader, unzigzag, zigzag};
use crate::index::folder::{Extra, Folder, Row};
use crate::names::RelPath;
use bincode::config::{Configuration, Fixint, Limit, LittleEndian};
use bincode::{Decode, Encode};
use std::ops::Range;
use std::sync::Arc;

/// More than any block or table takes (32,768 symlinks of 4,095 bytes are 128 MiB), so that damaged
/// lengths are refused before memory is asked for.
const MOST_BYTES: usize = 1 << 28;

/// Fixed-width little-endian integers: lengths of columns are few, numbers live in planes.
pub(super) const CODING: Configuration<LittleEndian, Fixint, Limit<MOST_BYTES>> = bincode::config::standard()
    .with_fixed_int_encoding()
    .with_limit::<MOST_BYTES>();

/// A stretch of one folder's entries.
#[derive(Debug, Clone)]
pub(super) struct Piece {
    pub folder: Arc<Folder>,
    pub rows: Range<usize>,
}

/// The columns of a block as they are encoded. A time of change is kept only where it differs from
/// the time of modification; a birth time only where it differs from both.
#[derive(Debug, Clone, PartialEq, Eq, Encode, Decode)]
pub(super) struct RawBlock {
    pub folders: RawText,
    pub counts: RawColumn,
    pub names: RawText,
    pub kinds: RawColumn,
    pub sizes: RawColumn,
    pub allocated: RawColumn,
    pub mtime_seconds: RawColumn,
    pub mtime_nanos: RawColumn,
    pub ctime_forms: RawColumn,
    pub ctime_seconds: RawColumn,
    pub ctime_nanos: RawColumn,
    pub birth_forms: RawColumn,
    pub birth_seconds: RawColumn,
    pub birth_nanos: RawColumn,
    pub inodes: RawColumn,
    pub links: RawColumn,
    pub modes: RawColumn,
    pub uids: RawColumn,
    pub gids: RawColumn,
    pub extra_rows: RawColumn,
    pub extra_forms: RawColumn,
    pub targets: RawText,
    pub errors: RawText,
}

const SAME_AS_CTIME: u64 = 1;
const SAME_AS_MTIME: u64 = 2;
const OTHER: u64 = 3;

/// Encodes consecutive pieces. The first may go on from the block before, the last into the next.
pub(super) fn encode(pieces: &[Piece]) -> Result<Vec<u8>, String> {
    let rows = || pieces.iter().flat_map(|p| p.folder.rows[p.rows.clone()].iter());
    let mut columns = Columns {
        pieces,
        numbers: Vec::with_capacity(pieces.iter().map(|p| p.rows.len()).sum()),
    };
    let (ctime_forms, ctime_seconds, ctime_nanos) = encode_ctimes(rows());
    let (birth_forms, birth_seconds, birth_nanos) = encode_births(rows());
    let (extra_rows, extra_forms, targets, errors) = encode_extras(pieces);
    let block = RawBlock {
        folders: encode_folders(pieces),
        counts: RawColumn::pack(&pieces.iter().map(|p| p.rows.len() as u64).collect::<Vec<_>>()),
        names: encode_names(pieces),
        kinds: columns.plain(|row| kind_number(row.kind)),
        sizes: columns.plain(|row| row.size),
        allocated: columns.plain(|row| zigzag(row.allocated.wrapping_sub(usual_allocation(row.size)) as i64)),
        mtime_seconds: columns.steps(|row| row.mtime_s as u64),
        mtime_nanos: columns.plain(|row| u64::from(row.mtime_ns)),
        ctime_forms,
        ctime_seconds,
        ctime_nanos,
        birth_forms,
        birth_seconds,
        birth_nanos,
        inodes: columns.steps(|row| row.inode),
        links: columns.plain(|row| row.links),
        modes: columns.plain(|row| u64::from(row.mode)),
        uids: columns.plain(|row| u64::from(row.uid)),
        gids: columns.plain(|row| u64::from(row.gid)),
        extra_rows,
        extra_forms,
        targets,
        errors,
    };
    bincode::encode_to_vec(&block, CODING).map_err(|e| e.to_string())
}

/// The numeric columns of a block, through one buffer: a fresh one for each would be given back to
/// the kernel and asked for again some twenty times a block.
struct Columns<'p> {
    pieces: &'p [Piece],
    numbers: Vec<u64>,
}

impl Columns<'_> {
    fn fill(&mut self, fact: impl Fn(&Row) -> u64) {
        self.numbers.clear();
        for piece in self.pieces {
            let rows = &piece.folder.rows[piece.rows.clone()];
            self.numbers.extend(rows.iter().map(&fact));
        }
    }

    fn plain(&mut self, fact: impl Fn(&Row) -> u64) -> RawColumn {
        self.fill(fact);
        RawColumn::pack(&self.numbers)
    }

    fn steps(&mut self, fact: impl Fn(&Row) -> u64) -> RawColumn {
        self.fill(fact);
        to_steps(&mut self.numbers);
        RawColumn::pack(&self.numbers)
    }
}

fn encode_folders(pieces: &[Piece]) -> RawText {
    let mut folders = TextPacker::default();
    let mut before: &[u8] = b"";
    for piece in pieces {
        let path = piece.folder.path.as_bytes();
        folders.push(before, path);
        before = path;
    }
    folders.pack()
}

fn encode_names(pieces: &[Piece]) -> RawText {
    let mut names = TextPacker::with_room(pieces.iter().map(|p| p.rows.len()).sum());
    for piece in pieces {
        let mut before: &[u8] = b"";
        for row in &piece.folder.rows[piece.rows.clone()] {
            let name = piece.folder.name_of(row);
            names.push(before, name);
            before = name;
        }
    }
    names.pack()
}

fn encode_ctimes<'a>(rows: impl Iterator<Item = &'a Row>) -> (RawColumn, RawColumn, RawColumn) {
    let (mut forms, mut seconds, mut nanos) = (Vec::new(), Vec::new(), Vec::new());
    for row in rows {
        let same = (row.ctime_s, row.ctime_ns) == (row.mtime_s, row.mtime_ns);
        forms.push(if same { SAME_AS_MTIME } else { OTHER });
        if !same {
            seconds.push(row.ctime_s as u64);
            nanos.push(u64::from(row.ctime_ns));
        }
    }
    to_steps(&mut seconds);
    (
        RawColumn::pack(&forms),
        RawColumn::pack(&seconds),
        RawColumn::pack(&nanos),
    )
}

fn encode_births<'a>(rows: impl Iterator<Item = &'a Row>) -> (RawColumn, RawColumn, RawColumn) {
    let (mut forms, mut seconds, mut nanos) = (Vec::new(), Vec::new(), Vec::new());
    for row in rows {
        let birth = (row.birth_s, row.birth_ns);
        forms.push(match row.has_birth {
            false => 0,
            true if birth == (row.ctime_s, row.ctime_ns) => SAME_AS_CTIME,
            true if birth == (row.mtime_s, row.mtime_ns) => SAME_AS_MTIME,
            true => {
                seconds.push(zigzag(row.birth_s.wrapping_sub(row.ctime_s)));
                nanos.push(u64::from(row.birth_ns));
                OTHER
            }
        });
    }
    (
        RawColumn::pack(&forms),
        RawColumn::pack(&seconds),
        RawColumn::pack(&nanos),
    )
}

fn encode_extras(pieces: &[Piece]) -> (RawColumn, RawColumn, RawText, RawText) {
    let (mut at, mut forms) = (Vec::new(), Vec::new());
    let (mut targets, mut errors) = (TextPacker::default(), TextPacker::default());
    let (mut last_target, mut last_error): (&[u8], &[u8]) = (b"", b"");
    let mut base = 0;
    for piece in pieces {
        let extras = &piece.folder.extras;
        let from = extras.partition_point(|extra| extra.row < piece.rows.start);
        let inside = extras[from..]
            .iter()
            .take_while(|extra| extra.row < piece.rows.end);
        for extra in inside {
            at.push((base + extra.row - piece.rows.start) as u64);
            forms.push(u64::from(extra.target.is_some()) | u64::from(extra.error.is_some()) << 1);
            if let Some(target) = &extra.target {
                targets.push(last_target, target);
                last_target = target;
            }
            if let Some(error) = &extra.error {
                errors.push(last_error, error.as_bytes());
                last_error = error.as_bytes();
            }
        }
        base += piece.rows.len();
    }
    to_steps(&mut at);
    (
        RawColumn::pack(&at),
        RawColumn::pack(&forms),
        targets.pack(),
        errors.pack(),
    )
}

/// Decodes a block into folders in order; the first and last may be parts of their folder. `None`
/// where the bytes do not hold together.
pub(super) fn decode(bytes: &[u8]) -> Option<Vec<Folder>> {
    let (block, used): (RawBlock, usize) = bincode::decode_from_slice(bytes, CODING).ok()?;
    if used != bytes.len() {
        return None;
    }
    let rows = decode_rows(&block)?;
    let mut extras = decode_extras(&block)?.into_iter().peekable();
    let counts = block.counts.unpack()?;
    let (mut paths, mut names) = (TextReader::new(&block.folders)?, TextReader::new(&block.names)?);
    if paths.count() != counts.len() || names.count() != rows.len() {
        return None;
    }
    let (mut folders, mut path, mut base) = (Vec::with_capacity(counts.len()), Vec::new(), 0usize);
    for count in counts {
        paths.next_into(&mut path)?;
        let mut folder = Folder::new(RelPath::new(path.clone()).ok()?);
        let end = base.checked_add(usize::try_from(count).ok()?)?;
        folder.rows = rows.get(base..end)?.to_vec();
        let mut name = Vec::new();
        for row in &mut folder.rows {
            names.next_into(&mut name)?;
            row.start = folder.names.len() as u64;
            row.length = u32::try_from(name.len()).ok()?;
            folder.names.extend_from_slice(&name);
        }
        while let Some(extra) = extras.next_if(|extra| extra.row < end) {
            let row = extra.row.checked_sub(base)?;
            folder.extras.push(Extra { row, ..extra });
        }
        folders.push(folder);
        base = end;
    }
    (base == rows.len()).then_some(folders)
}

fn decode_rows(block: &RawBlock) -> Option<Vec<Row>> {
    let kinds = block.kinds.unpack()?;
    let columns = [
        block.sizes.unpack()?,
        block.allocated.unpack()?,
        sums(block.mtime_seconds.unpack()?),
        block.mtime_nanos.unpack()?,
        sums(block.inodes.unpack()?),
        block.links.unpack()?,
        block.modes.unpack()?,
        block.uids.unpack()?,
        block.gids.unpack()?,
    ];
    if columns.iter().any(|column| column.len() != kinds.len()) {
        return None;
    }
    let [
        sizes,
        allocated,
        mtime_s,
        mtime_ns,
        inodes,
        links,
        modes,
        uids,
        gids,
    ] = columns;
    let mut rows = Vec::with_capacity(kinds.len());
    for (at, kind) in kinds.iter().enumerate() {
        rows.push(Row {
            start: 0,
            length: 0,
            kind: kind_of(*kind)?,
            has_birth: false,
            mode: u32::try_from(modes[at]).ok()?,
            uid: u32::try_from(uids[at]).ok()?,
            gid: u32::try_from(gids[at]).ok()?,
            mtime_ns: u32::try_from(mtime_ns[at]).ok()?,
            ctime_ns: 0,
            birth_ns: 0,
            size: sizes[at],
            allocated: usual_allocation(sizes[at]).wrapping_add(unzigzag(allocated[at]) as u64),
            mtime_s: mtime_s[at] as i64,
            ctime_s: 0,
            birth_s: 0,
            inode: inodes[at],
            links: links[at],
        });
    }
    decode_ctimes(block, &mut rows)?;
    decode_births(block, &mut rows)?;
    Some(rows)
}

fn decode_ctimes(block: &RawBlock, rows: &mut [Row]) -> Option<()> {
    let forms = block.ctime_forms.unpack()?;
    let mut seconds = sums(block.ctime_seconds.unpack()?).into_iter();
    let mut nanos = block.ctime_nanos.unpack()?.into_iter();
    if forms.len() != rows.len() {
        return None;
    }
    for (row, form) in rows.iter_mut().zip(forms) {
        (row.ctime_s, row.ctime_ns) = match form {
            SAME_AS_MTIME => (row.mtime_s, row.mtime_ns),
            OTHER => (seconds.next()? as i64, u32::try_from(nanos.next()?).ok()?),
            _ => return None,
        };
    }
    Some(())
}

fn decode_births(block: &RawBlock, rows: &mut [Row]) -> Option<()> {
    let forms = block.birth_forms.unpack()?;
    let mut seconds = block.birth_seconds.unpack()?.into_iter();
    let mut nanos = block.birth_nanos.unpack()?.into_iter();
    if forms.len() != rows.len() {
        return None;
    }
    for (row, form) in rows.iter_mut().zip(forms) {
        row.has_birth = form != 0;
        (row.birth_s, row.birth_ns) = match form {
            0 => (0, 0),
            SAME_AS_CTIME => (row.ctime_s, row.ctime_ns),
            SAME_AS_MTIME => (row.mtime_s, row.mtime_ns),
            OTHER => {
                let seconds = row.ctime_s.wrapping_add(unzigzag(seconds.next()?));
                (seconds, u32::try_from(nanos.next()?).ok()?)
            }
            _ => return None,
        };
    }
    Some(())
}

fn decode_extras(block: &RawBlock) -> Option<Vec<Extra>> {
    let (at, forms) = (sums(block.extra_rows.unpack()?), block.extra_forms.unpack()?);
    let (mut targets, mut errors) = (TextReader::new(&block.targets)?, TextReader::new(&block.errors)?);
    let (mut target, mut error) = (Vec::new(), Vec::new());
    let mut extras = Vec::with_capacity(at.len());
    if at.len() != forms.len() {
        return None;
    }
    for (row, form) in at.into_iter().zip(forms) {
        let mut extra = Extra {
            row: usize::try_from(row).ok()?,
            ..Extra::default()
        };
        if form & 1 != 0 {
            targets.next_into(&mut target)?;
            extra.target = Some(target.clone());
        }
        if form & 2 != 0 {
            errors.next_into(&mut error)?;
            extra.error = Some(String::from_utf8(error.clone()).ok()?);
        }
        extras.push(extra);
    }
    Some(extras)
}

/// Each number as its step from the one before.
fn to_steps(values: &mut [u64]) {
    let mut before = 0u64;
    for value in values {
        let step = value.wrapping_sub(before) as i64;
        before = *value;
        *value = zigzag(step);
    }
}

/// The inverse of [`to_steps`].
fn sums(mut steps: Vec<u64>) -> Vec<u64> {
    let mut before = 0u64;
    for step in &mut steps {
        before = before.wrapping_add(unzigzag(*step) as u64);
        *step = before;
    }
    steps
}

/// What most file systems allocate for a file without holes: whole blocks of 4 KiB.
fn usual_allocation(size: u64) -> u64 {
    size.checked_next_multiple_of(4096).unwrap_or(size)
}

fn kind_number(kind: EntryKind) -> u64 {
    match kind {
        EntryKind::File => 0,
        EntryKind::Directory => 1,
        EntryKind::Symlink => 2,
        EntryKind::Special => 3,
        EntryKind::Unknown => 4,
    }
}

fn kind_of(number: u64) -> Option<EntryKind> {
    Some(match number {
        0 => EntryKind::File,
        1 => EntryKind::Directory,
        2 => EntryKind::Symlink,
        3 => EntryKind::Special,
        4 => EntryKind::Unknown,
        _ => return None,
    })
}
