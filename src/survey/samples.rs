//! Which files' headers are worth reading: a few a project, chosen evenly and the same each time.

use crate::entry::{Entry, Identity};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::survey::ProjectKey;
use crate::survey::headers::{HeaderKind, header_kind};
use crate::survey::small::{put, take};
use crate::units::Bytes;

/// Samples a project: enough for a share of 60 % to mean something, few enough to read in seconds.
pub const A_PROJECT: usize = 5;

const KINDS: [HeaderKind; 4] = [
    HeaderKind::IsoMedia,
    HeaderKind::Jpeg,
    HeaderKind::Tiff,
    HeaderKind::Wave,
];

/// A file whose header should be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sample {
    /// The project it lies in.
    pub project: ProjectKey,
    /// Where, below the source's root.
    pub path: RelPath,
    /// What to expect inside.
    pub header: HeaderKind,
    /// By which the answer can be kept.
    pub identity: Identity,
}

type Kept = (u64, RelPath, HeaderKind, Identity);

/// The samples of one project: those with the smallest mixed numbers, so that every file has the
/// same chance whatever the order of folders.
#[derive(Debug, Clone, Default)]
pub struct Samples {
    /// While files come in.
    kept: Vec<Kept>,
    /// The same in few bytes, once the walk has left the project; one of the two is empty.
    packed: Box<[u8]>,
}

impl Samples {
    /// Offers an original.
    pub fn offer(&mut self, folder: &RelPath, name: &[u8], entry: &Entry) {
        if !self.packed.is_empty() {
            self.kept = unpack(&std::mem::take(&mut self.packed));
        }
        let number = number(entry.identity(), name);
        let full = self.kept.len() >= A_PROJECT;
        if entry.size.0 == 0 || (full && self.kept.last().is_some_and(|last| number >= last.0)) {
            return;
        }
        let Some(kind) = header_kind(name) else {
            return;
        };
        let Ok(path) = folder.join(name) else {
            return;
        };
        let at = self.kept.partition_point(|kept| kept.0 <= number);
        self.kept.insert(at, (number, path, kind, entry.identity()));
        self.kept.truncate(A_PROJECT);
    }

    /// Keeps them in few bytes. More may still be offered.
    pub fn pack(&mut self) {
        if !self.kept.is_empty() {
            self.packed = pack(&std::mem::take(&mut self.kept));
        }
    }

    /// The samples.
    pub fn all<'a>(&'a self, project: &'a ProjectKey) -> impl Iterator<Item = Sample> + 'a {
        let packed = unpack(&self.packed).into_iter();
        let all = packed.chain(self.kept.iter().cloned());
        all.map(move |(_, path, header, identity)| Sample {
            project: project.clone(),
            path,
            header,
            identity,
        })
    }
}

/// The same for one file each time; files with equal ones keep the order they came in.
fn number(identity: Identity, name: &[u8]) -> u64 {
    mix(identity.size.0 ^ (identity.mtime.seconds as u64).rotate_left(32) ^ hash(name))
}

fn pack(kept: &[Kept]) -> Box<[u8]> {
    let mut out = Vec::with_capacity(kept.len() * 64);
    for (_, path, kind, identity) in kept {
        out.push(*kind as u8);
        put(&mut out, path.as_bytes().len() as u64);
        out.extend(path.as_bytes());
        put(&mut out, identity.inode);
        put(&mut out, identity.size.0);
        for time in [identity.mtime, identity.ctime] {
            // The sign last, so that times before 1970 stay short too (zigzag).
            put(&mut out, ((time.seconds << 1) ^ (time.seconds >> 63)) as u64);
            put(&mut out, u64::from(time.nanos));
        }
    }
    out.into()
}

fn unpack(mut packed: &[u8]) -> Vec<Kept> {
    std::iter::from_fn(|| one(&mut packed)).collect()
}

fn one(packed: &mut &[u8]) -> Option<Kept> {
    let kind = *KINDS.get(usize::try_from(take(packed)?).ok()?)?;
    let length = usize::try_from(take(packed)?).ok()?;
    let (path, rest) = packed.split_at_checked(length)?;
    *packed = rest;
    let path = RelPath::new(path).ok()?;
    let (inode, size) = (take(packed)?, Bytes(take(packed)?));
    let mut time = || {
        let folded = take(packed)?;
        Some(Moment {
            seconds: (folded >> 1) as i64 ^ -((folded & 1) as i64),
            nanos: u32::try_from(take(packed)?).ok()?,
        })
    };
    let identity = Identity {
        inode,
        size,
        mtime: time()?,
        ctime: time()?,
    };
    let name = path.split()?.1;
    Some((number(identity, name), path, kind, identity))
}

fn hash(name: &[u8]) -> u64 {
    name.iter().rev().take(16).fold(0xcbf2_9ce4_8422_2325, |h, b| {
        (h ^ u64::from(*b)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

/// The finalizer of SplitMix64 (Steele, Lea, Flood 2014), which spreads neighbouring numbers.
fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::entry::EntryKind;
    use proptest::prelude::*;

    fn entry(size: u64, inode: u64, seconds: i64, nanos: u32) -> Entry {
        let at = |seconds| Moment { seconds, nanos };
        Entry {
            ctime: at(seconds.wrapping_add(7)),
            inode,
            ..Entry::plain(EntryKind::File, size, at(seconds))
        }
    }

    proptest! {
        /// The oracle sorts all that came by and cuts; packing in between changes nothing.
        #[test]
        fn packed_or_not_the_same_are_kept(
            files in prop::collection::vec((0u64..4, any::<u64>(), any::<i64>(), 0u32..1_000_000_000, 0usize..5, any::<bool>()), 0..30),
        ) {
            let folder = RelPath::new("Ålesund 2019/\u{1f3ac} cards").unwrap();
            let mut samples = Samples::default();
            let mut all: Vec<Kept> = Vec::new();
            for (at, (size, inode, seconds, nanos, ending, packs)) in files.into_iter().enumerate() {
                let name = format!("clip{at}.{}", ["mp4", "jpg", "tif", "wav", "txt"][ending]).into_bytes();
                let entry = entry(size, inode, seconds, nanos);
                samples.offer(&folder, &name, &entry);
                if packs {
                    samples.pack();
                    prop_assert!(samples.kept.is_empty());
                }
                if let (Some(kind), true) = (header_kind(&name), size > 0) {
                    all.push((number(entry.identity(), &name), folder.join(&name).unwrap(), kind, entry.identity()));
                }
            }
            all.sort_by_key(|kept| kept.0);
            all.truncate(A_PROJECT);
            let key = ProjectKey::Loose(None);
            let found: Vec<Kept> = samples.all(&key).map(|s| {
                (number(s.identity, s.path.split().unwrap().1), s.path, s.header, s.identity)
            }).collect();
            prop_assert_eq!(found, all);
        }
    }
}
