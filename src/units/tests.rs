//! Units: what is printed parses back, and sums that do not fit are errors.

use super::*;
use proptest::prelude::*;

#[test]
fn sizes_are_read_as_people_type_them() {
    for (text, bytes) in [
        ("14 TB", 14_000_000_000_000),
        ("14TB", 14_000_000_000_000),
        ("1 MiB", 1 << 20),
        ("1.5 GB", 1_500_000_000),
        ("14000519643136 B", 14_000_519_643_136),
        ("0", 0),
    ] {
        assert_eq!(Bytes::parse(text), Ok(Bytes(bytes)), "{text}");
    }
    for text in [
        "", "14", "-1 TB", "1 XB", "1.5 B", "1. TB", ".5 TB", "1e3 GB", "99999 EB", "1..2 TB",
    ] {
        assert!(Bytes::parse(text).is_err(), "{text:?} must be refused");
    }
}

#[test]
fn links_and_rates_are_read_as_people_type_them() {
    assert_eq!(LinkSpeed::parse("10GbE"), Ok(LinkSpeed(10_000_000_000)));
    assert_eq!(LinkSpeed::parse("2.5 Gbit/s"), Ok(LinkSpeed(2_500_000_000)));
    assert_eq!(Rate::parse("180 MB/s"), Ok(Rate(180_000_000)));
    assert_eq!(Rate::parse("5 Gbit/s"), Ok(Rate(625_000_000)));
    assert!(LinkSpeed::parse("0 Gbit/s").is_err());
    assert!(Rate::parse("fast").is_err());
}

/// Prefix factors and the TB to TiB figures: IEC 80000-13 (values from a secondary source);
/// 300 GB = 279.397 GiB is a published worked figure.
#[test]
fn binary_units_agree_with_iec_80000_13() {
    assert_eq!(Bytes(1_099_511_627_776).binary(), "1.00 TiB");
    assert_eq!(Bytes(80_000_000_000_000).binary(), "72.8 TiB");
    assert_eq!(Bytes(210_000_000_000_000).binary(), "191 TiB");
    assert_eq!(Bytes(300_000_000_000).binary(), "279 GiB");
}

#[test]
fn a_value_that_rounds_up_takes_the_next_unit() {
    assert_eq!(Bytes(999_999_999_999).to_string(), "1.00 TB");
    assert_eq!(Bytes(999).to_string(), "999 B");
    assert_eq!(Bytes(99_960_000).to_string(), "100 MB");
    assert_eq!(Bytes(u64::MAX).to_string(), "18.4 EB");
}

#[test]
fn durations_show_two_units() {
    assert_eq!(Span::from_secs_f64(190_800.0).to_string(), "2 d 5 h");
    assert_eq!(Span::from_secs_f64(0.4).to_string(), "0.4 s");
    assert_eq!(Span::from_secs_f64(3_599.9).to_string(), "1 h");
    assert_eq!(Span::from_secs_f64(86_399.0).to_string(), "24 h");
    assert_eq!(Span::FOREVER.to_string(), "never");
}

#[test]
fn nothing_moves_at_rate_zero() {
    assert_eq!(Rate(0).time_for(Bytes(1)), Span::FOREVER);
    assert_eq!(Rate(0).time_for(Bytes(0)), Span(0));
}

proptest! {
    #[test]
    fn what_is_printed_exactly_parses_back(n: u64) {
        prop_assert_eq!(Bytes::parse(&Bytes(n).exact()), Ok(Bytes(n)));
    }

    #[test]
    fn the_rounded_text_is_within_half_a_percent(n in 1000u64..u64::MAX / 2) {
        for text in [Bytes(n).to_string(), Bytes(n).binary()] {
            let back = Bytes::parse(&text).map(|b| b.0).unwrap_or_else(|_| {
                // `1.23 kB` is whole, but `1.23 KiB` need not be: compare by floating point.
                let (number, unit) = split_number(&text);
                (number.parse::<f64>().unwrap() * size_factor(unit).unwrap() as f64) as u64
            });
            let gap = back.abs_diff(n) as f64 / n as f64;
            prop_assert!(gap <= 0.006, "{} for {}", text, n);
        }
    }

    #[test]
    fn no_text_makes_the_parsers_panic(text in ".{0,24}") {
        let _ = (Bytes::parse(&text), Rate::parse(&text), LinkSpeed::parse(&text));
    }
}
