//! What exists only on the old box: by year, by the user's groups, and how it shrinks batch by batch.

use crate::moment::{Moment, Year};
use crate::pool::disks::ReadErrors;
use crate::units::{Bytes, counted};
use std::collections::BTreeMap;

/// The caution beside every count of expected read errors (hazard C4: 3.2 expected in 40 TB at one
/// in 10^14 bits, while owners of such boxes report far more without one).
pub const CAUTION: &str = "Rates on specification sheets are pessimistic upper bounds, not measurements: most \
    disks do far better, a failing one does worse. Have a second copy of what cannot be made again.";

/// One project of a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// Its year by the user's tags, else by the evidence.
    pub year: Option<Year>,
    /// The group the user's tags put it in.
    pub group: Option<String>,
    /// All of its bytes.
    pub bytes: Bytes,
}

/// One batch that is not verified to the end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Open {
    /// Its name.
    pub batch: String,
    /// What is not verified yet.
    pub left: Bytes,
    /// When it will be, most likely; `None`: no end can be seen.
    pub end: Option<Moment>,
    /// Its projects.
    pub parts: Vec<Part>,
}

/// Bytes and projects under one heading.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Sum {
    /// Not yet verified at the destination.
    pub bytes: Bytes,
    /// How many projects have some.
    pub projects: u64,
}

/// How much is left once a batch is verified.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// The batch.
    pub batch: String,
    /// When, most likely; `None`: no end can be seen.
    pub at: Option<Moment>,
    /// What still exists only on the old box then.
    pub left: Bytes,
}

/// All of it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Exposed {
    /// By year; no believable date last.
    pub years: Vec<(Option<Year>, Sum)>,
    /// By the groups of the user's tags; projects without one are left out.
    pub groups: Vec<(String, Sum)>,
    /// What batches have left to verify.
    pub planned: Bytes,
    /// What no batch takes: it stays on the old box alone.
    pub outside: Bytes,
    /// Falling, in the order of time.
    pub curve: Vec<Step>,
}

impl Exposed {
    /// Sums up. Within a batch that is half done nobody knows which project's files are verified:
    /// what is left is shared out by the projects' bytes.
    pub fn of(open: &[Open], outside: Bytes) -> Exposed {
        let mut out = Exposed {
            outside,
            ..Exposed::default()
        };
        let (mut years, mut groups) = (BTreeMap::new(), BTreeMap::new());
        let mut ends = Vec::new();
        for batch in open.iter().filter(|batch| batch.left > Bytes::ZERO) {
            out.planned = out.planned.plus(batch.left);
            ends.push((batch.end.is_none(), batch.end, batch));
            for (part, bytes) in batch.parts.iter().zip(shares(batch)) {
                add(years.entry((part.year.is_none(), part.year)).or_default(), bytes);
                if let Some(group) = &part.group {
                    add(groups.entry(group.clone()).or_default(), bytes);
                }
            }
        }
        // Batches of one end stay in the plan's order.
        ends.sort_by_key(|(never, end, _)| (*never, *end));
        let mut left = out.planned;
        for (_, end, batch) in ends {
            left = left.minus(batch.left);
            out.curve.push(Step {
                batch: batch.batch.clone(),
                at: end,
                left: left.plus(outside),
            });
        }
        out.years = years.into_iter().map(|((_, year), sum)| (year, sum)).collect();
        out.groups = groups.into_iter().collect();
        out
    }

    /// All that exists only on the old box.
    pub fn total(&self) -> Bytes {
        self.planned.plus(self.outside)
    }

    /// Read errors to expect while all of it is read once, at one error in 10^`exponent` bits.
    pub fn read_errors(&self, exponent: u8) -> ReadErrors {
        ReadErrors::of(self.total(), exponent)
    }

    /// What `status --exposed` and the page say above their tables.
    pub fn sentences(&self) -> Vec<String> {
        if self.total() == Bytes::ZERO {
            return vec!["Nothing exists only on the old box: all that is planned is verified.".into()];
        }
        let mut out = vec![format!("{} exist only on the old box.", self.total())];
        if self.outside > Bytes::ZERO {
            out.push(format!("{} of it are in no batch and stay there.", self.outside));
        }
        let [worse, better] = [14, 15].map(|exponent| self.read_errors(exponent));
        out.push(format!(
            "Reading it once, {:.2} unreadable sectors are to be expected at one in 10^14 bits (a chance of {:.0} % \
             of any), {:.2} at one in 10^15 ({:.0} %). {CAUTION}",
            worse.expected,
            worse.chance * 100.0,
            better.expected,
            better.chance * 100.0
        ));
        out
    }
}

impl Sum {
    /// `3 projects`.
    pub fn words(&self) -> String {
        counted(self.projects, "project")
    }
}

fn add(sum: &mut Sum, bytes: Bytes) {
    sum.bytes = sum.bytes.plus(bytes);
    sum.projects += 1;
}

/// What is left of a batch, by the bytes of its projects; the last gets what rounding leaves.
fn shares(batch: &Open) -> Vec<Bytes> {
    let whole: u128 = batch.parts.iter().map(|part| u128::from(part.bytes.0)).sum();
    let (mut gone, mut shared) = (0u128, 0u64);
    let share = |part: &Part| {
        gone += u128::from(part.bytes.0);
        // Up to here, less what was given out already: nothing is lost to rounding.
        let exact = (u128::from(batch.left.0) * gone).checked_div(whole);
        let upto = exact.map_or(0, |bytes| u64::try_from(bytes).unwrap_or(u64::MAX));
        let mine = upto.saturating_sub(shared);
        shared = upto;
        Bytes(mine)
    };
    batch.parts.iter().map(share).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn part(year: u16, group: Option<&str>, bytes: u64) -> Part {
        Part {
            year: (year > 0).then_some(Year(year)),
            group: group.map(str::to_string),
            bytes: Bytes(bytes),
        }
    }

    proptest! {
        /// The oracle adds up in another way: every byte that is left stands in exactly one year,
        /// and the curve never rises and ends at what no batch takes.
        #[test]
        fn every_byte_is_counted_once_and_the_curve_falls(
            batches in prop::collection::vec(
                (0u64..1_000_000, prop::option::of(0i64..1_000), prop::collection::vec((0u16..5, 1u64..1_000), 1..5)),
                0..8,
            ),
            outside in 0u64..1_000,
        ) {
            let open: Vec<Open> = batches.iter().enumerate().map(|(n, (left, end, parts))| Open {
                batch: format!("b.{n}"),
                left: Bytes(*left),
                end: end.map(Moment::from_seconds),
                parts: parts.iter().map(|(year, bytes)| part(*year, None, *bytes)).collect(),
            }).collect();
            let got = Exposed::of(&open, Bytes(outside));
            let left: u64 = batches.iter().map(|b| b.0).sum();
            prop_assert_eq!(got.total(), Bytes(left + outside));
            prop_assert_eq!(got.years.iter().map(|(_, sum)| sum.bytes.0).sum::<u64>(), left);
            prop_assert!(got.curve.windows(2).all(|w| w[0].left >= w[1].left));
            prop_assert!(got.curve.windows(2).all(|w| w[0].at.is_some() || w[1].at.is_none()));
            prop_assert!(got.curve.last().is_none_or(|last| last.left == Bytes(outside)));
        }
    }

    #[test]
    fn groups_and_half_done_batches_are_shared_out() {
        let open = [Open {
            batch: "2019.1".into(),
            left: Bytes(50),
            end: None,
            parts: vec![part(2019, Some("film"), 75), part(0, None, 25)],
        }];
        let got = Exposed::of(&open, Bytes::ZERO);
        let sum = |bytes| Sum {
            bytes: Bytes(bytes),
            projects: 1,
        };
        assert_eq!(got.years, vec![(Some(Year(2019)), sum(37)), (None, sum(13))]);
        assert_eq!(got.groups, vec![("film".to_string(), sum(37))]);
    }

    /// Check-values, unrecoverable read errors: 80 TB at 1 in 10^14 bits: 6.4 expected,
    /// P = 0.9983384; at 10^15 0.64 and 0.4727076 (P = 1 - (1 - p)^bits, recomputed there).
    #[test]
    fn read_errors_are_those_of_the_sheet() {
        let got = Exposed {
            planned: Bytes(80_000_000_000_000),
            ..Exposed::default()
        };
        let (worse, better) = (got.read_errors(14), got.read_errors(15));
        assert!((worse.expected - 6.4).abs() < 1e-9 && (worse.chance - 0.998_338_4).abs() < 1e-6);
        assert!((better.expected - 0.64).abs() < 1e-9 && (better.chance - 0.472_707_6).abs() < 1e-6);
        assert!(got.sentences().iter().any(|line| line.contains("pessimistic")));
    }
}
