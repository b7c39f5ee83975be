//! What has happened, file by file: the only authority on progress. SQL lives here alone.
//!
//! A SQLite database in the move folder, written by one process a batch (a lease says which) and
//! read by all. Write-ahead logging with a full sync at each commit, so that a fact that was
//! reported is on disk; that needs shared memory between processes, which network mounts do not
//! give, so the ledger refuses to live on one. A ledger of a newer version is refused, an older
//! one is brought up to date inside one exclusive transaction (`schema.rs`).

mod asides;
mod attributes;
mod batches;
mod beside;
mod codec;
mod content;
mod disagreements;
mod edits;
mod ends;
mod files;
mod fixity;
mod follows;
mod foretold;
mod intents;
mod late;
mod listed;
mod moves;
mod probes;
mod promises;
mod proofs;
mod repairs;
mod samples;
mod schema;
mod waybills;

pub use asides::{Aside, AsideState, GoneFile};
pub use attributes::Attributes;
pub use batches::{BatchRow, Lease, PlanRow};
pub use beside::{Beside, ReadBack};
pub use content::{Content, ContentKey};
pub use disagreements::Disagreement;
pub use edits::Edit;
pub use ends::{EndRole, EndRow, IndexRow};
pub use files::{FileRecord, Proof};
pub use fixity::{FixityFound, FixityMark, FixityRound};
pub use follows::{Finished, FollowRow};
pub use foretold::Foretold;
pub use intents::{GroupResult, Intent, StagedNote, to_second};
pub use listed::{Accepted, Difference, Failure, Sample, Sheet};
pub use moves::{Arrived, FolderRow, FolderWhat, MoveRow, MoveSet, Renames};
pub use probes::Probe;
pub use promises::Promise;
pub use proofs::{CheckFileRow, ProofRow, Witnessed};
pub use repairs::{Ranges, Settled};
pub use waybills::{Answered, Entering, WaybillRow};

use crate::moment::Moment;
use crate::trouble::Trouble;
use rusqlite::{Connection, OpenFlags};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a short transaction of another process may hold us up. Group commits take well under
/// a second; a minute is a disk in trouble.
const BUSY: Duration = Duration::from_secs(60);

/// Statements kept ready: as many as the widest loop goes through for each file.
const STATEMENTS: usize = 64;

/// An open ledger.
pub struct Ledger {
    db: Connection,
    path: PathBuf,
}

/// What to do where the ledger's copy cannot be written. It is a copy: nothing of the move is lost.
const COPY_MEND: &str = "The ledger itself is whole. Look whether the destination is mounted, may be written and has room, then run the same command again.";

impl Ledger {
    /// Creates a new ledger.
    ///
    /// # Errors
    /// [`Trouble`] where there is one already or it cannot be written.
    pub fn create(path: &Path, move_id: &str, now: Moment) -> Result<Ledger, Trouble> {
        if path.exists() {
            return Err(Trouble::usage(
                "ledger-exists",
                format!("there is a ledger at {} already", path.display()),
            )
            .mend("Use the move that is there, or begin in another folder."));
        }
        let mut ledger = Ledger::connect(path, OpenFlags::default())?;
        schema::migrate(&mut ledger.db).map_err(|e| ledger.trouble(&e))?;
        ledger.set_meta("move-id", move_id)?;
        ledger.event(now, "begun", "the move was begun")?;
        Ok(ledger)
    }

    /// Opens the ledger of a move and brings it up to date.
    ///
    /// # Errors
    /// [`Trouble`] where it is missing, damaged or of a newer version.
    pub fn open(path: &Path) -> Result<Ledger, Trouble> {
        if !path.exists() {
            return Err(Trouble::stopped("ledger-missing", format!("there is no ledger at {}", path.display())).mend(
                "Run `poolward begin --recover` to take back the copy kept at the destination, or begin a move.",
            ));
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut ledger = Ledger::connect(path, flags)?;
        let version = schema::version(&ledger.db).map_err(|e| ledger.trouble(&e))?;
        if version > schema::NEWEST {
            return Err(Trouble::stopped(
                "ledger-newer",
                format!(
                    "the ledger at {} was written by a newer version of Poolward",
                    path.display()
                ),
            )
            .mend("Use that version; this one changes nothing in it."));
        }
        schema::migrate(&mut ledger.db).map_err(|e| ledger.trouble(&e))?;
        Ok(ledger)
    }

    fn connect(path: &Path, flags: OpenFlags) -> Result<Ledger, Trouble> {
        let fail = |e: &rusqlite::Error| trouble_at(path, e);
        let db = Connection::open_with_flags(path, flags).map_err(|e| fail(&e))?;
        db.busy_timeout(BUSY).map_err(|e| fail(&e))?;
        db.set_prepared_statement_cache_capacity(STATEMENTS);
        let set = "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;
                   PRAGMA cache_size=-16384; PRAGMA temp_store=MEMORY;";
        db.execute_batch(set).map_err(|e| fail(&e))?;
        Ok(Ledger {
            db,
            path: path.to_path_buf(),
        })
    }

    /// Where it lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// From here on nothing is written through this connection; SQLite refuses it. Other
    /// connections write as before.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger does not answer.
    pub fn only_look(&self) -> Result<(), Trouble> {
        let set = self.db.pragma_update(None, "query_only", true);
        set.map_err(|e| self.trouble(&e))
    }

    /// Whether [`Ledger::only_look`] was asked for.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger does not answer.
    pub fn only_looks(&self) -> Result<bool, Trouble> {
        let asked = self.db.pragma_query_value(None, "query_only", |row| row.get(0));
        asked.map_err(|e| self.trouble(&e))
    }

    /// A consistent copy beside `target`, then in its place. Other processes may write meanwhile.
    ///
    /// # Errors
    /// [`Trouble`] where the copy cannot be written; the old copy stays then.
    pub fn snapshot(&self, target: &Path) -> Result<(), Trouble> {
        let part = target.with_extension("part");
        let failed = |e: &dyn std::fmt::Display| {
            let text = format!("cannot keep the ledger's copy at {}: {e}", target.display());
            Trouble::stopped("ledger-copy", text).mend(COPY_MEND)
        };
        let io = |e: std::io::Error| failed(&e);
        if part.exists() {
            std::fs::remove_file(&part).map_err(io)?;
        }
        self.db
            .execute("VACUUM INTO ?1", [part.to_string_lossy()])
            .map_err(|e| failed(&e))?;
        let file = std::fs::File::open(&part).map_err(io)?;
        file.sync_all().map_err(io)?;
        std::fs::rename(&part, target).map_err(io)?;
        if let Some(folder) = target.parent() {
            std::fs::File::open(folder)
                .and_then(|f| f.sync_all())
                .map_err(io)?;
        }
        Ok(())
    }

    /// Reads a lasting value.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn meta(&self, key: &str) -> Result<Option<String>, Trouble> {
        use rusqlite::OptionalExtension;
        self.db
            .query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0))
            .optional()
            .map_err(|e| self.trouble(&e))
    }

    /// Writes a lasting value.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn set_meta(&self, key: &str, value: &str) -> Result<(), Trouble> {
        self.db
            .execute(
                "INSERT INTO meta VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = ?2",
                [key, value],
            )
            .map(|_| ())
            .map_err(|e| self.trouble(&e))
    }

    /// This move's own number, in hex: the marker at the destination and staged names carry it.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read or has none.
    pub fn move_id(&self) -> Result<String, Trouble> {
        self.meta("move-id")?
            .ok_or_else(|| Trouble::defect("the ledger has no move number"))
    }

    /// Notes that something happened, for the log of the report.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn event(&self, at: Moment, what: &str, text: &str) -> Result<(), Trouble> {
        self.db
            .execute(
                "INSERT INTO events (at, what, text) VALUES (?1, ?2, ?3)",
                (codec::stamp(at), what, text),
            )
            .map(|_| ())
            .map_err(|e| self.trouble(&e))
    }

    /// What happened, oldest first, the newest `most` of it.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn events(&self, most: u32) -> Result<Vec<(Moment, String, String)>, Trouble> {
        let sql = "SELECT at, what, text FROM (SELECT * FROM events ORDER BY id DESC LIMIT ?1) ORDER BY id";
        self.rows(sql, [most], |row| {
            Ok((codec::moment(row, 0)?, row.get(1)?, row.get(2)?))
        })
    }

    fn trouble(&self, error: &rusqlite::Error) -> Trouble {
        trouble_at(&self.path, error)
    }

    fn rows<T, P: rusqlite::Params>(
        &self,
        sql: &str,
        params: P,
        read: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, Trouble> {
        let mut statement = self.db.prepare_cached(sql).map_err(|e| self.trouble(&e))?;
        let rows = statement.query_map(params, read).map_err(|e| self.trouble(&e))?;
        rows.collect::<rusqlite::Result<Vec<T>>>()
            .map_err(|e| self.trouble(&e))
    }

    /// Everything or nothing of what `work` writes, durable when this returns.
    fn together<T>(&mut self, work: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, Trouble> {
        let path = self.path.clone();
        let fail = |e: rusqlite::Error| trouble_at(&path, &e);
        let behavior = rusqlite::TransactionBehavior::Immediate;
        let transaction = self.db.transaction_with_behavior(behavior).map_err(fail)?;
        let done = work(&transaction).map_err(fail)?;
        transaction.commit().map_err(fail)?;
        Ok(done)
    }
}

/// A database error in the user's words.
fn trouble_at(path: &Path, error: &rusqlite::Error) -> Trouble {
    use rusqlite::ErrorCode;
    let place = path.display();
    match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Trouble::stopped(
            "ledger-busy",
            format!("another process holds the ledger at {place} too long"),
        )
        .mend("Wait for it to end, then run the same command again."),
        Some(ErrorCode::DiskFull) => {
            Trouble::stopped("ledger-full", format!("no space to write the ledger at {place}"))
                .mend("Make room on the disk of the move folder, then run the same command again.")
        }
        Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt) => Trouble::stopped(
            "ledger-damaged",
            format!("the ledger at {place} is damaged: {error}"),
        )
        .mend(
            "Move it aside and run `poolward begin --recover` to take back the copy kept at the destination.",
        ),
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => Trouble::stopped(
            "ledger-denied",
            format!("cannot write the ledger at {place}: {error}"),
        )
        .mend("Check who owns the move folder and whether its disk is mounted read-only."),
        _ => Trouble::stopped(
            "ledger-failed",
            format!("the ledger at {place} cannot be used: {error}"),
        )
        .mend("Check the disk of the move folder; `begin --recover` takes back the copy at the destination."),
    }
}
