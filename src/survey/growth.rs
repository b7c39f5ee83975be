//! How many bytes a year the archive grows by: the Theil-Sen slope of its cumulative size at year
//! ends, by project date.
//!
//! Sources: P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63
//! (1968), sections 3 and 6. The first and the current year are left out, being incomplete.

use crate::moment::Year;
use crate::survey::Growth;
use crate::units::Bytes;
use std::collections::BTreeMap;

/// The 95 % point of the normal distribution, for a 90 % range (NIST/SEMATECH table 1.3.6.7.1).
const NINETY: f64 = 1.644_853_626_951_472_2;
/// Year ends needed for a slope with a range.
const LEAST: usize = 3;
/// A year with less than this share of the median year was probably thinned out since.
const THIN: f64 = 0.1;

/// What the years say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Grown {
    /// The slope and its 90 % range; `None` with fewer than three whole years.
    pub growth: Option<Growth>,
    /// First and last year used.
    pub span: Option<(Year, Year)>,
    /// Years within the span that hold next to nothing: purged since, so that growth is understated.
    pub purged: Vec<Year>,
}

/// Growth from files and bytes by year. `current` is the year that is not over.
pub fn growth(years: impl IntoIterator<Item = (Year, Bytes)>, current: Year) -> Grown {
    let mut by_year: BTreeMap<Year, Bytes> = BTreeMap::new();
    for (year, bytes) in years {
        let total = by_year.entry(year).or_default();
        *total = total.plus(bytes);
    }
    let first = by_year.keys().next().copied();
    let used: Vec<Year> = match first {
        Some(first) => (first.0.saturating_add(1)..current.0).map(Year).collect(),
        None => Vec::new(),
    };
    let mut sum = first
        .and_then(|year| by_year.get(&year))
        .copied()
        .unwrap_or_default();
    let mut points = Vec::with_capacity(used.len());
    let mut added = Vec::with_capacity(used.len());
    for year in &used {
        let bytes = by_year.get(year).copied().unwrap_or_default();
        sum = sum.plus(bytes);
        added.push((*year, bytes));
        points.push((f64::from(year.0), sum.0 as f64));
    }
    Grown {
        growth: slope(&points, NINETY)
            .filter(|_| points.len() >= LEAST)
            .map(|s| Growth {
                low: whole(s.low),
                likely: whole(s.middle),
                high: whole(s.high),
            }),
        span: used.first().copied().zip(used.last().copied()),
        purged: purged(&added),
    }
}

fn whole(bytes: f64) -> Bytes {
    Bytes(bytes.max(0.0).round() as u64)
}

fn purged(added: &[(Year, Bytes)]) -> Vec<Year> {
    let mut sizes: Vec<u64> = added.iter().map(|(_, bytes)| bytes.0).collect();
    sizes.sort_unstable();
    let median = sizes.get(sizes.len() / 2).copied().unwrap_or(0);
    added
        .iter()
        .filter(|(_, bytes)| (bytes.0 as f64) < median as f64 * THIN)
        .map(|(year, _)| *year)
        .collect()
}

/// A slope and its range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Low end.
    pub low: f64,
    /// The median of all slopes between two points.
    pub middle: f64,
    /// High end.
    pub high: f64,
}

/// The Theil-Sen slope of points with different abscissae; `z` is the normal quantile of the
/// range's upper end. `None` where no two points differ in their abscissa.
pub fn slope(points: &[(f64, f64)], z: f64) -> Option<Slope> {
    let mut slopes: Vec<f64> = Vec::new();
    for (at, a) in points.iter().enumerate() {
        for b in points.iter().skip(at + 1).filter(|b| b.0 != a.0) {
            slopes.push((b.1 - a.1) / (b.0 - a.0));
        }
    }
    slopes.sort_by(f64::total_cmp);
    let count = slopes.len() as f64;
    // The variance of Kendall's score without ties.
    let n = points.len() as f64;
    let sigma = (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt();
    let low = ((count - z * sigma) / 2.0).round() as usize;
    let high = ((count + z * sigma) / 2.0).round() as usize;
    Some(Slope {
        low: *slopes.get(low.saturating_sub(1))?,
        middle: median(&slopes)?,
        high: *slopes.get(high.min(slopes.len().checked_sub(1)?))?,
    })
}

fn median(sorted: &[f64]) -> Option<f64> {
    let upper = *sorted.get(sorted.len() / 2)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *sorted.get((sorted.len() / 2).checked_sub(1)?)?;
    Some((lower + upper) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Sen (1968), the worked example: slope 4, 93 % range 26/7 to 35/8.
    #[test]
    fn the_slope_agrees_with_the_example_of_sen() {
        let x = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
        let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
        let points: Vec<(f64, f64)> = x.into_iter().zip(y).collect();
        // The 96.5 % point of the normal distribution, from memory: 1.81191.
        let found = slope(&points, 1.811_91).unwrap();
        assert!((found.middle - 4.0).abs() < 1e-12, "{found:?}");
        assert!((found.low - 26.0 / 7.0).abs() < 1e-12, "{found:?}");
        assert!((found.high - 4.375).abs() < 1e-12, "{found:?}");
    }

    /// A case of the scipy test suite for its own Theil-Sen function.
    #[test]
    fn three_points_have_the_middle_slope() {
        let found = slope(&[(0.0, 0.0), (1.0, 1.0), (2.0, 1.0)], NINETY).unwrap();
        assert_eq!(found.middle, 0.5);
    }

    #[test]
    fn the_first_and_the_current_year_do_not_count() {
        let tb = 1_000_000_000_000;
        let years = [(2014, 90), (2015, 2), (2016, 2), (2017, 2), (2018, 2), (2019, 50)]
            .map(|(year, n)| (Year(year), Bytes(n * tb)));
        let found = growth(years, Year(2019));
        let growth = found.growth.unwrap();
        assert_eq!(
            (growth.low, growth.likely, growth.high),
            (Bytes(2 * tb), Bytes(2 * tb), Bytes(2 * tb))
        );
        assert_eq!(found.span, Some((Year(2015), Year(2018))));
        assert!(found.purged.is_empty());
    }

    #[test]
    fn purged_years_are_said_and_too_few_years_say_nothing() {
        let years = [(2014, 5), (2015, 40), (2017, 60), (2018, 50)].map(|(y, n)| (Year(y), Bytes(n)));
        assert_eq!(growth(years, Year(2019)).purged, [Year(2016)]);
        assert_eq!(growth(years, Year(2017)).growth, None);
        assert_eq!(growth([], Year(2017)).growth, None);
    }

    proptest! {
        /// On a straight line every slope is the same, whatever the points.
        #[test]
        fn a_straight_line_has_one_slope(step in 0u32..1_000_000, n in 3u16..30) {
            let years = (0..n).map(|i| (Year(2000 + i), Bytes(u64::from(step))));
            let found = growth(years, Year(2000 + n));
            if let Some(growth) = found.growth {
                prop_assert_eq!(growth.low, growth.high);
                prop_assert_eq!(growth.likely, Bytes(u64::from(step)));
            }
        }
    }
}
