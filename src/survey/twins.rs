//! Files with identical content: which must be read to tell, and what their hashes say.
//!
//! Hazard U1 (consolidated backups hold many files twice) and U2 (one name, several contents). The
//! steps, each narrower than the one before: sizes met twice ([`Sizes`]), then files of such a size
//! ([`Twins::offer`]), then the first and last part of each, then all of it where those agree. Hard
//! links are one file. Nothing is decided about any file: this only counts.
//!
//! Memory for 10 million files: 80 MB for the sizes, then at most 48 bytes for each candidate. No
//! path is kept; files are known by their number in the order of the indexes.

use crate::digest::Digest;
use crate::units::Bytes;
use std::collections::{BTreeMap, HashMap, HashSet};

/// A set in more projects than this is counted, but not for pairs of projects: pairs grow with the
/// square, and a file in hundreds of projects is a licence text or an empty template.
const MOST_PROJECTS: usize = 64;

/// Counts sizes.
#[derive(Debug, Default)]
pub struct Sizes(Vec<u64>);

impl Sizes {
    /// Takes in the size of one file. Empty files are no twins: there is nothing to win.
    pub fn push(&mut self, size: Bytes) {
        if size.0 > 0 {
            self.0.push(size.0);
        }
    }

    /// The sizes met at least twice.
    pub fn repeated(mut self) -> Repeated {
        self.0.sort_unstable();
        let mut kept: Vec<u64> = self.0.windows(2).filter(|w| w[0] == w[1]).map(|w| w[0]).collect();
        kept.dedup();
        Repeated(kept)
    }
}

/// Sizes that several files have, ascending.
#[derive(Debug, Default)]
pub struct Repeated(Vec<u64>);

/// What is known of a candidate's content: the first 128 bits of a hash. Two different contents
/// among 10 million agree in them by chance once in 10^24 archives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
enum Known {
    Nothing,
    Sample([u8; 16]),
    Whole([u8; 16]),
}

/// A file that may have a twin.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    size: u64,
    /// Stands for its name.
    name: u64,
    number: u32,
    project: u32,
    known: Known,
}

/// How much of a candidate is to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// Its first and last part.
    Sample,
    /// All of it.
    Whole,
}

/// One file as it is offered.
#[derive(Debug, Clone, Copy)]
pub struct Offered<'a> {
    /// Its number: it rises from file to file.
    pub number: u32,
    /// The number of its project.
    pub project: u32,
    /// Its name within its folder.
    pub name: &'a [u8],
    /// Its length.
    pub size: Bytes,
    /// Source and inode, where it has several names and the number can be believed.
    pub shared_inode: Option<(usize, u64)>,
}

/// The candidates, and what was found out about them.
#[derive(Debug)]
pub struct Twins {
    sizes: Repeated,
    candidates: Vec<Candidate>,
    inodes: HashSet<(usize, u64)>,
    hard_links: u64,
}

/// Files with the same content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TwinSet {
    /// The length of each.
    pub size: Bytes,
    /// Their numbers, ascending.
    pub numbers: Vec<u32>,
}

/// What two projects have in common; of one project with itself what it holds more than once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SharedPair {
    /// One project.
    pub a: u32,
    /// The other; the same for what lies twice within one.
    pub b: u32,
    /// Files of one that have a partner in the other.
    pub files: u64,
    /// Their bytes.
    pub bytes: Bytes,
}

/// What is told about twins.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TwinSummary {
    /// Contents that several files have.
    pub sets: u64,
    /// Files in these.
    pub files: u64,
    /// Bytes that would be free if each content were stored once.
    pub reclaimable: Bytes,
    /// Pairs of projects, most bytes first.
    pub pairs: Vec<SharedPair>,
    /// Sets left out of the pairs, since they lie in very many projects.
    pub wide_sets: u64,
    /// The sets with most bytes to win, largest first.
    pub largest: Vec<TwinSet>,
    /// Names that occur with one size and several contents (hazard U2), and their files.
    pub other_content: (u64, u64),
    /// Numbers of a few of them, the names side by side.
    pub other_examples: Vec<Vec<u32>>,
    /// Further names of files already counted.
    pub hard_links: u64,
}

impl Twins {
    /// Takes candidates of these sizes.
    pub fn new(sizes: Repeated) -> Twins {
        Twins {
            sizes,
            candidates: Vec::new(),
            inodes: HashSet::new(),
            hard_links: 0,
        }
    }

    /// Takes in one file. A further name of a file met before is no twin of it.
    pub fn offer(&mut self, file: &Offered<'_>) {
        if self.sizes.0.binary_search(&file.size.0).is_err() {
            return;
        }
        if file.shared_inode.is_some_and(|inode| !self.inodes.insert(inode)) {
            self.hard_links += 1;
            return;
        }
        let mut name = [0; 8];
        name.copy_from_slice(&Digest::of(file.name).0[..8]);
        self.candidates.push(Candidate {
            size: file.size.0,
            name: u64::from_le_bytes(name),
            number: file.number,
            project: file.project,
            known: Known::Nothing,
        });
    }

    /// The numbers of the files of which `part` must be read, ascending. All samples are to be
    /// learned before the first whole is asked for; a file short enough to have no sample is
    /// learned whole in their stead, so that within one size all files go the same way.
    pub fn wanted(&self, part: Part) -> Vec<u32> {
        let (all, state) = (&self.candidates, |c: &Candidate| match (part, c.known) {
            (Part::Sample, Known::Nothing) => Some(Known::Nothing),
            (Part::Whole, known @ Known::Sample(_)) => Some(known),
            _ => None,
        });
        let mut alike: Vec<(u64, Known, u32)> = all
            .iter()
            .filter_map(|c| Some((c.size, state(c)?, c.number)))
            .collect();
        alike.sort_unstable();
        let runs = alike.chunk_by(|x, y| (x.0, x.1) == (y.0, y.1));
        let several = runs.filter(|run| run.len() > 1).flatten();
        let mut wanted: Vec<u32> = several.map(|c| c.2).collect();
        wanted.sort_unstable();
        wanted
    }

    /// Takes in the hash of a part of one candidate.
    pub fn learn(&mut self, number: u32, part: Part, hash: Digest) {
        let mut short = [0; 16];
        short.copy_from_slice(&hash.0[..16]);
        if let Ok(at) = self.candidates.binary_search_by_key(&number, |c| c.number) {
            self.candidates[at].known = match part {
                Part::Sample => Known::Sample(short),
                Part::Whole => Known::Whole(short),
            };
        }
    }

    /// What all that says. At most `shown` pairs, sets and examples are kept.
    pub fn summary(mut self, shown: usize) -> TwinSummary {
        let mut told = TwinSummary {
            hard_links: self.hard_links,
            ..TwinSummary::default()
        };
        self.candidates.retain(|c| c.known != Known::Nothing);
        self.candidates
            .sort_unstable_by_key(|c| (c.size, c.name, c.known, c.number));
        for same_name in self
            .candidates
            .chunk_by(|x, y| (x.size, x.name) == (y.size, y.name))
        {
            note_other_content(&mut told, same_name, shown);
        }
        self.candidates.retain(|c| matches!(c.known, Known::Whole(_)));
        self.candidates
            .sort_unstable_by_key(|c| (c.size, c.known, c.number));
        let mut pairs: HashMap<(u32, u32), (u64, u64)> = HashMap::new();
        for set in self
            .candidates
            .chunk_by(|x, y| (x.size, x.known) == (y.size, y.known))
        {
            if let [first, _, ..] = set {
                told.sets += 1;
                told.files += set.len() as u64;
                let won = first.size.saturating_mul(set.len() as u64 - 1);
                told.reclaimable = told.reclaimable.plus(Bytes(won));
                note_largest(&mut told.largest, set, shown);
                told.wide_sets += u64::from(!note_pairs(&mut pairs, set));
            }
        }
        let pair = |((a, b), (files, bytes))| SharedPair {
            a,
            b,
            files,
            bytes: Bytes(bytes),
        };
        told.pairs = pairs.into_iter().map(pair).collect();
        told.pairs
            .sort_unstable_by_key(|p| (std::cmp::Reverse(p.bytes), p.a, p.b));
        told.pairs.truncate(shown);
        told
    }
}

impl TwinSet {
    /// Bytes that would be free if it were stored once.
    pub fn reclaimable(&self) -> Bytes {
        let more = (self.numbers.len() as u64).saturating_sub(1);
        Bytes(self.size.0.saturating_mul(more))
    }
}

fn note_other_content(told: &mut TwinSummary, same_name: &[Candidate], shown: usize) {
    let mut contents: Vec<u32> = Vec::new();
    for content in same_name.chunk_by(|x, y| x.known == y.known) {
        contents.push(content[0].number);
    }
    if contents.len() > 1 {
        told.other_content.0 += 1;
        told.other_content.1 += same_name.len() as u64;
        if told.other_examples.len() < shown {
            contents.truncate(3);
            told.other_examples.push(contents);
        }
    }
}

/// Keeps the sets with most to win, largest first.
fn note_largest(largest: &mut Vec<TwinSet>, set: &[Candidate], shown: usize) {
    let won = set[0].size.saturating_mul(set.len() as u64 - 1);
    let at = largest.partition_point(|other| other.reclaimable().0 >= won);
    if at < shown {
        largest.insert(
            at,
            TwinSet {
                size: Bytes(set[0].size),
                numbers: set.iter().map(|c| c.number).collect(),
            },
        );
        largest.truncate(shown);
    }
}

/// Adds what a set says of its projects; `false` where it lies in too many.
fn note_pairs(pairs: &mut HashMap<(u32, u32), (u64, u64)>, set: &[Candidate]) -> bool {
    let mut projects: BTreeMap<u32, u64> = BTreeMap::new();
    for one in set {
        *projects.entry(one.project).or_default() += 1;
    }
    if projects.len() > MOST_PROJECTS {
        return false;
    }
    let counts: Vec<(u32, u64)> = projects.into_iter().collect();
    for (at, &(a, in_a)) in counts.iter().enumerate() {
        for &(b, in_b) in &counts[at..] {
            let files = if a == b { in_a - 1 } else { in_a.min(in_b) };
            if files > 0 {
                let sum = pairs.entry((a, b)).or_default();
                sum.0 += files;
                sum.1 = sum.1.saturating_add(files.saturating_mul(set[0].size));
            }
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A file of the test: its project, name, content and, with several names, its inode.
    type File = (u32, u8, Vec<u8>, Option<u64>);

    /// Files of few lengths and few bytes, so that many are alike.
    fn files() -> impl Strategy<Value = Vec<File>> {
        let content = proptest::collection::vec(0u8..2, 0..6);
        proptest::collection::vec((0u32..4, 0u8..3, content, Just(None)), 0..40).prop_map(|mut files| {
            // Every seventh is another name of the one before.
            for at in (6..files.len()).step_by(7) {
                files[at].2 = files[at - 1].2.clone();
                files[at].3 = Some(at as u64);
                files[at - 1].3 = Some(at as u64);
            }
            files
        })
    }

    /// The whole search over files in memory; a sample is the first and the last byte.
    fn search(files: &[File]) -> TwinSummary {
        let mut sizes = Sizes::default();
        files.iter().for_each(|f| sizes.push(Bytes(f.2.len() as u64)));
        let mut twins = Twins::new(sizes.repeated());
        for (number, (project, name, content, inode)) in files.iter().enumerate() {
            twins.offer(&Offered {
                number: number as u32,
                project: *project,
                name: &[*name],
                size: Bytes(content.len() as u64),
                shared_inode: inode.map(|inode| (0, inode)),
            });
        }
        for number in twins.wanted(Part::Sample) {
            let content = &files[number as usize].2;
            let sample = Digest::of(&[content[0], content[content.len() - 1]]);
            twins.learn(number, Part::Sample, sample);
        }
        for number in twins.wanted(Part::Whole) {
            twins.learn(number, Part::Whole, Digest::of(&files[number as usize].2));
        }
        twins.summary(1_000)
    }

    proptest! {
        /// Oracle of another shape: every two files compared byte by byte.
        #[test]
        fn sets_are_what_comparing_every_two_files_finds(files in files()) {
            let told = search(&files);
            // One file each: neither empty nor a further name.
            let mut seen = HashSet::new();
            let single: Vec<&File> = files
                .iter()
                .filter(|f| !f.2.is_empty() && f.3.is_none_or(|inode| seen.insert(inode)))
                .collect();
            let partners = |f: &File| single.iter().filter(|g| g.2 == f.2).count();
            let in_sets: Vec<&&File> = single.iter().filter(|f| partners(f) > 1).collect();
            prop_assert_eq!(told.files, in_sets.len() as u64);
            let firsts = in_sets.iter().enumerate().filter(|(at, f)| !in_sets[..*at].iter().any(|g| g.2 == f.2));
            let (sets, once) = firsts.fold((0, 0), |(n, bytes), (_, f)| (n + 1, bytes + f.2.len() as u64));
            prop_assert_eq!(told.sets, sets);
            let all: u64 = in_sets.iter().map(|f| f.2.len() as u64).sum();
            prop_assert_eq!(told.reclaimable, Bytes(all - once));
            for set in &told.largest {
                let contents: HashSet<&Vec<u8>> = set.numbers.iter().map(|n| &files[*n as usize].2).collect();
                prop_assert_eq!(contents.len(), 1, "one content a set");
            }
        }

        /// What two projects share is the same whichever is asked first, and never more than the
        /// smaller one holds.
        #[test]
        fn a_pair_shares_no_more_than_either_holds(files in files()) {
            let told = search(&files);
            for pair in &told.pairs {
                prop_assert!(pair.a <= pair.b);
                for project in [pair.a, pair.b] {
                    let held = files.iter().filter(|f| f.0 == project).count() as u64;
                    prop_assert!(pair.files <= held);
                }
            }
        }
    }
}
