//! Two ends in memory, a real ledger, runs under a plan, and the check of what must always hold.

use super::memfs::{Content, Control, MemClock, MemFs, Nature, Plan, Seen, Unsynced, path};
use poolward::copy::{Ends, Item, Known, Outcome, StreamLimits, Task, copy};
use poolward::digest::Digest;
use poolward::entry::{Entry, EntryKind};
use poolward::ledger::{BatchRow, ContentKey, FileRecord, Ledger, Proof};
use poolward::moment::Moment;
use poolward::names::RelPath;
use poolward::trouble::Trouble;
use poolward::units::Bytes;
use poolward::world::Stop;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

pub const DATASET: &str = "2019";
pub const BATCH: i64 = 1;

/// A move in a test.
pub struct Rig {
    pub control: Arc<Control>,
    pub source: MemFs,
    pub target: MemFs,
    pub stop: Stop,
    pub task: Task,
    /// What lay at the destination before, and must stay.
    pub foreign: BTreeMap<RelPath, Seen>,
    /// What the source holds, by place.
    pub truth: Arc<BTreeMap<RelPath, Seen>>,
    /// Whether outstanding items are looked up before what is left over is settled.
    pub eager: bool,
    /// The hash that an earlier read of every file is said to have given.
    pub earlier: Option<Digest>,
    folder: tempfile::TempDir,
}

/// Memory where there is some that looks like a disk: thousands of ledgers are synced here.
fn scratch() -> PathBuf {
    let memory = PathBuf::from("/dev/shm");
    if memory.is_dir() {
        memory
    } else {
        std::env::temp_dir()
    }
}

/// An empty ledger with one batch, to be copied: making one takes longer than most runs.
fn template() -> &'static [u8] {
    static TEMPLATE: OnceLock<Vec<u8>> = OnceLock::new();
    TEMPLATE.get_or_init(|| {
        let folder = tempfile::tempdir_in(scratch()).expect("a folder");
        let file = folder.path().join("ledger.db");
        let mut ledger = Ledger::create(&file, "c0ffee", Moment::from_seconds(0)).expect("a ledger");
        let row = BatchRow {
            id: 0,
            name: "2019.1".into(),
            dataset: DATASET.into(),
            source: "oldbox".into(),
            destination: "pool".into(),
            index: Digest([0; 32]),
            state: "copying".into(),
            begun_at: Moment::from_seconds(0),
            copied_at: None,
            verified_at: None,
            released_at: None,
            body: String::new(),
        };
        assert_eq!(ledger.begin_batch(&row).expect("a batch").id, BATCH);
        drop(ledger);
        std::fs::read(&file).expect("a ledger")
    })
}

impl Rig {
    /// Two empty ends.
    pub fn new() -> Rig {
        let control = Control::new(MemClock::new());
        let source = Nature {
            source: true,
            ..Nature::default()
        };
        let folder = tempfile::tempdir_in(scratch()).expect("a folder");
        std::fs::write(folder.path().join("ledger.db"), template()).expect("a ledger");
        Rig {
            source: MemFs::new("source", &control, source),
            target: MemFs::new("target", &control, Nature::default()),
            control,
            stop: Stop::new(),
            task: Task {
                only_adopt: false,
                as_listed: None,
                placed_inodes_hold: true,
                accept: Vec::new(),
                shelf: String::new(),
                batch: BATCH,
                dataset: DATASET.into(),
                source: "oldbox".into(),
                tag: "c0ffee".into(),
                inodes_hold: true,
                owners: true,
                permissions: Default::default(),
                streams: StreamLimits::fixed(1),
                reserve: Bytes(1 << 20),
            },
            foreign: BTreeMap::new(),
            truth: Arc::default(),
            eager: true,
            earlier: None,
            folder,
        }
    }

    /// Ends the preparation: what lies there is durable, foreign files are remembered.
    pub fn ready(mut self) -> Rig {
        self.source.settle();
        self.target.settle();
        self.foreign = self.target.files();
        self.truth = Arc::new(self.source.files());
        self
    }

    pub fn ledger(&self) -> Ledger {
        Ledger::open(&self.folder.path().join("ledger.db")).expect("the ledger")
    }

    pub fn records(&self) -> BTreeMap<RelPath, FileRecord> {
        let mut found = BTreeMap::new();
        let keep = |record: FileRecord| {
            found.insert(record.place.clone(), record);
            Ok(())
        };
        self.ledger()
            .each_record(BATCH, DATASET, keep)
            .expect("the records");
        found
    }

    pub fn failures(&self) -> BTreeMap<RelPath, String> {
        let failures = self.ledger().failures(BATCH).expect("the failures");
        failures
            .into_iter()
            .map(|failure| (failure.place, failure.code))
            .collect()
    }

    fn known_of(&self, entry: &Entry) -> Option<Box<Known>> {
        let known = Known {
            key: ContentKey {
                identity: entry.identity(),
                path: Vec::new(),
            },
            hash: self.earlier,
        };
        (entry.kind == EntryKind::File && self.earlier.is_some()).then(|| Box::new(known))
    }

    /// What is to be copied: all that no record covers in its present state.
    pub fn outstanding(&self) -> Vec<Item> {
        let records = self.records();
        let mut items = Vec::new();
        for (at, seen) in self.truth.iter() {
            let entry = self
                .source
                .entry(at)
                .filter(|entry| entry.kind == seen.entry.kind);
            let entry = entry.unwrap_or_else(|| seen.entry.clone());
            let recorded = records.get(at).cloned();
            if recorded
                .as_ref()
                .is_some_and(|record| record.source == entry.identity())
            {
                continue;
            }
            items.push(Item {
                from: at.clone(),
                place: at.clone(),
                known: self.known_of(&entry),
                entry,
                recorded,
            });
        }
        items
    }

    /// One run as a process would do it, from opening the ledger on.
    pub fn run(&self, plan: Plan) -> Result<Outcome, Trouble> {
        let items = if self.eager {
            Some(self.outstanding())
        } else {
            None
        };
        self.control.plan(plan);
        let mut list = Lazy {
            rig: self,
            items: items.map(Vec::into_iter),
        };
        self.run_items(&mut list)
    }

    pub fn run_items(
        &self,
        items: &mut dyn Iterator<Item = Result<Item, Trouble>>,
    ) -> Result<Outcome, Trouble> {
        let ends = Ends {
            source: &self.source,
            target: &self.target,
            clock: &*self.control.clock,
            stop: &self.stop,
        };
        let mut ledger = self.ledger();
        copy(ends, &self.task, &mut ledger, items, &|_| {})
    }

    /// The machine comes up again after a crash.
    pub fn reboot(&mut self, how: Unsynced) {
        self.target = self.target.after_crash(how);
        self.control.plan(Plan::Nothing);
    }

    /// What must hold at any time, in `target`: a live file system or what a crash left of it.
    pub fn violations(&self, target: &MemFs) -> Vec<String> {
        self.wrong(target, false)
    }

    fn wrong(&self, target: &MemFs, finished: bool) -> Vec<String> {
        let mut wrong = self.control.violations();
        let found = target.files();
        let records = self.records();
        for (place, record) in &records {
            match found.get(place) {
                None => wrong.push(format!("{place:?} is recorded and missing")),
                Some(seen) => {
                    let texts = against_record(record, seen, self.truth.get(place), finished);
                    wrong.extend(
                        texts
                            .iter()
                            .map(|text| format!("{place:?} is recorded, but {text}")),
                    );
                }
            }
        }
        for (place, before) in &self.foreign {
            let now = found.get(place);
            let same = |now: &Seen| now.hash == before.hash && now.entry.inode == before.entry.inode;
            if !now.is_some_and(same) {
                wrong.push(format!("{place:?} was there before and is missing or changed"));
            }
        }
        let intents = self.ledger().intents_of(BATCH, DATASET).expect("the intents");
        for (place, seen) in &found {
            if self.foreign.contains_key(place) {
                continue;
            }
            let truth = self.truth.get(place);
            let staged = |above: &RelPath, name: &[u8]| {
                intents.iter().any(|intent| {
                    intent.staged == name && intent.place.split().is_some_and(|(folder, _)| folder == *above)
                })
            };
            match (truth, place.split()) {
                (Some(truth), _) if truth.hash == seen.hash => {}
                (Some(_), _) => wrong.push(format!("{place:?} has its name with the wrong content")),
                (None, Some((above, name))) if staged(&above, name) => {}
                (None, _) => wrong.push(format!("{place:?} is staged and no intent knows it")),
            }
        }
        wrong
    }

    /// What must hold after a run in which nothing failed.
    pub fn unfinished(&self, conflicts: &[&str]) -> Vec<String> {
        let mut wrong = self.wrong(&self.target, true);
        wrong.extend(self.wrong(&self.target.after_crash(Unsynced::Lost), true));
        let (records, failures) = (self.records(), self.failures());
        let found = self.target.files();
        let conflicts: Vec<RelPath> = conflicts.iter().map(path).collect();
        for place in self.truth.keys() {
            let conflict = conflicts.contains(place);
            if records.contains_key(place) == conflict {
                wrong.push(format!("{place:?} is recorded: {}", !conflict));
            }
            let noted = failures
                .get(place)
                .is_some_and(|code| code.starts_with("conflict"));
            if noted != conflict {
                wrong.push(format!("{place:?} as a conflict: {:?}", failures.get(place)));
            }
        }
        let intents = self.ledger().intents_of(BATCH, DATASET).expect("the intents");
        wrong.extend(
            intents
                .iter()
                .map(|intent| format!("{:?} is still intended", intent.place)),
        );
        wrong.extend(self.links_apart(&found));
        wrong
    }

    /// Names that are one file at the source and several at the destination.
    fn links_apart(&self, found: &BTreeMap<RelPath, Seen>) -> Vec<String> {
        let mut by_inode: BTreeMap<u64, Vec<&RelPath>> = BTreeMap::new();
        for (place, seen) in self.truth.iter() {
            if seen.entry.kind == EntryKind::File && seen.entry.links > 1 {
                by_inode.entry(seen.entry.inode).or_default().push(place);
            }
        }
        let inode = |place: &&RelPath| found.get(*place).map(|seen| seen.entry.inode);
        by_inode
            .values()
            .filter(|places| places.iter().any(|place| inode(place) != inode(&places[0])))
            .map(|places| format!("{places:?} are no longer one file"))
            .collect()
    }
}

fn against_record(
    record: &FileRecord,
    seen: &Seen,
    truth: Option<&Seen>,
    finished: bool,
) -> Vec<&'static str> {
    let mut wrong = Vec::new();
    let mut must = |holds: bool, text| {
        if !holds {
            wrong.push(text);
        }
    };
    must(seen.entry.kind == record.kind, "is of another kind");
    must(seen.hash == record.hash, "its content is not what was hashed");
    let mut placed = record.placed;
    if !finished && seen.entry.links > 1 {
        // A link made and not yet recorded has changed it; the next run settles that.
        placed.ctime = seen.entry.ctime;
    }
    must(
        seen.entry.identity() == placed,
        "its identity is not what was recorded",
    );
    if let Some(truth) = truth.filter(|truth| truth.entry.identity() == record.source) {
        must(truth.hash == record.hash, "its content is not the source's");
        if record.proof == Proof::Copied {
            must(
                truth.entry.mtime == seen.entry.mtime,
                "its time is not the source's",
            );
            must(
                truth.entry.mode == seen.entry.mode || record.kind == EntryKind::Symlink,
                "its mode is not the source's",
            );
            must(truth.xattrs == seen.xattrs, "its attributes are not the source's");
            let sparse = truth.entry.is_sparse();
            must(!sparse || seen.entry.is_sparse(), "its holes are filled");
        }
    }
    wrong
}

/// Outstanding items, looked up when the first is asked for unless they are known.
struct Lazy<'a> {
    rig: &'a Rig,
    items: Option<std::vec::IntoIter<Item>>,
}

impl Iterator for Lazy<'_> {
    type Item = Result<Item, Trouble>;

    fn next(&mut self) -> Option<Self::Item> {
        let rig = self.rig;
        self.items
            .get_or_insert_with(|| rig.outstanding().into_iter())
            .next()
            .map(Ok)
    }
}

/// Conflicts of [`mixed`].
pub const CONFLICTS: [&str; 1] = ["b/other"];

/// A little of everything.
pub fn mixed() -> Rig {
    let rig = Rig::new();
    let source = &rig.source;
    source.put_file(&path("a/empty"), Content::default());
    source.put_file(&path("a/small"), Content::bytes(b"a few words"));
    source.put_file(&path(b"a/od\xffd\nname"), Content::bytes(&[7; 70_000]));
    source.put_file(&path("a/read-only"), Content::bytes(b"look, do not touch"));
    source.put_symlink(&path("a/link"), b"../b/second");
    source.put_file(&path("b/deep/down/sparse"), Content::bytes(&[1; 10]));
    source.cut(&path("b/deep/down/sparse"), 600_000);
    source.edit(&path("b/deep/down/sparse"), 300_000, &[3; 1_000]);
    source.put_link(&path("b/second"), &path("a/small"));
    source.put_link(&path("c/third"), &path("a/small"));
    source.put_file(&path("b/same"), Content::bytes(b"it is there already"));
    source.put_file(&path("b/other"), Content::bytes(b"ours"));
    source.alter(&path("a/read-only"), |meta| {
        meta.mode = 0o444;
        meta.owner = (7, 8);
        meta.xattrs.insert(b"user.tag".to_vec(), b"blue".to_vec());
        meta.mtime = Moment {
            seconds: -5,
            nanos: 123_456_789,
        };
    });
    let target = &rig.target;
    target.put_file(&path("b/same"), Content::bytes(b"it is there already"));
    target.put_file(&path("b/other"), Content::bytes(b"somebody else's"));
    target.put_file(&path("a/unrelated"), Content::bytes(b"of another program"));
    rig.ready()
}
