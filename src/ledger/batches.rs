//! Batches that have begun, the stored plan, leases and holds.

use super::codec::{self, int};
use super::{Ledger, late, trouble_at};
use crate::digest::Digest;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::trouble::Trouble;
use rusqlite::{Connection, OptionalExtension, Row};

/// A batch from its beginning on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchRow {
    /// Its number in the ledger.
    pub id: i64,
    /// Its name, never used again.
    pub name: String,
    /// The dataset it fills.
    pub dataset: String,
    /// The source it comes from.
    pub source: String,
    /// The destination it goes to.
    pub destination: String,
    /// The index it was begun from.
    pub index: Digest,
    /// Its state's fixed word.
    pub state: String,
    /// When it was begun.
    pub begun_at: Moment,
    /// When its last file was copied.
    pub copied_at: Option<Moment>,
    /// When it was verified.
    pub verified_at: Option<Moment>,
    /// When its release was signed off.
    pub released_at: Option<Moment>,
    /// The batch and its dataset as planned, in the plan's stored form.
    pub body: String,
}

/// A stored plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlanRow {
    /// When it was made.
    pub made_at: Moment,
    /// Its stored form.
    pub body: String,
}

/// Who works on a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lease {
    /// Process number.
    pub process: u32,
    /// When that process started, as its machine tells it: numbers of processes come round again.
    pub started: String,
    /// The machine's name.
    pub host: String,
    /// The machine's boot number: no process outlives it.
    pub boot: String,
    /// Since when.
    pub since: Moment,
}

const COLUMNS: &str = "id, name, dataset, source, destination, digest, state, begun_at, copied_at, verified_at, \
                       released_at, body";

fn batch_of(row: &Row<'_>) -> rusqlite::Result<BatchRow> {
    Ok(BatchRow {
        id: row.get(0)?,
        name: row.get(1)?,
        dataset: row.get(2)?,
        source: row.get(3)?,
        destination: row.get(4)?,
        index: codec::digest(row, 5)?,
        state: row.get(6)?,
        begun_at: codec::moment(row, 7)?,
        copied_at: codec::maybe_moment(row, 8)?,
        verified_at: codec::maybe_moment(row, 9)?,
        released_at: codec::maybe_moment(row, 10)?,
        body: row.get(11)?,
    })
}

/// Notes a batch's new state.
pub(super) fn write_state(db: &Connection, batch: i64, state: &str, at: Moment) -> rusqlite::Result<()> {
    let stamp = codec::stamp(at);
    let column = match state {
        "copied" => "copied_at = ?3, verified_at = NULL",
        "verified" => "verified_at = ?3, released_at = NULL",
        "released" => "released_at = ?3",
        _ => "begun_at = begun_at, verified_at = NULL",
    };
    let sql = format!("UPDATE batches SET state = ?2, {column} WHERE id = ?1");
    let done = match column.contains("?3") {
        true => db.execute(&sql, (batch, state, stamp)),
        false => db.execute(&sql, (batch, state)),
    };
    done.map(|_| ())
}

impl Ledger {
    /// Begins a batch and gives it its number; one that has begun keeps what it was begun with.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn begin_batch(&mut self, row: &BatchRow) -> Result<BatchRow, Trouble> {
        self.begin_late(row, &[])
    }

    /// As [`Ledger::begin_batch`], with the places below the dataset's folder that are all it
    /// brings: it holds later files of projects that earlier batches moved.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written; nothing has begun then.
    pub fn begin_late(&mut self, row: &BatchRow, places: &[RelPath]) -> Result<BatchRow, Trouble> {
        self.together(|db| {
            let sql = "INSERT OR IGNORE INTO batches (name, dataset, source, destination, digest, state, begun_at, \
                       body) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
            let begun = codec::stamp(row.begun_at);
            let facts = (&row.name, &row.dataset, &row.source, &row.destination, row.index.0, &row.state);
            let begins = db.execute(
                sql,
                rusqlite::params![facts.0, facts.1, facts.2, facts.3, facts.4, facts.5, begun, row.body],
            )?;
            let find = format!("SELECT {COLUMNS} FROM batches WHERE name = ?1");
            let kept = db.query_row(&find, [&row.name], batch_of)?;
            if begins > 0 {
                late::put(db, kept.id, &row.dataset, places)?;
            }
            Ok(kept)
        })
    }

    /// Every batch that has begun, in the order of beginning.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn batches(&self) -> Result<Vec<BatchRow>, Trouble> {
        self.rows(
            &format!("SELECT {COLUMNS} FROM batches ORDER BY id"),
            [],
            batch_of,
        )
    }

    /// One batch that has begun.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn batch(&self, name: &str) -> Result<Option<BatchRow>, Trouble> {
        Ok(self
            .rows(
                &format!("SELECT {COLUMNS} FROM batches WHERE name = ?1"),
                [name],
                batch_of,
            )?
            .pop())
    }

    /// Notes a batch's new state and when it was reached. Whether the step is legal is decided in
    /// `lifecycle` before.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn set_state(&mut self, batch: i64, state: &str, at: Moment) -> Result<(), Trouble> {
        write_state(&self.db, batch, state, at).map_err(|e| trouble_at(&self.path, &e))
    }

    /// Stores a plan as the newest.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn store_plan(&mut self, plan: &PlanRow) -> Result<(), Trouble> {
        self.together(|db| {
            let sql = "INSERT INTO plans (made_at, body) VALUES (?1, ?2)";
            db.execute(sql, (codec::stamp(plan.made_at), &plan.body))?;
            // Ten are enough to look back at; begun batches keep their own.
            db.execute(
                "DELETE FROM plans WHERE id <= (SELECT max(id) FROM plans) - 10",
                [],
            )?;
            Ok(())
        })
    }

    /// The newest plan.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn plan(&self) -> Result<Option<PlanRow>, Trouble> {
        let sql = "SELECT made_at, body FROM plans ORDER BY id DESC LIMIT 1";
        let row = |row: &Row<'_>| {
            Ok(PlanRow {
                made_at: codec::moment(row, 0)?,
                body: row.get(1)?,
            })
        };
        Ok(self.rows(sql, [], row)?.pop())
    }

    /// Takes the lease of a batch for `mine`, unless `is_alive` says that its holder still works.
    /// Answers the holder in that case.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn take_lease(
        &mut self,
        batch: &str,
        mine: &Lease,
        is_alive: impl Fn(&Lease) -> bool,
    ) -> Result<Result<(), Lease>, Trouble> {
        self.together(|db| {
            let sql = "SELECT process, started, host, boot, since FROM leases WHERE batch = ?1";
            let held = db.query_row(sql, [batch], lease_of).optional()?;
            match held {
                Some(holder) if holder != *mine && is_alive(&holder) => return Ok(Err(holder)),
                _ => {}
            }
            let since = codec::stamp(mine.since);
            db.execute(
                "INSERT OR REPLACE INTO leases VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                rusqlite::params![
                    batch,
                    int(u64::from(mine.process)),
                    mine.started,
                    mine.host,
                    mine.boot,
                    since
                ],
            )?;
            Ok(Ok(()))
        })
    }

    /// Who works on what now, by batch; a holder may have died since.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn leases(&self) -> Result<Vec<(String, Lease)>, Trouble> {
        let sql = "SELECT process, started, host, boot, since, batch FROM leases ORDER BY batch";
        self.rows(sql, [], |row| Ok((row.get(5)?, lease_of(row)?)))
    }

    /// Gives a lease back.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn drop_lease(&mut self, batch: &str) -> Result<(), Trouble> {
        self.together(|db| {
            db.execute("DELETE FROM leases WHERE batch = ?1", [batch])
                .map(|_| ())
        })
    }

    /// Pauses a batch (or everything, by the name `*`), until a time or until told otherwise.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn hold(&mut self, batch: &str, until: Option<Moment>) -> Result<(), Trouble> {
        let until = until.map(codec::stamp);
        self.together(|db| {
            db.execute("INSERT OR REPLACE INTO holds VALUES (?1, ?2)", (batch, until))
                .map(|_| ())
        })
    }

    /// Lets a batch (or everything, by the name `*`) go on.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn unhold(&mut self, batch: &str) -> Result<(), Trouble> {
        self.together(|db| {
            db.execute("DELETE FROM holds WHERE batch = ?1", [batch])
                .map(|_| ())
        })
    }

    /// What is paused now: batch names, `*` for everything.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn holds(&self, now: Moment) -> Result<Vec<String>, Trouble> {
        let holds = self.holds_until(now)?;
        Ok(holds.into_iter().map(|(name, _)| name).collect())
    }

    /// The same with the time at which each ends by itself, where one was set.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn holds_until(&self, now: Moment) -> Result<Vec<(String, Option<Moment>)>, Trouble> {
        let row = |row: &Row<'_>| Ok((row.get::<_, String>(0)?, codec::maybe_moment(row, 1)?));
        let rows = self.rows("SELECT batch, until FROM holds ORDER BY batch", [], row)?;
        let holds = |until: &Option<Moment>| until.is_none_or(|until| now < until);
        Ok(rows.into_iter().filter(|(_, until)| holds(until)).collect())
    }
}

fn lease_of(row: &Row<'_>) -> rusqlite::Result<Lease> {
    Ok(Lease {
        process: row.get(0)?,
        started: row.get(1)?,
        host: row.get(2)?,
        boot: row.get(3)?,
        since: codec::moment(row, 4)?,
    })
}
