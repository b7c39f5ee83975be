//! What a tag may ask of a project beside its name: age, year, kind.

use crate::moment::{Moment, Year};
use crate::survey::{Kind, ProjectSummary};
use crate::units::UnitError;
use std::ops::RangeInclusive;

/// Conditions that hold together; those left out always do.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Only {
    /// Its newest file is more than so many days old. Without a believable time it is not.
    pub older_than: Option<Days>,
    /// Its year lies in this range, both ends included. Without a year it does not.
    pub years: Option<RangeInclusive<u16>>,
    /// Its largest kind of file is one of these; empty: whatever it is.
    pub kinds: Vec<Kind>,
}

/// An age in whole days.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Days(pub u32);

/// Older than any archive; a larger number is a slip of the finger.
const DAYS_MAX: u64 = 73_000;

/// Words for kinds of file, as datasets are called by them.
const KINDS: [(&str, Kind); 8] = [
    ("video", Kind::Video),
    ("audio", Kind::Audio),
    ("picture", Kind::Picture),
    ("edit", Kind::Edit),
    ("document", Kind::Document),
    ("archive", Kind::Archive),
    ("cache", Kind::Cache),
    ("other", Kind::Other),
];

impl Days {
    /// Reads `90 d`, `6 w`, `18 m` or `3 y`: days, weeks, months of 30.4 days, years of 365.25,
    /// rounded up to whole days.
    ///
    /// # Errors
    /// What is wrong, and the mend.
    pub fn parse(text: &str) -> Result<Days, UnitError> {
        let bad = || UnitError {
            text: text.to_string(),
            wanted: "an age",
            mend: "write a whole number with d, w, m or y, like \"3 y\" or \"90 d\"",
        };
        let trimmed = text.trim();
        let end = trimmed
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(trimmed.len());
        let (number, unit) = trimmed.split_at(end);
        let number: u64 = number.parse().map_err(|_| bad())?;
        let hundredths: u64 = match unit.trim() {
            "d" | "day" | "days" => 100,
            "w" | "week" | "weeks" => 700,
            "m" | "month" | "months" => 3_044,
            "y" | "year" | "years" => 36_525,
            _ => return Err(bad()),
        };
        match number.checked_mul(hundredths).map(|sum| sum.div_ceil(100)) {
            Some(days @ 1..=DAYS_MAX) => Ok(Days(u32::try_from(days).unwrap_or(u32::MAX))),
            _ => Err(bad()),
        }
    }
}

/// Reads `2015`, `..2015`, `2010..` or `2010..2015`, ends included.
///
/// # Errors
/// What is wrong, and the mend.
pub fn parse_years(text: &str) -> Result<RangeInclusive<u16>, UnitError> {
    let bad = || UnitError {
        text: text.to_string(),
        wanted: "a range of years",
        mend: "write \"2015\", \"..2015\", \"2010..\" or \"2010..2015\"; both ends are included",
    };
    let year = |part: &str, open: u16| match part.trim() {
        "" => Ok(open),
        four if four.len() == 4 && four.bytes().all(|b| b.is_ascii_digit()) => {
            four.parse().map_err(|_| bad())
        }
        _ => Err(bad()),
    };
    let (from, to) = match text.split_once("..") {
        Some((from, to)) if from.trim().is_empty() && to.trim().is_empty() => return Err(bad()),
        Some(ends) => ends,
        None if text.trim().is_empty() => return Err(bad()),
        None => (text, text),
    };
    let range = year(from, 0)?..=year(to, u16::MAX)?;
    if range.is_empty() { Err(bad()) } else { Ok(range) }
}

/// The kind a word means.
///
/// # Errors
/// The words there are.
pub fn parse_kind(text: &str) -> Result<Kind, UnitError> {
    let found = KINDS.iter().find(|(word, _)| *word == text);
    found.map(|(_, kind)| *kind).ok_or_else(|| UnitError {
        text: text.to_string(),
        wanted: "a kind of file",
        mend: "write video, audio, picture, edit, document, archive, cache or other",
    })
}

impl Only {
    /// Whether anything is asked.
    pub fn asks(&self) -> bool {
        *self != Only::default()
    }

    /// Whether a project is so. `year` is what the tag itself sets, which beats the evidence;
    /// `as_of` is the day ages are counted from. Of a project nobody has surveyed nothing is
    /// known, so no condition holds.
    pub fn holds(&self, project: Option<&ProjectSummary>, year: Option<Year>, as_of: Option<Moment>) -> bool {
        if !self.asks() {
            return true;
        }
        let Some(project) = project else { return false };
        let old = self.older_than.is_none_or(|days| {
            let before = as_of.map(|now| now.plus_seconds(-86_400 * i64::from(days.0)));
            before
                .zip(project.newest)
                .is_some_and(|(before, newest)| newest < before)
        });
        let year = year.or(project.date.year);
        let of_year = |range: &RangeInclusive<u16>| year.is_some_and(|year| range.contains(&year.0));
        let kind = project.kinds.first().map_or(Kind::Other, |(kind, _)| *kind);
        old && self.years.as_ref().is_none_or(of_year)
            && (self.kinds.is_empty() || self.kinds.contains(&kind))
    }

    /// For a person: `older than 1096 days, years 2010 to 2015, kinds video`.
    pub fn words(&self) -> String {
        let mut parts = Vec::new();
        if let Some(Days(days)) = self.older_than {
            parts.push(format!("older than {days} days"));
        }
        if let Some(range) = &self.years {
            parts.push(match (*range.start(), *range.end()) {
                (0, to) => format!("years to {to}"),
                (from, u16::MAX) => format!("years from {from}"),
                (from, to) => format!("years {from} to {to}"),
            });
        }
        if !self.kinds.is_empty() {
            let words = KINDS.iter().filter(|(_, kind)| self.kinds.contains(kind));
            let words: Vec<&str> = words.map(|(word, _)| *word).collect();
            parts.push(format!("kinds {}", words.join(" ")));
        }
        parts.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ages_are_read_in_four_units() {
        let days = |text| Days::parse(text).map(|days| days.0);
        assert_eq!((days("90 d"), days("6w")), (Ok(90), Ok(42)));
        // 3 x 365.25 and 18 x 30.44 days, rounded up.
        assert_eq!((days("3 y"), days("18 months")), (Ok(1_096), Ok(548)));
        for bad in [
            "",
            "3",
            "y",
            "-3 y",
            "1.5 y",
            "0 d",
            "3 parsecs",
            "999999999999999999 y",
            "300 y",
        ] {
            assert!(Days::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn years_are_read_with_either_end_open() {
        assert_eq!(parse_years("..2015"), Ok(0..=2015));
        assert_eq!(parse_years("2010.."), Ok(2010..=u16::MAX));
        assert_eq!(parse_years("2010..2015"), Ok(2010..=2015));
        assert_eq!(parse_years("2012"), Ok(2012..=2012));
        for bad in ["", "..", "15", "2015..2010", "2010-2015", "2010...2015", "x"] {
            assert!(parse_years(bad).is_err(), "{bad}");
        }
        assert_eq!(parse_kind("edit"), Ok(Kind::Edit));
        assert!(parse_kind("film").is_err_and(|e| e.mend.contains("video")));
    }

    proptest! {
        /// Oracle: what is written out of a range is read back as that range.
        #[test]
        fn a_range_that_is_written_is_read_back(a in 1000u16..9999, b in 1000u16..9999) {
            let (from, to) = (a.min(b), a.max(b));
            prop_assert_eq!(parse_years(&format!("{from}..{to}")), Ok(from..=to));
            prop_assert_eq!(parse_years(&format!("{to}..{from}")).is_ok(), from == to);
        }

        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,12}") {
            let _ = (Days::parse(&text), parse_years(&text), parse_kind(&text));
        }
    }
}
