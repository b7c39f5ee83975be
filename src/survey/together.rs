//! Several sources as one: totals of years, kinds and sizes, one row each over all of them.

use crate::sizes::SizeHistogram;
use crate::survey::kinds;
use crate::survey::{Kind, Survey, YearTotal};
use crate::units::Amount;
use std::collections::BTreeMap;

/// The sums of some surveys.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Together {
    /// Oldest first, undated last.
    pub years: Vec<YearTotal>,
    /// Largest first, empty ones left out.
    pub kinds: Vec<(Kind, Amount)>,
    /// The spread of file sizes.
    pub sizes: SizeHistogram,
}

/// Sums the totals of all sources.
pub fn together<'a>(surveys: impl IntoIterator<Item = &'a Survey>) -> Together {
    let mut years: BTreeMap<_, YearTotal> = BTreeMap::new();
    let mut amounts = [Amount::default(); kinds::ALL.len()];
    let mut sizes = SizeHistogram::default();
    for survey in surveys {
        for row in survey.years() {
            let sum = years.entry((row.year.is_none(), row.year)).or_insert(YearTotal {
                year: row.year,
                projects: 0,
                amount: Amount::default(),
            });
            sum.projects += row.projects;
            sum.amount.add(row.amount);
        }
        for (kind, amount) in &survey.kinds {
            if let Some(sum) = amounts.get_mut(*kind as usize) {
                sum.add(*amount);
            }
        }
        sizes.merge(&survey.sizes);
    }
    let mut kinds: Vec<(Kind, Amount)> = kinds::ALL
        .into_iter()
        .zip(amounts)
        .filter(|(_, amount)| amount.files > 0)
        .collect();
    kinds.sort_by_key(|(_, amount)| std::cmp::Reverse((amount.bytes, amount.files)));
    Together {
        years: years.into_values().collect(),
        kinds,
        sizes,
    }
}
