//! What was forecast of each batch when it began, and the work it has taken since.

use super::Ledger;
use super::codec::{self, int, uint};
use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::units::Span;

/// One batch: the forecast at its beginning against what it took.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Foretold {
    /// The batch.
    pub batch: String,
    /// When it was forecast.
    pub at: Moment,
    /// Work to copy and verify it: lower end of the 90 % range, likely, upper end.
    pub work: [Span; 3],
    /// When it was to be verified, the same three; `None`: never.
    pub end: [Option<Moment>; 3],
    /// How the binding stage's figure was known then, in a word.
    pub basis: String,
    /// Copying and verifying so far, waits for windows left out.
    pub taken: Span,
}

impl Ledger {
    /// Keeps what was forecast of a batch that has not begun, in the place of what was kept before.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn foretell(&mut self, told: &Foretold) -> Result<(), Trouble> {
        let sql = "INSERT OR REPLACE INTO foretold VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)";
        let [low, likely, high] = told.work.map(|span| int(span.0));
        let [end_low, end_likely, end_high] = told.end.map(|end| end.map(codec::stamp));
        self.together(|db| {
            let at = codec::stamp(told.at);
            db.execute(
                sql,
                rusqlite::params![
                    told.batch,
                    at,
                    low,
                    likely,
                    high,
                    end_low,
                    end_likely,
                    end_high,
                    told.basis,
                    int(told.taken.0)
                ],
            )
            .map(|_| ())
        })
    }

    /// Adds work that was done on a batch; one of which nothing was forecast has no row to add to.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn add_work(&mut self, batch: &str, span: Span) -> Result<(), Trouble> {
        let sql = "UPDATE foretold SET taken = taken + ?2 WHERE batch = ?1";
        self.together(|db| db.execute(sql, (batch, int(span.0))).map(|_| ()))
    }

    /// Every batch of which something was forecast, by name.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn foretold(&self) -> Result<Vec<Foretold>, Trouble> {
        let sql = "SELECT batch, at, low, likely, high, end_low, end_likely, end_high, basis, taken FROM foretold \
                   ORDER BY batch";
        self.rows(sql, [], |row| {
            let span = |column| Ok::<_, rusqlite::Error>(Span(uint(row, column)?));
            Ok(Foretold {
                batch: row.get(0)?,
                at: codec::moment(row, 1)?,
                work: [span(2)?, span(3)?, span(4)?],
                end: [
                    codec::maybe_moment(row, 5)?,
                    codec::maybe_moment(row, 6)?,
                    codec::maybe_moment(row, 7)?,
                ],
                basis: row.get(8)?,
                taken: span(9)?,
            })
        })
    }
}
