//! Content of files in pages of 64 KiB: real bytes, holes, or a pattern that takes no memory, so
//! that files of gibibytes are cheap.

use poolward::digest::{Digest, TreeHasher};
use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

/// Bytes of a page.
pub const PAGE: u64 = 64 << 10;
const MAGIC: [u8; 8] = *b"\xf0patrn\x01\xff";
const HEAD: usize = 24;

/// One page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Page {
    /// The page with this number of the pattern with this seed.
    Pattern { seed: u64, index: u64 },
    /// Bytes; zeros after them.
    Bytes(Arc<Vec<u8>>),
}

/// Content of a file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Content {
    pub size: u64,
    /// Pages by number; a missing one is a hole.
    pub pages: BTreeMap<u64, Page>,
}

fn template() -> &'static [u8] {
    static TEMPLATE: OnceLock<Vec<u8>> = OnceLock::new();
    TEMPLATE.get_or_init(|| {
        let mut dice = Dice::new(0x70_61_67_65);
        (0..PAGE / 8).flat_map(|_| dice.next().to_le_bytes()).collect()
    })
}

fn head(seed: u64, index: u64) -> [u8; HEAD] {
    let mut head = [0; HEAD];
    head[..8].copy_from_slice(&MAGIC);
    head[8..16].copy_from_slice(&seed.to_le_bytes());
    head[16..].copy_from_slice(&index.to_le_bytes());
    head
}

impl Page {
    fn copy_to(page: Option<&Page>, from: usize, into: &mut [u8]) {
        match page {
            None => into.fill(0),
            Some(Page::Bytes(bytes)) => {
                let have = bytes.get(from..).unwrap_or_default();
                let length = have.len().min(into.len());
                into[..length].copy_from_slice(&have[..length]);
                into[length..].fill(0);
            }
            Some(Page::Pattern { seed, index }) => {
                into.copy_from_slice(&template()[from..from + into.len()]);
                let head = head(*seed, *index);
                if from < HEAD {
                    let length = (HEAD - from).min(into.len());
                    into[..length].copy_from_slice(&head[from..from + length]);
                }
            }
        }
    }

    /// The page that these bytes fill, as a pattern where they are one.
    fn of(bytes: &[u8]) -> Page {
        if bytes.len() as u64 == PAGE && bytes.starts_with(&MAGIC) && bytes[HEAD..] == template()[HEAD..] {
            let number = |at: usize| u64::from_le_bytes(bytes[at..at + 8].try_into().unwrap());
            return Page::Pattern {
                seed: number(8),
                index: number(16),
            };
        }
        Page::Bytes(Arc::new(bytes.to_vec()))
    }

    /// Bytes that nobody wrote.
    pub fn garbage(dice: &mut Dice) -> Page {
        let bytes = (0..64).flat_map(|_| dice.next().to_le_bytes()).collect();
        Page::Bytes(Arc::new(bytes))
    }
}

impl Content {
    pub fn bytes(bytes: &[u8]) -> Content {
        let mut content = Content::default();
        content.write(0, bytes);
        content
    }

    /// A file of this pattern.
    pub fn pattern(seed: u64, size: u64) -> Content {
        let pages = (0..size.div_ceil(PAGE)).map(|index| (index, Page::Pattern { seed, index }));
        Content {
            size,
            pages: pages.collect(),
        }
    }

    pub fn read(&self, offset: u64, into: &mut [u8]) -> usize {
        let length = self.size.saturating_sub(offset).min(into.len() as u64) as usize;
        let mut done = 0;
        while done < length {
            let at = offset + done as u64;
            let from = (at % PAGE) as usize;
            let piece = (PAGE as usize - from).min(length - done);
            Page::copy_to(self.pages.get(&(at / PAGE)), from, &mut into[done..done + piece]);
            done += piece;
        }
        length
    }

    /// Writes and answers the pages touched.
    pub fn write(&mut self, offset: u64, bytes: &[u8]) -> Vec<u64> {
        let mut touched = Vec::new();
        let mut done = 0;
        while done < bytes.len() {
            let at = offset + done as u64;
            let (index, from) = (at / PAGE, (at % PAGE) as usize);
            let piece = &bytes[done..(done + PAGE as usize - from).min(bytes.len())];
            let page = if from == 0 && (piece.len() as u64 == PAGE || at + piece.len() as u64 >= self.size) {
                Page::of(piece)
            } else {
                let mut whole = vec![0; PAGE as usize];
                Page::copy_to(self.pages.get(&index), 0, &mut whole);
                whole[from..from + piece.len()].copy_from_slice(piece);
                Page::of(&whole)
            };
            self.pages.insert(index, page);
            touched.push(index);
            done += piece.len();
        }
        self.size = self.size.max(offset + bytes.len() as u64);
        touched
    }

    pub fn set_length(&mut self, length: u64) {
        if length < self.size {
            self.pages.split_off(&length.div_ceil(PAGE));
            let rest = (length % PAGE) as usize;
            if let Some(last) = self.pages.get(&(length / PAGE)).filter(|_| rest > 0) {
                let mut kept = vec![0; rest];
                Page::copy_to(Some(last), 0, &mut kept);
                self.pages.insert(length / PAGE, Page::Bytes(Arc::new(kept)));
            }
        }
        self.size = length;
    }

    pub fn allocated(&self) -> u64 {
        let held = |index: &u64| {
            PAGE.min(self.size.saturating_sub(index * PAGE))
                .next_multiple_of(512)
        };
        self.pages.keys().map(held).sum()
    }

    pub fn hash(&self) -> Digest {
        let mut hasher = TreeHasher::new();
        let mut buffer = vec![0; 1 << 20];
        loop {
            let length = self.read(hasher.position(), &mut buffer);
            if length == 0 {
                return hasher.finish().root;
            }
            hasher.update(&buffer[..length]);
        }
    }
}

/// A sequence of numbers from a seed: SplitMix64 (Steele, Lea, Flood 2014), constants from memory.
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    #[allow(clippy::should_implement_trait)]
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// 0 to `sides` - 1.
    pub fn roll(&mut self, sides: u64) -> u64 {
        self.next() % sides
    }
}
