//! One slice read against a proof file alone: no ledger, no move folder.

use super::Reading;
use super::kept::{self, Kept};
use super::reader::{GROUP_BYTES, GROUP_FILES, Reader, check};
use crate::digest::Digest;
use crate::entry::Identity;
use crate::ledger::{FileRecord, Proof};
use crate::lifecycle::fixity::{Cost, Cut, Part as Share};
use crate::ops::witness::Witness;
use crate::ops::{guard, proof, verify};
use crate::report::proof::{Bad, Proven, Totals, read};
use crate::trouble::Trouble;
use crate::units::{Amount, Span};
use crate::verify::{Check, Outcome, Progress};
use crate::world::{Clock, Disks, OsFs, ReadHow, Stop};
use std::cell::Cell;
use std::collections::BTreeSet;
use std::fs::{File, TryLockError};
use std::io::{self, BufReader, Read, Seek};
use std::path::{Path, PathBuf};

/// Names at the top of a dataset of which one must be there: more are not kept.
const MOST_NAMES: usize = 1_000;

/// What is read, and by which proof.
#[derive(Clone, Copy)]
pub struct ProofAsked<'a> {
    /// The proof file.
    pub proof: &'a Path,
    /// Where the dataset's folder is now; by default where the proof says that it was.
    pub dataset: Option<&'a Path>,
    /// Where it is kept how far a round is; by default beside the proof.
    pub state: Option<&'a Path>,
    /// How much of a round is read; by default what is left of it.
    pub share: Option<Share>,
    /// Tells the time.
    pub clock: &'a dyn Clock,
    /// Whether to end.
    pub stop: &'a Stop,
}

/// Reads the next slice of the files of a proof, or goes on with one that was interrupted.
///
/// # Errors
/// `proof-damaged` where the proof is not exactly what was once written, `mount-missing` where the
/// dataset's folder is not there, or what stopped it.
pub fn by_proof(asked: ProofAsked<'_>, progress: &dyn Fn(Progress)) -> Result<Reading, Trouble> {
    let began = asked.clock.ticks();
    let mut file = open(asked.proof)?;
    if let Err(TryLockError::WouldBlock) = file.try_lock() {
        let text = format!("another process reads against {}", asked.proof.display());
        return Err(
            Trouble::stopped("fixity-busy", text).mend("Let it end, then run the same command again.")
        );
    }
    // Nothing of it is believed before its seal, at the end, was found to fit.
    let (totals, tops) = sealed(&mut file, asked)?;
    let target = there(asked, &totals, &tops)?;
    let path = state_path(asked, &target)?;
    let kept = kept::read(&path, &totals, asked.clock.now())?;
    let disks = Disks::behind(&target);
    let mut slice = Pass::new(asked, &totals, &target, (&path, kept), progress);
    slice.keep()?;
    slice.read(&mut file, totals.hash)?;
    slice.end(&totals, &disks, began)
}

fn open(path: &Path) -> Result<File, Trouble> {
    File::open(path).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound => {
            let text = format!("there is no proof {}", path.display());
            Trouble::usage("no-such-proof", text)
                .mend("Proofs lie in the move folder as reports/proofs/BATCH.json, and where you keep copies of them.")
        }
        kind => proof::refused(path, &kind.to_string()),
    })
}

/// The first reading of a proof: whether it is whole, and the names at its top.
fn sealed(file: &mut File, asked: ProofAsked<'_>) -> Result<(Totals, BTreeSet<Vec<u8>>), Trouble> {
    let mut tops = BTreeSet::new();
    let ended = Cell::new(false);
    let found = read(reader(file, &ended), |proven| {
        ended.set(asked.stop.is_set());
        if tops.len() < MOST_NAMES {
            tops.extend(proven.place.components().next().map(<[u8]>::to_vec));
        }
    });
    match found {
        Ok(totals) => Ok((totals, tops)),
        Err(_) if ended.get() => Err(Trouble::interrupted()),
        Err(bad) => Err(damaged(asked.proof, &bad)),
    }
}

fn damaged(path: &Path, bad: &Bad) -> Trouble {
    proof::refused(path, &bad.to_string())
}

/// A proof read from where it stands, until it is ended from outside.
fn reader<'a>(file: &'a mut File, ended: &'a Cell<bool>) -> BufReader<impl Read + 'a> {
    struct Until<'a>(&'a mut File, &'a Cell<bool>);
    impl Read for Until<'_> {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            match self.1.get() {
                true => Err(io::Error::other("ended")),
                false => self.0.read(into),
            }
        }
    }
    BufReader::with_capacity(1 << 16, Until(file, ended))
}

/// The dataset's folder, where something lies that the proof names.
fn there(asked: ProofAsked<'_>, totals: &Totals, tops: &BTreeSet<Vec<u8>>) -> Result<OsFs, Trouble> {
    let named = Path::new(&totals.head.destination);
    let path = asked.dataset.unwrap_or(named);
    // What stands in a proof may be made to play with a terminal.
    let shown = crate::names::shown(path.as_os_str().as_encoded_bytes());
    let elsewhere = "Mount it, or name the folder in which the dataset lies now: `fixity --proof FILE PATH`.";
    if asked.dataset.is_none() && !path.is_absolute() {
        let text = format!("the proof names no folder of its own: {shown}");
        return Err(Trouble::stopped("mount-missing", text).mend(elsewhere));
    }
    let target = OsFs::open(path).map_err(|fault| {
        let text = format!("cannot open {shown}: {}", fault.words);
        Trouble::stopped("mount-missing", text).mend(elsewhere)
    })?;
    guard::holds_any(&target, tops.iter().map(Vec::as_slice)).map_err(|missing| missing.mend(elsewhere))?;
    Ok(target)
}

/// Where it is kept how far the round is: nowhere below what is read.
fn state_path(asked: ProofAsked<'_>, target: &OsFs) -> Result<PathBuf, Trouble> {
    let path = kept::path(asked.proof, asked.state);
    let home = path.parent().filter(|home| !home.as_os_str().is_empty());
    let home = std::fs::canonicalize(home.unwrap_or(Path::new(".")));
    let read = std::fs::canonicalize(target.path());
    match (home, read) {
        (Ok(home), Ok(read)) if home.starts_with(&read) => {
            let text = format!(
                "{} lies in the dataset itself, in which nothing is written",
                home.display()
            );
            Err(Trouble::usage("fixity-state", text).mend(
                "Name a folder of this machine with --folder DIR, in which it is kept how far the round is.",
            ))
        }
        _ => Ok(path),
    }
}

/// The second reading of a proof, in which its files are read too.
struct Pass<'a> {
    asked: ProofAsked<'a>,
    target: &'a OsFs,
    reader: Reader<'a>,
    path: &'a Path,
    kept: Kept,
    cut: Cut,
    /// Files of the proof passed, and what they cost.
    passed: (u64, Cost),
    group: Vec<Check>,
    bytes: u64,
    /// The slice is full.
    full: bool,
    trouble: Option<Trouble>,
}

impl<'a> Pass<'a> {
    fn new(
        asked: ProofAsked<'a>,
        totals: &Totals,
        target: &'a OsFs,
        (path, mut kept): (&'a Path, Kept),
        progress: &'a dyn Fn(Progress),
    ) -> Pass<'a> {
        if !kept.slice.open {
            kept.found.clear();
        }
        kept.slice = kept.slice.next(asked.share);
        let total = Cost::of(totals.amount.files, totals.amount.bytes);
        Pass {
            cut: Cut::new(&totals.head.batch, total, kept.slice.due),
            reader: Reader {
                stop: asked.stop,
                streams: verify::STREAMS,
                times: totals.head.settings.compared.iter().any(|fact| fact == "time"),
                progress,
                outcome: Outcome::default(),
                checked: Amount::default(),
            },
            asked,
            target,
            path,
            kept,
            passed: (0, Cost::default()),
            group: Vec::new(),
            bytes: 0,
            full: false,
            trouble: None,
        }
    }

    fn keep(&self) -> Result<(), Trouble> {
        kept::write(self.path, &self.kept)
    }

    fn read(&mut self, file: &mut File, wanted: Digest) -> Result<(), Trouble> {
        let again = file
            .rewind()
            .map_err(|e| proof::refused(self.asked.proof, &e.to_string()));
        again?;
        let ended = Cell::new(false);
        let found = read(reader(file, &ended), |proven| {
            if let Err(trouble) = self.pass(proven) {
                self.trouble.get_or_insert(trouble);
                ended.set(true);
            }
        });
        if let Some(trouble) = self.trouble.take() {
            return Err(trouble);
        }
        match found {
            Ok(totals) if totals.hash == wanted => self.flush(),
            Ok(_) => Err(proof::refused(
                self.asked.proof,
                "it was changed while it was read",
            )),
            Err(bad) => Err(damaged(self.asked.proof, &bad)),
        }
    }

    /// Takes one file of the proof into the group that is read next, where it is due.
    fn pass(&mut self, proven: Proven) -> Result<(), Trouble> {
        if self.asked.stop.is_set() {
            return Err(Trouble::interrupted());
        }
        if self.full || self.trouble.is_some() {
            return Ok(());
        }
        let (number, before) = self.passed;
        let mine = Cost::of(1, proven.size);
        self.passed = (number + 1, before.plus(mine));
        if number < self.kept.read.files {
            return Ok(());
        }
        if !self.cut.takes(before, mine) {
            self.full = true;
            return Ok(());
        }
        let over = self.bytes.saturating_add(proven.size.0) > GROUP_BYTES;
        if self.group.len() >= GROUP_FILES || (over && !self.group.is_empty()) {
            // What is in the group is done before this file is counted as passed.
            self.flush()?;
        }
        self.bytes += proven.size.0;
        self.group.push(check(record(proven), Vec::new()));
        Ok(())
    }

    fn flush(&mut self) -> Result<(), Trouble> {
        if self.group.is_empty() {
            return Ok(());
        }
        let sizes = self
            .group
            .iter()
            .map(|check| Amount::one(check.record.source.size));
        let amount: Amount = sizes.sum();
        self.bytes = 0;
        let group = self.reader.read(self.target, std::mem::take(&mut self.group))?;
        for mut one in group.found {
            // A proof holds neither ranges nor the ctime at the destination.
            (one.ranges, one.attributes) = (Vec::new(), false);
            self.kept.found.push(one);
        }
        self.kept.read.add(amount);
        self.keep()
    }

    fn end(mut self, totals: &Totals, disks: &Result<Disks, String>, began: f64) -> Result<Reading, Trouble> {
        let whole = self.kept.read.files == totals.amount.files;
        self.kept.slice.open = false;
        match whole {
            true => kept::forget(self.path)?,
            false => self.keep()?,
        }
        let mut outcome = self.reader.outcome;
        let witness = Witness::of(disks, &outcome);
        if witness.contradicts() {
            outcome.ways = [(ReadHow::Unknown, outcome.ways.values().sum())].into();
        }
        let total = Cost::of(totals.amount.files, totals.amount.bytes);
        let done = Cost::of(self.kept.read.files, self.kept.read.bytes);
        Ok(Reading {
            name: totals.head.dataset.clone(),
            batch: Some(totals.head.batch.clone()),
            folder: self.target.path().to_path_buf(),
            outcome,
            witness,
            elapsed: Span::from_secs_f64(self.asked.clock.ticks() - began),
            found: self.kept.found,
            share: done.share_of(total),
            began: self.kept.began,
            ended: whole,
            slice: self.kept.slice,
            of_round: self.kept.read,
            skipped: Vec::new(),
            not_kept: None,
            moved: Vec::new(),
            repairable: Vec::new(),
        })
    }
}

/// A file of a proof as a record of it: what is not in the proof is not compared.
fn record(proven: Proven) -> FileRecord {
    let identity = Identity {
        inode: 0,
        size: proven.size,
        mtime: proven.mtime,
        ctime: proven.source_ctime,
    };
    let (at, _) = proven.read_back;
    FileRecord {
        place: proven.place,
        kind: proven.kind,
        source: identity,
        placed: identity,
        hash: proven.blake3,
        copied_at: at,
        proof: Proof::Copied,
    }
}
