//! Columns of numbers and texts, packed small: byte planes, front coding, zstd where it helps.
//!
//! A column of numbers is cut into planes: plane 0 holds the lowest byte of every value, plane 1
//! the next, and so on as far as the largest value needs. High planes are nearly constant and
//! vanish under zstd; low planes of nanoseconds are noise and stay as they are. Texts in byte order
//! share beginnings with their neighbour, so only the rest is kept.

use bincode::{Decode, Encode};
use std::cell::RefCell;

/// No column of a block holds more numbers than this; a larger count can only be damage.
const MOST_NUMBERS: u64 = 1 << 20;

/// No plane of a block unpacks to more bytes.
const MOST_BYTES: u64 = 1 << 28;

const RAW: u8 = 0;
const ZSTD: u8 = 1;
const CONSTANT: u8 = 2;

/// Level 1 is within a few per cent of the higher ones on planes and several times faster.
const LEVEL: i32 = 1;

/// One run of bytes, packed.
#[derive(Debug, Clone, Default, PartialEq, Eq, Encode, Decode)]
pub(super) struct RawPlane {
    /// 0 as it is, 1 zstd, 2 one byte repeated.
    pub form: u8,
    /// How many bytes it unpacks to.
    pub length: u64,
    /// The packed bytes.
    pub bytes: Vec<u8>,
}

/// A column of numbers.
#[derive(Debug, Clone, Default, PartialEq, Eq, Encode, Decode)]
pub(super) struct RawColumn {
    /// How many numbers.
    pub count: u64,
    /// Lowest bytes first; planes left out are all zero.
    pub planes: Vec<RawPlane>,
}

/// A column of texts, front coded.
#[derive(Debug, Clone, Default, PartialEq, Eq, Encode, Decode)]
pub(super) struct RawText {
    /// How many bytes each shares with the one before it.
    pub shared: RawColumn,
    /// How many bytes of its own follow.
    pub lengths: RawColumn,
    /// The bytes of their own, end to end.
    pub rest: RawPlane,
}

thread_local! {
    /// Setting up a compressor costs more than packing a short plane.
    static COMPRESSOR: RefCell<Option<zstd::bulk::Compressor<'static>>> =
        RefCell::new(zstd::bulk::Compressor::new(LEVEL).ok());
    static DECOMPRESSOR: RefCell<Option<zstd::bulk::Decompressor<'static>>> =
        RefCell::new(zstd::bulk::Decompressor::new().ok());
}

/// Whether a sample of 64 bytes looks random, as the low planes of nanoseconds do: of 64 random
/// bytes 57 differ on average (256 * (1 - (255/256)^64)). Packing such a plane gains nothing.
fn is_noise(bytes: &[u8]) -> bool {
    let step = bytes.len() / 64;
    if step == 0 {
        return false;
    }
    let mut seen = [0u64; 4];
    for byte in bytes.iter().step_by(step).take(64) {
        seen[usize::from(byte >> 6)] |= 1 << (byte & 63);
    }
    seen.iter().map(|bits| bits.count_ones()).sum::<u32>() > 50
}

fn decompressed(bytes: &[u8], length: usize) -> Option<Vec<u8>> {
    DECOMPRESSOR.with_borrow_mut(|decompressor| decompressor.as_mut()?.decompress(bytes, length).ok())
}

fn compressed(bytes: &[u8]) -> Option<Vec<u8>> {
    COMPRESSOR.with_borrow_mut(|compressor| compressor.as_mut()?.compress(bytes).ok())
}

impl RawPlane {
    /// Packs bytes in whichever form is smallest.
    pub fn pack(bytes: Vec<u8>) -> RawPlane {
        let length = bytes.len() as u64;
        let plain = |form, bytes| RawPlane { form, length, bytes };
        match bytes.first() {
            Some(first) if bytes.iter().all(|b| b == first) => plain(CONSTANT, vec![*first]),
            // A frame of zstd costs about a dozen bytes before it gains any.
            Some(_) if bytes.len() > 24 && !is_noise(&bytes) => match compressed(&bytes) {
                Some(packed) if packed.len() < bytes.len() => plain(ZSTD, packed),
                _ => plain(RAW, bytes),
            },
            _ => plain(RAW, bytes),
        }
    }

    /// The bytes again; `None` for a plane that does not hold together.
    pub fn unpack(&self) -> Option<Vec<u8>> {
        if self.length > MOST_BYTES {
            return None;
        }
        let length = self.length as usize;
        let bytes = match self.form {
            RAW => self.bytes.clone(),
            CONSTANT => vec![*self.bytes.first()?; length],
            ZSTD => decompressed(&self.bytes, length)?,
            _ => return None,
        };
        (bytes.len() == length).then_some(bytes)
    }
}

impl RawColumn {
    /// Packs numbers.
    pub fn pack(values: &[u64]) -> RawColumn {
        let all = values.iter().fold(0u64, |bits, v| bits | v);
        let width = (64 - all.leading_zeros()).div_ceil(8);
        let planes = (0..width)
            .map(|plane| RawPlane::pack(values.iter().map(|v| (v >> (8 * plane)) as u8).collect()))
            .collect();
        RawColumn {
            count: values.len() as u64,
            planes,
        }
    }

    /// The numbers again.
    pub fn unpack(&self) -> Option<Vec<u64>> {
        if self.count > MOST_NUMBERS || self.planes.len() > 8 {
            return None;
        }
        let mut values = vec![0u64; self.count as usize];
        for (plane, packed) in self.planes.iter().enumerate() {
            let bytes = packed.unpack()?;
            if bytes.len() != values.len() {
                return None;
            }
            for (value, byte) in values.iter_mut().zip(bytes) {
                *value |= u64::from(byte) << (8 * plane);
            }
        }
        Some(values)
    }
}

/// Gathers texts for a [`RawText`].
#[derive(Default)]
pub(super) struct TextPacker {
    shared: Vec<u64>,
    lengths: Vec<u64>,
    rest: Vec<u8>,
}

impl TextPacker {
    /// With room for so many texts.
    pub fn with_room(texts: usize) -> TextPacker {
        TextPacker {
            shared: Vec::with_capacity(texts),
            lengths: Vec::with_capacity(texts),
            rest: Vec::new(),
        }
    }

    /// Adds a text; `before` is the one that its neighbour was, empty at a fresh start.
    pub fn push(&mut self, before: &[u8], text: &[u8]) {
        let shared = before.iter().zip(text).take_while(|(a, b)| a == b).count();
        self.shared.push(shared as u64);
        self.lengths.push((text.len() - shared) as u64);
        self.rest.extend_from_slice(&text[shared..]);
    }

    /// Packs what was gathered.
    pub fn pack(self) -> RawText {
        RawText {
            shared: RawColumn::pack(&self.shared),
            lengths: RawColumn::pack(&self.lengths),
            rest: RawPlane::pack(self.rest),
        }
    }
}

/// Reads texts back one by one.
pub(super) struct TextReader {
    shared: Vec<u64>,
    lengths: Vec<u64>,
    rest: Vec<u8>,
    at: usize,
    row: usize,
}

impl TextReader {
    /// Over a packed column.
    pub fn new(raw: &RawText) -> Option<TextReader> {
        let (shared, lengths) = (raw.shared.unpack()?, raw.lengths.unpack()?);
        (shared.len() == lengths.len()).then_some(TextReader {
            shared,
            lengths,
            rest: raw.rest.unpack()?,
            at: 0,
            row: 0,
        })
    }

    /// How many texts there are.
    pub fn count(&self) -> usize {
        self.shared.len()
    }

    /// Turns `text`, which holds the neighbour, into the next text.
    pub fn next_into(&mut self, text: &mut Vec<u8>) -> Option<()> {
        let shared = usize::try_from(*self.shared.get(self.row)?).ok()?;
        let length = usize::try_from(*self.lengths.get(self.row)?).ok()?;
        let end = self.at.checked_add(length)?;
        if shared > text.len() {
            return None;
        }
        text.truncate(shared);
        text.extend_from_slice(self.rest.get(self.at..end)?);
        self.at = end;
        self.row += 1;
        Some(())
    }
}

/// Small numbers of either sign as small numbers: 0, -1, 1, -2, 2 become 0, 1, 2, 3, 4.
pub(super) fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

/// The inverse of [`zigzag`].
pub(super) fn unzigzag(value: u64) -> i64 {
    ((value >> 1) as i64) ^ -((value & 1) as i64)
}
