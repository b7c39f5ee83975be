//! What a sample proves of all files: how many must be read, which, and what may be said then.
//!
//! Files are drawn without replacement from a finite number, so the count of bad ones among them is
//! hypergeometric: of N files with D bad ones, n drawn show none with probability
//! C(N-D, n) / C(N, n). Comparisons are exact where a rounded one could be wrong.

use std::collections::BTreeSet;
use std::fmt;

/// A share between nothing and all, both excluded, as an exact fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Share {
    part: u64,
    whole: u64,
}

impl Share {
    /// Reads `99%`, `99.9 %`, `0.1%`; nine decimals at most. `None` for anything else, 0 % and 100 %
    /// among it: neither can be had from a sample.
    pub fn percent(text: &str) -> Option<Share> {
        let number = text.trim().strip_suffix('%')?.trim_end();
        let (whole, part) = number.split_once('.').unwrap_or((number, ""));
        let digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
        if whole.is_empty() || whole.len() > 3 || part.len() > 9 || !digits(whole) || !digits(part) {
            return None;
        }
        let scale = 10u64.pow(part.len() as u32);
        let share = Share {
            part: format!("{whole}{part}").parse().ok()?,
            whole: 100 * scale,
        };
        (share.part > 0 && share.part < share.whole).then_some(share)
    }

    /// This share of a number, rounded up.
    fn of(self, number: u64) -> u64 {
        let exact = u128::from(number) * u128::from(self.part);
        exact.div_ceil(u128::from(self.whole)) as u64
    }

    fn rest(self) -> Share {
        Share {
            part: self.whole - self.part,
            whole: self.whole,
        }
    }
}

impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let scale = self.whole / 100;
        let (whole, part) = (self.part / scale, self.part % scale);
        let decimals = scale.ilog10() as usize;
        match decimals {
            0 => write!(f, "{whole} %"),
            _ => write!(f, "{whole}.{part:0decimals$} %"),
        }
    }
}

/// Files that must be drawn from `total`, and found good, to say with this confidence that fewer
/// than this share of them are bad. Never more than `total`.
pub fn needed(total: u64, confidence: Share, rate: Share) -> u64 {
    let bad = rate.of(total).max(1);
    let (mut low, mut high) = (0, total);
    // The probability falls with every file drawn; `low` is too few, `high` is enough.
    while high.saturating_sub(low) > 1 {
        let middle = low + (high - low) / 2;
        match shows(total, bad, middle, confidence) {
            true => high = middle,
            false => low = middle,
        }
    }
    high
}

/// The least number of bad files that a sample of `drawn` good ones rules out with this
/// confidence: fewer than this many of `total` are bad. `None` where nothing was drawn.
pub fn fewer_than(total: u64, drawn: u64, confidence: Share) -> Option<u64> {
    if drawn == 0 || drawn > total {
        return None;
    }
    let (mut low, mut high) = (0, total - drawn + 1);
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        match shows(total, middle, drawn, confidence) {
            true => high = middle,
            false => low = middle,
        }
    }
    Some(high)
}

/// Whether `drawn` of `total` files would show one of `bad` ones at least with this confidence.
fn shows(total: u64, bad: u64, drawn: u64, confidence: Share) -> bool {
    if bad + drawn > total {
        return true;
    }
    // Both are products of as many factors as the smaller of the two numbers.
    let (few, many) = (bad.min(drawn), bad.max(drawn));
    let rest = confidence.rest();
    let limit = rest.part as f64 / rest.whole as f64;
    // Each factor is off by two roundings at most.
    let off = limit * (few + 8) as f64 * 1e-15;
    let mut missed = 1f64;
    for i in 0..few {
        missed *= (total - many - i) as f64 / (total - i) as f64;
        // It only falls: below the limit now is below it at the end.
        if missed < limit - off {
            return true;
        }
    }
    if (missed - limit).abs() > off {
        return missed < limit;
    }
    // Too near to tell. Beyond what is quickly computed it counts as not shown: one more is drawn.
    few <= EXACT && is_at_most(total, many, few, rest)
}

/// Factors up to which products are computed exactly.
const EXACT: u64 = 20_000;

/// Whether the probability is at most `limit`, in whole numbers.
fn is_at_most(total: u64, many: u64, few: u64, limit: Share) -> bool {
    let (mut missed, mut all) = (vec![1u64], vec![1u64]);
    for i in 0..few {
        times(&mut missed, total - many - i);
        times(&mut all, total - i);
    }
    times(&mut missed, limit.whole);
    times(&mut all, limit.part);
    let longer = missed.len().cmp(&all.len());
    longer
        .then_with(|| missed.iter().rev().cmp(all.iter().rev()))
        .is_le()
}

/// Multiplies a number of 64-bit digits, the lowest first, without leading zeros.
fn times(number: &mut Vec<u64>, factor: u64) {
    let mut carry = 0u128;
    for digit in number.iter_mut() {
        let product = u128::from(*digit) * u128::from(factor) + carry;
        *digit = product as u64;
        carry = product >> 64;
    }
    if carry > 0 {
        number.push(carry as u64);
    }
    while number.len() > 1 && number.last() == Some(&0) {
        number.pop();
    }
}

/// Draws `drawn` different numbers below `total`, each set of them as likely as any other, by
/// Floyd's method (Bentley and Floyd, "A sample of brilliance", CACM 30(9), 1987; from memory).
/// The same seed draws the same numbers, for ever: the digits are those of BLAKE3's endless output.
pub fn draw(seed: u64, total: u64, drawn: u64) -> BTreeSet<u64> {
    let mut stream = blake3::Hasher::new_derive_key("poolward 2026 sample of files")
        .update(&seed.to_le_bytes())
        .finalize_xof();
    let mut below = |limit: u64| loop {
        let mut bytes = [0u8; 8];
        stream.fill(&mut bytes);
        let number = u64::from_le_bytes(bytes);
        // Numbers of the last, incomplete round would make the low ones likelier.
        if number < u64::MAX - u64::MAX % limit {
            return number % limit;
        }
    };
    let mut found = BTreeSet::new();
    for last in total.saturating_sub(drawn)..total {
        let number = below(last + 1);
        if !found.insert(number) {
            found.insert(last);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn share(text: &str) -> Share {
        Share::percent(text).unwrap()
    }

    /// A practically endless number of files gives the zero-failure sizes of the binomial, as
    /// success-run tables print them (95 %/1 %: 299, 95 %/5 %: 59, 95 %/10 %: 29, 90 %/1 %: 230,
    /// 95 %/0.1 %: 2995) and GAO's Financial Audit Manual, figure 450.1 (90 %/5 %: 45).
    #[test]
    fn endless_numbers_give_the_published_sizes() {
        for (confidence, rate, wanted) in [
            ("95%", "5%", 59),
            ("95 %", "1 %", 299),
            ("95%", "10%", 29),
            ("90%", "1%", 230),
            ("90%", "5%", 45),
            ("95%", "0.1%", 2_995),
        ] {
            assert_eq!(
                needed(1 << 40, share(confidence), share(rate)),
                wanted,
                "{confidence} {rate}"
            );
        }
    }

    /// Finite numbers, computed with scipy's hypergeometric distribution and spot-checked with
    /// exact fractions; the rounded shortcut gives 56 for the row of 1,000.
    #[test]
    fn finite_numbers_give_the_exact_sizes() {
        for (total, five, one, one_at_99) in [
            (100, 45, 95, 99),
            (200, 51, 155, 180),
            (500, 56, 225, 300),
            (1_000, 57, 258, 368),
            (2_000, 58, 277, 410),
            (5_000, 59, 290, 438),
            (10_000, 59, 294, 448),
            (100_000, 59, 298, 458),
            (1_000_000, 59, 299, 459),
        ] {
            assert_eq!(needed(total, share("95%"), share("5%")), five, "{total}");
            assert_eq!(needed(total, share("95%"), share("1%")), one, "{total}");
            assert_eq!(needed(total, share("99%"), share("1%")), one_at_99, "{total}");
        }
    }

    #[test]
    fn what_a_sample_leaves_open_is_what_it_needed() {
        assert_eq!(fewer_than(1_000, 57, share("95%")), Some(50));
        assert_eq!(fewer_than(1_000, 56, share("95%")), Some(51));
        assert_eq!(fewer_than(20, 20, share("99.9%")), Some(1));
        assert_eq!(fewer_than(0, 0, share("95%")), None);
        // One bad file of twenty is seen by five with probability 1/4, so at 25 % exactly.
        assert_eq!(fewer_than(20, 5, share("25%")), Some(1));
        assert_eq!(fewer_than(20, 5, share("25.000000001%")), Some(2));
    }

    #[test]
    fn percentages_are_exact_or_refused() {
        assert_eq!(
            share("99.9 %"),
            Share {
                part: 999,
                whole: 1_000
            }
        );
        for (typed, shown) in [("99%", "99 %"), ("0.1 %", "0.1 %"), ("5.005%", "5.005 %")] {
            assert_eq!(share(typed).to_string(), shown);
        }
        for text in [
            "",
            "%",
            "0%",
            "100%",
            "99",
            "0.99",
            "-1%",
            "1e1%",
            "9 9%",
            "0.0000000001%",
            "101%",
            ".%",
        ] {
            let found = Share::percent(text);
            assert_eq!(found, None, "{text}");
        }
    }

    #[test]
    fn a_draw_is_repeatable_and_each_file_is_as_likely_as_any() {
        assert_eq!(draw(7, 1_000, 57), draw(7, 1_000, 57));
        assert_ne!(draw(7, 1_000, 57), draw(8, 1_000, 57));
        assert_eq!(draw(1, 5, 5), (0..5).collect());
        assert_eq!(draw(1, 0, 0), BTreeSet::new());
        // 4,000 draws of 3 from 10: each number 1,200 times, give or take six standard deviations.
        let mut counts = [0u32; 10];
        for seed in 0..4_000 {
            draw(seed, 10, 3)
                .into_iter()
                .for_each(|n| counts[n as usize] += 1);
        }
        assert!(counts.iter().all(|n| n.abs_diff(1_200) < 174), "{counts:?}");
    }

    /// Pascal's triangle: the counts themselves, of another shape than a running product.
    fn choose(n: u64, k: u64) -> u128 {
        let mut row = vec![1u128];
        for _ in 0..n {
            let next: Vec<u128> = row.windows(2).map(|pair| pair[0] + pair[1]).collect();
            row = std::iter::once(1).chain(next).chain([1]).collect();
        }
        row.get(k as usize).copied().unwrap_or(0)
    }

    proptest! {
        #[test]
        fn small_numbers_agree_with_counting(total in 1u64..60, bad in 1u64..60, drawn in 1u64..60, percent in 1u64..100) {
            let (bad, drawn) = (bad.min(total), drawn.min(total));
            let missed = if bad + drawn > total { 0 } else { choose(total - bad, drawn) };
            let wanted = missed * 100 <= choose(total, drawn) * u128::from(100 - percent);
            let confidence = Share { part: percent, whole: 100 };
            prop_assert_eq!(shows(total, bad, drawn, confidence), wanted);
            let (missed, few) = (bad.max(drawn), bad.min(drawn));
            if bad + drawn <= total {
                prop_assert_eq!(is_at_most(total, missed, few, confidence.rest()), wanted);
            }
        }

        #[test]
        fn needed_is_enough_and_one_less_is_not(total in 1u64..5_000, percent in 1u64..100, rate in 1u64..100) {
            let (confidence, rate) = (Share { part: percent, whole: 100 }, Share { part: rate, whole: 100 });
            let drawn = needed(total, confidence, rate);
            let bad = rate.of(total).max(1);
            prop_assert!(shows(total, bad, drawn, confidence));
            prop_assert!(drawn == 1 || !shows(total, bad, drawn - 1, confidence));
        }

        #[test]
        fn draws_are_of_the_size_and_below_the_total(seed: u64, total in 0u64..500, drawn in 0u64..500) {
            let found = draw(seed, total, drawn.min(total));
            prop_assert_eq!(found.len() as u64, drawn.min(total));
            prop_assert!(found.iter().all(|n| *n < total));
        }
    }
}
