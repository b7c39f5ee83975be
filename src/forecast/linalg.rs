//! Small linear algebra: least squares by orthogonal steps, with signs held, and Student's t.
//!
//! Problems here have a handful of columns and up to thousands of rows. Householder reflections
//! keep the digits that normal equations would lose; the tests hold it to NIST's Norris data.

/// A least-squares problem, row by row.
#[derive(Debug, Clone, Default)]
pub struct Rows {
    /// Columns of each row.
    pub left: Vec<Vec<f64>>,
    /// What each row should come to.
    pub right: Vec<f64>,
}

impl Rows {
    /// Adds a row.
    pub fn push(&mut self, left: Vec<f64>, right: f64) {
        self.left.push(left);
        self.right.push(right);
    }

    fn columns(&self) -> usize {
        self.left.first().map_or(0, Vec::len)
    }

    /// The problem reduced to a triangle of the given columns, the last column being the right
    /// side: as many rows as columns, the same solution.
    fn triangle(&self, columns: &[usize]) -> Vec<Vec<f64>> {
        let wide = columns.len() + 1;
        let mut all: Vec<Vec<f64>> = self
            .left
            .iter()
            .zip(&self.right)
            .map(|(row, right)| {
                let kept = columns.iter().map(|c| row.get(*c).copied().unwrap_or(0.0));
                kept.chain([*right]).collect()
            })
            .collect();
        for column in 0..columns.len().min(all.len()) {
            reflect(&mut all[column..], column, wide);
        }
        all.truncate(columns.len());
        all
    }

    /// The solution over some columns; a column that adds nothing gets 0.
    fn solve(&self, columns: &[usize]) -> Vec<f64> {
        let triangle = self.triangle(columns);
        let n = columns.len();
        let mut out = vec![0.0; n];
        for row in (0..n.min(triangle.len())).rev() {
            let known: f64 = (row + 1..n).map(|c| triangle[row][c] * out[c]).sum();
            let pivot = triangle[row][row];
            let size: f64 = (0..=row).map(|r| triangle[r][row].abs()).fold(0.0, f64::max);
            if pivot.abs() > size * 1e-13 {
                out[row] = (triangle[row][n] - known) / pivot;
            }
        }
        out
    }

    /// Ordinary least squares.
    pub fn least_squares(&self) -> Vec<f64> {
        let all: Vec<usize> = (0..self.columns()).collect();
        self.solve(&all)
    }

    /// Least squares with every column but the free ones held at 0 or above, by the active-set
    /// method of Lawson and Hanson (Solving Least Squares Problems, 1974, chapter 23; from memory).
    pub fn non_negative(&self, free: &[usize]) -> Vec<f64> {
        let n = self.columns();
        let mut active: Vec<usize> = (0..n).filter(|c| free.contains(c)).collect();
        let mut at = vec![0.0; n];
        // Each round lets one column in; three times the columns is the usual bound.
        for _ in 0..3 * n + 1 {
            at = self.step_inside(&mut active, at, free);
            let Some(next) = self.steepest(&active, &at) else {
                break;
            };
            active.push(next);
            active.sort_unstable();
        }
        at
    }

    /// Moves to the solution over the active columns, dropping those that would turn negative.
    fn step_inside(&self, active: &mut Vec<usize>, from: Vec<f64>, free: &[usize]) -> Vec<f64> {
        let n = from.len();
        let mut at = from;
        for _ in 0..=n {
            let mut goal = vec![0.0; n];
            for (column, value) in active.iter().zip(self.solve(active)) {
                goal[*column] = value;
            }
            let bad = |c: &&usize| !free.contains(c) && goal[**c] <= 0.0;
            let share = active.iter().filter(bad).map(|c| at[*c] / (at[*c] - goal[*c]));
            let share = share.filter(|s| s.is_finite()).fold(1.0, f64::min);
            let done = !active.iter().any(|c| bad(&c));
            for c in 0..n {
                at[c] = if done {
                    goal[c]
                } else {
                    at[c] + share * (goal[c] - at[c])
                };
            }
            if done {
                return at;
            }
            let before = active.len();
            active.retain(|c| free.contains(c) || at[*c] > 1e-15);
            if active.len() == before {
                active.retain(|c| free.contains(c) || goal[*c] > 0.0);
            }
        }
        at
    }

    /// The held column along which the misfit falls fastest, if it falls along any.
    fn steepest(&self, active: &[usize], at: &[f64]) -> Option<usize> {
        let n = at.len();
        let mut slope = vec![0.0; n];
        let mut size = vec![0.0; n];
        for (row, right) in self.left.iter().zip(&self.right) {
            let miss = right - row.iter().zip(at).map(|(a, x)| a * x).sum::<f64>();
            for c in 0..n {
                slope[c] += row[c] * miss;
                size[c] += (row[c] * right).abs();
            }
        }
        let held = (0..n).filter(|c| !active.contains(c) && slope[*c] > size[*c] * 1e-12);
        held.max_by(|a, b| slope[*a].total_cmp(&slope[*b]))
    }

    /// The inverse of the normal matrix: the covariance of the solution where every row has a
    /// spread of 1. Columns that add nothing get no row and no column.
    pub fn covariance(&self) -> Vec<Vec<f64>> {
        let n = self.columns();
        let all: Vec<usize> = (0..n).collect();
        let triangle = self.triangle(&all);
        // The inverse of the triangle, a column for each unit vector.
        let column = |unit: usize| {
            let mut out = vec![0.0; n];
            for row in (0..=unit.min(triangle.len().saturating_sub(1))).rev() {
                let Some(of) = triangle.get(row) else { continue };
                let known: f64 = (row + 1..=unit).map(|c| of[c] * out[c]).sum();
                let target = if row == unit { 1.0 } else { 0.0 };
                out[row] = if of[row].abs() > 1e-150 {
                    (target - known) / of[row]
                } else {
                    0.0
                };
            }
            out
        };
        let columns: Vec<Vec<f64>> = (0..n).map(column).collect();
        let product = |a: usize, b: usize| columns.iter().map(|k| k[a] * k[b]).sum();
        (0..n).map(|a| (0..n).map(|b| product(a, b)).collect()).collect()
    }
}

/// One Householder reflection: zeroes `column` below the first of these rows.
fn reflect(rows: &mut [Vec<f64>], column: usize, wide: usize) {
    let norm = rows.iter().map(|r| r[column] * r[column]).sum::<f64>().sqrt();
    let Some(first) = rows.first() else { return };
    if norm <= 0.0 || !norm.is_finite() {
        return;
    }
    let head = first[column];
    let alpha = if head > 0.0 { -norm } else { norm };
    let mut mirror: Vec<f64> = rows.iter().map(|r| r[column]).collect();
    mirror[0] = head - alpha;
    let square: f64 = mirror.iter().map(|m| m * m).sum();
    if square <= 0.0 {
        return;
    }
    for c in column..wide {
        let dot: f64 = rows.iter().zip(&mirror).map(|(r, m)| r[c] * m).sum();
        for (row, m) in rows.iter_mut().zip(&mirror) {
            row[c] -= 2.0 * dot / square * m;
        }
    }
}

/// Student's t above which 5 % lie (a two-sided range of 90 %): exact for one and two degrees of
/// freedom, else by the expansion of Abramowitz and Stegun 26.7.5. Below 1 counts as 1.
pub fn student_95(freedom: f64) -> f64 {
    const Z: f64 = 1.644_853_626_951_472_2;
    if freedom.is_infinite() {
        return Z;
    }
    if freedom.is_nan() || freedom < 2.0 {
        return 6.313_751_514_675_04;
    }
    if freedom < 3.0 {
        return 2.919_985_580_353_73;
    }
    let z2 = Z * Z;
    let g1 = Z * (z2 + 1.0) / 4.0;
    let g2 = Z * (5.0 * z2 * z2 + 16.0 * z2 + 3.0) / 96.0;
    let g3 = Z * (3.0 * z2.powi(3) + 19.0 * z2 * z2 + 17.0 * z2 - 15.0) / 384.0;
    let g4 =
        Z * (79.0 * z2.powi(4) + 776.0 * z2.powi(3) + 1_482.0 * z2 * z2 - 1_920.0 * z2 - 945.0) / 92_160.0;
    Z + g1 / freedom + g2 / freedom.powi(2) + g3 / freedom.powi(3) + g4 / freedom.powi(4)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NORRIS_Y: &str = "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2";
    const NORRIS_X: &str = "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5";

    fn line(x: &[f64], y: &[f64], weights: Option<&[f64]>) -> Rows {
        let mut rows = Rows::default();
        for (i, (x, y)) in x.iter().zip(y).enumerate() {
            let w = weights.map_or(1.0, |w| w[i]).sqrt();
            rows.push(vec![w, w * x], w * y);
        }
        rows
    }

    fn numbers(text: &str) -> Vec<f64> {
        text.split(' ').map(|n| n.parse().unwrap()).collect()
    }

    fn near(got: f64, expected: f64, relative: f64) {
        assert!(
            (got - expected).abs() <= expected.abs() * relative,
            "{got} {expected}"
        );
    }

    /// NIST StRD "Norris", certified values; the ranges of a new value are derived from the fit by
    /// the formula for a prediction interval.
    #[test]
    fn a_line_agrees_with_the_certified_values_of_norris() {
        let (x, y) = (numbers(NORRIS_X), numbers(NORRIS_Y));
        let rows = line(&x, &y, None);
        let fit = rows.least_squares();
        near(fit[0], -0.262323073774029, 1e-10);
        near(fit[1], 1.00211681802045, 1e-12);
        let residual: f64 = x
            .iter()
            .zip(&y)
            .map(|(x, y)| (y - fit[0] - fit[1] * x).powi(2))
            .sum();
        near(residual, 26.6173985294224, 1e-9);
        let variance = residual / 34.0;
        near(variance.sqrt(), 0.884796396144373, 1e-9);
        let covariance = rows.covariance();
        near((variance * covariance[0][0]).sqrt(), 0.232818234301152, 1e-9);
        near((variance * covariance[1][1]).sqrt(), 0.429796848199937e-3, 1e-9);
        for (x0, low, high) in [
            (500.0, 499.278188, 502.313984),
            (1200.0, 1200.658420, 1203.897297),
        ] {
            let at = fit[0] + fit[1] * x0;
            let spread = covariance[0][0] + 2.0 * x0 * covariance[0][1] + x0 * x0 * covariance[1][1];
            let half = student_95(34.0) * (variance * (1.0 + spread)).sqrt();
            assert!(
                (at - half - low).abs() < 1e-5 && (at + half - high).abs() < 1e-5,
                "{at} {half}"
            );
        }
    }

    /// Galton's peas, weighted by 1 / sd^2: 0.12796 + 0.2048 x; the exact figures recomputed.
    #[test]
    fn a_weighted_line_agrees_with_published_and_exact_ones() {
        let x = [0.21, 0.20, 0.19, 0.18, 0.17, 0.16, 0.15];
        let y = [0.1726, 0.1707, 0.1637, 0.1640, 0.1613, 0.1617, 0.1598];
        let sd: [f64; 7] = [0.01988, 0.01938, 0.01896, 0.02037, 0.01654, 0.01594, 0.01763];
        let w: Vec<f64> = sd.iter().map(|s| 1.0 / (s * s)).collect();
        let fit = line(&x, &y, Some(&w)).least_squares();
        near(fit[0], 0.12796417, 1e-6);
        near(fit[1], 0.20480116, 1e-6);
        let fit = line(
            &[1.0, 2.0, 3.0, 4.0],
            &[2.0, 3.0, 5.0, 4.0],
            Some(&[1.0, 2.0, 3.0, 4.0]),
        )
        .least_squares();
        near(fit[0], 2.1, 1e-12);
        near(fit[1], 0.6, 1e-12);
    }

    /// NIST/SEMATECH e-Handbook table 1.3.6.7.2.
    #[test]
    fn student_agrees_with_the_handbook() {
        let rows = [
            (1.0, 6.3138, 1e-4),
            (2.0, 2.92, 1e-4),
            (3.0, 2.3534, 5e-3),
            (4.0, 2.1318, 2e-3),
            (5.0, 2.015, 1e-3),
            (10.0, 1.8125, 1e-4),
            (34.0, 1.6909, 1e-4),
            (100.0, 1.6602, 1e-4),
            (f64::INFINITY, 1.644854, 1e-6),
        ];
        for (freedom, expected, tolerance) in rows {
            let got = student_95(freedom);
            assert!((got - expected).abs() < tolerance, "{freedom}: {got}");
        }
        assert!(student_95(f64::NAN) > 6.0);
    }

    #[test]
    fn empty_and_degenerate_problems_have_answers() {
        assert!(Rows::default().least_squares().is_empty());
        let mut rows = Rows::default();
        rows.push(vec![1.0, 1.0], 2.0);
        rows.push(vec![2.0, 2.0], 4.0);
        assert!(rows.least_squares().iter().all(|x| x.is_finite()));
        assert!(rows.non_negative(&[]).iter().all(|x| *x >= 0.0));
        assert!(rows.covariance().iter().flatten().all(|x| x.is_finite()));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100))]
        /// The oracle: every choice of columns, solved without signs, the best of those that have
        /// none wrong.
        #[test]
        fn non_negative_least_squares_is_the_best_of_all_choices_of_columns(
            left in prop::collection::vec(prop::collection::vec(-1.0f64..1.0, 3), 5..12),
            right in prop::collection::vec(-1.0f64..1.0, 12),
        ) {
            let rows = Rows { right: right[..left.len()].to_vec(), left };
            let misfit = |x: &[f64]| -> f64 {
                let miss = |(row, y): (&Vec<f64>, &f64)| y - row.iter().zip(x).map(|(a, b)| a * b).sum::<f64>();
                rows.left.iter().zip(&rows.right).map(|r| miss(r).powi(2)).sum()
            };
            let mut best = f64::INFINITY;
            for choice in 0u8..8 {
                let columns: Vec<usize> = (0..3).filter(|c| choice & (1 << c) != 0).collect();
                let mut x = vec![0.0; 3];
                for (c, v) in columns.iter().zip(rows.solve(&columns)) {
                    x[*c] = v;
                }
                if x.iter().all(|v| *v >= 0.0) {
                    best = best.min(misfit(&x));
                }
            }
            let got = rows.non_negative(&[]);
            prop_assert!(got.iter().all(|x| *x >= 0.0));
            prop_assert!(misfit(&got) <= best + 1e-9, "{} {}", misfit(&got), best);
        }
    }
}
