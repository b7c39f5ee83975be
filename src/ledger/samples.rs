//! Samples in bounded number: those of one run become one where there are too many.

use super::Ledger;
use super::codec::int;
use crate::trouble::Trouble;

impl Ledger {
    /// Fills in how many streams ran, once a run knows: stretches in the middle of it carry 0.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn settle_streams(&mut self, batch: &str, task: &str, streams: u32) -> Result<(), Trouble> {
        let sql = "UPDATE samples SET streams = ?3 WHERE batch = ?1 AND task = ?2 AND streams = 0";
        self.together(|db| db.execute(sql, (batch, task, streams)).map(|_| ()))
    }

    /// Brings the number of samples down where there are more than `most`: of the older half, each
    /// two neighbours of one batch, task and number of streams that ended within an hour of each
    /// other become one. No work and no time is lost by that.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be written.
    pub fn thin_samples(&mut self, most: usize) -> Result<(), Trouble> {
        let count: i64 = self
            .rows("SELECT count(*) FROM samples", [], |row| row.get(0))?
            .pop()
            .unwrap_or(0);
        if count <= int(most as u64) {
            return Ok(());
        }
        let sql = "SELECT id, batch || ' ' || task || ' ' || streams, at FROM samples ORDER BY id LIMIT ?1";
        let rows: Vec<(i64, String, crate::moment::Moment)> = self.rows(sql, [count / 2], |row| {
            Ok((row.get(0)?, row.get(1)?, super::codec::moment(row, 2)?))
        })?;
        let mut pairs = Vec::new();
        let mut rest = rows.as_slice();
        while let [one, two, ..] = rest {
            let near = one.1 == two.1 && two.2.seconds_since(one.2).abs() < 3_600.0;
            if near {
                pairs.push((one.0, two.0));
            }
            rest = rest.get(if near { 2 } else { 1 }..).unwrap_or(&[]);
        }
        self.together(|db| {
            for (one, two) in pairs {
                let sum = "UPDATE samples SET files = samples.files + o.files, bytes = samples.bytes + o.bytes, \
                           small_files = samples.small_files + o.small_files, small_bytes = samples.small_bytes + o.small_bytes, \
                           micros = samples.micros + o.micros FROM (SELECT files, bytes, small_files, small_bytes, micros \
                           FROM samples WHERE id = ?1) AS o WHERE id = ?2";
                db.execute(sum, (one, two))?;
                db.execute("DELETE FROM samples WHERE id = ?1", [one])?;
            }
            Ok(())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::Sample;
    use crate::moment::Moment;
    use crate::units::{Amount, Bytes, Span};

    #[test]
    fn a_thousand_stretches_become_fewer_and_no_work_is_lost() {
        let folder = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::create(&folder.path().join("l"), "c0ffee", Moment::default()).unwrap();
        for n in 0..200u64 {
            let amount = Amount {
                files: n,
                bytes: Bytes(n * 1_000),
            };
            ledger
                .put_sample(&Sample {
                    batch: format!("2019.{}", n / 50),
                    source: "oldbox".into(),
                    task: "copy".into(),
                    // A pause of a day in the middle of each batch.
                    at: Moment::from_seconds((n * 60 + (n / 25) * 86_400) as i64),
                    small: amount,
                    large: amount,
                    span: Span(60_000_000),
                    streams: 0,
                })
                .unwrap();
        }
        ledger.settle_streams("2019.0", "copy", 3).unwrap();
        let sums = |ledger: &Ledger| {
            let rows = ledger.samples().unwrap();
            let all: u64 = rows
                .iter()
                .map(|s| s.small.plus(s.large).bytes.0 + s.small.files)
                .sum();
            (all, rows.iter().map(|s| s.span.0).sum::<u64>())
        };
        let before = sums(&ledger);
        ledger.thin_samples(200).unwrap();
        assert_eq!(ledger.samples().unwrap().len(), 200);
        ledger.thin_samples(199).unwrap();
        let rows = ledger.samples().unwrap();
        // The older half: four runs of 25 stretches, of each 12 pairs.
        assert_eq!(rows.len(), 200 - 4 * 12);
        assert_eq!(sums(&ledger), before);
        assert!(rows.windows(2).all(|w| w[0].at.seconds < w[1].at.seconds));
        assert!(
            rows.iter()
                .filter(|s| s.batch == "2019.0")
                .all(|s| s.streams == 3)
        );
        for _ in 0..20 {
            ledger.thin_samples(64).unwrap();
        }
        assert!(ledger.samples().unwrap().len() <= 64);
        assert_eq!(sums(&ledger), before);
    }
}
