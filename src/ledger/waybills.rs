//! What other machines were asked to do, and the one transaction that enters what they answer.

use super::codec;
use super::{
    Content, ContentKey, Difference, Disagreement, GroupResult, Ledger, Promise, ReadBack, Witnessed,
    trouble_at,
};
use super::{batches, beside, content, disagreements, files, intents, listed, promises, proofs};
use crate::digest::Digest;
use crate::lifecycle::waybills::{Known, Standing, Task};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use rusqlite::{Connection, OptionalExtension, Row};
use std::path::PathBuf;

/// A waybill that was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WaybillRow {
    /// Its number; 0 before it is recorded.
    pub id: i64,
    /// The batch's name.
    pub batch: String,
    /// What it asks for.
    pub task: Task,
    /// BLAKE3 of all its bytes.
    pub hash: Digest,
    /// BLAKE3 over the files it lists.
    pub listed: Digest,
    /// The index they come from.
    pub index: Digest,
    /// When it was written.
    pub written_at: Moment,
    /// Where it stands.
    pub standing: Standing,
    /// When it was answered or taken back.
    pub settled_at: Option<Moment>,
    /// BLAKE3 of the receipt that was entered.
    pub receipt: Option<Digest>,
    /// The machine that answered, as it told its name.
    pub machine: Option<String>,
}

/// What answered a waybill.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answered {
    /// The number of the waybill.
    pub waybill: i64,
    /// BLAKE3 of all bytes of the receipt.
    pub receipt: Digest,
    /// The machine's name, as it told it.
    pub machine: String,
    /// When it is entered.
    pub at: Moment,
}

impl WaybillRow {
    /// As `lifecycle` knows it.
    pub fn known(&self) -> Known {
        Known {
            task: self.task,
            hash: self.hash,
            standing: self.standing,
            receipt: self.receipt,
        }
    }
}

/// The inside of the transaction that enters a receipt.
pub struct Entering<'a> {
    db: &'a Connection,
    path: PathBuf,
    /// The batch's number, its dataset and its source.
    batch: (i64, &'a str, &'a str),
}

const COLUMNS: &str =
    "id, batch, task, hash, listed, digest, written_at, state, settled_at, receipt, machine";

fn row_of(row: &Row<'_>) -> rusqlite::Result<WaybillRow> {
    let task = Task::parse(&row.get::<_, String>(2)?).ok_or_else(|| codec::bad(2, "a task"))?;
    let standing = Standing::parse(&row.get::<_, String>(7)?).ok_or_else(|| codec::bad(7, "a standing"))?;
    Ok(WaybillRow {
        id: row.get(0)?,
        batch: row.get(1)?,
        task,
        hash: codec::digest(row, 3)?,
        listed: codec::digest(row, 4)?,
        index: codec::digest(row, 5)?,
        written_at: codec::moment(row, 6)?,
        standing,
        settled_at: codec::maybe_moment(row, 8)?,
        receipt: row.get::<_, Option<[u8; 32]>>(9)?.map(Digest),
        machine: row.get(10)?,
    })
}

const WITHDRAW: &str =
    "UPDATE waybills SET state = 'withdrawn', settled_at = ?1 WHERE state = 'out' AND batch = ?2";

impl Ledger {
    /// Every waybill of a batch ever written, or of all, oldest first.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn waybills(&self, batch: Option<&str>) -> Result<Vec<WaybillRow>, Trouble> {
        let sql = format!("SELECT {COLUMNS} FROM waybills WHERE ?1 IS NULL OR batch = ?1 ORDER BY id");
        self.rows(&sql, [batch], row_of)
    }

    /// Records a waybill that is out, in place of an earlier one of the same task; one with the same
    /// bytes that is out already stays as it is. Answers its row.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_waybill(&mut self, row: &WaybillRow) -> Result<WaybillRow, Trouble> {
        self.together(|db| {
            let (batch, task) = (&row.batch, row.task.word());
            let find =
                format!("SELECT {COLUMNS} FROM waybills WHERE batch = ?1 AND task = ?2 AND state = 'out'");
            let out = || db.query_row(&find, (batch, task), row_of).optional();
            if let Some(kept) = out()?.filter(|kept| kept.hash == row.hash) {
                return Ok(kept);
            }
            let written = codec::stamp(row.written_at);
            db.execute(&format!("{WITHDRAW} AND task = ?3"), (&written, batch, task))?;
            let sql = "INSERT INTO waybills (batch, task, hash, listed, digest, written_at, state) \
                       VALUES (?1, ?2, ?3, ?4, ?5, ?6, 'out')";
            db.execute(
                sql,
                (batch, task, row.hash.0, row.listed.0, row.index.0, &written),
            )?;
            out()?.ok_or(rusqlite::Error::QueryReturnedNoRows)
        })
    }

    /// Takes back what is out of a batch; answers how many there were.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn withdraw_waybills(&mut self, batch: &str, at: Moment) -> Result<usize, Trouble> {
        self.together(|db| db.execute(WITHDRAW, (codec::stamp(at), batch)))
    }

    /// The secret that keys of waybills are derived from; `fresh` becomes it where there is none.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn waybill_secret(&mut self, fresh: [u8; 32]) -> Result<[u8; 32], Trouble> {
        let kept: String = self.together(|db| {
            let sql = "INSERT OR IGNORE INTO meta VALUES ('waybill-secret', ?1)";
            db.execute(sql, [Digest(fresh).to_string()])?;
            let sql = "SELECT value FROM meta WHERE key = 'waybill-secret'";
            db.query_row(sql, [], |row| row.get(0))
        })?;
        let secret = Digest::parse(&kept).map(|digest| digest.0);
        secret.ok_or_else(|| Trouble::defect("the secret of the waybills in the ledger is none"))
    }

    /// The same, where a waybill was ever written.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn waybill_secret_kept(&self) -> Result<Option<[u8; 32]>, Trouble> {
        let kept = self.meta("waybill-secret")?;
        Ok(kept.and_then(|text| Digest::parse(&text)).map(|digest| digest.0))
    }

    /// Enters what answered a waybill: all that `work` writes and that the waybill is answered, or
    /// nothing; durable when this returns.
    ///
    /// # Errors
    /// What `work` answers; `already-absorbed` where somebody was faster; [`Trouble`] where the
    /// ledger cannot be written.
    pub fn absorb<T>(
        &mut self,
        batch: (i64, &str, &str),
        by: &Answered,
        work: impl FnOnce(&Entering<'_>) -> Result<T, Trouble>,
    ) -> Result<T, Trouble> {
        let path = self.path.clone();
        let fail = |e: rusqlite::Error| trouble_at(&path, &e);
        let behavior = rusqlite::TransactionBehavior::Immediate;
        let transaction = self.db.transaction_with_behavior(behavior).map_err(fail)?;
        let sql = "UPDATE waybills SET state = 'absorbed', settled_at = ?1, receipt = ?2, machine = ?3 \
                   WHERE id = ?4 AND state = 'out'";
        let row = (codec::stamp(by.at), by.receipt.0, &by.machine, by.waybill);
        if transaction.execute(sql, row).map_err(fail)? != 1 {
            let text = "another process has settled this waybill meanwhile";
            return Err(Trouble::stopped("already-absorbed", text).mend("Look with `poolward status`."));
        }
        let entering = Entering {
            db: &transaction,
            path: path.clone(),
            batch,
        };
        let done = work(&entering)?;
        transaction.commit().map_err(fail)?;
        Ok(done)
    }
}

impl Entering<'_> {
    fn done(&self, written: rusqlite::Result<()>) -> Result<(), Trouble> {
        written.map_err(|e| trouble_at(&self.path, &e))
    }

    /// Files that are durable at their places, and what could not be copied.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn group(&self, group: &GroupResult) -> Result<(), Trouble> {
        let (id, dataset, source) = self.batch;
        self.done(intents::put_group(self.db, id, dataset, source, group))
    }

    /// Forgets the failures of the batch: it was tried again.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn clear_failures(&self) -> Result<(), Trouble> {
        let sql = "DELETE FROM failures WHERE batch = ?1";
        self.done(self.db.execute(sql, [self.batch.0]).map(|_| ()))
    }

    /// What the dataset's folder promises, as the machine has found it that wrote there.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn promise(&self, promise: &Promise) -> Result<(), Trouble> {
        self.done(promises::put(self.db, promise))
    }

    /// A file that was read back and found equal.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn verified(&self, found: &ReadBack, at: Moment) -> Result<(), Trouble> {
        let (id, dataset, _) = self.batch;
        self.done(beside::put_verified(
            self.db,
            id,
            dataset,
            std::slice::from_ref(found),
            at,
        ))
    }

    /// What differs: it stands against the batch, and nothing of it is proven.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn differences(&self, found: &[Difference]) -> Result<(), Trouble> {
        let (id, dataset, _) = self.batch;
        let blocking = found.iter().filter(|one| one.blocking);
        let places: Vec<RelPath> = blocking.map(|one| one.place.clone()).collect();
        self.done(files::put_unproven(self.db, id, dataset, &places))?;
        self.done(listed::put_found(self.db, id, found))
    }

    /// A file whose source was read once more and gave the same.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn read_again(&self, place: &RelPath, hash: Digest, at: Moment) -> Result<(), Trouble> {
        let (id, dataset, _) = self.batch;
        let found = [(place.clone(), hash)];
        self.done(beside::put_read_again(self.db, id, dataset, &found, at))
    }

    /// Reads of the source that disagreed.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn disagreement(&self, one: &Disagreement) -> Result<(), Trouble> {
        let (id, _, source) = self.batch;
        self.done(disagreements::put(self.db, source, id, one))
    }

    /// What was read of files at the source, under the name that hashes of it are kept by.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn content(&self, shelf: &str, rows: &[(ContentKey, Content)]) -> Result<(), Trouble> {
        self.done(content::put(self.db, shelf, rows))
    }

    /// The batch's new state; whether the step is legal is decided in `lifecycle` before.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn state(&self, state: &str, at: Moment) -> Result<(), Trouble> {
        self.done(batches::write_state(self.db, self.batch.0, state, at))
    }

    /// That the forecast of the batch says nothing of the work here: others have done some of it.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn no_forecast(&self) -> Result<(), Trouble> {
        let sql = "DELETE FROM foretold WHERE batch = (SELECT name FROM batches WHERE id = ?1)";
        self.done(self.db.execute(sql, [self.batch.0]).map(|_| ()))
    }

    /// What the disks delivered while the batch was read back.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn witnessed(&self, seen: &Witnessed) -> Result<(), Trouble> {
        self.done(proofs::put_seen(self.db, self.batch.0, seen))
    }

    /// That no proof file stands for the batch any more.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn no_proof(&self) -> Result<(), Trouble> {
        let sql = "DELETE FROM proofs WHERE batch = ?1";
        self.done(self.db.execute(sql, [self.batch.0]).map(|_| ()))
    }
}
