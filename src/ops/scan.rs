//! scan: a new index of each source.

use super::desk::Desk;
use super::guard;
use super::settings::SourceSettings;
use super::some_again;
use super::unsettled::{self, ReadAgain};
use crate::digest::Digest;
use crate::index::{Index, InodeClass};
use crate::ledger::IndexRow;
use crate::scan::{self, Only, Progress, ScanRequest};
use crate::survey::exclude::Exclude;
use crate::trouble::Trouble;
use crate::units::Span;
use std::path::PathBuf;
use std::sync::Arc;

/// How a scan is to be done.
#[derive(Debug, Clone, Copy, Default)]
pub struct Options {
    /// One entry at a time.
    pub gentle: bool,
    /// Threads; by default by the mount.
    pub threads: Option<usize>,
}

/// One source, scanned.
pub struct Scanned {
    /// Its settings.
    pub source: SourceSettings,
    /// The new index.
    pub index: Index,
    /// Its row in the ledger.
    pub row: IndexRow,
    /// The row of the scan before.
    pub before: Option<IndexRow>,
    /// How long it took.
    pub elapsed: Span,
    /// What was read again of files whose times do not tell.
    pub read_again: ReadAgain,
}

/// Scans every source, or only the named projects again.
///
/// # Errors
/// [`Trouble`] where a source is missing or the scan was stopped (finished parts of a whole scan are
/// kept), and for names that no source has.
pub fn scan(
    desk: &mut Desk<'_>,
    projects: &[String],
    options: Options,
    progress: &dyn Fn(&str, Progress),
) -> Result<Vec<Scanned>, Trouble> {
    let mut done = Vec::new();
    if projects.is_empty() {
        for source in desk.settings.sources.clone() {
            done.push(one(desk, source, options, None, progress)?);
        }
        return Ok(done);
    }
    for (source, only) in some_again::chosen(desk, projects)? {
        done.push(one(desk, source, options, Some(only), progress)?);
    }
    Ok(done)
}

fn one(
    desk: &mut Desk<'_>,
    source: SourceSettings,
    options: Options,
    only: Option<Only>,
    progress: &dyn Fn(&str, Progress),
) -> Result<Scanned, Trouble> {
    guard::source(desk, &source)?;
    let before = desk.ledger.indexes(&source.name.0)?.pop();
    let mut request = request_of(desk, &source, options, before.as_ref())?;
    if only.is_some() {
        // Not the file of a whole scan, which may be waiting there to be gone on with.
        request.parts.set_extension("only.parts");
    }
    request.only = only;
    let name = source.name.0.clone();
    let outcome = scan::scan(&request, &|p| progress(&name, p), &|| desk.stop.is_set())?;
    let header = outcome.index.header();
    let row = IndexRow {
        digest: outcome.index.digest(),
        source: name,
        file: request
            .index
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default(),
        scanned_at: header.start.started,
        finished_at: header.ended,
        amount: header.totals.files,
        entries: header.totals.entries,
    };
    desk.ledger.keep_index(&row)?;
    desk.ledger
        .event(desk.now(), "scanned", &format!("{}: {}", row.source, row.amount))?;
    forget_old(desk, &row)?;
    super::content::forget_gone(desk, &outcome.index)?;
    let read_again = unsettled::look(desk, &source, &outcome.index)?;
    Ok(Scanned {
        read_again,
        source,
        index: outcome.index,
        row,
        before,
        elapsed: outcome.elapsed,
    })
}

fn request_of(
    desk: &Desk<'_>,
    source: &SourceSettings,
    options: Options,
    before: Option<&IndexRow>,
) -> Result<ScanRequest, Trouble> {
    let exclude = Exclude::new(desk.settings.exclude.clone(), source.project_depth)?;
    let enter = Exclude::new(desk.settings.exclude.clone(), source.project_depth)?;
    let folder = desk.folder.join("indexes");
    let number = desk.ledger.indexes(&source.name.0)?.len() + 1;
    let stamp = desk.now().seconds;
    Ok(ScanRequest {
        source: source.name.clone(),
        root: source.path.clone(),
        index: free_name(&folder, &source.name.0, number, stamp),
        parts: parts_of(desk, &source.name.0),
        never_enter: Arc::new(move |_, name| enter.never_enter(name).then(|| "snapshots".to_string())),
        rules: format!("{:?}", exclude.rules()),
        cross: source.cross.clone(),
        gentle: options.gentle,
        threads: options.threads,
        recount: None,
        resume: true,
        only: None,
        expected_entries: before.map(|row| row.entries),
        inodes: class_of(desk, source, before),
    })
}

/// Where the finished parts of an unfinished scan wait.
fn parts_of(desk: &Desk<'_>, source: &str) -> PathBuf {
    desk.folder
        .join("indexes")
        .join(format!("{}.parts", file_word(source)))
}

/// What a first scan that was interrupted has finished so far; `None` where there is none or not
/// even the root was listed.
///
/// # Errors
/// [`Trouble`] where it cannot be read.
pub fn unfinished(desk: &Desk<'_>, source: &str) -> Result<Option<Index>, Trouble> {
    let path = parts_of(desk, source);
    if !desk.ledger.indexes(source)?.is_empty() || !path.exists() {
        return Ok(None);
    }
    let index = Index::open(&path)?;
    let root = index.heads().next().transpose()?;
    Ok(root.filter(|listing| listing.folder.is_root()).map(|_| index))
}

/// How far the source's inode numbers can be trusted, by looking again at what the scan before saw.
/// An index that cannot be read any more says nothing; the next verb that needs it complains.
fn class_of(desk: &Desk<'_>, source: &SourceSettings, before: Option<&IndexRow>) -> InodeClass {
    before
        .and_then(|row| open_index(desk, &source.name.0, row.digest).ok())
        .map_or(InodeClass::Unknown, |index| {
            scan::look_again(&index, &source.path)
        })
}

fn free_name(folder: &std::path::Path, source: &str, number: usize, stamp: i64) -> PathBuf {
    // Two scans in one second have the same number where an old index was forgotten between them.
    let name = |number| folder.join(format!("{}-{number:03}-{stamp}.index", file_word(source)));
    let mut number = number;
    while name(number).exists() {
        number += 1;
    }
    name(number)
}

/// A source's name as part of a file name.
fn file_word(name: &str) -> String {
    name.chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' {
                c
            } else {
                '_'
            }
        })
        .collect()
}

/// Only the newest index of a source and those of begun batches are needed.
fn forget_old(desk: &mut Desk<'_>, newest: &IndexRow) -> Result<(), Trouble> {
    for old in desk.ledger.indexes(&newest.source)? {
        let is_recent = old.digest == newest.digest || old.finished_at >= newest.scanned_at;
        if !is_recent && keep_one_before(desk, &old, newest)? && desk.ledger.forget_index(old.digest)? {
            // A file that stays behind costs only space.
            let _ = std::fs::remove_file(desk.folder.join("indexes").join(&old.file));
        }
    }
    Ok(())
}

/// The scan just before the newest stays, for the changes between them.
fn keep_one_before(desk: &Desk<'_>, old: &IndexRow, newest: &IndexRow) -> Result<bool, Trouble> {
    let rows = desk.ledger.indexes(&newest.source)?;
    let before = rows.iter().rev().nth(1).map(|row| row.digest);
    Ok(before != Some(old.digest))
}

/// What the ledger knows of an index.
///
/// # Errors
/// `index-missing` where that is nothing.
pub fn index_row(desk: &Desk<'_>, source: &str, digest: Digest) -> Result<IndexRow, Trouble> {
    let rows = desk.ledger.indexes(source)?;
    rows.into_iter().find(|row| row.digest == digest).ok_or_else(|| {
        Trouble::stopped(
            "index-missing",
            format!("the ledger knows no such index of {source}"),
        )
        .mend("Run `poolward scan`.")
    })
}

/// Opens the index of a row, with its hash compared.
///
/// # Errors
/// [`Trouble`] where it is missing, damaged, or another than the ledger knows.
pub fn open_index(desk: &Desk<'_>, source: &str, digest: Digest) -> Result<Index, Trouble> {
    let row = index_row(desk, source, digest)?;
    let index = Index::open(&desk.folder.join("indexes").join(&row.file))?;
    if index.digest() != digest {
        return Err(Trouble::stopped(
            "index-other",
            format!("{} is not the index the ledger knows", row.file),
        )
        .mend("Put the right file back, or run `poolward scan`."));
    }
    Ok(index)
}

/// The newest index of a source.
///
/// # Errors
/// [`Trouble`] where there is none.
pub fn newest_index(desk: &Desk<'_>, source: &str) -> Result<Index, Trouble> {
    match desk.ledger.indexes(source)?.pop() {
        Some(row) => open_index(desk, source, row.digest),
        None if unfinished(desk, source)?.is_some() => Err(Trouble::usage(
            "scan-unfinished",
            format!("the scan of the source {source} was interrupted"),
        )
        .mend(
            "Run `poolward scan`: it goes on where it was. Until then `poolward survey` tells what is there.",
        )),
        None => Err(Trouble::usage(
            "not-scanned",
            format!("the source {source} has not been scanned yet"),
        )
        .mend("Run `poolward scan` first.")),
    }
}
