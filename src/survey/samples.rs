//! Which files' headers are worth reading: a few a project, chosen evenly and the same each time.

use crate::entry::{Entry, Identity};
use crate::names::RelPath;
use crate::survey::ProjectKey;
use crate::survey::headers::{HeaderKind, header_kind};

/// Samples a project: enough for a share of 60 % to mean something, few enough to read in seconds.
pub const A_PROJECT: usize = 5;

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

/// The samples of one project: those with the smallest mixed numbers, so that every file has the
/// same chance whatever the order of folders.
#[derive(Debug, Clone, Default)]
pub struct Samples {
    kept: Vec<(u64, RelPath, HeaderKind, Identity)>,
}

impl Samples {
    /// Offers an original.
    pub fn offer(&mut self, folder: &RelPath, name: &[u8], entry: &Entry) {
        let number = mix(entry.size.0 ^ (entry.mtime.seconds as u64).rotate_left(32) ^ hash(name));
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

    /// The samples.
    pub fn all<'a>(&'a self, project: &'a ProjectKey) -> impl Iterator<Item = Sample> + 'a {
        self.kept.iter().map(move |(_, path, header, identity)| Sample {
            project: project.clone(),
            path: path.clone(),
            header: *header,
            identity: *identity,
        })
    }
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
