//! When each dataset was last read again from end to end, and what was found.

use crate::lifecycle::fixity::Fate;
use crate::moment::Moment;
use crate::report::model::ReadHow;
use crate::report::words::day;
use crate::units::{Amount, counted, grouped};
use chrono_tz::Tz;

/// One round over a dataset.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Round {
    /// When it began.
    pub began: Moment,
    /// When everything was read; `None` while it runs.
    pub ended: Option<Moment>,
    /// Files and bytes read.
    pub read: Amount,
    /// The least sure way by which any of it was read; `None` where nothing was.
    pub how: Option<ReadHow>,
    /// What it has found, by kind.
    pub found: Vec<(Fate, u64)>,
}

/// What is known of one dataset.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadAgain {
    /// The dataset.
    pub dataset: String,
    /// The last round that has ended.
    pub through: Option<Round>,
    /// The round that is running.
    pub running: Option<Round>,
}

impl Round {
    /// Whether it found something that somebody must look at.
    pub fn needs_you(&self) -> bool {
        self.found
            .iter()
            .any(|(fate, count)| fate.needs_you() && *count > 0)
    }

    /// `2.10 TB in 1,204 files and links`.
    fn amount(&self) -> String {
        let noun = if self.read.files == 1 {
            "file or link"
        } else {
            "files and links"
        };
        format!("{} in {} {noun}", self.read.bytes, grouped(self.read.files))
    }

    /// `as recorded`, or `2 rot, 1 absent`.
    fn words(&self) -> String {
        let found = self.found.iter().filter(|(fate, _)| fate.needs_you());
        let found: Vec<String> = found
            .map(|(fate, count)| format!("{} {}", grouped(*count), fate.word()))
            .collect();
        match found.is_empty() {
            true => "as recorded".into(),
            false => found.join(", "),
        }
    }
}

impl ReadAgain {
    /// Whether anything that is known of it needs somebody.
    pub fn needs_you(&self) -> bool {
        let rounds = [&self.through, &self.running];
        rounds.into_iter().flatten().any(Round::needs_you)
    }

    /// `2019: read through on Fri 2027-11-12, 2.10 TB in 1,204 files and links (read: direct): as recorded.`
    pub fn sentence(&self, zone: Tz) -> String {
        let mut parts = Vec::new();
        match self
            .through
            .as_ref()
            .and_then(|round| Some((round, round.ended?)))
        {
            Some((round, ended)) => {
                let how = round
                    .how
                    .map_or(String::new(), |how| format!(" (read: {})", how.word()));
                parts.push(format!(
                    "read through on {}, {}{how}: {}",
                    day(ended, zone),
                    round.amount(),
                    round.words()
                ));
            }
            None => parts.push("not read through again yet".into()),
        }
        if let Some(round) = &self.running {
            parts.push(format!(
                "in the round since {} so far {}: {}",
                day(round.began, zone),
                round.amount(),
                round.words()
            ));
        }
        format!("{}: {}.", self.dataset, parts.join("; "))
    }
}

/// Datasets told one by one: those that need somebody always, others only while they are few.
const FEW: usize = 5;

/// What is to be said of all datasets, line by line.
pub fn sentences(rows: &[ReadAgain], zone: Tz) -> Vec<String> {
    let (needs, well): (Vec<&ReadAgain>, Vec<_>) = rows.iter().partition(|row| row.needs_you());
    let mut lines: Vec<String> = needs.iter().map(|row| row.sentence(zone)).collect();
    if well.len() <= FEW {
        lines.extend(well.iter().map(|row| row.sentence(zone)));
        return lines;
    }
    let ends: Vec<Moment> = well
        .iter()
        .filter_map(|row| row.through.as_ref()?.ended)
        .collect();
    let count = counted(well.len() as u64, "dataset");
    let never = match well.len() - ends.len() {
        0 => String::new(),
        never => format!(", {} not read through yet", grouped(never as u64)),
    };
    let since = ends.iter().min().map_or(String::new(), |first| {
        format!(", the longest ago read through on {}", day(*first, zone))
    });
    lines.push(format!("{count}: as recorded{since}{never}."));
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Bytes;

    #[test]
    fn a_dataset_is_told_in_one_sentence() {
        let at = Moment::from_seconds(1_800_000_000);
        let round = |ended, found| Round {
            began: at,
            ended,
            read: Amount {
                files: 1_204,
                bytes: Bytes(2_100_000_000_000),
            },
            how: Some(ReadHow::Direct),
            found,
        };
        let mut row = ReadAgain {
            dataset: "2019".into(),
            through: Some(round(Some(at), vec![(Fate::Uninvited, 3)])),
            running: None,
        };
        assert_eq!(
            row.sentence(chrono_tz::UTC),
            "2019: read through on Fri 2027-01-15, 2.10 TB in 1,204 files and links (read: direct): as recorded."
        );
        row.running = row
            .through
            .replace(round(None, vec![(Fate::Rot, 2), (Fate::Absent, 1)]));
        std::mem::swap(&mut row.through, &mut row.running);
        assert!(!row.through.as_ref().unwrap().needs_you());
        row.through = None;
        let text = row.sentence(chrono_tz::UTC);
        assert!(
            text.starts_with("2019: not read through again yet; in the round since Fri"),
            "{text}"
        );
        assert!(text.ends_with(": 2 rot, 1 absent."), "{text}");
        assert!(row.needs_you());
        // Many that are well are one line, and the one that is not has its own.
        let well = |n: i64| ReadAgain {
            dataset: format!("{n}"),
            through: (n > 0)
                .then(|| round(Some(Moment::from_seconds(1_800_000_000 + n * 86_400)), Vec::new())),
            running: None,
        };
        let mut rows: Vec<ReadAgain> = (0..7).map(well).collect();
        rows.push(row);
        let lines = sentences(&rows, chrono_tz::UTC);
        assert!(lines[0].contains("2 rot, 1 absent"), "{lines:?}");
        let all = "7 datasets: as recorded, the longest ago read through on Sat 2027-01-16, 1 not read through yet.";
        assert_eq!(lines[1..], [all]);
        assert_eq!(sentences(&rows[..5], chrono_tz::UTC).len(), 5);
    }
}
