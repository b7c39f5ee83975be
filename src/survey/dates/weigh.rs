//! Weighing: the strongest evidence wins, the next one may contradict it.

use crate::moment::Year;
use crate::survey::calendar::{Calendar, DayNumber};
use crate::survey::dates::names::NameDate;
use crate::survey::dates::spikes::{self, CopyDays};
use crate::survey::dates::{DateTally, Weighed, Written};
use crate::survey::{Confidence, Evidence, ProjectDate};
use chrono::{Datelike, NaiveDate};

/// Share of originals that must agree on a year (hazard D8).
const AGREE: f64 = 0.6;
/// Two neighbouring years that together hold this share are one shoot over new year.
const SPAN: f64 = 0.9;
/// Share of originals with a date in their names from which those names count.
const DATED: f64 = 0.1;
/// Days that the first original may lie from a day written in the name without contradicting it:
/// a shoot in December named in January is one shoot. Common practice, no source.
const NEAR: i32 = 45;
/// A project whose times lie this much in one spike has no other times to compare with.
const ALL_IN_SPIKE: f64 = 0.9;

/// One source's answer.
#[derive(Debug, Clone)]
struct Answer {
    evidence: Evidence,
    year: Year,
    words: String,
    /// The day it rests on, where there is one.
    day: Option<DayNumber>,
    /// Weak by itself: worth a question even alone.
    weak: bool,
}

/// Weighs the evidence of a folder's project.
pub fn weigh(written: &Written, tally: &DateTally, copied: &CopyDays, calendar: &Calendar) -> Weighed {
    let mut answers: Vec<Answer> = Vec::new();
    if let Written::Date(date) = written {
        answers.push(from_name(date));
    }
    answers.extend(from_clips(tally));
    answers.extend(from_headers(tally));
    answers.extend(from_oldest(tally, copied, calendar));
    answers.extend(from_median(tally, copied, calendar));
    let mut choices: Vec<(Year, String)> = Vec::new();
    for answer in &answers {
        if !choices.iter().any(|(year, _)| *year == answer.year) {
            choices.push((answer.year, answer.words.clone()));
        }
    }
    if let Written::Ambiguous(six) = written {
        for year in six.years(calendar) {
            if !choices.iter().any(|(known, _)| *known == year) {
                choices.push((year, format!("a reading of {} in the name", six.text())));
            }
        }
    }
    let Some(best) = answers.first() else {
        return undated(written, tally, copied, calendar, choices);
    };
    let ask = doubt(written, &answers, tally, copied, calendar);
    let agrees = answers.iter().skip(1).any(|other| other.year == best.year);
    let against: Vec<(Evidence, Year)> = answers
        .iter()
        .skip(1)
        .filter(|other| other.year != best.year)
        .map(|other| (other.evidence, other.year))
        .collect();
    let confidence = match best.evidence {
        _ if ask.is_some() => Confidence::Low,
        Evidence::FolderDate => Confidence::High,
        Evidence::ClipNames | Evidence::MediaHeaders if agrees => Confidence::High,
        _ => Confidence::Medium,
    };
    Weighed {
        date: ProjectDate {
            year: Some(best.year),
            evidence: best.evidence,
            confidence,
            words: best.words.clone(),
            against,
        },
        ask,
        choices,
    }
}

fn from_name(date: &NameDate) -> Answer {
    let words = match date.until {
        Some(_) => format!("the name says {}, filed under the first year", date.text),
        None => format!("the name says {}", date.text),
    };
    Answer {
        evidence: Evidence::FolderDate,
        year: date.year,
        words,
        day: date.date.map(|d| d.num_days_from_ce()),
        weak: date.several,
    }
}

/// The year most agree on, or the first of two neighbouring years that hold nearly all.
fn agreed<'a>(years: impl Iterator<Item = (&'a Year, &'a u64)>) -> Option<(Year, u64, u64)> {
    let years: Vec<(Year, u64)> = years.map(|(year, count)| (*year, *count)).collect();
    let total: u64 = years.iter().map(|(_, count)| count).sum();
    let enough = |count: u64, share: f64| count as f64 >= total as f64 * share;
    let (year, count) = years
        .iter()
        .max_by_key(|(year, count)| (*count, std::cmp::Reverse(*year)))?;
    if enough(*count, AGREE) {
        return Some((*year, *count, total));
    }
    years.iter().find_map(|(year, count)| {
        let after = Year(year.0.saturating_add(1));
        let both = count + years.iter().find(|(other, _)| *other == after)?.1;
        enough(both, SPAN).then_some((*year, both, total))
    })
}

fn from_clips(tally: &DateTally) -> Option<Answer> {
    let originals: u64 = tally.days.values().map(|found| found.originals).sum();
    let dated: u64 = tally.clip_years.values().sum();
    let (years, what) = if dated > 0 && dated as f64 >= originals as f64 * DATED {
        (&tally.clip_years, "clips")
    } else {
        (&tally.folder_years, "folders inside")
    };
    let (year, count, total) = agreed(years.iter())?;
    Some(Answer {
        evidence: Evidence::ClipNames,
        year,
        words: format!("the names of {count} of {total} {what} with a date say {year}"),
        day: None,
        weak: false,
    })
}

fn from_headers(tally: &DateTally) -> Option<Answer> {
    let (year, count, total) = agreed(tally.header_years.iter())?;
    let mut words = format!("the headers of {count} of {total} media files looked into say {year}");
    if tally.corrected > 0 {
        words.push_str(&format!(", {} put right by 66 years", tally.corrected));
    }
    if tally.near_new_year > 0 {
        words.push_str(", some within a day of new year");
    }
    Some(Answer {
        evidence: Evidence::MediaHeaders,
        year,
        words,
        day: None,
        weak: false,
    })
}

fn from_oldest(tally: &DateTally, copied: &CopyDays, calendar: &Calendar) -> Option<Answer> {
    let (day, _) = tally
        .days
        .iter()
        .find(|(day, found)| found.originals > 0 && !copied.days.contains(day))?;
    let lone_spike = spikes::project_spike(tally)
        .is_some_and(|(start, share)| share > ALL_IN_SPIKE && (start..=start + 1).contains(day));
    let mut words = format!("the oldest camera file is of {}", date_text(*day));
    if lone_spike {
        words.push_str(" (nearly all times lie within the same 48 hours: a shoot, or a copy)");
    }
    Some(Answer {
        evidence: Evidence::OldestOriginal,
        year: calendar.year_of(*day)?,
        words,
        day: Some(*day),
        weak: lone_spike,
    })
}

fn from_median(tally: &DateTally, copied: &CopyDays, calendar: &Calendar) -> Option<Answer> {
    let spike = spikes::project_spike(tally).map(|(day, _)| day);
    // A project's own spike is left out where older times lie before it: then it is the later
    // event, not the shoot.
    let older = |start: &DayNumber| {
        tally
            .days
            .keys()
            .take_while(|day| *day < start)
            .any(|day| !copied.days.contains(day))
    };
    let spike = spike.filter(older);
    let kept: Vec<(DayNumber, u64)> = tally
        .days
        .iter()
        .filter(|(day, _)| !copied.days.contains(day))
        .filter(|(day, _)| !spike.is_some_and(|start| (start..=start + 1).contains(*day)))
        .map(|(day, found)| (*day, found.bytes.max(1)))
        .collect();
    let total: u128 = kept.iter().map(|(_, bytes)| u128::from(*bytes)).sum();
    let mut seen: u128 = 0;
    let day = kept.iter().find_map(|(day, bytes)| {
        seen += u128::from(*bytes);
        (seen * 2 >= total).then_some(*day)
    })?;
    let year = calendar.year_of(day)?;
    let same: u128 = kept
        .iter()
        .filter(|(day, _)| calendar.year_of(*day) == Some(year))
        .map(|(_, bytes)| u128::from(*bytes))
        .sum();
    Some(Answer {
        evidence: Evidence::MedianTime,
        year,
        words: format!("half of its bytes were last changed up to {}", date_text(day)),
        day: Some(day),
        weak: same * 5 < total * 4,
    })
}

/// Why the first answer needs the user.
fn doubt(
    written: &Written,
    answers: &[Answer],
    tally: &DateTally,
    copied: &CopyDays,
    calendar: &Calendar,
) -> Option<String> {
    let best = answers.first()?;
    if let (Written::Ambiguous(six), true) = (written, best.evidence > Evidence::MediaHeaders) {
        return Some(format!("{} in its name has several readings", six.text()));
    }
    if best.weak
        && !answers
            .iter()
            .skip(1)
            .any(|other| strong(other) && other.year == best.year)
    {
        return Some(format!("{}, and nothing stronger says {}", best.words, best.year));
    }
    let second = answers.get(1)?;
    let until = match written {
        Written::Date(date) => date.until,
        _ => None,
    };
    let in_range = until.is_some_and(|until| (best.year..=until).contains(&second.year));
    if second.year == best.year || in_range || tolerated(best, second, tally, copied, calendar) {
        return None;
    }
    Some(format!("{}, but {}", best.words, second.words))
}

fn strong(answer: &Answer) -> bool {
    answer.evidence <= Evidence::MediaHeaders
}

/// Differences between a date and file times that mean nothing.
fn tolerated(
    best: &Answer,
    second: &Answer,
    tally: &DateTally,
    copied: &CopyDays,
    calendar: &Calendar,
) -> bool {
    match second.evidence {
        // Work goes on after the shoot.
        Evidence::MedianTime => second.year.0 == best.year.0 + 1 || best.evidence > Evidence::MediaHeaders,
        Evidence::OldestOriginal => {
            let near = best
                .day
                .zip(second.day)
                .is_some_and(|(a, b)| (a - b).abs() <= NEAR);
            near || originals_in(best.year, tally, copied, calendar) >= AGREE
        }
        _ => false,
    }
}

/// Share of originals, copy days apart, whose times lie in this year: a stray old clip among many
/// of the right year contradicts nothing.
fn originals_in(year: Year, tally: &DateTally, copied: &CopyDays, calendar: &Calendar) -> f64 {
    let (mut inside, mut all) = (0u64, 0u64);
    for (day, found) in tally.days.iter() {
        if copied.days.contains(day) {
            continue;
        }
        all += found.originals;
        if calendar.year_of(*day) == Some(year) {
            inside += found.originals;
        }
    }
    inside as f64 / all.max(1) as f64
}

fn undated(
    written: &Written,
    tally: &DateTally,
    copied: &CopyDays,
    calendar: &Calendar,
    mut choices: Vec<(Year, String)>,
) -> Weighed {
    let days: Vec<DayNumber> = tally.days.keys().copied().collect();
    let words = match (days.first(), written) {
        (_, Written::Ambiguous(six)) => format!("{} in its name has several readings", six.text()),
        (Some(_), _) => {
            let copy = copied.days.first().map_or(String::new(), |day| date_text(*day));
            format!("all its times lie on days that look like copying ({copy})")
        }
        (None, _) => "no name, header or file time that can be believed".to_string(),
    };
    // Better than an empty line to paste: it is not later than that.
    if let (true, Some(year)) = (
        choices.is_empty(),
        days.first().and_then(|d| calendar.year_of(*d)),
    ) {
        choices.push((year, "its oldest time, which may be a copy's".to_string()));
    }
    Weighed {
        date: ProjectDate {
            year: None,
            evidence: Evidence::Nothing,
            confidence: Confidence::Low,
            words: words.clone(),
            against: Vec::new(),
        },
        ask: Some(words),
        choices,
    }
}

/// `2019-03-04`.
pub fn date_text(day: DayNumber) -> String {
    NaiveDate::from_num_days_from_ce_opt(day).map_or_else(|| day.to_string(), |date| date.to_string())
}
