//! What probes have measured on the real paths.

use super::Ledger;
use super::codec::{self, int, uint};
use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::units::Rate;
use rusqlite::Row;
use rusqlite::types::Type;

/// So many probes of one end are kept, to look back at.
const KEPT: i64 = 20;

/// What one probe found at one end, or of this machine.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Probe {
    /// When.
    pub at: Moment,
    /// `source`, `destination` or `machine`.
    pub role: String,
    /// The end's name; empty for the machine.
    pub name: String,
    /// Bytes a second of large files read past the cache.
    pub read_rate: Option<Rate>,
    /// Bytes a second of a large file written and synced.
    pub write_rate: Option<Rate>,
    /// Seconds for each small file read.
    pub read_cost: Option<f64>,
    /// Seconds for each small file written durably.
    pub write_cost: Option<f64>,
    /// Bytes a second hashed.
    pub hash_rate: Option<Rate>,
    /// Fixed word: how what was read has reached us; empty where nothing was read.
    pub read_how: String,
    /// Fixed word: how far a sync can be believed; empty for the machine.
    pub durability: String,
    /// What the path keeps, fixed words.
    pub keeps: Vec<String>,
    /// What it does not keep.
    pub lacks: Vec<String>,
}

fn words(text: &str) -> Vec<String> {
    text.split_whitespace().map(str::to_string).collect()
}

fn read(row: &Row<'_>) -> rusqlite::Result<Probe> {
    let maybe = |column| match row.get_ref(column)?.data_type() {
        rusqlite::types::Type::Null => Ok::<_, rusqlite::Error>(None),
        Type::Integer | Type::Real | Type::Text | Type::Blob => uint(row, column).map(Some),
    };
    let rate = |column| Ok::<_, rusqlite::Error>(maybe(column)?.map(Rate));
    let cost = |column| Ok::<_, rusqlite::Error>(maybe(column)?.map(|nanos| nanos as f64 / 1e9));
    let text = |column| row.get::<_, String>(column);
    Ok(Probe {
        at: codec::moment(row, 0)?,
        role: text(1)?,
        name: text(2)?,
        read_rate: rate(3)?,
        write_rate: rate(4)?,
        read_cost: cost(5)?,
        write_cost: cost(6)?,
        hash_rate: rate(7)?,
        read_how: text(8)?,
        durability: text(9)?,
        keeps: words(&text(10)?),
        lacks: words(&text(11)?),
    })
}

impl Ledger {
    /// Keeps what a probe found.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn put_probe(&mut self, probe: &Probe) -> Result<(), Trouble> {
        let sql = "INSERT INTO probes (at, role, name, read_rate, write_rate, read_cost, write_cost, hash_rate, \
                   read_how, durability, keeps, lacks) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)";
        let rate = |rate: Option<Rate>| rate.map(|rate| int(rate.0));
        let cost = |cost: Option<f64>| cost.map(|seconds| (seconds * 1e9) as i64);
        self.together(|db| {
            db.execute(
                sql,
                rusqlite::params![
                    codec::stamp(probe.at),
                    probe.role,
                    probe.name,
                    rate(probe.read_rate),
                    rate(probe.write_rate),
                    cost(probe.read_cost),
                    cost(probe.write_cost),
                    rate(probe.hash_rate),
                    probe.read_how,
                    probe.durability,
                    probe.keeps.join(" "),
                    probe.lacks.join(" "),
                ],
            )?;
            let old = "DELETE FROM probes WHERE role = ?1 AND name = ?2 AND id NOT IN \
                       (SELECT id FROM probes WHERE role = ?1 AND name = ?2 ORDER BY id DESC LIMIT ?3)";
            db.execute(old, (&probe.role, &probe.name, KEPT)).map(|_| ())
        })
    }

    /// The newest probe of each end and of the machine.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn probes(&self) -> Result<Vec<Probe>, Trouble> {
        let sql = "SELECT at, role, name, read_rate, write_rate, read_cost, write_cost, hash_rate, read_how, \
                   durability, keeps, lacks FROM probes WHERE id IN (SELECT max(id) FROM probes GROUP BY role, name) \
                   ORDER BY id";
        self.rows(sql, [], read)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_probe_of_each_end_is_answered_and_old_ones_go() {
        let folder = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::create(&folder.path().join("l"), "c0ffee", Moment::default()).unwrap();
        let probe = |role: &str, name: &str, n: u64| Probe {
            at: Moment::from_seconds(n as i64),
            role: role.into(),
            name: name.into(),
            read_rate: Some(Rate(n)),
            write_cost: Some(0.25),
            keeps: vec!["times".into(), "mode".into()],
            ..Probe::default()
        };
        for n in 0..50 {
            ledger.put_probe(&probe("source", "oldbox", n)).unwrap();
        }
        ledger.put_probe(&probe("destination", "pool", 7)).unwrap();
        let found = ledger.probes().unwrap();
        assert_eq!(
            found,
            vec![probe("source", "oldbox", 49), probe("destination", "pool", 7)]
        );
        let rows: i64 = ledger
            .db
            .query_row("SELECT count(*) FROM probes", [], |r| r.get(0))
            .unwrap();
        assert_eq!(rows, KEPT + 1);
    }
}
